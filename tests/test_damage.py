"""Spreadsheet damage as evidence about a column: no healthy column is called damaged, rounded ones are.

The outside reference of rounding is the arithmetic of spreadsheets: a number is an IEEE 754 double, shown with
15 significant digits. Python's ``float`` is that double, and ``format(number, ".15g")`` those digits.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from decimal import Decimal
from pathlib import Path
from random import Random

import pytest

from credkit import chain
from credkit.facts.damage import ColumnCounts, ColumnDamage, judge_column, tail_bound
from credkit.facts.texts import TextResults, find_lost_zeros, is_rounded
from tests.amounts import amounts
from tests.brackwater import HEADER
from tests.populations import site

SEEDS = 40
LEAST_NAMED = 0.99  # of the values that a spreadsheet changed
MAKER_BYTES = (0x04, 0x04, 0x04, 0xE0, 0x02, 0x10, 0x20, 0x40, 0x80)  # the first byte of a serial; many low zero bits
BOX = 100  # consecutive serials


def random_serials(dice: Random, size: int, count: int) -> list[int]:
    return [dice.getrandbits(8 * size) for _ in range(count)]


def serials_of_a_maker(dice: Random, size: int, count: int) -> list[int]:
    first = dice.choice(MAKER_BYTES) << 8 * (size - 1)
    return [first | dice.getrandbits(8 * (size - 1)) for _ in range(count)]


def consecutive_serials(dice: Random, size: int, count: int) -> list[int]:
    first = dice.randrange((1 << 8 * size) - count)
    return [*range(first, first + count)]


def boxed_serials(dice: Random, size: int, count: int) -> list[int]:
    """Boxes of consecutive serials, from anywhere in what one maker gives out."""
    boxes = serials_of_a_maker(dice, size, count // BOX)
    return [first + place for first in boxes for place in range(BOX) if first + place < 1 << 8 * size]


MADE: dict[str, Callable[[Random, int, int], list[int]]] = {
    "random": random_serials, "one maker": serials_of_a_maker, "consecutive": consecutive_serials,
    "boxes": boxed_serials,
}  # fmt: skip
PRESENTATIONS = [
    (size, f"{notation}{order}")
    for size, notations in (
        (4, ("decimal:32", "decimal:32,10", "signed-decimal:32")),
        (7, ("decimal:56", "decimal:56,17", "decimal:56,20", "signed-decimal:56")),
        (8, ("decimal:64", "decimal:64,20", "signed-decimal:64")),
    )
    for notation in notations
    for order in ("", "/reverse-bytes")
]


def texts_of(name: str, size: int, serials: Iterable[int]) -> list[str]:
    """The serials as ``name`` writes them, in plain arithmetic; that credkit writes the same is tested below."""
    notation, _, order = name.partition("/")
    bits, _, width = notation.partition(":")[2].partition(",")
    if order:
        serials = (int.from_bytes(serial.to_bytes(size, "big"), "little") for serial in serials)
    if notation.startswith("signed"):
        serials = (serial - (serial >> int(bits) - 1 << int(bits)) for serial in serials)
    return [str(serial).zfill(int(width or 0)) for serial in serials]


def round_by_spreadsheet(text: str) -> str:
    """What a spreadsheet gives back for a number: a double, with 15 significant digits, written out."""
    return f"{Decimal(format(float(text), '.15g')):f}"


def judge(texts: list[str]) -> ColumnDamage:
    """The verdict on a register of as many credentials."""
    return judge_column(texts, (text for text, count in Counter(texts).items() if count > 1))


@pytest.mark.parametrize(("size", "name"), PRESENTATIONS)
def test_the_texts_are_those_of_the_codecs(size: int, name: str) -> None:
    codec, serials = chain(f"{name}/fields:serial:{8 * size}"), random_serials(Random(size), size, 50)
    assert texts_of(name, size, serials) == [codec.encode({"serial": serial}) for serial in serials]


@pytest.mark.parametrize(
    ("text", "rounded"),
    [
        ("9007199254740993", "9007199254740990"), ("123456789012345", "123456789012345"),
        ("12345678901234567", "12345678901234600"), ("-1234567890123456", "-1234567890123460"),
        ("9999999999999999", "10000000000000000"), ("00012345", "12345"),
    ],
)  # fmt: skip
def test_rounding_keeps_15_digits(text: str, rounded: str) -> None:
    """By hand: the digits behind the 15th become zeros, and the 15th is rounded. 2^53 + 1 has no double of its own."""
    assert round_by_spreadsheet(text) == rounded
    assert is_rounded(rounded) == (len(rounded.lstrip("-")) > 15)


@pytest.mark.parametrize("made", MADE)
@pytest.mark.parametrize(("size", "name"), PRESENTATIONS)
@amounts("seeds", quick=2, whole=SEEDS)
def test_no_healthy_column_is_called_damaged(made: str, size: int, name: str, seeds: int) -> None:
    doubtful = 0
    for seed in range(seeds):
        verdict = judge(texts_of(name, size, MADE[made](Random(f"{made} {name} {seed}"), size, 1000)))
        assert verdict.damage != "damaged", f"{seed}: {verdict.sentence}"
        doubtful += verdict.damage == "doubtful"
    assert doubtful <= 2, "one in a thousand columns may be beyond 1e-3"


# Of 8-byte serials in a row, a thousand become one and the same number: a single number is no evidence.
ONE_NUMBER_IS_LEFT = {("consecutive", name) for size, name in PRESENTATIONS if size == 8 and "/" not in name}
ROUNDED = [
    (made, size, name)
    for made in MADE
    for size, name in PRESENTATIONS
    if size > 4 and (made, name) not in ONE_NUMBER_IS_LEFT
]


@pytest.mark.parametrize("share", [1.0, 0.2])
@pytest.mark.parametrize(("made", "size", "name"), ROUNDED)
@amounts("seeds", quick=1, whole=SEEDS // 2)  # 20,000 numbers: a share of 0.99 is known to 0.0014, at 95 % confidence
def test_what_a_spreadsheet_rounded_is_named(made: str, size: int, name: str, share: float, seeds: int) -> None:
    changed = named = 0
    for seed in range(seeds):
        dice = Random(f"{made} {name} {share} {seed}")
        whole = texts_of(name, size, MADE[made](dice, size, 1000))
        held = [round_by_spreadsheet(text) if dice.random() < share else text for text in whole]
        verdict = judge(held)
        altered = [now for now, was in zip(held, whole, strict=True) if now != was.lstrip("0") and now != was]
        changed += len(altered)
        named += sum(map(verdict.suspects, altered))
        unaltered = [now for now, was in zip(held, whole, strict=True) if now == was and now[-1] != "0"]
        assert not any(map(verdict.suspects, unaltered))
    assert changed or seeds == 1, "signed numbers of a maker may all be short"
    assert named >= LEAST_NAMED * changed, (named, changed)


def test_one_number_is_no_evidence() -> None:
    assert judge_column(["1234567890123450"]).damage == "none"
    # One of 20 digits: one in 100,000, and in 3,125 of the numbers that 32 divides, as some makers' all are.
    verdict = judge_column(["12345678901234500000"])
    assert verdict.damage == "doubtful"
    assert verdict.probability == pytest.approx(1 / 3125)


def test_a_repeated_text_counts_once() -> None:
    once = judge_column(["3602879701896390", "3602879701896397"])
    assert judge_column(["3602879701896390"] * 500 + ["3602879701896397"]) == once


def test_serials_that_are_all_even_end_in_zeros_more_often() -> None:
    """Last byte first, the byte of a maker is the lowest: with 0x20 all numbers are even, and one in five ends in 0."""
    dice = Random(5)
    serials = [0x20 << 48 | dice.getrandbits(48) for _ in range(40_000)]
    texts = [text for text in texts_of("decimal:56/reverse-bytes", 7, serials) if len(text) == 16]
    zeros = sum(text[-1] == "0" for text in texts)
    assert 0.18 < zeros / len(texts) < 0.22
    assert judge_column(texts).damage == "none"


def test_numbers_in_steps_of_ten_are_expected_to_end_in_zeros_where_short_ones_do() -> None:
    """A control: a spreadsheet leaves 15 digits alone, so zeros at their ends are the scheme's own."""
    short = [str(10 * (99_999_999_999_000 + place)) for place in range(500)]
    long = [str(10 * (100_000_000_000_000 + place)) for place in range(500)]
    assert judge_column([*short, *long]).damage == "none"
    verdict = judge_column(long)
    assert verdict.damage == "damaged", "without any control, nothing tells a step of ten from rounding"


def test_hexadecimal_texts_of_digits_alone_share_their_ends_with_the_others() -> None:
    """Sixteen hexadecimal digits that end in a constant 0: those without a letter are no rounded numbers."""
    dice = Random(3)
    texts = [f"{dice.getrandbits(56):014X}10" for _ in range(60_000)]
    assert sum(map(is_rounded, texts)) > 50
    assert judge_column(texts).damage == "none"


def test_numbers_filled_up_on_the_right_are_at_most_doubtful() -> None:
    verdict = judge_column(f"{number}0000000000" for number in range(200_000, 200_500))
    assert verdict.damage == "doubtful"
    assert verdict.sentence == (
        "of 500 different numbers with 16 digits, 500 end in zeros behind the 15th digit; chance gives 50; most have "
        "zeros before it, too, which rounding does not leave: compare them with their source"
    )


@pytest.mark.parametrize("width", [14, 15, 16, 18])
def test_an_issue_at_the_end_is_mostly_zero(width: int) -> None:
    """A card's first issue is 0: nine numbers in ten end in 0, whatever the digits before it, and none is rounded."""
    dice = Random(width)
    texts = [
        f"{dice.randrange(10 ** (width - 1), 10**width)}{dice.choices((0, 1, 2), (90, 8, 2))[0]}" for _ in range(2000)
    ]
    assert sum(text[-1] == "0" for text in texts) > 1700
    assert judge_column(texts).damage == "none"
    rounded = judge_column(text[:15] + "0" * (width - 14) for text in texts)
    assert rounded.damage == ("damaged" if width > 14 else "none")
    few = judge_column(texts[:100])
    assert few.damage != "damaged", few.sentence


def test_zeros_behind_one_and_the_same_15th_digit_are_at_most_doubtful() -> None:
    """A series that is always 1 and an issue that is always 0: rounding would leave any 15th digit."""
    verdict = judge_column(f"{number}10" for number in range(12_340_000_100_000, 12_340_000_100_400, 3))
    assert verdict.damage == "doubtful"
    assert "most have the same 15th digit, which rounding does not leave" in verdict.sentence


def test_frames_printed_as_bits() -> None:
    """A zero of 26 bits is worth one bit: 11 of them come once in 2,048 frames, not in 10^11."""
    dice = Random(11)
    frames = [f"1{dice.getrandbits(25):025b}" for _ in range(20_000)]
    assert 3 < sum(map(is_rounded, frames)) < 25
    assert judge_column(frames).damage == "none"
    assert judge_column([*frames[:300], *(frame[:15] + "0" * 11 for frame in frames[:40])]).damage == "damaged"


def test_a_few_rounded_numbers_among_many_make_doubt_not_damage() -> None:
    """Of 20,000 numbers, 400 more than the 2,000 of chance end in a zero: most of those that do are whole."""
    dice = Random(2)
    texts = [str(dice.randrange(10**15, 10**16)) for _ in range(20_000)]
    verdict = judge_column([*(text[:15] + "0" for text in texts[:500]), *texts[500:]])
    assert verdict.damage == "doubtful"
    assert "a spreadsheet may have rounded some" in verdict.sentence


def test_lengths_are_judged_by_themselves() -> None:
    dice = Random(4)
    whole = [str(dice.randrange(10**15, 10**16)) for _ in range(2000)]
    verdict = judge_column([*whole, *(f"{dice.randrange(10**14, 10**15)}00000" for _ in range(30))])
    assert verdict.damage == "damaged"
    assert verdict.judge("12345678901234500000") == "damaged"
    assert verdict.judge("1234567890123450") == "none"


def test_sentences() -> None:
    dice = Random(6)
    texts = [str(dice.randrange(10**15, 10**16)) for _ in range(1000)]
    rounded = judge_column([*(text[:15] + "0" for text in texts[:900]), *texts[900:]])
    assert rounded.numbers == 1000
    counts = "of 1,000 different numbers with 16 digits, 908 end in zeros behind the 15th digit; chance gives 100"
    assert rounded.zero_tails == sum(map(is_rounded, [*(text[:15] + "0" for text in texts[:900]), *texts[900:]])) == 908
    assert rounded.sentence == f"{counts}; a spreadsheet rounded the column: re-export it from the source"
    assert rounded.describe("1234567890123450") == f"'1234567890123450' has only zeros behind its 15th digit: {counts}"
    assert judge_column(["17"]).sentence == "no number has more than 15 digits"


def test_counts_of_parts_are_merged() -> None:
    dice = Random(8)
    texts = texts_of("decimal:56", 7, random_serials(dice, 7, 900))
    whole, parts = ColumnCounts(), [ColumnCounts() for _ in range(3)]
    for place, text in enumerate(texts):
        whole.add(text)
        parts[place % 3].add(text)
    parts[0].merge(parts[1])
    parts[0].merge(parts[2])
    assert parts[0].judge() == whole.judge() == judge_column(texts)


@pytest.mark.parametrize(("count", "chance"), [(1, 0.2), (7, 0.2), (40, 0.04), (200, 0.2), (500, 1 / 3125)])
def test_the_bound_is_above_the_binomial_tail(count: int, chance: float) -> None:
    """Against the exact sum of binomial probabilities, general arithmetic."""
    probabilities = [1.0]
    for _ in range(count):
        probabilities = [
            (probabilities[k] if k < len(probabilities) else 0.0) * (1 - chance)
            + (probabilities[k - 1] * chance if k else 0.0)
            for k in range(len(probabilities) + 1)
        ]
    for successes in range(count + 1):
        exact = sum(probabilities[successes:])
        bound = tail_bound(count, successes, count * chance)
        assert exact <= bound * (1 + 1e-9)
    assert tail_bound(count, count, count * chance) == pytest.approx(chance**count)


# ── single texts ────────────────────────────────────────────────────────────────────────────────

LOST_ZEROS_KINDS = f"""{HEADER}
[kinds.card]
value = "template:{{facility:03d}}{{number:05d}}"
key = ["facility", "number"]
expect = {{ facility = [12, 40] }}
[kinds.serial]
value = "hex:14/fields:number:56"
key = ["number"]
[kinds.long]
value = "template:{{number:016d}}7"
key = ["number"]
"""


@pytest.mark.parametrize(
    ("kind", "text", "zeros", "number"),
    [
        ("card", "1200345", 1, (12, 345)), ("card", "12345", None, None),  # facility 0 is not expected
        ("card", "01200345", None, None), ("card", "120034", None, None),  # facility 1
        ("serial", "4112233445566", 1, (0x04112233445566,)), ("serial", "112233445566", 2, (0x112233445566,)),
        ("serial", "12233445566", None, None),  # once in 4,096 serials; more often the decimal of five bytes
    ],
)  # fmt: skip
def test_lost_zeros_explain_a_text_that_has_the_expected_fields_with_them(
    kind: str, text: str, zeros: int | None, number: tuple[int, ...] | None, tmp_path: Path
) -> None:
    """By hand: the zeros that are missing from the width of the chain."""
    of = site(tmp_path, [], LOST_ZEROS_KINDS).kinds[kind]
    found = find_lost_zeros(of.value, of, text)
    assert (found and found.zeros, found and found.number) == (zeros, number)


THOUSANDS_KINDS = f"""{HEADER}
[kinds.serial]
value = "decimal:32/fields:number:32"
key = ["number"]
[kinds.padded]
value = "decimal:32,10/fields:number:32"
key = ["number"]
[kinds.split]
value = "template:{{facility:d}}.{{number:d}}"
key = ["facility", "number"]
[kinds.three]
value = "template:{{site:d}}.{{facility:d}}.{{number:d}}"
key = ["site", "facility", "number"]
"""


@pytest.mark.parametrize(
    ("kind", "text", "number"),
    [
        ("serial", "81.902.336", 81902336), ("serial", "81,902,336", 81902336), ("serial", "1’234’567", 1234567),
        ("padded", "81\u202f902\u202f336", 81902336),  # its leading zeros are lost, too
        ("serial", "9.999.999.999", None),  # more than 32 bits
        ("serial", "12.345", None),  # as well a facility code and a number
        ("serial", "31.12.2027", None), ("serial", "1.234,567", None), ("serial", "81.902.3361", None),
        ("serial", "081.902.336", None), ("split", "12.345.678", None), ("split", "81.902.336.001", None),
    ],
)  # fmt: skip
def test_thousands_separators_are_named_where_the_digits_alone_are_read(
    kind: str, text: str, number: int | None, tmp_path: Path
) -> None:
    """By hand: the digits without what stands between groups of three (common practice, no source)."""
    of = site(tmp_path, [], THOUSANDS_KINDS).kinds[kind]
    result = TextResults().read(of.value, of, text)
    assert result.number is None
    assert (result.code == "spreadsheet-damage", result.restored) == (number is not None, number and (number,))
    assert ("thousands separators" in result.reason) == (number is not None)
    assert TextResults().read(of.value, of, text, typed=True).code != "spreadsheet-damage"


def test_a_text_with_dots_that_is_read_as_it_stands_is_whole(tmp_path: Path) -> None:
    kinds = site(tmp_path, [], THOUSANDS_KINDS).kinds
    for kind, text, number in (("split", "12.345", (12, 345)), ("three", "12.345.678", (12, 345, 678))):
        result = TextResults().read(kinds[kind].value, kinds[kind], text)
        assert (result.code, result.number) == ("", number)


def test_a_text_that_does_not_read_has_its_own_fault_where_the_column_is_whole(tmp_path: Path) -> None:
    kind = site(tmp_path, [], LOST_ZEROS_KINDS).kinds["long"]
    result = TextResults().read(kind.value, kind, "12345678901234500")
    assert (result.code, result.number) == ("spreadsheet-damage", None)
    assert result.if_whole is not None
    assert result.if_whole.code == "unreadable"
    assert TextResults().read(kind.value, kind, "12345678901234500", typed=True) == result.if_whole

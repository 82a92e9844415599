"""Discovery of chains: what turns one reader's texts into another's, from pairs.

The texts of the true chains are made by plain arithmetic here, not by credkit; frames follow SIA AC-01 (1996):
an even parity bit over the first half of the data, an odd one over the second.
"""

from __future__ import annotations

import copy
import json
import pickle
from collections.abc import Callable
from pathlib import Path
from random import Random
from xml.etree import ElementTree

import pytest
from bitstring import Bits

from benchmarks.discover_chain import main as benchmark
from benchmarks.discover_chain import run_null, run_trials
from credkit import CredkitError, DefinitionError, convert, discover
from credkit.discover.chainvalues import ChainDiscovery
from credkit.discover.pairsides import PairSide
from credkit.discover.texttemplates import text_templates
from credkit.discover.wordseries import text_forms
from credkit.explain.presentations import SERIAL_BITS, presentations
from tests.amounts import amounts
from tests.commandline import ACCOUNT, records, run
from tests.progress import RecordedProgress
from tests.sentences import refusal
from tests.tracks import TRACK_2

Pair = tuple[str, str]


def frame(facility: int, number: int) -> int:
    """A 26-bit frame by the rule of SIA AC-01."""
    data = f"{facility:08b}{number:016b}"
    return int(f"{data[:12].count('1') % 2}{data}{1 - data[12:].count('1') % 2}", 2)


FRENCH = str.maketrans("0123456789", "à&é\"'(-è_ç")  # what the digit keys give without shift (AZERTY)


def luhn(digits: str) -> int:
    """The check digit of ISO/IEC 7812-1: every second digit is doubled, from the last one on."""
    doubled = [int(digit) * (2 - place % 2) for place, digit in enumerate(reversed(digits))]
    return -sum(sum(map(int, str(number))) for number in doubled) % 10


def mod_11_2(number: int) -> int:
    """The check of ISO/IEC 7064, mod 11,2: with weights that double from the check on, the sum leaves 1."""
    return (1 - sum(int(digit) << place for place, digit in enumerate(reversed(f"{number:08d}0")))) % 11


def bytes_of(value: int, size: int) -> bytes:
    return value.to_bytes(size, "big")


def serial(random: Random) -> int:
    """Seven bytes, the first of which is that of a maker (ISO/IEC 14443-3)."""
    return 4 << 48 | random.getrandbits(48)


TRUE: dict[str, Callable[[Random], Pair]] = {
    "the last four bytes as a decimal": lambda random: (
        lambda uid: (f"{uid:014X}", f"{uid & 0xFFFFFFFF:010d}")
    )(serial(random)),
    "the first four bytes, turned round": lambda random: (
        lambda uid: (f"{uid:014X}", str(int.from_bytes(bytes_of(uid, 7)[:4], "little")))
    )(serial(random)),
    "a signed decimal": lambda random: (
        lambda uid: (bytes_of(uid, 4).hex(":"), str(int.from_bytes(bytes_of(uid, 4), "big", signed=True)))
    )(random.getrandbits(32) | 1 << 31),
    "the halves of each byte exchanged": lambda random: (
        lambda uid: (f"{uid:08X}", "".join(pair[1] + pair[0] for pair in zip(*[iter(f"{uid:08X}")] * 2, strict=True)))
    )(random.getrandbits(32)),
    "every bit inverted": lambda random: (
        lambda uid: (f"{uid:010X}", f"{uid ^ 0xFFFFFFFFFF:010X}")
    )(random.getrandbits(40)),
    "the last eight digits": lambda random: (
        lambda uid: (f"{uid:014X}", f"{uid:017d}"[-8:])
    )(serial(random)),
    "a frame, and its two numbers": lambda random: (
        lambda facility, number: (f"{frame(facility, number):08X}", f"{facility:03d}{number:05d}")
    )(random.randrange(256), random.randrange(65536)),
    "a frame, and its number with a constant added": lambda random: (
        lambda facility, number: (f"{frame(facility, number):026b}", f"BT-{number + 20000}")
    )(random.randrange(256), random.randrange(80, 45000)),
    "a number, and the frame of one facility": lambda random: (
        lambda number: (f"{number:05d}", f"{frame(123, number):07X}")
    )(random.randrange(65536)),
    "a frame that is unknown": lambda random: (
        lambda company, number: (
            f"{0 if random.random() < .5 else 1}{company:012b}{number:020b}{random.getrandbits(1)}", f"{number:07d}",
        )
    )(random.randrange(4096), random.randrange(1 << 19, 1 << 20)),
    "a check digit behind the number": lambda random: (
        lambda number: (f"{number:06X}", f"{number:08d}{luhn(f'{number:08d}')}")
    )(random.getrandbits(24)),
    "two check digits behind the number": lambda random: (
        lambda number: (f"{number:06X}", f"{number:08d}{98 - number * 100 % 97:02d}")  # ISO/IEC 7064, mod 97,10
    )(random.getrandbits(24)),
    "a check digit that may be an X": lambda random: (
        lambda number: (f"{number:08d}{'0123456789X'[mod_11_2(number)]}", f"{number:06X}")
    )(random.getrandbits(24)),
    "a number typed under a French layout": lambda random: (
        lambda number: (f"{number:08d}".translate(FRENCH), f"{number:06X}")
    )(random.getrandbits(24)),
    "a constant added to a hexadecimal number": lambda random: (
        lambda number: (f"{number:06X}", f"{number + 0x1000:06x}")
    )(random.randrange(1 << 20, 1 << 23)),
    "numbers in the other order": lambda random: (
        lambda one, other: (f"{one:05d}/{other:06d}", f"{other:06d}-{one:05d}")
    )(random.randrange(10**5), random.randrange(10**6)),
}  # fmt: skip


def drawn(name: str, count: int, seed: int = 1) -> list[Pair]:
    random = Random(seed)
    return [TRUE[name](random) for _ in range(count)]


def maps(chains: tuple[str, str] | None, pairs: list[Pair]) -> bool:
    assert chains is not None
    return all(convert(one, source=chains[0], target=chains[1]) == other for one, other in pairs)


# ── true chains ─────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("name", TRUE)
def test_a_chain_is_found_from_six_cards_and_maps_others(name: str) -> None:
    pairs = drawn(name, 40)
    found = discover.chain(pairs[:6])
    assert maps(found.chain, pairs[6:])
    for candidate in found.candidates:
        for chains in candidate.chains:
            assert maps(chains, pairs[:6])
    assert [each.share for each in found.candidates] == sorted((e.share for e in found.candidates), reverse=True)
    assert sum(each.share for each in found.candidates) == pytest.approx(1)


@pytest.mark.parametrize("size", SERIAL_BITS)
def test_every_presentation_is_found_from_three_cards(size: int) -> None:
    """The table of docs/presentations.md, from the serial in hexadecimal; parts of three bytes and more."""
    random, hexadecimal = Random(size), presentations(size)[0]
    cards = [Bits(uint=random.getrandbits(size - 4) | 9 << size - 4, length=size) for _ in range(12)]
    for row in presentations(size):
        pairs = [(hexadecimal.encode(card), row.encode(card)) for card in cards]
        found = discover.chain(pairs[:3])
        fitting = [each for each in found.candidates if gives(each.chains[0], pairs[3:])]
        assert fitting, row.title
        if found.candidates[0] not in fitting:  # no zero or sign before a number was seen: both ways are listed
            assert fitting[0].share > 0.02, row.title


def gives(chains: tuple[str, str], pairs: list[Pair]) -> bool:
    """`maps`, where the chains may refuse a card."""
    try:
        return maps(chains, pairs)
    except CredkitError:
        return False


def test_one_card_gives_candidates_and_the_next_card_tells_them_apart() -> None:
    pairs = drawn("the last four bytes as a decimal", 2, seed=5)
    found = discover.chain(pairs[:1])
    assert len(found.candidates) > 1
    assert not found.is_certain
    card = found.next_card
    assert card is not None
    assert card.information > 0.2
    assert len(set(card.answers)) > 1
    assert len(card.answers) == len(found.candidates)
    truth = f"{int(card.text, 16) & 0xFFFFFFFF:010d}"
    again = discover.chain([*pairs[:1], (card.text, truth)])
    assert len(again.candidates) < len(found.candidates)
    assert maps(again.chain, pairs)


@pytest.mark.parametrize(
    ("count", "wrong"),
    [(40, (7, 30)), (20, (0,)), (6, (3,)), (100, (1, 2, 50, 98, 99)), (400, tuple(range(3, 400, 20)))],
)
def test_mistyped_pairs_are_pointed_out(count: int, wrong: tuple[int, ...]) -> None:
    pairs = drawn("a frame, and its two numbers", count)
    truth = list(pairs)
    for place in wrong:
        one, other = pairs[place]
        pairs[place] = (one, other[:-1] + str((int(other[-1]) + 1) % 10))
    found = discover.chain(pairs)
    assert maps(found.chain, truth)
    assert [(each.place, each.expected) for each in found.mistyped] == [(place, truth[place][1]) for place in wrong]


def test_a_text_that_no_reader_printed_is_mistyped() -> None:
    pairs = drawn("the last four bytes as a decimal", 12)
    pairs[4] = (pairs[4][0][:5] + "O" + pairs[4][0][6:], pairs[4][1])
    (mistyped,) = discover.chain(pairs).mistyped
    assert (mistyped.place, mistyped.expected) == (4, None)


def test_more_mistakes_than_are_tolerated_are_nothing_found() -> None:
    pairs = drawn("a frame, and its two numbers", 4)
    pairs[1] = (pairs[1][0], "12345678")
    assert not discover.chain(pairs).candidates


# ── chance ──────────────────────────────────────────────────────────────────────────────────────


# By the rule of three, with a confidence of 95 %: nothing claimed of 7 kinds of 430 lists, 3,010 in all, is at most one
# claim in 1,000 lists; nothing of 7 kinds of 43 lists of 20 cards, which carry more evidence, at most one in 100.
@pytest.mark.parametrize(("cards", "part"), [(3, 1), (20, 10)])
@amounts("count", quick=12, whole=430)
def test_lists_that_have_nothing_in_common_give_nothing(count: int, cards: int, part: int) -> None:
    """`benchmarks/discover_chain.py` counts more of them."""
    assert {kind: claims.examples for kind, claims in run_null(count // part, cards).items() if claims.claims} == {}


@amounts("count", quick=4, whole=60)
@pytest.mark.parametrize("bits", [16, 20, 23])
def test_two_pairs_connect_a_text_that_has_few_bits_of_the_other(bits: int, count: int) -> None:
    """The last bits of serials of four bytes: those of two cards are evidence enough."""
    random = Random(bits)
    for _ in range(count):
        serials = [random.getrandbits(32) | 1 << 31 for _ in range(2)]
        digits = random.choice((0, len(str((1 << bits) - 1))))
        assert discover.chain([(f"{one:08X}", f"{one % (1 << bits):0{digits}d}") for one in serials]).candidates


def test_zeros_that_fill_a_number_up_are_no_evidence() -> None:
    assert not discover.chain(
        [("00000000000000000007", "0000000007"), ("00000000000000000009", "0000000009")]
    ).candidates
    assert not discover.chain([("0700000000000000", "7"), ("0900000000000000", "9")]).candidates


def test_lists_that_only_count_up_together_are_no_evidence() -> None:
    assert not discover.chain([(str(20000 + place), str(71234 + place)) for place in range(30)]).candidates
    numbers = Random(4).sample(range(10_000), 30)
    assert discover.chain([(str(20000 + number), str(71234 + number)) for number in numbers]).candidates


@amounts("trials", quick=60, whole=300)
def test_true_chains_are_found(trials: int) -> None:
    """The behaviour is first in 95 % of the trials in which it is determined; see the benchmark for 5,000."""
    counts = run_trials(trials, 3)
    determined = sum(each.determined for each in counts.values())
    assert determined > trials / 2
    assert sum(each.determined_first for each in counts.values()) >= 0.95 * determined


def test_the_benchmark_prints_its_counts(capsys: pytest.CaptureFixture[str]) -> None:
    assert benchmark(["--trials", "5", "--null", "1", "--cards", "3", "--json", "--failures", "1"]) == 0
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert sum(row.get("trials", 0) for row in rows) == 5
    assert all(row["claims"] == 0 for row in rows if "claims" in row)


# ── the value ───────────────────────────────────────────────────────────────────────────────────


def test_a_discovery_is_a_value() -> None:
    pairs = drawn("the last four bytes as a decimal", 3)
    found = discover.chain(pairs)
    assert found == discover.chain(pairs) == pickle.loads(pickle.dumps(found)) == copy.deepcopy(found)
    assert repr(found).startswith("<ChainDiscovery hex:14/keep-low:32 to decimal:32")
    assert repr(found.candidates[0]).startswith("<ChainCandidate hex:14/keep-low:32 to decimal:32")
    assert found.evidence == found.candidates[0].evidence > 20
    with pytest.raises(AttributeError):
        found.pairs = 4  # type: ignore[misc]


def test_nothing_found_is_a_value_too() -> None:
    found = discover.chain([("1234567", "7654321"), ("4711000", "1234123")])
    assert found == ChainDiscovery(pairs=2, candidates=())
    assert (found.chain, found.evidence, found.is_certain, found.is_complete) == (None, 0.0, False, True)


def test_blanks_and_repeated_pairs_do_not_matter() -> None:
    pairs = drawn("a frame, and its two numbers", 4)
    assert discover.chain([(f" {one}\r", f"{other}\n") for one, other in pairs] * 3) == discover.chain(pairs)


def test_a_search_ends_with_its_time_and_tells_how_far_it_is() -> None:
    pairs = drawn("the last four bytes as a decimal", 3)
    assert not discover.chain(pairs, seconds=0).is_complete
    told = RecordedProgress()
    discover.chain(pairs, progress=told)
    assert told.names == ["1/2 searching for chains", "2/2 trying the chains on all pairs"]
    told.verify()


@pytest.mark.parametrize("pairs", [[], "ab", [("1",)], [("1", 2)], [("1", " ")], 7, [["1", "2", "3"]]])
def test_what_is_no_list_of_pairs_is_refused(pairs: list[Pair]) -> None:
    with refusal(DefinitionError):
        discover.chain(pairs)


@amounts("lists", quick=50, whole=750)  # both ways: with 95 % confidence, fewer than one search in 500 ends otherwise
def test_any_texts_give_a_discovery(lists: int) -> None:
    random = Random(8)
    alphabet = "0123456789ABCDEFabcdef,-:. /{}%<>é\x00"
    for _ in range(lists):
        texts = ["".join(random.choices(alphabet, k=random.randint(1, 12))).strip() or "0" for _ in range(3)]
        pairs = [(text, str(random.random())) for text in texts]
        assert isinstance(discover.chain(pairs), ChainDiscovery)
        assert isinstance(discover.chain([(other, one) for one, other in pairs]), ChainDiscovery)


# ── readings of a text ──────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("texts", "chain"),
    [
        (["02F764DD"], "hex:8"), (["02f764dd"], "hex:8,lower"), (["02:F7:64"], "hex:6,colon"),
        (["0x02F7", "0xA2F7"], "strip:0x/hex:4"), (["0402F764DD"], "strip:04/hex:8"),
        (["ID-0042"], "strip:ID-/decimal:16"),
        (["-5", "17"], "signed-decimal:32"), (["123,45678"], "split-decimal:8,16"), (["10110011"], "binary:8"),
        (["12345"], "decimal:16"), (["f81d4fae-7dec-11d0-a765-00a0c91e6bf6"], "uuid:lower"),
    ],
)  # fmt: skip
def test_a_text_is_read_in_every_notation(texts: list[str], chain: str) -> None:
    assert chain in [form.chain for form in text_forms(texts)]
    for series in PairSide(texts).series:
        assert len(series.words) == len(texts)
        assert all(word < 1 << series.length for word in series.words)


def test_templates_keep_zeros_and_literals() -> None:
    (first, *_) = text_templates(["A-007-12", "A-123-99"])
    assert first.step(["x", "y"]) == "template:A-{x:03d}-{y:02d}"
    assert first.step(["", "y"]) == "template:A-007-{y:02d}"
    assert not text_templates(["{1}"])


# ── the command ─────────────────────────────────────────────────────────────────────────────────


def file_of(folder: Path, rows: list[Pair], header: str = "gate;back end", sign: str = ";") -> str:
    path = folder / "pairs.csv"
    path.write_text("\n".join([*[header] * bool(header), *(f"{one}{sign}{other}" for one, other in rows)]) + "\n")
    return str(path)


def test_the_screen_says_the_verdict_first(tmp_path: Path) -> None:
    pairs = drawn("a frame, and its two numbers", 24)
    pairs[3] = (pairs[3][0], "12345678")
    result = run("discover", "chain", file_of(tmp_path, pairs))
    lines = result.output.splitlines()
    assert result.exit_code == 0
    assert all(len(line) <= 80 for line in lines)
    assert lines[0].startswith("One behaviour fits 23 pairs, with ")
    assert f"- line 5: {pairs[3][0]} with 12345678, but" in result.output
    assert "credkit convert --from" in result.output


def test_doubt_is_shown_as_doubt(tmp_path: Path) -> None:
    result = run("discover", "chain", file_of(tmp_path, drawn("the last four bytes as a decimal", 1, seed=5)))
    assert result.exit_code == 0
    assert "none is certain" in result.output
    assert "present a card like" in result.output
    assert all(len(line) <= 80 for line in result.output.splitlines())
    everything = run(
        "discover", "chain", file_of(tmp_path, drawn("the last four bytes as a decimal", 1, seed=5)), "--all"
    )
    assert len(everything.output) > len(result.output)
    assert "same  " in everything.output


def test_nothing_found_is_exit_code_1(tmp_path: Path) -> None:
    path = file_of(tmp_path, [("1234567", "7654321"), ("4711000", "1234123")])
    result = run("discover", "chain", path)
    assert result.exit_code == 1
    assert result.output.startswith("Nothing connects the texts of 2 pairs")
    assert "--seconds" in run("discover", "chain", path, "--seconds", "0").output


@pytest.mark.parametrize(
    ("header", "sign"), [("", ","), ("gate,print", ","), ("", "\t"), ("gate|print", "|"), ("", ";"), ("", " ")]
)
def test_header_and_delimiter_are_found(tmp_path: Path, header: str, sign: str) -> None:
    pairs = drawn("the last four bytes as a decimal", 3)
    (record,) = records(run("discover", "chain", file_of(tmp_path, pairs, header, sign), "--json"))
    assert record["pairs"] == 3
    assert maps((record["candidates"][0]["source"], record["candidates"][0]["target"]), pairs)


def test_columns_are_chosen_by_name_or_number(tmp_path: Path) -> None:
    pairs = drawn("the last four bytes as a decimal", 3)
    path = tmp_path / "export.csv"
    path.write_text("person,card_no,gate\n" + "".join(f"P{i},{b},{a}\n" for i, (a, b) in enumerate(pairs)))
    by_name = run("discover", "chain", str(path), "--columns", "gate,card_no", "--json")
    assert json.loads(by_name.stdout) == json.loads(
        run("discover", "chain", str(path), "--columns", "3,2", "--json").stdout
    )
    assert by_name.exit_code == 0


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_columns_of_an_export_are_read_as_it_is(tmp_path: Path, encoding: str) -> None:
    """In any encoding, below a title, and without the rows that lack a text: they are named."""
    pairs = drawn("the last four bytes as a decimal", 3)
    path = tmp_path / "export.csv"
    path.write_text(
        "Tore am Löschkai\nStand: 30.11.2026\n\nTür ;Nr. neu; gate\n"
        + "".join(f"T{i};{b};{a}\n" for i, (a, b) in enumerate(pairs)) + "T9;;02F764DC\n",
        encoding=encoding,
    )  # fmt: skip
    args = ("discover", "chain", str(path), "--columns", "gate,Nr. neu")
    (record,) = records(run(*args, "--json"))
    assert (record["pairs"], record["left_out"]) == (3, [8])
    assert maps((record["candidates"][0]["source"], record["candidates"][0]["target"]), pairs)
    assert "Left out: 1 row without one of the two texts (line 8)" in run(*args).stdout


@pytest.mark.parametrize(
    ("text", "options"),
    [
        ("a,b,c\n1,2,3\n", ()), ("", ()), ("gate,print\n", ()), ("gate,print\n12,\n", ()), ("12,34\n12\n", ()),
        ("gate,print\n12,34\n", ("--columns", "gate,card")), ("gate,print\n12,34\n", ("--columns", "1,1")),
        ("gate,print\n12,34\n", ("--columns", "gate")), ('gate,print\n"12,34\n', ()), (f"1,2\n{TRACK_2},3\n", ()),
    ],
)  # fmt: skip
def test_a_file_of_no_pairs_is_refused(tmp_path: Path, text: str, options: tuple[str, ...]) -> None:
    path = tmp_path / "pairs.csv"
    path.write_text(text)
    result = run("discover", "chain", str(path), *options)
    assert result.exit_code == 2
    assert result.output.count("\n") == 1
    assert ACCOUNT not in result.output


def test_both_texts_of_a_card_are_drawn() -> None:
    pairs = drawn("a frame, and its two numbers", 3)
    found = discover.chain(pairs)
    assert found.example == pairs[0]
    drawing = ElementTree.fromstring(str(found._repr_svg_()))
    shown = "".join(drawing.itertext())
    assert all(text in shown for text in pairs[0])
    assert "parity" in str(drawing.get("aria-label"))
    assert discover.chain([("1234567", "7654321")])._repr_svg_() is None


def test_account_numbers_are_masked(tmp_path: Path) -> None:
    rows = [(ACCOUNT, f"{int(ACCOUNT):014X}"), *((str(n), f"{n:014X}") for n in (4 * 10**15 + 7, 5 * 10**15 + 99))]
    path = file_of(tmp_path, rows, "gate;print")
    for options in ((), ("--all",), ("--json",)):
        assert ACCOUNT not in run("discover", "chain", path, *options).output
    assert discover.chain(rows)._repr_svg_() is None

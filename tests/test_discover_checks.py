"""Block checks of frames and check digits of numbers: what is found of checks computed elsewhere, and what is not."""

from __future__ import annotations

import json
import pickle
import tomllib
from collections import Counter
from functools import reduce
from operator import xor
from pathlib import Path
from random import Random
from typing import Any

import crccheck.crc
import galois
import pytest
from stdnum import ean, luhn
from stdnum.iso7064 import mod_11_2, mod_11_10, mod_37_2, mod_37_36, mod_97_10

from benchmarks.discover_checks import CATALOGUE, PARTS, PAYLOADS, assert_shares, crc_frames, is_right_crc
from benchmarks.discover_checks import main as benchmark
from credkit import DefinitionError, chain, layout_entry
from credkit.core.checks import pure_check_character
from credkit.core.forms import to_bits
from credkit.discover import check_digits, common_starts, find_block_checks
from credkit.discover.checkdigits import CheckDigitRule
from credkit.discover.checkrecords import BlockCheck
from credkit.discover.framesamples import FrameSample, undamaged_frames
from credkit.discover.gf2 import Span
from credkit.discover.polynomials import advance, greatest_common_divisor, remainder, reverse_bits
from credkit.tables.definition import layout
from credkit.tables.layout import Layout, LayoutCodec
from tests.amounts import amounts
from tests.commandline import records, run
from tests.sentences import refusal

GF2 = galois.GF(2)


def far_apart(count: int, length: int, seed: int = 1) -> list[int]:
    """Random numbers of ``length`` bits."""
    source = Random(seed)
    return [source.getrandbits(length) for _ in range(count)]


def layout_of(check: BlockCheck) -> Layout:
    """A layout whose one check is the row that the found check gives; all else is a field."""
    (row,) = tomllib.loads(f"checks = [{check.toml_rows[0]}]")["checks"]
    rest = sorted(set(range(check.length)) - set(check.at))
    definition = {
        "title": "found", "source": "test", "length": check.length, "checks": [row],
        "fields": {f"f{place}": place for place in rest}, "examples": [],
    }  # fmt: skip
    return layout("found", definition)


# ── polynomials and samples ─────────────────────────────────────────────────────────────────────


def test_polynomials_are_those_of_galois() -> None:
    source = Random(3)
    for _ in range(50):
        one, other = source.getrandbits(40), source.getrandbits(20) | 1
        first, second = galois.Poly.Int(one), galois.Poly.Int(other)
        assert remainder(one, other) == int(first % second)
        assert greatest_common_divisor(one, other) == int(galois.gcd(first, second))  # type: ignore[arg-type]  # it takes polynomials, too
        register = remainder(one, other)
        count = source.randrange(1, 60)
        assert advance(register, other, count) == int(galois.Poly.Int(register) * galois.Poly.Degrees([count]) % second)
        assert advance(advance(register, other, count), other, -count) == register


def test_relations_are_the_left_null_space_of_galois() -> None:
    """Over random matrices of little rank: as many relations, each with an even sum in every difference."""
    source = Random(4)
    for _ in range(20):
        length, directions = source.randrange(6, 20), far_apart(source.randrange(1, 8), 20, source.randrange(99))
        base = source.getrandbits(length)
        frames = [base]
        for _ in range(30):
            picked = reduce(xor, source.sample(directions, source.randrange(len(directions) + 1)), 0)
            frames.append(base ^ picked & ((1 << length) - 1))
        sample = FrameSample.from_frames(frames, length)
        matrix = GF2([[(frame ^ base) >> place & 1 for place in range(length)] for frame in frames])
        varying = sample.varying.bit_count()
        assert sample.rank == int(galois.FieldArray.row_space(matrix).shape[0])
        assert len(sample.relations) == len(Span(sample.relations)) == varying - sample.rank
        assert not any(((frame ^ base) & mask).bit_count() & 1 for frame in frames for mask in sample.relations)
        starts = [mask.bit_length() for mask in sample.relations]
        ends = [mask & -mask for mask in sample.relations]
        assert len(set(starts)) == len(starts)
        assert len(set(ends)) == len(ends)


def test_relations_within_a_window_are_counted() -> None:
    """As many as the whole space has that are zero outside it, counted by trying all of them."""
    frames = [f << 8 | reduce(xor, (f >> 4 & 15, f & 15)) << 4 | f >> 2 & 15 for f in far_apart(60, 8)]
    sample = FrameSample.from_frames(frames, 16)
    every = {reduce(xor, (m for i, m in enumerate(sample.relations) if pick >> i & 1), 0) for pick in range(256)}
    assert len(every) == 1 << len(sample.relations) == 256
    for first in range(16):
        for stop in range(first + 1, 17):
            outside = 0xFFFF ^ ((1 << (16 - first)) - (1 << (16 - stop)))
            assert 1 << sample.relations_within(first, stop) == sum(not mask & outside for mask in every)


def test_damaged_frames_are_left_out_and_others_are_not() -> None:
    frames = [number << 8 | number for number in far_apart(100, 8)]
    frames = list(dict.fromkeys(frames))
    assert undamaged_frames(frames, 16) == frames
    damaged = [*frames[:5], frames[5] ^ 1, *frames[6:]]
    assert undamaged_frames(damaged, 16) == [*frames[:5], *frames[6:]]
    assert undamaged_frames(damaged[:30], 16) == damaged[:30], "too few to call one of them damaged"


# ── CRCs ────────────────────────────────────────────────────────────────────────────────────────


@amounts("each", quick=13, whole=1)
def test_crcs_of_the_catalogue_are_recovered(each: int) -> None:
    """Source: the classes of crccheck, which carry parameters and compute; the benchmark has every payload."""
    for place, kind in enumerate(CATALOGUE[::each]):
        source, size = Random(place), PAYLOADS[place % len(PAYLOADS)]
        found = find_block_checks(crc_frames(kind, size, 200, source), size + kind.width())
        assert is_right_crc(found, kind, crc_frames(kind, size, 50, source)), kind


def test_a_recovered_crc_is_a_row_of_a_layout() -> None:
    """The row computes what crccheck computes: reflected (ISO/IEC 14443-3, type A) and not, of 16 and of 5 bits."""
    for kind in (crccheck.crc.Crc16IsoIec144433A(), crccheck.crc.Crc16Ibm3740(), crccheck.crc.Crc5Usb()):
        length = 32 + kind.width()
        (found,) = find_block_checks(crc_frames(kind, 32, 200, Random(5)), length)
        codec = layout_of(found)
        for frame in crc_frames(kind, 32, 50, Random(6)):
            assert codec.read((frame, length)) is not None
            assert codec.encode(codec.decode(frame)) == frame
            assert codec.read((frame ^ 1 << 20, length)) is None


def test_a_crc_of_a_standard_is_named() -> None:
    """As readers send it: the low byte first (ISO/IEC 14443-3); by crccheck, which gives the bytes in that order."""
    kind = crccheck.crc.Crc16IsoIec144433A
    frames = [int.from_bytes((data := p.to_bytes(4, "big")) + kind.calcbytes(data, byteorder="little"), "big")
              for p in far_apart(100, 32)]  # fmt: skip
    (found,) = find_block_checks(frames, 48)
    assert found.algorithm == "crc-a"
    assert found.toml_rows == ('{ bits = "32-47", crc = "0-31", algorithm = "crc-a" }',)
    assert found.describe() == "bits 32-47: CRC of bits 0-31, crc-a"
    codec = layout_of(found)
    assert all(codec.encode(codec.decode(frame)) == frame for frame in frames)


def test_start_values_that_one_length_cannot_separate_are_one_group() -> None:
    kind = crccheck.crc.Crc8Autosar()  # initial value and final XOR are ones
    assert (kind.poly(), kind.initvalue(), kind.xor_output()) == (0x2F, 0xFF, 0xFF)
    (found,) = find_block_checks(crc_frames(kind, 40, 200, Random(1)), 48)
    assert found.starts[0] == (0xFF, 0xFF), "what is usual stands first"
    constants = {advance(init, 0x12F, 40) ^ xorout for init, xorout in found.starts}
    assert len(constants) == 1
    assert len(found.starts) >= 3
    assert "or any pair that gives the same at this length" in found.describe()


@pytest.mark.parametrize("kind", [crccheck.crc.Crc8Autosar, crccheck.crc.Crc16Genibus, crccheck.crc.Crc5G704])
def test_frames_of_two_lengths_separate_the_start_values(kind: Any) -> None:
    each = kind()
    checks = [find_block_checks(crc_frames(each, size, 200, Random(size)), size + each.width())[0] for size in (32, 40)]
    left = common_starts(checks)
    xorout = reverse_bits(each.xor_output(), each.width()) if each.reflect_output() else each.xor_output()
    assert (each.initvalue(), xorout) in left
    even = (each.poly() | 1 << each.width()).bit_count() % 2 == 0  # then x + 1 is a factor
    assert len(left) == 2 if even else len(left) == 1
    with refusal(DefinitionError):
        common_starts([])


@pytest.mark.parametrize("where", ["before the payload", "inside it", "behind a header and before a parity bit"])
def test_a_crc_may_stand_anywhere(where: str) -> None:
    frames = []
    for payload in far_apart(200, 32):
        crc = crccheck.crc.Crc8Maxim.calc(payload.to_bytes(4, "big")) if "inside" not in where else 0
        if where == "before the payload":
            frames.append(crc << 32 | payload)
        elif where == "inside it":
            crc = crccheck.crc.Crc8Smbus.calc(payload.to_bytes(4, "big"))
            frames.append((payload >> 8) << 16 | crc << 8 | payload & 255)
        else:
            body = 0b10110 << 40 | payload << 8 | crc
            frames.append(body << 1 | body.bit_count() & 1)
    length = 46 if "header" in where else 40
    (found,) = find_block_checks(frames, length)
    assert (found.kind, found.poly) == ("crc", 0x07 if "inside" in where else 0x31)
    start = {"before the payload": 0, "inside it": 24}.get(where, 37)
    assert sorted(found.at) == list(range(start, start + 8))
    assert found.reflected == ("inside" not in where)
    assert not found.outliers


def test_bits_that_never_vary_may_be_covered_or_not() -> None:
    """A header that no frame varies changes only the constant: it is named."""
    frames = [0b1011 << 32 | payload << 8 | crccheck.crc.Crc8Smbus.calc(payload.to_bytes(3, "big"))
              for payload in far_apart(200, 24)]  # fmt: skip
    (found,) = find_block_checks(frames, 36)
    assert found.poly == 0x07
    assert set(found.undecided) == {place for place in found.covers if place < 4}
    assert any(check.covers == tuple(range(4, 28)) for check in (found, *found.alternatives))


def test_damaged_frames_are_the_outliers_of_a_crc() -> None:
    frames = crc_frames(crccheck.crc.Crc16Arc(), 48, 200, Random(7))
    for place in (3, 50, 111, 199):
        frames[place] ^= 1 << place % 64
    (found,) = find_block_checks(frames, 64)
    assert (found.poly, found.outliers) == (0x8005, (3, 50, 111, 199))


def test_a_crc_of_a_consecutive_box_is_not_claimed() -> None:
    """A hundred consecutive numbers have a rank of seven: too little to tell a generator from an accident."""
    kind = crccheck.crc.Crc8Smbus()
    frames = [number << 8 | kind.calc(number.to_bytes(3, "big")) for number in range(70000, 70100)]
    assert FrameSample.from_frames(frames, 32).rank <= 8
    assert find_block_checks(frames, 32) == ()


# ── XORs and sums ───────────────────────────────────────────────────────────────────────────────


def frame_bytes(payload: int, size: int) -> list[int]:
    return list(payload.to_bytes(size, "big"))


def test_an_xor_of_bytes_is_found_with_its_start_value() -> None:
    frames = [p << 8 | reduce(xor, frame_bytes(p, 4)) ^ 0xA5 for p in far_apart(30, 32)]
    (found,) = find_block_checks(frames, 40)
    assert (found.kind, found.at, found.constant) == ("xor", tuple(range(32, 40)), 0xA5)
    assert found.describe() == "bits 32-39: XOR of 4 blocks of 8 bits, bits 0-31, and 0xa5"
    codec = layout_of(found)
    for p in far_apart(20, 32, 2):
        frame = p << 8 | reduce(xor, frame_bytes(p, 4)) ^ 0xA5
        assert codec.encode(codec.decode(frame)) == frame


def test_an_lrc_of_characters_with_parity_bits_is_found() -> None:
    """The read-only transponder's rows of four bits and their parity; its column parities are an XOR of the rows."""
    codec = chain("read-only-64")
    assert isinstance(codec, LayoutCodec)
    source = Random(2)
    fields = codec.layout.fields
    frames = [codec.layout.encode({f.name: source.randrange(f.most + 1) for f in fields}) for _ in range(150)]
    (found,) = find_block_checks(frames, 64)
    assert (found.kind, found.at, found.block, found.constant) == ("xor", (59, 60, 61, 62), 4, 0)
    assert found.covers == tuple(9 + 5 * row + bit for row in range(10) for bit in range(4))


def test_relations_are_affine_masks_of_the_search_for_layouts() -> None:
    frames = [p << 8 | reduce(xor, frame_bytes(p, 3)) ^ 0x0F for p in far_apart(40, 24)]
    (found,) = find_block_checks(frames, 32)
    for mask in found.relations:
        for frame in frames:
            ones = (reverse_bits(frame, 32) & mask).bit_count() + (mask >> 32)
            assert not ones & 1


@pytest.mark.parametrize(
    ("block", "modulus", "sign"), [(8, 256, 1), (8, 256, -1), (8, 255, 1), (4, 16, 1), (4, 256, 1), (4, 10, 1)]
)
def test_sums_are_found_and_are_rows_of_a_layout(block: int, modulus: int, sign: int) -> None:
    width = 4 if modulus <= 16 else 8
    frames = []
    for p in far_apart(60, 32):
        total = sum(p >> shift & ((1 << block) - 1) for shift in range(0, 32, block))
        frames.append(p << width | (sign * total + 3) % modulus)
    (found,) = find_block_checks(frames, 32 + width)
    assert (found.kind, found.block, found.modulus, found.sign, found.constant) == ("sum", block, modulus, sign, 3)
    assert found.at == tuple(range(32, 32 + width))
    assert len(found.toml_rows) == 1
    assert not found.relations
    assert not any(found.fails(frame) for frame in frames)
    assert found.fails(frames[0] ^ 1)
    row = tomllib.loads(f"checks = [{found.toml_rows[0]}]")["checks"]
    codec = layout_entry("quay", length=32 + width, fields={"number": "0-31"}, checks=row).build()
    for frame in frames:
        assert codec.encode(codec.decode(to_bits((frame, 32 + width)))).uint == frame
    assert found.describe().startswith(f"bits 32-{31 + width}: {'sum' if sign == 1 else 'negated sum'} of ")


def test_a_damaged_frame_is_the_outlier_of_a_sum() -> None:
    frames = [p << 8 | sum(frame_bytes(p, 4)) % 256 for p in far_apart(100, 32)]
    frames[17] ^= 1 << 12
    (found,) = find_block_checks(frames, 40)
    assert (found.kind, found.outliers) == ("sum", (17,))


def test_two_numbers_that_count_up_together_are_no_check() -> None:
    assert find_block_checks([(1000 + i) << 24 | (5096 + i) for i in range(200)], 40) == ()
    assert find_block_checks([(i % 4096) << 16 | i for i in range(4096, 4500)], 32) == ()


def test_checks_are_values_and_wrong_frames_one_sentence() -> None:
    frames = [p << 8 | reduce(xor, frame_bytes(p, 4)) for p in far_apart(30, 32)]
    found = find_block_checks(frames, 40)
    assert pickle.loads(pickle.dumps(found)) == found == find_block_checks(frames, 40)
    assert {found[0]: 1}[found[0]] == 1
    assert repr(found[0]) == "<BlockCheck bits 32-39: XOR of 4 blocks of 8 bits, bits 0-31>"
    assert find_block_checks([], 40) == find_block_checks([7], 40) == find_block_checks([7, 7], 3) == ()
    wrong: tuple[tuple[Any, Any], ...] = (([1 << 40], 40), ([-1], 40), (["1"], 40), ([1], 0), ([1], "8"))
    for values, length in wrong:
        with refusal(DefinitionError):
            find_block_checks(values, length)


# ── check digits ────────────────────────────────────────────────────────────────────────────────

DIGITS = "0123456789"
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@pytest.mark.parametrize(
    ("rule", "letters", "check"),
    [
        ("luhn", DIGITS, luhn.calc_check_digit),
        ("mod-11-2", DIGITS, mod_11_2.calc_check_digit),
        ("mod-37-2", DIGITS + LETTERS, mod_37_2.calc_check_digit),
        ("mod-97-10", DIGITS, mod_97_10.calc_check_digits),
        ("mod-11-10", DIGITS, mod_11_10.calc_check_digit),
        ("mod-27-26", LETTERS, lambda body: mod_37_36.calc_check_digit(body, LETTERS)),
        ("mod-37-36", DIGITS + LETTERS, mod_37_36.calc_check_digit),
    ],
)
def test_named_rules_are_found(rule: str, letters: str, check: Any) -> None:
    """Source: python-stdnum, whose check digits these are."""
    source = Random(1)
    numbers = ["".join(source.choices(letters, k=8)) for _ in range(12)]
    numbers = [f"{number[:4]}-{number[4:]} {check(number)}" for number in numbers]
    (found,) = check_digits(numbers)
    assert (found.rule, found.outliers, found.weights) == (rule, (), ())
    assert not any(map(found.fails, numbers))
    if found.step:
        assert chain(found.step).decode(numbers[0].replace("-", "").replace(" ", ""))


def test_pure_check_characters_are_those_of_stdnum() -> None:
    source = Random(2)
    for _ in range(100):
        body = "".join(source.choices(DIGITS, k=9))
        assert pure_check_character(body, DIGITS + "X") == mod_11_2.calc_check_digit(body)
        assert pure_check_character(body, DIGITS + LETTERS + "*") == mod_37_2.calc_check_digit(body)


def test_weights_are_solved_for() -> None:
    """Article numbers: weights 3 and 1, by python-stdnum; the step of a chain takes the digit off."""
    source = Random(3)
    bodies = ["".join(source.choices(DIGITS, k=12)) for _ in range(40)]
    (found,) = check_digits([body + ean.calc_check_digit(body) for body in bodies])
    assert (found.rule, found.weights, found.constant) == ("mod-10", (3, 1) * 6, 0)
    assert found.step == "check-digit:mod-10,3,1"
    assert chain(found.step).decode("4006381333931") == "400638133393"


def test_digits_that_never_vary_leave_their_weights_open() -> None:
    source = Random(4)
    bodies = [f"77{source.randrange(10**6):06d}" for _ in range(40)]
    numbers = [body + str(-sum(int(d) * (i + 2) for i, d in enumerate(reversed(body))) % 11) for body in bodies]
    numbers = [number for number in numbers if len(number) == 9]
    (found,) = check_digits(numbers)
    assert (found.rule, found.weights[:6], found.undetermined) == ("mod-11", (2, 3, 4, 5, 6, 7), (6, 7))
    assert found.step == ""
    assert "2, 3, 4, 5, 6, 7, ?, ?" in found.describe()


def test_mistyped_numbers_are_outliers() -> None:
    source = Random(5)
    bodies = [f"{source.randrange(10**7):07d}" for _ in range(60)]
    numbers = [body + ean.calc_check_digit(body) for body in bodies]
    for place in (8, 44):
        numbers[place] = numbers[place][:3] + str((int(numbers[place][3]) + 1) % 10) + numbers[place][4:]
    (found,) = check_digits(numbers)
    assert (found.rule, found.outliers) == ("mod-10", (8, 44))


def test_numbers_that_only_count_have_no_check_digit() -> None:
    assert check_digits([str(number) for number in range(40000, 41000)]) == ()
    assert check_digits([str(number) for number in range(12345, 99999, 97)]) == (), "equal modulo 97"
    assert check_digits([str(number) for number in range(12345, 99999, 11)]) == (), "equal modulo 11"
    assert check_digits([f"{n:05d}{n:05d}" for n in range(500, 800)]) == ()
    assert check_digits([]) == check_digits(["7"]) == check_digits(["", "?", "٣٣", "-"]) == ()


def test_rules_are_values_and_wrong_numbers_one_sentence() -> None:
    numbers = [f"{n}{luhn.calc_check_digit(str(n))}" for n in range(10007, 99999, 3511)]
    found = check_digits(numbers)
    assert pickle.loads(pickle.dumps(found)) == found == check_digits(numbers)
    assert isinstance(found[0], CheckDigitRule)
    assert repr(found[0]).startswith("<CheckDigitRule luhn: the last character of 26 numbers, ")
    assert found[0].fails("")
    assert found[0].fails("x")
    for wrong in ("79927398713", [79927398713]):
        with refusal(DefinitionError):
            check_digits(wrong)  # type: ignore[arg-type]  # mypy knows that of the second


def test_the_command_names_rule_lines_and_step(tmp_path: Path) -> None:
    source = Random(6)
    numbers = [f"{source.randrange(10**6):06d}" for _ in range(50)]
    numbers = [number + luhn.calc_check_digit(number) for number in numbers]
    numbers[30] = f"{(int(numbers[30][0]) + 1) % 10}{numbers[30][1:]}"
    plain = tmp_path / "badges.txt"
    plain.write_text("\n".join(numbers) + "\n", encoding="utf-8")
    shown = run("discover", "digits", str(plain))
    assert shown.exit_code == 0
    assert "luhn: the last character of 49 of 50 numbers" in shown.output
    assert "line 31: fails" in shown.output
    assert "check-digit:luhn" in shown.output
    table = tmp_path / "badges.csv"
    table.write_text("person;printed\n" + "".join(f"P{i};{n}\n" for i, n in enumerate(numbers)), encoding="utf-8")
    (row,) = records(run("discover", "digits", str(table), "--column", "printed", "--json"))
    assert (row["rule"], row["outliers"], row["numbers"]) == ("luhn", [32], 50)
    assert run("discover", "digits", str(table), "--column", "print").exit_code == 2
    counting = tmp_path / "counting.txt"
    counting.write_text("\n".join(map(str, range(100, 200))), encoding="utf-8")
    nothing = run("discover", "digits", str(counting))
    assert nothing.exit_code == 1
    assert "No check digit is found in 100 different numbers" in nothing.output
    empty = tmp_path / "empty.txt"
    empty.write_text("\n", encoding="utf-8")
    assert run("discover", "digits", str(empty)).exit_code == 2


# ── trials ──────────────────────────────────────────────────────────────────────────────────────


@amounts("trials", quick=11, whole=60)  # of each part: with 95 % confidence, fewer than one in 20 is wrong
def test_the_benchmark_asserts_its_shares(trials: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert benchmark(["--trials", str(trials), "--json"]) == 0
    assert set(json.loads(capsys.readouterr().out)) == set(PARTS)
    for bad in (Counter(right=99, wrong=1), Counter(right=9, **{"not found": 1}), Counter({"false": 1})):
        with pytest.raises(SystemExit, match="wrong answer"):
            assert_shares("crc", bad)

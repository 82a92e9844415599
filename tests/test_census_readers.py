"""Readers that cut, against plain counting: in texts, bits and fields, in every notation of the register.

The table says what the register writes and what a reader gives, with whole numbers and Python's own
formatting; nothing of it comes from the census. Where the register's text, or its bits, are not what
the reader cuts, the reader is not known, and nothing may be said of it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit.census import AllocationRequest, allocation, census
from credkit.census.result import Census
from tests.amounts import examples
from tests.brackwater import HEADER
from tests.populations import row, site

Given = Callable[[int], int | None]  # what a reader gives for a number; None where it can give nothing


class Case(NamedTuple):
    """How the register writes a number, and what a reader gives for it; None where that is not known."""

    value: str
    write: Callable[[int], str]
    chain: str
    gives: Given | None


def turned(size: int) -> Callable[[int], int]:
    """The bytes of a number in the other order."""
    return lambda number: int.from_bytes(number.to_bytes(size, "big"), "little")


def upper(number: int) -> str:
    return f"{number:08X}"


def decimal(number: int) -> str:
    return f"{number:010d}"


def crossed(number: int) -> str:
    return f"{turned(4)(number):08X}"


def luhn(number: int) -> str:
    """The check digit of ISO/IEC 7812-1 Annex B: from the right every second digit twice, digits of products added."""
    digits = [int(digit) for digit in f"{number:09d}"]
    doubled = [digit * 2 - 9 * (digit > 4) if place % 2 == 0 else digit for place, digit in enumerate(reversed(digits))]
    return f"{number:09d}{-sum(doubled) % 10}"


def last(count: int) -> Given:
    return lambda number: number % 10**count


def low(bits: int) -> Given:
    return lambda number: number % (1 << bits)


CASES = {
    "digits of digits": Case("decimal:32,10/serial-32", decimal, "last-digits:4/decimal:32/serial-32", last(4)),
    "digits of digits, as many": Case(
        "decimal:32,10/serial-32", decimal, "last-digits:4/decimal:14,4/fields:number:14", last(4)
    ),
    "digits of a pattern": Case(
        "template:{number:010d}", decimal, "last-digits:5/template:{number:05d}", last(5)
    ),
    "digits without zeros": Case(
        "decimal:32/serial-32", str, "last-digits:4/decimal:32/serial-32",
        lambda number: number % 10**4 if number >= 1000 else None,
    ),
    "digits of hexadecimal": Case("hex:8/serial-32", upper, "last-digits:4/decimal:32/serial-32", None),
    "digits of hexadecimal in a pattern": Case(
        "template:{number:08X}", upper, "last-digits:4/template:{number:04d}", None
    ),
    "one digit of hexadecimal": Case("hex:8/serial-32", upper, "last-digits:1/decimal:32/serial-32", None),
    "digits in another order": Case(
        "decimal:32,10/reverse-bytes/serial-32", lambda number: f"{turned(4)(number):010d}",
        "last-digits:4/decimal:32/serial-32", None,
    ),
    "digits with a check digit": Case(
        "check-digit:luhn/decimal:32,9/serial-32", luhn, "last-digits:4/decimal:32/serial-32", None
    ),
    "digits of two numbers": Case(
        "split-decimal:16,16/serial-32", lambda number: f"{number >> 16:05d},{number & 65535:05d}",
        "last-digits:4/decimal:32/serial-32", None,
    ),
    "the letters around it": Case(
        "decimal:32,10/serial-32", decimal, "strip:ID,/last-digits:4/decimal:32/serial-32", last(4)
    ),
    "low bits of hexadecimal": Case("hex:8/serial-32", upper, "hex:8/keep-low:8/fields:number:8", low(8)),
    "low bits of digits": Case("decimal:32,10/serial-32", decimal, "hex:8/keep-low:8/fields:number:8", low(8)),
    "low bits of a pattern": Case(
        "template:{number:010d}", decimal, "hex:8/keep-low:8/fields:number:8",
        None,  # a number of ten digits may have 34 bits
    ),
    "low bits of a number": Case("template:{number:04d}", lambda n: f"{n:04d}", "hex:8/keep-low:8/fields:number:8",
                                 low(8)),
    "high bits": Case(
        "hex:8/serial-32", upper, "hex:8/keep-high:24/fields:number:24", lambda number: number >> 8
    ),
    "high bits of a number": Case(
        "template:{number:04d}", lambda n: f"{n:04d}", "hex:8/keep-high:24/fields:number:24", None
    ),
    "the middle of a frame": Case(  # a parity bit stands behind the number: nothing is lost there
        "template:{number:04d}", lambda n: f"{n:04d}", "binary:26/slice:9-24/fields:number:16", None
    ),
    "bytes turned before the cut": Case(
        "hex:8/serial-32", upper, "hex:8/reverse-bytes/keep-low:8/fields:number:8", low(8)
    ),
    "bytes turned behind the cut": Case(
        "hex:8/serial-32", upper, "hex:8/keep-low:16/reverse-bytes/fields:number:16", None
    ),
    "bytes turned in the register": Case(
        "hex:8/reverse-bytes/serial-32", crossed, "hex:8/keep-low:8/fields:number:8", low(8)
    ),
    "bytes turned in both": Case(
        "hex:8/reverse-bytes/serial-32", crossed, "hex:8/keep-high:8/reverse-bytes/fields:number:8", low(8)
    ),
    "decimals in four bits": Case(
        "hex:8/bcd/template:{number:08d}", lambda n: f"{n:08d}", "hex:8/keep-low:8/bcd/template:{number:02d}", last(2)
    ),
    "decimals in four bits of a number": Case(
        "decimal:32,10/serial-32", decimal, "hex:8/keep-low:16/bcd/template:{number:04d}", None
    ),
}  # fmt: skip

NUMBERS = st.one_of(
    st.integers(0, 300), st.integers(0, 9999), st.sampled_from([4660, 14660, 0x1234, 0x11234, 1000, 2000, 256, 512])
)


@pytest.fixture(autouse=True)
def _few_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Numbers are tried 64 at a time: quick, and across the seams."""
    monkeypatch.setattr(allocation, "NUMBERS_TRIED_AT_ONCE", 64)


def described(home: Path, case: Case, numbers: list[int]) -> Census:
    toml = f'{HEADER}\n[kinds.card]\nvalue = "{case.value}"\nkey = ["number"]\n'
    toml += f'[readers.quay]\nkind = "card"\nchain = "{case.chain}"\n'
    rows = [row(f"C-{place}", case.write(number)) for place, number in enumerate(numbers)]
    return census(site(home, rows, toml), wanted=AllocationRequest(count=4))


def groups(numbers: list[int], gives: Given) -> set[frozenset[str]]:
    found = defaultdict(set)
    for place, number in enumerate(numbers):
        if (seen := gives(number)) is not None:
            found[seen].add(f"C-{place}")
    return {frozenset(them) for them in found.values() if len(them) > 1}


@pytest.mark.parametrize("name", CASES)
def test_what_a_reader_makes_alike(name: str) -> None:
    case = CASES[name]
    most = 9999 if "04d" in case.value else 999_999

    @given(st.lists(NUMBERS.filter(lambda number: number <= most), min_size=1, max_size=7))
    @examples(12)
    def holds(numbers: list[int]) -> None:
        with TemporaryDirectory() as home:
            result = described(Path(home), case, numbers)
        assert not result.unreadable
        duplicates = {
            frozenset(member.credential for member in group.members)
            for group in result.groups
            if group.what == "reader"
        }
        assert result.allocation is not None
        free = [badge.number for badge in result.allocation.badges]
        if case.gives is None:
            assert duplicates == set()
            assert [text.split(":")[0] for text in result.unknown] == ["reader quay"]
            assert any("quay" in remark for remark in result.allocation.remarks)
            return
        assert result.unknown == ()
        assert result.allocation.remarks == ()
        assert duplicates == groups(numbers, case.gives)
        place = next(place for place in result.places if place.what == "reader")
        assert place.unknown == sum(case.gives(number) is None for number in numbers)
        assert free == searched(numbers, case.gives, most)

    holds()


def searched(numbers: list[int], gives: Given, most: int) -> list[int]:
    """Four new numbers by plain search."""
    seen = {gives(number) for number in numbers}
    found: list[int] = []
    for number in range(1, most + 1):
        mine = gives(number)
        if number not in numbers and mine is not None and mine not in seen:
            found.append(number)
            seen.add(mine)
        if len(found) == 4:
            break
    return found


def test_the_expected_pairs_of_digits_that_are_left(tmp_path: Path) -> None:
    """Four digits are 10,000 numbers: of 100 drawn at random 4950 / 10000 pairs are alike (general arithmetic)."""
    case = CASES["digits of digits"]
    result = described(tmp_path, case, list(range(100)))
    place = next(place for place in result.places if place.what == "reader")
    assert place.expected_pairs is not None
    assert abs(place.expected_pairs - 0.495) < 1e-9

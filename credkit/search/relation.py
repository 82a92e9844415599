"""Relation: how two texts of one card, from two readers, are connected.

Both texts are read by every presentation of every size of serial; two readings are connected where
they have bits of the serial in common and agree in all of them. Connections that turn every text
of the one reader into the same text of the other are one, shown in its plainest form.

Source: common practice, no source.

>>> best, *others = relate("04112233445566", "0860116326")
>>> best.first, best.second, best.bits
('hex:14', 'decimal:32,10', 32)
>>> best.source, best.target
('hex:14/keep-low:32', 'decimal:32,10')
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from math import log2
from random import Random

from bitstring import Bits

from credkit.errors import CredkitError, DefinitionError
from credkit.search.candidates import BLANKS, ORDERS
from credkit.search.presentations import SIZES, Presentation, presentations

LEAST = 12  # bits that two readings must have in common: fewer agree too often by accident
SAMPLES = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Connection:
    """Two presentations of one serial: ``first`` and ``second`` are chains from the texts to bits of it.

    ``bits`` of the serial stand in both texts and agree; two texts of different cards would agree
    with probability 2 ** -bits. ``source`` and ``target`` are the chains with which the first text
    is converted to the second, where it has all that the second needs; they are empty where not.
    """

    first: str
    second: str
    bits: int
    size: int
    words: tuple[str, str]
    source: str = ""
    target: str = ""


@dataclass(frozen=True, slots=True)
class _Read:
    """A text read by a presentation of a serial of ``size`` bits: what it has of the serial."""

    row: Presentation
    size: int
    text: str
    digits: str

    @property
    def room(self) -> int:
        """How many bits the text itself can say: eight decimal digits are 26, whatever number they stand for."""
        decimal = "decimal" in self.row.codec.name
        return min(self.row.bits, int(sum(c.isdigit() for c in self.text) * log2(10))) if decimal else self.row.bits

    @property
    def start(self) -> int:
        """The first bit of the serial that it has."""
        return self.size - self.row.bits if self.row.part == "low" else 0


def relate(one: str, other: str) -> tuple[Connection, ...]:
    """The connections between two texts of the same card, the best founded first; none if there is none.

    Raises `DefinitionError` for what is not a text.
    """
    for text in (one, other):
        if not isinstance(text, str):
            raise DefinitionError("relate: two texts are needed")
    found: dict[tuple[str, str, str, str], tuple[float, _Read, _Read, int]] = {}
    for size in SIZES:
        for first, second in product(_readings(one.strip(BLANKS), size), _readings(other.strip(BLANKS), size)):
            bits = _shared(first, second)
            if bits >= LEAST:
                key = (first.row.codec.name, first.row.part, second.row.codec.name, second.row.part)
                found.setdefault(key, (_cost(first) + _cost(second), first, second, bits))
    ranked = sorted(found.values(), key=lambda each: (-each[3], each[0], len(each[1].row.codec.name), each[1].size))
    return tuple(_connection(first, second, bits) for _, first, second, bits in _distinct(ranked))


def readable(text: str) -> bool:
    """Whether any presentation reads ``text``."""
    return any(_readings(text.strip(BLANKS), size) for size in SIZES)


def _readings(text: str, size: int) -> list[_Read]:
    """What every presentation reads in ``text``."""
    return [read for row in presentations(size) if (read := _read(row, size, text))]


def _read(row: Presentation, size: int, text: str, *, exact: bool = True) -> _Read | None:
    """``text`` as ``row`` reads it; ``exact`` if ``row`` would also write it so."""
    word = row.codec.attempt(text)
    if word is None or word[1] != row.bits or (exact and not row.digits and row.codec.write(word) != text):
        return None
    return _Read(row, size, text, f"{word[0]:0{word[1]}b}")


def _shared(first: _Read, second: _Read) -> int:
    """How many bits two readings have in common, if they agree in all of them; 0 otherwise."""
    if first.row.digits or second.row.digits:
        whole, cut = (first, second) if second.row.digits else (second, first)
        if not cut.row.digits or whole.row.digits or whole.row.part != "all":
            return 0
        try:
            same = cut.row.write(Bits(f"0b{whole.digits}")) == cut.text
        except CredkitError:  # a number of fewer digits than are left
            same = False
        return int(cut.row.digits * log2(10)) if same else 0
    start, stop = max(first.start, second.start), min(first.start + first.row.bits, second.start + second.row.bits)
    if stop - start < LEAST:
        return 0
    same = (
        first.digits[start - first.start : stop - first.start]
        == second.digits[start - second.start : stop - second.start]
    )
    return min(stop - start, first.room, second.room) if same else 0


def _cost(read: _Read) -> float:
    """How seldom such a presentation is: what its order costs, and one for bytes that are left out."""
    orders = [step.name for step in read.row.codec.steps[1:] if step.name in ORDERS]
    return sum(ORDERS[order] for order in orders) + (read.row.part != "all") + 0.1 * len(read.row.codec.steps)


def _distinct(ranked: Sequence[tuple[float, _Read, _Read, int]]) -> Iterator[tuple[float, _Read, _Read, int]]:
    """The first of those that write the same for every serial."""
    kept: list[tuple[float, _Read, _Read, int]] = []
    for each in ranked:
        if not any(other[3] == each[3] and _same(other, each) for other in kept):
            kept.append(each)
            yield each


def _same(one: tuple[float, _Read, _Read, int], other: tuple[float, _Read, _Read, int]) -> bool:
    """Whether two connections turn texts of the one reader into the same texts of the other."""
    _, first, second, _ = one
    random = Random(first.row.codec.name)
    for _ in range(SAMPLES):
        serial = Bits(uint=random.getrandbits(first.size), length=first.size)
        try:
            left, right = first.row.write(serial), second.row.write(serial)
        except CredkitError:
            return False
        mine = _read(other[1].row, first.size, left, exact=False)
        theirs = _read(other[2].row, first.size, right, exact=False)
        if not mine or not theirs or not _shared(mine, theirs):
            return False
    return True


def _connection(first: _Read, second: _Read, bits: int) -> Connection:
    source = target = ""
    if _holds(first, second):
        source, target = first.row.codec.name, second.row.codec.name
        if second.row.bits < first.row.bits:
            source += f"/keep-{second.row.part}:{second.row.bits}"
    return Connection(
        first=first.row.codec.name, second=second.row.codec.name, bits=bits, size=first.size,
        words=(first.row.title, second.row.title), source=source, target=target,
    )  # fmt: skip


def _holds(first: _Read, second: _Read) -> bool:
    """Whether all that the second text has stands in the first."""
    same = (first.row.part, first.row.bits) == (second.row.part, second.row.bits)
    return not first.row.digits and (first.row.part == "all" or same)

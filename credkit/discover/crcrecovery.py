"""CRCs of 4 to 16 bits, recovered from frames: polynomial, start values, order of the bits, place and cover.

    payload, taken in some order          CRC, sent in some order
    P P P P P P P P P P P P P P P P       C C C C C C C C

Every window of the frame that has relations enough is taken as payload and CRC, the CRC behind the
payload, before it or inside it, the bits of both in four orders. In the right arrangement the
differences of all frames are multiples of the generator (`credkit.discover.polynomials`); in a wrong one
their common divisor is of too low a degree after two or three of them.

Initial value and final XOR cannot be told apart at one length of frame: 2^width pairs are one group. `common_starts`
separates them by frames of another length.

A claim needs `MIN_RANK` independent payloads: with fewer the differences may share a factor by accident.

Source: common practice, no source (textbook arithmetic of cyclic codes).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, reduce
from math import log2
from operator import xor
from random import Random

from credkit.core.errors import DefinitionError
from credkit.discover.checkrecords import MIN_EVIDENCE_BITS, BlockCheck, crc_starts, is_usual
from credkit.discover.framesamples import FrameSample
from credkit.discover.gf2 import sums
from credkit.discover.polynomials import advance, common_divisor, remainder, reverse_bits, reverse_bits_in_bytes

WIDTHS = range(4, 17)
MIN_RANK = 13  # independent payloads: all of them share a factor of degree 1 by accident once in 4096 times
CONFIRMING_FRAMES = (
    12  # frames beyond the independent ones, all of which keep an accidental relation once in 4096 times
)
_MARGIN = 2  # bits at each end that a window may leave out where the CRC stands inside it
_MIXED = 5  # sums of differences that are tried before all
_TESTED_ORDERS = 16  # orders of payload and CRC


def _reverse_bytes(word: int, length: int) -> int:
    return reverse_bits(reverse_bits_in_bytes(word, length), length)


_ORDERS: dict[str, Callable[[int, int], int]] = {
    "forward": lambda word, length: word,
    "backward": reverse_bits,
    "bits of bytes backward": reverse_bits_in_bytes,
    "bytes backward": _reverse_bytes,
}
_OF_BYTES = ("bits of bytes backward", "bytes backward")
_COSTS = {  # how unusual an order of the payload and of the CRC is; all others cost 3
    ("forward", "forward"): 0, ("bits of bytes backward", "backward"): 1,
    ("bits of bytes backward", "bits of bytes backward"): 1, ("backward", "backward"): 1, ("forward", "backward"): 2,
    ("bits of bytes backward", "forward"): 2, ("forward", "bytes backward"): 2,
}  # fmt: skip


def _ordered(places: tuple[int, ...], order: str) -> tuple[int, ...]:
    """``places`` as an order takes them."""
    if order == "forward":
        return places
    if order == "backward":
        return places[::-1]
    starts = range(0, len(places), 8)
    if order == "bytes backward":
        return tuple(place for start in reversed(starts) for place in places[start : start + 8])
    return tuple(place for start in starts for place in places[start : start + 8][::-1])


@dataclass(frozen=True, kw_only=True)
class _Arrangement:
    """A window from ``first`` to before ``stop`` with the CRC of ``width`` bits from ``start`` on."""

    length: int
    first: int
    stop: int
    start: int
    width: int

    @property
    def size(self) -> int:
        """How many bits the payload has."""
        return self.stop - self.first - self.width

    def split(self, frame: int) -> tuple[int, int]:
        """The payload and the CRC of a frame."""
        window = frame >> (self.length - self.stop) & ((1 << (self.stop - self.first)) - 1)
        below = self.stop - self.start - self.width  # bits behind the CRC
        crc = window >> below & ((1 << self.width) - 1)
        return window >> (below + self.width) << below | window & ((1 << below) - 1), crc

    @cached_property
    def places(self) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """The positions of the payload and of the CRC."""
        end = self.start + self.width
        return (*range(self.first, self.start), *range(end, self.stop)), tuple(range(self.start, end))

    def orders(self) -> list[tuple[str, str]]:
        """The orders of payload and CRC that can be tried."""
        payload = [order for order in _ORDERS if order not in _OF_BYTES or not self.size % 8]
        # in one byte, and in a CRC of no whole bytes, there are two
        crc = [order for order in _ORDERS if order not in _OF_BYTES or (not self.width % 8 and self.width > 8)]
        return [(one, other) for one in payload for other in crc if self.size > 8 or one not in _OF_BYTES]

    def codeword(self, frame: int, orders: tuple[str, str]) -> int:
        """The frame as a polynomial: the payload, its first bit the highest term, and the CRC behind it."""
        payload, crc = self.split(frame)
        return _ORDERS[orders[0]](payload, self.size) << self.width | _ORDERS[orders[1]](crc, self.width)

    def generators(self, sample: FrameSample, mixtures: Sequence[int]) -> Iterator[tuple[tuple[str, str], int]]:
        """The orders in which all differences share a divisor of the right degree, and that divisor.

        ``mixtures`` are sums of many differences each: they are tried before all, and seldom share one by accident.
        """
        few = [self.split(mixture) for mixture in mixtures]
        payloads: dict[str, list[int]] = {}
        crcs: dict[str, list[int]] = {}
        for orders in self.orders():
            for parts, order, size, found in (
                (0, orders[0], self.size, payloads), (1, orders[1], self.width, crcs)
            ):  # fmt: skip
                if order not in found:
                    found[order] = [_ORDERS[order](pair[parts], size) for pair in few]
            words = (high << self.width | low for high, low in zip(payloads[orders[0]], crcs[orders[1]], strict=True))
            if not common_divisor(words, self.width):
                continue
            divisor = common_divisor((self.codeword(each, orders) for each in sample.differences), self.width)
            # without a constant term it is no generator; x^width + 1 is XOR, which has its own search
            if divisor >> self.width == 1 and divisor & 1 and divisor != 1 << self.width | 1:
                yield orders, divisor


def recover_crcs(sample: FrameSample) -> list[BlockCheck]:
    """Every CRC that all frames of ``sample`` hold, the simplest description of each relation first.

    >>> from credkit.core.checks import crc_rows
    >>> rows = crc_rows(16, width=8, poly=0x07, init=0xFF)
    >>> def crc(number):
    ...     return sum(((sum(number >> (15 - i) for i in cover) + odd) & 1) << (7 - bit)
    ...                for bit, (cover, odd) in enumerate(rows))
    >>> frames = [number << 8 | crc(number) for number in range(0, 65536, 997)]
    >>> found, *others = recover_crcs(FrameSample.from_frames(frames, 24))
    >>> found.describe().split(", or")[0]
    'bits 16-23: CRC of bits 0-15, polynomial 0x7 with initial value 0xff and final XOR 0x0'
    """
    if not _is_confirmed(sample):
        return []
    length = sample.length
    tried = log2(length * length / 2) + log2(len(WIDTHS) * _TESTED_ORDERS * 2)
    found = _search(sample, _at_ends(sample), tried)
    return found or _search(sample, _inside(sample), tried + log2(length))


def common_starts(checks: Sequence[BlockCheck]) -> tuple[tuple[int, int], ...]:
    """Every pair of initial value and final XOR that one CRC has at several lengths of frame, the usual ones first.

    At one length 2^width pairs are the same check; at two lengths one pair is left, or a few where the polynomial has
    a factor such as x + 1. Raises `DefinitionError` for what are not CRCs of one polynomial.

    >>> from dataclasses import replace
    >>> short = BlockCheck(kind="crc", length=24, at=tuple(range(16, 24)), covers=tuple(range(16)), evidence=99,
    ...                    poly=0x2F, starts=crc_starts(0xFF ^ advance(0xFF, 0x12F, 16), 0x12F, 16))
    >>> long = replace(short, length=32, at=tuple(range(24, 32)), covers=tuple(range(24)),
    ...                starts=crc_starts(0xFF ^ advance(0xFF, 0x12F, 24), 0x12F, 24))
    >>> len(common_starts([short])), common_starts([short, long])
    (256, ((255, 255), (26, 26)))
    """
    if not checks or len({(check.kind, check.width, check.poly) for check in checks}) > 1 or checks[0].kind != "crc":
        raise DefinitionError("common_starts: CRCs of one polynomial are needed, of frames of several lengths")
    width = checks[0].width
    generator, ones = checks[0].poly | 1 << width, (1 << width) - 1

    def constant(check: BlockCheck, init: int) -> int:
        return advance(init, generator, len(check.covers))

    targets = [constant(check, check.starts[0][0]) ^ check.starts[0][1] for check in checks]
    images, target = [], 0
    for bit in range(width):  # what a bit of the initial value changes at the other lengths, less that at the first one
        changes = [constant(check, 1 << bit) for check in checks]
        images.append(sum((change ^ changes[0]) << i * width for i, change in enumerate(changes)))
    target = sum((each ^ targets[0]) << i * width for i, each in enumerate(targets))
    inits = [count ^ count >> 1 for count, total in enumerate(sums(images)) if total == target]  # in Gray's order
    pairs = [(init, constant(checks[0], init) ^ targets[0]) for init in inits]
    return tuple(sorted(pairs, key=lambda pair: (not is_usual(pair, ones), pair)))


def _is_confirmed(sample: FrameSample) -> bool:
    """Whether the sample has enough independent frames, and enough more of them that its relations are no accident."""
    return sample.rank >= MIN_RANK and len(sample.frames) - 1 - sample.rank >= CONFIRMING_FRAMES


def _search(sample: FrameSample, arrangements: Iterator[_Arrangement], tried: float) -> list[BlockCheck]:
    found: list[tuple[tuple[float, ...], BlockCheck]] = []
    source = Random(0)
    mixtures = [reduce(xor, (each for each in sample.differences if source.random() < 0.5), 0) for _ in range(_MIXED)]
    for each in arrangements:
        for orders, generator in each.generators(sample, mixtures):
            payload, crc = each.places
            payload_mask = sum(1 << (sample.length - 1 - place) for place in payload)
            payload_rank = sample.rank_at(payload_mask)
            evidence = each.width * payload_rank - (each.width - 1) - tried
            if payload_rank < MIN_RANK or evidence < MIN_EVIDENCE_BITS:
                continue
            constant = remainder(each.codeword(sample.frames[0], orders), generator)
            starts = crc_starts(constant, generator, each.size)
            check = BlockCheck(
                kind="crc", length=sample.length, at=_ordered(crc, orders[1]), covers=_ordered(payload, orders[0]),
                evidence=evidence, poly=generator ^ 1 << each.width, starts=starts,
                undecided=tuple(place for place in payload if not sample.varying >> (sample.length - 1 - place) & 1),
            )  # fmt: skip
            ones = (1 << each.width) - 1
            at_end = each.stop - each.start == each.width
            cost = (-each.width, not at_end, _COSTS.get(orders, 3), not is_usual(starts[0], ones), -each.size)
            found.append((cost, check))
    return [check for _, check in sorted(found, key=lambda pair: pair[0])]


def _windows(sample: FrameSample) -> Iterator[tuple[int, int, int]]:
    """The windows with relations enough for a CRC: first bit, the bit behind the last one, and how many relations.

    Relations start at the first and end at the last bit of a window that varies: a CRC covers both, or is there.
    """
    varying = [place for place in range(sample.length) if sample.varying >> (sample.length - 1 - place) & 1]
    for first in range(sample.length):
        for stop in range(sample.length, first + 2 * WIDTHS[0], -1):
            count = sample.relations_within(first, stop)
            if count < WIDTHS[0]:
                break  # a smaller one has no more
            begin = next(place for place in varying if place >= first)
            end = next(place for place in reversed(varying) if place < stop)
            if max(sample.relations_within(begin + 1, stop), sample.relations_within(first, end)) < count:
                yield first, stop, count


def _at_ends(sample: FrameSample) -> Iterator[_Arrangement]:
    for first, stop, count in _windows(sample):
        for width in WIDTHS:
            if width > count or stop - first < 2 * width:
                break
            for start in (stop - width, first):
                yield _Arrangement(length=sample.length, first=first, stop=stop, start=start, width=width)


def _inside(sample: FrameSample) -> Iterator[_Arrangement]:
    for first, stop, count in _windows(sample):
        if first > _MARGIN or stop < sample.length - _MARGIN:
            continue
        for width in WIDTHS:
            if width > count:
                break
            for start in range(first + 1, stop - width):
                yield _Arrangement(length=sample.length, first=first, stop=stop, start=start, width=width)

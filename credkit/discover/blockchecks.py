"""Block checks: check bits of a frame that are computed from the rest of it, in blocks.

    payload, in blocks                    check
    BBBB BBBB BBBB BBBB BBBB BBBB         CCCC      XOR of all, or their sum, and a constant

`find_block_checks` finds XORs of blocks of 4 to 16 bits (an LRC, a BCC; with a constant start value or inverted; blocks
that stand side by side or, as characters with a parity bit each do, with a bit between them),
sums of nibbles and bytes (plain or negated, modulo 2^n, 2^n - 1 and 10) and CRCs of 4 to 16 bits
(`credkit.discover.crcrecovery`). The check may stand anywhere, the blocks that it covers are neighbours.

A claim is calibrated. Consecutive cards satisfy relations by accident: two numbers that count up together differ by
a constant, which looks like a check of one block. So evidence counts only what no single block explains, a check
over one block is never claimed, and what was tried is taken off.

Source: common practice, no source.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import accumulate, product
from math import log2
from operator import xor
from random import Random
from typing import NamedTuple

from credkit.core.errors import DefinitionError
from credkit.core.fields import is_index
from credkit.core.sentences import redacted_repr
from credkit.discover.checkrecords import MIN_EVIDENCE_BITS, BlockCheck
from credkit.discover.crcrecovery import recover_crcs
from credkit.discover.evidence import log2_choose
from credkit.discover.framesamples import (
    DAMAGED_SHARE,
    MIN_DAMAGED_SAMPLE,
    FrameSample,
    undamaged_frames,
)
from credkit.discover.gf2 import Span

LONGEST_FRAME = 512  # bits; a longer one has too many windows
_XOR_WIDTHS = range(4, 17)
_KEY_FRAMES = 6  # frames by which sums are looked up
_KEY_DRAWS = 5  # draws of them, one of which must be without damage
_COUNTED_FRAMES = 1000  # frames at most that count as evidence


class SumKind(NamedTuple):
    """Sums of blocks of ``block`` bits, modulo ``modulus``, in a check of ``width`` bits."""

    block: int
    width: int
    modulus: int


_SUM_KINDS = (
    SumKind(8, 16, 1 << 16), SumKind(8, 8, 256), SumKind(4, 8, 256), SumKind(8, 8, 255), SumKind(4, 4, 16),
    SumKind(4, 4, 15), SumKind(4, 4, 10),
)  # fmt: skip


def find_block_checks(frames: Sequence[int], length: int) -> tuple[BlockCheck, ...]:
    """The block checks of ``frames`` of ``length`` bits, in the order in which they stand; none where none is sure.

    A few damaged frames, up to one in twenty of forty or more, are left out and are the outliers of a check. Raises
    `DefinitionError` for what is no frame of that length.

    Cards of Brackwater Terminal, far apart: 16 bits of number, and the XOR of its nibbles:

    >>> frames = [number << 4 | (number >> 12 ^ number >> 8 ^ number >> 4 ^ number) & 15
    ...           for number in range(0, 65536, 997)]
    >>> found, = find_block_checks(frames, 20)
    >>> found.describe(), found.toml_rows
    ('bits 16-19: XOR of 4 blocks of 4 bits, bits 0-15', ('{ bits = "16-19", xor = ["0-3", "4-7", "8-11", "12-15"] }',))
    >>> find_block_checks(range(1000, 1020), 20)
    ()
    """
    words = _checked_frames(frames, length)
    if len(set(words)) < 2:
        return ()
    sample = FrameSample.from_frames(words, length)
    found = _linear_checks(sample)
    inside = undamaged_frames(words, length)
    if len(inside) < len(words):
        sample = FrameSample.from_frames(inside, length)
        found = _linear_checks(sample) or found
    # the last bits of an even modulus are a relation: where there is none, there is no such sum
    kinds = [kind for kind in _SUM_KINDS if sample.relations or kind.modulus % 2]
    accepted = _with_sums(_independent(found), _sums(words, length, kinds))
    judged = [replace(check, outliers=_failing(check, words)) for check in accepted]
    return tuple(sorted(judged, key=lambda check: min(check.at)))


def _checked_frames(frames: Sequence[int], length: int) -> list[int]:
    if not is_index(length) or not 0 < length <= LONGEST_FRAME:
        raise DefinitionError(
            f"find_block_checks: the length is {redacted_repr(length)}, expected 1 to {LONGEST_FRAME} bits"
        )
    words = []
    for place, frame in enumerate(frames):
        if not is_index(frame) or not 0 <= int(frame) < 1 << length:
            raise DefinitionError(
                f"find_block_checks: frame {place} is {redacted_repr(frame)}, expected a whole number of {length} bits"
            )
        words.append(int(frame))
    return words


def _failing(check: BlockCheck, words: Sequence[int]) -> tuple[int, ...]:
    return tuple(place for place, word in enumerate(words) if check.fails(word))


# ── XOR and CRC: relations over GF(2) ───────────────────────────────────────────────────────────


def _linear_checks(sample: FrameSample) -> list[BlockCheck]:
    if len(sample.relations) < _XOR_WIDTHS[0]:
        return []
    return [*_xors(sample), *recover_crcs(sample)]


def _independent(found: list[BlockCheck]) -> list[BlockCheck]:
    """The widest checks that do not follow from others, each with the other descriptions of its relations."""
    known = Span()
    by_relations: dict[frozenset[int], list[BlockCheck]] = {}
    for check in sorted(found, key=lambda check: (-check.width, check.kind == "crc")):
        decided = _mask(check.length, check.undecided)
        masks = [mask & ~decided for mask, _ in check.parities]
        span = frozenset(Span(masks))
        if span in by_relations:
            by_relations[span].append(check)
            continue
        if len(Span([*known, *masks])) == len(known) + check.width:
            known = Span([*known, *masks])
            by_relations[span] = [check]
    return [replace(first, alternatives=tuple(others)) for first, *others in by_relations.values()]


def _mask(length: int, places: Sequence[int]) -> int:
    return sum(1 << (length - 1 - place) for place in places)


def _xors(sample: FrameSample) -> list[BlockCheck]:
    """Every XOR of two or more neighbouring blocks that stands in a block of its own."""
    length = sample.length
    tried = log2(sum(2 * length * length * (length // width) for width in _XOR_WIDTHS))
    found: list[tuple[tuple[float, ...], BlockCheck]] = []
    for width in _XOR_WIDTHS:
        if width > len(sample.relations):
            break
        at = _block_columns(sample, width)
        places: dict[int, list[int]] = defaultdict(list)
        full = (1 << width) - 1
        for place, column in enumerate(at):
            varying = sample.varying >> (length - width - place) & full
            if varying == full:
                places[column].append(place)
        for first, stride in product(range(length - 2 * width + 1), (width, width + 1)):
            for count, column in enumerate(accumulate(at[first::stride], xor), 1):
                if count < 2 or column not in places:
                    continue
                stop = first + (count - 1) * stride + width
                covers = [range(start, start + width) for start in range(first, stop, stride)]
                for place in places[column]:
                    if place + width <= first or place >= stop:
                        found += _xor_check(sample, covers, place, tried)
    return [check for _, check in sorted(found, key=lambda pair: pair[0])]


def _block_columns(sample: FrameSample, width: int) -> list[int]:
    """For each position the block of ``width`` bits there, of all differences in one number."""
    full = (1 << width) - 1
    return [
        sum((each >> (sample.length - width - place) & full) << i * width for i, each in enumerate(sample.differences))
        for place in range(sample.length - width + 1)
    ]


def _xor_check(
    sample: FrameSample, covers: list[range], place: int, tried: float
) -> Iterator[tuple[tuple[float, ...], BlockCheck]]:
    """The check of all blocks of ``covers`` at ``place``, with how unusual it is, where it has evidence enough."""
    length, width = sample.length, len(covers[0])
    masks = [_mask(length, block) for block in covers]
    richest = max(sample.rank_at(mask) for mask in masks)
    evidence = width * (sample.rank_at(sum(masks)) - richest) - tried
    if evidence < MIN_EVIDENCE_BITS:
        return
    frame, constant = sample.frames[0], 0
    for start in (*(block.start for block in covers), place):
        constant ^= frame >> (length - width - start) & ((1 << width) - 1)
    covered = tuple(bit for block in covers for bit in block)
    check = BlockCheck(
        kind="xor", length=length, at=tuple(range(place, place + width)), covers=covered, evidence=evidence,
        block=width, constant=constant,
        undecided=tuple(bit for bit in covered if not sample.varying >> (length - 1 - bit) & 1),
    )  # fmt: skip
    unusual = 0 if not constant else 1 if constant == (1 << width) - 1 else 2
    yield (-width, place < covered[0], unusual, -len(covers), -place), check


# ── sums ────────────────────────────────────────────────────────────────────────────────────────


def _sums(words: list[int], length: int, kinds: Sequence[SumKind]) -> list[BlockCheck]:
    """The sums of ``kinds`` that the frames hold, but for a few damaged ones; the best founded first."""
    distinct = list(dict.fromkeys(words))
    source = Random(0)
    draws = _KEY_DRAWS if len(distinct) >= MIN_DAMAGED_SAMPLE else 1
    tried = log2(sum(2 * length * length * max(1, length // kind.block) for kind in _SUM_KINDS) * draws)
    found: list[BlockCheck] = []
    for _ in range(draws):
        few = source.sample(distinct, min(_KEY_FRAMES, len(distinct)))
        candidates = (each for kind in kinds for each in _matching_sums(few, length, kind))
        found = [check for each in candidates if (check := _sum_check(distinct, length, each, tried))]
        if found:
            break
    varying = 0
    for word in distinct:
        varying |= word ^ distinct[0]
    found = [
        replace(check, undecided=tuple(bit for bit in check.covers if not varying >> (length - 1 - bit) & 1))
        for check in found
    ]
    return sorted(found, key=lambda check: (-check.width, -check.modulus, *_sum_cost(check)))


def _sum_cost(check: BlockCheck) -> tuple[float, ...]:
    usual = (0, 0) if not check.constant else (1, 0) if check.constant == check.modulus - 1 else (2, 0)
    return (check.at[0] < check.covers[0], *usual, -len(check.covers), -check.at[0])


def _matching_sums(few: list[int], length: int, kind: SumKind) -> Iterator[tuple[SumKind, range, int, int]]:
    """The kind, cover, place and sign of each sum that a few frames hold."""
    modulus = kind.modulus
    places: dict[tuple[int, ...], list[int]] = defaultdict(list)
    for place in range(length - kind.width + 1):
        values = [word >> (length - kind.width - place) & ((1 << kind.width) - 1) for word in few]
        if max(values) < modulus and len(set(values)) > 1:
            places[tuple((value - values[0]) % modulus for value in values)].append(place)
    full = (1 << kind.block) - 1
    at = [[word >> (length - kind.block - place) & full for word in few] for place in range(length - kind.block + 1)]
    for first in range(length - kind.block + 1):
        sums = [0] * len(few)
        for stop in range(first + kind.block, length + 1, kind.block):
            sums = [total + value for total, value in zip(sums, at[stop - kind.block], strict=True)]
            for sign in (1, -1) if stop - first > kind.block else ():
                key = tuple(sign * (total - sums[0]) % modulus for total in sums)
                for place in places.get(key, ()):
                    if place + kind.width <= first or place >= stop:
                        yield kind, range(first, stop), place, sign


def _sum_check(words: list[int], length: int, each: tuple[SumKind, range, int, int], tried: float) -> BlockCheck | None:
    """The sum over all frames, where it has evidence enough."""
    kind, covers, place, sign = each
    if len(words) > _COUNTED_FRAMES and not _sum_check(words[:_COUNTED_FRAMES], length, each, tried):
        return None
    full = (1 << kind.block) - 1
    shifts = [length - kind.block - start for start in range(covers.start, covers.stop, kind.block)]
    rows = [[word >> shift & full for shift in shifts] for word in words]
    checks = [word >> (length - kind.width - place) & ((1 << kind.width) - 1) for word in words]
    constants = [(value - sign * sum(row)) % kind.modulus for value, row in zip(checks, rows, strict=True)]
    constant = Counter(constants).most_common(1)[0][0]
    good = [row for row, found in zip(rows, constants, strict=True) if found == constant]
    failing = len(words) - len(good)
    if failing > DAMAGED_SHARE * len(words) or (failing and len(words) < MIN_DAMAGED_SAMPLE):
        return None
    if any(value >= kind.modulus for value, found in zip(checks, constants, strict=True) if found == constant):
        return None
    few = good[:_COUNTED_FRAMES]
    # what no single block explains: how many values the others have
    unexplained = min(len({(*row[:i], *row[i + 1 :]) for row in few}) for i in range(len(shifts)))
    evidence = log2(kind.modulus) * (unexplained - 2) - tried - log2_choose(len(words), failing)
    if evidence < MIN_EVIDENCE_BITS:
        return None
    return BlockCheck(
        kind="sum", length=length, at=tuple(range(place, place + kind.width)), covers=tuple(covers), evidence=evidence,
        block=kind.block, constant=constant, sign=1 if sign == 1 else -1, modulus=kind.modulus,
    )  # fmt: skip


def _with_sums(accepted: list[BlockCheck], sums: list[BlockCheck]) -> list[BlockCheck]:
    """The checks, and the sums that none of them implies; other descriptions of one check are its alternatives."""
    found = list(accepted)
    for check in sums:
        for place, other in enumerate(found):
            if check.at == other.at or _same_blocks(check, other):
                found[place] = replace(other, alternatives=(*other.alternatives, check))
                break
            if set(check.at) <= set(other.at):
                break
        else:
            found.append(check)
    return found


def _same_blocks(one: BlockCheck, other: BlockCheck) -> bool:
    """Whether two sums are constant over the same bits, so that any of these blocks may be the check."""
    return (
        one.kind == other.kind == "sum"
        and one.sign == other.sign == -1
        and {*one.at, *one.covers} - {*one.undecided} == {*other.at, *other.covers} - {*other.undecided}
    )

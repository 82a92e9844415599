"""Damaged frames: those that break what all others keep to.

One garbled frame in a hundred hides every relation from linear algebra. So relations are looked for in small random
subsets, some of which hold no damaged frame, and are then tested on all frames. A relation may fail in a few; if it is
sure all the same, those few are outliers.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from itertools import combinations
from random import Random
from typing import NamedTuple

from credkit.discover.clock import Clock
from credkit.discover.covers import covers_of, description_bits, regular_sets
from credkit.discover.evidence import LIKELY_BITS, log2_choose, weigh_patterns
from credkit.discover.gf2 import Span, columns, mask_of, null_space, parity_of, positions_of

FEWEST_FRAMES = 30  # with fewer, a relation that fails in one is no better than chance
MOST_DAMAGED = 0.05  # of the frames
SUBSET = 36  # frames: enough to test a regular relation, few enough to hold no damaged one in five draws of thirty-two
DRAWS = 32
SHORT_PERIOD = 3  # bits of a pattern that small subsets are searched for; larger subsets are searched for all
SPARE = 12  # frames of a subset beyond its bits, so that no relation of it is chance
MOST_VALIDATED = 1000  # frames on which relations are tested, and patterns counted


class _Candidate(NamedTuple):
    """A relation that fails in few frames."""

    fails: int
    cost: float
    mask: int


def find_outliers(frames: Sequence[int], length: int, *, seed: int = 0, clock: Clock | None = None) -> tuple[int, ...]:
    """The indices of the damaged among different ``frames``; none where it is not plain.

    >>> frames = [n << 1 | n.bit_count() & 1 for n in range(5, 65536, 649)]
    >>> frames[7] ^= 1 << 9
    >>> find_outliers(frames, 17)
    (7,)
    """
    clock = clock or Clock()
    count = len(frames)
    allowed = int(count * MOST_DAMAGED)
    if count < FEWEST_FRAMES or not allowed:
        return ()
    source = Random(seed)
    sample = frames if count <= MOST_VALIDATED else source.sample(list(frames), MOST_VALIDATED)
    most = int(len(sample) * MOST_DAMAGED)
    vectors, one = columns(sample, length), (1 << len(sample)) - 1
    near = [_majority(vector, one) for vector in vectors]
    still = {place: value for place, (value, fails) in enumerate(near) if fails <= most}
    constants = mask_of(place for place, (_, fails) in enumerate(near) if not fails)
    ones = mask_of(place for place, (value, _) in enumerate(near) if value)
    candidates: list[_Candidate] = []
    seen: set[int] = set()
    size = min(SUBSET, len(sample) * 2 // 3)
    for drawn in range(DRAWS):
        if clock.is_over:
            break
        clock.show("looking for damaged frames", drawn, DRAWS)
        for mask, cost in _regular_relations(source.sample(list(sample), size), length, constants, ones, seen):
            candidates.append(_Candidate(_fails(mask, vectors, one, length), cost, mask))
        for mask in _any_relations(sample, length, source):
            if mask not in seen:
                seen.add(mask)
                bits = mask & ~constants & ~(1 << length)
                cost = description_bits(length, 0, bits, "irregular", length - constants.bit_count())
                candidates.append(_Candidate(_fails(mask, vectors, one, length), cost, mask))
    span = Span(1 << place | value << length for place, value in still.items())
    accepted = []
    seldom = [1 << place | value << length for place, (value, fails) in enumerate(near) if 0 < fails <= most]
    seldom += _seldom_apart(vectors, one, length, still, most)
    improved = {_with_seldom(each, seldom, vectors, one, length) for each in candidates if each.fails <= most}
    for each in sorted(improved):
        at_an_end = _is_run_at_an_end(_failing(each.mask, vectors, one, length), one)
        if each.mask not in span and not at_an_end and _is_sure(each, sample, length):
            span.add(each.mask)
            accepted.append(each.mask)
    broken = {i for mask in accepted for i, fails in enumerate(parity_of(frames, length, mask)) if fails}
    if len(broken) > allowed:
        return ()
    covered = 0
    for mask in accepted:
        covered |= mask
    odd = set(_odd_ones_out(frames, length, still, broken, covered))
    return tuple(sorted(broken | odd if len(broken | odd) <= allowed else broken))


def _majority(vector: int, one: int) -> tuple[int, int]:
    """The value that most frames have in a column, and how many have the other."""
    ones, count = vector.bit_count(), one.bit_count()
    return (1, count - ones) if 2 * ones > count else (0, ones)


def _is_run_at_an_end(failing: int, one: int) -> bool:
    """Whether the failing frames are the first ones or the last ones: after a carry they are."""
    others = one ^ failing
    return bool(failing) and (not failing & (failing + 1) or not others & (others + 1))


def _fails(mask: int, vectors: Sequence[int], one: int, length: int) -> int:
    return _failing(mask, vectors, one, length).bit_count()


def _failing(mask: int, vectors: Sequence[int], one: int, length: int) -> int:
    """The frames in which a relation fails, the first one the highest bit."""
    total = one if mask >> length & 1 else 0
    for place in positions_of(mask & ~(1 << length)):
        total ^= vectors[place]
    return total


def _regular_relations(
    frames: Sequence[int], length: int, constants: int, ones: int, seen: set[int]
) -> Iterator[tuple[int, float]]:
    """The regular relations of a subset that it tests enough to be worth a look, as masks, with their costs.

    They are taken without the bits of ``constants``, of which ``ones`` are one, and each once: those in ``seen`` are
    left out, and put there.
    """
    values = columns(frames, length)
    one = (1 << len(frames)) - 1
    varying = mask_of(place for place, value in enumerate(values) if value not in (0, one))
    by_value: dict[int, list[int]] = {}
    for place in positions_of(varying):
        by_value.setdefault(values[place], []).append(place)
    least = 1 << length
    for mask, total, kind in regular_sets(values, SHORT_PERIOD):
        found: list[tuple[int | None, int]] = [(None, least if total else 0)] if total in (0, one) else []
        found += [
            (extra, least if values[extra] != total else 0)
            for extra in (*by_value.get(total, ()), *by_value.get(total ^ one, ()))
            if not mask >> extra & 1
        ]
        for bit, odd in found:
            whole = mask if bit is None else mask | 1 << bit
            relation = whole & ~constants | (odd ^ least if (whole & constants & ones).bit_count() & 1 else odd)
            if relation in seen or (relation & varying).bit_count() <= 2:
                continue
            seen.add(relation)
            for cover in covers_of(length, mask, kind, varying, extra=bit)[:1]:
                if len(frames) - 1 - cover.cost >= 0:
                    yield relation, cover.cost


def _any_relations(frames: Sequence[int], length: int, source: Random) -> list[int]:
    """All relations of a subset large enough to have none by chance; of a subset without damage, all that there are."""
    size = min(length + SPARE, len(frames) * 4 // 5)
    if size <= length / 2 + SPARE:
        return []
    drawn = source.sample(list(frames), size)
    return null_space(columns(drawn, length), size)


def _seldom_apart(vectors: Sequence[int], one: int, length: int, still: Collection[int], most: int) -> Iterator[int]:
    """The pairs of bits that seldom differ or seldom agree, none ``still``: until a carry each passes for the other."""
    varying = [place for place in range(length) if place not in still]
    for place, other in combinations(varying, 2):
        value, fails = _majority(vectors[place] ^ vectors[other], one)
        if 0 < fails <= most:
            yield 1 << place | 1 << other | value << length


def _with_seldom(
    candidate: _Candidate, seldom: Sequence[int], vectors: Sequence[int], one: int, length: int
) -> _Candidate:
    """The relation with those of ``seldom`` added by which it fails in fewer frames.

    After a carry the last few of a hundred cards differ in a high bit: they are not damaged, the bit is covered.
    """
    for mask in seldom:
        if candidate.fails:
            fails = _fails(candidate.mask ^ mask, vectors, one, length)
            if fails < candidate.fails:
                candidate = _Candidate(fails, candidate.cost, candidate.mask ^ mask)
    return candidate


def _is_sure(candidate: _Candidate, frames: Sequence[int], length: int) -> bool:
    places = positions_of(candidate.mask & ~(1 << length))
    word = sum(1 << (length - 1 - place) for place in places)
    keeping = [f for f, fails in zip(frames, parity_of(frames, length, candidate.mask), strict=True) if not fails]
    tested = weigh_patterns(keeping, length, word).bits
    return tested - candidate.cost - log2_choose(len(frames), candidate.fails) >= LIKELY_BITS


def _odd_ones_out(
    frames: Sequence[int], length: int, still: dict[int, int], broken: set[int], covered: int
) -> Iterator[int]:
    """Frames that alone differ in one bit that is the same in all others, and that no check covers.

    One that differs in several such bits may follow a carry; so may the first and the last frame with one.
    """
    usual = sum(value << (length - 1 - place) for place, value in still.items())
    over = sum(1 << (length - 1 - place) for place in still)
    differing = {i: (frame ^ usual) & over for i, frame in enumerate(frames) if i not in broken}
    checked = sum(1 << (length - 1 - place) for place in still if covered >> place & 1)
    seen = Counter(differing.values())
    for i, bits in differing.items():
        if bits.bit_count() == 1 and seen[bits] == 1 and not bits & checked and 0 < i < len(frames) - 1:
            yield i

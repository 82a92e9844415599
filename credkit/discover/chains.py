"""Discovery of chains: what turns one reader's texts into another's.

Each text is read in every notation and order, frames and templates included (`wordseries`). The bits of
the second reader's texts are looked up among those of the first (`bitmatches`), and what is left of them is
explained by constants and further places (`explanations`). What fits is written as chains
(`chaintexts`), tried on every pair, and grouped by what it would answer for other cards (`behaviours`).

A chain is claimed where the bits that agree exceed what its search may have found by chance: each chain
is given a share of chance that is the smaller, the more unusual it is (2 ** -cost).

Source: common practice, no source.

>>> found = chain([("02F764DD", "8106606"), ("02F764E1", "8106608"), ("029ECBA9", "5203412")])
>>> found.chain
ChainTexts(source='hex:8/right-justified:26/data-of:wiegand-26', target='decimal:24')
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from math import comb, log2
from typing import Any

from credkit.core.errors import DefinitionError
from credkit.core.progress import SILENT, Progress
from credkit.core.sentences import redacted_repr
from credkit.discover.agreements import spread_bits
from credkit.discover.behaviours import Answers, agree, answers, most_separating, probe_texts
from credkit.discover.chaintexts import ChainTexts
from credkit.discover.chainvalues import ChainCandidate, ChainDiscovery, MistypedPair, SeparatingCard
from credkit.discover.clock import Clock
from credkit.discover.neighbours import neighbour_evidence
from credkit.discover.pairsides import PairSide
from credkit.discover.targets import Hypothesis, hypotheses
from credkit.explain.candidates import BLANKS

PHASES = {"searching for chains": "chains", "trying the chains on all pairs": "chains"}
MOST_PAIRS = 1000
SEED_PAIRS = 6  # pairs that are searched; the others only judge
PAIRS_AT_ONCE = 20  # that a chain is tried on before it is given up
RESCUE_PAIRS = 3  # pairs of a search that may be without a mistyped one
FEWEST_PAIRS_WITH_MISTAKES = 5
MISTYPED_SHARE = 0.05
MIN_EVIDENCE_BITS = 8.0  # of a chain that is claimed
COUNTED_BITS = 8.0  # more, where both lists count up: they are worth one card, and fit in many places of its text
MOST_HYPOTHESES = 150  # that are tried on every pair
MOST_CANDIDATES = 40
MOST_BITS_BEHIND = 20.0  # that a chain is longer than the shortest: what is further behind is not listed


def chain(
    pairs: Iterable[tuple[str, str]], *, seconds: float | None = None, progress: Progress = SILENT
) -> ChainDiscovery:
    """The chains that turn the first text of every pair into the second, the best founded first.

    Up to 5 % of the pairs, or one of five or more, may be mistyped. ``seconds`` is how long it may search: what is
    found by then is given. ``progress`` is told how many chains are tried. Raises
    `DefinitionError` for no pair, or too many.

    Three cards of Brackwater Terminal, as a gate prints them and as the back end has them:

    >>> chain([("04112233445566", "0860116326"), ("04A2B3C4D5E6F7", "3302352631"), ("0489ABCDEF0123", "3454992675")])
    <ChainDiscovery hex:14/keep-low:32 to decimal:32,10: 81 bits, 2 candidates>
    >>> chain([("1234567", "7654321"), ("4711000", "1234123")])
    <ChainDiscovery: nothing found in 2 pairs>
    """
    clock = Clock(seconds, progress, PHASES)
    given = _checked_pairs(pairs)
    distinct = list(dict.fromkeys(given))
    tolerated = _tolerated(len(distinct))
    samples = list(_samples(distinct, tolerated))
    for sample in samples:
        found = _search(_sides(sample), distinct, tolerated, clock)
        if found:
            wrong = found[0][1]
            if wrong and len(sample) < SEED_PAIRS and not clock.is_over:  # a larger sample without them tells more
                good = [pair for spot, pair in enumerate(distinct) if spot not in wrong]
                found = _search(_sides(_spread(good, SEED_PAIRS)), distinct, tolerated, clock) or found
            return _build_discovery(given, distinct, found, is_complete=not clock.is_over)
        if clock.is_over:
            break
    return ChainDiscovery(pairs=len(distinct), candidates=(), is_complete=not clock.is_over)


def chains_both_ways(
    one: str, other: str, *, least: float = MIN_EVIDENCE_BITS
) -> tuple[ChainDiscovery, ChainDiscovery]:
    """The chains from ``one`` to ``other``, two texts of a card, and those from ``other`` to ``one``.

    All have ``least`` bits of evidence, and more where the texts look like those of two cards of one box.

    >>> forward, backward = chains_both_ways("45678", "123,45678")
    >>> forward, len(backward.candidates)
    (<ChainDiscovery: nothing found in 1 pair>, 1)
    """
    source, target = PairSide([one]), PairSide([other])
    least = max(least, neighbour_evidence(source.series, target.series))
    return _chain_of_pair(source, target, least), _chain_of_pair(target, source, least)


def _chain_of_pair(source: PairSide, target: PairSide, least: float) -> ChainDiscovery:
    pairs = [(source.texts[0], target.texts[0])]
    found = _fitting((source, target), pairs, 0, least, Clock())
    return _build_discovery(pairs, pairs, found, is_complete=True) if found else ChainDiscovery(pairs=1, candidates=())


def _checked_pairs(pairs: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """The pairs without blanks around their texts; raises `DefinitionError` for what are none."""
    given = list(islice(pairs, MOST_PAIRS + 1)) if isinstance(pairs, Iterable) and not isinstance(pairs, str) else []
    if not 1 <= len(given) <= MOST_PAIRS or not all(
        isinstance(pair, Sequence)
        and not isinstance(pair, str)
        and len(pair) == 2
        and all(isinstance(text, str) for text in pair)
        for pair in given
    ):
        raise DefinitionError(
            f"discover chain: 1 to {MOST_PAIRS:,} pairs of texts are needed, not {redacted_repr(pairs)}"
        )
    found = [(one.strip(BLANKS), other.strip(BLANKS)) for one, other in given]
    if empty := next((place for place, pair in enumerate(found, 1) if not all(pair)), None):
        raise DefinitionError(f"discover chain: pair {empty} has an empty text, expected one from each reader")
    return found


def _tolerated(count: int) -> int:
    """How many of ``count`` pairs may be mistyped."""
    return 0 if count < FEWEST_PAIRS_WITH_MISTAKES else max(1, int(count * MISTYPED_SHARE))


def _spread(pairs: Sequence[tuple[str, str]], count: int) -> list[tuple[str, str]]:
    """Pairs from the first to the last, evenly."""
    if len(pairs) <= count:
        return list(pairs)
    return [pairs[place * (len(pairs) - 1) // (count - 1)] for place in range(count)]


def _samples(pairs: Sequence[tuple[str, str]], tolerated: int) -> Iterator[list[tuple[str, str]]]:
    """Samples to search: spread over all pairs; then, for mistyped ones, samples that have no pair in common."""
    yield _spread(pairs, SEED_PAIRS)
    if not tolerated:
        return
    if len(pairs) <= 2 * SEED_PAIRS:
        for place in range(len(pairs)):
            yield _spread([*pairs[:place], *pairs[place + 1 :]], SEED_PAIRS)
    else:
        step = len(pairs) // RESCUE_PAIRS
        for place in range(min(step, tolerated + 1)):
            yield [pairs[place + step * turn] for turn in range(RESCUE_PAIRS)]


Fitting = list[tuple[Hypothesis, frozenset[int]]]


def _sides(sample: Sequence[tuple[str, str]]) -> tuple[PairSide, PairSide]:
    firsts, seconds = zip(*sample, strict=True)
    return PairSide(firsts), PairSide(seconds)


def _search(
    sides: tuple[PairSide, PairSide], pairs: Sequence[tuple[str, str]], tolerated: int, clock: Clock
) -> Fitting:
    """The hypotheses of a sample that map the pairs, with the places of those they do not, the best founded first.

    ``sides`` are the first and the second texts of the sample.
    """
    return _fitting(sides, pairs, tolerated, _least_evidence(sides, pairs), clock)


def _least_evidence(sides: tuple[PairSide, PairSide], pairs: Sequence[tuple[str, str]]) -> float:
    """The evidence, in bits, that a chain needs."""
    counts_up = len(pairs) > 1 and max(map(spread_bits, zip(*pairs, strict=True))) <= COUNTED_BITS
    least = MIN_EVIDENCE_BITS + COUNTED_BITS * counts_up
    if len(pairs) == 1:
        least = max(least, neighbour_evidence(*(side.series for side in sides)))
    return least


def _fitting(
    sides: tuple[PairSide, PairSide], pairs: Sequence[tuple[str, str]], tolerated: int, least: float, clock: Clock
) -> Fitting:
    """The hypotheses with at least so much evidence that map the pairs, the best founded first."""
    source, target = sides
    best: dict[ChainTexts, Hypothesis] = {}
    for tried, each in enumerate(hypotheses(source, target, least)):
        clock.show("searching for chains", tried)
        if clock.is_over:
            break
        if each.evidence >= least and (each.texts not in best or best[each.texts].size > each.size):
            best[each.texts] = each
    ranked = sorted(best.values(), key=lambda each: (round(each.size, 3), len("".join(each.texts)), each.texts))
    found: Fitting = []
    ranked = ranked[:MOST_HYPOTHESES]
    decoded: list[dict[str, Sequence[Any]]] = [{} for _ in range(0, len(pairs), PAIRS_AT_ONCE)]
    for tried, each in enumerate(ranked):
        clock.show("trying the chains on all pairs", tried, len(ranked))
        if clock.is_over or (found and each.size > found[0][0].size + MOST_BITS_BEHIND):
            break
        wrong = _misfits(each.texts, pairs, tolerated, decoded)
        if wrong is not None:
            doubt = log2(comb(len(pairs), len(wrong)))  # which pairs are wrong may be chosen, too
            if doubt and len(pairs) > len(source.texts) + len(wrong):  # pairs outside of the sample speak against it
                fitting = [other for place, (_, other) in enumerate(pairs) if place not in wrong]
                doubt = max(0.0, doubt - spread_bits(fitting[len(source.texts) - 1 :]))
            if each.evidence - doubt >= least:
                found.append((each._replace(cost=each.cost + doubt), wrong))
    fewest = min((len(wrong) for _, wrong in found), default=0)
    return [(each, wrong) for each, wrong in found if len(wrong) == fewest]


def _misfits(
    texts: ChainTexts, pairs: Sequence[tuple[str, str]], tolerated: int, decoded: Sequence[dict[str, Sequence[Any]]]
) -> frozenset[int] | None:
    """The places of the pairs that the chains do not map; None where more than are ``tolerated``.

    ``decoded`` keeps what sources read in each piece of the pairs.
    """
    wrong: set[int] = set()
    for start, kept in zip(range(0, len(pairs), PAIRS_AT_ONCE), decoded, strict=True):
        some = pairs[start : start + PAIRS_AT_ONCE]
        given = answers(texts, [one for one, _ in some], kept)
        wrong |= {start + place for place, (_, other) in enumerate(some) if given[place] != other}
        if len(wrong) > tolerated:
            return None
    return frozenset(wrong)


def _plainness(each: Hypothesis) -> tuple[float, int, int]:
    """Sorts the plainest chains first."""
    text = "/".join(each.texts)
    return (round(each.size, 3), text.count("/"), len(text))


def _build_discovery(
    given: Sequence[tuple[str, str]], pairs: Sequence[tuple[str, str]], found: Fitting, *, is_complete: bool
) -> ChainDiscovery:
    wrong = found[0][1]
    found = [row for row in found if row[1] == wrong]
    firsts = [one for place, (one, _) in enumerate(pairs) if place not in wrong]
    frames = list(dict.fromkeys(each.frame for each, _ in found if each.frame))
    probes = probe_texts(firsts, frames)
    decoded: dict[str, Sequence[Any]] = {}
    groups: list[tuple[list[Hypothesis], Answers]] = []
    for each, _ in found:
        given_answers = answers(each.texts, probes, decoded)
        home = next((group for group in groups if agree(group[1], given_answers)), None)
        if home:
            home[0].append(each)
        else:
            groups.append(([each], given_answers))
    groups = groups[:MOST_CANDIDATES]
    weights = [2 ** (groups[0][0][0].size - members[0].size) for members, _ in groups]
    candidates = tuple(
        ChainCandidate(
            chains=tuple(each.texts for each in sorted(members, key=_plainness)),
            agreement=members[0].agreement,
            cost=members[0].cost,
            size=members[0].size,
            share=weight / sum(weights),
        )
        for (members, _), weight in zip(groups, weights, strict=True)
    )
    chosen = most_separating(probes, [row for _, row in groups], weights)
    next_card = None
    if chosen:
        place = probes.index(chosen.text)
        next_card = SeparatingCard(
            text=chosen.text, answers=tuple(row[place] for _, row in groups), information=chosen.information
        )
    mistyped = [
        MistypedPair(place=place, first=one, second=other, expected=answers(candidates[0].chains[0], [one])[0])
        for place, (one, other) in enumerate(given)
        if (one, other) in {pairs[spot] for spot in wrong}
    ]
    return ChainDiscovery(
        pairs=len(pairs),
        candidates=candidates,
        mistyped=tuple(mistyped),
        next_card=next_card,
        is_complete=is_complete,
        example=next(pair for place, pair in enumerate(pairs) if place not in wrong),
    )

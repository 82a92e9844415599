"""Readers that were re-set without anybody saying so, or that emit another chain than is declared altogether.

Each chain that a reader may emit instead (`credkit.work.other_chains`) decodes the different texts of one
declared period. In the order of time a reading counts +1 where the other chain gives a known credential and the
declared one does not, -1 the other way round, and 0 where both do or neither; a card that is tried again and again
counts once. The neighbours with the largest sum are the stretch in which the reader emits the other chain.

A chain is claimed only beyond chance: it explains at least `LEAST_NUMBERS` numbers and half of what fails in its
stretch, and so many accidents are less likely than `FALSE_CLAIM_PROBABILITY`, all that was tried considered.

Where no chain explains them, failures from a moment on are a finding of their own, if their rate changes beyond chance.

Source: Ville's inequality for likelihood ratios (from memory).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from math import log
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from credkit.core.codec import AnyCodec
from credkit.crosswalk.chain_trials import LEAST_NUMBERS, ChainTrials, Places, Trial, has_form
from credkit.crosswalk.known_numbers import KnownNumbers
from credkit.crosswalk.stretches import find_largest_rounded_sum, find_largest_sum
from credkit.facts.chances import binomial_tail
from credkit.facts.numbers import NO_NUMBER
from credkit.files.times import EPOCH, MICROSECOND
from credkit.site.model import CredentialKind
from credkit.work.other_chains import OtherChain

FALSE_CLAIM_PROBABILITY = 1e-6  # of a chain that is claimed by accident, for one reader
LEAST_SHARE = 0.5  # of what fails in its stretch that a chain must explain
NEARLY = 0.9  # of the best gain: such a chain is preferred if it only checks more
MOST_BEYOND = 0.1  # of what is explained that may be on the wrong side of the times that are named
LEAST_SHARE_MIXED = 0.25  # of all that fails, where failures have no time of their own
MOST_STRETCHES = 4  # of one reader and period
FAILING_SHARE = 0.9  # of readings, in a stretch that fails from a moment on
LEAST_FAILING_TEXTS = 6  # in it
MOST_GAIN_OF_ONE_CARD = 3.0  # nats
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TimedTexts:
    """The readings of one period of a reader in the order of time, as columns.

    ``texts`` are the different texts, ``numbers`` the places of the known numbers that they are as they stand, or
    `NO_NUMBER`; ``is_other_issue`` says that the number is a card's but for its issue. For each reading ``text`` has
    the place of its text in ``texts``, ``moments`` its true time in microseconds since 1970 (UTC), ``rows`` how many
    rows it stands for. ``expected`` has the credential that the desk expected, by reading, where it expected one.

    >>> seen = TimedTexts(
    ...     texts=pl.Series(["02F764DD", "02F764DF"]), numbers=np.array([0, NO_NUMBER]),
    ...     is_other_issue=np.array([False, False]),
    ...     text=np.array([0, 1, 0]), moments=np.array([0, 1_500_000, 3_000_000]), rows=np.array([1, 1, 1]),
    ... )
    >>> len(seen), seen.text_of(2), seen.moment_of(1).isoformat()
    (3, '02F764DD', '1970-01-01T00:00:01.500000+00:00')
    >>> seen.is_new(np.array([0, 1, 2])).tolist(), seen.different_texts(np.array([1, 2])).tolist()
    ([True, True, False], [1, 0])
    """

    texts: pl.Series
    numbers: Places
    is_other_issue: Mask
    text: NDArray[np.int64]
    moments: NDArray[np.int64]
    rows: NDArray[np.int64]
    expected: Mapping[int, str] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.text)

    def text_of(self, place: int) -> str:
        """The text of a reading."""
        found: str = self.texts[int(self.text[place])]
        return found

    def moment_of(self, place: int) -> datetime:
        """The true time of a reading, in UTC."""
        return EPOCH + int(self.moments[place]) * MICROSECOND

    def different_texts(self, places: Places) -> Places:
        """The different texts of readings at ``places``, in the order of these."""
        found: Places = self.text[places[self.is_new(places)]]
        return found

    def is_new(self, places: Places) -> Mask:
        """Which of the readings at ``places`` have a text that none before them there has."""
        texts, order = self.text[places], np.arange(len(places))
        first = np.empty(len(self.texts), np.int64)
        first[texts[::-1]] = order[::-1]
        is_new: Mask = first[texts] == order
        return is_new


class Explanation(NamedTuple):
    """What other chains make of a text: the credentials, by chain."""

    text: str
    credentials: tuple[tuple[OtherChain, tuple[str, ...]], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reset:
    """Readings from ``since`` until ``until`` that other chains explain, all equally well.

    ``places`` (in the order of time) are the readings that they explain, ``which`` of the ``explanations`` is that of
    each. Of the ``doubtful`` texts (their places among the different ones) the declared chain gives a known credential,
    but they give another. ``since`` is None where no good reading comes before, ``until`` where none comes after;
    ``last_good`` is the last good reading before. ``mixed`` says that good readings stand among the others all along.
    """

    chains: tuple[OtherChain, ...]
    places: Places
    which: NDArray[np.int64]
    explanations: Sequence[Explanation]
    doubtful: Places
    since: datetime | None
    until: datetime | None
    last_good: datetime | None
    failing: int
    mixed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FailingStretch:
    """Readings at ``places`` that fail since a moment, until another (None: to the last), and that no chain explains.

    ``failing`` of ``total`` rows fail; ``tried`` is how many chains were tried.
    """

    since: datetime
    until: datetime | None
    last_good: datetime
    places: Places
    failing: int
    total: int
    tried: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ResetSearch:
    """What was found in one period of a reader."""

    resets: tuple[Reset, ...] = ()
    failing: FailingStretch | None = None


def find_resets(
    declared: AnyCodec, kind: CredentialKind, seen: TimedTexts, known: KnownNumbers, others: Sequence[AnyCodec]
) -> ResetSearch:
    """The stretches of the readings in ``seen`` that another chain than the ``declared`` one explains.

    ``known`` are the numbers of the kind, ``others`` the chains of the other readers.
    """
    return _Search(declared, kind, seen, known, others).run()


class _Claim(NamedTuple):
    """The gain of a group of chains that read alike, and the places of its stretch."""

    gain: int
    group: list[Trial]
    places: Places


class _Search:
    """One search: what each text is as it stands, and what the chains that were tried make of it."""

    def __init__(
        self, declared: AnyCodec, kind: CredentialKind, seen: TimedTexts, known: KnownNumbers,
        others: Sequence[AnyCodec],
    ) -> None:  # fmt: skip
        self.declared, self.seen, self.known = declared, seen, known
        self.all, self.everything = np.arange(len(seen)), range(len(seen))
        ids: Collection[str] = known.all_credentials if seen.expected else ()
        self.expected = {place: expected for place, expected in seen.expected.items() if expected in ids}
        self.asked = np.array(list(self.expected), np.int64)
        self.good = self._names_expected(seen.numbers)
        self.good |= seen.is_other_issue[seen.text]
        self.counts = np.diff(seen.text, prepend=-1) != 0
        failing, resolved = (seen.different_texts(np.flatnonzero(some)) for some in (~self.good, self.good))
        self.failing_texts = failing
        self.trials = ChainTrials(declared, kind, known, others, seen.texts, failing, resolved)
        self._explained_by: dict[Trial, Mask] = {}

    def run(self) -> ResetSearch:
        """Find the stretches, the best first, and then what fails without a chain that explains it."""
        if len(self.failing_texts) < LEAST_NUMBERS:
            return ResetSearch()
        groups = self.trials.run(self._densest_failing_texts())
        left = self.all
        found: list[Reset] = []
        while groups and len(found) < MOST_STRETCHES and (best := self._best_stretch(groups, left)):
            stretch, reset = best
            found.append(reset)
            left = left[(left < stretch.start) | (left >= stretch.stop)]
        everywhere = self._explain_all(groups)
        explained = sum(len(reset.places) for reset in found)
        if explained < LEAST_SHARE * len(self._places_explained(everywhere, self.everything)):
            mixed = self._describe(everywhere, self.everything)
            return ResetSearch(resets=(replace(mixed, since=None, until=None, last_good=None, mixed=True),))
        failing = self._find_failing_stretch(left) if not found else None
        return ResetSearch(resets=tuple(sorted(found, key=lambda reset: reset.places[0])), failing=failing)

    def _names_expected(self, numbers: NDArray[Any]) -> Mask:
        """By reading: whether it is a known one of ``numbers``, and the expected card's where the desk named one."""
        found: Mask = numbers[self.seen.text] != NO_NUMBER
        asked = self.asked[found[self.asked]]
        for place, them in zip(asked.tolist(), self.known.credentials(numbers[self.seen.text[asked]]), strict=True):
            found[place] = self.expected[place] in them
        return found

    def _densest_failing_texts(self) -> Places:
        """The different failing texts of the neighbours that fail most."""
        start, stop, _ = find_largest_sum(np.where(self.good, -1, 1) * self.counts)
        return self.seen.different_texts(start + np.flatnonzero(~self.good[start:stop]))

    def _explains(self, trial: Trial) -> Mask:
        """By reading: whether the chain gives what it should."""
        if trial not in self._explained_by:
            self._explained_by[trial] = self._names_expected(trial.numbers)
        return self._explained_by[trial]

    def _gains(self, trial: Trial) -> NDArray[np.int8]:
        """By reading: +1 where the chain explains it and the declared one does not, -1 the other way round."""
        gains: NDArray[np.int8] = (self._explains(trial).astype(np.int8) - self.good) * self.counts
        return gains

    def _best_stretch(self, groups: Sequence[list[Trial]], left: Places) -> tuple[range, Reset] | None:
        """The stretch of what is ``left`` that chains explain best, beyond chance, with all that explain it so well."""
        claims = []
        for group in groups:
            start, stop, gain = find_largest_sum(self._gains(group[0])[left])
            if gain < LEAST_NUMBERS:
                continue
            # the last text once more belongs to the stretch, though it adds no evidence
            ends = np.flatnonzero(self.counts[left[stop:]] | (np.diff(left[stop - 1 :]) != 1))
            stop = stop + int(ends[0]) if len(ends) else len(left)
            if self._is_beyond_chance(group[0], left[start:stop], LEAST_SHARE):
                claims.append(_Claim(gain, group, left[start:stop]))
        if not claims:
            return None
        best = max(claims, key=lambda claim: claim.gain)
        stricter = [claim for claim in claims if best.gain > claim.gain >= NEARLY * best.gain]
        stricter = [claim for claim in stricter if self._is_stricter(claim.group[0], best.group[0], best.places)]
        gain = max((claim.gain for claim in stricter), default=best.gain)
        equal = self._sharpest([claim for claim in stricter or claims if claim.gain == gain])
        span = range(int(equal[0].places[0]), int(equal[0].places[-1]) + 1)
        return span, self._describe(_different([claim.group for claim in equal]), span)

    def _sharpest(self, claims: Sequence[_Claim]) -> list[_Claim]:
        """Those of equal ``claims`` that explain least of the good readings: what reads either form tells no time."""
        shared = [np.count_nonzero(self._explains(claim.group[0]) & self.good) for claim in claims]
        most = min(shared) + MOST_BEYOND * np.count_nonzero(self.good)
        return [claim for claim, count in zip(claims, shared, strict=True) if count <= most]

    def _is_stricter(self, one: Trial, other: Trial, places: Places) -> bool:
        """Whether all that only the ``other`` chain explains fails a check of ``one``, which has fewer freedoms."""
        more = places[(self._gains(other)[places] > 0) & (self._gains(one)[places] <= 0)]
        return all(
            has_form(one.other.codec, text)
            for text in self.seen.texts.gather(self.seen.different_texts(more)).to_list()
        )

    def _is_beyond_chance(self, trial: Trial, places: Places, share: float) -> bool:
        """Whether a chain explains so many numbers at ``places`` by no accident, and such a share of what fails."""
        explained = self.seen.different_texts(places[self._gains(trial)[places] > 0])
        failing = len(self.seen.different_texts(places[~self.good[places]]))
        hits = min(len(explained), len(np.unique(trial.numbers[explained])))
        if hits < LEAST_NUMBERS or len(explained) < share * failing:
            return False
        stretches = len(self.failing_texts) * (len(self.failing_texts) + 1) / 2
        chance = min(
            binomial_tail(hits, len(self.failing_texts), trial.accident),
            binomial_tail(hits, failing, trial.accident) * stretches,
        )
        return chance * trial.other.tried < FALSE_CLAIM_PROBABILITY

    def _explain_all(self, groups: Sequence[list[Trial]]) -> list[Trial]:
        """The chains that explain most of all readings, though good ones may stand among them all along; or none."""
        fit = [group for group in groups if self._is_beyond_chance(group[0], self.all, LEAST_SHARE_MIXED)]
        counts = [np.count_nonzero(self._gains(group[0]) > 0) for group in fit]
        most = max(counts, default=0)
        return _different([group for group, count in zip(fit, counts, strict=True) if count == most])

    def _places_explained(self, named: Sequence[Trial], within: range) -> Places:
        """The failing readings ``within`` that one of the chains explains."""
        span = slice(within.start, within.stop)
        hits = np.zeros(len(within), bool)
        for trial in named:
            hits |= self._explains(trial)[span]
        return within.start + np.flatnonzero(hits & ~self.good[span])

    def _describe(self, named: Sequence[Trial], within: range) -> Reset:
        """The finding on the readings ``within``, which the ``named`` chains explain equally well."""
        seen, end = self.seen, len(self.seen)
        places = self._places_explained(named, within)
        which, explanations = self._explain(places, named)
        first, last = int(places[0]), int(places[-1])
        while first and self._has_new_form(first - 1, named):
            first -= 1
        against = self.good.copy()
        for trial in named:
            against &= ~self._explains(trial) | trial.agrees
        accidents = 2 * np.count_nonzero(against[first : last + 1]) / (last + 1 - first)
        before, after = np.flatnonzero(against[:first]), last + 1 + np.flatnonzero(against[last + 1 :])
        since = first if len(before) > accidents * first else None
        until = int(after[0]) if len(after) > accidents * (end - 1 - last) else None
        beyond = 0 if until is None else np.count_nonzero(seen.moments[places] >= seen.moments[until])
        beyond += 0 if since is None else np.count_nonzero(seen.moments[before] >= seen.moments[since])
        mixed = bool(beyond > MOST_BEYOND * len(places))  # the times of the readings cannot tell them apart
        since, until = (None, None) if mixed else (since, until)
        span = slice(0 if since is None else since, end if until is None else until)
        return Reset(
            chains=tuple(trial.other for trial in named), places=places, which=which, explanations=explanations,
            doubtful=self._doubtful_texts(np.unique(seen.text[span]), named),
            since=None if since is None else seen.moment_of(since),
            until=None if until is None else seen.moment_of(until),
            last_good=None if since is None else seen.moment_of(before[-1]), mixed=mixed,
            failing=int(seen.rows[span][~self.good[span]].sum()),
        )  # fmt: skip

    def _explain(self, places: Places, named: Sequence[Trial]) -> tuple[NDArray[np.int64], list[Explanation]]:
        """The explanations of readings at ``places``, in the order of these, and which of them each reading has.

        One serves all readings of a text but those of which the desk named a card.
        """
        expected = np.isin(places, self.asked)
        _, first, which = np.unique(
            np.where(expected, len(self.seen.texts) + places, self.seen.text[places]),
            return_index=True, return_inverse=True,
        )  # fmt: skip
        order = np.argsort(first)
        samples = places[first[order]]
        texts = self.seen.text[samples]
        found: list[list[tuple[OtherChain, tuple[str, ...]]]] = [[] for _ in samples]
        for trial in named:
            hits = np.flatnonzero(self._explains(trial)[samples])
            for place, them in zip(hits.tolist(), self.known.credentials(trial.numbers[texts[hits]]), strict=True):
                found[place].append((trial.other, them))
        explanations = [
            Explanation(text, tuple(each))
            for text, each in zip(self.seen.texts.gather(texts).to_list(), found, strict=True)
        ]
        return np.argsort(order)[which], explanations

    def _doubtful_texts(self, texts: Places, named: Sequence[Trial]) -> Places:
        """Those of ``texts`` of which the declared chain gives a known credential, and the others another one."""
        texts = texts[self.seen.numbers[texts] != NO_NUMBER]
        declared, found = self.seen.numbers[texts], np.zeros(len(texts), bool)
        for trial in named:
            numbers = trial.numbers[texts]
            differing = np.flatnonzero((numbers != NO_NUMBER) & (numbers != self.trials.declared_numbers[texts]))
            both = (self.known.credentials(each[differing]) for each in (numbers, declared))
            for place, them, as_declared in zip(differing.tolist(), *both, strict=True):
                found[place] |= them != as_declared
        return texts[found]

    def _has_new_form(self, place: int, named: Sequence[Trial]) -> bool:
        """Whether a reading is a number of nobody that only the other chains read."""
        text = self.seen.text_of(place)
        return (
            not self.good[place]
            and self.declared._decode_raw(text) is None
            and all(trial.other.codec._decode_raw(text) is not None for trial in named)
        )

    def _find_failing_stretch(self, left: Places) -> FailingStretch | None:
        """The stretch that fails from a moment on: its rate changes beyond chance, each failing text counted once."""
        seen, good = self.seen, self.good
        items = left[good[left] | seen.is_new(left)]
        fails = ~good[items]
        start, stop = find_largest_rounded_sum(_rate_gains(fails, 1 - FAILING_SHARE))
        inside, outside = fails[start:stop], np.concatenate((fails[:start], fails[stop:]))
        rate = (np.count_nonzero(outside) + 1) / (len(outside) + 2)
        gain = sum(_rate_gains(inside, rate).tolist())
        if (
            np.count_nonzero(inside) < LEAST_FAILING_TEXTS
            or np.count_nonzero(~fails[:start]) < LEAST_FAILING_TEXTS
            or gain <= log(len(items) ** 2 / FALSE_CLAIM_PROBABILITY)
        ):
            return None
        first, last = int(items[start]), int(items[stop - 1])
        after = last + 1 + np.flatnonzero(good[last + 1 :])[:1]
        span = slice(first, int(after[0]) if len(after) else len(seen))
        places = first + np.flatnonzero(~good[span])
        return FailingStretch(
            since=seen.moment_of(first), until=seen.moment_of(span.stop) if len(after) else None,
            last_good=seen.moment_of(np.flatnonzero(good[:first])[-1]), places=places,
            failing=int(seen.rows[places].sum()), total=int(seen.rows[span].sum()), tried=self.trials.tried,
        )  # fmt: skip


def _different(groups: Sequence[list[Trial]]) -> list[Trial]:
    """Of chains that read alike: those that the site has, though not both of a pair; or the first searched one."""
    found = []
    for group in groups:
        causes: list[str] = []
        for trial in group[: 1 if group[0].other.searched else None]:
            cause = trial.other.cause
            if not any(cause.startswith(f"{other}-") for other in causes):
                causes += [cause] if cause else []
                found.append(trial)
    return found


def _rate_gains(fails: Mask, rate: float) -> NDArray[np.float64]:
    """By how much, in nats, each reading speaks for `FAILING_SHARE` and against ``rate``."""
    gains = log(FAILING_SHARE / rate), log((1 - FAILING_SHARE) / (1 - rate))
    return np.where(fails, *(min(gain, MOST_GAIN_OF_ONE_CARD) for gain in gains))

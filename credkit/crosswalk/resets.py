"""Readers that were re-set without anybody saying so, or that emit another chain than is declared altogether.

Each chain that a reader may emit instead (`credkit.crosswalk.other_chains`) decodes the different texts of one
declared period. In the order of time a reading counts +1 where the other chain gives a known credential and the
declared one does not, -1 the other way round, and 0 where both do or neither; a card that is tried again and again
counts once. The neighbours with the largest sum are the stretch in which the reader emits the other chain.

A chain is claimed only beyond chance: it explains at least `LEAST_NUMBERS` numbers and half of what fails in its
stretch, and so many accidents are less likely than `FALSE_CLAIM_PROBABILITY`, all that was tried considered.

Where no chain explains them, failures from a moment on are a finding of their own, if their rate changes beyond chance.

Source: Ville's inequality for likelihood ratios (from memory); the largest sum of neighbours, general arithmetic.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import log
from typing import NamedTuple

from credkit.core.codec import AnyCodec
from credkit.crosswalk.chain_trials import LEAST_NUMBERS, ChainTrials, Owners, Trial, has_form
from credkit.crosswalk.other_chains import OtherChain
from credkit.facts.chances import binomial_tail
from credkit.site.model import CredentialKind

FALSE_CLAIM_PROBABILITY = 1e-6  # of a chain that is claimed by accident, for one reader
LEAST_SHARE = 0.5  # of what fails in its stretch that a chain must explain
NEARLY = 0.9  # of the best gain: such a chain is preferred if it only checks more
MOST_BEYOND = 0.1  # of what is explained that may be on the wrong side of the times that are named
LEAST_SHARE_MIXED = 0.25  # of all that fails, where failures have no time of their own
MOST_STRETCHES = 4  # of one reader and period
FAILING_SHARE = 0.9  # of readings, in a stretch that fails from a moment on
LEAST_FAILING_TEXTS = 6  # in it
MOST_GAIN_OF_ONE_CARD = 3.0  # nats


class TimedText(NamedTuple):
    """A text of a reader at the true time ``moment``, and the credentials whose number it is as it stands.

    ``expected`` is the credential that the desk expected, ``rows`` how many rows it stands for; ``is_other_issue`` says
    that the number is a card's but for its issue.
    """

    moment: datetime
    text: str
    credentials: tuple[str, ...] = ()
    rows: int = 1
    expected: str = ""
    is_other_issue: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Reset:
    """Readings from ``start`` to ``stop`` (places in the order of time) that other chains explain, all equally well.

    ``explained`` are the places that they explain, with the credentials by chain; at the ``doubtful`` ones the declared
    chain gives a known credential, but they give another. ``since`` is None where no good
    reading comes before, ``until`` where none comes after; ``last_good`` is the last good reading before.
    ``mixed`` says that good readings stand among the others all along.
    """

    chains: tuple[OtherChain, ...]
    explained: Mapping[int, tuple[tuple[OtherChain, tuple[str, ...]], ...]]
    doubtful: tuple[int, ...]
    since: datetime | None
    until: datetime | None
    last_good: datetime | None
    failing: int
    mixed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FailingStretch:
    """Readings at ``places`` that fail since a moment, until another (None: to the last), and that no chain explains.

    ``failing`` of ``total`` rows fail; ``tried`` is how many chains were tried.
    """

    since: datetime
    until: datetime | None
    last_good: datetime
    places: tuple[int, ...]
    failing: int
    total: int
    tried: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ResetSearch:
    """What was found in one period of a reader."""

    resets: tuple[Reset, ...] = ()
    failing: FailingStretch | None = None


def find_resets(
    declared: AnyCodec, kind: CredentialKind, readings: Sequence[TimedText], owners: Owners,
    others: Sequence[AnyCodec],
) -> ResetSearch:  # fmt: skip
    """The stretches of ``readings``, in the order of time, that another chain than the ``declared`` one explains.

    ``owners`` are the credentials of each number of the kind, ``others`` the chains of the other readers.
    """
    return _Search(declared, kind, readings, owners, others).run()


class _Claim(NamedTuple):
    """The gain of a group of chains that read alike, and the places of its stretch."""

    gain: float
    group: list[Trial]
    places: Sequence[int]


class _Search:
    """One search: what each text is as it stands, and what the chains that were tried make of it."""

    def __init__(
        self, declared: AnyCodec, kind: CredentialKind, readings: Sequence[TimedText],
        owners: Owners, others: Sequence[AnyCodec],
    ) -> None:  # fmt: skip
        self.declared, self.kind, self.readings, self.owners, self.others = declared, kind, readings, owners, others
        self.ids = {credential for credentials in owners.values() for credential in credentials}
        self.good = [each.is_other_issue or self._names(each, each.credentials) for each in readings]
        self.counts = [place == 0 or reading.text != readings[place - 1].text for place, reading in enumerate(readings)]
        self.failing = list(
            dict.fromkeys(each.text for each, good in zip(readings, self.good, strict=True) if not good)
        )
        self.resolved = list(dict.fromkeys(each.text for each, good in zip(readings, self.good, strict=True) if good))

    def _names(self, reading: TimedText, credentials: Sequence[str]) -> bool:
        """Whether ``credentials`` are what a reading should give: the expected one, where the desk named one."""
        return reading.expected in credentials if reading.expected in self.ids else bool(credentials)

    def run(self) -> ResetSearch:
        """Find the stretches, the best first, and then what fails without a chain that explains it."""
        if len(self.failing) < LEAST_NUMBERS:
            return ResetSearch()
        trials = ChainTrials(self.declared, self.kind, self.owners, self.others, self.failing, self.resolved)
        groups = trials.run(self._densest_failing_texts())
        self.tried = trials.tried
        left = list(range(len(self.readings)))
        found: list[Reset] = []
        while groups and len(found) < MOST_STRETCHES and (best := self._best_stretch(groups, left)):
            stretch, reset = best
            found.append(reset)
            left = [place for place in left if place not in stretch]
        if groups and (mixed := self._mixed(groups)):
            explained = sum(len(reset.explained) for reset in found)
            if explained < LEAST_SHARE * len(mixed.explained):
                return ResetSearch(resets=(mixed,))
        failing = self._find_failing_stretch(left) if not found else None
        return ResetSearch(resets=tuple(sorted(found, key=lambda reset: min(reset.explained))), failing=failing)

    def _densest_failing_texts(self) -> list[str]:
        """The different failing texts of the neighbours that fail most."""
        gains = [(-1 if good else 1) * counts for good, counts in zip(self.good, self.counts, strict=True)]
        start, stop, _ = _largest_sum(gains)
        inside = zip(self.readings[start:stop], self.good[start:stop], strict=True)
        return list(dict.fromkeys(each.text for each, good in inside if not good))

    def _gain(self, trial: Trial, place: int) -> int:
        """+1 where the chain explains a reading and the declared one does not, -1 the other way round."""
        return self._explains(trial, place) - self.good[place] if self.counts[place] else 0

    def _explains(self, trial: Trial, place: int) -> bool:
        number = trial.numbers.get(self.readings[place].text)
        return number is not None and self._names(self.readings[place], self.owners[number])

    def _best_stretch(self, groups: Sequence[list[Trial]], left: Sequence[int]) -> tuple[range, Reset] | None:
        """The stretch of what is ``left`` that chains explain best, beyond chance, with all that explain it so well."""
        claims = []
        for group in groups:
            start, stop, gain = _largest_sum([self._gain(group[0], place) for place in left])
            while stop < len(left) and left[stop] == left[stop - 1] + 1 and not self.counts[left[stop]]:
                stop += 1  # the last text once more: it belongs to the stretch, though it adds no evidence
            if gain >= LEAST_NUMBERS and self._is_beyond_chance(group[0], left[start:stop], LEAST_SHARE):
                claims.append(_Claim(gain, group, left[start:stop]))
        if not claims:
            return None
        best = max(claims, key=lambda claim: claim.gain)
        stricter = [claim for claim in claims if best.gain > claim.gain >= NEARLY * best.gain]
        stricter = [claim for claim in stricter if self._is_stricter(claim.group[0], best.group[0], best.places)]
        gain = max((claim.gain for claim in stricter), default=best.gain)
        equal = self._sharpest([claim for claim in stricter or claims if claim.gain == gain])
        places = equal[0].places
        return range(places[0], places[-1] + 1), self._describe([claim.group for claim in equal], places)

    def _sharpest(self, claims: Sequence[_Claim]) -> list[_Claim]:
        """Those of equal ``claims`` that explain least of the good readings: what reads either form tells no time."""
        good = [place for place in range(len(self.readings)) if self.good[place]]
        shared = [sum(self._explains(claim.group[0], place) for place in good) for claim in claims]
        most = min(shared) + MOST_BEYOND * len(good)
        return [claim for claim, count in zip(claims, shared, strict=True) if count <= most]

    def _is_stricter(self, one: Trial, other: Trial, places: Sequence[int]) -> bool:
        """Whether all that only the ``other`` chain explains fails a check of ``one``, which has fewer freedoms."""
        more = [place for place in places if self._gain(other, place) > 0 >= self._gain(one, place)]
        return all(has_form(one.other.codec, self.readings[place].text) for place in more)

    def _is_beyond_chance(self, trial: Trial, places: Sequence[int], share: float) -> bool:
        """Whether a chain explains so many numbers at ``places`` by no accident, and such a share of what fails."""
        explained = {self.readings[place].text for place in places if self._gain(trial, place) > 0}
        failing = {self.readings[place].text for place in places if not self.good[place]}
        hits = min(len(explained), len({trial.numbers[text] for text in explained}))
        if hits < LEAST_NUMBERS or len(explained) < share * len(failing):
            return False
        stretches = len(self.failing) * (len(self.failing) + 1) / 2
        chance = min(
            binomial_tail(hits, len(self.failing), trial.accident),
            binomial_tail(hits, len(failing), trial.accident) * stretches,
        )
        return chance * trial.other.tried < FALSE_CLAIM_PROBABILITY

    def _mixed(self, groups: Sequence[list[Trial]]) -> Reset | None:
        """What chains explain of all readings, if good ones stand among them all along."""
        places = range(len(self.readings))
        counts = [sum(self._gain(group[0], place) > 0 for place in places) for group in groups]
        fit = [
            (count, group)
            for count, group in zip(counts, groups, strict=True)
            if self._is_beyond_chance(group[0], places, LEAST_SHARE_MIXED)
        ]
        if not fit:
            return None
        most = max(count for count, _ in fit)
        return replace(
            self._describe([group for count, group in fit if count == most], places),
            since=None, until=None, last_good=None, mixed=True,
        )  # fmt: skip

    def _describe(self, groups: Sequence[list[Trial]], places: Sequence[int]) -> Reset:
        """The finding on ``places``, which the chains of all ``groups`` explain equally well."""
        named = [trial for group in groups for trial in _different(group)]
        explained = {}
        for place in range(places[0], places[-1] + 1):
            hits = [(trial, self._explains(trial, place)) for trial in named]
            if not self.good[place] and any(hit for _, hit in hits):
                explained[place] = tuple(
                    (trial.other, self.owners[trial.numbers[self.readings[place].text]]) for trial, hit in hits if hit
                )
        first, last = min(explained), max(explained)
        while first and self._has_new_form(first - 1, named):
            first -= 1
        against = [
            good and not any(self._explains(trial, place) and not trial.agrees for trial in named)
            for place, good in enumerate(self.good)
        ]
        accidents = 2 * sum(against[first : last + 1]) / (last + 1 - first)
        before = [place for place in range(first) if against[place]]
        after = [place for place in range(last + 1, len(self.readings)) if against[place]]
        end = len(self.readings)
        since = self.readings[first].moment if len(before) > accidents * first else None
        until = self.readings[after[0]].moment if len(after) > accidents * (end - 1 - last) else None
        beyond = sum(until is not None and self.readings[place].moment >= until for place in explained)
        beyond += sum(since is not None and self.readings[place].moment >= since for place in before)
        mixed = beyond > MOST_BEYOND * len(explained)  # the times of the readings cannot tell them apart
        since, until = (None, None) if mixed else (since, until)
        span = range(first if since else 0, after[0] if until else end)
        return Reset(
            chains=tuple(trial.other for trial in named), explained=explained,
            doubtful=tuple(place for place in span if self._is_doubtful(place, named)),
            since=since, until=until, last_good=self.readings[before[-1]].moment if since else None, mixed=mixed,
            failing=sum(self.readings[place].rows for place in span if not self.good[place]),
        )  # fmt: skip

    def _is_doubtful(self, place: int, named: Sequence[Trial]) -> bool:
        """Whether the declared chain gives a known credential, and the others another one."""
        text, credentials = self.readings[place].text, self.readings[place].credentials
        return bool(credentials) and any(
            text in trial.numbers and self.owners[trial.numbers[text]] != credentials for trial in named
        )

    def _has_new_form(self, place: int, named: Sequence[Trial]) -> bool:
        """Whether a reading is a number of nobody that only the other chains read."""
        text = self.readings[place].text
        return (
            not self.good[place]
            and self.declared._decode_raw(text) is None
            and all(trial.other.codec._decode_raw(text) is not None for trial in named)
        )

    def _find_failing_stretch(self, left: Sequence[int]) -> FailingStretch | None:
        """The stretch that fails from a moment on: its rate changes beyond chance, each failing text counted once."""
        seen: set[str] = set()
        items = []
        for place in left:
            text = self.readings[place].text
            if self.good[place] or text not in seen:
                items.append(place)
            seen.add(text)
        fails = [not self.good[place] for place in items]
        rate = 1 - FAILING_SHARE
        start, stop, _ = _largest_sum([_rate_gain(fails_here, rate) for fails_here in fails])
        inside, outside = fails[start:stop], fails[:start] + fails[stop:]
        rate = (sum(outside) + 1) / (len(outside) + 2)
        gain = sum(_rate_gain(fails_here, rate) for fails_here in inside)
        if (
            sum(inside) < LEAST_FAILING_TEXTS
            or fails[:start].count(False) < LEAST_FAILING_TEXTS
            or gain <= log(len(items) ** 2 / FALSE_CLAIM_PROBABILITY)
        ):
            return None
        first, last = items[start], items[stop - 1]
        after = next((place for place in range(last + 1, len(self.readings)) if self.good[place]), None)
        span = range(first, len(self.readings) if after is None else after)
        places = tuple(place for place in span if not self.good[place])
        return FailingStretch(
            since=self.readings[first].moment, until=None if after is None else self.readings[after].moment,
            last_good=self.readings[max(place for place in range(first) if self.good[place])].moment,
            places=places, failing=sum(self.readings[place].rows for place in places),
            total=sum(self.readings[place].rows for place in span), tried=self.tried,
        )  # fmt: skip


def _different(group: Sequence[Trial]) -> Iterator[Trial]:
    """Of chains that read alike: those that the site has, though not both of a pair; or the first searched one."""
    causes: list[str] = []
    for trial in group[: 1 if group[0].other.searched else None]:
        cause = trial.other.cause
        if not any(cause.startswith(f"{other}-") for other in causes):
            causes += [cause] if cause else []
            yield trial


def _rate_gain(fails: bool, rate: float) -> float:
    """By how much, in nats, a reading speaks for `FAILING_SHARE` and against ``rate``."""
    gain = log(FAILING_SHARE / rate) if fails else log((1 - FAILING_SHARE) / (1 - rate))
    return min(gain, MOST_GAIN_OF_ONE_CARD)


def _largest_sum(gains: Sequence[float]) -> tuple[int, int, float]:
    """The neighbours with the largest sum: from where to where, and their sum; they begin and end with a gain."""
    best, total, start = (0, 0, 0.0), 0.0, 0
    for place, gain in enumerate(gains):
        if total <= 0:
            total, start = 0.0, place
        total += gain
        if total > best[2]:
            best = start, place + 1, total
    return best

"""Trials of other chains on the texts of a reader: which known numbers each gives, and how often by accident.

How often a chain makes a known number of a text by accident is counted on what the declared chain resolves, and on
numbers of nobody beside the registered ones: boxes are consecutive, so accidents are not rare. A chain that reads
what the declared one reads, but checks less, explains nothing that fails a check.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from random import Random
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from credkit.bulk.decoded_columns import DecodedColumns, decode_columns
from credkit.core.codec import AnyCodec
from credkit.core.errors import CredkitError
from credkit.core.reading import Field
from credkit.crosswalk.known_numbers import KnownNumbers
from credkit.facts.numbers import NO_NUMBER
from credkit.facts.texts import branches
from credkit.site.model import CredentialKind
from credkit.work.other_chains import FEWEST_SAMPLES_READ, OtherChain, search_chains, usual_chains

LEAST_NUMBERS = 3  # different numbers that a chain must explain
SEARCHED_TEXTS = 16  # failing texts that every notation and layout is tried on
MOST_TEXTS_TRIED = 2_000  # failing texts that each chain is tried on at first
FEWEST_RESOLVED = 0.25  # texts that the declared chain resolves, by failing ones, for accidents to be counted on them
NULL_NUMBERS = 1_000  # numbers of nobody that accidents are counted on
MOST_NULL_DISTANCE = 4_000  # between such a number and a registered one
Places = NDArray[np.int64]  # of texts among the different ones, or of readings in the order of time


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trial:
    """A chain that was tried: by text, the index of the known number that it gives; how often it gives one by accident.

    It ``agrees`` with the declared chain if it reads most of what that writes as the same numbers.
    """

    other: OtherChain
    numbers: NDArray[np.int32]
    accident: float
    agrees: bool


class ChainTrials:
    """The chains that a reader may emit instead of the ``declared`` one, tried on its different ``texts``.

    ``failing`` and ``resolved`` are places in ``texts``, in the order of time. ``tried`` counts the chains.
    """

    def __init__(
        self, declared: AnyCodec, kind: CredentialKind, known: KnownNumbers, others: Sequence[AnyCodec],
        texts: pl.Series, failing: Places, resolved: Places,
    ) -> None:  # fmt: skip
        self.declared, self.kind, self.known, self.others = declared, kind, known, others
        self.texts, self.failing, self.resolved = texts, failing, resolved
        self.tried = 0

    @cached_property
    def declared_numbers(self) -> NDArray[np.int32]:
        """By text: the index of the known number that the declared chain gives of it."""
        return self._find(self.declared, self.texts)

    def run(self, densest: Places) -> list[list[Trial]]:
        """The chains that explain anything, those that read alike in one group, the likeliest first.

        Every notation and layout is tried on a sample of the ``densest`` failing texts, those that the usual chains
        leave unexplained.
        """
        usual = usual_chains(self.declared, self.kind, self.others)
        self.tried = len(usual)
        trials = self._survivors(usual)
        left = densest
        if trials:
            best = max(trials, key=lambda trial: np.count_nonzero(trial.numbers[densest] != NO_NUMBER))
            left = densest[best.numbers[densest] == NO_NUMBER]
        if len(densest) > LEAST_NUMBERS and len(left) >= FEWEST_SAMPLES_READ:
            chains = [self.declared, self.kind.value, *self.others]
            sample = self._texts_at(left[:: -(-len(left) // SEARCHED_TEXTS)])
            searched, self.tried = search_chains(sample, self.kind, chains, self.known, self.tried)
            named = {other.codec.name for other in usual}
            trials += self._survivors([other for other in searched if other.codec.name not in named])
        groups: dict[bytes, list[Trial]] = {}
        for trial in trials:
            groups.setdefault(trial.numbers.tobytes(), []).append(trial)
        return list(groups.values())

    def _survivors(self, others: Sequence[OtherChain]) -> list[Trial]:
        """The chains that give enough known numbers of failing texts, tried on all other texts, too."""
        sample = self._texts_at(self.failing[:: -(-len(self.failing) // MOST_TEXTS_TRIED)])
        return [
            self._try_on_all(other)
            for other in others
            if len(np.setdiff1d(self._find(other.codec, sample), [NO_NUMBER])) >= LEAST_NUMBERS
        ]

    def _try_on_all(self, other: OtherChain) -> Trial:
        """The trial of a chain on all texts."""
        numbers = self._find(other.codec, self.texts)
        texts, declared = self._control
        decoded = decode_columns(other.codec, texts, with_notes=False)
        agrees = bool(2 * np.count_nonzero(_same_fields(decoded, declared)) > len(texts))
        resolved = numbers[self.resolved]
        accidents = np.count_nonzero(self.known.find(self.kind, decoded) != NO_NUMBER) if self._null else 0
        accident = (accidents + 1) / (len(self._null) + 1)
        if FEWEST_RESOLVED * len(self.failing) <= len(self.resolved):  # fewer may be accidents themselves
            more = (resolved != NO_NUMBER) & (resolved != self.declared_numbers[self.resolved])
            accident = max(accident, np.count_nonzero(more) / (len(self.resolved) + 1))
        if agrees:
            hits = np.setdiff1d(self.failing[numbers[self.failing] != NO_NUMBER], self.resolved)
            for place in hits.tolist():
                if has_form(self.declared, self.texts[place]):
                    numbers[place] = NO_NUMBER
        return Trial(other=other, numbers=numbers, accident=accident, agrees=agrees)

    def _texts_at(self, places: Places) -> list[str]:
        return self.texts.gather(places).to_list()

    def _find(self, codec: AnyCodec, texts: Any) -> NDArray[np.int32]:
        """By text: the index of the known number that ``codec`` gives of it."""
        return self.known.find(self.kind, decode_columns(codec, texts, with_notes=False))

    @property
    def _null(self) -> list[str]:
        """Texts that the declared chain writes for numbers of nobody: the same for all readers of that chain."""
        return self.known.texts_of_nobody((self.declared, self.kind.name), self._draw_null)

    def _draw_null(self) -> list[str]:
        """Texts that the declared chain writes for numbers of nobody, beside the registered ones."""
        rows = [(place, self.kind.schema[name]) for place, name in enumerate(self.kind.key)]
        rooms = {place: row for place, row in rows if isinstance(row, Field)}
        codecs = [codec for codec in branches(self.declared) if not codec.encode_obstacle]
        if not (rooms and codecs and len(self.known)):
            return []
        place = max(rooms, key=lambda place: rooms[place].room)
        dice = Random(0)
        texts: dict[str, None] = {}
        for count in range(NULL_NUMBERS):
            number = list(self.known.draw(dice))
            item = number[place]
            distance = round(
                MOST_NULL_DISTANCE ** (dice.random() if count % 2 else 1 - dice.random() / 4)
            ) * dice.choice((-1, 1))
            if not isinstance(item, int) or not rooms[place].least <= item + distance <= rooms[place].most:
                continue
            number[place] = item + distance
            try:
                fields = dict(zip(self.kind.key, number, strict=True))
                if tuple(number) not in self.known:
                    texts[str(codecs[count % len(codecs)].encode(fields))] = None
            except CredkitError:
                continue
        return list(texts)

    @cached_property
    def _control(self) -> tuple[list[str], DecodedColumns]:
        """Texts that the declared chain writes, or resolves if it cannot write, and what it decodes them to."""
        texts = self._null or self._texts_at(self.resolved)
        return texts, decode_columns(self.declared, texts, with_notes=False)


def _same_fields(one: DecodedColumns, other: DecodedColumns) -> NDArray[np.bool_]:
    """The rows that both decode, to the same fields."""
    same: NDArray[np.bool_] = one.ok & other.ok
    if one.fields.keys() != other.fields.keys():
        return np.zeros_like(same)
    for name, column in one.fields.items():
        same &= column == other.fields[name]
    return same


def has_form(codec: AnyCodec, text: str) -> bool:
    """Whether ``text`` is written as ``codec`` writes texts, so that only a check on it can fail."""
    for branch in branches(codec):
        value: object = text
        for step in branch.steps:
            value = step._decode_raw(value)
            if value is None or step.gives != "text":
                break
        if value is not None:
            return True
    return False

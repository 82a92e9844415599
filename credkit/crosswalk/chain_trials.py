"""Trials of other chains on the texts of a reader: which known numbers each gives, and how often by accident.

How often a chain makes a known number of a text by accident is counted on what the declared chain resolves, and on
numbers of nobody beside the registered ones: boxes are consecutive, so accidents are not rare. A chain that reads
what the declared one reads, but checks less, explains nothing that fails a check.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from random import Random

from credkit.core.codec import AnyCodec
from credkit.core.errors import CredkitError
from credkit.core.fields import Item
from credkit.core.reading import Field
from credkit.crosswalk.other_chains import FEWEST_SAMPLES_READ, OtherChain, search_chains, usual_chains
from credkit.facts.texts import branches
from credkit.site.model import CredentialKind

LEAST_NUMBERS = 3  # different numbers that a chain must explain
SEARCHED_TEXTS = 16  # failing texts that every notation and layout is tried on
MOST_TEXTS_TRIED = 2_000  # failing texts that each chain is tried on at first
FEWEST_RESOLVED = 0.25  # texts that the declared chain resolves, by failing ones, for accidents to be counted on them
NULL_NUMBERS = 1_000  # numbers of nobody that accidents are counted on
MOST_NULL_DISTANCE = 4_000  # between such a number and a registered one
Values = tuple[Item, ...]  # the fields that make a number
Owners = Mapping[Values, tuple[str, ...]]  # the credentials of each number of a kind


@dataclass(slots=True, eq=False)
class Trial:
    """A chain that was tried: by text, the known number that it gives; how often it gives one by accident.

    It ``agrees`` with the declared chain if it reads most of what that writes as the same numbers.
    """

    other: OtherChain
    numbers: dict[str, Values] = field(default_factory=dict)
    accident: float = 1.0
    agrees: bool = False


class ChainTrials:
    """The chains that a reader may emit instead of the ``declared`` one, tried on its texts.

    ``failing`` and ``resolved`` are its different texts, in the order of time. ``tried`` counts the chains.
    """

    def __init__(
        self, declared: AnyCodec, kind: CredentialKind, owners: Owners, others: Sequence[AnyCodec],
        failing: Sequence[str], resolved: Sequence[str],
    ) -> None:  # fmt: skip
        self.declared, self.kind, self.owners, self.others = declared, kind, owners, others
        self.failing, self.resolved = failing, resolved
        self.tried = 0
        self._own = self._known(declared, resolved)

    def run(self, densest: Sequence[str]) -> list[list[Trial]]:
        """The chains that explain anything, those that read alike in one group, the likeliest first.

        Every notation and layout is tried on a sample of the ``densest`` failing texts, those that the usual chains
        leave unexplained.
        """
        usual = usual_chains(self.declared, self.kind, self.others)
        self.tried = len(usual)
        trials = self._survivors(usual)
        best = max(
            (trial.numbers for trial in trials), key=lambda them: sum(map(them.__contains__, densest)), default={}
        )
        left = [text for text in densest if text not in best]
        if len(densest) > LEAST_NUMBERS and len(left) >= FEWEST_SAMPLES_READ:
            chains = [self.declared, self.kind.value, *self.others]
            sample = left[:: -(-len(left) // SEARCHED_TEXTS)]
            searched, self.tried = search_chains(sample, self.kind, chains, self.owners, self.tried)
            named = {other.codec.name for other in usual}
            trials += self._survivors([other for other in searched if other.codec.name not in named])
        groups: dict[frozenset[tuple[str, Values]], list[Trial]] = {}
        for trial in trials:
            groups.setdefault(frozenset(trial.numbers.items()), []).append(trial)
        return list(groups.values())

    def _survivors(self, others: Sequence[OtherChain]) -> list[Trial]:
        """The chains that give enough known numbers of failing texts, tried on all other texts, too."""
        sample = self.failing[:: -(-len(self.failing) // MOST_TEXTS_TRIED)]
        found = []
        for other in others:
            hits = self._known(other.codec, sample)
            if len(set(hits.values())) < LEAST_NUMBERS:
                continue
            hits = hits if len(sample) == len(self.failing) else self._known(other.codec, self.failing)
            resolved = self._known(other.codec, self.resolved)
            same = sum(number == self._own.get(text) for text, number in resolved.items())
            agrees = self._agrees(other.codec)
            if agrees:
                hits = {text: number for text, number in hits.items() if not has_form(self.declared, text)}
            accident = (len(self._known(other.codec, self._null)) + 1) / (len(self._null) + 1)
            if FEWEST_RESOLVED * len(self.failing) <= len(self.resolved):  # fewer may be accidents themselves
                accident = max(accident, (len(resolved) - same) / (len(self.resolved) + 1))
            found.append(Trial(other, hits | resolved, accident, agrees))
        return found

    def _known(self, codec: AnyCodec, texts: Sequence[str]) -> dict[str, Values]:
        """By text: the known number that ``codec`` gives of it."""
        found = {}
        for text in texts:
            fields = codec._decode_raw(text)
            if fields is not None and fields.keys() >= {*self.kind.key}:
                number = self.kind.number_in(fields)
                if number in self.owners:
                    found[text] = number
        return found

    @cached_property
    def _null(self) -> list[str]:
        """Texts that the declared chain writes for numbers of nobody, beside the registered ones."""
        rows = [(place, self.kind.schema[name]) for place, name in enumerate(self.kind.key)]
        rooms = {place: row for place, row in rows if isinstance(row, Field)}
        codecs = [codec for codec in branches(self.declared) if not codec.encode_obstacle]
        registered = sorted(self.owners, key=repr)
        if not rooms or not codecs or not registered:
            return []
        place = max(rooms, key=lambda place: rooms[place].room)
        dice = Random(0)
        texts: dict[str, None] = {}
        for count in range(NULL_NUMBERS):
            number = list(dice.choice(registered))
            item = number[place]
            distance = round(
                MOST_NULL_DISTANCE ** (dice.random() if count % 2 else 1 - dice.random() / 4)
            ) * dice.choice((-1, 1))
            if not isinstance(item, int) or not rooms[place].least <= item + distance <= rooms[place].most:
                continue
            number[place] = item + distance
            try:
                fields = dict(zip(self.kind.key, number, strict=True))
                if tuple(number) not in self.owners:
                    texts[str(codecs[count % len(codecs)].encode(fields))] = None
            except CredkitError:
                continue
        return list(texts)

    def _agrees(self, codec: AnyCodec) -> bool:
        """Whether ``codec`` reads most of what the declared chain writes as the same numbers."""
        same, texts = 0, self._null or self.resolved
        for text in texts:
            fields = codec._decode_raw(text)
            same += fields is not None and fields == self.declared._decode_raw(text)
        return 2 * same > len(texts)


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

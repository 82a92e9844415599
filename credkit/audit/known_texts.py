"""Known texts: what a chain finds in texts, and which of them it has read before.

Cards are read again and again. Where a chain reads texts one by one, a text that was read once is not read again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from threading import Lock

import numpy as np
import polars as pl

from credkit.bulk import Rule
from credkit.bulk.decoding import has_kernel
from credkit.bulk.words import Array
from credkit.core.codec import AnyCodec

MOST_KNOWN_TEXTS = 1 << 17  # different texts that are kept of a chain

NoteKey = tuple[str, str, str]  # codec, kind and level


@dataclass(slots=True, kw_only=True)
class TextVerdicts:
    """What is found in texts, in columns with a place for each; only the good ones have notes and ``numbers``.

    ``failures`` are the texts that fail each of ``rules``; ``first`` is the place of the rule that a text fails first,
    -1 in good ones. ``track`` is the first text that holds a payment track.
    """

    good: Array
    numbers: Array
    first: Array
    rules: tuple[Rule, ...] = ()
    failures: tuple[Array, ...] = ()
    notes: dict[NoteKey, Array] = field(default_factory=dict)
    track: int | None = None

    def only(self, places: Array) -> TextVerdicts:
        """The verdicts on the texts at ``places``, without the track."""
        return TextVerdicts(
            good=self.good[places], numbers=self.numbers[places], first=self.first[places], rules=self.rules,
            failures=tuple(failing[places] for failing in self.failures),
            notes={key: noted[places] for key, noted in self.notes.items()},
        )  # fmt: skip

    def joined(self, other: TextVerdicts) -> TextVerdicts:
        """The verdicts on these texts, which hold no track, and behind them on those of another."""
        rules = tuple(dict.fromkeys((*self.rules, *other.rules)))
        moved = np.array([*map(rules.index, other.rules), -1], np.int32)  # the last one is for good texts
        mine = dict(zip(self.rules, self.failures, strict=True))
        theirs = dict(zip(other.rules, other.failures, strict=True))

        def join(one: Array | None, another: Array | None) -> Array:
            return np.concatenate((
                np.zeros(len(self.good), bool) if one is None else one,
                np.zeros(len(other.good), bool) if another is None else another,
            ))  # fmt: skip

        return TextVerdicts(
            good=join(self.good, other.good), numbers=np.concatenate((self.numbers, other.numbers)),
            first=np.concatenate((self.first, moved[other.first])), rules=rules,
            failures=tuple(join(mine.get(rule), theirs.get(rule)) for rule in rules),
            notes={key: join(self.notes.get(key), other.notes.get(key)) for key in {**self.notes, **other.notes}},
            track=None if other.track is None else len(self.good) + other.track,
        )  # fmt: skip


def is_read_one_by_one(codec: AnyCodec) -> bool:
    """Whether a chain reads many texts one by one: a step has no kernel.

    >>> from credkit import chain
    >>> gates = ("hex:8/right-justified:26/wiegand-26", "binary/wiegand-26", "track:2/track-2:number,issue")
    >>> [is_read_one_by_one(chain(each)) for each in gates]
    [False, False, True]
    """
    return not all(map(has_kernel, codec.steps))


def gives_any_length(codec: AnyCodec) -> bool:
    """Whether the first step of a chain gives as many bits as a text has digits for."""
    first = codec.steps[0]
    return first.gives == "bits" and len(first.output.lengths) != 1


class KnownTexts:
    """The texts that a chain has read, with the verdicts on them; threads share it."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._places: dict[str, int] = {}
        self._verdicts = TextVerdicts(
            good=np.zeros(0, bool), numbers=np.zeros(0, np.uint64), first=np.zeros(0, np.int32)
        )

    def judge(self, texts: Sequence[str], judge: Callable[[pl.Series], TextVerdicts]) -> tuple[TextVerdicts, Array]:
        """The verdicts on some texts, and the place of each text among them; those not known are judged by ``judge``.

        They are kept until there are too many, and unless one holds a payment track, which ``judge`` looks for.
        """
        with self._lock:
            places, verdicts = self._places, self._verdicts
            fresh = [text for text in dict.fromkeys(texts) if text not in places]
            if fresh:
                verdicts = verdicts.joined(judge(pl.Series(fresh, dtype=pl.String)))
                more = {text: place for place, text in enumerate(fresh, len(places))}
                if verdicts.track is None and len(places) < MOST_KNOWN_TEXTS:
                    self._verdicts = verdicts
                    places.update(more)
                else:
                    places = {**places, **more}
            return verdicts, np.fromiter(map(places.__getitem__, texts), np.int64, len(texts))

"""Causes: what would explain the failing texts of a reader, told by diagnosing a sample of them.

The sample is the same whatever the order of the rows: the different texts with the smallest hashes.
Nothing is changed by it, and often several causes explain all of it: only a card whose number is
known, or the facility code that is expected, tells them apart: a site file may say it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from bitstring import Bits

from credkit.audit.expected import Expect, fits
from credkit.audit.summary import Cause, Hints
from credkit.core.codec import AnyCodec
from credkit.explain.diagnosis import advice, diagnose

LEAST = 3  # different texts, before a cause is named
TRIED = 8  # texts that are diagnosed
READERS = 10  # that fail most often, for which this is done
ENOUGH = 0.5  # of the sample must be explained by a cause that is named
LENGTHS = 4  # wrong lengths that are named
DECIDED = "Causes that would give a value that the site does not expect are left out."
UNDECIDED = "Neither a check nor what the site expects tells these apart: read a card whose number is known."


def causes(codec: AnyCodec, texts: Sequence[str], rows: int = 0, expect: Expect | None = None) -> Hints | None:
    """The causes that explain at least half of ``texts``, the best first; None if there is nothing to say.

    ``rows`` are all failing rows, if they have no other texts. A cause that gives a value other than the site
    expects is left out where another gives one that it expects; so is a cause that explains nothing
    that a better one does not explain.
    """
    some = texts[:TRIED]
    if len(some) < LEAST:
        return Hints(chain=codec.name, sampled=len(some), causes=(), rows=rows) if rows > len(some) > 0 else None
    explained: dict[tuple[str, str], set[int]] = {}
    last, decided = {}, False
    for place, text in enumerate(some):
        found = diagnose(codec, text)
        fitting = tuple(hint for hint in found if fits(hint.value, expect or {}))
        decided |= 0 < len(fitting) < len(found)
        for hint in fitting or found:
            key = hint.cause, _general(hint.cause, hint.text)
            explained.setdefault(key, set()).add(place)
            last[key] = fitting or found
    named = [key for key in explained if len(explained[key]) >= ENOUGH * len(some)]
    named = [key for key in named if not any(explained[key] < explained[other] for other in named)]
    named.sort(key=lambda key: (-len(explained[key]), key[0]))
    best = [key for key in named if len(explained[key]) == len(explained[named[0]])]
    more = advice(last[best[0]]) if len(best) > 1 else None
    if decided and best:
        more = UNDECIDED if len(best) > 1 else DECIDED
    return Hints(
        chain=codec.name, sampled=len(some), advice=more or "", rows=rows, lengths=_lengths(codec, some),
        causes=tuple(Cause(cause=key[0], text=key[1], explains=len(explained[key])) for key in named),
    )  # fmt: skip


def _lengths(codec: AnyCodec, texts: Sequence[str]) -> tuple[tuple[int, int], ...]:
    """The wrong numbers of bits among texts that fail for their length, and how many have each."""
    counts: Counter[int] = Counter()
    for text in texts:
        reading = codec.inspect(text)
        if reading.failed and reading.failed.rule == "length":
            given = next((step.given for step in reading.steps if not step.reading.ok), None)
            if isinstance(given, Bits):
                counts[len(given)] += 1
    return tuple(counts.most_common(LENGTHS))


def _general(cause: str, text: str) -> str:
    """What a hint says of any value: nothing about this one's bits and fields."""
    return {
        "flipped-bit": "one bit is inverted",
        "lost-bit": "one bit is lost",
        "run-together": "two reads run together",
        "lost-zeros": "leading zeros are lost",
    }.get(cause, text.partition(":")[0].partition(";")[0])

"""Causes: what would explain the failing texts of a reader, told by diagnosing a sample of them.

The sample is the same whatever the order of the rows: the different texts with the smallest hashes.
Nothing is changed by it, and often several causes explain all of it: only a card whose number is
known, or the facility code that is expected, tells them apart.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from credkit.audit.summary import Cause, Hints
from credkit.codec import Codec
from credkit.diagnose import advice, diagnose

LEAST = 3  # different texts, before anything is said
TRIED = 8  # texts that are diagnosed
READERS = 10  # with the largest shares of failing rows, for which this is done
ENOUGH = 0.5  # of the sample must be explained by a cause that is named


def causes(codec: Codec, texts: Sequence[str]) -> Hints | None:
    """The causes that explain at least half of ``texts``, the best first; None if there are too few texts."""
    some = texts[:TRIED]
    if len(some) < LEAST:
        return None
    counts: Counter[tuple[str, str]] = Counter()
    last = {}
    for text in some:
        hints = diagnose(codec, text)
        seen = dict.fromkeys((hint.cause, _general(hint.cause, hint.text)) for hint in hints)
        counts.update(seen.keys())
        last.update(dict.fromkeys(seen, hints))
    named = tuple(
        Cause(cause=cause, text=words, explains=count)
        for (cause, words), count in sorted(counts.items(), key=lambda item: (-item[1], item[0]))
        if count >= ENOUGH * len(some)
    )
    best = [each for each in named if each.explains == named[0].explains]
    more = advice(last[best[0].cause, best[0].text]) if len(best) > 1 else None
    return Hints(chain=codec.name, sampled=len(some), causes=named, advice=more or "")


def _general(cause: str, text: str) -> str:
    """What a hint says of any value: nothing about this one's bits and fields."""
    return {
        "flipped-bit": "one bit is inverted",
        "lost-bit": "one bit is lost",
        "run-together": "two reads run together",
        "lost-zeros": "leading zeros are lost",
    }.get(cause, text.partition(":")[0].partition(";")[0])

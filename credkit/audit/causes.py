"""Causes: what would explain the failing texts of a reader, told by diagnosing a sample of them.

The sample is the same whatever the order of the rows: the different texts with the smallest hashes.
Nothing is changed by it, and often several causes explain all of it: only a card whose number is
known, or the facility code that is expected, tells them apart: a site file may say it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any

from bitstring import Bits

from credkit.audit.summary import Diagnosis, LikelyCause
from credkit.core.codec import AnyCodec
from credkit.explain.diagnosis import Hint, count_missing_characters, describe_next_step, diagnose, short_text_hint
from credkit.facts.expected_values import ExpectedValues, is_expected

LEAST_TEXTS = 3  # different texts, before a cause is named
MOST_TEXTS_DIAGNOSED = 8  # texts that are diagnosed
MOST_READERS_DIAGNOSED = 10  # that fail most often, for which this is done
LEAST_SHARE_EXPLAINED = 0.5  # of the sample must be explained by a cause that is named
MOST_LENGTHS_NAMED = 4  # wrong lengths that are named
DECIDED = "Causes that would give a value that the site does not expect are left out."
UNDECIDED = "Neither a check nor what the site expects tells these apart: read a card whose number is known."


def find_causes(
    codec: AnyCodec, texts: Sequence[str], rows: int = 0, expect: ExpectedValues | None = None,
    is_registered: Callable[[Any], bool] | None = None,
) -> Diagnosis | None:  # fmt: skip
    """The causes that explain at least half of ``texts``, the best first; None if there is nothing to say.

    ``rows`` are all failing rows, if they have no other texts. A cause that gives a value other than the site
    expects is left out where another gives one that it expects; so is a cause that explains nothing
    that a better one does not explain. Where a register says which values it has, leading zeros are lost only
    of texts that have one of them with the zeros; the others lack characters.
    """
    some = texts[:MOST_TEXTS_DIAGNOSED]
    if len(some) < LEAST_TEXTS:
        return Diagnosis(chain=codec.name, sampled=len(some), causes=(), rows=rows) if rows > len(some) > 0 else None
    explained: dict[tuple[str, str], set[int]] = {}
    last, decided = {}, False
    chains: dict[tuple[str, str], set[str]] = {}
    for place, text in enumerate(some):
        found = diagnose(codec, text)
        if is_registered is not None:
            found = tuple(_explain_zeros(codec, text, hint, is_registered) for hint in found)
        fitting = tuple(hint for hint in found if is_expected(hint.value, expect or {}))
        decided |= 0 < len(fitting) < len(found)
        for hint in fitting or found:
            key = hint.cause, hint.summary
            explained.setdefault(key, set()).add(place)
            chains.setdefault(key, set()).add(hint.chain or "")
            last[key] = fitting or found
    named = [key for key in explained if len(explained[key]) >= LEAST_SHARE_EXPLAINED * len(some)]
    named = [key for key in named if not any(explained[key] < explained[other] for other in named)]
    named.sort(key=lambda key: (-len(explained[key]), key[0]))
    best = [key for key in named if len(explained[key]) == len(explained[named[0]])]
    more = describe_next_step(last[best[0]]) if len(best) > 1 else None
    if decided and best:
        more = UNDECIDED if len(best) > 1 else DECIDED
    return Diagnosis(
        chain=codec.name, sampled=len(some), advice=more or "", rows=rows, lengths=_count_wrong_lengths(codec, some),
        causes=tuple(
            LikelyCause(
                cause=key[0], text=key[1], explains=len(explained[key]),
                chain=min(chains[key]) if len(chains[key]) == 1 else "",
            )
            for key in named
        ),
    )  # fmt: skip


def _explain_zeros(codec: AnyCodec, text: str, hint: Hint, is_registered: Callable[[Any], bool]) -> Hint:
    """A hint as it is; one of lost zeros whose value the register does not have as one of missing characters."""
    if hint.cause != "lost-zeros" or is_registered(hint.value):
        return hint
    return short_text_hint(count_missing_characters(codec, text) or 1)


def _count_wrong_lengths(codec: AnyCodec, texts: Sequence[str]) -> tuple[tuple[int, int], ...]:
    """The wrong numbers of bits among texts that fail for their length, and how many have each."""
    counts: Counter[int] = Counter()
    for text in texts:
        reading = codec.inspect(text)
        if reading.failed and reading.failed.rule == "length":
            given = next((step.given for step in reading.steps if not step.reading.ok), None)
            if isinstance(given, Bits):
                counts[len(given)] += 1
    return tuple(counts.most_common(MOST_LENGTHS_NAMED))

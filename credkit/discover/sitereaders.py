"""Readers for the discovery of a site: the chains that take a reader's texts to numbers of a register.

Every notation, order and layout is tried on a sample of texts, and every place in a text where the digits of a value
may stand. What reads enough of them as registered numbers is tried on all. Chains that give the same numbers of all
texts are one behaviour; the likeliest writing of it stands for it.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from math import inf, log2
from typing import NamedTuple

from credkit.core.codec import Entry
from credkit.core.errors import CredkitError, DefinitionError
from credkit.core.grammar import format_step
from credkit.discover.siteregister import FRAME_KEY, NUMBER_KEY, Number, build_chain, name_fields, number_of
from credkit.explain.candidates import find_candidates, usual_codecs
from credkit.streams import stream

SAMPLED_TEXTS = 40  # texts of a reader that every notation and layout is tried on
TEXT_HEADS = ("", "track:2", "track:1", "track:3", "binary/track-2-bits", "binary/track-1-bits", "binary/track-3-bits")
KEY_BITS = (4, 8)  # of one key of a keypad
SWIPES = ("swipes:hex", "swipes:binary")
STREAM_SHARE = 0.9  # of a reader's texts that are single keys
ISSUE_SHARE = 0.9  # of texts with a registered number: those that must have an issue of it, too
NEIGHBOURS = 4_000  # how far around a registered number the register's density is counted
EVIDENCE_PER_COST = 8.0  # bits by which a chain explains a text that are worth one of what a chain costs
_RUN = re.compile("([0-9]+)")
_ZEROS_BEFORE_NUMBER = re.compile(r"(^|/)template:0+\{number:[^}]*\}$")


@dataclass(frozen=True, slots=True)
class NumberSet:
    """The registered numbers of a kind under one key; ``issues`` has those of each number."""

    kind: str
    key: tuple[str, ...]
    numbers: frozenset[Number]
    width: int = 0
    issues: Mapping[Number, frozenset[str]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ChainFit:
    """A chain on the texts of a reader, for a kind: the number of each text it reads, and those that are registered.

    ``evidence`` counts bits beyond chance: a registered number in a box that was met before says little.
    """

    chain: str
    kind: str
    key: tuple[str, ...]
    numbers: Mapping[str, Number]
    known: frozenset[str]
    evidence: float
    cost: float
    alike: tuple[str, ...] = ()


class TriedChain(NamedTuple):
    """A chain on one text: the key, the number that it gives, and what the chain costs."""

    chain: str
    key: tuple[str, ...]
    number: Number
    cost: float


class ReaderTexts:
    """The different texts of a reader, those of its stream if it has one, and every chain that may read them."""

    def __init__(self, texts: Sequence[str]) -> None:
        self.stream = ""
        self._candidates: dict[str, list[TriedChain]] = {}
        self.texts = list(dict.fromkeys(texts))
        for length in KEY_BITS:
            keys = sum(len(text) == length // 4 for text in texts)
            if not self.stream and len(texts) > 1 and keys >= STREAM_SHARE * len(texts):
                self._join(_keypads(length), texts)

    def join_swipes(self, texts: Sequence[str]) -> bool:
        """Take the texts for pieces of a record that swipes are cut out of, if any may be."""
        return self._join(SWIPES, texts, -(-len(texts) // 2))

    def _join(self, streams: Sequence[str], texts: Sequence[str], least: int = 1) -> bool:
        """Join the texts by the first stream that makes at least so many entries or swipes of them."""
        for name in streams:
            frames = [frame.value for frame in stream(name).frames(texts) if frame.value is not None]
            if len(frames) >= least:
                self.stream, self.texts = name, list(dict.fromkeys(frames))
                return True
        return False

    def sample(self, texts: Sequence[str]) -> Sequence[str]:
        """At most so many of ``texts`` as are searched, spread over all of them."""
        return texts[:: max(1, -(-len(texts) // SAMPLED_TEXTS))]

    def candidates(self, texts: Sequence[str]) -> Iterator[TriedChain]:
        """The chains that read a sample of ``texts`` to whole numbers, each with its number."""
        for text in self.sample(texts):
            if text not in self._candidates:
                self._candidates[text] = [*_tried_chains(text)]
            yield from self._candidates[text]


@cache
def _keypads(length: int) -> tuple[str, ...]:
    """The streams of keys of ``length`` bits, sent as hexadecimal digits."""
    found = []
    for name, codec in usual_codecs("bits", "fields"):
        if codec.length == length:
            try:
                found.append(stream(f"keypad:hex:{length // 4}/{name}").name)
            except DefinitionError:  # no keys
                continue
    return tuple(found)


def _tried_chains(text: str) -> Iterator[TriedChain]:
    """The chains that read ``text`` to whole numbers."""
    for candidate in find_candidates(text):
        cost = candidate.cost - candidate.evidence / EVIDENCE_PER_COST
        for key in (FRAME_KEY, NUMBER_KEY):
            number = number_of(candidate.value, key)
            if number is not None:
                yield TriedChain(candidate.chain, key, number, cost)


def text_chains(texts: Sequence[str], wanted: NumberSet) -> Iterator[str]:
    """The templates in which the digits of registered values stand in ``texts``, read by every text step.

    Digits beside the number are constants where they never vary, the issue where the register has the same, and a
    field without meaning otherwise.
    """
    if not wanted.width or wanted.key != NUMBER_KEY:
        return
    for head in TEXT_HEADS:
        read = [text for text in texts if not head or _decode_text(head, text) is not None]
        inner = [str(_decode_text(head, text)) if head else text for text in read]
        if not inner:
            continue
        shape, count = Counter(map(_shape, inner)).most_common(1)[0]
        if 2 * count < len(texts):
            continue
        rows = [_RUN.split(text) for text in inner if _shape(text) == shape]
        for place in range(1, len(rows[0]), 2):
            for start in range(len(rows[0][place]) - wanted.width + 1):
                found = [(int(row[place][start : start + wanted.width]),) for row in rows]
                hits = [(row, number) for row, number in zip(rows, found, strict=True) if number in wanted.numbers]
                if 2 * len(hits) >= len(rows):
                    template = _template(rows, hits, place, start, wanted)
                    yield f"{head}/{template}" if head else template


def template_cost(chain: str) -> float:
    """What a template costs: less than any chain over bits, unless its constants are zeros in front of the number.

    These are the number's own where a decimal chain reads all texts alike: the template reads no longer number.

    >>> template_cost("template:K{number:010d}X7"), template_cost("template:00{number:08d}")
    (-1.0, inf)
    """
    return inf if _ZEROS_BEFORE_NUMBER.search(chain) else -1.0


def _shape(text: str) -> str:
    return _RUN.sub(lambda run: "0" * len(run[0]), text)


def _decode_text(head: str, text: str) -> object:
    return build_chain(head)._decode_raw(text)


def _template(
    rows: Sequence[Sequence[str]], hits: Sequence[tuple[Sequence[str], Number]], place: int, start: int,
    wanted: NumberSet,
) -> str:  # fmt: skip
    """The template of texts in which the number stands in one run of digits."""
    parts, rest, has_issue = [], 0, False
    for at, part in enumerate(rows[0]):
        if at % 2 == 0:
            parts.append(part)
            continue
        pieces = [(0, len(part))]
        if at == place:
            pieces = [(0, start), (start, start + wanted.width), (start + wanted.width, len(part))]
        for begin, end in pieces:
            if begin == end:
                continue
            if at == place and begin == start:
                parts.append(f"{{number:0{end - begin}d}}")
                continue
            seen = {row[at][begin:end] for row in rows}
            same = sum(
                row[at][begin:end].lstrip("0") in {issue.lstrip("0") for issue in wanted.issues.get(number, ())}
                for row, number in hits
            )
            if at != place and not has_issue and same >= ISSUE_SHARE * len(hits):
                has_issue = True
                parts.append(f"{{issue:0{end - begin}d}}")
            elif len(seen) == 1:
                parts.append(seen.pop())
            else:
                rest += 1
                parts.append(f"{{digits_{rest}:0{end - begin}d}}")
    return format_step("template", "".join(parts))


def fit_chain(
    text: str, key: tuple[str, ...], wanted: NumberSet, texts: Sequence[str], cost: float,
    codecs: tuple[Entry, ...] = (),
) -> ChainFit | None:  # fmt: skip
    """The chain ``text`` on all of ``texts``; None where it gives no such number."""
    named = name_fields(text, key, codecs)
    if named is None:
        return None
    codec, numbers = build_chain(named, codecs), {}
    for each in texts:
        try:
            fields = codec._decode_raw(each)
        except CredkitError:
            fields = None
        number = None if fields is None else number_of(fields, key)
        if number is not None:
            numbers[each] = number
    plain = {each: number[: len(wanted.key)] for each, number in numbers.items()}
    known = frozenset(each for each, number in plain.items() if number in wanted.numbers)
    bits = chance_evidence({plain[each] for each in known}, wanted.numbers)
    return ChainFit(named, wanted.kind, key, numbers, known, bits, cost)


def chance_evidence(hits: set[Number], numbers: frozenset[Number]) -> float:
    """How many bits it is worth that these registered numbers were met; boxes are consecutive.

    The first of a neighbourhood is worth the bits that its number has beyond those of the register; each other one
    only as much as the register is sparse around it: none in a box that is registered whole.

    >>> box = frozenset((12, n) for n in range(5000, 6000))
    >>> round(chance_evidence({(12, 5001)}, box)), round(chance_evidence({(12, 5001), (12, 5500)}, box))
    (7, 10)
    """
    columns: dict[Number, list[int]] = defaultdict(list)
    for number in numbers:
        columns[number[:-1]].append(number[-1])
    for column in columns.values():
        column.sort()
    room = max(1, sum(max((number[place] for number in numbers), default=0).bit_length()
                      for place in range(len(next(iter(numbers), ())))))  # fmt: skip
    total, before = 0.0, None
    for hit in sorted(hits):
        column = columns[hit[:-1]]
        near = bisect_left(column, hit[-1] + NEIGHBOURS + 1) - bisect_left(column, hit[-1] - NEIGHBOURS)
        is_first = before is None or before[:-1] != hit[:-1] or hit[-1] - before[-1] > NEIGHBOURS
        total += max(0.0, room - log2(len(numbers))) if is_first else log2((2 * NEIGHBOURS + 1) / near)
        before = hit
    return total


def group_alike(fits: Sequence[ChainFit]) -> list[ChainFit]:
    """The likeliest chain of each behaviour, with the others beside it; the best first."""
    groups: dict[object, list[ChainFit]] = defaultdict(list)
    for each in fits:
        groups[each.kind, each.key, frozenset((text, each.numbers[text]) for text in each.known)].append(each)
    found = []
    for group in groups.values():
        group.sort(key=lambda each: (each.cost, len(each.chain), each.chain))
        first = group[0]
        alike = tuple(dict.fromkeys(each.chain for each in group[1:] if each.chain != first.chain))
        found.append(
            ChainFit(first.chain, first.kind, first.key, first.numbers, first.known, first.evidence, first.cost, alike)
        )
    return sorted(found, key=lambda each: (-len(each.known), -len(each.key), each.cost, each.chain))

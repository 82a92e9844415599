"""Identification: what an unknown text may be, ranked by what speaks for it.

Several texts of one reader narrow the list, since a chain must read all of them. So do facility
codes that are expected, and numbers that are known to be among the cards. Readings that nothing
given can tell apart are one `MatchGroup`: with two parity bits a single card proves nothing, and a
reader that inverts and reverses its bits passes every parity of the common frames.

Source: common practice, no source.

>>> first, *others = identify(["02F764DD"])
>>> first.best.chain, round(first.evidence)
('hex:8/right-justified:26/wiegand-26', 6)
>>> dict(first.best.values[0])
{'facility': 123, 'number': 45678}
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import log2
from operator import index
from random import Random
from typing import Any

from credkit.catalogue.own import Codecs, own_entries
from credkit.core.codec import AnyCodec
from credkit.core.errors import CredkitError, DefinitionError
from credkit.core.fields import is_index
from credkit.core.forms import to_raw
from credkit.core.hooks import redact_text
from credkit.core.reading import Field, Note
from credkit.core.sentences import brief, format_count, redacted_repr
from credkit.explain.candidates import (
    BLANKS,
    NOTE_LEVEL_EVIDENCE,
    Candidate,
    OwnEntries,
    build_chain,
    chance_bits,
    find_candidates,
)

SAMPLES_PER_CHAIN = 12  # values of a chain that another one must read, all of them, to be the same to every check
MOST_COMPARED_VALUES = 1000
LONGEST_COMPARED_DIGITS = 40  # of a text that is compared with a known number


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Match:
    """A chain that reads all of the texts, with what it reads and what speaks for it, in bits.

    ``known`` says that a number that is known is among what it reads.
    """

    chain: str
    values: tuple[Mapping[str, Any], ...]
    evidence: float
    cost: float
    notes: tuple[Note, ...]
    reasons: tuple[str, ...]
    known: bool = False

    @property
    def score(self) -> float:
        """What it is ranked by."""
        return self.evidence - self.cost + sum(NOTE_LEVEL_EVIDENCE[note.level] for note in self.notes)

    def __repr__(self) -> str:
        values = redacted_repr(self.values[0]) if len(self.values) == 1 else format_count(len(self.values), "value")
        return f"<Match {brief(redact_text(self.chain))}: {values}>"


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class MatchGroup:
    """Readings that nothing given tells apart, the most usual first; ``advice`` says what would.

    ``chance`` is how many bits chance has in all the chains that were tried.
    """

    matches: tuple[Match, ...]
    advice: tuple[str, ...]
    chance: float = 0.0

    @property
    def best(self) -> Match:
        """The most usual of them: no better founded than the others."""
        return self.matches[0]

    @property
    def evidence(self) -> float:
        """What speaks for the best of them beyond chance, in bits: a text that means nothing has n once in 2 ** n."""
        return max(0.0, self.best.score - self.chance)

    @property
    def is_certain(self) -> bool:
        """Whether all of them read the same."""
        return len({_match_values(match) for match in self.matches}) == 1

    def __repr__(self) -> str:
        others = f", {format_count(len(self.matches) - 1, 'other')}" if len(self.matches) > 1 else ""
        return f"<MatchGroup {brief(redact_text(self.best.chain))}: {format_bits(self.evidence)}{others}>"


def identify(
    texts: str | Iterable[str], *, facility: Iterable[int] = (), known: Iterable[int] = (), codecs: Codecs = ()
) -> tuple[MatchGroup, ...]:
    """Every reading that fits all of ``texts``, in groups, the best founded first; none if nothing fits.

    ``facility`` are facility codes that may occur; ``known`` are numbers of which at least one
    should be among the cards; ``codecs`` are a site's own, tried beside the catalogue.
    Raises `DefinitionError` for no text, or too many.

    Two cards at one gate of Brackwater Terminal, whose facility code is 123:

    >>> best, *others = identify(["02F764DD", "02F764E1"], facility=[123])
    >>> best, best.best.values
    (<MatchGroup hex:8/right-justified:26/wiegand-26: 14 bits>, \
(Fields(facility=123, number=45678), Fields(facility=123, number=45680)))
    >>> identify("Brackwater Terminal")
    ()
    """
    given = [texts] if isinstance(texts, str) else list(texts) if isinstance(texts, Iterable) else []
    if not given or len(given) > MOST_COMPARED_VALUES or not all(isinstance(text, str) for text in given):
        raise DefinitionError(f"identify: 1 to {MOST_COMPARED_VALUES} texts are needed, not {redacted_repr(texts)}")
    wanted, numbers = _whole_numbers("facility", facility), _whole_numbers("known", known)
    own = own_entries(codecs)
    matches = sorted(
        _find_matches(given, wanted, numbers, own),
        key=lambda match: (-match.score, match.chain.count("/"), len(match.chain), match.chain),
    )
    forms = {re.sub("[0-9]", "0", text): text for text in given}  # of the same length, and the same signs
    chance = (
        max(
            chance_bits(text, helped=bool(wanted or numbers), own=own)
            for text in list(forms.values())[:SAMPLES_PER_CHAIN]
        )
        if matches
        else 0.0
    )
    return tuple(replace(group, chance=chance) for group in _group_matches(matches, wanted, own))


def _whole_numbers(what: str, given: Iterable[int]) -> frozenset[int]:
    numbers = list(given) if isinstance(given, Iterable) else [given]
    if not isinstance(given, Iterable) or not all(map(is_index, numbers)):
        raise DefinitionError(f"identify: {what} must be a list of whole numbers, not {redacted_repr(given)}")
    return frozenset(map(index, numbers))


def _find_matches(
    texts: Sequence[str], wanted: frozenset[int], known: frozenset[int], own: OwnEntries
) -> Iterable[Match]:
    """The chains that read every text, and whose facility codes, if they have any, may occur."""
    distinct = list(dict.fromkeys(texts))
    bare = {text.strip(BLANKS): text for text in distinct}  # the same text with blanks around it is the same card
    read = {text: {each.chain: each for each in find_candidates(text, distinct, own)} for text in distinct}
    for name, first in read[distinct[0]].items():
        if all(name in found for found in read.values()):
            row = [read[text][name] for text in bare.values()]
            values = [read[text][name].value for text in texts]
            if match := _build_match(name, first, row, values, wanted, known, own):
                yield match


def _build_match(
    name: str, first: Candidate, row: Sequence[Candidate], values: Sequence[Mapping[str, Any]],
    wanted: frozenset[int], known: frozenset[int], own: OwnEntries,
) -> Match | None:  # fmt: skip
    evidence = sum(each.evidence - each.form for each in row) + min(each.form for each in row)
    reasons = []
    if evidence >= 1:
        reasons.append(f"form and checks: {format_bits(evidence)}")
    schema = build_chain(name, own).schema
    if wanted and "facility" in schema:
        if any(_to_number(value["facility"]) not in wanted for value in values):
            return None
        codes = {value["facility"] for value in values}  # that several cards have one is one fact
        gain = len(codes) * max(0.0, schema["facility"].room - log2(len(wanted)))
        evidence += gain
        reasons.append(f"the facility code is one that is expected ({format_bits(gain)})")
    hits = [number for value in values for number in map(_to_number, value.values()) if number in known]
    if hits:
        compared = len(known) * sum(map(len, values))
        gain = max(0.0, max(map(_distinguishing_bits, hits)) - log2(compared))
        evidence += gain
        reasons.append(f"a known number is among them ({format_bits(gain)})")
    notes = tuple({note.kind: note for each in row for note in each.notes}.values())
    reasons += [f"{note.kind}: {note.text}" for note in notes]
    return Match(
        chain=name,
        values=tuple(values),
        evidence=evidence,
        cost=first.cost,
        notes=notes,
        reasons=tuple(reasons),
        known=bool(hits),
    )


def format_bits(bits: float) -> str:
    """A number of bits, rounded, with its unit.

    >>> format_bits(0.9), format_bits(8.2)
    ('1 bit', '8 bits')
    """
    return f"{bits:.0f} bit{'s' * (round(bits) != 1)}"


def _to_number(item: object) -> int | None:
    """What a field holds, as a number: digits are one, too."""
    if isinstance(item, str) and item.isascii() and item.isdecimal() and len(item) <= LONGEST_COMPARED_DIGITS:
        return int(item)
    return item if isinstance(item, int) else None


def _distinguishing_bits(number: int | None) -> int:
    """How many bits tell a number from the others that are as long: zeros before it say nothing."""
    return max(0, (number or 0).bit_length() - 1)


def _match_values(match: Match) -> tuple[tuple[Any, ...], ...]:
    """What a chain reads, whatever it calls its fields."""
    return tuple(tuple(value.values()) for value in match.values)


def _group_matches(matches: Sequence[Match], wanted: frozenset[int], own: OwnEntries) -> tuple[MatchGroup, ...]:
    """The matches in groups: those that read the same, and those that no check can tell apart."""
    groups: list[list[Match]] = []
    home: dict[tuple[tuple[Any, ...], ...], list[Match]] = {}  # by what is read
    for match in matches:
        numbers = _match_values(match)
        group = home.get(numbers) or next((each for each in groups if _belongs_to(match, each, wanted, own)), None)
        if group is None:
            groups.append(group := [])
        home.setdefault(numbers, group).append(match)
    return tuple(
        MatchGroup(matches=tuple(group), advice=tuple(_describe_next_steps(group, wanted, own))) for group in groups
    )


def _belongs_to(match: Match, group: Sequence[Match], wanted: frozenset[int], own: OwnEntries) -> bool:
    return any(
        -0.5 < other.evidence - match.evidence < 0.5 and are_indistinguishable(other.chain, match.chain, wanted, own)
        for other in group
    )


@lru_cache(maxsize=1 << 16)
def are_indistinguishable(one: str, other: str, wanted: frozenset[int] = frozenset(), own: OwnEntries = ()) -> bool:
    """Whether each of two chains reads all that the other writes, so that no check can tell them apart.

    >>> are_indistinguishable("binary/wiegand-26", "binary/invert/reverse-bits/wiegand-26")
    True
    >>> are_indistinguishable("binary/wiegand-26", "binary/reverse-bits/wiegand-26")
    False
    """
    return _decodes_all(build_chain(one, own), _sample_texts(other, wanted, own), wanted) and _decodes_all(
        build_chain(other, own), _sample_texts(one, wanted, own), wanted
    )


def _decodes_all(codec: AnyCodec, texts: tuple[str, ...], wanted: frozenset[int]) -> bool:
    for text in texts:
        value = codec._decode_raw(to_raw("text", text))
        if value is None or (
            wanted and isinstance(value, Mapping) and value.get("facility", min(wanted)) not in wanted
        ):
            return False
    return bool(texts)


@lru_cache(maxsize=4096)
def _sample_texts(name: str, wanted: frozenset[int], own: OwnEntries) -> tuple[str, ...]:
    """Texts that a chain writes for values drawn at random; none where it cannot write."""
    codec, random = build_chain(name, own), Random(name)
    texts = []
    for _ in range(SAMPLES_PER_CHAIN):
        value = {
            field.name: random.choice(sorted(wanted)) if wanted and field.name == "facility"
            else random.randint(field.least, field.most)
            for field in codec.schema.values() if isinstance(field, Field)
        }  # fmt: skip
        try:
            texts.append(str(codec.encode(value)))
        except CredkitError:
            return ()
    return tuple(texts)


def _describe_next_steps(group: Sequence[Match], wanted: frozenset[int], own: OwnEntries) -> Iterable[str]:
    """What would tell the readings of a group apart, or found them better."""
    different = len({_match_values(match) for match in group}) > 1
    if different and not wanted and any("facility" in value for match in group for value in match.values):
        yield "say which facility codes are expected"
    if different:
        yield "read a card whose number is known"
    if len({str(value) for value in group[0].values}) < 3:
        yield "present another card: all of them must fit"
    if "decimal" in group[0].chain or any(build_chain(match.chain, own).lossy for match in group):
        yield "ask the reader for hexadecimal: digits may have been left out"

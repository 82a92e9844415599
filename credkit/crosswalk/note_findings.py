"""Noted: numbers that earn a note or lost a part on the way, and duplicates beside what chance would do."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from math import log2

import numpy as np

from credkit.core.reading import Note
from credkit.core.sentences import format_count
from credkit.core.shapes import single_length
from credkit.crosswalk.credentials import distinct_credentials, exclude_gone
from credkit.crosswalk.register import Card, Register
from credkit.crosswalk.result import Finding, SummaryTable
from credkit.crosswalk.targets import TargetTexts
from credkit.crosswalk.verdicts import Verdicts
from credkit.facts.chances import duplicate_probability, expected_pairs
from credkit.facts.numbers import Number
from credkit.site.model import CredentialKind, Site, Target

DUPLICATES_TITLE = "Duplicates, and pairs expected of random numbers (boxes are not random)"


def find_notes(
    site: Site, register: Register, verdicts: Verdicts
) -> Iterator[Finding]:  # fmt: skip
    """Kinds whose numbers earn notes of care, and readers that leave something out.

    Numbers are those of cards, and those that must not be a card's; what a reader in the wrong order
    sends is nobody's number.
    """
    notes: dict[Number, tuple[Note, ...]] = {card.number: card.notes for card in register.counting if card.number}
    for verdict in verdicts.others:
        result = verdict.sighting.result
        if verdict.number and result and (not verdict.code or result.refusal):
            before = notes.get(verdict.number, ())
            known = {note.kind for note in before}
            notes[verdict.number] = (*before, *(note for note in result.notes if note.kind not in known))
    for namespace, kinds in _kinds_by_namespace(site).items():
        mine = [found for (space, _), found in notes.items() if space == namespace]
        counts = Counter(note.kind for found in mine for note in found)
        if counts:
            words = {note.kind: note.text for found in mine for note in found}
            counts_text = "; ".join(f"{name} {count:,} ({words[name]})" for name, count in counts.most_common())
            text = f"of {format_count(len(mine), 'number')}: {counts_text}"
            yield Finding(code="noted-numbers", subject=_join_names(kinds), count=sum(map(bool, mine)), text=text)
    seen = verdicts.seen
    counts_by_period = Counter(dict(enumerate(np.bincount(seen.period[verdicts.clear]).tolist())))
    for verdict in verdicts.others:
        if verdict.number and verdict.sighting.period.codec.lossy:
            counts_by_period[int(seen.period[verdict.sighting.place])] += len(verdict.sighting.rows)
    for reader in site.readers.values():
        through = [
            (at.period.codec, counts_by_period[place])
            for place, at in enumerate(seen.periods)
            if at.reader is reader and at.period.codec.lossy
        ]
        if count := sum(rows for _, rows in through):
            cuts = dict.fromkeys(
                step.name for codec, rows in through if rows for step in codec.steps if step.is_projection
            )
            text = (
                f"{format_count(count, 'reading')} through {', '.join(cuts)}: the omitted part distinguishes no cards"
            )
            yield Finding(code="noted-numbers", subject=reader.name, count=count, text=text)


def tabulate_duplicates(site: Site, register: Register, written: Mapping[str, TargetTexts]) -> SummaryTable:
    """Numbers that several credentials have, by kind and by target that leaves something out, and what chance does."""
    rows: list[tuple[str | int, ...]] = []
    for kinds in _kinds_by_namespace(site).values():
        cards = exclude_gone(site, [card for card in register.counting if card.kind in kinds])
        size = min(_number_bits(site, kind) for kind in kinds)
        rows.append(
            _tabulate(_join_names(kinds), Counter(str(card.number) for card in _one_per_credential(cards)), size)
        )
    for target in site.targets.values():
        if target.conversion.lossy:
            texts = written[target.name].stored
            bits = min(_number_bits(site, target.kind), *_text_bits(target, texts.values()))
            counts = Counter(texts[card] for card in _one_per_credential(exclude_gone(site, texts)))
            rows.append(_tabulate(f"{target.name} (as it writes them)", counts, bits))
    columns = ("kind or target", "cards", "sharing", "bits", "pairs", "any pair")
    return SummaryTable(title=DUPLICATES_TITLE, columns=columns, rows=tuple(rows))


def _kinds_by_namespace(site: Site) -> dict[str, list[CredentialKind]]:
    """The kinds of each namespace: within one, numbers are compared."""
    found: dict[str, list[CredentialKind]] = defaultdict(list)
    for kind in site.kinds.values():
        found[kind.namespace].append(kind)
    return found


def _join_names(kinds: Sequence[CredentialKind]) -> str:
    return ", ".join(kind.name for kind in kinds)


def _tabulate(name: str, counts: Counter[str], bits: float) -> tuple[str | int, ...]:
    """A row of the section."""
    total, sharing = counts.total(), sum(count for count in counts.values() if count > 1)
    return (
        name,
        total,
        sharing,
        f"{bits:.0f}",
        f"{expected_pairs(total, bits):.2g}",
        f"{duplicate_probability(total, bits):.1%}",
    )


def _one_per_credential(cards: Sequence[Card]) -> Iterator[Card]:
    """One card for each credential."""
    ids = set(distinct_credentials(cards))
    for card in cards:
        if card.credential in ids:
            ids.discard(card.credential)
            yield card


def _number_bits(site: Site, kind: CredentialKind) -> float:
    """The bits of a number of ``kind`` in the narrowest form in which it is written or read."""
    read = (period.codec.schema for r in site.readers.values() if r.kind is kind for period in r.periods)
    return min(sum(schema[name].room for name in kind.key) for schema in (kind.schema, *read))


def _text_bits(target: Target, texts: Iterable[str]) -> list[float]:
    """The bits of a target's text: those that truncation leaves, or those of the most digits it has."""
    cuts = (
        single_length(step.output.lengths)
        for step in target.conversion.target.steps
        if step.is_projection and step.gives == "bits"
    )
    found = [float(size) for size in cuts if size]
    written = list(texts)
    if not found and written and all(text.isdecimal() for text in written):
        found.append(max(map(len, written)) * log2(10))
    return found or [float("inf")]

"""Noted: numbers that earn a note or lost a part on the way, and duplicates beside what chance would do."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from operator import itemgetter

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.reading import Note
from credkit.core.sentences import format_count
from credkit.crosswalk.register import Register
from credkit.crosswalk.result import Finding, SummaryTable
from credkit.crosswalk.targets import TargetTexts
from credkit.crosswalk.verdicts import Verdicts
from credkit.facts.chances import duplicate_probability, expected_pairs
from credkit.facts.judged_texts import in_slices
from credkit.facts.number_bits import number_bits, text_bits
from credkit.facts.numbers import Number
from credkit.site.model import CredentialKind, Site

DUPLICATES_TITLE = "Duplicates, and pairs expected of random numbers (boxes are not random)"


def find_notes(
    site: Site, register: Register, verdicts: Verdicts
) -> Iterator[Finding]:  # fmt: skip
    """Kinds whose numbers earn notes of care, and readers that leave something out.

    Numbers are those of cards, and those that must not be a card's; what a reader in the wrong order
    sends is nobody's number.
    """
    notes: dict[Number, tuple[Note, ...]] = {
        card.number: card.notes for card in register.others.values() if card.number and card.counts
    }
    owned = register.owners.count_by_namespace()
    for number, found in _notes_of_readings(verdicts):
        before = notes.get(number, ())
        known = {note.kind for note in before}
        notes[number] = (*before, *(note for note in found if note.kind not in known))
    for namespace, kinds in _kinds_by_namespace(site).items():
        mine = [found for (space, _), found in notes.items() if space == namespace]
        beside = sum(space == namespace and number not in register.owners for number in notes for space in number[:1])
        counts = Counter(note.kind for found in mine for note in found)
        if counts:
            words = {note.kind: note.text for found in mine for note in found}
            counts_text = "; ".join(f"{name} {count:,} ({words[name]})" for name, count in counts.most_common())
            text = f"of {format_count(owned[namespace] + beside, 'number')}: {counts_text}"
            yield Finding(code="noted-numbers", subject=_join_names(kinds), count=sum(map(bool, mine)), text=text)
    seen = verdicts.seen
    counts_by_period = Counter(dict(enumerate(seen.count_rows_by_period(verdicts.clear).tolist())))
    for verdict in verdicts.others:
        if verdict.number and verdict.sighting.period.codec.lossy:
            counts_by_period[int(seen.period[verdict.sighting.place])] += len(verdict.sighting.lines)
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


def _notes_of_readings(verdicts: Verdicts) -> Iterator[tuple[Number, tuple[Note, ...]]]:
    """The notes of texts that are somebody's number, or must not be, in the order of the readings."""
    seen, texts = verdicts.seen, verdicts.seen.texts
    places = np.concatenate(
        [verdicts.clear[:0], *(each[~texts.plain[seen.text[each]]] for each in in_slices(verdicts.clear))]
    )
    noted, first = np.unique(seen.text[places], return_index=True)
    places = places[first]
    found = [
        (place, texts.numbers[texts.number[each]], texts.result(each).notes)
        for place, each in zip(places.tolist(), noted.tolist(), strict=True)
    ]
    for verdict in verdicts.others:
        result = verdict.sighting.result
        if verdict.number and result and (not verdict.code or result.refusal):
            found.append((verdict.sighting.place, verdict.number, result.notes))
    return ((number, notes) for _, number, notes in sorted(found, key=itemgetter(0)))


def tabulate_duplicates(site: Site, register: Register, written: Mapping[str, TargetTexts]) -> SummaryTable:
    """Numbers that several credentials have, by kind and by target that leaves something out, and what chance does."""
    rows: list[tuple[str | int, ...]] = []
    for kinds in _kinds_by_namespace(site).values():
        mine = register.held & register.rows["kind"].is_in([kind.name for kind in kinds]).to_numpy()
        sharing = register.duplicates.filter(pl.Series(mine).gather(register.duplicates["row"]))
        size = min(number_bits(site, kind) for kind in kinds)
        rows.append(_tabulate(_join_names(kinds), register, np.flatnonzero(mine), sharing, size))
    for target in site.targets.values():
        if target.conversion.lossy:
            done = written[target.name]
            places = done.places[register.held[done.places] & done.stored.is_not_null().to_numpy()]
            bits = text_bits(site, target, done.stored.drop_nulls())
            name = f"{target.name} (as it writes them)"
            rows.append(_tabulate(name, register, places, done.find_shared(register), bits))
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


def _tabulate(
    name: str, register: Register, places: Array, sharing: pl.DataFrame, bits: float
) -> tuple[str | int, ...]:  # fmt: skip
    """A row of the section: how many credentials there are at ``places``, and how many are ``sharing`` with others."""
    total = register.rows["credential"].gather(places).n_unique()
    return (
        name,
        total,
        sharing["card"].n_unique(),
        f"{bits:.0f}",
        f"{expected_pairs(total, bits):.2g}",
        f"{duplicate_probability(total, bits):.1%}",
    )

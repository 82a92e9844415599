"""The crosswalk: a site and its rows in, what becomes of every row out.

    rows → sightings (texts read once) → register → verdicts → readers → evidence → targets → lines

Nothing is written here and nothing is changed: the result is a value.
"""

from __future__ import annotations

from collections.abc import Iterable

from credkit.crosswalk.credentials import (
    Doubts,
    compare_printed_numbers,
    doubt_cards_of_several_holders,
    find_duplicate_numbers,
    find_two_active,
)
from credkit.crosswalk.evidence import Evidence
from credkit.crosswalk.findings import (
    find_export_problems,
    find_file_problems,
    find_overlaps,
    find_reading_problems,
    find_unseen,
)
from credkit.crosswalk.note_findings import find_notes, tabulate_duplicates
from credkit.crosswalk.readers import analyse_readers
from credkit.crosswalk.register import Card, Number, Register, build_register
from credkit.crosswalk.result import FINDING_CODES, Crosswalk
from credkit.crosswalk.sightings import Sighting, collect_sightings
from credkit.crosswalk.summary import RowAccounting, summary_tables
from credkit.crosswalk.targets import CardJudge, TargetExport, encode_cards, find_duplicate_texts, find_unwritable
from credkit.crosswalk.texts import TextResults
from credkit.crosswalk.unmasked_numbers import describe_unmasked, find_payment_numbers, unmasked_subjects
from credkit.crosswalk.unresolved import list_unresolved
from credkit.crosswalk.verdicts import Verdict, count_rows, judge_sightings, other_issues
from credkit.site.description import load_rows
from credkit.site.model import Rows, Site


def crosswalk(site: Site, rows: Rows | None = None) -> Crosswalk:
    """The crosswalk of a site: the lines, exceptions and findings of all its rows; ``rows`` replace those of its files.

    Raises `DefinitionError` for a fault in a file itself.
    """
    rows = load_rows(site) if rows is None else rows
    texts = TextResults()
    seen = collect_sightings(site, rows.readings, texts)
    register = build_register(site, rows.credentials, texts, _unsuspected_numbers(seen))
    found = judge_sightings(site, register, seen)
    reader_findings = analyse_readers(site, register, found)
    evidence = Evidence(site, found, reader_findings)

    doubts = Doubts()
    doubt_cards_of_several_holders(site, register.cards, doubts)
    findings = [
        *find_duplicate_numbers(site, register.owners, doubts),
        *find_two_active(site, register.cards, doubts),
        *compare_printed_numbers(site, register.cards, texts, doubts),
        *reader_findings.findings,
    ]
    written, exports = {}, {}
    for target in site.targets.values():
        done = written[target.name] = encode_cards(target, register.cards)
        findings += (*find_duplicate_texts(site, target, done), *find_unwritable(site, target, done))
        if target.existing:
            exports[target.name] = TargetExport(site, target, rows.existing.get(target.name, ()), done)
    judge = CardJudge(
        site=site,
        doubts=doubts,
        evidence=evidence,
        written=written,
        exports=exports,
        reissued=_find_reissued(register, found),
    )
    lines = {card.row.line: judge.lines(card) for card in register.cards if not card.overlaps}

    refused = list_unresolved(site, register, reader_findings, found)
    explained, existing = {}, {}
    for name, export in exports.items():
        explained[name], existing[name] = export.match_rows()
    exceptions = (*register.exceptions, *refused, *(each for them in existing.values() for each in them))
    findings += (*find_notes(site, register, found), *find_reading_problems(site, found))
    findings += find_unseen(site, register.cards, evidence)
    findings += find_payment_numbers(site, register, found)
    findings += (*find_file_problems(exceptions), *find_overlaps(register), *find_export_problems(existing))
    resolved = [verdict for verdict in found if not verdict.code]
    order = {code: place for place, code in enumerate(FINDING_CODES)}
    placed = RowAccounting(
        site=site, rows=rows, resolved=resolved, lines=lines, credentials=register.exceptions, readings=refused,
        explained=explained, existing=existing,
    )  # fmt: skip
    return Crosswalk(
        site=site.name, as_of=site.as_of, lines=tuple(line for them in lines.values() for line in them),
        exceptions=exceptions, findings=tuple(sorted(findings, key=lambda finding: order[finding.code])),
        summary=(*summary_tables(placed), tabulate_duplicates(site, register, written)),
        ambiguous_readings=count_rows(verdict for verdict in resolved if not verdict.unambiguous),
        unmasked=unmasked_subjects(site, register, written, declared=True),
        unmasked_on_screen=unmasked_subjects(site, register, written, declared=False),
        remarks=tuple(describe_unmasked(site, register, seen)),
    )  # fmt: skip


def _find_reissued(register: Register, verdicts: Iterable[Verdict]) -> set[Card]:
    """The cards of which a reader saw another issue."""
    strange = (verdict.sighting for verdict in verdicts if verdict.code == "other-issue")
    return {card for sighting in strange for card in other_issues(register, sighting)}


def _unsuspected_numbers(seen: Iterable[Sighting]) -> set[Number]:
    """The numbers that readers gave in texts which no spreadsheet can have rounded."""
    return {
        Number(sighting.reader.kind.namespace, sighting.result.number)
        for sighting in seen
        if sighting.result and sighting.result.number and not sighting.result.maybe_rounded
    }

"""The crosswalk: a site and its rows in, what becomes of every row out.

    rows → sightings → columns → register → clocks → verdicts → readers → evidence → targets → lines → findings

Nothing is written here and nothing is changed: the result is a value.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Final

from credkit.core.collection import pause_collection
from credkit.core.progress import SILENT, PartProgress, Progress
from credkit.crosswalk.cards import Card
from credkit.crosswalk.clocks import describe_clock_faults, find_clock_faults, mark_undated
from credkit.crosswalk.credentials import (
    Doubts,
    compare_printed_numbers,
    find_duplicate_numbers,
    find_row_doubts,
    find_several_holders,
    find_two_active,
)
from credkit.crosswalk.evidence import Evidence
from credkit.crosswalk.exports import export_of
from credkit.crosswalk.findings import (
    find_export_problems,
    find_file_problems,
    find_overlaps,
    find_reading_problems,
    find_unseen,
)
from credkit.crosswalk.identifiers import (
    check_replaced,
    find_near_ids,
    find_unknown_expected,
    find_unknown_sources,
    find_white_space,
)
from credkit.crosswalk.judging import judge_sightings
from credkit.crosswalk.lines import CardJudge, find_held_lines
from credkit.crosswalk.note_findings import find_notes, tabulate_duplicates
from credkit.crosswalk.ordering import order_findings
from credkit.crosswalk.readers import analyse_readers
from credkit.crosswalk.readiness import find_readiness
from credkit.crosswalk.register import Register, build_register
from credkit.crosswalk.relatedrows import find_related_rows
from credkit.crosswalk.result import Crosswalk, InputFile
from credkit.crosswalk.rounding import ConfirmedNumbers, judge_columns
from credkit.crosswalk.rownumbers import describe_empty_lines, with_lines
from credkit.crosswalk.sightings import NOTHING_DECODED, collect_sightings
from credkit.crosswalk.summary import RowAccounting, count_readings, summary_tables
from credkit.crosswalk.targets import encode_cards, find_duplicate_texts, find_unwritable
from credkit.crosswalk.unmasked_numbers import describe_unmasked, find_payment_numbers, unmasked_subjects
from credkit.crosswalk.unresolved import list_unresolved
from credkit.crosswalk.verdicts import Verdict, count_rows, other_issues
from credkit.crosswalk.work import count_cards, list_work
from credkit.facts.judged_texts import DecodedTexts
from credkit.facts.numbers import Numbers
from credkit.facts.register_columns import read_kinds
from credkit.facts.texts import TextResults
from credkit.files.digests import sha256
from credkit.site.columns import load_frames
from credkit.site.frames import SiteFrames, tabulate_rows
from credkit.site.model import Rows, Site

PHASE_COUNT = 7
READING_PHASE = "reading the files"
NOTHING_KNOWN: Final[Mapping[Path, str]] = MappingProxyType({})


@pause_collection()
def crosswalk(site: Site, rows: Rows | None = None, progress: Progress = SILENT) -> Crosswalk:
    """The crosswalk of a site: the lines, exceptions and findings of all its rows; ``rows`` replace those of its files.

    ``progress`` is told of the phases. Raises `DefinitionError` for a fault in a file itself.
    """
    phases = number_phases(progress)
    phases[0].phase(READING_PHASE)
    inputs = digest_inputs(site) if rows is None else ()
    return match(site, load_frames(site) if rows is None else tabulate_rows(rows, site), inputs, phases)


def number_phases(progress: Progress) -> list[Progress]:
    """The phases of a crosswalk with their numbers; the first one is that of reading the files."""
    return [PartProgress(progress, number, PHASE_COUNT) for number in range(1, PHASE_COUNT + 1)]


def match(
    site: Site, frames: SiteFrames, inputs: tuple[InputFile, ...], phases: Sequence[Progress],
    decoded: Mapping[int, DecodedTexts] = NOTHING_DECODED,
) -> Crosswalk:  # fmt: skip
    """The crosswalk of the rows of ``site``, of which some texts may be ``decoded`` already."""
    readings, credentials, held = frames.readings, frames.credentials, frames.existing
    texts, numbers = TextResults(), Numbers()
    seen = collect_sightings(site, readings, texts, numbers, phases[1], decoded)
    phases[2].phase("decoding the register")
    kinds = tuple(read_kinds(site, credentials, frames.unsure.get("value", frozenset())))
    columns = judge_columns(site, kinds, seen, frames.unsure.get("text", frozenset()))
    register = build_register(site, credentials, kinds, numbers, texts, columns, ConfirmedNumbers(columns, seen))
    clock_faults = find_clock_faults(site, register.owners, seen)
    seen = mark_undated(seen, clock_faults)
    found = judge_sightings(site, register, columns, seen, phases[3])
    reader_findings = analyse_readers(site, register, found, phases[4])
    evidence = Evidence(register, found, reader_findings)
    refused, notes = list_unresolved(site, register, reader_findings, found), tuple(find_notes(site, register, found))
    counts = count_readings(site, readings, found.resolved_rows(), refused)
    unknown = tuple(find_unknown_expected(site, register, seen))
    clocks = tuple(describe_clock_faults(seen, clock_faults))
    others, judged, empty_lines, remarks = found.others, seen.texts, frames.empty_lines, frames.remarks
    del frames, readings, seen, found  # all that is to be said of single readings is in objects now

    doubts = Doubts()
    findings = [
        *find_near_ids(site, register, doubts),
        *find_white_space(site, register),
        *find_several_holders(site, register, doubts),
        *find_duplicate_numbers(register, others, doubts),
        *find_two_active(site, register, doubts),
        *compare_printed_numbers(site, register, texts, doubts),
        *find_row_doubts(register),
        *unknown,
        *find_unknown_sources(site, register),
        *check_replaced(site, register),
        *reader_findings.findings,
        *clocks,
    ]
    written = {target.name: encode_cards(register, target) for target in site.targets.values()}
    exports = {
        name: export_of(site, site.targets[name], table, register, written[name]) for name, table in held.items()
    }
    for target in site.targets.values():
        findings += (
            *find_duplicate_texts(register, target, written[target.name]),
            *find_unwritable(register, target, written[target.name]),
        )
    lines = CardJudge(
        site=site, register=register, doubts=doubts, evidence=evidence, written=written, exports=exports,
        reissued=_find_reissued(register, others), progress=phases[5],
    ).lines()  # fmt: skip

    phases[6].phase("listing exceptions and findings")
    in_register = tuple(register.exceptions())
    explained, existing = {}, {}
    for name, export in exports.items():
        explained[name], existing[name] = export.match_rows()
    exceptions = (*in_register, *refused, *(each for them in existing.values() for each in them))
    findings += (
        *find_held_lines(register, exports, lines),
        *notes,
        *find_reading_problems(site, register, others, evidence, reader_findings),
        *find_unseen(site, register, evidence),
        *find_payment_numbers(site, register, others),
        *find_file_problems(register, exceptions),
        *find_overlaps(register),
        *find_export_problems(existing),
    )
    placed = RowAccounting(
        site=site, register=credentials, readings=counts, exports=held, lines=lines, credentials=in_register,
        refused=refused, explained=explained, existing=existing,
    )  # fmt: skip
    ordered = order_findings(findings, credentials, site.credentials.name, lines)
    related = find_related_rows(register, others)
    result = Crosswalk(
        site=site.name, as_of=site.as_of, lines=lines, exceptions=exceptions, findings=ordered,
        work=list_work(site, ordered, lines, exceptions, reader_findings, related), cards=count_cards(lines),
        readiness=find_readiness(site, lines, evidence.reads),
        summary=(*summary_tables(placed), tabulate_duplicates(site, register, written)), inputs=inputs,
        ambiguous_readings=count_rows(
            verdict for verdict in others if not (verdict.code or verdict.unambiguous)
        ),
        unmasked=unmasked_subjects(site, register, written, declared=True),
        unmasked_on_screen=unmasked_subjects(site, register, written, declared=False),
        remarks=(
            *describe_empty_lines(site.credentials, empty_lines), *remarks, *describe_unmasked(site, register, judged),
        ),
    )  # fmt: skip
    return with_lines(result, site.credentials)


def digest_inputs(site: Site, known: Mapping[Path, str] = NOTHING_KNOWN) -> tuple[InputFile, ...]:
    """The files of a site with their digests, those that are ``known`` already; a missing one is refused when read."""
    held = {f"held by {name}": target.existing.path for name, target in site.targets.items() if target.existing}
    read = {**held, "readings": site.readings.path, "credentials": site.credentials.path}
    role = {path: name for name, path in read.items()} | dict.fromkeys(site.files[:1], "site")
    return tuple(
        InputFile(name=site.name_file(path), sha256=known.get(path) or sha256(path), role=role.get(path, ""))
        for path in dict.fromkeys(site.files)
        if path.is_file()
    )


def _find_reissued(register: Register, verdicts: Iterable[Verdict]) -> set[Card]:
    """The cards of which a reader saw another issue."""
    strange = (verdict.sighting for verdict in verdicts if verdict.code == "other-issue")
    return {card for sighting in strange for card in other_issues(register, sighting)}

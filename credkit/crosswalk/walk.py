"""The crosswalk: a site and its rows in, what becomes of every row out.

    rows → sightings (texts read once) → register → verdicts → readers → evidence → targets → lines

Nothing is written here and nothing is changed: the result is a value.
"""

from __future__ import annotations

from collections.abc import Iterable
from importlib.util import find_spec
from typing import TYPE_CHECKING

from credkit.crosswalk.credentials import Doubts, duplicates, passed_on, printed, two_active
from credkit.crosswalk.crowd import NOBODY, Crowd
from credkit.crosswalk.evidence import Evidence
from credkit.crosswalk.findings import of_cards, of_exports, of_overlaps, of_readings, of_rows
from credkit.crosswalk.noted import doubled, noted
from credkit.crosswalk.plain import like_payment, remarks, subjects
from credkit.crosswalk.readers import shown_together
from credkit.crosswalk.register import Card, Number, Register, enrol
from credkit.crosswalk.result import FINDINGS, Crosswalk
from credkit.crosswalk.sightings import Sighting, sightings
from credkit.crosswalk.summary import Placed, summed
from credkit.crosswalk.targets import Export, Judge, alike, not_held, write_all
from credkit.crosswalk.texts import Texts
from credkit.crosswalk.unresolved import unresolved
from credkit.crosswalk.verdicts import Verdict, other_issues, rows_of, verdicts
from credkit.site.description import load_rows
from credkit.site.model import Rows, Site

if TYPE_CHECKING:
    from credkit.crosswalk.gathering import Gathering

LARGE = 1 << 20  # bytes of credentials and readings, from which on a crowd is gathered


def crosswalk(site: Site, rows: Rows | None = None) -> Crosswalk:
    """What becomes of every row; ``rows`` are those of the site's files unless they are given.

    Of large files, only rows that may be a case of their own are looked at one by one; the result is the same.
    Raises `DefinitionError` for a fault in a file itself.
    """
    gathering = _gathering(site) if rows is None else None
    if gathering is None:
        return _crosswalk(site, load_rows(site) if rows is None else rows, NOBODY)
    while True:
        crowd, few = gathering.parted()
        try:
            return _crosswalk(site, few, crowd)
        except Doubtful as doubtful:
            gathering.look_at(doubtful.numbers)


def _gathering(site: Site) -> Gathering | None:
    """The rows as columns, where it is worth the while and can be done."""
    files = (site.credentials, site.readings)
    if sum(file.path.stat().st_size for file in files if file.path.is_file()) < LARGE:
        return None
    if any(find_spec(name) is None for name in ("numpy", "polars")):
        return None
    from credkit.crosswalk.gathering import gather  # only with the extra audit

    return gather(site)


class Doubtful(Exception):
    """Numbers of the crowd that have to be looked at."""

    def __init__(self, numbers: set[Number]) -> None:
        super().__init__()
        self.numbers = numbers


def _crosswalk(site: Site, rows: Rows, crowd: Crowd) -> Crosswalk:
    """What becomes of ``rows``, and of all others, which are of the crowd."""
    texts = Texts()
    seen = sightings(site, rows.readings, texts)
    register = enrol(site, rows.credentials, texts, _sure(seen))
    found = verdicts(site, register, seen)
    together = shown_together(site, register, found, crowd)
    if numbers := crowd.among(together.doubtful):
        raise Doubtful(numbers)
    evidence = Evidence(site, found, together)

    doubts = Doubts()
    passed_on(site, register.cards, doubts)
    findings = [
        *duplicates(site, register.owners, doubts),
        *two_active(site, register.cards, doubts),
        *printed(site, register.cards, texts, doubts, crowd),
        *together.findings,
    ]
    written, exports = {}, {}
    for target in site.targets.values():
        done = written[target.name] = write_all(target, register.cards)
        findings += (*alike(site, target, done), *not_held(site, target, done, crowd))
        if target.existing:
            exports[target.name] = Export(site, target, rows.existing.get(target.name, ()), done)
    judge = Judge(
        site=site,
        doubts=doubts,
        evidence=evidence,
        written=written,
        exports=exports,
        reissued=_reissued(register, found),
    )
    lines = {card.row.line: judge.lines(card) for card in register.cards if not card.overlaps}

    refused = unresolved(site, register, together, found)
    explained, existing = {}, {}
    for name, export in exports.items():
        explained[name], existing[name] = export.placed()
    exceptions = (*register.exceptions, *refused, *(each for them in existing.values() for each in them))
    findings += (*noted(site, register, found, crowd), *of_readings(site, found))
    findings += of_cards(site, register.cards, evidence, crowd)
    findings += like_payment(site, register, found)
    findings += (*of_rows(exceptions), *of_overlaps(register), *of_exports(existing))
    resolved = [verdict for verdict in found if not verdict.code]
    everything = crowd.lines(lines)
    order = {code: place for place, code in enumerate(FINDINGS)}
    placed = Placed(
        site=site, rows=rows, resolved=resolved, lines=lines, credentials=register.exceptions, readings=refused,
        explained=explained, existing=existing, crowd=crowd,
    )  # fmt: skip
    return Crosswalk(
        site=site.name, as_of=site.as_of, lines=everything,
        exceptions=exceptions, findings=tuple(sorted(findings, key=lambda finding: order[finding.code])),
        summary=(*summed(placed), doubled(site, register, written, crowd)),
        shared=rows_of(verdict for verdict in resolved if not verdict.alone),
        plain=subjects(site, register, written, declared=True),
        computed=subjects(site, register, written, declared=False), remarks=tuple(remarks(site, register, seen)),
    )  # fmt: skip


def _reissued(register: Register, verdicts: Iterable[Verdict]) -> set[Card]:
    """The cards of which a reader saw another issue."""
    strange = (verdict.sighting for verdict in verdicts if verdict.code == "other-issue")
    return {card for sighting in strange for card in other_issues(register, sighting)}


def _sure(seen: Iterable[Sighting]) -> set[Number]:
    """The numbers that readers gave in texts which no spreadsheet can have rounded."""
    return {
        (sighting.reader.kind.namespace, sighting.told.number)
        for sighting in seen
        if sighting.told and sighting.told.number and not sighting.told.suspect
    }

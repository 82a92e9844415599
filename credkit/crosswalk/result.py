"""What a crosswalk gives: lines, exceptions, findings, and totals that prove that every row is somewhere.

A *line* is what becomes of a credential in a target. An *exception* is a row of an input file that
a person has to look at. A *finding* is what many rows together show. None of them ever proposes to
deactivate anything.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

from credkit.crosswalk.linetable import LineTable
from credkit.crosswalk.readiness import Readiness
from credkit.facts.exceptions import ExceptionRow
from credkit.work.cures import ReaderChain
from credkit.work.filelines import NO_LINES, FileLines
from credkit.work.items import WorkItem

EXCEPTION_CODES = {  # of rows; a finding of the same code names each of them
    "unreadable": "the text does not have the form that the reader writes",
    "check-failed": "the text has the right form, but a check in it fails",
    "spreadsheet-damage": "a spreadsheet altered this value; re-export it from the source",
    "unknown-card": "a good number that no credential has",
    "other-issue": "the number of a card with another issue: a card that it replaced, or that replaced it",
    "unexpected-value": "a field has a value that is not expected here",
    "inactive-read": "the credential was not active when it was read",
    "conflict": "the reading names another card than the desk, or than the reads of the same presentation",
    "refused-note": "the value must not serve as a credential number",
    "incomplete-entry": "keys never entered, cleared or unreadable; rows of a record without one whole swipe",
    "unreadable-value": "the register's value does not have the form that is declared",
    "superseded": "another row for the same credential, kind and person counts",
    "overlap": "one credential, two holders at one time",
    "id-of-two-cards": "one credential id, two people with different numbers at one time",
    "inactive-held": "the target still holds the text of a credential that is not active",
    "existing-unmatched": "no credentials row explains what the target holds",
}
HOLD_CODES = {  # of lines that are held, besides those of rows; a finding of the same code names each of them
    "maybe-rounded": "values that a spreadsheet may have rounded",
    "near-id": "ids that differ only in case, white space or Unicode form",
    "duplicate-number": "one number, several credentials: all are held",
    "duplicate-text": "several credentials, one text in a target that truncates the number: all are held",
    "twin-rows": "rows for one credential, kind, person and time that differ, and no source of them counts first",
    "refused-value": "a register's value that must not serve as a credential number",
    "two-active-issues": "several active credentials of one kind for one person: all are held",
    "several-holders": "several people hold one card on the day of judgement",
    "printed-differs": "the printed number is not the encoded one",
    "like-payment": "numbers that look like payment account numbers: they are masked, and their cards are held",
    "unwritable": "numbers that a target's chain cannot write",
    "column-too-small": "numbers that a target cannot hold",
    "issue-dropped": "another issue was read, and the target leaves the issue out",
    "held-by-other": "the target holds the text for another person",
    "export-damage": "an export of a target that a spreadsheet altered",
}
FACT_CODES = {  # of findings that hold no line and except no row
    "re-set": "a reader that seems to emit another chain than declared for a time, or fails from a moment on",
    "other-order": "a reader that seems to send its bits in another order",
    "other-chain": "a reader that seems to emit another chain than declared",
    "single-facility": "a reader that seems to send one facility code for all cards",
    "clock": "a reader whose clock is wrong: the times of these readings prove nothing",
    "unknown-expected": "cards that the desk expected, and no credentials row has",
    "white-space": "ids with white space around them, which are kept as they are",
    "unknown-source": "sources that order_of_truth, most trusted first, does not list",
    "replaces": "credentials that replace what they cannot replace",
    "noted-numbers": "numbers that may not be a card's own: shared, reserved, random or truncated",
    "half-seen": "cards with two numbers of which one was never seen",
    "never-seen": "active credentials that no reading shows",
}
READER_CODES = ("re-set", "other-order", "other-chain", "single-facility")  # how a reader is set explains exceptions
FINDING_CODES = EXCEPTION_CODES | HOLD_CODES | FACT_CODES


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A fact about many rows: its subject, how many it counts, the ``rows`` it is about, and their ``people``.

    ``lines`` are ready for the site file; ``cure`` is what they are made of.
    """

    code: str
    subject: str
    count: int
    text: str
    rows: FileLines = NO_LINES
    people: int = 0
    lines: tuple[str, ...] = ()
    cure: ReaderChain | None = None


class CardCounts(NamedTuple):
    """How many cards are ready for every target, held for one at least, and neither: nothing is written of them."""

    ready: int
    held: int
    idle: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SummaryTable:
    """A table of the summary: the first column has words, the others numbers."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str | int, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """A file that was read, as the site file names it, its SHA-256 digest in hexadecimal digits, and what it is for.

    ``role`` is "site", "credentials", "readings", "held by" a target, or empty: a file may have another name next time.
    """

    name: str
    sha256: str
    role: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Crosswalk:
    """The whole result: lines and exceptions in the order of the input files, findings in that of their effect.

    ``work`` is what people have to do, what helps most first, and ``cards`` counts the cards by what becomes of them.
    ``readiness`` counts the people by area and target.
    ``inputs`` are the site file and all that it names, where rows were read from files.
    ``ambiguous_readings`` counts the resolved readings of numbers that several credentials have.
    ``unmasked`` are subjects of findings that a file may show though they look like account numbers,
    ``unmasked_on_screen`` those that a screen may show too; ``remarks`` gives the reasons for the others.
    """

    site: str
    as_of: date
    lines: LineTable
    exceptions: tuple[ExceptionRow, ...]
    findings: tuple[Finding, ...]
    work: tuple[WorkItem, ...]
    cards: CardCounts
    readiness: Readiness
    summary: tuple[SummaryTable, ...]
    inputs: tuple[InputFile, ...] = ()
    ambiguous_readings: int = 0
    unmasked: frozenset[str] = frozenset()
    unmasked_on_screen: frozenset[str] = frozenset()
    remarks: tuple[str, ...] = ()

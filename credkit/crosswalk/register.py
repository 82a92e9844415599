"""The register: the credentials rows that count, and whose number is whose.

Rows of several registers are merged first: for one credential, kind and person the source that the
site trusts most counts. What remains is read, and known by its number within its namespace.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

from credkit.core.fields import Item
from credkit.core.reading import Note
from credkit.core.sentences import redacted_repr
from credkit.crosswalk.result import ExceptionRow, make_exception
from credkit.crosswalk.texts import TextResults, describe_rounding
from credkit.privacy.accounts import hide_all_but_account_ends
from credkit.site.calendars import Calendar
from credkit.site.model import CredentialKind, Rules, Site
from credkit.site.rows import Assignment

ACTIVE, EARLY, EXPIRED = "active", "not yet valid", "expired"
_COMPARED = ("value", "printed", "issue", "status", "valid_from", "valid_until", "replaces")


class Number(NamedTuple):
    """A credential number: its namespace, and the values of the fields that make it."""

    namespace: str
    values: tuple[Item, ...]


HolderPair = tuple[Assignment, Assignment]  # two holders of one credential at one time, in the order of the file


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Card:
    """A credentials row that counts, with the number it says; ``doubts`` are reasons not to write it."""

    row: Assignment
    kind: CredentialKind
    fields: Mapping[str, Item]
    number: Number
    doubts: tuple[str, ...] = ()
    notes: tuple[Note, ...] = ()
    overlaps: bool = False
    holds_account: bool = False  # whether its value holds an account number

    @property
    def credential(self) -> str:
        """The credential that has the number."""
        return self.row.credential

    @property
    def number_text(self) -> str:
        """The number as output files write it."""
        return format_number(self.number)

    @property
    def masked_number(self) -> str:
        """The number as a file or a sentence may show it."""
        return hide_all_but_account_ends(self.number_text) if self.holds_account else self.number_text


def format_number(number: Number) -> str:
    """The fields of a number, joined.

    >>> format_number(Number("harbour", (12, 345)))
    '12-345'
    """
    return "-".join(map(str, number.values))


def hide_secret(card: Card, text: str) -> str:
    """``text``, which holds the number of ``card``, as a file may show it."""
    return hide_all_but_account_ends(text) if card.holds_account else text


@dataclass(frozen=True, slots=True, kw_only=True)
class Register:
    """The cards, by number too, and the rows that are none."""

    cards: tuple[Card, ...]
    owners: Mapping[Number, tuple[Card, ...]]
    exceptions: tuple[ExceptionRow, ...]
    superseded_numbers: Mapping[Number, tuple[str, ...]]  # what superseded rows say: number to credentials
    overlapping: Mapping[int, HolderPair]  # by line
    issues: Mapping[Number, tuple[Card, ...]]  # by the number without its issue, for kinds that have one in it


def status_on(row: Assignment, day: date, rules: Rules) -> str:
    """The status of an assignment as it stands on ``day``, the day of judgement."""
    if row.status not in rules.active:
        return row.status
    if row.valid_from and day < row.valid_from:
        return EARLY
    if row.valid_until and row.valid_until < day:
        return EXPIRED
    return ACTIVE


def status_when_read(row: Assignment, day: date, site: Site) -> str:
    """The status of an assignment on an earlier ``day``.

    A row that is no longer active was so until its end, where an end has come; where none has,
    nothing says since when it is lost, and it counts as lost all along.
    """
    if row.valid_from and day < row.valid_from:
        return EARLY
    ended = row.valid_until is not None and row.valid_until <= site.as_of
    if row.valid_until and row.valid_until < day:
        return status_on(row, day, site.rules)
    return ACTIVE if ended or row.status in site.rules.active else row.status


def build_register(site: Site, rows: Sequence[Assignment], texts: TextResults, confirmed: Iterable[Number]) -> Register:
    """The register in ``rows``; ``confirmed`` are numbers that texts beyond suspicion show."""
    sure = set(confirmed)
    late, doubts = _merge_registers(rows, site.rules)
    overlapping = _find_overlaps([row for row in rows if row.line not in late], site.rules)
    cards: list[Card] = []
    exceptions: list[ExceptionRow] = []
    passed_over: dict[Number, list[str]] = defaultdict(list)
    for row in rows:
        kind = site.kinds[row.kind]
        result = texts.read(kind.value, kind, row.value)
        if result.payment.has_valid_track:
            site.credentials.refuse_track(row.line)
        fields = result.fields
        if fields is not None and kind.issue and row.issue is not None:
            fields = {**fields, kind.issue: row.issue}
        number = Number(kind.namespace, kind.number_in(fields)) if fields and fields.keys() >= set(kind.key) else None
        code, reason = "", ""
        if row.line in late:
            code, reason = "superseded", late[row.line]
            if number:
                passed_over[number].append(row.credential)
        elif fields is not None and number is None:
            code, reason = (
                "unreadable-value",
                f"its issue is empty, but the number of a {redacted_repr(row.kind)} needs one",
            )
        elif number is None:
            code, reason = result.code if result.code == "spreadsheet-damage" else "unreadable-value", result.reason
        elif result.maybe_rounded and number not in sure:
            code, reason = "spreadsheet-damage", describe_rounding(row.value)
        elif row.line in overlapping:
            one, other = overlapping[row.line]
            beside = one if row is other else other
            code, reason = "overlap", f"{redacted_repr(beside.person)} holds it at the same time (line {beside.line})"
        if code:
            exceptions.append(
                make_exception(
                    file=site.credentials.name, line=row.line, code=code, text=row.value, reason=reason,
                    candidates=(row.credential,), unmasked=kind.not_payment is not None,
                    holds_account=result.payment.has_account,
                )
            )  # fmt: skip
        if number and fields is not None and code in ("", "overlap"):
            more = (f"its value must not serve: {result.refusal}",) if result.refusal and kind.refuses else ()
            cards.append(
                Card(
                    row=row, kind=kind, fields=fields, number=number, notes=result.notes,
                    holds_account=result.payment.has_account, doubts=(*doubts.get(row.line, ()), *more),
                    overlaps=bool(code),
                )
            )  # fmt: skip
    owners: dict[Number, list[Card]] = defaultdict(list)
    for card in cards:
        owners[card.number].append(card)
    issues: dict[Number, list[Card]] = defaultdict(list)
    for card in cards:
        if card.kind.issue:
            issues[Number(card.kind.namespace, card.kind.without_issue(card.number.values))].append(card)
    return Register(
        cards=tuple(cards), owners={number: tuple(them) for number, them in owners.items()},
        exceptions=tuple(exceptions),
        superseded_numbers={number: tuple(dict.fromkeys(them)) for number, them in passed_over.items()},
        overlapping=overlapping, issues={number: tuple(them) for number, them in issues.items()},
    )  # fmt: skip


def _merge_registers(rows: Sequence[Assignment], rules: Rules) -> tuple[dict[int, str], dict[int, tuple[str, ...]]]:
    """By line: why a row does not count beside another, and doubts about those that the rules do not settle."""
    groups: dict[tuple[str, str, str], list[Assignment]] = defaultdict(list)
    for row in rows:
        groups[row.credential, row.kind, row.person].append(row)
    late: dict[int, str] = {}
    doubts: dict[int, tuple[str, ...]] = defaultdict(tuple)
    rank = {source: place for place, source in enumerate(rules.order_of_truth)}
    for group in groups.values():
        if len(group) == 1:
            continue
        best = min(rank.get(row.source, len(rank)) for row in group)
        counting: dict[tuple[object, ...], Assignment] = {}
        for row in group:
            if rank.get(row.source, len(rank)) == best:
                same = counting.setdefault(tuple(getattr(row, name) for name in _COMPARED), row)
                if same is not row:
                    late[row.line] = f"it repeats line {same.line}"
        calendar = Calendar(counting.values(), lambda row: row.line)
        for row in counting.values():
            if beside := calendar.find_sharing(row):
                doubts[row.line] += (f"line {beside.line} says otherwise ({_differing_columns(row, beside)})",)
        first = next(iter(counting.values()))
        for row in group:
            if rank.get(row.source, len(rank)) > best:
                other = calendar.find_sharing(row) or first
                differing = _differing_columns(row, other)
                says = f"differs in {differing} from" if differing else "says the same as"
                late[row.line] = f"it {says} line {other.line}, and {redacted_repr(other.source)} counts first"
    return late, doubts


def _differing_columns(row: Assignment, other: Assignment) -> str:
    """The columns in which two rows differ, but for who says so."""
    return ", ".join(name for name in _COMPARED if getattr(row, name) != getattr(other, name))


def _find_overlaps(rows: Sequence[Assignment], rules: Rules) -> dict[int, HolderPair]:
    """By line: the row and one of another person who holds the same credential at the same time.

    Cards of pools are left out, and cards that are gone.
    """
    pooled = {row.credential for row in rows if row.person in rules.pools}
    groups: dict[tuple[str, str], list[Assignment]] = defaultdict(list)
    for row in rows:
        if row.credential not in pooled and row.status not in rules.gone:
            groups[row.credential, row.kind].append(row)
    found: dict[int, HolderPair] = {}
    for group in groups.values():
        calendar = Calendar(group, lambda row: row.person)
        for row in group:
            if other := calendar.find_sharing(row):
                found[row.line] = (row, other) if row.line < other.line else (other, row)
    return found

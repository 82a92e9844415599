"""The register: every credentials row with its number, whether it counts, and whose number is whose.

Each row of credentials.csv is a `Card`. It counts if it has a number, no row of a more trusted source
covers its days, and no spreadsheet altered it; cards that count own their number within its namespace.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from credkit.core.fields import Item
from credkit.core.reading import Note
from credkit.core.sentences import redacted_repr
from credkit.core.whitespace import strip_white_space
from credkit.crosswalk.decisions import Doubt
from credkit.crosswalk.filelines import FileLines
from credkit.crosswalk.result import ExceptionRow, make_exception
from credkit.crosswalk.rounding import ColumnName, ColumnVerdicts, Rounding
from credkit.facts.numbers import Number, format_number
from credkit.facts.texts import TextResult, TextResults
from credkit.privacy.accounts import hide_all_but_account_ends
from credkit.site.calendars import Calendar
from credkit.site.model import CredentialKind, Rules, Site
from credkit.site.nearids import group_ids, near_key
from credkit.site.rows import Assignment, describe_white_space
from credkit.site.superseded import Superseded, Twin, find_superseded


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Card:
    """A credentials row: its number, where its value has one, and ``doubts`` about it.

    ``code`` and ``reason`` say why it is among the exceptions, if it is.
    """

    row: Assignment
    kind: CredentialKind
    fields: Mapping[str, Item] | None
    number: Number | None
    code: str = ""
    reason: str = ""
    doubts: tuple[Doubt, ...] = ()
    notes: tuple[Note, ...] = ()
    holds_account: bool = False  # whether its value holds an account number
    restored: Number | None = None  # the number of a value that seems to have lost its leading zeros

    @property
    def credential(self) -> str:
        """The credential that has the number."""
        return self.row.credential

    @property
    def counts(self) -> bool:
        """Whether it owns its number; the rows of two holders of one card do, each."""
        return self.number is not None and self.code in ("", "overlap", "id-of-two-cards")

    @property
    def number_text(self) -> str:
        """The number as output files write it; empty where there is none."""
        return format_number(self.number) if self.number else ""

    @property
    def masked_number(self) -> str:
        """The number as a file or a sentence may show it."""
        return hide_all_but_account_ends(self.number_text) if self.holds_account else self.number_text


def hide_secret(card: Card, text: str) -> str:
    """``text``, which holds the number of ``card``, as a file may show it."""
    return hide_all_but_account_ends(text) if card.holds_account else text


@dataclass(frozen=True, slots=True, kw_only=True)
class Register:
    """All credentials rows as cards, those that count also by number and by credential."""

    file: str
    cards: tuple[Card, ...]
    owners: Mapping[Number, tuple[Card, ...]]
    superseded_owners: Mapping[Number, tuple[Card, ...]]  # of numbers in superseded rows
    spaced_owners: Mapping[Number, tuple[Card, ...]]  # of numbers that values have without the white space around them
    rows_of_credential: Mapping[str, tuple[Card, ...]]
    near_ids: Mapping[str, tuple[str, ...]]  # credential ids by their near key
    overlapping: Mapping[int, HolderPair]  # by line
    issues: Mapping[Number, tuple[Card, ...]]  # by the number without its issue, for kinds that have one in it

    @property
    def counting(self) -> Iterator[Card]:
        """The cards that count."""
        return (card for card in self.cards if card.counts)

    def exceptions(self) -> Iterator[ExceptionRow]:
        """The rows that are exceptions, in the order of the file."""
        for card in self.cards:
            if card.code:
                yield make_exception(
                    file=self.file, line=card.row.line, code=card.code, text=card.row.value, reason=card.reason,
                    person=card.row.person, credential=card.credential, candidates=(card.credential,),
                    unmasked=card.kind.not_payment is not None, holds_account=card.holds_account,
                )  # fmt: skip

    def has_credential(self, credential: str) -> bool:
        """Whether any row has this credential id."""
        return credential in self.rows_of_credential

    def cards_of(self, credential: str) -> Sequence[Card]:
        """All rows of a credential, those that do not count too."""
        return self.rows_of_credential.get(credential, ())

    def near_credential(self, credential: str) -> str:
        """The one credential of which an unknown id is a near miss; empty without one, or with several."""
        near = find_near(credential, self.near_ids)
        return near[0] if len(near) == 1 else ""

    def contradicts(self, credential: str, number: Number) -> bool:
        """Whether a credential has a number in this namespace, and another one than ``number``."""
        mine = [card.number for card in self.cards_of(credential) if card.counts and card.number]
        return number not in mine and any(each.namespace == number.namespace for each in mine)

    def lines_of(self, cards: Iterable[Card]) -> FileLines:
        """The rows of ``cards``."""
        return FileLines({self.file: [card.row.line for card in cards]})


HolderPair = tuple[Card, Card]  # two holders of one credential id at one time, in the order of the file


def find_near(text: str, known: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
    """The ids of ``known`` (by near key) that differ from ``text`` only in case, white space or Unicode form."""
    return tuple(each for each in known.get(near_key(text), ()) if each != text)


def build_register(
    site: Site, rows: Sequence[Assignment], texts: TextResults, columns: ColumnVerdicts, confirmed: Container[Number]
) -> Register:
    """The register in ``rows``; ``confirmed`` are numbers that readers gave in texts beyond suspicion."""
    superseded, twins = find_superseded(rows, site.rules)
    cards = [
        _read_card(site, row, texts, columns, confirmed, superseded.get(row.line), twins.get(row.line, ()))
        for row in rows
    ]
    overlapping = _find_overlaps([card for card in cards if card.counts], site.rules)
    cards = [_with_holders(card, overlapping.get(card.row.line)) for card in cards]
    by_line = {card.row.line: card for card in cards}
    owners: dict[Number, list[Card]] = defaultdict(list)
    passed_over: dict[Number, list[Card]] = defaultdict(list)
    spaced: dict[Number, list[Card]] = defaultdict(list)
    issues: dict[Number, list[Card]] = defaultdict(list)
    of_credential: dict[str, list[Card]] = defaultdict(list)
    for card in cards:
        of_credential[card.credential].append(card)
        if card.number is None:
            if number := _number_without_white_space(card, texts):
                spaced[number].append(card)
            continue
        if card.code == "superseded":
            passed_over[card.number].append(card)
        if card.counts:
            owners[card.number].append(card)
            if card.kind.issue:
                issues[Number(card.kind.namespace, card.kind.without_issue(card.number.values))].append(card)
    return Register(
        file=site.credentials.name, cards=tuple(cards), owners=_freeze(owners), superseded_owners=_freeze(passed_over),
        spaced_owners=_freeze(spaced),
        rows_of_credential={credential: tuple(them) for credential, them in of_credential.items()},
        near_ids=group_ids(of_credential), issues=_freeze(issues),
        overlapping={
            line: (by_line[one.row.line], by_line[other.row.line]) for line, (one, other) in overlapping.items()
        },
    )  # fmt: skip


def _freeze(groups: Mapping[Number, list[Card]]) -> dict[Number, tuple[Card, ...]]:
    return {number: tuple(them) for number, them in groups.items()}


def _read_card(
    site: Site, row: Assignment, texts: TextResults, columns: ColumnVerdicts, confirmed: Container[Number],
    superseded: Superseded | None, twins: Sequence[Twin],
) -> Card:  # fmt: skip
    """The card of a row by itself: its number, or why it has none that counts."""
    kind = site.kinds[row.kind]
    result = texts.read(kind.value, kind, row.value)
    if result.payment.has_valid_track:
        site.credentials.refuse_track(row.line)
    fields = result.fields
    if fields is not None and kind.issue and row.issue is not None:
        fields = {**fields, kind.issue: row.issue}
    has_key = fields is not None and fields.keys() >= set(kind.key)
    number = Number(kind.namespace, kind.number_in(fields)) if fields is not None and has_key else None
    doubts = [
        Doubt(
            "twin-rows",
            f"line {twin.beside_line} differs in {', '.join(twin.differing)}, and neither source counts first",
        )
        for twin in twins
    ]
    if result.refusal and kind.refuses:
        doubts.append(Doubt("refused-value", f"its value must not serve: {result.refusal}"))
    column = ColumnName(site.credentials.name, kind.name)
    rounding = columns.rounding(column, row.value)
    if rounding and number in confirmed:
        rounding = None
    code, reason = "", ""
    if superseded:
        code, reason = "superseded", describe_superseded(superseded)
    elif number is None:
        code, reason = _describe_unreadable(site, row, result, rounding)
    elif rounding and rounding.certain:
        code, reason = "spreadsheet-damage", rounding.text
    elif rounding:
        doubts.append(Doubt("maybe-rounded", rounding.text))
    return Card(
        row=row, kind=kind, fields=fields, number=number, code=code, reason=reason, doubts=tuple(doubts),
        notes=result.notes, holds_account=result.payment.has_account,
        restored=Number(kind.namespace, result.restored) if result.restored else None,
    )  # fmt: skip


def _describe_unreadable(site: Site, row: Assignment, result: TextResult, rounding: Rounding | None) -> tuple[str, str]:
    """The code and the reason of a row without a number."""
    if result.fields is not None:
        return "unreadable-value", f"its issue is empty, but the number of a {redacted_repr(row.kind)} needs one"
    if result.if_whole and not rounding:
        result = result.if_whole
    code = result.code if result.code == "spreadsheet-damage" else "unreadable-value"
    return code, describe_white_space(site.credentials, "value", row.value) or result.reason


def _number_without_white_space(card: Card, texts: TextResults) -> Number | None:
    """The number that the value of an unreadable row has without the white space around it."""
    bare = strip_white_space(card.row.value)
    if card.code != "unreadable-value" or bare == card.row.value:
        return None
    result = texts.read(card.kind.value, card.kind, bare)
    return Number(card.kind.namespace, result.number) if result.number else None


def describe_superseded(row: Superseded) -> str:
    """Why a row does not count beside another.

    >>> describe_superseded(Superseded(3, 2, ("value",), "west"))
    "it differs in value from line 2, and 'west' counts first"
    """
    if not row.differing:
        return f"it repeats line {row.by_line}"
    differing = ", ".join(row.differing)
    return f"it differs in {differing} from line {row.by_line}, and {redacted_repr(row.by_source)} counts first"


def _with_holders(card: Card, pair: HolderPair | None) -> Card:
    """``card`` as an exception, if another person has a card of its id at the same time."""
    if pair is None:
        return card
    one, other = pair
    beside = one if card is other else other
    who = f"{redacted_repr(beside.row.person)} holds it at the same time (line {beside.row.line})"
    code = "overlap"
    if beside.number != card.number:
        code, who = "id-of-two-cards", f"{who}, with another number: one id stands for two cards"
    return replace(card, code=code, reason=who)


def _find_overlaps(cards: Sequence[Card], rules: Rules) -> dict[int, HolderPair]:
    """By line: the card and one of another person with the same credential id at the same time.

    Cards of pools are left out, and cards that are gone. Of several others, one with the same number is taken.
    """
    pooled = {card.credential for card in cards if card.row.person in rules.pools}
    groups: dict[tuple[str, str], list[Card]] = defaultdict(list)
    for card in cards:
        if card.credential not in pooled and card.row.status not in rules.gone:
            groups[card.credential, card.kind.name].append(card)
    found: dict[int, HolderPair] = {}
    for group in groups.values():
        if len(group) == 1:
            continue
        by_line = {card.row.line: card for card in group}
        numbers: dict[Number | None, list[Card]] = defaultdict(list)
        for card in group:
            numbers[card.number].append(card)
        for them in [*numbers.values(), group] if len(numbers) > 1 else [group]:
            calendar = Calendar([card.row for card in them], lambda row: row.person)
            for card in them:
                other = calendar.find_sharing(card.row) if card.row.line not in found else None
                if other:
                    beside = by_line[other.line]
                    found[card.row.line] = (card, beside) if card.row.line < other.line else (beside, card)
    return found

"""Verdicts: what becomes of each sighting. It is resolved to a credential, or goes to the exceptions.

A number alone may belong to several credentials. What the desk expected, and what else was read
from the card while it was held once, decide between them, or contradict the reading; then comes
the question whether the credential was active on that day.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from credkit.bulk.words import Array
from credkit.core.fields import Item
from credkit.core.sentences import format_count, quote, redacted_repr
from credkit.crosswalk.register import Card, Register
from credkit.crosswalk.result import MOST_VALUES_NAMED, FileLine, describe_rows, join_values
from credkit.crosswalk.rounding import ColumnVerdicts, column_of
from credkit.crosswalk.sightings import NO_TEXT, Sighting, Sightings
from credkit.facts.numbers import Number, format_number
from credkit.facts.statuses import ACTIVE, EARLY, active_days, status_when_read
from credkit.files.times import local_days
from credkit.privacy.accounts import hide_all_but_account_ends
from credkit.site.model import Site
from credkit.site.rows import describe_white_space

NEVER = 0  # in place of a day: the first one is 1
CERTAIN_NUMBERS = ("unknown-card", "other-issue", "unexpected-value", "refused-note")  # codes of good readings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verdict:
    """The verdict on a sighting: without a ``code`` it is resolved.

    ``cards`` are the credentials rows it is a sight of, ``unambiguous`` says that they are of one
    credential; ``owners`` are all owners of its number, ``possible`` those that it may be of though they
    were not active then. ``disputed`` are the credentials that it contradicts and ``dispute`` says why;
    ``reported_under`` are those a conflict is reported under.
    """

    sighting: Sighting
    code: str = ""
    reason: str = ""
    number: Number | None = None
    cards: tuple[Card, ...] = ()
    owners: tuple[Card, ...] = ()
    possible: tuple[Card, ...] = ()
    unambiguous: bool = True
    disputed: tuple[str, ...] = ()
    dispute: str = ""
    reported_under: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What the desk expected of a sighting: a credential of the register, or one that an unknown id may mean."""

    credential: str = ""
    near: str = ""  # only where ``credential`` is empty: a near miss proves nothing, but it may contradict


NOTHING_EXPECTED = Desk()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verdicts:
    """The verdicts on all sightings: ``clear`` has the places of those against which nothing speaks.

    Each of these shows one card, the only one of its number, which was active then; the place of the number among
    those of the texts is in ``numbers``. The others are judged one by one.
    """

    seen: Sightings
    clear: Array
    numbers: Array
    others: tuple[Verdict, ...]

    def resolved_rows(self) -> Array:
        """The places of the rows of all sightings that are resolved."""
        several = [self.seen.row_places(verdict.sighting.place) for verdict in self.others if not verdict.code]
        return np.append(self.seen.first[self.clear], np.array([row for rows in several for row in rows], np.int64))


def count_rows(verdicts: Iterable[Verdict]) -> int:
    """The number of reading rows of these verdicts."""
    return sum(len(verdict.sighting.rows) for verdict in verdicts)


def reading_lines(site: Site, verdicts: Iterable[Verdict]) -> frozenset[FileLine]:
    """The reading rows of these verdicts."""
    return frozenset(FileLine(site.readings.name, row.line) for verdict in verdicts for row in verdict.sighting.rows)


def describe_readings(verdicts: Sequence[Verdict]) -> str:
    """The number of readings of these verdicts, and of their rows where entries have several."""
    count, rows = len(verdicts), count_rows(verdicts)
    return (
        format_count(count, "reading") if count == rows else f"{format_count(count, 'entry', 'entries')}, {rows:,} rows"
    )


def judge_sightings(site: Site, register: Register, columns: ColumnVerdicts, seen: Sightings) -> Verdicts:
    """A verdict for each sighting."""
    is_clear = find_clear(site, register, seen)
    clear, others = np.flatnonzero(is_clear), np.flatnonzero(~is_clear)
    return Verdicts(
        seen=seen, clear=clear, numbers=seen.texts.number[seen.text[clear]],
        others=tuple(_judge_one_by_one(site, register, columns, seen.make(others))),
    )  # fmt: skip


def find_clear(site: Site, register: Register, seen: Sightings) -> Array:
    """The sightings against which nothing speaks, so that they need not be looked at one by one.

    The text is a number and nothing else, one card alone has it, which was active that day, and neither the desk nor
    another read of the presentation says anything.
    """
    texts = seen.texts
    found: Array = seen.presentation == 0
    found[list(seen.expected)] = False
    found[list(seen.entries)] = False
    found &= (seen.text != NO_TEXT) & (texts.plain & ~texts.unexpected)[seen.text] if len(texts.texts) else False
    alone = np.zeros(len(texts.numbers), bool)
    first, last = np.full((2, len(texts.numbers)), NEVER)
    for place, number in enumerate(texts.numbers):
        cards = register.owners.get(number, ())
        alone[place] = len(cards) == 1
        if alone[place] and (span := active_days(cards[0].row, site)):
            first[place], last[place] = (day.toordinal() for day in span)
    places = np.flatnonzero(found)
    which, days = texts.number[seen.text[places]], local_days(seen.moment[places], site.zone)
    active = (first[which] <= days) & (days <= last[which])
    found[places] = alone[which] & (active | ~seen.dated[places])
    return found


def _judge_one_by_one(
    site: Site, register: Register, columns: ColumnVerdicts, seen: Sequence[Sighting]
) -> list[Verdict]:
    """A verdict for each of some sightings, in the same order; all of a presentation are among them."""
    found: list[Verdict] = []
    groups: dict[int, list[int]] = defaultdict(list)
    expected: dict[int, set[str]] = defaultdict(set)
    for place, sighting in enumerate(seen):
        found.append(_judge_alone(site, register, columns, sighting))
        groups[sighting.presentation or -1 - place].append(place)
        if sighting.presentation and (want := _find_expected(register, sighting).credential):
            expected[sighting.presentation].add(want)
    owners = _OwnersByDay(site)
    for name, group in groups.items():
        of_group = expected.get(name, ())
        desk = Desk(credential=next(iter(of_group))) if len(of_group) == 1 else NOTHING_EXPECTED
        good = [place for place in group if not found[place].code]
        desks = {place: _find_expected(register, seen[place], desk) for place in group}
        judged = _judge_presentation(owners, [found[place] for place in good], [desks[place] for place in good], desk)
        for place, verdict in zip(good, judged, strict=True):
            found[place] = verdict
        if len(good) == len(group):
            continue
        shown, resolvable = _shown_by([found[place] for place in good]), set(good)
        for place in group:
            if place not in resolvable:
                found[place] = _contradict(register, found[place], desks[place], shown)
    return found


def _find_expected(register: Register, sighting: Sighting, otherwise: Desk = NOTHING_EXPECTED) -> Desk:
    """What the desk expected of a sighting; ``otherwise`` is what it expected of the presentation."""
    if not sighting.expected:
        return otherwise
    if register.has_credential(sighting.expected):
        return Desk(credential=sighting.expected)
    return Desk(near=register.near_credential(sighting.expected)) if not otherwise.credential else otherwise


def _shown_by(group: Sequence[Verdict]) -> Verdict | None:
    """The resolved verdict of a presentation that shows one credential only; None where there is none such."""
    resolved = [verdict for verdict in group if not verdict.code]
    ids = {card.credential for verdict in resolved for card in verdict.cards}
    return resolved[0] if len(ids) == 1 and all(verdict.unambiguous for verdict in resolved) else None


def _contradict(register: Register, verdict: Verdict, desk: Desk, shown: Verdict | None) -> Verdict:
    """``verdict``, a number that is not resolved, with the credentials that it contradicts.

    The desk expected a credential, or another read of the presentation showed one, and it has another number.
    """
    if verdict.number is None or verdict.code not in CERTAIN_NUMBERS:
        return verdict
    number = quote_number(verdict.sighting, verdict.number, verdict.owners)
    line = verdict.sighting.rows[0].line
    credential = desk.credential or desk.near
    if credential:
        dispute = f"{_describe_expected(verdict.sighting, desk)}, but {number} was read (line {line} of the readings)"
    elif shown:
        credential = shown.cards[0].credential
        dispute = (
            f"the same presentation also gave {number} (lines {shown.sighting.rows[0].line} and {line} of the readings)"
        )
    if not credential or not register.contradicts(credential, verdict.number):
        return verdict
    rows = [card for card in register.superseded_owners.get(verdict.number, ()) if card.credential == credential]
    if rows:
        dispute += f", its number in line {rows[0].row.line} of the credentials, which does not count"
    return replace(verdict, disputed=(credential,), dispute=dispute, reported_under=(credential,))


def _describe_expected(sighting: Sighting, desk: Desk) -> str:
    if desk.near:
        return f"the desk expected {redacted_repr(sighting.expected)} (did you mean {redacted_repr(desk.near)}?)"
    return f"the desk expected {redacted_repr(desk.credential)}"


def _find_owners(register: Register, sighting: Sighting) -> tuple[Card, ...]:
    if sighting.result is None or sighting.result.number is None:
        return ()
    return register.owners.get(Number(sighting.reader.kind.namespace, sighting.result.number), ())


def _judge_alone(site: Site, register: Register, columns: ColumnVerdicts, sighting: Sighting) -> Verdict:
    """The verdict on a sighting by itself: whether it is a number, may be one, and is somebody's."""
    result, kind, known = sighting.result, sighting.reader.kind, _find_owners(register, sighting)
    if result is None:
        return Verdict(sighting=sighting, code="incomplete-entry", reason=sighting.problem)
    if result.if_whole and not columns.rounding(column_of(site, sighting), sighting.text):
        result = result.if_whole
    if result.number is None or result.fields is None:
        reason = describe_white_space(site.readings, "text", sighting.text) or result.reason
        return Verdict(sighting=sighting, code=result.code, reason=reason)
    number = Number(kind.namespace, result.number)
    code, reason = "", ""
    if result.refusal and kind.refuses:
        code, reason = "refused-note", result.refusal
    elif strange := _describe_unexpected(kind.expect, result.fields):
        code, reason = "unexpected-value", strange
    elif not known and (rounding := columns.rounding(column_of(site, sighting), sighting.text)):
        code, reason = "spreadsheet-damage", f"{rounding.text}, and no credential has the number"
    elif not known and (others := other_issues(register, sighting)):
        issues = ", ".join(
            f"{redacted_repr((card.fields or {})[kind.issue or ''])} ({redacted_repr(card.credential)})"
            for card in others[:MOST_VALUES_NAMED]
        )
        code, reason = (
            "other-issue",
            f"{quote_number(sighting, number, ())} is the number of no card, but with the issue {issues}",
        )
    elif not known:
        code, reason = "unknown-card", f"no credential has the number {quote_number(sighting, number, ())}"
        if spaced := register.spaced_owners.get(number):
            rows = describe_rows(card.row.line for card in spaced)
            reason += f"; with white space around it: {rows} of the credentials"
    return Verdict(sighting=sighting, code=code, reason=reason, number=number, owners=known)


def quote_number(sighting: Sighting, number: Number, cards: Iterable[Card]) -> str:
    """A number as a sentence may show it: its parts may be those of an account number."""
    secret = (sighting.result is not None and sighting.result.payment.has_account) or any(
        card.holds_account for card in cards
    )
    return quote(hide_all_but_account_ends(format_number(number)) if secret else format_number(number))


def other_issues(register: Register, sighting: Sighting) -> tuple[Card, ...]:
    """The cards that have the number of a sighting, but for its issue."""
    kind, number = sighting.reader.kind, sighting.result and sighting.result.number
    if not kind.issue or not number:
        return ()
    return register.issues.get(Number(kind.namespace, kind.without_issue(number)), ())


def _describe_unexpected(expect: Mapping[str, frozenset[Item]], fields: Mapping[str, Item]) -> str:
    for name, allowed in expect.items():
        if name in fields and fields[name] not in allowed:
            return f"{name} is {redacted_repr(fields[name])}, expected {' or '.join(map(str, sorted(allowed)))}"
    return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Outcome:
    """The outcome of a number read on a day: see `Verdict`."""

    code: str = ""
    reason: str = ""
    cards: tuple[Card, ...]
    possible: tuple[Card, ...] = ()
    unambiguous: bool = True


class _OwnersByDay:
    """The owners of numbers day by day, each worked out once: a number may have thousands, and as many readings."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self._all: dict[Number | None, tuple[str, ...]] = {}
        self._sets: dict[Number | None, frozenset[str]] = {}
        self._likely: dict[tuple[Number | None, date | None], frozenset[str]] = {}
        self._outcomes: dict[tuple[Number | None, date | None, frozenset[str]], _Outcome] = {}

    def day(self, verdict: Verdict) -> date | None:
        """The day of a reading, by the site's clocks; None where the clock of its reader is wrong."""
        if not verdict.sighting.is_dated:
            return None
        return verdict.sighting.moment.astimezone(self.site.zone).date()

    def all_owners(self, verdict: Verdict) -> tuple[str, ...]:
        """Every credential that has the number."""
        if verdict.number not in self._all:
            ids = self._all[verdict.number] = tuple(dict.fromkeys(card.credential for card in verdict.owners))
            self._sets[verdict.number] = frozenset(ids)
        return self._all[verdict.number]

    def has(self, verdict: Verdict, credential: str) -> bool:
        """Whether the number is that of ``credential``."""
        self.all_owners(verdict)
        return credential in self._sets[verdict.number]

    def likely_owners(self, verdict: Verdict) -> frozenset[str]:
        """The owners whose card could be read that day: not before it was given out, nor when it was gone."""
        key = verdict.number, self.day(verdict)
        if key not in self._likely:
            possible = frozenset(card.credential for card in verdict.owners if self._could_be_read(card, key[1]))
            self._likely[key] = possible or frozenset(self.all_owners(verdict))
        return self._likely[key]

    def _could_be_read(self, card: Card, day: date | None) -> bool:
        if day is None:
            return True
        then = status_when_read(card.row, day, self.site)
        return then == ACTIVE or (then != EARLY and card.row.status not in self.site.rules.gone)

    def holders(self, verdict: Verdict, credentials: frozenset[str]) -> dict[str, frozenset[str]]:
        """The holders of each of ``credentials`` that day: on the day of a handover there are two."""
        day = self.day(verdict)
        found: dict[str, set[str]] = defaultdict(set)
        for card in verdict.owners:
            if card.credential in credentials and self._could_be_read(card, day):
                found[card.credential].add(card.row.person)
        return {credential: frozenset(people) for credential, people in found.items()}

    def outcome(self, verdict: Verdict, credentials: frozenset[str]) -> _Outcome:
        """Resolved to ``credentials``, if one of them was active that day."""
        key = verdict.number, self.day(verdict), credentials
        if key not in self._outcomes:
            self._outcomes[key] = _find_outcome(self.site, verdict, key[1], credentials)
        return self._outcomes[key]


def _judge_presentation(
    owners: _OwnersByDay, group: Sequence[Verdict], desks: Sequence[Desk], desk: Desk
) -> Sequence[Verdict]:
    """The verdicts on good numbers read from one card; ``desk`` is what was expected of all, ``desks`` of each."""
    choices: list[frozenset[str]] = []
    wrong: list[bool] = []
    for verdict, each in zip(group, desks, strict=True):
        choices.append(frozenset({each.credential}) if each.credential else owners.likely_owners(verdict))
        want = each.credential or each.near
        wrong.append(bool(want) and not owners.has(verdict, want))
    common = _intersect([choice for choice, is_wrong in zip(choices, wrong, strict=True) if not is_wrong])
    if (not common or any(wrong)) and (faces := _credentials_of_faces(owners, group, desks, desk.credential)):
        return [_resolve(verdict, owners.outcome(verdict, face)) for verdict, face in zip(group, faces, strict=True)]
    return [
        _dispute_desk(owners, verdict, each)
        if is_wrong
        else _resolve(verdict, owners.outcome(verdict, common))
        if common
        else _dispute_presentation(owners, verdict, group)
        for verdict, each, is_wrong in zip(group, desks, wrong, strict=True)
    ]


def _intersect(choices: Sequence[frozenset[str]]) -> frozenset[str]:
    """The intersection of ``choices``; a single one is returned itself, since it may be large."""
    if len(choices) == 1:
        return choices[0]
    return choices[0].intersection(*choices[1:]) if choices else frozenset()


def _credentials_of_faces(
    owners: _OwnersByDay, group: Sequence[Verdict], desks: Sequence[Desk], desk_expected: str
) -> list[frozenset[str]]:
    """The credentials of different kinds that one card carries and one person holds, a reading each; or nothing.

    A card may have a stripe on one face and a label on the other. The desk expects one of them.
    """
    holders = []
    for verdict, desk in zip(group, desks, strict=True):
        own = desk.credential if verdict.sighting.expected == desk.credential else ""
        want = own or (desk_expected if owners.has(verdict, desk_expected) else "")
        if want and not owners.has(verdict, want):
            return []
        holders.append(owners.holders(verdict, frozenset({want}) if want else owners.likely_owners(verdict)))
    people = _intersect([frozenset().union(*them.values()) for them in holders])
    kinds: dict[str, list[frozenset[str]]] = defaultdict(list)
    for verdict, them in zip(group, holders, strict=True):
        kinds[verdict.sighting.reader.kind.name].append(frozenset(them))
    one_each = all(map(_intersect, kinds.values()))  # several reads of a kind are of one credential
    if (
        not one_each
        or len(kinds) < 2
        or not people
        or (desk_expected and not any(owners.has(verdict, desk_expected) for verdict in group))
    ):
        return []
    return [frozenset(credential for credential, mine in them.items() if mine & people) for them in holders]


def _resolve(verdict: Verdict, outcome: _Outcome) -> Verdict:
    return replace(
        verdict, code=outcome.code, reason=outcome.reason, cards=outcome.cards, possible=outcome.possible,
        unambiguous=outcome.unambiguous,
    )  # fmt: skip


def _dispute_desk(owners: _OwnersByDay, verdict: Verdict, desk: Desk) -> Verdict:
    """A conflict with the desk, which expected another credential than any that has the number."""
    theirs = owners.all_owners(verdict)
    number = quote_number(verdict.sighting, verdict.number, verdict.owners) if verdict.number else ""
    reason = f"{_describe_expected(verdict.sighting, desk)}, but {number} is the number of {join_values(theirs)}"
    want = desk.credential or desk.near
    return replace(
        verdict, code="conflict", reason=reason, disputed=(want, *theirs), dispute=reason, reported_under=(want,)
    )


def _dispute_presentation(owners: _OwnersByDay, verdict: Verdict, group: Sequence[Verdict]) -> Verdict:
    """A conflict with the other reads of the card."""
    theirs = owners.all_owners(verdict)
    number = quote_number(verdict.sighting, verdict.number, verdict.owners) if verdict.number else ""
    others = {
        credential: each.sighting.rows[0].line
        for each in group
        for credential in owners.all_owners(each)
        if not owners.has(verdict, credential)
    }
    reason = (
        f"{number} is the number of {join_values(theirs, 'or')}, but in the same presentation "
        f"{format_count(len(set(others.values())), 'other reading')} gave {join_values(others, 'or')}"
    )
    return replace(verdict, code="conflict", reason=reason, disputed=theirs, dispute=reason, reported_under=theirs)


def _find_outcome(site: Site, verdict: Verdict, day: date | None, credentials: frozenset[str]) -> _Outcome:
    cards = [card for card in verdict.owners if card.credential in credentials]
    if day is None:
        return _Outcome(cards=tuple(cards), unambiguous=len(credentials) == 1)
    active = tuple(card for card in cards if status_when_read(card.row, day, site) == ACTIVE)
    if active:
        ids = {card.credential for card in active}
        possible = tuple(card for card in cards if card.credential not in ids)
        return _Outcome(cards=active, possible=possible, unambiguous=len(credentials) == 1)
    started = [card for card in cards if not card.row.valid_from or card.row.valid_from <= day]
    latest = _beginning(max(started or cards, key=_beginning))
    last, *others = sorted((card for card in cards if _beginning(card) == latest), key=_contents)
    status = status_when_read(last.row, day, site)
    reason = f"{redacted_repr(last.credential)} was read on {day}, its status being {redacted_repr(status)}"
    reason += _describe_validity(last, status)
    return _Outcome(code="inactive-read", reason=reason, cards=(last, *others))


def _beginning(card: Card) -> tuple[date, str, str]:
    """An order of cards by their first day, whatever the order of their rows."""
    return card.row.valid_from or date.min, card.credential, card.row.person


def _contents(card: Card) -> tuple[str, ...]:
    """An order of the rows of one person that begin on one day, whatever the order of the file."""
    row = card.row
    return tuple(map(str, (row.valid_until, row.status, row.value, row.printed, row.issue, row.replaces, row.source)))


def _describe_validity(card: Card, status: str) -> str:
    if status == EARLY:
        return f" (valid from {card.row.valid_from})"
    return f" (valid until {card.row.valid_until})" if card.row.valid_until else ""

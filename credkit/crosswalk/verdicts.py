"""Verdicts: what becomes of each sighting. It is resolved to a credential, or goes to the exceptions.

A number alone may belong to several credentials. What the desk expected, and what else was read
from the card while it was held once, decide between them, or contradict the reading; then comes
the question whether the credential was active on that day.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from credkit.core.fields import Item
from credkit.core.sentences import format_count, quote, redacted_repr
from credkit.crosswalk.register import ACTIVE, EARLY, Card, Number, Register, format_number, status_when_read
from credkit.crosswalk.result import MOST_VALUES_NAMED, join_values
from credkit.crosswalk.sightings import Sighting
from credkit.crosswalk.texts import describe_rounding
from credkit.privacy.accounts import hide_all_but_account_ends
from credkit.site.model import Site


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verdict:
    """The verdict on a sighting: without a ``code`` it is resolved.

    ``cards`` are the credentials rows it is a sight of, ``unambiguous`` says that they are of one
    credential; ``owners`` are all owners of its number. ``disputed`` are the credentials that a
    conflict puts in doubt, ``reported_under`` those it is reported under.
    """

    sighting: Sighting
    code: str = ""
    reason: str = ""
    number: Number | None = None
    cards: tuple[Card, ...] = ()
    owners: tuple[Card, ...] = ()
    unambiguous: bool = True
    disputed: tuple[str, ...] = ()
    reported_under: tuple[str, ...] = ()


def count_rows(verdicts: Iterable[Verdict]) -> int:
    """The number of reading rows of these verdicts."""
    return sum(len(verdict.sighting.rows) for verdict in verdicts)


def describe_readings(verdicts: Sequence[Verdict]) -> str:
    """The number of readings of these verdicts, and of their rows where entries have several."""
    count, rows = len(verdicts), count_rows(verdicts)
    return (
        format_count(count, "reading") if count == rows else f"{format_count(count, 'entry', 'entries')}, {rows:,} rows"
    )


def judge_sightings(site: Site, register: Register, seen: Sequence[Sighting]) -> list[Verdict]:
    """A verdict for each sighting, in the same order."""
    found: dict[int, Verdict] = {}
    groups: dict[int, list[int]] = defaultdict(list)
    expected: dict[int, set[str]] = defaultdict(set)
    for place, sighting in enumerate(seen):
        known = _find_owners(register, sighting)
        found[place] = verdict = _judge_alone(register, sighting, known)
        if sighting.presentation and sighting.expected:
            expected[sighting.presentation].add(sighting.expected)
        if not verdict.code:
            groups[sighting.presentation or -1 - place].append(place)
    owners = _OwnersByDay(site)
    for name, group in groups.items():
        desk_expected = next(iter(expected[name])) if len(expected.get(name, ())) == 1 else ""
        found.update(
            zip(group, _judge_presentation(owners, [found[place] for place in group], desk_expected), strict=True)
        )
    return [found[place] for place in range(len(seen))]


def _find_owners(register: Register, sighting: Sighting) -> tuple[Card, ...]:
    if sighting.result is None or sighting.result.number is None:
        return ()
    return register.owners.get(Number(sighting.reader.kind.namespace, sighting.result.number), ())


def _judge_alone(register: Register, sighting: Sighting, known: tuple[Card, ...]) -> Verdict:
    """The verdict on a sighting by itself: whether it is a number, may be one, and is somebody's."""
    result, kind = sighting.result, sighting.reader.kind
    if result is None:
        return Verdict(sighting=sighting, code="incomplete-entry", reason=sighting.problem)
    if result.number is None or result.fields is None:
        return Verdict(sighting=sighting, code=result.code, reason=result.reason)
    number = Number(kind.namespace, result.number)
    code, reason = "", ""
    if result.refusal and kind.refuses:
        code, reason = "refused-note", result.refusal
    elif strange := _describe_unexpected(kind.expect, result.fields):
        code, reason = "unexpected-value", strange
    elif not known and result.maybe_rounded:
        code, reason = "spreadsheet-damage", f"{describe_rounding(sighting.text)}, and no credential has the number"
    elif not known and (others := other_issues(register, sighting)):
        issues = ", ".join(
            f"{redacted_repr(card.fields[kind.issue or ''])} ({redacted_repr(card.credential)})"
            for card in others[:MOST_VALUES_NAMED]
        )
        code, reason = (
            "other-issue",
            f"{_quote_number(sighting, number, ())} is the number of no card, but with the issue {issues}",
        )
    elif not known:
        code, reason = "unknown-card", f"no credential has the number {_quote_number(sighting, number, ())}"
    return Verdict(sighting=sighting, code=code, reason=reason, number=number, owners=known)


def _quote_number(sighting: Sighting, number: Number, cards: Iterable[Card]) -> str:
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
    unambiguous: bool = True


class _OwnersByDay:
    """The owners of numbers day by day, each worked out once: a number may have thousands, and as many readings."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self._all: dict[Number | None, tuple[str, ...]] = {}
        self._sets: dict[Number | None, frozenset[str]] = {}
        self._likely: dict[tuple[Number | None, date], frozenset[str]] = {}
        self._outcomes: dict[tuple[Number | None, date, frozenset[str]], _Outcome] = {}

    def day(self, verdict: Verdict) -> date:
        """The day of a reading, by the site's clocks."""
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

    def _could_be_read(self, card: Card, day: date) -> bool:
        then = status_when_read(card.row, day, self.site)
        return then == ACTIVE or (then != EARLY and card.row.status not in self.site.rules.gone)

    def holders(self, verdict: Verdict, credentials: frozenset[str]) -> dict[str, str]:
        """The holder of each of ``credentials`` that day."""
        day = self.day(verdict)
        return {
            card.credential: card.row.person
            for card in verdict.owners
            if card.credential in credentials and self._could_be_read(card, day)
        }

    def outcome(self, verdict: Verdict, credentials: frozenset[str]) -> _Outcome:
        """Resolved to ``credentials``, if one of them was active that day."""
        key = verdict.number, self.day(verdict), credentials
        if key not in self._outcomes:
            self._outcomes[key] = _find_outcome(self.site, verdict, key[1], credentials)
        return self._outcomes[key]


def _judge_presentation(owners: _OwnersByDay, group: list[Verdict], desk_expected: str) -> list[Verdict]:
    """The verdicts on good numbers read from one card; ``desk_expected`` is what the desk expected of all of them."""
    choices: list[frozenset[str]] = []
    wrong: list[str] = []
    for verdict in group:
        want = verdict.sighting.expected or desk_expected
        choices.append(frozenset({want}) if want else owners.likely_owners(verdict))
        wrong.append("" if not want or owners.has(verdict, want) else want)
    common = _intersect([choice for choice, want in zip(choices, wrong, strict=True) if not want])
    if (not common or any(wrong)) and (faces := _credentials_of_faces(owners, group, desk_expected)):
        return [_resolve(verdict, owners.outcome(verdict, face)) for verdict, face in zip(group, faces, strict=True)]
    return [
        _resolve(verdict, owners.outcome(verdict, common))
        if common and not want
        else _dispute(owners, verdict, want, group)
        for verdict, want in zip(group, wrong, strict=True)
    ]


def _intersect(choices: Sequence[frozenset[str]]) -> frozenset[str]:
    """The intersection of ``choices``; a single one is returned itself, since it may be large."""
    if len(choices) == 1:
        return choices[0]
    return choices[0].intersection(*choices[1:]) if choices else frozenset()


def _credentials_of_faces(owners: _OwnersByDay, group: list[Verdict], desk_expected: str) -> list[frozenset[str]]:
    """The credentials of different kinds that one card carries and one person holds, a reading each; or nothing.

    A card may have a stripe on one face and a label on the other. The desk expects one of them.
    """
    holders = []
    for verdict in group:
        want = verdict.sighting.expected or (desk_expected if owners.has(verdict, desk_expected) else "")
        if want and not owners.has(verdict, want):
            return []
        holders.append(owners.holders(verdict, frozenset({want}) if want else owners.likely_owners(verdict)))
    people = _intersect([frozenset(them.values()) for them in holders])
    kinds: dict[str, list[frozenset[str]]] = defaultdict(list)
    for verdict, them in zip(group, holders, strict=True):
        kinds[verdict.sighting.reader.kind.name].append(frozenset(them))
    one_each = all(map(_intersect, kinds.values()))  # several reads of a kind are of one credential
    if (
        not one_each
        or len(kinds) < 2
        or len(people) != 1
        or (desk_expected and not any(owners.has(verdict, desk_expected) for verdict in group))
    ):
        return []
    return [frozenset(credential for credential, person in them.items() if person in people) for them in holders]


def _resolve(verdict: Verdict, outcome: _Outcome) -> Verdict:
    return Verdict(
        sighting=verdict.sighting, code=outcome.code, reason=outcome.reason, number=verdict.number,
        cards=outcome.cards, owners=verdict.owners, unambiguous=outcome.unambiguous,
    )  # fmt: skip


def _dispute(owners: _OwnersByDay, verdict: Verdict, want: str, group: list[Verdict]) -> Verdict:
    """A conflict: with the desk, if it wanted another credential, or with the other reads of the card."""
    theirs = owners.all_owners(verdict)
    number = _quote_number(verdict.sighting, verdict.number, verdict.owners) if verdict.number else ""
    if want:
        reason = f"the desk expected {redacted_repr(want)}, but {number} is the number of {join_values(theirs)}"
        return Verdict(
            sighting=verdict.sighting, code="conflict", reason=reason, number=verdict.number, owners=verdict.owners,
            disputed=(want, *theirs), reported_under=(want,),
        )  # fmt: skip
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
    return Verdict(
        sighting=verdict.sighting, code="conflict", reason=reason, number=verdict.number, owners=verdict.owners,
        disputed=theirs, reported_under=theirs,
    )  # fmt: skip


def _find_outcome(site: Site, verdict: Verdict, day: date, credentials: frozenset[str]) -> _Outcome:
    cards = [card for card in verdict.owners if card.credential in credentials]
    active = tuple(card for card in cards if status_when_read(card.row, day, site) == ACTIVE)
    if active:
        return _Outcome(cards=active, unambiguous=len(credentials) == 1)
    started = [card for card in cards if not card.row.valid_from or card.row.valid_from <= day]
    last = max(started or cards, key=lambda card: (card.row.valid_from or date.min, card.row.line))
    status = status_when_read(last.row, day, site)
    reason = f"{redacted_repr(last.credential)} was read on {day}, its status being {redacted_repr(status)}"
    reason += _describe_validity(last, status)
    return _Outcome(code="inactive-read", reason=reason, cards=(last,))


def _describe_validity(card: Card, status: str) -> str:
    if status == EARLY:
        return f" (valid from {card.row.valid_from})"
    return f" (valid until {card.row.valid_until})" if card.row.valid_until else ""

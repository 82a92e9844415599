"""Presentations: what the desk expected, and what else was read from a card while it was held once.

A number alone may belong to several credentials. They decide between these, or contradict the reading.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from credkit.core.sentences import format_count, join_values, redacted_repr
from credkit.crosswalk.outcomes import Outcome, OwnersByDay
from credkit.crosswalk.register import Register
from credkit.crosswalk.sightings import Sighting
from credkit.crosswalk.verdicts import Verdict, quote_number

CERTAIN_NUMBERS = ("unknown-card", "other-issue", "unexpected-value", "refused-note")  # codes of good readings


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What the desk expected of a sighting: a credential of the register, or one that an unknown id may mean."""

    credential: str = ""
    near: str = ""  # only where ``credential`` is empty: a near miss proves nothing, but it may contradict


NOTHING_EXPECTED = Desk()


def find_expected(register: Register, sighting: Sighting, otherwise: Desk = NOTHING_EXPECTED) -> Desk:
    """What the desk expected of a sighting; ``otherwise`` is what it expected of the presentation."""
    if not sighting.expected:
        return otherwise
    if register.has_credential(sighting.expected):
        return Desk(credential=sighting.expected)
    return Desk(near=register.near_credential(sighting.expected)) if not otherwise.credential else otherwise


def find_shown(group: Sequence[Verdict]) -> Verdict | None:
    """The resolved verdict of a presentation that shows one credential only; None where there is none such."""
    resolved = [verdict for verdict in group if not verdict.code]
    ids = {card.credential for verdict in resolved for card in verdict.cards}
    return resolved[0] if len(ids) == 1 and all(verdict.unambiguous for verdict in resolved) else None


def add_contradiction(register: Register, verdict: Verdict, desk: Desk, shown: Verdict | None) -> Verdict:
    """``verdict``, a number that is not resolved, with the credentials that it contradicts.

    The desk expected a credential, or another read of the presentation showed one, and it has another number.
    """
    if verdict.number is None or verdict.code not in CERTAIN_NUMBERS:
        return verdict
    number = quote_number(verdict.sighting, verdict.number, verdict.owners)
    line = verdict.sighting.lines[0]
    credential = desk.credential or desk.near
    if credential:
        dispute = f"{_describe_expected(verdict.sighting, desk)}, but {number} was read (line {line} of the readings)"
    elif shown:
        credential = shown.cards[0].credential
        dispute = (
            f"the same presentation also gave {number} (lines {shown.sighting.lines[0]} and {line} of the readings)"
        )
    if not credential or not register.contradicts(credential, verdict.number):
        return verdict
    rows = [card for card in register.superseded_owners.get(verdict.number, ()) if card.credential == credential]
    if rows:
        dispute += f", its number in {register.describe_rows(rows[:1])} of the credentials, which does not count"
    return replace(verdict, disputed=(credential,), dispute=dispute, reported_under=(credential,))


def _describe_expected(sighting: Sighting, desk: Desk) -> str:
    if desk.near:
        return f"the desk expected {redacted_repr(sighting.expected)} (did you mean {redacted_repr(desk.near)}?)"
    return f"the desk expected {redacted_repr(desk.credential)}"


def judge_presentation(
    owners: OwnersByDay, group: Sequence[Verdict], desks: Sequence[Desk], desk: Desk
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
    owners: OwnersByDay, group: Sequence[Verdict], desks: Sequence[Desk], desk_expected: str
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


def _resolve(verdict: Verdict, outcome: Outcome) -> Verdict:
    return replace(
        verdict, code=outcome.code, reason=outcome.reason, cards=outcome.cards, possible=outcome.possible,
        unambiguous=outcome.unambiguous,
    )  # fmt: skip


def _dispute_desk(owners: OwnersByDay, verdict: Verdict, desk: Desk) -> Verdict:
    """A conflict with the desk, which expected another credential than any that has the number."""
    theirs = owners.all_owners(verdict)
    number = quote_number(verdict.sighting, verdict.number, verdict.owners) if verdict.number else ""
    reason = f"{_describe_expected(verdict.sighting, desk)}, but {number} is the number of {join_values(theirs)}"
    want = desk.credential or desk.near
    return replace(
        verdict, code="conflict", reason=reason, disputed=(want, *theirs), dispute=reason, reported_under=(want,)
    )


def _dispute_presentation(owners: OwnersByDay, verdict: Verdict, group: Sequence[Verdict]) -> Verdict:
    """A conflict with the other reads of the card."""
    theirs = owners.all_owners(verdict)
    number = quote_number(verdict.sighting, verdict.number, verdict.owners) if verdict.number else ""
    others = {
        credential: each.sighting.lines[0]
        for each in group
        for credential in owners.all_owners(each)
        if not owners.has(verdict, credential)
    }
    reason = (
        f"{number} is the number of {join_values(theirs, 'or')}, but in the same presentation "
        f"{format_count(len(set(others.values())), 'other reading')} gave {join_values(others, 'or')}"
    )
    return replace(verdict, code="conflict", reason=reason, disputed=theirs, dispute=reason, reported_under=theirs)

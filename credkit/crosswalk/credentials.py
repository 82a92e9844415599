"""Credentials: what the register shows by itself, and which rows it puts in doubt.

Two credentials with one number, two active cards of one person, a printed number that is not the
encoded one. `Doubts` has, for each card, why it may not be written; a person decides.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice

import numpy as np
import polars as pl

from credkit.bulk.decoded_columns import decode_columns
from credkit.bulk.words import Array
from credkit.core.sentences import (
    MOST_VALUES_NAMED,
    format_count,
    join_others,
    join_values,
    redacted_repr,
)
from credkit.crosswalk.cards import Card, first_by_form, hide_secret
from credkit.crosswalk.decisions import ACTIVE_ONLY, Doubt
from credkit.crosswalk.register import Register
from credkit.crosswalk.result import Finding
from credkit.crosswalk.verdicts import Verdict
from credkit.facts.duplicates import GROUP_COLUMN
from credkit.facts.statuses import ACTIVE
from credkit.facts.texts import TextResults
from credkit.privacy.accounts import mask_accounts
from credkit.site.model import CredentialKind, Site
from credkit.site.rows import describe_surroundings

LEAST_CARDS_SHARING_OFFSET = 3  # cards that must share an offset before it explains anything
Offset = tuple[tuple[str, int], ...]  # by field, printed minus encoded, where they differ


@dataclass(slots=True)
class Doubts:
    """What speaks against writing cards, and ``remarks`` on what was explained, so that it does not."""

    found: dict[Card, list[Doubt]] = field(default_factory=lambda: defaultdict(list))
    remarks: dict[Card, list[str]] = field(default_factory=lambda: defaultdict(list))

    def add(self, card: Card, code: str, reason: str) -> None:
        """Doubt a card."""
        self.found[card].append(Doubt(code, reason))

    def of(self, card: Card) -> Sequence[Doubt]:
        """What speaks against a card, by itself and beside others."""
        return (*card.doubts, *self.found.get(card, ()))


def distinct_credentials(cards: Iterable[Card]) -> list[str]:
    """The credentials that ``cards`` are rows of, each once."""
    return list(dict.fromkeys(card.credential for card in cards))


def group_cards(register: Register, duplicates: pl.DataFrame) -> list[list[Card]]:
    """The cards of each group of duplicates, in the order of the file."""
    cards = register.make(duplicates["row"].to_numpy())
    pairs = zip(duplicates[GROUP_COLUMN].to_list(), cards, strict=True)
    groups: dict[int, list[Card]] = defaultdict(list)
    for group, card in pairs:
        groups[group].append(card)
    return list(groups.values())


def find_duplicate_numbers(register: Register, verdicts: Sequence[Verdict], doubts: Doubts) -> Iterator[Finding]:
    """Numbers that several credentials have, those that are gone aside; ``verdicts`` are those judged one by one."""
    decided = Counter(verdict.number for verdict in verdicts if verdict.cards and verdict.unambiguous)
    read = Counter(verdict.number for verdict in verdicts if verdict.cards)
    for left in group_cards(register, register.duplicates):
        number, ids, first = left[0].number, distinct_credentials(left), first_by_form(left)
        assert number is not None  # a bug here: rows that count have one
        for card in left:
            doubts.add(card, "duplicate-number", f"its number is also that of {join_others(ids, card.credential)}")
        people = len({card.row.person for card in left})
        yield Finding(
            code="duplicate-number", count=len(ids),
            subject=f"{mask_accounts(number.namespace)} {hide_secret(first, first.form)}",
            text=f"{join_values(ids)} have this one number ({format_count(people, 'holder')}); "
            f"{_describe_deciding(read[number], decided[number])}",
            rows=register.lines_of(left),
        )  # fmt: skip


def _describe_deciding(read: int, decided: int) -> str:
    """How many readings of a number the desk, or another read of the presentation, tells apart.

    >>> _describe_deciding(0, 0), _describe_deciding(3, 0), _describe_deciding(3, 1)
    ('no reading shows it', 'its 3 readings are ambiguous', '1 of its 3 readings is decided, the others are ambiguous')
    """
    if not decided:
        readings = format_count(read, "reading")
        return f"its {readings} {'is' if read == 1 else 'are'} ambiguous" if read else "no reading shows it"
    others = ", the others are ambiguous" if decided < read else ""
    return f"{decided:,} of its {format_count(read, 'reading')} {'is' if decided == 1 else 'are'} decided{others}"


def find_two_active(site: Site, register: Register, doubts: Doubts) -> Iterator[Finding]:
    """People who hold several active credentials of one kind; pools may."""
    if not site.rules.one_active_issue:
        return
    groups: dict[tuple[str, str], list[Card]] = defaultdict(list)
    for card in register.with_others_alike(("person", "kind"), register.active):
        if card.row.person not in site.rules.pools:
            groups[card.row.person, card.kind.name].append(card)
    for (person, kind), group in groups.items():
        ids = distinct_credentials(group)
        if len(ids) < 2:
            continue
        for card in group:
            others = join_others(ids, card.credential)
            doubts.add(card, "two-active-issues", f"the same person also has {others}, active")
        known = set(ids)
        replacing = [card for card in group if card.row.replaces in known]
        replaced = [
            f"; {redacted_repr(card.credential)} replaces {redacted_repr(card.row.replaces)}"
            for card in replacing[:MOST_VALUES_NAMED]
        ]  # fmt: skip
        yield Finding(
            code="two-active-issues", subject=mask_accounts(f"{person} {kind}"), count=len(ids),
            text=f"{join_values(ids)} are {'both' if len(ids) == 2 else 'all'} active{''.join(replaced)}",
            rows=register.lines_of(group),
        )  # fmt: skip


def find_several_holders(site: Site, register: Register, doubts: Doubts) -> Iterator[Finding]:
    """Cards of which several rows count on the day of judgement: a pool's, or one handed on that day."""
    groups: dict[tuple[str, str], list[Card]] = defaultdict(list)
    for card in register.with_others_alike(("credential", "kind"), register.active):
        groups[card.credential, card.kind.name].append(card)
    several = {key: group for key, group in groups.items() if len(group) > 1 and not _are_held_beside(group)}
    for (credential, _), group in several.items():
        for card in group:
            beside = [other.row for other in islice(group, MOST_VALUES_NAMED + 1) if other is not card][
                :MOST_VALUES_NAMED
            ]
            lines = ", ".join(site.credentials.describe_rows([row.line]) for row in beside)
            more = f" and {len(group) - 1 - len(beside):,} more" if len(group) - 1 > len(beside) else ""
            holders = join_values(row.person for row in beside)
            doubts.add(card, "several-holders", f"on {site.as_of} {holders} has it too ({lines}{more})")
        yield Finding(
            code="several-holders", subject=mask_accounts(credential), count=len(group),
            text=f"on {site.as_of} {join_values(card.row.person for card in group)} "
            f"{'both' if len(group) == 2 else 'all'} have it "
            f"({register.describe_rows(group)}): end the assignments that are over",
            rows=register.lines_of(group),
        )  # fmt: skip


def _are_held_beside(group: Sequence[Card]) -> bool:
    """Whether all of the rows are held because of one another already: as twins, or for their holders."""
    return all(
        card.code in ("overlap", "id-of-two-cards") or any(doubt.code == "twin-rows" for doubt in card.doubts)
        for card in group
    )


def find_row_doubts(register: Register) -> Iterator[Finding]:
    """Findings on rows that are in doubt by themselves: twins, rounded values, values that must not serve."""
    groups: dict[tuple[str, str], dict[Card, str]] = defaultdict(dict)
    for card in register.others.values():
        for code, reason in card.doubts:
            groups[code, card.kind.name].setdefault(card, reason)
    for (code, kind), reasons in groups.items():
        held = [card for card in reasons if is_held_for(card, code)]
        if held:
            yield Finding(
                code=code, subject=kind, count=len(held), rows=register.lines_of(held),
                text=f"{register.describe_rows(held)}; "
                f"{'the first: ' * (len(held) > 1)}{reasons[held[0]]}",
            )  # fmt: skip


def is_held_for(card: Card, code: str) -> bool:
    """Whether a doubt holds a card: some matter only where it is active."""
    return code not in ACTIVE_ONLY or card.state == ACTIVE


def compare_printed_numbers(
    site: Site, register: Register, texts: TextResults, doubts: Doubts
) -> Iterator[Finding]:  # fmt: skip
    """Cards whose printed number is not the encoded one, and whether one offset explains them."""
    for kind in site.kinds.values():
        compared, suspects = _find_differing(register, kind)
        differing: dict[Card, Offset] = {}
        unread: dict[Card, str] = {}
        for card in register.make(suspects):
            offset, problem = _printed_offset(site, kind, card, texts)
            if problem:
                unread[card] = problem
            elif offset:
                differing[card] = offset
        if not differing and not unread:
            continue
        explained = _common_offset(differing.values())
        for card, offset in differing.items():
            if offset == explained:
                doubts.remarks[card].append(_describe_offset(offset))
            else:
                doubts.add(card, "printed-differs", _describe_offset(offset))
        for card, problem in unread.items():
            doubts.add(card, "printed-differs", problem)
        yield Finding(
            code="printed-differs", subject=kind.name, count=len(differing) + len(unread),
            text=_describe_printed(differing, len(unread), explained, compared),
            rows=register.lines_of((*differing, *unread)),
        )  # fmt: skip


def _find_differing(register: Register, kind: CredentialKind) -> tuple[int, Array]:
    """How many cards of a kind that count have a printed number, and the places of those in which it may differ."""
    mine = next((each for each in register.kinds if each.kind is kind), None)
    if kind.printed is None or mine is None:
        return 0, np.zeros(0, np.int64)
    printed = register.rows["printed"].gather(mine.places)
    compared = np.flatnonzero((printed != "").to_numpy() & register.counts[mine.places])
    read = decode_columns(kind.printed, printed.gather(compared))
    alike = read.ok
    for name, column in read.fields.items():
        if name in mine.fields:
            alike = alike & (column == mine.fields[name][compared])
    return len(compared), mine.places[compared[~alike]]


def _printed_offset(site: Site, kind: CredentialKind, card: Card, texts: TextResults) -> tuple[Offset, str]:
    """By how much the printed fields differ from the encoded ones, or why they cannot be read."""
    assert kind.printed is not None  # a bug here, never the input
    result = texts.read(kind.printed, kind, card.row.printed)
    if result.fields is None:
        white_space = describe_surroundings(site.credentials, "printed", card.row.printed)
        return (), f"the printed number cannot be read: {white_space or result.reason}"
    offset = []
    for name, item in result.fields.items():
        encoded = (card.fields or {}).get(name, item)
        if isinstance(item, int) and isinstance(encoded, int):
            offset.append((name, item - encoded))
        elif item != encoded:
            return (), f"printed is {name} {redacted_repr(item)}, encoded {redacted_repr(encoded)}"
    return tuple((name, by) for name, by in offset if by), ""


def _common_offset(offsets: Iterable[Offset]) -> Offset:
    """The offset that most of the cards share, if they are enough; an empty one otherwise."""
    counts = Counter(offsets)
    for offset, count in counts.most_common(1):
        if count >= LEAST_CARDS_SHARING_OFFSET and count * 2 > counts.total():
            return offset
    return ()


def _describe_offset(offset: Offset) -> str:
    """An offset in words.

    >>> _describe_offset((("number", 20000),)), _describe_offset((("facility", -1), ("number", 5)))
    ('printed = encoded + 20000', 'printed = encoded - 1 (facility), + 5 (number)')
    """
    several = len(offset) > 1
    parts = (f"{'-' if by < 0 else '+'} {redacted_repr(abs(by))}{f' ({name})' * several}" for name, by in offset)
    return f"printed = encoded {', '.join(parts)}"


def _describe_printed(differing: Mapping[Card, Offset], unread: int, explained: Offset, compared: int) -> str:
    total = len(differing) + unread
    of = f" ({compared:,} were compared{f', {unread:,} cannot be read' if unread else ''})"
    if not explained:
        numbers = format_count(total, "printed number")
        return f"no constant offset explains the {numbers} that differ{'s' * (total == 1)}{of}"
    count = sum(offset == explained for offset in differing.values())
    if count == total:
        return f"{_describe_offset(explained)} for all {count:,}{of}"
    return f"{_describe_offset(explained)} for {count:,} of {total:,}; nothing explains the others{of}"

"""Judging: from sightings to verdicts. Clear sightings are judged in columns, the others one by one.

First comes what a sighting is by itself, then what the desk expected and the presentation shows, at last whether the
credential was active on that day.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.fields import Item
from credkit.core.progress import SILENT, Progress
from credkit.core.sentences import MOST_VALUES_NAMED, redacted_repr
from credkit.crosswalk.cards import Card
from credkit.crosswalk.outcomes import OwnersByDay
from credkit.crosswalk.presentations import (
    NOTHING_EXPECTED,
    Desk,
    add_contradiction,
    find_expected,
    find_shown,
    judge_presentation,
)
from credkit.crosswalk.register import Register
from credkit.crosswalk.rounding import ColumnVerdicts, column_of
from credkit.crosswalk.sightings import NO_TEXT, Sighting, Sightings
from credkit.crosswalk.verdicts import Verdict, Verdicts, other_issues, quote_number
from credkit.facts.numbers import Number
from credkit.files.times import local_days
from credkit.site.model import Site
from credkit.site.rows import describe_surroundings

NO_DAY = 0  # in place of a day: the first one is 1
NO_CARD = -1  # in place of a place in the register
JUDGED_AT_ONCE = 1 << 20  # sightings: it bounds the memory that judging takes


def judge_sightings(
    site: Site, register: Register, columns: ColumnVerdicts, seen: Sightings, progress: Progress = SILENT
) -> Verdicts:
    """A verdict for each sighting."""
    shown = find_clear(site, register, seen)
    clear, others = (np.flatnonzero(some).astype(np.int32) for some in (shown != NO_CARD, shown == NO_CARD))
    text = seen.text[others]
    register.owners.prepare(seen.texts.number[text[text != NO_TEXT]])
    register.prepare(seen.expected[place] for place in others.tolist() if place in seen.expected)
    return Verdicts(
        seen=seen, clear=clear, cards=shown[clear],
        others=tuple(_judge_one_by_one(site, register, columns, seen, others, progress)),
    )  # fmt: skip


def find_clear(site: Site, register: Register, seen: Sightings) -> Array:
    """By sighting: the place of the card that a clear one shows, `NO_CARD` for those to be judged one by one.

    The text is a number that may serve, one card alone has it, which was active that day. The desk expected that
    credential or none, and whatever else was read while the card was held is as clear, and of the same credential.
    """
    texts = seen.texts
    only = np.append(register.owners.only_places, NO_CARD)  # the last is for no number
    owners = np.append(np.where(texts.find_good(), only[texts.number], NO_CARD), NO_CARD)  # and for no text at all
    first, last = (np.append(days, NO_DAY) for days in register.active_days())  # the last is for no card at all
    cards = np.full(len(seen), NO_CARD, np.int32)
    for start in range(0, len(seen), JUDGED_AT_ONCE):
        some = slice(start, start + JUDGED_AT_ONCE)
        card = owners[seen.text[some]]
        days = local_days(seen.moment[some], site.zone)
        active = (first[card] <= days) & (days <= last[card])
        cards[some] = np.where(active | ~seen.dated[some], card, NO_CARD)
    cards[_find_contradicted(register, seen, cards)] = NO_CARD
    return cards


def _find_contradicted(register: Register, seen: Sightings, cards: Array) -> Array:
    """The sightings that their presentation or the desk contradicts: not all of it is clear, and of one credential.

    ``cards`` has the card that each sighting shows by itself, `NO_CARD` where it is not clear.
    """
    asked = seen.presentation > 0
    asked[list(seen.expected)] = True
    together = np.flatnonzero(asked)
    clear = together[cards[together] != NO_CARD]
    shows = pl.DataFrame({"place": clear, "shown": register.rows["credential"].gather(cards[clear])})
    number = seen.presentation[together]
    group = np.where(number > 0, number, -1 - together)  # one without a number is a group of its own
    expected = pl.DataFrame(
        {"place": list(seen.expected), "expected": list(seen.expected.values())},
        {"place": pl.Int64, "expected": pl.String},
    )
    table = pl.DataFrame({"place": together, "group": group})
    table = table.join(shows, on="place", how="left").join(expected, on="place", how="left")
    shown = pl.col("shown")
    agrees = shown.is_not_null() & (pl.col("expected") == shown).fill_null(value=True)
    alike = agrees.all() & (shown.n_unique() == 1)
    found: Array = table.filter(~alike.over("group"))["place"].to_numpy()
    return found


def _judge_one_by_one(
    site: Site, register: Register, columns: ColumnVerdicts, seen: Sightings, places: Array, progress: Progress
) -> list[Verdict]:
    """A verdict for each of the sightings at ``places``, in the same order; all of a presentation are among them."""
    found: list[Verdict] = []
    alike: dict[tuple[int, int], Verdict] = {}  # by text and period
    presentations: dict[int, list[int]] = defaultdict(list)
    by_day = OwnersByDay(site)
    progress.phase("judging readings", total=len(places), unit="readings")
    sources = zip(seen.text[places].tolist(), seen.period[places].tolist(), strict=True)
    for place, (sighting, source) in enumerate(zip(seen.make(places), sources, strict=True)):
        progress.done(place)
        if sighting.result and source in alike:
            verdict = replace(alike[source], sighting=sighting)
        else:
            owners = register.owners.at(seen.texts.number[source[0]]) if sighting.result else ()
            verdict = alike[source] = _judge_alone(site, register, columns, sighting, owners)
        if sighting.presentation:
            presentations[sighting.presentation].append(place)
        elif sighting.expected or not verdict.code:  # else there is nothing that could decide more
            (verdict,) = _judge_together(register, by_day, [verdict])
        found.append(verdict)
    progress.phase("judging presentations", total=len(presentations), unit="presentations")
    for done, group in enumerate(presentations.values()):
        progress.done(done)
        judged = _judge_together(register, by_day, [found[place] for place in group])
        for place, verdict in zip(group, judged, strict=True):
            found[place] = verdict
    return found


def _judge_together(register: Register, owners: OwnersByDay, group: list[Verdict]) -> list[Verdict]:
    """The verdicts on what was read while a card was held once."""
    expected = {find_expected(register, verdict.sighting).credential for verdict in group} - {""}
    desk = Desk(credential=next(iter(expected))) if len(group) > 1 and len(expected) == 1 else NOTHING_EXPECTED
    desks = [find_expected(register, verdict.sighting, desk) for verdict in group]
    good = [place for place, verdict in enumerate(group) if not verdict.code]
    judged = judge_presentation(owners, [group[place] for place in good], [desks[place] for place in good], desk)
    found = dict(zip(good, judged, strict=True))
    if len(good) == len(group):
        return list(found.values())
    shown = find_shown(judged)
    return [
        found[place] if place in found else add_contradiction(register, verdict, desks[place], shown)
        for place, verdict in enumerate(group)
    ]


def _judge_alone(
    site: Site, register: Register, columns: ColumnVerdicts, sighting: Sighting, known: tuple[Card, ...]
) -> Verdict:
    """The verdict on a sighting by itself: whether it is a number, may be one, and is somebody's.

    ``known`` are the cards that have its number.
    """
    result, kind = sighting.result, sighting.reader.kind
    if result is None:
        return Verdict(sighting=sighting, code="incomplete-entry", reason=sighting.problem)
    if result.if_whole and not columns.rounding(column_of(site, sighting), sighting.text):
        result = result.if_whole
    if result.number is None or result.fields is None:
        reason = describe_surroundings(site.readings, "text", sighting.text) or result.reason
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
            rows = register.describe_rows(spaced)
            reason += f"; with white space around it: {rows} of the credentials"
    return Verdict(sighting=sighting, code=code, reason=reason, number=number, owners=known)


def _describe_unexpected(expect: Mapping[str, frozenset[Item]], fields: Mapping[str, Item]) -> str:
    for name, allowed in expect.items():
        if name in fields and fields[name] not in allowed:
            return f"{name} is {redacted_repr(fields[name])}, expected {' or '.join(map(str, sorted(allowed)))}"
    return ""

"""Identifiers: ids that differ only in spelling, and ids that name nothing.

A person or credential id that differs from another only in case, white space or Unicode form may be a slip, and
its rows are held. What the desk expected, the source of a row, and the credential that a row replaces are
checked against what there is.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import polars as pl

from credkit.core.sentences import describe_rows, format_count, join_values, nearest, redacted_repr
from credkit.core.whitespace import describe_ends
from credkit.crosswalk.cards import Card
from credkit.crosswalk.credentials import Doubts
from credkit.crosswalk.register import Register
from credkit.crosswalk.result import Finding
from credkit.crosswalk.sightings import Sightings
from credkit.files.declaredfiles import CsvFile
from credkit.privacy.accounts import hide_all_but_account_ends, holds_track, mask_accounts
from credkit.site.model import Site
from credkit.site.nearids import did_you_mean, find_near_misses, group_ids, spelt_in_several_ways
from credkit.work.filelines import FileLines

MOST_NEAR_IDS_NAMED = 3  # pairs of ids that one sentence names
_MAY_BE_SPACED = r"\A[^!-~]|[^!-~]\z"  # what stands at an end is no printable character of ASCII
ACCEPT = 'If they are different: near_ids = "accept" under [rules]'


def quote_id(text: str) -> str:
    """An id in a sentence; what holds a payment track has only the ends of its account number.

    >>> quote_id("P-1"), quote_id(";4114360123456785=30121010000?")  # the number of the WHATWG HTML standard's example
    ("'P-1'", "'*411436******6785*************'")
    """
    return redacted_repr(hide_all_but_account_ends(text) if holds_track(text) else text)


def find_near_ids(site: Site, register: Register, doubts: Doubts) -> Iterator[Finding]:
    """The rows whose person or credential id is a near miss of another; they are held unless the site accepts them."""
    if not site.rules.holds_near_ids:
        return
    for column in ("person", "credential"):
        rows: dict[str, list[Card]] = defaultdict(list)
        for card in register.where(spelt_in_several_ways(register.rows[column]).to_numpy()):
            rows[getattr(card.row, column)].append(card)
        near = find_near_misses(rows)
        for each, others in near.items():
            for card in rows[each]:
                doubts.add(card, "near-id", _describe_near(register, column, each, others, rows))
        if near:
            held = [card for each in near for card in rows[each]]
            spaced = any(describe_ends(each) for each in near)
            strip = f". White space at their ends: {site.credentials.describe_stripping(f'{column}_id')}" * spaced
            yield Finding(
                code="near-id", subject=f"{column}_id", count=len(near), rows=register.lines_of(held),
                text=f"{_join_groups(register, near, rows)}{strip}. {ACCEPT}",
            )  # fmt: skip


def find_white_space(site: Site, register: Register) -> Iterator[Finding]:
    """The ids with white space around them, column by column: they are kept, and written, as they are."""
    for column, name in (("person", "person_id"), ("credential", "credential_id")):
        suspects = register.where(pl.col(column).str.contains(_MAY_BE_SPACED))
        spaced = [card for card in suspects if describe_ends(getattr(card.row, column))]
        if spaced:
            ids = dict.fromkeys(getattr(card.row, column) for card in spaced)
            yield Finding(
                code="white-space", subject=name, count=len(spaced), rows=register.lines_of(spaced),
                text=f"{register.describe_rows(spaced)}; {quote_id(next(iter(ids)))} has "
                f"{describe_ends(next(iter(ids)))}: {site.credentials.describe_stripping(name)}",
            )  # fmt: skip


def _describe_near(
    register: Register, column: str, each: str, others: Sequence[str], rows: Mapping[str, Sequence[Card]]
) -> str:  # fmt: skip
    """The ids that one id is nearly."""
    first = rows.get(others[0])
    where = f" ({register.describe_rows(first[:1])})" if first else ""
    near = f"{join_values(others, quote=quote_id)}{where}"
    return f"its {column}_id {quote_id(each)} is nearly {near}: did you mean the same?"


def _join_groups(register: Register, near: Mapping[str, Sequence[str]], rows: Mapping[str, Sequence[Card]]) -> str:
    groups = {tuple(sorted((each, *others))) for each, others in near.items()}
    named = [
        " and ".join(f"{quote_id(each)} ({register.describe_rows(rows[each])})" for each in group)
        for group in sorted(groups)[:MOST_NEAR_IDS_NAMED]
    ]
    more = f"; and {len(groups) - len(named):,} more" if len(groups) > len(named) else ""
    count = format_count(len(groups), "id is", "ids are")
    return f"{count} spelt in several ways: {'; '.join(named)}{more}. Did you mean the same? Write them alike"


def find_unknown_expected(site: Site, register: Register, seen: Sightings) -> Iterator[Finding]:
    """The ids that the desk expected and no credentials row has; their readings are judged without them."""
    unknown: dict[str, list[int]] = defaultdict(list)
    asked = np.array([row for place in seen.expected for row in seen.row_places(place)], np.int64)
    for line, expected in seen.rows[asked].select("line", "expected").iter_rows():
        if expected and not register.has_credential(expected):
            unknown[expected].append(line)
    if unknown:
        lines = sorted(line for them in unknown.values() for line in them)
        offers = {each: _offer(site.readings, "expected", each, register.near_ids) for each in unknown}
        named = join_values(unknown, quote=lambda each: f"{quote_id(each)}{offers[each]}")
        yield Finding(
            code="unknown-expected", subject=site.readings.name, count=len(lines),
            text=f"the desk expected {format_count(len(unknown), 'credential')} that no row has "
            f"({describe_rows(lines)}): {named}",
            rows=FileLines({site.readings.name: lines}),
        )  # fmt: skip


def _offer(file: CsvFile, column: str, text: str, known: Mapping[str, tuple[str, ...]]) -> str:
    """Of an id that is not among the ``known`` ones: the one that was probably meant, and what takes white space off.

    >>> from pathlib import Path
    >>> file = CsvFile(path=Path(), name="", site_key="{} under [files.readings]")
    >>> _offer(file, "expected", "c-1", group_ids(["C-1"])), _offer(file, "expected", "C-2", group_ids(["C-1"]))
    (" (did you mean 'C-1'?)", '')
    """
    ends = describe_ends(text)
    cure = f"it has {ends}: {file.describe_stripping(column)}" if ends else ""
    more = "; ".join(filter(None, (did_you_mean(text, known).removeprefix("; "), cure)))
    return f" ({more})" if more else ""


def find_unknown_sources(site: Site, register: Register) -> Iterator[Finding]:
    """The sources that a declared order of truth does not name: they count last."""
    order = site.rules.order_of_truth
    rows: dict[str, list[Card]] = defaultdict(list)
    for card in register.where(~pl.col("source").is_in(list(order))) if order else ():
        rows[card.row.source].append(card)
    known = group_ids(order)
    for source, cards in rows.items():
        where = register.describe_rows(cards)
        yield Finding(
            code="unknown-source", subject=mask_accounts(source) or "(empty)", count=len(cards),
            text=f"{where}; order_of_truth has {join_values(order, quote=quote_id)}, so this source counts last"
            f"{_offer(site.credentials, 'source', source, known) or nearest(source, order)}",
            rows=register.lines_of(cards),
        )  # fmt: skip


def check_replaced(site: Site, register: Register) -> Iterator[Finding]:
    """Findings on rows that replace what they cannot: an unknown credential, themselves, another person's or kind's."""
    problems: dict[str, list[Card]] = defaultdict(list)
    for card in register.where(pl.col("replaces") != ""):
        if problem := _replacing_problem(register, card):
            problems[problem].append(card)
    for problem, cards in problems.items():
        pairs = Counter((card.credential, card.row.replaces) for card in cards)
        offers = {old: _offer(site.credentials, "replaces", old, register.near_ids) for _, old in pairs}
        named = join_values(
            (f"{quote_id(new)} replaces {quote_id(old)}{offers[old]}" for new, old in pairs), quote=str
        )  # fmt: skip
        yield Finding(
            code="replaces", subject=problem, count=len(cards),
            text=f"{named} ({register.describe_rows(cards)})",
            rows=register.lines_of(cards),
        )  # fmt: skip


def _replacing_problem(register: Register, card: Card) -> str:
    """What is wrong with the credential that a row replaces; empty where nothing is."""
    old = register.cards_of(card.row.replaces)
    if card.row.replaces == card.credential:
        return "itself"
    if not old:
        return "an unknown credential"
    if all(other.kind is not card.kind for other in old):
        return "a credential of another kind"
    if all(other.row.person != card.row.person for other in old):
        return "another person's credential"
    return ""

"""Duplicates: which credentials a place cannot tell apart, and which readers cannot either.

A place is a table: rows of the register, and the number or text that the place has for each. Rows of one credential are
one card. Cards that are gone are excluded.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from operator import itemgetter

import polars as pl

from credkit.census.reissue import Cover, cover
from credkit.census.result import (
    BY_NUMBER,
    BY_READER,
    DuplicateGroup,
    DuplicateMember,
    Place,
    PlaceKind,
    ReaderDuplicates,
    Reissue,
)
from credkit.census.views import readers_giving
from credkit.facts.chances import expected_pairs
from credkit.facts.duplicates import GROUP_COLUMN, find_duplicates
from credkit.facts.number_columns import number_text
from credkit.facts.register_forms import join_issue
from credkit.facts.statuses import EARLY
from credkit.facts.texts import TextResults
from credkit.privacy.accounts import hide_all_but_account_ends
from credkit.site.model import CredentialKind, Site

TIE_BREAKERS = ("kind", "value", "issue", "person", "state")  # which of a card's active rows represents it


@dataclass(slots=True, kw_only=True)
class NumberComparison:
    """A comparison of the numbers at a place: ``rows`` has a column ``row`` and the columns that are compared.

    ``groups`` has the rows that are duplicates, each with its ``group``; ``readers`` has, by name, the groups that a
    reader cannot tell apart. Numbers have ``bits`` bits; ``unknown`` counts the rows without a number at the place.
    """

    what: PlaceKind
    name: str
    kinds: tuple[CredentialKind, ...]
    rows: pl.DataFrame
    single_field: bool = False
    bits: float
    unknown: int = 0
    groups: pl.DataFrame = field(default_factory=pl.DataFrame)
    readers: dict[str, set[int]] = field(default_factory=dict)


def find_groups(comparison: NumberComparison, population: pl.DataFrame) -> None:
    """Find the groups of a comparison; ``population`` has the card and the state of each row."""
    held = comparison.rows.filter(population["held"].gather(comparison.rows["row"]))
    group = find_duplicates(held, population["card"])
    facts = population.select("active", "state", "line")[group["row"]]
    comparison.groups = group.with_columns(*facts.get_columns())


def cover_groups(groups: pl.DataFrame, population: pl.DataFrame) -> Cover:
    """The smallest set of cards that removes the duplicates of ``groups``, by group and card.

    Only cards that are active, or will be, can be reissued. Between sets of the same size the ids of the credentials
    decide, never the order of the rows.
    """
    cards = groups.group_by("card").agg(
        pl.col("row").first(), (pl.col("active") | (pl.col("state") == EARLY)).any().alias("live")
    )
    cards = cards.with_columns(population["credential"].gather(cards["row"])).sort("credential").with_row_index("rank")
    sets = (
        groups.join(cards.select("card", "rank"), on="card")
        .group_by("place", GROUP_COLUMN)
        .agg("rank")["rank"]
        .to_list()
    )
    found = cover(sets, cards.filter(~pl.col("live"))["rank"].to_list())
    return Cover(cards=frozenset(cards["card"].gather(sorted(found.cards)).to_list()), least=found.least)


def summarise(comparison: NumberComparison, population: pl.DataFrame, numbers: pl.DataFrame) -> Place:
    """The counts of a comparison; ``numbers`` has the number of each row of the register, its ``code``."""
    cards = population.select("card", "held")[comparison.rows["row"]].filter("held")["card"].n_unique()
    by_card = comparison.groups.group_by(GROUP_COLUMN, "card").agg(pl.col("active").any())
    by_group = by_card.group_by(GROUP_COLUMN).agg(pl.len().alias("cards"), pl.col("active").sum())
    apart = comparison.groups.join(numbers, on="row", how="left").group_by(GROUP_COLUMN).agg(pl.col("code").n_unique())
    found = cover_groups(comparison.groups.with_columns(pl.lit(0).alias("place")), population)
    in_groups = by_card.group_by("card").agg(pl.col("active").any())
    return Place(
        what=comparison.what, name=comparison.name, kinds=tuple(kind.name for kind in comparison.kinds), cards=cards,
        unknown=comparison.unknown, groups=by_group.height, several_active=by_group.filter(pl.col("active") > 1).height,
        merged=0 if comparison.what == BY_NUMBER else apart.filter(pl.col("code") > 1).height,
        active=in_groups.filter("active").height, inactive=in_groups.filter(~pl.col("active")).height,
        reissue_least=found.least, reissue_most=len(found.cards),
        pairs=sum(count * (count - 1) // 2 for count in by_group["cards"].to_list()),
        bits=comparison.bits,
        expected_pairs=expected_pairs(cards, comparison.bits) if comparison.single_field else None,
    )  # fmt: skip


def find_readers(
    site: Site, comparisons: Iterable[NumberComparison], truncating: Mapping[str, tuple[str, pl.DataFrame]]
) -> None:
    """Find for each comparison the readers that cannot tell the cards of a group apart.

    ``truncating`` has, for each chain that truncates, the name of its reader and the numbers that it gives for rows.
    """
    for comparison in comparisons:
        if comparison.groups.is_empty():
            continue
        if comparison.what == BY_NUMBER:
            keys = comparison.groups.select(name for name in comparison.rows.columns if name != "row")
            for reader, able in readers_giving(site, comparison.name, keys).items():
                comparison.readers.setdefault(reader, set()).update(
                    comparison.groups[GROUP_COLUMN].filter(able).to_list()
                )
            continue
        for reader, seen in truncating.values():
            keys_of = [name for name in seen.columns if name != "row"]
            if not keys_of:
                continue
            both = comparison.groups.select("row", "card", GROUP_COLUMN).join(seen, on="row", how="inner")
            alike = both.group_by(GROUP_COLUMN, *keys_of).agg(pl.col("card").n_unique()).filter(pl.col("card") > 1)
            if not alike.is_empty():
                comparison.readers.setdefault(reader, set()).update(alike[GROUP_COLUMN].to_list())


def count_by_reader(site: Site, comparisons: Sequence[NumberComparison]) -> tuple[ReaderDuplicates, ...]:
    """For each reader the groups of one number whose cards it cannot tell apart, and those of its own truncation."""
    by_number = [each for each in comparisons if each.what == BY_NUMBER]
    by_reader = [each for each in comparisons if each.what == BY_READER]
    return tuple(
        ReaderDuplicates(
            reader=name, kind=reader.kind.name,
            same_number=sum(len(each.readers.get(name, ())) for each in by_number),
            own_truncation=sum(each.groups[GROUP_COLUMN].n_unique() for each in by_reader if _belongs_to(each, name)),
        )
        for name, reader in site.readers.items()
    )  # fmt: skip


def _belongs_to(comparison: NumberComparison, reader: str) -> bool:
    return comparison.name == reader or comparison.name.startswith(f"{reader} (")


class DuplicateReporter:
    """Lists the members of duplicate groups, with account numbers masked."""

    def __init__(
        self, site: Site, population: pl.DataFrame, numbers: pl.DataFrame, account_kinds: Collection[str],
        texts: TextResults,
    ) -> None:  # fmt: skip
        self.site, self.population, self.numbers = site, population, numbers
        self.account_kinds, self.texts = account_kinds, texts

    def members(self, rows: pl.DataFrame) -> dict[int, DuplicateMember]:
        """The credential of each of ``rows`` (distinct places in the population)."""
        names = ("credential", "person", "kind", "line", "state", "value", "issue")
        line_of = self.site.credentials.mapping.line_of
        part = self.population.select(names)[rows["row"]]
        number = rows.select("row").join(self.numbers, on="row", how="left", maintain_order="left")["written"]
        found = {}
        for row, text, (credential, person, kind_name, line, state, value, issue) in zip(
            rows["row"].to_list(), number.to_list(), part.iter_rows(), strict=True
        ):
            kind = self.site.kinds[kind_name]
            found[row] = DuplicateMember(
                credential=credential, person=person, kind=kind_name, line=line_of(line), state=state,
                number=self.hide_secret(kind, row, text or ""),
                value=self.hide_secret(kind, row, join_issue(value, issue if kind.issue else None)),
            )  # fmt: skip
        return found

    def hide_secret(self, kind: CredentialKind, row: int, text: str) -> str:
        """``text``, which holds the number in a row of ``kind``, as it may be shown."""
        is_secret = (
            kind.name in self.account_kinds
            and self.texts.read(kind.value, kind, self.population["value"][row]).payment.has_account
        )
        return hide_all_but_account_ends(text) if is_secret else text

    def list_groups(self, comparison: NumberComparison) -> list[DuplicateGroup]:
        """The groups of a comparison, in the order of the file."""
        if comparison.groups.is_empty():
            return []
        keys = (name for name in comparison.rows.columns if name != "row")
        first = (
            comparison.groups.sort("row")
            .unique(["card", GROUP_COLUMN], keep="first", maintain_order=True)
            .sort(GROUP_COLUMN, "row")
        )
        members = self.members(first.select("row").unique(maintain_order=True))
        columns = first.select(GROUP_COLUMN, "row", number_text(keys).alias("text"))
        own = [name for name in self.site.readers if comparison.what == BY_READER and _belongs_to(comparison, name)]
        found = []
        for group, rows in groupby(columns.iter_rows(), key=itemgetter(0)):
            places, texts = zip(*((row, text) for _, row, text in rows), strict=True)
            kind = self.site.kinds[members[places[0]].kind]
            seen = [name for name, groups in comparison.readers.items() if group in groups]
            found.append(
                DuplicateGroup(
                    what=comparison.what, place=comparison.name, text=self.hide_secret(kind, places[0], texts[0]),
                    members=tuple(members[row] for row in places), readers=tuple(dict.fromkeys((*own, *seen))),
                )
            )  # fmt: skip
        return found

    def reissue(self, comparisons: Iterable[NumberComparison]) -> Reissue:
        """The cards to reissue for all places together."""
        parts = [
            comparison.groups.select("row", "card", GROUP_COLUMN, "active", "state", "line").with_columns(
                pl.lit(place).alias("place")
            )
            for place, comparison in enumerate(comparisons)
            if not comparison.groups.is_empty()
        ]
        if not parts:
            return Reissue(cards=(), least=0)
        everything = pl.concat(parts)
        found = cover_groups(everything, self.population)
        rows = everything.filter(pl.col("card").is_in(list(found.cards))).select("row", "card").unique()
        rows = rows.hstack(self.population.drop("card")[rows["row"]])
        first = rows.sort("active", *TIE_BREAKERS, "line", descending=[True, *[False] * len(TIE_BREAKERS), False])
        first = first.unique("card", keep="first", maintain_order=True).sort("line")
        return Reissue(cards=tuple(self.members(first.select("row")).values()), least=found.least)

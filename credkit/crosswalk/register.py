"""The register: every credentials row with its number, whether it counts, and whose number is whose.

A row counts if it has a number, no row of a more trusted source covers its days, and no spreadsheet altered it; rows
that count own their number within its namespace. What is to be said of a row is found in columns; a `Card` is made of
a row of which anything is to be said but its number, and of others where they are looked at by themselves.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cached_property

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.fields import Item
from credkit.crosswalk.card_reading import CardReader, number_without_white_space
from credkit.crosswalk.cards import Card
from credkit.crosswalk.holders import HolderPair, find_overlaps, with_holders
from credkit.crosswalk.rounding import ColumnVerdicts, ConfirmedNumbers
from credkit.facts.duplicates import find_duplicates
from credkit.facts.exceptions import ExceptionRow, make_exception
from credkit.facts.judged_texts import intern
from credkit.facts.numbers import NO_NUMBER, Number, Numbers
from credkit.facts.register_columns import KindColumns, are_repeated, find_superseded_rows
from credkit.facts.register_forms import join_issues
from credkit.facts.statuses import ACTIVE, active_day_expressions, ordinals, status_expression
from credkit.facts.texts import TextResults
from credkit.site.frames import assignment_rows
from credkit.site.model import Site
from credkit.site.nearids import group_ids, near_key
from credkit.work.filelines import FileLines


class Register:
    """All credentials rows: their table, by row the place of its number, and whether it counts.

    ``rows`` has the columns of the file, the ``state`` of each row on the day of judgement, and the days from which
    and until which it was active. ``others`` are, by place, the cards with a doubt, a note or a fault.
    """

    def __init__(
        self, site: Site, rows: pl.DataFrame, numbers: Numbers, number: Array, kinds: Sequence[KindColumns],
        texts: TextResults, others: Mapping[int, Card], overlapping: Mapping[int, HolderPair],
    ) -> None:  # fmt: skip
        self.site, self.rows, self.numbers, self.number, self.kinds = site, rows, numbers, number, kinds
        self.others = dict(sorted(others.items()))
        self.overlapping = overlapping  # by line
        self.file = site.credentials.name
        self._texts = texts
        self._cards: dict[int, Card] = dict(others)
        self.counts: Array = number != NO_NUMBER
        self.counts[[place for place, card in others.items() if not card.counts]] = False
        self.owners = Owners(self)

    def __len__(self) -> int:
        return self.rows.height

    def at(self, place: int) -> Card:
        """The card at a place; the same object each time."""
        found = self._cards.get(place)
        return self.make(np.array([place]))[0] if found is None else found

    def make(self, places: Array) -> list[Card]:
        """The cards at ``places``, one by one."""
        missing = np.array([place for place in places.tolist() if place not in self._cards], np.int64)
        if len(missing):
            self._cards.update(
                zip(missing.tolist(), make_cards(self.site, self.rows, self.kinds, missing), strict=True)
            )
        return [self._cards[place] for place in places.tolist()]

    def where(self, condition: pl.Expr | Array) -> list[Card]:
        """The cards whose rows fulfil a condition, in the order of the file."""
        found = condition if isinstance(condition, np.ndarray) else self.rows.select(condition).to_series().to_numpy()
        return self.make(np.flatnonzero(found))

    def with_others_alike(self, columns: Sequence[str], among: Array) -> list[Card]:
        """The cards ``among`` all that agree in these columns with another among them, in the order of the file."""
        places = np.flatnonzero(among)
        return self.make(places[are_repeated(self.rows.select(*columns)[places])])

    @cached_property
    def active(self) -> Array:
        """The rows that are active on the day of judgement and not superseded, readable or not."""
        found = (self.rows["state"] == ACTIVE).to_numpy(writable=True)
        found[[place for place, card in self.others.items() if card.code == "superseded"]] = False
        return found

    @cached_property
    def held(self) -> Array:
        """The rows that count and have a card that somebody may still have."""
        is_held = ~pl.col("status").is_in(list(self.site.rules.gone))
        found: Array = self.counts & self.rows.select(is_held).to_series().to_numpy()
        return found

    @cached_property
    def duplicates(self) -> pl.DataFrame:
        """The held rows whose number several credentials have (`credkit.facts.duplicates`)."""
        places = np.flatnonzero(self.held)
        numbers = pl.DataFrame({"row": places, "number": self.number[places]})
        return find_duplicates(numbers, self.rows["credential"])

    @cached_property
    def number_texts(self) -> pl.Series:
        """The number of each row as files write it; empty where there is none."""
        found = [pl.DataFrame({"place": each.places, "text": each.format_numbers()}) for each in self.kinds]
        nothing = pl.DataFrame({"place": np.arange(len(self))})
        texts = nothing.join(pl.concat(found), on="place", how="left", maintain_order="left") if found else nothing
        return texts["text"].fill_null("") if found else pl.Series("text", [], pl.String)

    @cached_property
    def forms(self) -> pl.Series:
        """The number of each row as the register writes it; empty where there is none."""
        found = pl.Series([""], dtype=pl.String).new_from_index(0, len(self))
        for each in self.kinds:
            places = each.places[each.readable]
            issues = self.rows["issue"].gather(places)
            found = found.scatter(places, join_issues(each.kind, each.values.filter(each.readable), issues))
        return found

    def active_days(self) -> tuple[Array, Array]:
        """The first and the last day on which each card was active, as `date.toordinal` counts; 0 for none."""
        return ordinals(self.rows["active_from"]), ordinals(self.rows["active_until"])

    def exceptions(self) -> Iterator[ExceptionRow]:
        """The rows that are exceptions, in the order of the file."""
        for card in self.others.values():
            if card.code:
                yield make_exception(
                    file=self.file, line=card.row.line, code=card.code, text=card.row.value, reason=card.reason,
                    person=card.row.person, credential=card.credential, candidates=(card.credential,),
                    unmasked=card.kind.not_payment is not None, holds_account=card.holds_account,
                )  # fmt: skip

    @cached_property
    def credential_codes(self) -> tuple[Array, pl.Series]:
        """Which of the different ids each row has, and these ids."""
        return intern(self.rows["credential"])

    @cached_property
    def _credentials(self) -> tuple[dict[str, int], Array, Array]:
        """The ids, and the places of the rows of each, one after the other, with where those of an id begin."""
        which, different = self.credential_codes
        order = np.argsort(which, kind="stable")
        starts = np.searchsorted(which[order], np.arange(len(different) + 1))
        return {each: place for place, each in enumerate(different.to_list())}, order, starts

    def has_credential(self, credential: str) -> bool:
        """Whether any row has this credential id."""
        return credential in self._credentials[0]

    def prepare(self, credentials: Iterable[str]) -> None:
        """Make the cards of these credentials at once: that is quicker than one after the other."""
        wanted = list(dict.fromkeys(credentials))
        if wanted:
            self.where(pl.col("credential").is_in(wanted))

    def cards_of(self, credential: str) -> Sequence[Card]:
        """All rows of a credential, those that do not count too."""
        ids, order, starts = self._credentials
        place = ids.get(credential)
        return () if place is None else self.make(order[starts[place] : starts[place + 1]])

    @cached_property
    def near_ids(self) -> Mapping[str, tuple[str, ...]]:
        """The credential ids by their near key."""
        return group_ids(self._credentials[0])

    def near_credential(self, credential: str) -> str:
        """The one credential of which an unknown id is a near miss; empty without one, or with several."""
        near = [each for each in self.near_ids.get(near_key(credential), ()) if each != credential]
        return near[0] if len(near) == 1 else ""

    def contradicts(self, credential: str, number: Number) -> bool:
        """Whether a credential has a number in this namespace, and another one than ``number``."""
        mine = [card.number for card in self.cards_of(credential) if card.counts and card.number]
        return number not in mine and any(each.namespace == number.namespace for each in mine)

    def describe_rows(self, cards: Iterable[Card]) -> str:
        """Where the rows of ``cards`` are, in a sentence; of many, the first few."""
        return self.site.credentials.describe_rows(card.row.line for card in cards)

    def lines_of(self, cards: Iterable[Card]) -> FileLines:
        """The rows of ``cards``."""
        return FileLines({self.file: [card.row.line for card in cards]})

    @cached_property
    def superseded_owners(self) -> Mapping[Number, tuple[Card, ...]]:
        """The cards of each number in superseded rows."""
        return _by_number((card.number, card) for card in self.others.values() if card.code == "superseded")

    @cached_property
    def spaced_owners(self) -> Mapping[Number, tuple[Card, ...]]:
        """The cards of each number that values have without the white space around them."""
        return _by_number((number_without_white_space(card, self._texts), card) for card in self.others.values())

    @cached_property
    def issues(self) -> Mapping[Number, tuple[Card, ...]]:
        """By the number without its issue, for kinds that have one in it: the cards that count."""
        with_issue = [kind.name for kind in self.site.kinds.values() if kind.issue]
        cards = self.where(self.counts & self.rows["kind"].is_in(with_issue).to_numpy()) if with_issue else []
        return _by_number(
            (Number(card.kind.namespace, card.kind.without_issue(card.number.values)) if card.number else None, card)
            for card in cards
        )


def _by_number(cards: Iterable[tuple[Number | None, Card]]) -> dict[Number, tuple[Card, ...]]:
    found: dict[Number, list[Card]] = defaultdict(list)
    for number, card in cards:
        if number is not None:
            found[number].append(card)
    return {number: tuple(them) for number, them in found.items()}


class Owners(Mapping[Number, tuple[Card, ...]]):
    """The cards that count by their number, numbers in the order of the file; the same tuple each time."""

    def __init__(self, register: Register) -> None:
        self._register = register
        places = np.flatnonzero(register.counts)
        number = register.number[places]
        order = np.argsort(number, kind="stable")
        self._places, numbers = places[order], number[order]
        self.counts: Array = np.bincount(number, minlength=len(register.numbers))
        self._starts = np.searchsorted(numbers, np.arange(len(self.counts) + 1))
        self._made: dict[int, tuple[Card, ...]] = {}

    def places(self, number: int) -> Array:
        """The places of the rows that own a number, given by its place."""
        found: Array = self._places[self._starts[number] : self._starts[number + 1]]
        return found

    def credentials(self, numbers: Array) -> list[tuple[str, ...]]:
        """The credentials of each of ``numbers``, given by their places; none of `NO_NUMBER`."""
        only = np.append(self.only_places, -1)[numbers]
        ids = self._register.rows["credential"].gather(np.maximum(only, 0)).to_list() if len(self._register) else []
        found: list[tuple[str, ...]] = [(each,) for each in ids] if ids else [()] * len(numbers)
        for at in np.flatnonzero(only < 0).tolist():
            found[at] = tuple(dict.fromkeys(card.credential for card in self.at(int(numbers[at]))))
        return found

    def known_among(self, numbers: Array) -> Array:
        """``numbers``, given by their places, `NO_NUMBER` in place of those that nobody owns."""
        return np.where(np.append(self.counts, 0)[np.minimum(numbers, len(self.counts))] > 0, numbers, NO_NUMBER)

    def find_all(self, namespace: str, columns: Sequence[Array]) -> Array:
        """The places of the numbers of ``namespace`` with these values, `NO_NUMBER` where nobody owns one."""
        return self.known_among(self._register.numbers.find_all(namespace, columns))

    def prepare(self, numbers: Array) -> None:
        """Make the cards that own these numbers at once: that is quicker than one after the other."""
        owned = np.unique(numbers[numbers != NO_NUMBER])
        if len(owned):
            self._register.make(self._places[_ranges(self._starts[owned], self._starts[owned + 1])])

    @cached_property
    def only_places(self) -> Array:
        """For each number the place of the row that alone owns it, -1 where there is none such."""
        found = np.full(len(self.counts), -1, np.int32)
        alone = np.flatnonzero(self.counts == 1)
        found[alone] = self._places[self._starts[alone]]
        return found

    def number(self, place: int) -> Number:
        """The number at a place."""
        return self._register.numbers[place]

    def in_order(self, namespace: str) -> Array:
        """The places of the numbers of a namespace, in an order that does not depend on that of the file."""
        owned, numbers = np.flatnonzero(self.counts), self._register.numbers
        return numbers.in_order(owned[numbers.in_namespace(owned, namespace)])

    def numbers_in(self, namespace: str) -> Iterator[Number]:
        """The numbers of a namespace, in the order of the file."""
        return (number for number in self if number.namespace == namespace)

    def count_by_namespace(self) -> Counter[str]:
        """How many numbers each namespace has."""
        spaces = {kind.name: kind.namespace for kind in self._register.site.kinds.values()}
        first = self._places[self._starts[np.flatnonzero(self.counts)]]
        kinds = self._register.rows["kind"].gather(first).value_counts()
        found: Counter[str] = Counter()
        for kind, count in kinds.iter_rows():
            found[spaces[kind]] += count
        return found

    def credentials_in(self, namespace: str) -> frozenset[str]:
        """The credentials that have a number of a namespace."""
        kinds = [kind.name for kind in self._register.site.kinds.values() if kind.namespace == namespace]
        rows = self._register.rows.filter(pl.Series(self._register.counts) & pl.col("kind").is_in(kinds))
        return frozenset(rows["credential"].unique().to_list())

    def __getitem__(self, number: Number) -> tuple[Card, ...]:
        cards = self.at(self._register.numbers.find(number))
        if not cards:
            raise KeyError(number)
        return cards

    def at(self, place: int) -> tuple[Card, ...]:
        """The cards that have the number at a place; none where nobody owns it, or there is no number."""
        if not self.owns(place):
            return ()
        if place not in self._made:
            self._made[place] = tuple(self._register.make(self.places(place)))
        return self._made[place]

    def owns(self, place: int) -> bool:
        """Whether anybody owns the number at a place."""
        return 0 <= place < len(self.counts) and self.counts[place] > 0

    def __contains__(self, number: object) -> bool:
        return isinstance(number, tuple) and self.owns(self._register.numbers.find(Number(*number)))

    def __iter__(self) -> Iterator[Number]:
        owned = np.flatnonzero(self.counts)
        first = self._places[self._starts[owned]]
        return iter(self._register.numbers.at(owned[np.argsort(first)]))

    def __len__(self) -> int:
        return int(np.count_nonzero(self.counts))


def _ranges(starts: Array, stops: Array) -> Array:
    """The whole numbers from each of ``starts`` to before its stop, one range after the other."""
    counts = stops - starts
    found: Array = np.repeat(starts - np.append(0, np.cumsum(counts)[:-1]), counts) + np.arange(counts.sum())
    return found


def build_register(
    site: Site, rows: pl.DataFrame, kinds: Sequence[KindColumns], numbers: Numbers, texts: TextResults,
    columns: ColumnVerdicts, confirmed: ConfirmedNumbers,
) -> Register:  # fmt: skip
    """The register in ``rows``, whose columns are ``kinds``; ``confirmed`` are numbers that readers gave."""
    first, last = active_day_expressions(site)
    rows = rows.with_columns(
        status_expression(site).alias("state"), first.alias("active_from"), last.alias("active_until")
    )
    number, plain = np.full(rows.height, NO_NUMBER), np.zeros(rows.height, bool)
    for each in kinds:
        number[each.places] = each.find_numbers(numbers)
        plain[each.places] = each.plain
    superseded, twins = find_superseded_rows(rows.filter(are_repeated(rows.select("credential"))), site.rules)
    lines = rows["line"].to_numpy()
    plain &= (number != NO_NUMBER) & ~np.isin(lines, [*superseded, *twins])
    reader = CardReader(site, texts, columns, confirmed, superseded, twins)
    places = np.flatnonzero(~plain)
    others = {card.place: card for card in map(reader.read, make_cards(site, rows, kinds, places))}
    number[[place for place, card in others.items() if card.number is None]] = NO_NUMBER
    counts = number != NO_NUMBER
    counts[[place for place, card in others.items() if not card.counts]] = False
    holders = _possible_holders(site, rows, counts)
    made = dict(zip(holders.tolist(), make_cards(site, rows, kinds, holders), strict=True)) | others
    pairs = find_overlaps([made[place] for place in holders.tolist()])
    by_line = {card.row.line: card.place for pair in pairs.values() for card in pair}
    for line, pair in pairs.items():
        others[by_line[line]] = with_holders(made[by_line[line]], pair, site.credentials)
    overlapping = {
        line: (others[by_line[one.row.line]], others[by_line[other.row.line]]) for line, (one, other) in pairs.items()
    }
    return Register(site, rows, numbers, number, kinds, texts, others, overlapping)


def _possible_holders(site: Site, rows: pl.DataFrame, counts: Array) -> Array:
    """The rows that count and have a card with others, but for those of pools, and those that are gone."""
    names = rows.select("credential", "kind", "person", "status")
    pooled = names.filter(pl.Series(counts) & pl.col("person").is_in(list(site.rules.pools)))["credential"].unique()
    held = ~pl.col("status").is_in(list(site.rules.gone)) & ~pl.col("credential").is_in(pooled.to_list())
    places = np.flatnonzero(counts & names.select(held).to_series().to_numpy())
    found: Array = places[are_repeated(names.select("credential", "kind")[places])]
    return found


def make_cards(site: Site, rows: pl.DataFrame, kinds: Sequence[KindColumns], places: Array) -> list[Card]:
    """The cards at ``places`` as the columns have them: each with its number alone."""
    fields: dict[int, dict[str, Item]] = {}
    for each in kinds:
        fields |= each.fields_at(places)
    some = rows[places]
    days = zip(some["active_from"].to_list(), some["active_until"].to_list(), strict=True)
    found = []
    for place, row, state, (first, last) in zip(
        places.tolist(), assignment_rows(some), some["state"].to_list(), days, strict=True
    ):
        kind, own = site.kinds[row.kind], fields.get(place)
        found.append(
            Card(
                place=place, row=row, kind=kind, state=state, active_days=None if first is None else (first, last),
                fields=own, number=Number(kind.namespace, kind.number_in(own)) if own else None,
            )
        )  # fmt: skip
    return found

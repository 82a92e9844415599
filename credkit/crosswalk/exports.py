"""Exports: what a target holds today, and which rows of the register explain it.

What a target holds is never taken away: texts that no row explains, or only a credential that is not
active, are shown to a person.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from functools import cached_property
from itertools import islice
from typing import NamedTuple

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.sentences import MOST_VALUES_NAMED, join_values, redacted_repr
from credkit.crosswalk.cards import Card
from credkit.crosswalk.decisions import HELD, HOLDS_OTHER, NOT_HELD, Doubt
from credkit.crosswalk.export_damage import find_altered, judge_export
from credkit.crosswalk.register import Register
from credkit.crosswalk.targets import TargetTexts
from credkit.explain.diagnosis import is_spreadsheet_shortened
from credkit.facts.exceptions import ExceptionRow, make_exception
from credkit.facts.register_columns import are_repeated
from credkit.facts.statuses import ACTIVE, describe_end
from credkit.facts.target_columns import as_stored
from credkit.facts.texts import is_rounded
from credkit.privacy.accounts import holds_account
from credkit.site.model import Site, Target
from credkit.site.nearids import did_you_mean, group_ids, near_key, near_keys
from credkit.site.rows import describe_white_space

MOST_TEXTS_HELD = 10  # that a line names of those that a target holds for a person, such as a pool
_HOLDING = ("person", "stored")


class Holding(NamedTuple):
    """A text that a target holds for a person."""

    person: str
    text: str


class _Holders(NamedTuple):
    """The persons for whom a target holds a text, in the order of the file; and one of them by each near key."""

    persons: dict[str, None]
    near: dict[str, str]


class _DatedCard(NamedTuple):
    """The place of a card, its credential, and from when it is valid."""

    place: int
    credential: str
    valid_from: date


class TargetExport:
    """The rows that a target holds today, and which of them the register explains.

    A text may stand under the person of a card's row. If one of the holders of a credential is a pool, it may stand
    under any who has or had that text. ``rows`` are those of the export (line, person, text), ``cards`` those of the
    target's kind that count and can be written (place, person, credential, stored, active, valid_from), both in the
    order of their files; ``card_at`` gives the card at a place. Rows and cards that match as they stand are
    found by joins; only the others become objects.

    By row of ``cards``, ``holds_own`` is whether the export has the text for the card's person, ``is_absent`` whether
    it has the text for nobody, and nothing that a spreadsheet made of it or that it replaces.
    """

    def __init__(
        self, site: Site, target: Target, rows: pl.DataFrame, cards: pl.DataFrame, card_at: Callable[[int], Card]
    ) -> None:
        self.site = site
        self.target = target
        self.card_at = card_at
        stored = as_stored(target, rows["text"]).alias("stored")
        self.rows = rows.select("line", "person", "text", stored).with_row_index("row").with_columns(
            pl.col("row").first().over(_HOLDING).alias("first")  # the first row of those that say the same
        )  # fmt: skip
        held = self.rows.filter(pl.col("row") == pl.col("first")).select("row", "person", "stored")
        cards = cards.select("place", "person", "credential", "stored", "active", "valid_from")
        self.cards = self._mark_current(cards.join(held, on=_HOLDING, how="left", maintain_order="left"))
        self.holds_own: Array = self.cards["row"].is_not_null().to_numpy()
        self._is_explained = self._mark_rows(self.cards["row"])
        self._is_current = self._mark_rows(self.cards.filter("current")["row"])
        self._altered = self._find_altered(held)
        self._is_altered = self._mark_rows(self._altered["row"])
        self._replaced = self._find_replaced()
        left = self.cards.filter(~pl.Series(self.holds_own))
        shared = left.join(held, on="stored", how="semi")
        self._texts_of_others = set(shared["stored"])
        self._descriptions: dict[Holding, str] = {}
        self.is_absent = ~(self.holds_own | self._have(shared, self._altered, self._replaced))

    def _mark_current(self, cards: pl.DataFrame) -> pl.DataFrame:
        """``cards`` with whether a pool has the credential, and whether an active card explains the text."""
        pooled = cards.filter(pl.col("person").is_in(list(self.site.rules.pools)))["credential"].unique()
        cards = cards.with_row_index("index").with_columns(
            pl.col("credential").is_in(pooled.implode()).alias("pooled"), pl.col("active").alias("current")
        )
        if pooled.is_empty():
            return cards
        anybody = pl.col("active").any().over("credential", "stored")
        return cards.with_columns(pl.when("pooled").then(anybody).otherwise("active").alias("current"))

    def _mark_rows(self, rows: pl.Series) -> Array:
        """Which rows of the export say the same as one of the first ``rows``."""
        marks: Array = np.zeros(len(self.rows), dtype=bool)
        marks[rows.drop_nulls().to_numpy()] = True
        same: Array = marks[self.rows["first"].to_numpy()]
        return same

    def _have(self, *frames: pl.DataFrame) -> Array:
        """Which cards are in one of ``frames``, by their index."""
        marks: Array = np.zeros(len(self.cards), dtype=bool)
        for frame in frames:
            marks[frame["index"].to_numpy()] = True
        return marks

    def _find_altered(self, held: pl.DataFrame) -> pl.DataFrame:
        """The cards whose text a spreadsheet altered in the export, as it did to others, with what is left of it."""
        wanted = self.cards.select("person", pl.col("stored").alias("wanted")).unique()
        pairs = find_altered(held.select("row", "person", pl.col("stored").alias("text")), wanted)
        texts = pairs.select("text", "wanted").unique()
        self.damage = judge_export(texts.iter_rows(), held["stored"])
        if self.damage.found:
            texts = texts.filter(
                pl.Series([self.damage.explains(*pair) for pair in texts.iter_rows()], dtype=pl.Boolean)
            )
        else:
            texts = texts.clear()
        explained = texts.join(pairs, on=("text", "wanted"))
        explained = explained.sort("row").unique(("person", "wanted"), keep="last", maintain_order=True)
        cards = self.cards.select("index", "person", pl.col("stored").alias("wanted"))
        return cards.join(explained, on=("person", "wanted")).select("index", "person", "wanted", "row", "text")

    def _find_replaced(self) -> pl.DataFrame:
        """The text of the export that each active card replaces: one that no active card of the person explains."""
        missing = self.cards.filter("active", ~pl.Series(self.holds_own))
        missing = missing.filter(~pl.col("person").is_in(list(self.site.rules.pools)))
        stale = self.rows.filter(~pl.Series(self._is_current)).select("person", pl.col("stored").alias("stale"))
        missing, stale = (
            frame.join(other, on="person", how="semi").sort(order, maintain_order=True)
            .with_columns(pl.int_range(pl.len()).over("person").alias("rank"))
            for frame, other, order in (
                (missing, stale, ("person", "credential", "stored")), (stale, missing, ("person", "stale"))
            )
        )  # fmt: skip
        return missing.join(stale, on=("person", "rank")).select(
            "index", "place", "person", "credential", "stored", "stale"
        )  # fmt: skip

    def doubt(self, card: Card, text: str) -> Doubt:
        """What the export means for writing a card; ``text`` is its text as the column gives it back."""
        person = card.row.person
        if text not in self._texts_of_others and text not in self._texts_of_nobody:
            return Doubt(HELD, "")
        holders = self._holders[text].persons if text in self._texts_of_others else {}
        if person in holders:
            return Doubt(HELD, "")
        if holders:
            reason = f"the export has this text for {join_values(holders)}{self._describe_near_holder(person, text)}"
            return Doubt(HELD if self._is_pooled(card, text, holders) else "held-by-other", reason)
        if (altered := self._altered_texts.get(Holding(person, text))) is not None:
            reason = f"the export has {redacted_repr(altered)} for this person, which a spreadsheet made of it"
            return Doubt("export-damage", reason)
        if (stale := self._replaced_by(card, text)) is not None:
            return Doubt(HOLDS_OTHER, f"the export has {redacted_repr(stale)} for this person")
        return Doubt(NOT_HELD, "")

    @cached_property
    def _texts_of_nobody(self) -> set[str]:
        """The texts of cards that the export has for nobody."""
        return set(self.cards.filter(~pl.Series(self.holds_own))["stored"]) - self._texts_of_others

    @cached_property
    def _holders(self) -> dict[str, _Holders]:
        """The holders of each text that the export has for others than the person of one of its cards."""
        found: dict[str, _Holders] = {text: _Holders({}, {}) for text in self._texts_of_others}
        shared = self.rows.join(
            pl.DataFrame({"stored": list(found)}, {"stored": pl.String}), on="stored", how="semi", maintain_order="left"
        )
        for text, person in shared.select("stored", "person").iter_rows():
            found[text].persons[person] = None
            found[text].near[near_key(person)] = person
        return found

    @cached_property
    def _altered_texts(self) -> dict[Holding, str]:
        return {
            Holding(person, wanted): text
            for person, wanted, text in self._altered.select("person", "wanted", "text").iter_rows()
        }

    @cached_property
    def _stale_texts(self) -> dict[tuple[str, str, str], list[tuple[int, str]]]:
        """Places of the cards of a person, a credential and a text, each with the text that it replaces."""
        found: dict[tuple[str, str, str], list[tuple[int, str]]] = defaultdict(list)
        columns = ("person", "credential", "stored", "place", "stale")
        for person, credential, text, place, stale in self._replaced.select(columns).iter_rows():
            found[person, credential, text].append((place, stale))
        return found

    def _replaced_by(self, card: Card, text: str) -> str | None:
        """The text that ``card`` replaces; rows that are alike in person, credential and text replace one each."""
        for place, stale in self._stale_texts.get((card.row.person, card.credential, text), ()):
            if self.card_at(place).row.line == card.row.line:
                return stale
        return None

    def _describe_near_holder(self, person: str, text: str) -> str:
        """Whether a holder of ``text`` is nearly ``person``, and which white space makes the difference."""
        near = self._holders[text].near.get(near_key(person))
        if near is None:
            return ""
        cells = ((self.site.credentials, person), (self.target.existing, near))
        ends = [file and describe_white_space(file, "person_id", cell) for file, cell in cells]
        return f"; did you mean {redacted_repr(near)} for {redacted_repr(person)}?" + "".join(
            f" {problem}" for problem in ends if problem
        )

    @cached_property
    def _had(self) -> dict[tuple[str, str], set[str]]:
        """Who has or had each credential of a pool with a text that the export has for others."""
        found: dict[tuple[str, str], set[str]] = defaultdict(set)
        pooled = self.cards.filter("pooled").select("credential", "stored", "person")
        for credential, text, person in pooled.iter_rows():
            if text in self._texts_of_others:
                found[credential, text].add(person)
        return found

    def _is_pooled(self, card: Card, text: str, holders: Iterable[str]) -> bool:
        """Whether a pool has the card, and all ``holders`` are people who have or had it with this text."""
        return self._had.get((card.credential, text), frozenset()).issuperset(holders)

    @cached_property
    def _inactive(self) -> dict[Holding, list[_DatedCard]]:
        """What the target holds for a person only for cards that are not active: these, and a pool's latest."""
        columns = ("person", "stored", "place", "credential", "valid_from")
        own = self.cards.filter(pl.Series(self.holds_own))
        own = own.filter(~pl.Series(self._is_current[own["row"].to_numpy()]))
        found: dict[Holding, list[_DatedCard]] = defaultdict(list)
        for person, text, place, credential, day in own.select(columns).iter_rows():
            found[Holding(person, text)].append(_DatedCard(place, credential, day or date.min))
        beside = self.cards.join(own.filter("pooled"), on=("credential", "stored"), how="semi", maintain_order="left")
        latest: dict[tuple[str, str], _DatedCard] = {}
        holders: dict[tuple[str, str], dict[str, None]] = defaultdict(dict)
        for person, text, place, credential, day in beside.select(columns).iter_rows():
            holders[credential, text][person] = None
            card = _DatedCard(place, credential, day or date.min)
            latest[credential, text] = max(latest.get((credential, text), card), card, key=_valid_from)
        for (credential, text), persons in holders.items():
            for holding in (Holding(person, text) for person in persons):
                if holding in found:
                    found[holding].append(latest[credential, text])
        return dict(found)

    def holds_inactive(self, person: str, text: str) -> bool:
        """Whether the target holds ``text`` for ``person``, and only for cards that are not active."""
        return Holding(person, text) in self._inactive

    @cached_property
    def _presented(self) -> pl.DataFrame:
        """Each person of the export with the texts that it has, in the order of the file; of many, the first ten."""
        texts = self.rows.select("person", "text")
        several = pl.Series(are_repeated(texts.select("person")))
        persons = texts.filter(several).unique(maintain_order=True).group_by("person")
        joined = persons.agg(pl.col("text").head(MOST_TEXTS_HELD).str.join("; "), pl.len().alias("count"))
        many = (joined["count"] > MOST_TEXTS_HELD).arg_true()
        named = [
            f"{text}; and {count - MOST_TEXTS_HELD:,} more"
            for text, count in joined[many].select("text", "count").iter_rows()
        ]
        joined = joined.select("person", joined["text"].scatter(many, named) if named else "text")
        return pl.concat([texts.filter(~several), joined])

    def present_texts(self, persons: pl.Series) -> pl.Series:
        """The texts that the target holds for each of ``persons``, in the order of the file; of many, the first ten."""
        frame = persons.alias("person").to_frame()
        return frame.join(self._presented, on="person", how="left", maintain_order="left")["text"].fill_null("")

    def match_rows(self) -> tuple[list[int], list[ExceptionRow]]:
        """The lines of the rows that an active card explains, and the other rows, for a person to look at."""
        explained = pl.Series(self._is_current | self._is_altered)
        left = self.rows.filter(~explained)
        owners = self._find_owners(self.rows.filter(~explained, ~pl.Series(self._is_explained)))
        assert self.target.existing is not None  # a bug here, never the input
        found = []
        for line, person, text, stored in left.select("line", "person", "text", "stored").iter_rows():
            if (cards := self._inactive.get(Holding(person, stored))) is not None:
                code, candidates = "inactive-held", list(dict.fromkeys(card.credential for card in cards))
                reason = self._describe_inactive(Holding(person, stored))
            else:
                code, candidates = "existing-unmatched", owners.credentials.get(stored, [])
                reason = _describe_unexplained(
                    person, text, candidates, stored in owners.active_texts, owners.near_people
                )
            found.append(
                make_exception(
                    file=self.target.existing.name, line=line, code=code, text=text,
                    reason=f"{self.target.name} holds it for {redacted_repr(person)}{reason}",
                    candidates=candidates, person=person,
                    credential=candidates[0] if len(candidates) == 1 else "",
                    unmasked=self.target.kind.not_payment is not None, holds_account=holds_account(text),
                )
            )  # fmt: skip
        return self.rows.filter(explained)["line"].to_list(), found

    def _describe_inactive(self, holding: Holding) -> str:
        """The status of each credential by its latest row, and since when."""
        if holding not in self._descriptions:
            dated = sorted(self._inactive[holding], key=_valid_from)
            latest = {card.credential: card.place for card in dated}
            cards = [self.card_at(place) for place in islice(latest.values(), MOST_VALUES_NAMED)]
            statuses = "".join(
                f", and the status of {redacted_repr(card.credential)} is {redacted_repr(card.state)} "
                f"({describe_end(card.row, card.state, self.site)})"
                for card in cards
            )
            more = f", and {len(latest) - len(cards):,} more are not active" if len(latest) > len(cards) else ""
            self._descriptions[holding] = f"{statuses}{more}; needs review; check recent readings first"
        return self._descriptions[holding]

    def _find_owners(self, rows: pl.DataFrame) -> _Owners:
        """The cards whose texts stand in ``rows``, and the persons of cards whose ids are nearly those of the rows."""
        found = _Owners(defaultdict(list), set(), {})
        cards = self.cards.join(rows, on="stored", how="semi")
        if cards.is_empty():
            return found
        distinct = cards.select("stored", "credential").unique(maintain_order=True)
        for text, credential in distinct.iter_rows():
            found.credentials[text].append(credential)
        persons = self.cards["person"].unique(maintain_order=True)
        near = near_keys(rows.join(cards, on="stored", how="semi")["person"].unique())
        nearly = persons.to_frame().filter(near_keys(persons).is_in(near.implode()))
        return found._replace(
            active_texts=set(cards.filter("active")["stored"]), near_people=group_ids(nearly["person"])
        )


class _Owners(NamedTuple):
    """Of texts: the credentials that have them, and which an active card has; and persons by their near keys."""

    credentials: dict[str, list[str]]
    active_texts: set[str]
    near_people: Mapping[str, tuple[str, ...]]


def _valid_from(card: _DatedCard) -> date:
    return card.valid_from


def _describe_unexplained(
    person: str, text: str, credentials: Sequence[str], active: bool, near_people: Mapping[str, tuple[str, ...]]
) -> str:
    if credentials:
        near = did_you_mean(person, near_people)
        return f", but it is the number of {join_values(credentials)}{'' if active else ' (not active)'}{near}"
    damaged = is_spreadsheet_shortened(text) or is_rounded(text)
    return f"; no credentials row explains it{' (a spreadsheet may have altered it)' * damaged}"


def export_of(site: Site, target: Target, rows: pl.DataFrame, register: Register, done: TargetTexts) -> TargetExport:
    """The export of ``target`` in ``rows``, beside the cards of the register that can be written there."""
    written = done.stored.is_not_null()
    places = done.places[written.to_numpy()]
    columns = register.rows.select("person", "credential", "valid_from", (pl.col("state") == ACTIVE).alias("active"))
    cards = columns[places].with_columns(place=places, stored=done.stored.filter(written))
    return TargetExport(site, target, rows, cards, register.at)

"""The crowd of a site of many rows: what the crosswalk has to know of cards that it does not look at."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.fields import Item
from credkit.core.reading import Field
from credkit.crosswalk.evidence import CONFLICT
from credkit.crosswalk.merged_lines import MergedLines
from credkit.crosswalk.number_columns import KEY_PREFIX, key_columns
from credkit.crosswalk.owners import ROW_COLUMN, OwnerColumns
from credkit.crosswalk.reading_columns import ReadingColumns, reader_periods
from credkit.crosswalk.register import ACTIVE, EARLY, EXPIRED, Number
from credkit.crosswalk.result import CrosswalkLine
from credkit.crosswalk.settled import NumberValues, Settled, Where
from credkit.crosswalk.target_fit import TargetFit
from credkit.files.csvcolumns import FIRST
from credkit.site.model import Site, Target

SETTLED_ACTIONS = ("add", "keep", "none")  # what can become of a card of the crowd


class CardClasses:
    """Sorts of cards: those of one are alike in all that their line can depend on.

    ``of`` has the sort of every plain card, -1 for others; ``first`` the first card of each.
    """

    def __init__(self, cards: pl.DataFrame, plain: Array, seen: Array, fits: Mapping[str, TargetFit]) -> None:
        rows = np.flatnonzero(plain)
        day = (
            pl.when(pl.col("state") == EARLY).then("valid_from").when(pl.col("state") == EXPIRED).then("valid_until")
            .otherwise(pl.lit(""))
        )  # fmt: skip
        frame = cards[rows].select("kind", "status", "state", day.alias("day"))
        frame = frame.with_columns(pl.Series("seen", seen[rows]))
        for name, done in fits.items():
            held = np.zeros(len(plain), bool)
            held[done.rows] = done.held >= 0
            frame = frame.with_columns(pl.Series(f"held {name}", held[rows]))
        sorts = frame.unique(maintain_order=True).with_row_index("sort")
        which = frame.join(sorts, on=frame.columns, how="left", maintain_order="left")["sort"].to_numpy()
        _, first = np.unique(which, return_index=True)
        self.of = np.full(len(plain), -1, np.int64)
        self.of[rows] = which
        self.first: Array = rows[first]


@dataclass(kw_only=True)
class SettledColumns(Settled):
    """``plain`` has the cards of the crowd, ``read`` their readings, ``seen`` the cards that have one.

    ``counts`` has the cards with a printed number by kind, ``heights`` the rows of the export of each target.
    """

    site: Site
    cards: pl.DataFrame = field(repr=False)
    plain: Array
    owners: OwnerColumns
    reads: ReadingColumns
    read: Array
    sorts: CardClasses
    seen: Array
    fitted: Mapping[str, TargetFit]
    counts: Mapping[str, int]
    heights: Mapping[str, int]

    def whose(self, namespace: str, numbers: Collection[NumberValues]) -> Mapping[NumberValues, str]:
        """The credentials of the crowd that have these numbers."""
        them = list(numbers)
        rows = self.owners.rows_of(namespace, them)
        mine = np.flatnonzero((rows >= 0) & self.plain[rows])
        names = self.cards["credential"].gather(rows[mine]).to_list()
        return {them[place]: name for place, name in zip(mine.tolist(), names, strict=True)}

    def without(
        self, namespace: str, place: int, rests: Collection[NumberValues]
    ) -> Iterable[tuple[NumberValues, str]]:
        """The numbers that are one of ``rests`` without the field at ``place``, with their credentials."""
        space = self.owners.spaces.get(namespace)
        if space is None or not rests:
            return
        space = space.filter(pl.Series(self.plain[space[ROW_COLUMN].to_numpy()]))
        names = [name for name in space.columns if name != ROW_COLUMN]
        rest = [name for at, name in enumerate(names) if at != place]
        wanted = pl.DataFrame(
            list(rests), schema=[(name, space[name].dtype) for name in rest], orient="row", strict=False
        )
        found = space.join(wanted, on=rest, how="semi").sort(ROW_COLUMN)
        credentials = self.cards["credential"].gather(found[ROW_COLUMN]).to_list()
        yield from zip(self._numbers(namespace, found), credentials, strict=True)

    def _numbers(self, namespace: str, found: pl.DataFrame) -> list[NumberValues]:
        """The numbers in rows of a space, as a register has them."""
        kind = next(kind for kind in self.site.kinds.values() if kind.namespace == namespace)
        columns: list[list[Item]] = []
        for name in kind.key:
            items = found[f"{KEY_PREFIX}{name}"].to_list()
            whole = isinstance(kind.schema[name], Field)
            columns.append([int(item) if whole else item for item in items])
        return list(zip(*columns, strict=True))

    @cached_property
    def _places(self) -> dict[Where, int]:
        return {where: at for at, where in enumerate(reader_periods(self.site))}

    def _at(self, where: Where) -> Array:
        """The readings of a reader in a period."""
        return np.flatnonzero(self.read & (self.reads.where == self._places[where]))

    def texts(self, where: Where) -> Iterable[str]:
        """The different texts of a reader in a period."""
        return self.reads.text.gather(self._at(where)).unique().to_list()

    def numbers(self, where: Where) -> set[NumberValues]:
        """The different numbers of a reader in a period."""
        return self._of_cards(self.site.readers[where[0]].kind.namespace, self._owners_at(where))

    def _owners_at(self, where: Where) -> Array:
        return np.unique(self.reads.owner[self._at(where)])

    def _of_cards(self, namespace: str, rows: Array) -> set[NumberValues]:
        space = self.owners.spaces.get(namespace)
        if space is None or not len(rows):
            return set()
        places = np.searchsorted(space[ROW_COLUMN].to_numpy(), rows)
        return set(self._numbers(namespace, space[places]))

    def witnesses(self, where: Where, most: int) -> set[NumberValues]:
        """Some of them: ``most``, if there are so many, and two that differ in a field, for each that differs."""
        namespace = self.site.readers[where[0]].kind.namespace
        rows = self._owners_at(where)
        space = self.owners.spaces.get(namespace)
        if space is None or not len(rows):
            return set()
        some = space[np.searchsorted(space[ROW_COLUMN].to_numpy(), rows)]
        chosen = {*range(min(most, some.height))}
        for name in some.columns:
            if name != ROW_COLUMN:
                chosen |= {int(some[name].arg_min() or 0), int(some[name].arg_max() or 0)}
        return set(self._numbers(namespace, some[sorted(chosen)]))

    def among(self, doubtful: Iterable[tuple[str, Number]]) -> set[Number]:
        """Those of the numbers, doubtful at a reader, that are of the crowd, or of a card that stands for it."""
        spaces: dict[str, set[NumberValues]] = {}
        for _, (namespace, number) in doubtful:
            spaces.setdefault(namespace, set()).add(number)
        found: set[Number] = set()
        for namespace, them in spaces.items():
            numbers = list(them)
            rows = self.owners.rows_of(namespace, numbers)
            mine = (rows >= 0) & (self.sorts.of[rows] >= 0)
            found |= {(namespace, numbers[place]) for place in np.flatnonzero(mine).tolist()}
        return found

    @cached_property
    def _rows(self) -> Array:
        return np.bincount(self.reads.where[self.read], minlength=len(self._places))

    def rows(self, where: Where) -> int:
        """How many readings of a reader in a period are of the crowd."""
        return int(self._rows[self._places[where]])

    @cached_property
    def _cards(self) -> pl.DataFrame:
        gone = list(self.site.rules.gone)
        frame = self.cards.select(
            "kind", (pl.col("state") == ACTIVE).alias("active"), (~pl.col("status").is_in(gone)).alias("held")
        ).with_columns(pl.Series("seen", self.seen))  # fmt: skip
        return frame.filter(pl.Series(self.plain)).group_by(pl.all()).len()

    def count(self, kinds: Collection[str], *, active: bool = False, unseen: bool = False, held: bool = False) -> int:
        """How many cards of these kinds there are: active, never seen, or held by somebody."""
        frame = self._cards.filter(pl.col("kind").is_in(list(kinds)))
        for name, wanted in (("active", active), ("held", held)):
            frame = frame.filter(pl.col(name)) if wanted else frame
        return int((frame.filter(~pl.col("seen")) if unseen else frame)["len"].sum())

    def compared(self, kind: str) -> int:
        """How many cards of a kind have a printed number; it is the encoded one."""
        return self.counts.get(kind, 0)

    def extremes(self, target: Target) -> Sequence[str]:
        """Of the texts that a target would hold the longest, and one that is not all digits."""
        done = self.fitted.get(target.name)
        texts = done.stored.filter(pl.Series(self.plain[done.rows])) if done else pl.Series([], dtype=pl.String)
        if not len(texts):
            return ()
        others = texts.filter(~texts.str.contains(r"\A[0-9]+\z")).head(1)
        return [texts[int(texts.str.len_chars().arg_max() or 0)], *others]

    def placed(self, file: str) -> int:
        """How many rows of a file are of the crowd: ``credentials``, ``readings``, or ``existing TARGET``."""
        return int(np.count_nonzero(self._placed(file)))

    def _placed(self, file: str) -> Array:
        if file == "credentials":
            return self.plain
        if file == "readings":
            return self.read
        name = file.removeprefix("existing ")
        height = self.heights.get(name, 0)
        done = self.fitted.get(name)
        return done.explained(self.plain, height) if done else np.zeros(height, bool)

    def amiss(self, file: str, lines: Collection[int]) -> int:
        """How many lines of a file are not either of the crowd or one of ``lines``, which are looked at."""
        times = self._placed(file).astype(np.int64)
        np.add.at(times, np.fromiter(lines, np.int64, len(lines)) - FIRST, 1)
        return int(np.count_nonzero(times != 1))

    def lines(self, lines: Mapping[int, Sequence[CrosswalkLine]]) -> Sequence[CrosswalkLine]:
        """All lines of the result; ``lines`` are those of the rows that were looked at, by row."""
        return MergedLines(self._lines(lines), self.patterns(lines), lines, self.site.zone)

    def patterns(self, lines: Mapping[int, Sequence[CrosswalkLine]]) -> list[Sequence[CrosswalkLine]]:
        """For each sort of cards the lines of the one that was looked at."""
        found = [lines[line] for line in self.cards["line"].gather(self.sorts.first).to_list()]
        assert all(
            each.action in SETTLED_ACTIONS and each.proof != CONFLICT for them in found for each in them
        )  # a bug here
        return found

    def actions(self, lines: Mapping[int, Sequence[CrosswalkLine]]) -> Counter[tuple[str, str]]:
        """How many lines the crowd has by target and action."""
        found: Counter[tuple[str, str]] = Counter()
        sorts = np.bincount(self.sorts.of[self.plain], minlength=len(self.sorts.first)).tolist()
        for many, pattern in zip(sorts, self.patterns(lines), strict=True):
            for line in pattern:
                found[line.target, line.action] += many
        return found

    def _lines(self, lines: Mapping[int, Sequence[CrosswalkLine]]) -> pl.DataFrame:
        """What the lines of the crowd have of their own, in the order of the file."""
        patterns = self.patterns(lines)
        readers, last = self.reads.sights(self.read, self.cards.height)
        frames = []
        for kind, rows in self.owners.rows.items():
            fields = self.owners.fields[kind]
            mine = self.plain[rows]
            which = rows[mine]
            if not len(which):
                continue
            targets = [target.name for target in self.site.targets.values() if target.kind.name == kind] or [""]
            numbers = pl.DataFrame(
                key_columns(self.site.kinds[kind], {name: column[mine] for name, column in fields.items()})
            )
            own = self.cards[which].select("line", "person", "credential").with_columns(
                pl.Series("sort", self.sorts.of[which]),
                numbers.select(pl.concat_str(pl.all().cast(pl.String), separator="-")).to_series().alias("number"),
                readers.gather(which).alias("readers"), pl.Series("last", last[which]),
            )  # fmt: skip
            for at, target in enumerate(targets):
                blank = np.array([not pattern[at].text if at < len(pattern) else True for pattern in patterns])
                texts = (
                    self.fitted[target].texts.filter(pl.Series(mine))
                    if target
                    else pl.Series([""]).new_from_index(0, len(which))
                )
                texts = texts.set(pl.Series(blank[self.sorts.of[which]]), "")
                frames.append(own.with_columns(pl.lit(at, pl.Int32).alias("at"), texts.alias("text")))
        return pl.concat(frames).sort("line", "at") if frames else pl.DataFrame()

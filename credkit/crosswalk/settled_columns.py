"""Settled rows in columns: what the crosswalk asks about cards that it does not evaluate individually."""

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
from credkit.crosswalk.result import Action, CrosswalkLine
from credkit.crosswalk.settled import NumberValues, ReaderPeriod, Settled
from credkit.crosswalk.target_fit import TargetFit
from credkit.files.csvcolumns import FIRST_ROW_LINE
from credkit.site.model import Site, Target

SETTLED_ACTIONS = ("add", "keep", "none")  # of a settled card


class CardClasses:
    """Equivalence classes of cards: cards of one class are equal in all that their lines depend on.

    ``class_of`` has the class of every settled card, -1 for others; ``representatives`` the first card of each.
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
            held[done.rows] = done.export_row >= 0
            frame = frame.with_columns(pl.Series(f"held {name}", held[rows]))
        classes = frame.unique(maintain_order=True).with_row_index("class")
        which = frame.join(classes, on=frame.columns, how="left", maintain_order="left")["class"].to_numpy()
        _, first = np.unique(which, return_index=True)
        self.class_of = np.full(len(plain), -1, np.int64)
        self.class_of[rows] = which
        self.representatives: Array = rows[first]


@dataclass(kw_only=True)
class SettledColumns(Settled):
    """Settled cards (``settled``), their readings (``settled_reads``), and which cards have a reading (``seen``).

    ``printed_counts`` counts the cards with a printed number by kind, ``export_heights`` the rows of each export.
    """

    site: Site
    cards: pl.DataFrame = field(repr=False)
    settled: Array
    owners: OwnerColumns
    reads: ReadingColumns
    settled_reads: Array
    classes: CardClasses
    seen: Array
    fitted: Mapping[str, TargetFit]
    printed_counts: Mapping[str, int]
    export_heights: Mapping[str, int]

    def credentials_of(self, namespace: str, numbers: Collection[NumberValues]) -> Mapping[NumberValues, str]:
        """The settled credentials that have these numbers."""
        them = list(numbers)
        rows = self.owners.rows_of(namespace, them)
        mine = np.flatnonzero((rows >= 0) & self.settled[rows])
        names = self.cards["credential"].gather(rows[mine]).to_list()
        return {them[place]: name for place, name in zip(mine.tolist(), names, strict=True)}

    def numbers_without_field(
        self, namespace: str, place: int, rests: Collection[NumberValues]
    ) -> Iterable[tuple[NumberValues, str]]:
        """The numbers that equal one of ``rests`` without the field at ``place``, with their credentials."""
        space = self.owners.spaces.get(namespace)
        if space is None or not rests:
            return
        space = space.filter(pl.Series(self.settled[space[ROW_COLUMN].to_numpy()]))
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
    def _places(self) -> dict[ReaderPeriod, int]:
        return {where: at for at, where in enumerate(reader_periods(self.site))}

    def _at(self, where: ReaderPeriod) -> Array:
        """The readings of a reader in a period."""
        return np.flatnonzero(self.settled_reads & (self.reads.where == self._places[where]))

    def texts(self, where: ReaderPeriod) -> Iterable[str]:
        """The different settled texts of a reader in a period."""
        return self.reads.text.gather(self._at(where)).unique().to_list()

    def numbers(self, where: ReaderPeriod) -> set[NumberValues]:
        """The different settled numbers of a reader in a period."""
        return self._numbers_of_cards(self.site.readers[where[0]].kind.namespace, self._owners_at(where))

    def _owners_at(self, where: ReaderPeriod) -> Array:
        return np.unique(self.reads.owner[self._at(where)])

    def _numbers_of_cards(self, namespace: str, rows: Array) -> set[NumberValues]:
        space = self.owners.spaces.get(namespace)
        if space is None or not len(rows):
            return set()
        places = np.searchsorted(space[ROW_COLUMN].to_numpy(), rows)
        return set(self._numbers(namespace, space[places]))

    def sample_numbers(self, where: ReaderPeriod, most: int) -> set[NumberValues]:
        """A sample of these numbers: ``most`` of them, and the extremes of every field."""
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

    def find_settled(self, doubtful: Iterable[tuple[str, Number]]) -> set[Number]:
        """The numbers among those ``doubtful`` at a reader that are of settled cards or their representatives."""
        spaces: dict[str, set[NumberValues]] = {}
        for _, (namespace, number) in doubtful:
            spaces.setdefault(namespace, set()).add(number)
        found: set[Number] = set()
        for namespace, them in spaces.items():
            numbers = list(them)
            rows = self.owners.rows_of(namespace, numbers)
            mine = (rows >= 0) & (self.classes.class_of[rows] >= 0)
            found |= {Number(namespace, numbers[place]) for place in np.flatnonzero(mine).tolist()}
        return found

    @cached_property
    def _rows(self) -> Array:
        return np.bincount(self.reads.where[self.settled_reads], minlength=len(self._places))

    def count_readings(self, where: ReaderPeriod) -> int:
        """The number of settled readings of a reader in a period."""
        return int(self._rows[self._places[where]])

    @cached_property
    def _cards(self) -> pl.DataFrame:
        gone = list(self.site.rules.gone)
        frame = self.cards.select(
            "kind", (pl.col("state") == ACTIVE).alias("active"), (~pl.col("status").is_in(gone)).alias("held")
        ).with_columns(pl.Series("seen", self.seen))  # fmt: skip
        return frame.filter(pl.Series(self.settled)).group_by(pl.all()).len()

    def count_cards(
        self, kinds: Collection[str], *, active: bool = False, unseen: bool = False, held: bool = False
    ) -> int:
        """The number of settled cards of these kinds: active, never seen, or not gone."""
        frame = self._cards.filter(pl.col("kind").is_in(list(kinds)))
        for name, wanted in (("active", active), ("held", held)):
            frame = frame.filter(pl.col(name)) if wanted else frame
        return int((frame.filter(~pl.col("seen")) if unseen else frame)["len"].sum())

    def count_printed(self, kind: str) -> int:
        """The number of settled cards of a kind whose printed number was compared: it equals the encoded one."""
        return self.printed_counts.get(kind, 0)

    def extreme_texts(self, target: Target) -> Sequence[str]:
        """The longest text of a target, and one that has not only digits."""
        done = self.fitted.get(target.name)
        texts = done.stored.filter(pl.Series(self.settled[done.rows])) if done else pl.Series([], dtype=pl.String)
        if not len(texts):
            return ()
        others = texts.filter(~texts.str.contains(r"\A[0-9]+\z")).head(1)
        return [texts[int(texts.str.len_chars().arg_max() or 0)], *others]

    def count_rows(self, file: str) -> int:
        """The number of settled rows of a file: ``credentials``, ``readings``, or ``existing TARGET``."""
        return int(np.count_nonzero(self._settled_rows(file)))

    def _settled_rows(self, file: str) -> Array:
        if file == "credentials":
            return self.settled
        if file == "readings":
            return self.settled_reads
        name = file.removeprefix("existing ")
        height = self.export_heights.get(name, 0)
        done = self.fitted.get(name)
        return done.explained_rows(self.settled, height) if done else np.zeros(height, bool)

    def count_misplaced(self, file: str, lines: Collection[int]) -> int:
        """The number of lines of a file that are not exactly once settled or among ``lines``, the evaluated ones."""
        times = self._settled_rows(file).astype(np.int64)
        np.add.at(times, np.fromiter(lines, np.int64, len(lines)) - FIRST_ROW_LINE, 1)
        return int(np.count_nonzero(times != 1))

    def all_lines(self, lines: Mapping[int, Sequence[CrosswalkLine]]) -> Sequence[CrosswalkLine]:
        """All lines of the result; ``lines`` has those of the evaluated rows, by row."""
        return MergedLines(self._lines(lines), self.patterns(lines), lines, self.site.zone)

    def patterns(self, lines: Mapping[int, Sequence[CrosswalkLine]]) -> list[Sequence[CrosswalkLine]]:
        """For each class of cards the lines of its representative."""
        found = [lines[line] for line in self.cards["line"].gather(self.classes.representatives).to_list()]
        assert all(
            each.action in SETTLED_ACTIONS and each.proof != CONFLICT for them in found for each in them
        )  # a bug here
        return found

    def count_actions(self, lines: Mapping[int, Sequence[CrosswalkLine]]) -> Counter[tuple[str, Action]]:
        """The number of settled lines by target and action."""
        found: Counter[tuple[str, Action]] = Counter()
        sizes = np.bincount(self.classes.class_of[self.settled], minlength=len(self.classes.representatives)).tolist()
        for size, pattern in zip(sizes, self.patterns(lines), strict=True):
            for line in pattern:
                found[line.target, line.action] += size
        return found

    def _lines(self, lines: Mapping[int, Sequence[CrosswalkLine]]) -> pl.DataFrame:
        """The columns that differ within a class, a row for each settled line, in the order of the file."""
        patterns = self.patterns(lines)
        readers, last = self.reads.readers_by_card(self.settled_reads, self.cards.height)
        frames = []
        for kind, rows in self.owners.rows.items():
            fields = self.owners.fields[kind]
            mine = self.settled[rows]
            which = rows[mine]
            if not len(which):
                continue
            targets = [target.name for target in self.site.targets.values() if target.kind.name == kind] or [""]
            numbers = pl.DataFrame(
                key_columns(self.site.kinds[kind], {name: column[mine] for name, column in fields.items()})
            )
            own = self.cards[which].select("line", "person", "credential").with_columns(
                pl.Series("class", self.classes.class_of[which]),
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
                texts = texts.set(pl.Series(blank[self.classes.class_of[which]]), "")
                frames.append(own.with_columns(pl.lit(at, pl.Int32).alias("at"), texts.alias("text")))
        return pl.concat(frames).sort("line", "at") if frames else pl.DataFrame()

"""Alterations: what a spreadsheet did to texts of readings, counted by reader.

A text with an exponent and one that lost leading zeros are known by themselves, if they fail. Whether numbers were
rounded, only the different texts of a column show (`credkit.facts.damage`): those of a reader on a chain, up to
`MOST_COLUMN_TEXTS` of them, the ones with the smallest hashes. What was typed key by key was never a cell.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
import polars as pl

from credkit.audit.counts_by_reader import CountsByReader
from credkit.bulk.words import Array
from credkit.core.codec import AnyCodec
from credkit.facts.damage import ColumnDamage
from credkit.facts.damaged_columns import find_altered_texts, judge_distinct
from credkit.facts.texts import SPREADSHEET_DIGITS, branches
from credkit.site.model import CredentialKind
from credkit.tables.notation import NotationCodec

MOST_COLUMN_TEXTS = 1 << 14  # different texts of a reader and a use by which rounding is judged
MOST_WAITING = 1 << 18  # texts before those with greater hashes are left out

AlterationKind = Literal["shortened", "lost-zeros", "rounded"]
_SCHEMA = {"code": pl.Int64, "use": pl.Int64, "hash": pl.UInt64, "text": pl.String}


class Alteration(NamedTuple):
    """What seems to have been done to texts of a use; of rounded ones also how long they are.

    ``fails`` says whether the rows fail; other rows are good, and of no card that the register has.
    """

    use: int
    kind: AlterationKind
    fails: bool = True
    example: str = ""  # of rounded ones, a text of that length: digits or bits


class ColumnTexts:
    """Different texts by reader and use, those with the smallest hashes; texts of any parts can be joined.

    >>> one, other = ColumnTexts(), ColumnTexts()
    >>> one.add(2, np.array([0, 0]), np.array([9, 7], np.uint64), pl.Series(["a", "b"]))
    >>> other.add(2, np.array([0]), np.array([9], np.uint64), pl.Series(["a"]))
    >>> one.absorb(other)
    >>> one.texts_of(0, 2).to_list()
    ['b', 'a']
    """

    def __init__(self) -> None:
        self._frames: list[pl.DataFrame] = []
        self._waiting = 0

    def add(self, use: int, codes: Array, hashes: Array, texts: pl.Series) -> None:
        """Add texts that a use reads, each with its reader and its hash."""
        uses = np.full(len(codes), use)
        self._add(pl.DataFrame({"code": codes, "use": uses, "hash": hashes, "text": texts}))

    def absorb(self, other: ColumnTexts) -> None:
        """Add all that another one has."""
        for frame in other._frames:
            self._add(frame)

    def _add(self, frame: pl.DataFrame) -> None:
        self._frames.append(frame)
        self._waiting += frame.height
        if self._waiting > MOST_WAITING:
            self.compact()

    def compact(self) -> None:
        """Keep each text once, and of each reader and use no more than are judged."""
        if self._frames:
            whole = pl.concat(self._frames).unique(["code", "use", "text"]).sort("code", "use", "hash", "text")
            self._frames = [whole.group_by("code", "use", maintain_order=True).head(MOST_COLUMN_TEXTS)]
        self._waiting = 0  # what is kept is no more than is needed

    def renumbered(self, codes: Array) -> ColumnTexts:
        """The same texts, where each reader has the number ``codes`` gives for it."""
        found = ColumnTexts()
        for frame in self._frames:
            found._add(frame.with_columns(pl.Series("code", codes[frame["code"].to_numpy()], pl.Int64)))
        return found

    def texts_of(self, code: int, use: int) -> pl.Series:
        """The texts of a reader and a use."""
        self.compact()
        whole = self._frames[0] if self._frames else pl.DataFrame(schema=_SCHEMA)
        return whole.filter(code=code, use=use)["text"]

    def judge(self, code: int, use: int) -> ColumnDamage:
        """Whether a spreadsheet rounded them."""
        texts = self.texts_of(code, use)
        return judge_distinct(texts, pl.repeat(False, len(texts), eager=True))


def may_hold_long_numbers(codec: AnyCodec) -> bool:
    """Whether a chain reads numbers of more digits than a spreadsheet keeps.

    >>> from credkit import chain
    >>> [may_hold_long_numbers(chain(each)) for each in ("hex:8/uid-a-4", "decimal:56/uid-a-7", "binary/wiegand-26")]
    [False, True, True]
    """

    def is_long(branch: AnyCodec) -> bool:
        first = branch.steps[0] if branch.steps else branch
        if not isinstance(first, NotationCodec) or first.notation.bits is None:
            return branch.takes == "text"
        notation = first.notation
        return len(_write(notation.base, notation.bits or 0)) > SPREADSHEET_DIGITS

    return any(map(is_long, branches(codec)))


def _write(base: int, bits: int) -> str:
    """The largest number of so many bits in a notation."""
    most = (1 << bits) - 1
    return f"{most:b}" if base == 2 else f"{most:x}" if base == 16 else str(most)


def count_alterations(
    codec: AnyCodec, kind: CredentialKind | None, use: int, texts: pl.Series, codes: Array,
    counts: CountsByReader[Alteration],
) -> None:  # fmt: skip
    """Count the failing ``texts`` that a spreadsheet shortened, or whose leading zeros it dropped."""
    shortened, lost = find_altered_texts(codec, kind, texts)
    if shortened:
        counts.add(Alteration(use, "shortened"), np.bincount(codes[shortened]))
    if lost:
        counts.add(Alteration(use, "lost-zeros"), np.bincount(codes[lost]))


def rounded_alteration(use: int, text: str, *, fails: bool) -> Alteration:
    """What a text counts as that ends as a rounded one does."""
    digits = text.removeprefix("-")
    return Alteration(use, "rounded", fails, ("9" if digits.strip("01") else "1").ljust(len(digits), "0"))

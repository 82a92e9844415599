"""Exports that a spreadsheet altered: lost leading zeros, rounding and exponents, judged beside what would be written.

For a person the target holds one text, and another would be written. Where a spreadsheet makes the
former of the latter in several rows, the export is at fault, not the target: that is one finding about
the column instead of a change for each row.

Source: IEEE 754, of whose double-precision numbers spreadsheets keep 15 significant digits.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from itertools import groupby
from operator import itemgetter

import polars as pl

from credkit.core.sentences import format_count, redacted_repr
from credkit.explain.diagnosis import is_spreadsheet_shortened
from credkit.facts.damaged_columns import are_rounded
from credkit.facts.target_columns import drop_leading_zeros
from credkit.facts.texts import SPREADSHEET_DIGITS, is_rounded

LEAST_ROWS = 3  # distinct rows of one alteration that make it the column's
MOST_KEPT = 0.02  # of the texts that begin with a zero, or would, still have it in a column that lost its zeros
_NUMBER = re.compile("-?[0-9]{1,100}")
_NUMBERS = rf"\A(?:{_NUMBER.pattern})\z"
_LEADING_ZERO = r"\A-?0\p{Nd}+\z"


class Alteration(StrEnum):
    """What a spreadsheet did to a text."""

    ZEROS = "lost its leading zeros"
    ROUNDED = "was rounded to 15 digits"
    EXPONENT = "was shortened to a power of ten"


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportDamage:
    """What became of the texts of an export: distinct pairs by alteration; ``kept`` texts begin with a zero."""

    kept: int
    examples: dict[Alteration, tuple[str, str]]
    counts: dict[Alteration, int]

    @property
    def alterations(self) -> tuple[Alteration, ...]:
        """The alterations that are the column's: in enough rows, and zeros only if next to none is kept."""
        return tuple(
            alteration
            for alteration, count in self.counts.items()
            if count >= LEAST_ROWS
            and (alteration is not Alteration.ZEROS or self.kept <= MOST_KEPT * (count + self.kept))
        )

    @property
    def found(self) -> bool:
        """Whether a spreadsheet altered the column."""
        return bool(self.alterations)

    def explains(self, held: str, wanted: str) -> bool:
        """Whether ``held`` is what the column made of ``wanted``, so that the row is no change."""
        return alteration_of(held, wanted) in self.alterations

    @property
    def sentence(self) -> str:
        """The finding about the column; empty if there is none."""
        parts = []
        for alteration in self.alterations:
            held, wanted = self.examples[alteration]
            beside = (
                f", and {f'{self.kept:,}' if self.kept else 'none'} kept them" if alteration is Alteration.ZEROS else ""
            )
            parts.append(
                f"{format_count(self.counts[alteration], 'different text')} {_VERBS[alteration]} "
                f"({redacted_repr(held)} for {redacted_repr(wanted)}){beside}"
            )
        if not parts:
            return ""
        return f"a spreadsheet altered the export: {'; '.join(parts)}; export it again without a spreadsheet"


_VERBS = {
    Alteration.ZEROS: "lost leading zeros",
    Alteration.ROUNDED: "were rounded to 15 digits",
    Alteration.EXPONENT: "were shortened to a power of ten",
}


def judge_export(pairs: Iterable[tuple[str, str]], others: pl.Series | None = None) -> ExportDamage:
    """The verdict on an export, from pairs of the text ``held`` for a person and the one ``wanted`` there.

    Of a text for which nothing would be written, ``wanted`` is empty: that it kept its zeros counts. ``others``
    are more of the texts that the export has.

    >>> lost = judge_export((str(number), f"{number:05d}") for number in range(1, 400))
    >>> lost.found, lost.explains("7", "00007"), lost.explains("7", "00008")
    (True, True, False)
    >>> lost.sentence
    "a spreadsheet altered the export: 399 different texts lost leading zeros ('1' for '00001'), and none kept them; \
export it again without a spreadsheet"
    >>> judge_export([("1", "00001"), ("2", "00002"), ("00003", "00003"), ("4", "00004")]).found
    False
    """
    distinct = dict.fromkeys(pairs)
    counts: dict[Alteration, int] = {}
    examples: dict[Alteration, tuple[str, str]] = {}
    for held, wanted in distinct:
        alteration = alteration_of(held, wanted)
        if alteration:
            counts[alteration] = counts.get(alteration, 0) + 1
            examples[alteration] = min(examples.get(alteration, (held, wanted)), (held, wanted), key=_by_length)
    texts = pl.Series([held for held, _ in distinct], dtype=pl.String)
    return ExportDamage(
        kept=_count_leading_zeros(texts if others is None else pl.concat([texts, others])),
        examples=examples, counts={alteration: counts[alteration] for alteration in Alteration if alteration in counts},
    )  # fmt: skip


class WantedNumbers:
    """The numbers among the texts that would be written for a person, in order.

    >>> wanted = WantedNumbers(["00007", "00070", "9007199254740993"])
    >>> list(wanted.altered_to("7")), list(wanted.altered_to("9007199254740990")), list(wanted.altered_to("00007"))
    (['00007'], ['9007199254740993'], [])
    """

    def __init__(self, texts: Iterable[str]) -> None:
        self._sorted = sorted((int(text), text) for text in texts if _NUMBER.fullmatch(text))

    def altered_to(self, held: str) -> Iterator[str]:
        """The texts of which a spreadsheet makes ``held``; only those of about the same size are looked at."""
        if is_spreadsheet_shortened(held):
            number = Decimal(held.replace(",", "."))
            unit = Decimal(1).scaleb(number.as_tuple().exponent)  # type: ignore[arg-type]  # finite
        elif _NUMBER.fullmatch(held):
            number = Decimal(held)
            unit = Decimal(10) ** (len(held) + 1 - SPREADSHEET_DIGITS)  # of a number with one digit more, at most
        else:
            return
        start = bisect_left(self._sorted, number - unit, key=itemgetter(0))
        stop = bisect_right(self._sorted, number + unit, key=itemgetter(0))
        yield from (text for _, text in self._sorted[start:stop] if alteration_of(held, text))


def find_altered(held: pl.DataFrame, wanted: pl.DataFrame) -> pl.DataFrame:
    """The texts that a spreadsheet may have made of others that would be written for the same person.

    Of each row of ``held`` (row, person, text) and of ``wanted`` (person, wanted): row, person, text, wanted.
    Both are distinct. A lost zero is found by its text, whatever else by the numbers of its person.
    """
    numbers = wanted.filter(pl.col("wanted").str.contains(_NUMBERS))
    bare = numbers.with_columns(drop_leading_zeros(numbers["wanted"]).alias("text"))
    lost = bare.filter(pl.col("text") != pl.col("wanted")).join(held, on=("person", "text"))
    lost = lost.select("row", "person", "text", "wanted")
    suspects = held.filter(_look_altered(held["text"])).sort("person")
    beside = numbers.join(suspects, on="person", how="semi").group_by("person").agg("wanted")
    texts_of = dict(zip(beside["person"], beside["wanted"].to_list(), strict=True))
    found = []
    for person, rows in groupby(suspects.select("row", "person", "text").iter_rows(), key=itemgetter(1)):
        texts = texts_of.get(person, ())
        several = WantedNumbers(texts)
        found += [
            (row, person, text, each) for row, _, text in rows if texts != [text] for each in several.altered_to(text)
        ]
    return pl.concat([lost, pl.DataFrame(found, schema=lost.schema, orient="row")]).unique()


def _look_altered(texts: pl.Series) -> pl.Series:
    """The texts that look rounded, or as spreadsheets shorten numbers."""
    looks = pl.Series(are_rounded(texts))
    short = texts.str.contains(r"[Ee]\+").arg_true()
    return (
        looks.scatter(short, [is_spreadsheet_shortened(text) for text in texts.gather(short)]) if len(short) else looks
    )


def _by_length(pair: tuple[str, str]) -> tuple[int, tuple[str, str]]:
    return len(pair[0]), pair


def alteration_of(held: str, wanted: str) -> Alteration | None:
    """What a spreadsheet that makes ``held`` of ``wanted`` does to it; None if it does not, or changes nothing.

    >>> alteration_of("7", "0007").value, alteration_of("9007199254740990", "9007199254740993").value
    ('lost its leading zeros', 'was rounded to 15 digits')
    >>> alteration_of("9.0072E+15", "9007199254740993").value, alteration_of("9.0073E+15", "9007199254740993")
    ('was shortened to a power of ten', None)
    """
    if held == wanted or not _NUMBER.fullmatch(wanted):
        return None
    number = int(wanted)
    if is_spreadsheet_shortened(held):
        shortened = Decimal(held.replace(",", "."))
        unit = Decimal(1).scaleb(shortened.as_tuple().exponent)  # type: ignore[arg-type]  # finite
        return Alteration.EXPONENT if abs(shortened - number) < unit else None
    if not _NUMBER.fullmatch(held):
        return None
    if held == str(number):
        return Alteration.ZEROS
    unit = Decimal(10) ** (len(str(abs(number))) - SPREADSHEET_DIGITS)
    return Alteration.ROUNDED if is_rounded(held) and abs(int(held) - number) < unit else None


def _count_leading_zeros(texts: pl.Series) -> int:
    """How many different ``texts`` are numbers that begin with a zero."""
    return texts.filter(texts.str.contains(_LEADING_ZERO)).n_unique()

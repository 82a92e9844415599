"""Drawings: a text or a frame as a row of cells, with what stands where and what was checked.

A `Picture` is a model first and knows no renderer: its units (characters, bits or fields) stand in
a row, `Bar` names a stretch of them, `Marks` show what a check judges and what it covers. A `Sheet`
is a picture laid out in columns, in as many blocks as the width needs: where each unit, each bar with its
label and each mark stands is decided there, once. `lines` renders a sheet as plain ASCII text, and
`credkit.explain.svg` as a drawing.

    0                   1                   2
    0 1 2 3 4 5 6 7 8 9 0 1 2 3 4 5 6 7 8 9 0 1 2 3 4 5
    1 0 1 1 1 1 0 1 1 1 0 1 1 0 0 1 0 0 1 1 0 1 1 1 0 0
      |-facility=123| |--------number=45678---------|
    = * * * * * * * * * * * *                            even-parity passed
                              * * * * * * * * * * * * ^  odd-parity FAILED

`*` marks a bit that the check covers, `=` one that it judges, `^` one that it finds wrong.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple

from bitstring import Bits

from credkit.core.codec import AnyCodec
from credkit.core.forms import Form
from credkit.core.origins import Place
from credkit.core.reading import UNIT_NOUNS, AnyReading, Check, Step, describe_places
from credkit.core.spans import format_span, runs
from credkit.explain.screen import SCREEN_COLUMNS, escape_unprintable, shorten, wrap_text
from credkit.tables.layout import FixedBits, Layout, Parity, Sum

Mark = Literal["covered", "judged", "wrong"]
SIGNS: dict[Mark, str] = {"covered": "*", "judged": "=", "wrong": "^"}
KEY = "* covered by the check   = judged by it   ^ found wrong"
MOST_GROUPS_A_LINE = 16  # units of several bits in a line
_GAPS: dict[Form, int] = {"text": 0, "bits": 1, "fields": 2}
_LETTERS = "abcdefghijklmnopqrstuvwxyz"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """A named stretch of units; ``value`` is what it holds, as text, or empty."""

    name: str
    value: str
    at: tuple[int, ...]

    @property
    def label(self) -> str:
        """Name and value."""
        return f"{self.name}={self.value}" if self.value else self.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """What a check judges (``at``) and covers; ``passed`` is None where nothing was judged yet."""

    text: str
    at: tuple[int, ...]
    covers: tuple[int, ...] = ()
    passed: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """Units in a row, with bars and marks; positions index ``units``.

    A unit of several bits has a ``noun``, the number it begins at, and the character that it stands for.
    """

    title: str
    form: Form
    units: tuple[str, ...]
    bars: tuple[Bar, ...] = ()
    marks: tuple[Marks, ...] = ()
    numbers: tuple[str, ...] = ()
    characters: tuple[str, ...] = ()
    noun: str = ""


def count(form: Form, number: int) -> str:
    """How many units, in words.

    >>> count("bits", 26), count("text", 1)
    ('26 bits', '1 character')
    """
    return f"{number} {UNIT_NOUNS[form]}{'s' * (number != 1)}"


def pictures(codec: AnyCodec, value: Any, reading: AnyReading) -> list[Picture]:
    """One picture for each step of ``reading``, which ``codec`` made of ``value``.

    What fails in a later step has its marks in the first picture too, where it was traced to.
    """
    return pictures_of(reading, reading.steps or (Step(codec=codec.name, given=value, reading=reading),))


def pictures_of(reading: AnyReading, steps: Sequence[Step]) -> list[Picture]:
    """One picture for each of ``steps``, which made ``reading``."""
    if not steps:
        return []
    drawn = [_step(step) for step in steps]
    first = drawn[0]
    index = _indices(first.form, steps[0].given)
    carets = [
        Marks(text=f"{check.rule} of {check.codec.partition(':')[0]}", at=at, passed=False)
        for step in steps[1:]
        for check in step.reading.checks
        if not check.passed and (at := _at(index, reading.trace(check)))
    ]
    return [replace(first, marks=(*first.marks, *carets)), *drawn[1:]]


def _indices(form: Form, given: Any) -> Mapping[Place, int]:
    """Where each place of ``given`` stands in the row."""
    return {place: i for i, place in enumerate(given if form == "fields" else range(len(given)))}


def _step(step: Step) -> Picture:
    given, reading = step.given, step.reading
    form: Form
    if isinstance(given, Bits):
        form, units = "bits", tuple(given.bin)
    elif isinstance(given, str):
        form, units = "text", tuple(given)
    else:
        form, units = "fields", tuple(f"{name}={item}" for name, item in given.items())
    index = _indices(form, given)
    bars = [
        Bar(name=part.name, value=str(part.value) if isinstance(part.value, int) else "", at=_at(index, part.at))
        for part in reading.parts
        if isinstance(part.value, int) or len(part.at) < len(units)  # a name for the whole says nothing
    ]
    return Picture(
        title=f"{step.codec}  ({count(form, len(units))})", form=form, units=units, bars=tuple(bars),
        marks=tuple(_marks(check, index) for check in reading.checks),
    )  # fmt: skip


def _at(index: Mapping[Place, int], places: tuple[Place, ...]) -> tuple[int, ...]:
    return tuple(index[place] for place in places if place in index)


def _marks(check: Check, index: Mapping[Place, int]) -> Marks:
    verdict = "passed" if check.passed else "FAILED"
    nowhere = not check.passed and not (check.at or check.covers)  # its form or length: the whole is at fault
    return Marks(
        text=f"{check.rule} {verdict}", at=tuple(index.values()) if nowhere else _at(index, check.at),
        covers=_at(index, check.covers), passed=check.passed,
    )  # fmt: skip


def layout_picture(layout: Layout) -> Picture:
    """A layout without a value: ``.`` for a bit of a field, ``c`` for a check bit, fixed bits as they are.

    >>> from credkit.tables.layout import LayoutCodec
    >>> from credkit.catalogue.registry import chain
    >>> codec = chain("keypad-8")
    >>> assert isinstance(codec, LayoutCodec)
    >>> print("\\n".join(lines(layout_picture(codec.layout))))
     0 1 2 3 4 5 6 7
     c c c c . . . .
             |-key-|
             = = = =  range
     = = = = * * * *  complement
    """
    units = ["."] * layout.length
    for check in layout.checks:
        if isinstance(check, FixedBits):
            for place, digit in zip(check.at, str(check.verdict(check.value)[0]), strict=True):
                units[place] = digit
        elif isinstance(check, Parity | Sum):
            for place in check.at:
                units[place] = "c"
    return Picture(
        title=f"{layout.name}  ({count('bits', layout.length)})", form="bits", units=tuple(units),
        bars=tuple(Bar(name=field.name, value="", at=field.places) for field in layout.fields),
        marks=tuple(Marks(text=check.rule, at=check.at, covers=check.covers) for check in layout.checks),
    )  # fmt: skip


def lines(picture: Picture, width: int = SCREEN_COLUMNS, indent: int = 1) -> list[str]:
    """``picture`` as lines of plain text, none longer than ``width``; the title is left to the caller.

    >>> bar = Bar(name="number", value="7", at=(1, 2, 3, 4, 5, 6, 7, 8, 9, 10))
    >>> row = Picture(title="", form="text", units=tuple("N0000000007"), bars=(bar,))
    >>> print("\\n".join(lines(row)))
     N0000000007
      |number=7|
    """
    sheet = Sheet(picture, width - indent)
    return [f"{' ' * indent}{line}".rstrip() for line in sheet.lines()]


class BarSegment(NamedTuple):
    """A part of a bar within a block: its units, what is written in it, and whether the bar goes on.

    ``label`` is None where there is no room, and the bar is drawn as a letter.
    """

    bar: int
    first: int
    last: int
    label: str | None
    begins: bool
    ends: bool


class CheckMarks(NamedTuple):
    """What a check has in one block: its text, the mark of each unit, whether it begins there, whether it failed."""

    text: str
    marks: dict[int, Mark]
    begins: bool
    failed: bool


class Sheet:
    """A picture while it is laid out: the columns of every unit, the blocks, the bars' labels."""

    def __init__(self, picture: Picture, width: int) -> None:
        self.picture = picture
        self.width = width
        self.units = [shorten(escape_unprintable(unit), width, "...") for unit in picture.units]
        for row in (picture.numbers, picture.characters):  # a column is as wide as what stands in it
            self.units = [unit.ljust(len(text)) for unit, text in zip(self.units, row or self.units, strict=True)]
        self.gap = _GAPS[picture.form]
        self.blocks = self._blocks()
        self._starts = [block.start for block in self.blocks]
        self.check_marks = self._check_marks()
        self.letters: dict[int, str] = {}  # bars that are drawn as a letter
        self.shown: set[int] = set()  # bars whose value stands in the drawing
        self.segments = self._segments()

    def _blocks(self) -> list[range]:
        """The units of each block: as many as the width takes, bits by whole bytes once they wrap."""
        sizes = [len(unit) + self.gap for unit in self.units]
        if self.picture.form == "bits" and not self.picture.numbers:
            fit = (self.width + self.gap) // (1 + self.gap)
            step = len(sizes) if len(sizes) <= fit else max(fit // 8 * 8, 1)
            return [range(i, min(i + step, len(sizes))) for i in range(0, len(sizes), step or 1)]
        blocks, start, used = [], 0, 0
        for i, size in enumerate(sizes):
            if used + size - self.gap > self.width or (self.picture.numbers and i - start == MOST_GROUPS_A_LINE):
                blocks.append(range(start, i))
                start, used = i, 0
            used += size
        return [*blocks, range(start, len(sizes))] if sizes else []

    def _block(self, unit: int) -> int:
        """The number of the block that ``unit`` stands in."""
        return bisect_right(self._starts, unit) - 1

    def _check_marks(self) -> list[list[CheckMarks]]:
        """For each block, the checks that touch it, in their order."""
        touched: list[list[CheckMarks]] = [[] for _ in self.blocks]
        for check in self.picture.marks:
            failed = check.passed is False
            judged: Mark = "wrong" if failed else "judged"
            by_block: dict[int, dict[int, Mark]] = {}
            for unit in check.covers:
                by_block.setdefault(self._block(unit), {})[unit] = "covered"
            for unit in check.at:
                by_block.setdefault(self._block(unit), {})[unit] = judged
            for number, marks in by_block.items():
                touched[number].append(
                    CheckMarks(escape_unprintable(check.text), marks, number == min(by_block), failed)
                )
        return touched

    def text_column(self, columns: Mapping[int, tuple[int, int]], check: CheckMarks) -> int | None:
        """Where the text of a check begins behind its marks, best behind the block; None without room for it there."""
        ends = (max(stop for _, stop in columns.values()), columns[max(check.marks)][1])
        return next((end + 2 for end in ends if end + 2 + len(check.text) <= self.width), None)

    def columns(self, block: range) -> dict[int, tuple[int, int]]:
        """For each unit of ``block``, the column where it begins and the one behind it."""
        columns, at = {}, 0
        for i in block:
            columns[i] = (at, at + len(self.units[i]))
            at += len(self.units[i]) + self.gap
        return columns

    def _segments(self) -> list[list[BarSegment]]:
        """For each block, the segments of bars in it."""
        placed: list[list[BarSegment]] = [[] for _ in self.blocks]
        for number, bar in enumerate(self.picture.bars):
            for first, last in runs(sorted(bar.at)):
                parts = [
                    (b, max(first, self.blocks[b].start), min(last, self.blocks[b].stop - 1))
                    for b in range(self._block(first), self._block(last) + 1)
                ]
                widths = [self._width(a, z) for _, a, z in parts]
                widest = widths.index(max(widths))
                texts = escape_unprintable(bar.label), escape_unprintable(bar.name)
                label = first_fitting(texts, widths[widest] - 2)
                if not label and number not in self.letters:
                    self.letters[number] = _letter(len(self.letters))
                if label == texts[0]:
                    self.shown.add(number)
                for i, (b, a, z) in enumerate(parts):
                    text = (label if i == widest else "") if label else None
                    placed[b].append(BarSegment(number, a, z, text, a == first, z == last))
        return placed

    def _width(self, first: int, last: int) -> int:
        return sum(len(self.units[i]) + self.gap for i in range(first, last + 1)) - self.gap

    def lines(self) -> Iterator[str]:
        """Every line of the drawing."""
        for number, block in enumerate(self.blocks):
            if number:
                yield ""
            columns = self.columns(block)
            if self.picture.numbers:
                yield _row([(columns[i][0], self.picture.numbers[i]) for i in block])
            elif self.picture.form == "bits" or (self.picture.form == "text" and len(self.blocks) > 1):
                yield from self._numbers(columns)
            yield (" " * self.gap).join(self.units[i] for i in block)
            if any(self.picture.characters[block.start : block.stop]):
                yield _row([(columns[i][0], self.picture.characters[i]) for i in block])
            yield from self._bars(columns, self.segments[number])
            yield from self._mark_lines(columns, self.check_marks[number])
        yield from self.legend()

    def legend(self) -> list[str]:
        """What the drawing had no room for, as lines: the bars drawn as letters, and values."""
        return wrap_text("  ".join(self._legend()), self.width)

    def _legend(self) -> Iterator[str]:
        for number, bar in enumerate(self.picture.bars):
            if number in self.letters or (bar.value and number not in self.shown):
                letter = f"{self.letters[number]}: " if number in self.letters else ""
                noun, many = self.picture.noun, "s" * (len(bar.at) != 1)
                place = f"{noun}{many} {format_span(bar.at)}" if noun else describe_places(self.picture.form, bar.at)
                yield f"{letter}{bar.label} ({place})"

    def _numbers(self, columns: Mapping[int, tuple[int, int]]) -> Iterator[str]:
        """The position of every unit: tens where they change, units below."""
        first, last = min(columns), max(columns)
        if last > 9:
            tens = [(i, str(i // 10)) for i in columns if i % 10 == 0 or (i == first and i % 10 < 6)]
            yield _row([(columns[i][0], text) for i, text in tens])
        yield _row([(columns[i][0], str(i % 10)) for i in columns])

    def lanes(self, columns: Mapping[int, tuple[int, int]], segments: Iterable[BarSegment]) -> list[list[BarSegment]]:
        """Segments on as many lanes as keep them apart."""
        lanes: list[list[BarSegment]] = []
        for each in sorted(segments, key=lambda each: each.first):
            start = columns[each.first][0]
            lane = next((lane for lane in lanes if columns[lane[-1].last][1] <= start), None)
            if lane is None:
                lanes.append(lane := [])
            lane.append(each)
        return lanes

    def _bars(self, columns: Mapping[int, tuple[int, int]], segments: list[BarSegment]) -> Iterator[str]:
        """The bars, lane by lane."""
        for lane in self.lanes(columns, segments):
            yield _row([cell for each in lane for cell in self._cells(columns, each)])

    def _cells(self, columns: Mapping[int, tuple[int, int]], each: BarSegment) -> list[tuple[int, str]]:
        if each.label is None:
            letter = self.letters[each.bar]
            places = (columns[i] for i in range(each.first, each.last + 1))
            return [(start, letter * (stop - start)) for start, stop in places]
        start, size = columns[each.first][0], self._width(each.first, each.last)
        ends = "|" if each.begins else "-", "|" if each.ends else "-"
        return [(start, bracket(each.label, size, *ends) if size > 1 else "|")]

    def _mark_lines(self, columns: Mapping[int, tuple[int, int]], checks: list[CheckMarks]) -> Iterator[str]:
        """A row of marks for every check that touches the block, with its text where it begins."""
        for check in checks:
            cells = [(columns[i], SIGNS[mark]) for i, mark in check.marks.items()]
            drawn = _row([(start, sign * (stop - start)) for (start, stop), sign in cells])
            if not check.begins:
                yield drawn
            elif (column := self.text_column(columns, check)) is not None:
                yield f"{drawn:<{column}}{check.text}"
            elif len(check.text) + 2 <= len(drawn) - len(drawn.lstrip()):
                yield f"{check.text}{drawn[len(check.text) :]}"
            else:
                yield shorten(check.text, self.width, "...")
                yield drawn


def first_fitting(texts: Iterable[str], room: int) -> str:
    """The first of ``texts`` that is no longer than ``room``; an empty one where none is.

    >>> first_fitting(("facility=123", "facility"), 10)
    'facility'
    """
    return next((text for text in texts if len(text) <= room), "")


def bracket(label: str, size: int, left: str, right: str) -> str:
    """A bar of ``size`` columns between two ends, with its label in the middle.

    >>> bracket("key", 7, "|", "|"), bracket("", 1, "[", "]")
    ('|-key-|', '[')
    """
    return f"{left}{label.center(size - 2, '-')}{right}" if size > 1 else left


def _letter(number: int) -> str:
    return _LETTERS[number % 26] if number < 26 else _LETTERS[number % 26].upper()


def _row(cells: list[tuple[int, str]]) -> str:
    """Texts put in their columns."""
    line = ""
    for at, text in sorted(cells):
        line = line.ljust(at) + text
    return line

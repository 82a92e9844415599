"""Drawings as SVG: the same pictures as in text, for pages and notebooks.

A `Sheet` says where everything stands, in columns and blocks; here a column is so many pixels wide.
Nothing is told by colour alone: a check's bits have dots, what it judges has a square, what it finds
wrong a triangle, a thick frame and the word FAILED. In a page a drawing takes the page's own ink;
one that stands alone brings paper and ink with it.

Source: W3C Scalable Vector Graphics (SVG) 1.1; WAI-ARIA 1.2, role img.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import count

from credkit.core.reading import describe_places
from credkit.explain.drawing import BarSegment, CheckMarks, Mark, Picture, Sheet, layout_picture
from credkit.explain.screen import escape_unprintable
from credkit.explain.svgelements import element, text_element
from credkit.tables.layout import Layout

COLUMN = 8.4  # pixels of a column: the width of a character of 14 pixels
MOST_COLUMNS = 76  # columns of a drawing at most: it fits on paper
MARGIN = 6
NUMBERS, UNITS, LANE, MARK, TEXT, GAP = 12, 24, 24, 18, 18, 12  # heights of what stands below each other
KEY: tuple[tuple[Mark, str], ...] = (
    ("covered", "covered by the check"), ("judged", "judged by it"), ("wrong", "found wrong")
)  # fmt: skip
KEY_WIDTH = 400
FONT = "ui-monospace,'DejaVu Sans Mono',Menlo,Consolas,monospace"
WRONG = "var(--wrong,#b3261e)"
ALONE = {"xmlns": "http://www.w3.org/2000/svg", "style": "color:#1b1f24;background:#ffffff"}


def svg(pictures: Sequence[Picture], *, alone: bool = True, width: int = MOST_COLUMNS) -> str:
    """Pictures below each other, as an SVG element; within a page's own ink unless it stands ``alone``.

    Without pictures it is an empty drawing.

    >>> row = Picture(title="", form="text", units=tuple("02F764DC"))
    >>> svg([row]).startswith('<svg xmlns="http://www.w3.org/2000/svg"')
    True
    """
    drawn = [_Drawing(picture, width) for picture in pictures]
    body, top = [], 0.0
    for each in drawn:
        body.append(element("g", *each.parts, transform=f"translate({MARGIN},{top:g})"))
        top += each.height + GAP
    keyed = any(picture.marks for picture in pictures)
    if keyed:
        body.append(element("g", *_key(), transform=f"translate({MARGIN},{top:g})"))
        top += TEXT
    wide = max([0, *(each.width for each in drawn), KEY_WIDTH * keyed]) + 2 * MARGIN
    return element(
        "svg", *body, **(ALONE if alone else {}), role="img", aria_label=". ".join(map(spoken, pictures)),
        viewBox=f"0 0 {wide:g} {top:g}", width=wide, height=top, font_family=FONT, font_size=14, fill="currentColor",
    )  # fmt: skip


def layout_svg(layout: Layout) -> str:
    """A layout without a value, as a drawing."""
    return svg([layout_picture(layout)])


def spoken(picture: Picture) -> str:
    """A picture in words, for those who do not see it.

    >>> from credkit.explain.drawing import Marks
    >>> marks = Marks(text="odd-parity FAILED", at=(1,), covers=(0,), passed=False)
    >>> spoken(Picture(title="two bits", form="bits", units=("1", "0"), marks=(marks,)))
    'two bits: 10; odd-parity FAILED (bit 1)'
    """
    joint = " " if picture.form == "fields" else ""
    told = [f"{picture.title}: {joint.join(picture.units)}" if picture.title else joint.join(picture.units)]
    told += [f"{bar.label} ({describe_places(picture.form, bar.at)})" for bar in picture.bars]
    told += [
        f"{each.text} ({describe_places(picture.form, each.at)})" if each.at else each.text for each in picture.marks
    ]
    return escape_unprintable("; ".join(told))


class _Drawing:
    """The parts of one picture, and how large it is."""

    def __init__(self, picture: Picture, width: int) -> None:
        self.picture = picture
        self.sheet = Sheet(picture, width)
        self.height = self.width = 0.0
        self.wrong = {i for marks in picture.marks if marks.passed is False for i in marks.at}
        self.parts = list(self._parts())

    def _parts(self) -> Iterator[str]:
        if self.picture.title:
            yield self._line(self.picture.title, weight="bold")
        for number, block in enumerate(self.sheet.blocks):
            self.height += GAP / 2 if number else 0
            columns = self.sheet.columns(block)
            self._reach(max(stop for _, stop in columns.values()) * COLUMN)
            if self.picture.form != "fields" and len(self.sheet.units) > 1:
                yield from self._numbers(columns)
            yield from self._units(columns)
            for lane in self.sheet.lanes(columns, self.sheet.segments[number]):
                for each in lane:
                    yield from self._bar(columns, each)
                self.height += LANE
            for check in self.sheet.check_marks[number]:
                yield from self._marks(columns, check)
        for line in self.sheet.legend():
            yield self._line(line)

    def _reach(self, right: float) -> None:
        self.width = max(self.width, right)

    def _line(self, text: str, *, weight: str = "normal") -> str:
        """A line of text on its own."""
        self.height += TEXT
        text = escape_unprintable(text)
        self._reach(len(text) * COLUMN)
        return _text(0, self.height - 5, text, size=13, anchor="start", weight=weight)

    def _numbers(self, columns: Mapping[int, tuple[int, int]]) -> Iterator[str]:
        """The position of every unit, of every fifth where they stand close."""
        close = self.picture.form == "text"
        for i, (start, stop) in columns.items():
            if not close or i % 5 == 0:
                yield _text(_middle(start, stop), self.height + NUMBERS - 3, str(i), size=9 if i < 100 else 7)
        self.height += NUMBERS

    def _units(self, columns: Mapping[int, tuple[int, int]]) -> Iterator[str]:
        """The units, each bit in a frame of its own; what is wrong has a thick one, several characters one together."""
        top = self.height
        bits = self.picture.form == "bits"
        for i, (start, stop) in columns.items():
            if bits:
                left, size = (start - 0.5) * COLUMN, (stop - start + 1) * COLUMN
                if i in self.wrong:
                    yield _frame(left + 1, top, size - 2, 2.5)
                else:
                    yield element(
                        "rect", x=left, y=top + 1, width=size, height=UNITS - 2, fill="none", stroke="currentColor",
                        stroke_width=0.7, stroke_opacity=0.5,
                    )  # fmt: skip
            elif i in self.wrong and not (i - 1 in self.wrong and i - 1 in columns):  # one frame around neighbours
                last = next(n for n in count(i) if n + 1 not in self.wrong or n + 1 not in columns)
                yield _frame(start * COLUMN - 1, top, (columns[last][1] - start) * COLUMN + 2, 1.5)
            yield _text(_middle(start, stop), top + UNITS / 2 + 5, self.sheet.units[i])
        self.height += UNITS

    def _bar(self, columns: Mapping[int, tuple[int, int]], each: BarSegment) -> Iterator[str]:
        """A bracket under the units of a bar, and what it is called."""
        left, right = columns[each.first][0] * COLUMN, columns[each.last][1] * COLUMN
        top = self.height + 2
        ends = [f"M{left:g},{top:g}v5"] if each.begins else []
        ends += [f"M{right:g},{top:g}v5"] if each.ends else []
        yield element("path", d=f"M{left:g},{top + 5:g}H{right:g}{''.join(ends)}", fill="none", stroke="currentColor")
        text = self.sheet.letters[each.bar] if each.label is None else each.label
        if text:
            yield _text((left + right) / 2, self.height + LANE - 4, text, size=13)

    def _marks(self, columns: Mapping[int, tuple[int, int]], check: CheckMarks) -> Iterator[str]:
        """What a check covers and judges in this block, and its text where it begins."""
        column = self.sheet.text_column(columns, check) if check.begins else None
        weight = "bold" if check.failed else "normal"
        if check.begins and column is None:
            yield self._line(check.text, weight=weight)
        y = self.height + MARK / 2
        middles = {i: _middle(*columns[i]) for i in check.marks}
        line = f"M{min(middles.values()):g},{y:g}H{max(middles.values()):g}"
        yield element("path", d=line, stroke="currentColor", stroke_width=0.7, stroke_opacity=0.5)
        for i, mark in check.marks.items():
            yield _mark(mark, middles[i], y)
        if column is not None:
            self._reach((column + len(check.text)) * COLUMN)
            yield _text(column * COLUMN, y + 4.5, check.text, size=13, anchor="start", weight=weight)
        self.height += MARK


def _middle(start: int, stop: int) -> float:
    return (start + stop) / 2 * COLUMN


def _text(x: float, y: float, text: str, *, size: int = 14, anchor: str = "middle", weight: str = "normal") -> str:
    bold = None if weight == "normal" else weight
    spaces = {"xml:space": "preserve"}
    return text_element(x, y, text, font_size=size, text_anchor=anchor, font_weight=bold, **spaces)


def _frame(x: float, top: float, size: float, thick: float) -> str:
    """The frame of what is wrong."""
    return element(
        "rect", x=x, y=top + 2, width=size, height=UNITS - 4, fill="none", stroke_width=thick, style=f"stroke:{WRONG}"
    )


def _mark(mark: Mark, x: float, y: float) -> str:
    if mark == "covered":
        return element("circle", cx=x, cy=y, r=2.6)
    if mark == "judged":
        return element("rect", x=x - 5, y=y - 5, width=10, height=10, fill="none", stroke="currentColor")
    return element("path", d=f"M{x:g},{y - 6:g}l5.5,11h-11z", style=f"fill:{WRONG}")


def _key() -> Iterable[str]:
    """What the marks mean."""
    x = 8.0
    for mark, text in KEY:
        yield _mark(mark, x, TEXT / 2)
        yield _text(x + 12, TEXT / 2 + 4.5, text, size=12, anchor="start")
        x += 12 + len(text) * 7.2 + 24

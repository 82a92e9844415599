"""Memory maps as pictures: one self-contained SVG file, for a screen and for paper.

It draws the same `MemoryMap` as the lines of text do. Every kind of byte has a pattern or a name of
its own, so that nothing rests on colour; colours follow the light or dark scheme of the screen, and
paper is always light. There are no scripts and no references to anything outside, text can be
selected, and whatever comes from a plan is escaped.

Source: W3C SVG 1.1 and 2, Media Queries 5 (prefers-color-scheme).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from textwrap import wrap
from unicodedata import combining, east_asian_width

from credkit.cards.memorymap import FREE, MAC, RECORD, ByteRun, MemoryMap, MemoryRow, MemorySection, build_memory_map
from credkit.cards.plan import CardPlan
from credkit.core.spans import format_span
from credkit.explain.svgelements import element, escape_text, text_element
from credkit.privacy.accounts import mask_accounts

WIDTH = 960  # pixels of the whole picture
MARGIN = 24
CELLS = 576  # pixels of a row of 16 bytes
WIDEST_BYTE_PIXELS = 72  # pixels of one byte
SWATCH = 56  # pixels of a box in the legend
MIDDLE = 500  # where the second half of the legend begins
ROW, LINE, GAP = 30, 18, 16  # pixels: a row, a line of text, between columns
TINTS = 6
_CODE = 7.9  # pixels of a character in the font of codes and names
_WORD = 7.0  # pixels of a character of a sentence, on the safe side
_BOLD = 7.8
_TITLE = 13.5

_LIGHT = "--ink:#16202b;--soft:#4d5a68;--paper:#ffffff;--free:#ffffff;--rest:#e9edf1;"
_DARK = "--ink:#e8edf2;--soft:#a9b4c0;--paper:#14191f;--free:#14191f;--rest:#28313a;"
_LIGHT_TINTS = ("#cfe3f7", "#fbe3b8", "#d3efd0", "#f6d3dd", "#e2d8f5", "#cdeeee")
_DARK_TINTS = ("#1f4468", "#5c4312", "#22502a", "#64283d", "#43326b", "#14504f")

_PATTERNS = {  # by kind: a side of the square, what is drawn in it, the words of the legend
    "mac": (8, "M0 8L8 0M-2 2L2 -2M6 10L10 6", "MAC over serial and record (its letter as a capital)"),
    "manufacturer": (8, "M0 0L8 8M8 0L0 8", "manufacturer's, never written"),
    "key-a": (6, "M2 3h1.6", "key A, never readable"),
    "key-b": (6, "M2 3h1.6", "key B"),
    "bits": (8, "M0 0L8 8M-2 6L2 10M6 -2L10 2", "access bits"),
    "spare": (0, "", "spare byte of a trailer"),
    "container": (6, "M0 3h6", "capability container"),
    "locks": (6, "M3 0v6", "lock bytes"),
    "free": (0, "", "free"),
}


def memory_svg(plan: CardPlan) -> str:
    """The memory map of a plan as one SVG document."""
    drawn = build_memory_map(plan)
    sheet = _MapSheet(drawn, min(WIDEST_BYTE_PIXELS, CELLS // plan.geometry.block_size))
    body = [*sheet.head(), *sheet.table(), *sheet.legend()]
    summary = " ".join(f"{text}." for text in (*drawn.head, *(words for _, words in drawn.legend())))
    parts = (
        element("title", escape_text(_visible(f"Memory map: {plan.name}")), id="map-title"),
        element("desc", escape_text(_visible(summary)), id="map-desc"),
        element("style", _style()),
        element("defs", *_patterns()),
        element("rect", class_="paper", width="100%", height="100%"),
        *body,
    )
    height = sheet.y + MARGIN
    drawing = element(
        "svg", *(f"\n{part}" for part in parts), "\n", xmlns="http://www.w3.org/2000/svg", role="img",
        aria_labelledby="map-title map-desc", width=WIDTH, height=height, viewBox=f"0 0 {WIDTH} {height}",
    )  # fmt: skip
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{drawing}\n'


def _visible(text: str) -> str:
    """``text`` with account numbers masked, and what cannot be seen (control characters among it) written out.

    >>> _visible("02F7\\r"), _visible("Pass 4114360123456785")
    ('02F7\\\\r', 'Pass 411436******6785')
    """
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in mask_accounts(text))


def _columns(text: str) -> int:
    """How many characters wide ``text`` is; those of eastern scripts take two."""
    return sum(0 if combining(c) else 1 + (east_asian_width(c) in "WF") for c in text)


def _lines(text: str, room: float, each: float) -> list[str]:
    """``text`` in lines that fit into ``room`` pixels."""
    text = _visible(text)
    wide = max(map(_columns, text), default=1) or 1
    return wrap(text, max(int(room / each / wide), 8)) or [""]


def _tints(colours: tuple[str, ...]) -> str:
    return "".join(f"--t{number}:{colour};" for number, colour in enumerate(colours))


def _style() -> str:
    """The style sheet: light, and dark where the screen asks for it; paper is light."""
    light, dark = _LIGHT + _tints(_LIGHT_TINTS), _DARK + _tints(_DARK_TINTS)
    return (
        f":root{{color-scheme:light dark;background:var(--paper);{light}}}"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}"
        "@media print{:root{width:100%;height:auto}}"
        "text{fill:var(--ink);font:13px system-ui,'DejaVu Sans',Arial,sans-serif}"
        ".title{font-size:20px;font-weight:600}.bold{font-weight:600}.soft{fill:var(--soft)}"
        ".code{font-family:ui-monospace,'DejaVu Sans Mono',Consolas,monospace;text-anchor:middle;"
        "paint-order:stroke;stroke:var(--paper);stroke-width:4px;stroke-linejoin:round}"
        ".paper{fill:var(--paper)}.free{fill:var(--free)}.rest{fill:var(--rest)}"
        + "".join(f".t{number}{{fill:var(--t{number})}}" for number in range(TINTS))
        + ".edge{fill:none;stroke:var(--ink);stroke-width:1.2}.tick{stroke:var(--ink);stroke-width:.5;opacity:.45}"
        ".mark{fill:none;stroke:var(--ink);stroke-width:1;opacity:.45}.lock{fill:var(--ink)}"
        ".shackle{fill:none;stroke:var(--ink);stroke-width:1.8}"
    )


def _patterns() -> Iterator[str]:
    for kind, (side, path, _) in _PATTERNS.items():
        if path:
            mark = element("path", class_="mark", d=path)
            yield element("pattern", mark, id=f"map-{kind}", width=side, height=side, patternUnits="userSpaceOnUse")


def _text(x: float, y: float, text: str, style: str = "", anchor: str | None = None) -> str:
    return text_element(x, y, _visible(text), class_=style or None, text_anchor=anchor)


def _padlock(x: float, y: float) -> str:
    """A closed padlock whose foot stands on ``y``."""
    shackle = element("path", class_="shackle", d=f"M{x + 2.5:g} {y - 7:g}v-2.5a3.5 3.5 0 0 1 7 0v2.5")
    return element("g", shackle, element("rect", class_="lock", x=x, y=y - 7, width=12, height=8, rx=1.5))


@dataclass(slots=True)
class _MapSheet:
    """A picture while it is laid out, from top to bottom; ``y`` is how far it has come."""

    drawn: MemoryMap
    cell: int
    y: int = MARGIN

    @property
    def left(self) -> float:
        """Where the bytes begin: behind the longest label of a row."""
        labels = [section.label(row) for section in self.drawn.sections for row in section.rows]
        longest = max(len(self.drawn.plan.geometry.unit), *map(len, labels))
        return MARGIN + GAP + longest * _CODE

    def head(self) -> Iterator[str]:
        """The name of the plan, and what is said of the whole."""
        for line in _lines(self.drawn.plan.name, WIDTH - 2 * MARGIN, _TITLE):
            self.y += 26
            yield _text(MARGIN, self.y - 6, line, "title")
        yield from self.sentences(self.drawn.head, MARGIN)
        self.y += GAP

    def sentences(self, texts: tuple[str, ...], x: float, style: str = "", room: float = WIDTH) -> Iterator[str]:
        """Texts, each from a line of its own on, no wider than ``room`` or than the picture."""
        each = _BOLD if style == "bold" else _WORD
        for text in texts:
            for line in _lines(text, min(room, WIDTH - MARGIN - x), each):
                self.y += LINE
                yield _text(x, self.y - 5, line, style)

    def table(self) -> Iterator[str]:
        """The numbers of the bytes, then every section."""
        geometry, left = self.drawn.plan.geometry, self.left
        self.y += LINE
        yield _text(MARGIN, self.y - 5, geometry.unit, "soft")
        for at in range(geometry.block_size):
            yield _text(left + (at + 0.5) * self.cell, self.y - 5, str(at), "soft", "middle")
        for section in self.drawn.sections:
            if geometry.keys:
                self.y += 8
                yield from self.sentences((section.title,), MARGIN, "bold")
                self.y += 2
            for row in section.rows:
                yield from self.row(section, row)
        self.y += GAP

    def row(self, section: MemorySection, row: MemoryRow) -> Iterator[str]:
        """One row: its label, its stretches, its words."""
        left, size = self.left, self.drawn.plan.geometry.block_size
        x = left + size * self.cell + GAP + (12 + GAP / 2) * row.locked
        lines = _lines(row.words, WIDTH - MARGIN - x, _WORD)
        height = max(ROW, 12 + LINE * len(lines))
        yield _text(MARGIN + 8, self.y + 20, section.label(row))
        for stretch in row.stretches:
            yield from self.stretch(section, row, stretch, left, height)
        if row.locked:
            yield _padlock(x - 12 - GAP / 2, self.y + 20)
        for number, line in enumerate(lines if row.words else ()):
            yield _text(x, self.y + 20 + number * LINE, line)
        self.y += height

    def stretch(
        self, section: MemorySection, row: MemoryRow, stretch: ByteRun, left: float, height: int
    ) -> Iterator[str]:
        """Some bytes in a row, with a line between each and the next, and a title for who points at it."""
        x, width = left + stretch.at.start * self.cell, len(stretch.at) * self.cell
        unit = self.drawn.plan.geometry.unit
        where = f"{unit} {section.label(row)}, byte {format_span(stretch.at)}"
        what = stretch.name or _PATTERNS[stretch.kind][2]
        parts = [
            element("title", escape_text(_visible(f"{where}: {what}"))),
            *self.box(x, self.y, width, height, stretch),
        ]
        ticks = "".join(f"M{x + at * self.cell:g} {self.y}v{height}" for at in range(1, len(stretch.at)))
        if ticks:
            parts.append(element("path", class_="tick", d=ticks))
        fitting = (text for text in (stretch.name, stretch.code) if _columns(_visible(text)) * _CODE + 8 <= width)
        if label := next(fitting, stretch.code):
            parts.append(_text(x + width / 2, self.y + 20, label, "code"))
        yield element("g", "\n".join((*parts, "")), class_="stretch", data_kind=stretch.kind)

    def box(self, x: float, y: float, width: float, height: float, stretch: ByteRun) -> Iterator[str]:
        """A stretch without its name: its tint, its pattern, its edge."""
        place = {"x": x, "y": y, "width": width, "height": height}
        yield element("rect", class_=self.tint(stretch), **place)
        if stretch.kind != RECORD and _PATTERNS[stretch.kind][1]:
            yield element("rect", fill=f"url(#map-{stretch.kind})", **place)
        yield element("rect", class_="edge", **place)

    def tint(self, stretch: ByteRun) -> str:
        """The class of its colour: records have one each, in turn."""
        if stretch.kind == FREE:
            return "free"
        if stretch.kind not in (RECORD, MAC):
            return "rest"
        codes = tuple(self.drawn.codes.values())
        return f"t{codes.index(stretch.code.lower()) % TINTS}"

    def legend(self) -> Iterator[str]:
        """On the left every record with its letter and its place, on the right what the patterns mean."""
        top = self.y
        for record, words in self.drawn.legend():
            code = self.drawn.codes[record.name]
            yield from self.entry(MARGIN, ByteRun(kind=RECORD, name="", code=code, at=range(0)), words)
        bottom, self.y = self.y, top
        seen = {s.kind: s for section in self.drawn.sections for row in section.rows for s in row.stretches}
        for kind, (_, _, words) in _PATTERNS.items():
            if kind in seen:
                yield from self.entry(MIDDLE, seen[kind], words)
        if any(row.locked for section in self.drawn.sections for row in section.rows):
            yield _padlock(MIDDLE + 22, self.y + 17)
            yield from self.beside(MIDDLE, "can never be undone")
        self.y = max(self.y, bottom)
        yield from self.sentences(tuple(self.drawn.remarks()), MARGIN, "soft")

    def entry(self, x: float, stretch: ByteRun, words: str) -> Iterator[str]:
        """A line of the legend: a small box, and what it means."""
        yield from self.box(x, self.y + 3, SWATCH, 20, stretch)
        if stretch.code:
            code = "MAC" if stretch.kind == MAC else stretch.code
            yield _text(x + SWATCH / 2, self.y + 17, code, "code")
        yield from self.beside(x, words)

    def beside(self, x: float, words: str) -> Iterator[str]:
        """The words of a line of the legend."""
        self.y += 4
        yield from self.sentences((words,), x + SWATCH + GAP, room=MIDDLE - MARGIN - SWATCH - 2 * GAP)
        self.y += 5

"""Writes the reference pages that are generated from what runs: ``python docs/generate.py``.

`pages` gives each page's text, `drawings` each frame as SVG; a test holds the files to them.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Mapping
from functools import partial
from inspect import cleandoc
from pathlib import Path

from bitstring import Bits
from click.testing import CliRunner

import credkit
from credkit.catalogue.registry import ELSEWHERE, full_index
from credkit.cli import EVERY_COMMAND, main
from credkit.codecs import (
    checkdigits,
    contents,
    crcs,
    cyclic,
    dataof,
    dates,
    fieldsteps,
    frames,
    keyboards,
    ndef,
    notations,
    orders,
    stored,
    stripe,
    template,
    texts,
    tracktexts,
    uids,
)
from credkit.core.codec import Entry
from credkit.core.spans import format_span as span
from credkit.crosswalk.decisions import DECISIONS, WRITTEN
from credkit.crosswalk.result import EXCEPTION_CODES, FACT_CODES
from credkit.explain.presentations import presentations
from credkit.explain.svg import layout_svg
from credkit.files.momentpatterns import PARTS
from credkit.tables.layout import Layout, Limit

HERE = Path(__file__).parent
PROGRAM = re.compile(r"<!-- program (\w+) -->\n.*?<!-- end -->", re.S)
TABLE = re.compile(r"<!-- table (\w+) -->\n.*?<!-- end -->", re.S)
DRAWINGS = "drawings"
INDEX = Path(credkit.__file__).parent / "catalogue" / "indexrows.py"
FAMILIES = (
    ("Text to text", (*texts.ENTRIES, *keyboards.ENTRIES, *tracktexts.ENTRIES, *checkdigits.ENTRIES)),
    ("Text to bits: notations", notations.ENTRIES),
    ("Bits to bits: orders, alignment, cuts", orders.ENTRIES),
    ("Bits to bits: bytes with a check behind them", crcs.ENTRIES),
    ("Bits to bits: what contactless chips send", (*uids.ENTRIES, *cyclic.ENTRIES)),
    ("Bits to text: magnetic stripes", stripe.ENTRIES),
    ("Texts and dates in a card's memory", (*stored.ENTRIES, *dates.ENTRIES)),
    ("NDEF: the data area and its message", ndef.ENTRIES),
    ("Bits to fields: frames", (*dataof.ENTRIES, *frames.ENTRIES, *frames.builtin_entries())),
    ("Fields to fields", fieldsteps.ENTRIES),
    ("Text to fields", (*template.ENTRIES, *contents.ENTRIES, *contents.builtin_entries())),
)


def format_span(entry: Entry) -> str:
    """The entry as it is written in a chain."""
    return f"{entry.name}:{entry.signature}" if entry.signature else entry.name


def section(entry: Entry) -> list[str]:
    """One codec: source, description, layout table, examples."""
    title = entry.title[0].upper() + entry.title[1:]
    lines = [f"### `{format_span(entry)}`", "", f"{title}.", "", *described(entry), f"Source: {entry.source}.", ""]
    if layout := drawn(entry):
        lines += [f"![The bits of {entry.name}, drawn: the table says the same]({DRAWINGS}/{entry.name}.svg)", ""]
        lines += layout_rows(layout)
    if entry.aliases:
        lines += [f"Also called {', '.join(f'`{alias}`' for alias in entry.aliases)} by an open standard.", ""]
    lines += ["| written | read | gives |", "| --- | --- | --- |"]
    for example in entry.examples:
        step = f"{entry.name}:{example.args}" if example.args else entry.name
        lines.append(f"| `{step}` | `{repr(example.given)[1:-1]}` | `{example.gives}` |")
    return [*lines, ""]


def drawn(entry: Entry) -> Layout | None:
    """The layout of an entry that has one of its own."""
    first = entry.examples[0]
    table = entry.build(*(first.args.split(",") if first.args else ())).table
    return table if isinstance(table, Layout) and entry.name not in ("fields", "data-of") else None


def described(entry: Entry) -> list[str]:
    """What the builder's docstring says beyond the entry's title."""
    build = entry.build.func if isinstance(entry.build, partial) else entry.build
    if not entry.signature:
        return []
    return [cleandoc(build.__doc__ or "").replace("``", "`"), ""]


def layout_rows(layout: Layout) -> list[str]:
    """The bits of a layout, as a table."""
    lines = ["| bits | hold |", "| --- | --- |"]
    rows = [(field.places[0], span(field.places), f"`{field.name}`, 0 to {field.most}") for field in layout.fields]
    rows += [(check.at[0], span(check.at), check.claim) for check in layout.checks if not isinstance(check, Limit)]
    lines += [f"| {places} | {text} |" for _, places, text in sorted(rows)]
    notes = [f"Note: {remark.text}." for remark in layout.remarks]
    return [*lines, "", *(line for note in notes for line in (note, ""))]


def codecs_page() -> str:
    """The catalogue."""
    lines = [
        "# Codecs",
        "",
        "Generated from the catalogue by `docs/generate.py`; `credkit formats NAME` shows the same and draws layouts.",
        "",
        "Steps of a chain are joined by `/`; arguments stand behind the first `:`, joined by `,`; inside an argument",
        "`/`, `,` and `%` are written `%2F`, `%2C` and `%25`. Bits are numbered from 0, the first one sent.",
        "",
    ]
    for title, entries in FAMILIES:
        lines += [f"## {title}", ""]
        for entry in entries:
            lines += section(entry)
    lines += ["## Only with a site", "", *(f"- `{name}`: {text}." for name, text in ELSEWHERE.items()), ""]
    return "\n".join(lines)


def commands_page() -> str:
    """What ``--help`` says, for every command."""
    lines = ["# Commands", "", "Generated from `credkit COMMAND --help` by `docs/generate.py`.", ""]
    for name in ("", *EVERY_COMMAND):
        shown = CliRunner(env={"COLUMNS": "80"}).invoke(main, [*name.split(), "--help"])
        lines += [f"## credkit {name}".rstrip(), "", "```text", shown.output.rstrip(), "```", ""]
    return "\n".join(lines)


def presentations_page() -> str:
    """One serial in every form."""
    lines = [
        "# Presentations of a serial number",
        "",
        "Generated from `credkit/explain/presentations.py` by `docs/generate.py`. Source: common practice, no source.",
        "",
        "The serial numbers are those of public examples: `04112233445566` (7 bytes) and `04112233` (4 bytes), as the",
        "card sends them. A chain reads the text to the bits that stand in it; where bytes were left out, no chain",
        "gives them back. Three bytes as decimals of 8 and 16 bits look exactly like the facility code and number of a",
        "26-bit card.",
        "",
    ]
    for serial in (Bits("0x04112233445566"), Bits("0x04112233")):
        lines += [f"## {len(serial) // 8} bytes", "", "| form | text | chain |", "| --- | --- | --- |"]
        for row in presentations(len(serial)):
            lines.append(f"| {row.title} | `{row.encode(serial)}` | `{row.codec.name}` |")
        lines.append("")
    return "\n".join(lines)


def pages() -> dict[str, str]:
    """Every generated page, by file name."""
    return {
        "codecs.md": codecs_page(), "commands.md": commands_page(), "presentations.md": presentations_page(),
        "site.md": site_page(),
    }  # fmt: skip


def programs() -> dict[str, Path]:
    """The programs of the library's page, by name."""
    return {path.stem: path for path in sorted((HERE / "programs").glob("*.py"))}


def printed(program: Path) -> str:
    """What a program prints; fails where the program does."""
    done = subprocess.run([sys.executable, program], capture_output=True, text=True, check=True, timeout=120)
    return done.stdout


def program_section(name: str, output: str) -> str:
    """The code of a program and its output, as they stand on the library's page."""
    code = programs()[name].read_text()
    return f"<!-- program {name} -->\n```python\n{code}```\n\nIt prints\n\n```text\n{output}```\n<!-- end -->"


def library_page() -> str:
    """The library's page with every program as it is now, and what it prints."""

    def section(match: re.Match[str]) -> str:
        return program_section(match[1], printed(programs()[match[1]]))

    return PROGRAM.sub(section, (HERE / "library.md").read_text())


def site_page() -> str:
    """The page on site files with the tables of the crosswalk's codes as they are now."""
    decisions = [
        f"| {number} | {decision.condition}{' *(active)*' if decision.active else ''} "
        f"| {f'`{decision.code}`' if decision.code not in WRITTEN else ''} | `{decision.action}` |"
        for number, decision in enumerate(DECISIONS, 1)
    ]
    tables = {
        "decisions": ["| | condition | code | action |", "| --- | --- | --- | --- |", *decisions],
        "exceptions": _code_table("row code", EXCEPTION_CODES),
        "facts": _code_table("finding", FACT_CODES),
        "notation": [
            "| part | stands for |",
            "| --- | --- |",
            *(f"| `{part}` | {row.meaning} |" for part, row in PARTS.items()),
        ],
    }
    return TABLE.sub(
        lambda match: "\n".join([f"<!-- table {match[1]} -->", *tables[match[1]], "<!-- end -->"]),
        (HERE / "site.md").read_text(),
    )


def _code_table(name: str, codes: Mapping[str, str]) -> list[str]:
    return [f"| {name} | what it means |", "| --- | --- |", *(f"| `{code}` | {text} |" for code, text in codes.items())]


def index_module() -> str:
    """The rows of the index of all codecs, as Python: `credkit.catalogue.indexrows`."""
    lines = ['"""The rows of the index (`credkit.catalogue.index`); written by docs/generate.py."""', ""]
    lines.append("# fmt: off\n# ruff: noqa: E501 (titles are not broken)")
    lines.append("ROWS: tuple[tuple[str, str, str, str, str, str, tuple[str, ...], str], ...] = (")
    for row in full_index():
        *start, title = map(_literal, row)
        lines += [f"    ({', '.join(start)},", f"     {title}),"]
    return "\n".join([*lines, ")", ""])


def _literal(value: str | tuple[str, ...]) -> str:
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return f"({', '.join(map(_literal, value))}{',' * (len(value) == 1)})"


def drawings() -> dict[str, str]:
    """The layouts of the catalogue as SVG, by file name."""
    found = ((entry.name, drawn(entry)) for _, entries in FAMILIES for entry in entries)
    return {f"{DRAWINGS}/{name}.svg": layout_svg(layout) + "\n" for name, layout in found if layout}


if __name__ == "__main__":
    if (index := index_module()) != INDEX.read_text(encoding="utf-8"):
        INDEX.write_text(index, encoding="utf-8")
        os.execv(sys.executable, [sys.executable, *sys.argv])  # the pages are made with it
    (HERE / DRAWINGS).mkdir(exist_ok=True)
    for name, text in (pages() | drawings()).items():
        (HERE / name).write_text(text, encoding="utf-8")
    (HERE / "library.md").write_text(library_page(), encoding="utf-8")

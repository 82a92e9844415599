"""A page taken apart for the tests: its elements checked as they open and close, its tables, its texts."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "br", "link", "img", "input", "hr", "col"}  # elements without an end, HTML living standard 13.1.2


@dataclass
class Table:
    """A table: its caption, and rows of cells, the head's and the foot's among them."""

    caption: str = ""
    rows: list[list[str]] = field(default_factory=list)

    def row(self, first: str) -> list[str]:
        (found,) = [row for row in self.rows if row[0] == first]
        return found


class Page(HTMLParser):
    """What stands in a page; raises where an element is not closed in its turn."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tables: list[Table] = []
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.headings: list[tuple[int, str]] = []
        self.paragraphs: list[str] = []
        self._open: list[str] = []
        self._texts: list[list[str]] = []
        self.feed(text)
        self.close()
        assert not self._open, self._open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))
        if tag == "table":
            self.tables.append(Table())
        elif tag == "tr":
            self.tables[-1].rows.append([])
        if tag not in VOID:
            self._open.append(tag)
            self._texts.append([])

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self._open, f"</{tag}> closes nothing"
        assert self._open[-1] == tag, f"</{tag}> within {self._open}"
        self._open.pop()
        text = "".join(self._texts.pop())
        if self._texts:
            self._texts[-1].append(text)
        if tag in ("td", "th"):
            self.tables[-1].rows[-1].append(" ".join(text.split()))
        elif tag == "caption":
            self.tables[-1].caption = " ".join(text.split())
        elif tag in ("h1", "h2", "h3"):
            self.headings.append((int(tag[1]), " ".join(text.split())))
        elif tag in ("p", "li", "dd"):
            self.paragraphs.append(" ".join(text.split()))

    def handle_data(self, data: str) -> None:
        if self._texts:
            self._texts[-1].append(data)

    def table(self, begins: str) -> Table:
        (found,) = [table for table in self.tables if table.caption.startswith(begins)]
        return found

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attributes for name, attributes in self.elements if name == tag]

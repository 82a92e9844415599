"""Words: texts as a page may show them, and numbers with their units."""

from __future__ import annotations

import re
from collections.abc import Sequence

from markupsafe import Markup, escape

from credkit.core.sentences import describe_rows
from credkit.privacy.accounts import mask_accounts
from credkit.work.items import WorkItem

LONGEST_SENTENCE = 2000  # characters of a sentence that are shown
LONGEST_NAME = 100
LONGEST_WHOLE = 24  # characters of an id that stays on one line
WHOLE = re.compile(r"--[a-z][a-z-]*(?: [A-Z]+)?|[0-9][0-9.,]* %")  # an option with its value, a share: on one line
BYTE_UNITS = (("GB", 10**9), ("MB", 10**6), ("kB", 10**3))


def show_text(text: str, longest: int = LONGEST_SENTENCE) -> str:
    """A text out of a file: account numbers masked, shortened, and what does not print (or turns lines) as escapes.

    >>> show_text("gate 7\\u202e"), show_text("Tor Süd 門")
    ('gate 7\\\\u202e', 'Tor Süd 門')
    """
    found = mask_accounts(text)
    if len(found) > longest:
        found = f"{found[: longest - 20]}…{found[-19:]}"
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in found)


def keep_together(text: str) -> Markup:
    """A text as HTML in which no line breaks within an option with its value, or between a figure and its %.

    >>> print(keep_together("--keep N keeps < 9.0 %"))
    <span class="whole">--keep N</span> keeps &lt; <span class="whole">9.0 %</span>
    """
    return Markup(WHOLE.sub(r'<span class="whole">\g<0></span>', str(escape(text))))


def join_ids(ids: Sequence[str]) -> Markup:
    """Ids in a row as HTML in which no line breaks within one, unless it is long.

    >>> print(join_ids(["P-1", "P-2"]))
    <span class="whole">P-1</span>, <span class="whole">P-2</span>
    """
    texts = (show_text(each, LONGEST_NAME) for each in ids)
    whole = Markup('<span class="whole">{}</span>')
    return Markup(", ").join(whole.format(text) if len(text) <= LONGEST_WHOLE else text for text in texts)


def format_known(count: int) -> str:
    """A count of an item of work, which is 0 where it has none or where it is not known.

    >>> format_known(1200), format_known(0)
    ('1,200', '–')
    """
    return f"{count:,}" if count else "–"


def format_bytes(count: int) -> str:
    """A number of bytes, also in larger units where it has them.

    >>> format_bytes(999), format_bytes(1_234_567)
    ('999 bytes', '1,234,567 bytes (1.2 MB)')
    """
    unit = next((f" ({count / size:.1f} {name})" for name, size in BYTE_UNITS if count >= size), "")
    return f"{count:,} byte{'s' * (count != 1)}{unit}"


def join_names(names: Sequence[str], most: int = 8) -> str:
    """Names in a row, the rest as a number.

    >>> join_names(["a", "b", "c"], 2)
    'a, b and 1 more'
    """
    more = len(names) - most
    return ", ".join(show_text(name, LONGEST_NAME) for name in names[:most]) + (
        f" and {more:,} more" if more > 0 else ""
    )


def describe_item_rows(item: WorkItem) -> list[str]:
    """The rows of an item of work, file by file."""
    return [f"{file} {describe_rows(lines)}" for file, lines in item.rows.by_file().items()]

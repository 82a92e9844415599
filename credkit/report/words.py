"""Words: texts as a page may show them, and numbers with their units."""

from __future__ import annotations

from collections.abc import Sequence

from credkit.core.sentences import describe_rows
from credkit.privacy.accounts import mask_accounts
from credkit.work.items import WorkItem

LONGEST_SENTENCE = 2000  # characters of a sentence that are shown
LONGEST_NAME = 100
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

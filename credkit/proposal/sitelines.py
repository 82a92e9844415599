"""Lines of a proposed site file: keys with their evidence above them, and the doubts among them.

Comments have masks where numbers look like payment account numbers; values stand as the files have them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from textwrap import wrap

from credkit.discover.sitetoml import escape_line, key_toml, quote_toml
from credkit.privacy.accounts import mask_accounts

WIDTH = 78  # characters of a comment, behind its sign: a screen of 80
LOOK = "LOOK: "  # begins the comment on a line that somebody must look at


class SiteLines:
    """The lines of a site file while they are collected, and every doubt in them.

    >>> lines = SiteLines()
    >>> lines.table("site")
    >>> lines.key("time_zone", "Etc/UTC", doubt="no file names it")
    >>> print(lines.toml(), end="")
    [site]
    # LOOK: no file names it
    time_zone = "Etc/UTC"
    >>> lines.doubts
    ['site.time_zone: no file names it']
    """

    def __init__(self) -> None:
        self._lines: list[str] = []
        self._table = ""
        self.doubts: list[str] = []

    def table(self, *names: str) -> None:
        """Begin a table."""
        self._table = ".".join(map(key_toml, names))
        self._lines += [*([""] if self._lines else []), f"[{self._table}]"]

    def row(self, *names: str) -> None:
        """Begin one more table of a list of tables."""
        self.table(*names)
        self._lines[-1] = f"[{self._lines[-1]}]"

    def key(self, name: str, value: object, *evidence: str, doubt: str = "") -> None:
        """A key with its value, under what speaks for it and what is in doubt."""
        self.comment(*evidence)
        if doubt:
            self.doubt(name, doubt)
        self._lines.append(f"{key_toml(name)} = {_value(value)}")

    def doubt(self, name: str, text: str) -> None:
        """A comment on what somebody must look at."""
        self.comment(f"{LOOK}{text}")
        self.doubts.append(mask_accounts(f"{self._table}.{key_toml(name)}: {text}"))

    def comment(self, *texts: str) -> None:
        """Comments, one under the other."""
        for text in texts:
            first, *rest = wrap(mask_accounts(text), WIDTH) or [""]
            self._lines += [f"# {first}".rstrip(), *(f"#   {line}" for line in rest)]

    def raw(self, lines: Iterable[str]) -> None:
        """Lines that are written already, behind an empty one."""
        self._lines += ["", *lines]

    def toml(self) -> str:
        """The site file."""
        return "\n".join(map(escape_line, self._lines)) + "\n"


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quote_toml(value)
    if isinstance(value, Mapping):
        return f"{{ {', '.join(f'{key_toml(key)} = {_value(item)}' for key, item in value.items())} }}"
    if isinstance(value, Sequence):
        return f"[{', '.join(map(_value, value))}]"
    return str(value)

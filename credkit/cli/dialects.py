"""--dialect: in what form the tables of a crosswalk, a census and an audit are written for people."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from credkit.files.dialects import DIALECTS, PLAIN, Dialect

if TYPE_CHECKING:
    from credkit.site.model import Site

Command = TypeVar("Command", bound=Callable[..., Any])


def with_dialect_option(command: Command) -> Command:
    """--dialect, for the commands that write tables."""
    option = click.option(
        "--dialect", type=click.Choice([*DIALECTS]), metavar="FORM",
        help="Write each table a second time, for a spreadsheet, with numbers of cards as texts: FORM is xlsx, "
        "spreadsheet-comma, spreadsheet-semicolon or spreadsheet-tab; plain: not a second time. Default: as SITE "
        "declares it under [output], else plain.",
    )  # fmt: skip
    return option(command)


def choose_dialect(name: str | None, site: Site | None) -> Dialect:
    """The dialect that --dialect names, else that of the site; what it needs is there."""
    chosen = DIALECTS[name] if name else site.dialect if site else PLAIN
    if chosen.delimiter is None:
        import xlsxwriter  # noqa: F401  # a missing module is told before the work, not behind it
    return chosen

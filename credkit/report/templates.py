"""The shell of every page: one base template and style sheet, the filters of all templates, the foot of each sheet.

Everything that comes from a file goes through `show_text`, and is escaped by the templates.
"""

from __future__ import annotations

import platform
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from credkit.audit.sentences import (
    describe_causes,
    describe_doubt,
    describe_sort,
    describe_undetected,
    format_amount,
    format_percent,
)
from credkit.core.sentences import describe_rows, format_count
from credkit.core.version import __version__
from credkit.report.words import (
    LONGEST_NAME,
    format_bytes,
    format_known,
    join_ids,
    join_names,
    keep_together,
    show_text,
)
from credkit.work.text import describe_counts, describe_ends

REPORTED_PACKAGES = ("polars", "numpy", "jinja2")  # packages that took part
LONGEST_SITE = 60  # characters of a site's name on each sheet


def render_page(template: str, *, mark: str, title: str, site: str, made_on: str, **values: Any) -> str:
    """A page of HTML from ``template``, which extends ``base.html``.

    ``title`` is what the page is, ``site`` whose (empty if of none) and ``made_on`` when; the three stand
    on each sheet. ``mark`` is the element that says what made the page.
    """
    named = f"{title}: {show_text(site, LONGEST_SITE)}" if site else title
    return _environment().get_template(template).render(
        mark=Markup(mark), title=f"{title}: {show_text(site)}" if site else title, made_on=made_on,
        running=_escape_css(f"{named}, {made_on}"), version=__version__, **values,
    )  # fmt: skip


def list_versions(made_by: str = __version__) -> list[str]:
    """The versions of credkit, of Python and of the packages that took part."""
    return [
        f"credkit {made_by}", f"Python {platform.python_version()}",
        *(f"{name} {version(name)}" for name in REPORTED_PACKAGES),
    ]  # fmt: skip


def show_name(name: str) -> str:
    """A name out of a file, as `show_text` shows it, at most `LONGEST_NAME` characters long."""
    return show_text(name, LONGEST_NAME)


@cache
def _environment() -> Environment:
    found = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    found.filters |= {
        "shown": lambda text: keep_together(show_text(text)), "whole": keep_together, "name": show_name,
        "n": lambda number: f"{number:,}", "known": format_known, "sizes": format_bytes,
        "joined": join_names, "ids": join_ids, "counted": format_count, "percent": format_percent,
        "amount": format_amount,
        "hints": describe_causes, "doubt": describe_doubt, "blind": describe_undetected,
        "sort_of": lambda each: describe_sort(each.codec, each.rule, each.sort),
        "rows": describe_rows, "whom": describe_counts, "ends": describe_ends,
        "verb": lambda change: "failing" if change.after > change.before else "better",
    }  # fmt: skip
    return found


def _escape_css(text: str) -> Markup:
    """A string of CSS, with escapes for all but letters and digits."""
    return Markup("".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in text))

"""Formulas: cells that a spreadsheet would run, and the apostrophe that guards them.

Source: common practice, no source.
"""

from __future__ import annotations

import re

FORMULA_SIGNS = r"[=+\-@＝＋－＠]"  # what a spreadsheet begins a formula with; the full-width ones, too
# What every text has that `guard_formula` changes, for those who look at many texts by a kernel.
FORMULA_PATTERN = rf"^[\t\r\n]|(?:^|[;\t\r\n]) *{FORMULA_SIGNS}"
# A cell begins with the text, and behind what some spreadsheet may part cells at; a number is no formula.
_FORMULA = re.compile(
    rf"^(?=[\t\r\n])|(?:^|(?<=[;\t\r\n]))(?! *[+-]?[0-9]+(?:\.[0-9]+)? *(?:[;\t\r\n]|\Z))(?= *{FORMULA_SIGNS})"
)


def guard_formula(text: str) -> str:
    """``text`` as a cell to write: where a spreadsheet would begin a formula, an apostrophe stands before it.

    A spreadsheet whose delimiter is a semicolon begins a cell behind each.

    >>> guard_formula("=1+1"), guard_formula("C-1; =C"), guard_formula("-2147483648")
    ("'=1+1", "C-1;' =C", '-2147483648')
    """
    return _FORMULA.sub("'", text)

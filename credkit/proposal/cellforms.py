"""Forms of cells: what the cells of a column are, counted and said in one phrase.

Source: common practice, no source.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from credkit.core.sentences import format_count, redacted_repr
from credkit.core.whitespace import strip_white_space
from credkit.explain.diagnosis import is_spreadsheet_shortened
from credkit.files.monthnames import MONTHS

NUMBER_SHARE = 0.8  # of the filled cells of a column of numbers
DISTINCT_SHARE = 0.4  # of the filled cells of a column of numbers that are different
_DIGITS, _HEX = re.compile("[0-9]+"), re.compile("[0-9A-Fa-f]+")
_AMOUNT = re.compile("[+-]?[0-9]{1,3}([ .,'\u00a0\u202f]?[0-9]{3})*[.,][0-9]{2}")
_GROUPS = re.compile("(?=.*[0-9].*[0-9])[0-9A-Fa-f]{1,16}([,:;/ .-][0-9A-Fa-f]{1,16})*")
_MONTH_AND_NUMBER = re.compile("([^0-9]{3,5}?)[.]?[ -]([0-9]{2})")  # of 12-76 or 3-04, after a spreadsheet
_PREFIXED = re.compile(r"([A-Za-z]{1,8}[-_ ]?)[0-9]+")


def filled(cells: Sequence[str]) -> list[str]:
    """The cells that are not empty, without the white space around them."""
    return [text for text in map(strip_white_space, cells) if text]


def is_amount(text: str) -> bool:
    """Whether a text is a sum of money, with a decimal comma or point.

    >>> is_amount("1 204,75"), is_amount("12.50"), is_amount("01200345")
    (True, True, False)
    """
    return _AMOUNT.fullmatch(text) is not None


def holds_numbers(cells: Sequence[str]) -> bool:
    """Whether a column may hold the numbers of cards: digits, alone or in groups, mostly different ones.

    >>> holds_numbers(["02F764DD", "001802B2"]), holds_numbers(["12,50", "13,50"]), holds_numbers(["gate", "dock"])
    (True, False, False)
    """
    some = filled(cells)
    return _are_digits(some) and len(set(some)) >= DISTINCT_SHARE * len(some)


def are_numbers(cells: Sequence[str]) -> bool:
    """The same of a log, in which a card comes again and again: not all are one, at least.

    >>> are_numbers(["02F764DD", "001802B2", "001802B2"]), are_numbers(["7", "7", "7"]), are_numbers(["gate", "dock"])
    (True, False, False)
    """
    some = filled(cells)
    return _are_digits(some) and len(set(some)) > 1


def _are_digits(some: Sequence[str]) -> bool:
    fits = sum(_GROUPS.fullmatch(text) is not None and not is_amount(text) for text in some)
    return bool(some) and fits >= NUMBER_SHARE * len(some)


def count_shortened(cells: Sequence[str]) -> int:
    """How many cells a spreadsheet shortened, as ``1.2E+07`` was."""
    return sum(map(is_spreadsheet_shortened, cells))


def find_made_dates(cells: Sequence[str]) -> list[str]:
    """The cells that are a month and two digits, as a spreadsheet shows a number such as ``12-76``.

    >>> find_made_dates(["Dez 76", "3-850", "Mrz 04", "Oct-17", "Dock 76", "Kran 12"])
    ['Dez 76', 'Mrz 04', 'Oct-17']
    """
    fits = ((text, _MONTH_AND_NUMBER.fullmatch(text)) for text in filled(cells))
    return [text for text, match in fits if match and match[1].casefold() in MONTHS]


def describe_made_dates(cells: Sequence[str]) -> str:
    """What is in doubt about cells of a column of numbers that are a month and digits; empty where none is.

    >>> describe_made_dates(["Dez 76", "3-850"])
    "a spreadsheet made dates of 1 number ('Dez 76')"
    """
    dates = find_made_dates(cells)
    made = format_count(len(dates), "number")
    return f"a spreadsheet made dates of {made} ({redacted_repr(dates[0])})" if dates else ""


def describe_cells(cells: Sequence[str]) -> str:
    """What most cells of a column are, how many are different, and how many are empty.

    >>> describe_cells(["01200345", "01200346", "1.2E+07", ""])
    '2 of 3 cells are 8 digits, 3 different, 1 empty'
    >>> describe_cells(["P-1", "P-2", "P-2"])
    "3 of 3 cells are 'P-' and digits, 2 different"
    """
    some = filled(cells)
    if not some:
        return f"all {len(cells):,} cells are empty"
    forms = Counter(map(_name_form, some))
    widths = {len(text) for text in some if _DIGITS.fullmatch(text) or _HEX.fullmatch(text)}
    form, count = forms.most_common(1)[0]
    hexadecimal = next((each for each in forms if each.endswith("hexadecimal digits")), "")
    digits = hexadecimal.replace("hexadecimal ", "")
    if hexadecimal and digits in forms:  # those without a letter are the same form
        form, count = hexadecimal, forms[hexadecimal] + forms[digits]
    elif len(widths) > 1 and form.endswith(" digits") and "hexadecimal" not in form:
        form, count = "digits", sum(_DIGITS.fullmatch(text) is not None for text in some)
    parts = [f"{count:,} of {format_count(len(some), 'cell')} {'is' if len(some) == 1 else 'are'} {form}"]
    parts.append(f"{len(set(some)):,} different")
    if empty := len(cells) - len(some):
        parts.append(f"{empty:,} empty")
    return ", ".join(parts)


def _name_form(text: str) -> str:
    if _DIGITS.fullmatch(text):
        return f"{len(text)} digits"
    if _HEX.fullmatch(text) and len(text) > 1 and re.search("[0-9]", text):
        return f"{len(text)} hexadecimal digits"
    if match := _PREFIXED.fullmatch(text):
        return f"'{match[1]}' and digits"
    return "groups of digits" if _GROUPS.fullmatch(text) else "words"

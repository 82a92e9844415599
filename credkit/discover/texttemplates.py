"""Text templates: the numbers that stand in the texts of one reader, between separators, and without any.

Source: common practice, no source.

>>> [found.step(["facility", "number"]) for found in text_templates(["123-456", "007-899"])]
['template:{facility:03d}-{number:03d}']
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import pairwise, product
from math import log2
from typing import NamedTuple

from credkit.core.grammar import format_step

PADDED_COST = 2.0  # what it costs to suppose that a number is filled up with zeros, where none is seen
SPLIT_COST = 3.0  # what it costs to suppose that a text is two numbers without a separator
MOST_TEXT_CHARACTERS = 256  # of a text that is looked at
MOST_DIGITS = 20  # of one number
HEX_LETTER_SHARE = log2(16 / 10)  # bits by which a digit of 0 to 9 speaks against hexadecimal
MOST_HEX_COST = 6.0
LONGEST_TRIPLE = 16  # digits that are divided into three numbers


def common_prefix(texts: Sequence[str]) -> str:
    """The characters that all texts begin with.

    >>> common_prefix(["BT-12", "BT-99"])
    'BT-'
    """
    least, most = min(texts), max(texts)
    same = next(
        (place for place, (one, other) in enumerate(zip(least, most, strict=False)) if one != other), len(least)
    )
    return least[:same]


def hexadecimal_cost(digits: str) -> float:
    """How much ``digits`` speak against hexadecimal, in bits: numbers of that base seldom have no letter.

    >>> hexadecimal_cost("00FF"), round(hexadecimal_cost("1234"), 1)
    (0.0, 2.7)
    """
    return min(MOST_HEX_COST, HEX_LETTER_SHARE * len(digits)) if digits.isdigit() else 0.0


class TextPart(NamedTuple):
    """A run of digits in every text: its numbers, written with ``width`` digits, or with as few as go.

    ``kind`` is how a template writes their digits: ``d``, ``x`` or ``X``.
    """

    numbers: tuple[int, ...]
    width: int | None
    kind: str

    @property
    def base(self) -> int:
        """The base of the digits."""
        return 10 if self.kind == "d" else 16

    @property
    def bits(self) -> int:
        """How many bits the numbers have room in."""
        largest: int = self.base ** (self.width or MOST_DIGITS) - 1
        return largest.bit_length()

    @property
    def spec(self) -> str:
        """How a template writes the number."""
        return f"0{self.width}{self.kind}" if self.width else self.kind


class TextTemplate(NamedTuple):
    """Runs of digits, and the ``literals`` before, between and behind them."""

    parts: tuple[TextPart, ...]
    literals: tuple[str, ...]
    cost: float
    constant_bits: float = 0.0  # of literals that may be digits of the number

    def widths(self) -> Iterator[TextTemplate]:
        """The template with numbers of exactly as many digits, and with numbers that have no zeros before them.

        Where no zero is seen before a number that follows no other, both are possible.
        """
        options = []
        padded = any(part.width and len(str(number)) < part.width for part in self.parts for number in part.numbers)
        costs_of_widths = (0.0, PADDED_COST) if padded else (PADDED_COST, 0.0)
        for part, literal in zip(self.parts, ("-" + self.literals[0], *self.literals[1:]), strict=False):
            free = part.width and literal and part.base == 10 and all(len(str(n)) == part.width for n in part.numbers)
            options.append(
                list(zip((part, part._replace(width=None)), costs_of_widths, strict=True)) if free else [(part, 0.0)]
            )
        for chosen in product(*options):
            parts, costs = zip(*chosen, strict=True)
            yield self._replace(parts=parts, cost=self.cost + sum(costs))

    def step(self, names: Sequence[str]) -> str:
        """The template with a name for each part; an empty name leaves the digits in place as a literal."""
        pieces = [self.literals[0]]
        for part, name, literal in zip(self.parts, names, self.literals[1:], strict=True):
            if name:
                pieces.append(f"{{{name}:{part.spec}}}")
            else:
                pieces.append(f"{part.numbers[0]:0{part.width or 0}{part.kind}}")
            pieces.append(literal)
        return format_step("template", "".join(pieces))


def text_templates(texts: Sequence[str]) -> list[TextTemplate]:
    """Every division of ``texts`` into numbers, between separators, and without any.

    >>> [found.step("ab") for found in text_templates(["123-456", "007-899"])]
    ['template:{a:03d}-{b:03d}']
    >>> [found.step("ab") for found in text_templates(["1234", "0078"])[1:3]]
    ['template:{a:01d}{b:03d}', 'template:{a:02d}{b:02d}']
    """
    if max(map(len, texts)) > MOST_TEXT_CHARACTERS or set("{}") & set("".join(texts)):
        return []
    return list(_all_templates(texts))


def _all_templates(texts: Sequence[str]) -> Iterator[TextTemplate]:
    tokens = [re.split("([0-9]+)", text) for text in texts]
    if len({tuple(row[::2]) for row in tokens}) == 1 and len(tokens[0]) > 1:
        columns = list(zip(*(row[1::2] for row in tokens), strict=True))
        parts = [_part(column, "d") for column in columns]
        if None not in parts:
            yield TextTemplate(tuple(part for part in parts if part), tuple(tokens[0][::2]), 1.0)
        yield from _divisions(tokens[0][::2], columns)
    yield from _hexadecimal_templates(texts)


def _hexadecimal_templates(texts: Sequence[str]) -> Iterator[TextTemplate]:
    """One hexadecimal number: without zeros before it, or behind digits that are the same in all texts."""
    joined, lengths = "".join(texts), set(map(len, texts))
    if not joined.strip("01") or not re.fullmatch("[0-9A-F]+|[0-9a-f]+", joined):
        return
    kind = "x" if re.search("[a-f]", joined) else "X"
    if len(lengths) > 1:
        if not joined.isdigit() and (part := _part(texts, kind)):
            yield TextTemplate((part,), ("", ""), 2.0)
        return
    for cut in range(min(len(common_prefix(texts)), min(lengths) - 1) + 1):
        bare = [text[cut:] for text in texts]
        if part := _part(bare, kind):
            yield TextTemplate((part,), (texts[0][:cut], ""), 4.0 + hexadecimal_cost("".join(bare)), 4.0 * cut)


def _divisions(literals: Sequence[str], columns: Sequence[Sequence[str]]) -> Iterator[TextTemplate]:
    """The templates in which one run of digits is two or three numbers without a separator."""
    for place, column in enumerate(columns):
        size = len(column[0])
        if len(set(map(len, column))) > 1 or size < 4 or len(columns) > 2:
            continue
        ends: list[tuple[int, ...]] = [(cut,) for cut in range(1, size)]
        if size <= LONGEST_TRIPLE:
            ends += [(one, two) for one in range(1, size) for two in range(one + 1, size)]
        others = [_part(other, "d") for other in columns]
        for cuts in ends:
            bounds = [0, *cuts, size]
            pieces = [_part([text[a:b] for text in column], "d") for a, b in pairwise(bounds)]
            parts = [*others[:place], *pieces, *others[place + 1 :]]
            if None not in parts:
                texts = [*literals[: place + 1], *[""] * len(cuts), *literals[place + 1 :]]
                cost = len(cuts) * (SPLIT_COST + log2(size))
                yield TextTemplate(tuple(part for part in parts if part), tuple(texts), cost)


def _part(texts: Sequence[str], kind: str) -> TextPart | None:
    """The numbers of a run of digits; None where it has lost zeros or is too long to be one number."""
    lengths = set(map(len, texts))
    if max(lengths) > MOST_DIGITS or (len(lengths) > 1 and any(text[0] == "0" and text != "0" for text in texts)):
        return None
    numbers = tuple(int(text, 10 if kind == "d" else 16) for text in texts)
    return TextPart(numbers, min(lengths) if len(lengths) == 1 else None, kind)

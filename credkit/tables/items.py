"""Items: the stretches that a text is made of, and the check characters in it.

An item takes its stretch of a text by a pattern, from a place on. `bounds` are the places where the
items of a text begin and end: item 0 stands from ``bounds[0]`` to ``bounds[1]``, and so on.

Source: common practice, no source.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from credkit.core.checks import DIGITS
from credkit.core.fields import Item
from credkit.core.reading import Field, SchemaRow
from credkit.core.sentences import redacted_repr
from credkit.tables.checkcharacters import CheckCharacter

Matcher = Callable[[str, int], re.Match[str] | None]
Bounds = Sequence[int]


def format_ranges(letters: str) -> str:
    """Letters as a character class, the inverse of `credkit.tables.itemdefinition.letters`.

    >>> format_ranges("0123456789ABCDEF"), format_ranges("+,-"), format_ranges("-0123")
    ('0-9A-F', '+--', '-0-3')
    """
    texts = [run if len(run) < 3 and run.find("-") < 1 else f"{run[0]}-{run[-1]}" for run in _consecutive_runs(letters)]
    return "".join(sorted(texts, key=lambda text: text[0] != "-"))  # a hyphen that stands for itself comes first


def character_class(letters: str) -> str:
    """The regular expression that takes one of ``letters``."""
    texts = (
        re.escape(run) if len(run) < 3 else f"{re.escape(run[0])}-{re.escape(run[-1])}"
        for run in _consecutive_runs(letters)
    )
    return f"[{''.join(texts)}]"


def _consecutive_runs(letters: str) -> list[str]:
    """Letters that follow one another in their code, together."""
    runs: list[str] = []
    for char in sorted(set(letters)):
        if runs and ord(char) == ord(runs[-1][-1]) + 1:
            runs[-1] += char
        else:
            runs.append(char)
    return runs


@dataclass(frozen=True, slots=True, kw_only=True)
class ContentItem(ABC):
    """One stretch of a text: the regular expression that takes it.

    ``label`` is what a sentence calls it, ``name`` what a drawing does.
    """

    label: str
    name: str
    pattern: str

    @property
    def matcher(self) -> Matcher:
        """What takes the item's stretch of a text from a place on."""
        return re.compile(self.pattern).match

    @property
    @abstractmethod
    def letters(self) -> str:
        """Every character that the stretch may hold."""

    @property
    @abstractmethod
    def first_letters(self) -> str:
        """What the stretch may begin with."""

    @property
    @abstractmethod
    def min_length(self) -> int:
        """The fewest characters that the stretch has."""

    def decode(self, piece: str) -> Item:
        """What ``piece`` of the text stands for."""
        return piece

    @abstractmethod
    def locate_fault(self, text: str, at: int) -> tuple[int, str]:
        """The first place from ``at`` on that is not the item's, and what is expected."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Constant(ContentItem):
    """Characters that are always the same."""

    text: str

    @property
    def letters(self) -> str:
        """Those of the constant."""
        return self.text

    @property
    def first_letters(self) -> str:
        """Its first character."""
        return self.text[0]

    @property
    def min_length(self) -> int:
        """All of it."""
        return len(self.text)

    def locate_fault(self, text: str, at: int) -> tuple[int, str]:
        """Where the text first differs from it."""
        same = 0
        while text[at + same : at + same + 1] == self.text[same]:
            same += 1
        whole = f" of {redacted_repr(self.text)}" if len(self.text) > 1 else ""
        return at + same, f"{redacted_repr(self.text[same])}{whole}"


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldItem(ContentItem):
    """A field of ``shortest`` to ``longest`` characters, all of them among ``alphabet``.

    An empty one is written as ``absent``; one that is not of full length is ended by ``terminator``; one
    with a ``pad`` is filled up to ``width`` with it, on its left if ``is_right_aligned`` is set.
    ``value_pattern`` is the expression of the value alone.
    """

    row: SchemaRow
    alphabet: str
    shortest: int
    longest: int
    value_pattern: str
    absent: str = ""
    terminator: str = ""
    pad: str = ""
    width: int = 0
    is_right_aligned: bool = False

    @property
    def matcher(self) -> Matcher:
        """What takes the field's stretch; in one that is filled up there must be a value."""
        take, whole = re.compile(self.pattern).match, re.compile(self.value_pattern).fullmatch

        def filled(text: str, at: int) -> re.Match[str] | None:
            found = take(text, at)
            return found if found and whole(self.value_text(found[0])) else None

        return filled if self.pad else take

    @property
    def letters(self) -> str:
        """Those of the value, and what may stand for none, behind it or around it."""
        return self.alphabet + self.absent + self.terminator + self.pad

    @property
    def first_letters(self) -> str:
        """What a value begins with, and what stands for none."""
        return self.alphabet + self.absent + self.pad + ("" if self.shortest else self.terminator)

    @property
    def min_length(self) -> int:
        """The fewest characters, with what fills up, ends or replaces a value."""
        if self.pad:
            return self.width
        return 1 if self.absent else min(self.shortest + len(self.terminator), self.longest)

    @property
    def greedy_letters(self) -> str:
        """The letters that it takes for as long as they come, if nothing but their end ends it."""
        return "" if self.pad or self.terminator or self.shortest == self.longest else self.alphabet

    @property
    def is_verbatim(self) -> bool:
        """Whether its stretch of the text is the value."""
        return not (self.absent or self.terminator or self.pad or isinstance(self.row, Field))

    def without_terminator(self, piece: str) -> str:
        """``piece`` of the text without what ends a short value."""
        return piece.removesuffix(self.terminator) if self.terminator else piece

    def value_text(self, piece: str) -> str:
        """The value in ``piece`` of the text, as text."""
        if self.pad:
            return piece.lstrip(self.pad) if self.is_right_aligned else piece.rstrip(self.pad)
        return "" if piece == self.absent else self.without_terminator(piece)

    def decode(self, piece: str) -> Item:
        """The whole number or the text in ``piece`` of the text."""
        return int(self.value_text(piece)) if isinstance(self.row, Field) else self.value_text(piece)

    def encode(self, value: Any) -> str:
        """The inverse of `decode`."""
        text = f"{value:0{self.shortest}d}" if isinstance(self.row, Field) else str(value)
        if self.pad:
            return text.rjust(self.width, self.pad) if self.is_right_aligned else text.ljust(self.width, self.pad)
        return (text or self.absent) + (self.terminator if len(text) < self.longest else "")

    @property
    def expectation(self) -> str:
        """What may stand there, in words."""
        text = f"{self.shortest}" if self.shortest == self.longest else f"{self.shortest} to {self.longest}"
        text += " decimal digits" if self.alphabet == DIGITS else f" of {redacted_repr(format_ranges(self.alphabet))}"
        if isinstance(self.row, Field) and self.shortest < self.longest:
            text += " without a zero in front"
        if self.absent:
            text += f", or {redacted_repr(self.absent)} for none"
        if self.terminator:
            text += f", ended by {redacted_repr(self.terminator)} if fewer than {self.longest}"
        if self.pad:
            text += f", filled up to {self.width} with {redacted_repr(self.pad)}"
        return text

    def locate_fault(self, text: str, at: int) -> tuple[int, str]:
        """The first character that cannot belong to it, or the first of all if each of them could."""
        size, known = (self.width, self.alphabet + self.pad) if self.pad else (self.longest, self.alphabet)
        run = 0
        while run < size and at + run < len(text) and text[at + run] in known:
            run += 1
        wrong = run < (size if self.pad or self.terminator else self.shortest)
        return (at + run if wrong else at), self.expectation


@dataclass(frozen=True, slots=True, kw_only=True)
class ContentCheck(ABC):
    """A check character in a text: the stable ``rule``, the ``claim`` in words, the ``item`` it stands in."""

    rule: str
    claim: str
    item: int
    character: CheckCharacter

    @abstractmethod
    def position(self, text: str, bounds: Bounds) -> int | None:
        """Where it stands, or None where there is nothing to check."""

    @abstractmethod
    def covered_positions(self, text: str, bounds: Bounds) -> list[int]:
        """The places that it is computed from, in the order of computing."""

    @abstractmethod
    def verdict(self, text: str, bounds: Bounds) -> tuple[str, str]:
        """The character as it should be, and as it is; equal when it passes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AppendedCheck(ContentCheck):
    """A check item: judged by fields, each with the place of its item, or by all letters and digits before it."""

    over: tuple[tuple[int, FieldItem], ...] | None

    def position(self, text: str, bounds: Bounds) -> int | None:
        """Where the item begins."""
        return bounds[self.item]

    def covered_positions(self, text: str, bounds: Bounds) -> list[int]:
        """The fields as they are written, but for what ends a short one; or every letter and digit."""
        if self.over is None:
            return [place for place in range(bounds[self.item]) if text[place].isalnum()]
        found: list[int] = []
        for index, field in self.over:
            start = bounds[index]
            found += range(start, start + len(field.without_terminator(text[start : bounds[index + 1]])))
        return found

    def compute(self, text: str, bounds: Bounds) -> str:
        """The character as it should be; what stands behind its place does not matter."""
        return self.character.compute("".join(text[place] for place in self.covered_positions(text, bounds)))

    def verdict(self, text: str, bounds: Bounds) -> tuple[str, str]:
        """The character as it should be, and as it is; equal when it passes."""
        return self.compute(text, bounds), text[bounds[self.item]]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosingCheck(ContentCheck):
    """The last character of a text field, judged by those before it; an empty field has none."""

    field: FieldItem

    def _span(self, text: str, bounds: Bounds) -> tuple[int, int]:
        start, stop = bounds[self.item], bounds[self.item + 1]
        size = len(self.field.value_text(text[start:stop]))
        return (stop - size, stop) if self.field.is_right_aligned else (start, start + size)

    def position(self, text: str, bounds: Bounds) -> int | None:
        """The last character of the field."""
        start, stop = self._span(text, bounds)
        return stop - 1 if stop > start else None

    def covered_positions(self, text: str, bounds: Bounds) -> list[int]:
        """The field without its last character."""
        start, stop = self._span(text, bounds)
        return list(range(start, stop - 1))

    def verdict(self, text: str, bounds: Bounds) -> tuple[str, str]:
        """The character as it should be, and as it is; equal when it passes."""
        value = self.field.value_text(text[bounds[self.item] : bounds[self.item + 1]])
        return (self.character.compute(value[:-1]), value[-1]) if value else ("", "")


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckItem(ContentItem):
    """A check character, computed on writing and never a field."""

    check: AppendedCheck

    @property
    def letters(self) -> str:
        """What the rule can give."""
        return self.check.character.letters

    @property
    def first_letters(self) -> str:
        """The same."""
        return self.letters

    @property
    def min_length(self) -> int:
        """One character."""
        return 1

    def locate_fault(self, text: str, at: int) -> tuple[int, str]:
        """The place itself."""
        return at, f"one of {redacted_repr(format_ranges(self.letters))}"

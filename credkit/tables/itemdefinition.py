"""Item definitions: from the rows of a TOML list to the items of a text.

A constant, a field or a check character is refused here when it is wrong in itself; what is said
about all of them together is for `credkit.tables.contentdefinition`, which tells how they are written.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from credkit.core.checks import DIGITS
from credkit.core.errors import DefinitionError
from credkit.core.reading import Field, TextField
from credkit.core.sentences import nearest, redacted_repr
from credkit.tables.characters import SETS_BY_NAME, SETS_BY_TRACK, CharacterSet
from credkit.tables.checkcharacters import CONTENT_RULES, CheckCharacter, build_check_character
from credkit.tables.items import (
    AppendedCheck,
    CheckItem,
    Constant,
    ContentItem,
    FieldItem,
    character_class,
    format_ranges,
)
from credkit.tables.schema import SchemaTable, definition_table

KEYS = ("title", "source", "track", "set", "most", "items", "checks", "remarks", "meanings", "examples")
PRINTABLE = "".join(map(chr, range(32, 127)))  # ASCII
MOST_ITEMS = 512
MOST_DIGITS = 1000  # of a whole number
MOST_LETTERS = 65535  # of a text
_FIELD = ("field", "digits", "text", "of", "absent", "short", "pad", "width", "align")
_FROM_TO = re.compile("(0|[1-9][0-9]{0,4})-([1-9][0-9]{0,4})")
_CLASS = re.compile("(.)-(.)|(.)", re.DOTALL)


def letters(text: str, what: str) -> str:
    """The letters of a character class such as ``0-9A-Z``; a hyphen at its start or end is a letter.

    >>> letters("0-3A", "item 1"), letters("+-", "item 1")
    ('0123A', '+-')
    """
    found: dict[str, None] = {}
    for match in _CLASS.finditer(text):
        first, last = match[1] or match[3], match[2] or match[3]
        if match[3] == "-" and 0 < match.start() < len(text) - 1:
            raise DefinitionError(f"{what}: in {redacted_repr(text)} a hyphen between letters says from where to where")
        if last < first:
            raise DefinitionError(f"{what}: {redacted_repr(match[0])} in {redacted_repr(text)} goes downwards")
        for char in map(chr, range(ord(first), ord(last) + 1)):
            if char in found:
                raise DefinitionError(f"{what}: {redacted_repr(text)} names {redacted_repr(char)} twice")
            found[char] = None
    if not found:
        raise DefinitionError(f"{what}: a class of letters such as '0-9A-Z' is needed, not an empty text")
    return "".join(found)


class ItemDefinition:
    """The items of one definition, read in their order; refusals name the content."""

    def __init__(self, name: str, definition: Mapping[str, Any]) -> None:
        self.name = name
        self.table = definition_table("content", name, definition, KEYS)
        self.refuse = self.table.refuse_table
        self.set = self.character_set()
        self.usable = self.set.content_letters if self.set else PRINTABLE
        self.items: list[ContentItem] = []

    def among(self, what: str, text: str) -> None:
        """Refuse ``text`` unless every letter of it may stand in the text."""
        for char in text:
            if char not in self.usable:
                of = f"between the sentinels of the {self.set.name} set" if self.set else "in printable ASCII"
                self.refuse(f"{what}: {redacted_repr(char)} has no place {of}")

    def character_set(self) -> CharacterSet | None:
        """The set of the track, or None."""
        if self.table.has("track"):
            if self.table.has("set"):
                self.refuse("exactly one of track, set is needed, or none")
            return SETS_BY_TRACK[self.table.whole("track", least=1, most=3)]
        return SETS_BY_NAME[self.table.one_of("set", tuple(SETS_BY_NAME))] if self.table.has("set") else None

    def read_items(self) -> None:
        """All items, with the sentinels of the track around them."""
        such = "a table such as { field = 'number', digits = 8 }"
        if len(self.table.items("items", "a list of items")) > MOST_ITEMS:
            self.refuse(f"{len(self.table.content['items'])} items are more than {MOST_ITEMS}")
        if self.set:
            self.items.append(self.sentinel("start", self.set.start))
        for row in self.table.rows("items", None, each="item", such=such):
            kind = row.exactly_one("constant", "field", "check")
            self.items.append(getattr(self, kind)(row))
        if self.set:
            self.items.append(self.sentinel("end", self.set.end))
        if not self.fields():
            self.refuse("there is no field")

    def fields(self) -> dict[str, FieldItem]:
        """The fields read so far, by name."""
        return {item.row.name: item for item in self.items if isinstance(item, FieldItem)}

    def sentinel(self, which: str, char: str) -> Constant:
        """A sentinel, which no row writes."""
        name = f"{which} sentinel"
        return Constant(label=f"the {name}", name=name, pattern=re.escape(char), text=char)

    def constant(self, row: SchemaTable) -> Constant:
        """``{ constant = "90" }``."""
        row.known(("constant",))
        text = row.text("constant")
        if not text:
            row.refuse_table("a constant has one character at least")
        self.among(row.path, text)
        label = f"{row.path}, the constant {redacted_repr(text)},"
        return Constant(label=label, name="constant", pattern=re.escape(text), text=text)

    def field(self, row: SchemaTable) -> FieldItem:
        """``{ field = "number", digits = 8 }`` and its like."""
        row.known(_FIELD)
        name = row.text("field", words="a name")
        if not name.isidentifier() or not name.isascii() or name != name.lower():
            row.refuse_table(f"{redacted_repr(name)}: a field name has small letters, digits and underscores only")
        if name in self.fields():
            row.refuse_table(f"the name {name} appears twice")
        row.path = what = f"{row.path}, {name}"
        number = row.exactly_one("digits", "text") == "digits"
        shortest, longest = self.counts(row, "digits" if number else "text")
        of = DIGITS if number else self.of(row)
        absent, short, pad = (self.mark(key, row, of) for key in ("absent", "short", "pad"))
        if sum(map(bool, (absent, short, pad))) > 1:
            row.refuse_table("at most one of absent, short, pad")
        if number:
            for key in ("of", "absent", "short"):
                if row.has(key):
                    row.refuse_table(f"{key} is for texts: digits = N has zeros in front, and one digit at least")
        if absent and shortest != longest and shortest != 1:
            row.refuse_table("absent needs a text of one length, or of 1 character and more")
        if short and shortest == longest:
            row.refuse_table(f"short needs a text of several lengths, such as '1-{longest}'")
        width, right = self.filling(row, longest, pad)
        letter = character_class(of)
        value = f"{letter}{{{shortest},{longest}}}"
        if number and shortest < longest:
            value = f"[1-9][0-9]{{{shortest - 1},{longest - 1}}}" + ("|0(?![0-9])" if shortest == 1 else "")
        piece = value
        if absent:
            piece = f"{value}|{re.escape(absent)}"
        elif short:
            piece = f"{letter}{{{longest}}}|{letter}{{{shortest},{longest - 1}}}{re.escape(short)}"
        elif pad:
            piece = f"{character_class(of + pad)}{{{width}}}"
        lengths = range(0, longest + 1, shortest) if absent else range(shortest, longest + 1)
        return FieldItem(
            label=f"{what},", name=name, pattern=piece, value_pattern=value,
            row=_number(name, shortest, longest) if number else TextField(
                name=name, letters=of, lengths=lengths, pad=pad, padded="left" if right else "right"
            ),
            alphabet=of, shortest=shortest, longest=longest, absent=absent, terminator=short, pad=pad, width=width,
            is_right_aligned=right,
        )  # fmt: skip

    def counts(self, row: SchemaTable, key: str) -> tuple[int, int]:
        """How many characters a value has: from, to."""
        least, most = (1, MOST_DIGITS) if key == "digits" else (0, MOST_LETTERS)
        count = row.content[key]
        if isinstance(count, int) and not isinstance(count, bool):
            return (row.whole(key, least=1, most=most),) * 2
        match = _FROM_TO.fullmatch(row.text(key, words="a count or a range such as '1-10'"))
        if not match or not least <= int(match[1]) < int(match[2]) <= most:
            row.refuse(key, f"{redacted_repr(count)} is not a range such as '1-10', from {least} to {most}")
        return int(match[1]), int(match[2])

    def of(self, row: SchemaTable) -> str:
        """The letters of a text."""
        if not row.has("of"):
            return self.usable.replace(self.set.separator, "") if self.set else self.usable
        text = row.text("of", words="a class of letters such as '0-9A-Z'")
        found = letters(text, f"{row.source}: {row.at('of')}")
        self.among(row.at("of"), found)
        return found

    def mark(self, key: str, row: SchemaTable, of: str) -> str:
        """The one character under ``key``, or none."""
        if not row.has(key):
            return ""
        char = row.text(key, words="one character")
        if len(char) != 1:
            row.refuse_table(f"{key} must be one character, not {redacted_repr(char)}")
        self.among(row.at(key), char)
        if key != "pad" and char in of:
            row.refuse_table(f"{key} {redacted_repr(char)} is one of its letters: it could be a part of the value")
        if key == "pad" and (char == of or (row.has("digits") and char in DIGITS)):
            row.refuse_table(f"pad {redacted_repr(char)} could be a part of the value")
        return char

    def filling(self, row: SchemaTable, longest: int, pad: str) -> tuple[int, bool]:
        """How wide a value is filled up, and whether on its left."""
        for key in ("width", "align"):
            if row.has(key) and not pad:
                row.refuse_table(f"{key} needs a pad, the character to fill up with")
        align = row.one_of("align", ("left", "right"))
        return row.whole("width", longest, least=longest, most=MOST_LETTERS) if pad else 0, align == "right"

    def check(self, row: SchemaTable) -> CheckItem:
        """``{ check = "luhn", over = ["number"] }``."""
        row.known(("check", "over", "weights"))
        character = self.character(row, row.content["check"])
        row.path = what = f"{row.path}, the {character.rule} check character,"
        self.among(what, character.letters)
        over = self.over(row, character) if row.has("over") else None
        if over is None:
            if not any(char.isalnum() for item in self.items for char in item.letters):
                self.refuse(f"{what} has no letter and no digit before it")
            for item in self.items:
                self.covered(what, item.label, filter(str.isalnum, item.letters), character)
        names = "every letter and digit before it" if over is None else ", ".join(field.name for _, field in over)
        check = AppendedCheck(
            rule=character.rule, claim=f"the {character.rule} check character over {names}", item=len(self.items),
            character=character, over=over,
        )  # fmt: skip
        return CheckItem(
            label=what, name=f"{character.rule} check", pattern=character_class(character.letters), check=check
        )

    def character(self, row: SchemaTable, rule: object) -> CheckCharacter:
        """The check character that ``rule`` and the row's weights name."""
        weights = row.items("weights", "a list such as [3, 1]", [])
        return build_check_character(f"{row.source}: {row.path}", rule, weights, CONTENT_RULES)

    def over(self, row: SchemaTable, character: CheckCharacter) -> tuple[tuple[int, FieldItem], ...]:
        """The fields before it that a check character is computed from."""
        what, fields, found = row.path, self.fields(), []
        for name in row.expect(f"{what} over", row.content["over"], list, "a list of fields"):
            if not isinstance(name, str) or name not in fields:
                self.refuse(
                    f"{what} is over {redacted_repr(name)}, which is no field before it{nearest(str(name), fields)}"
                )
            field = fields[name]
            self.covered(what, field.label, field.alphabet + field.absent + field.pad, character)
            found.append((self.items.index(field), field))
        if not found or len({index for index, _ in found}) < len(found):
            self.refuse(f"{what} is over {'a field twice' if found else 'no field'}")
        return tuple(found)

    def covered(self, what: str, label: str, chars: Iterable[str], character: CheckCharacter) -> None:
        """Refuse ``chars`` that the check character cannot be computed from."""
        for char in chars:
            if char not in character.letters:
                of = format_ranges(character.letters)
                self.refuse(f"{what} takes {of} only, but {label} can hold {redacted_repr(char)}")


def _number(name: str, shortest: int, longest: int) -> Field:
    """The schema row of a number of so many digits; only one of a fixed count has zeros in front."""
    least = 10 ** (shortest - 1) if 1 < shortest < longest else 0
    return Field(name=name, least=least, most=10**longest - 1)

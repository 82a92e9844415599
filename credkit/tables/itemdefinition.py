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
from credkit.tables.characters import SETS, TRACKS, CharacterSet
from credkit.tables.checkcharacters import CheckCharacter, check_character
from credkit.tables.items import Appended, CheckItem, Constant, ContentItem, FieldItem, one_of, ranges
from credkit.tables.refusals import Definition

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


class ItemDefinition(Definition):
    """The items of one definition, read in their order; refusals name the content."""

    what = "content"

    def __init__(self, name: str, definition: Mapping[str, Any]) -> None:
        super().__init__(name, definition, KEYS)
        self.set = self.character_set()
        self.usable = self.set.content if self.set else PRINTABLE
        self.items: list[ContentItem] = []

    def whole(self, what: str, value: Any, least: int, most: int) -> int:
        """A whole number in this range."""
        number: int = self.expect(what, value, int, "a whole number")
        if not least <= number <= most:
            self.refuse(f"{what} {redacted_repr(number)} is outside {least} to {most}")
        return number

    def among(self, what: str, text: str) -> None:
        """Refuse ``text`` unless every letter of it may stand in the text."""
        for char in text:
            if char not in self.usable:
                of = f"between the sentinels of the {self.set.name} set" if self.set else "in printable ASCII"
                self.refuse(f"{what}: {redacted_repr(char)} has no place {of}")

    def character_set(self) -> CharacterSet | None:
        """The set of the track, or None."""
        if "track" in self.table:
            if "set" in self.table:
                self.refuse("exactly one of track, set is needed, or none")
            return TRACKS[self.whole("track", self.table["track"], 1, 3)]
        if "set" in self.table:
            name = self.expect("set", self.table["set"], str, "a text")
            if name not in SETS:
                self.refuse(f"set: {redacted_repr(name)} is not one of {', '.join(SETS)}{nearest(name, SETS)}")
            return SETS[name]
        return None

    def read_items(self) -> None:
        """All items, with the sentinels of the track around them."""
        rows = self.expect("items", self.table.get("items"), list, "a list of items")
        if len(rows) > MOST_ITEMS:
            self.refuse(f"{len(rows)} items are more than {MOST_ITEMS}")
        if self.set:
            self.items.append(self.sentinel("start", self.set.start))
        for number, row in enumerate(rows, 1):
            what = f"item {number}"
            self.expect(what, row, Mapping, "a table such as { field = 'number', digits = 8 }")
            kinds = [key for key in ("constant", "field", "check") if key in row]
            if len(kinds) != 1:
                self.refuse(
                    f"{what}: exactly one of constant, field, check is needed, not {', '.join(kinds) or 'none'}"
                )
            self.items.append(getattr(self, kinds[0])(what, row))
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

    def constant(self, what: str, row: Mapping[str, Any]) -> Constant:
        """``{ constant = "90" }``."""
        self.known(f"{what}: ", row, ("constant",))
        text = self.expect(f"{what}: constant", row["constant"], str, "a text")
        if not text:
            self.refuse(f"{what}: a constant has one character at least")
        self.among(what, text)
        label = f"{what}, the constant {redacted_repr(text)},"
        return Constant(label=label, name="constant", pattern=re.escape(text), text=text)

    def field(self, what: str, row: Mapping[str, Any]) -> FieldItem:
        """``{ field = "number", digits = 8 }`` and its like."""
        self.known(f"{what}: ", row, _FIELD)
        name = self.expect(f"{what}: field", row["field"], str, "a name")
        if not name.isidentifier() or not name.isascii() or name != name.lower():
            self.refuse(f"{what}: {redacted_repr(name)}: a field name has small letters, digits and underscores only")
        if name in self.fields():
            self.refuse(f"{what}: the name {name} appears twice")
        what = f"{what}, {name}"
        if ("digits" in row) == ("text" in row):
            self.refuse(f"{what}: exactly one of digits, text is needed")
        number = "digits" in row
        shortest, longest = self.counts(what, row, "digits" if number else "text")
        of = DIGITS if number else self.of(what, row)
        absent, short, pad = (self.mark(what, key, row, of) for key in ("absent", "short", "pad"))
        if sum(map(bool, (absent, short, pad))) > 1:
            self.refuse(f"{what}: at most one of absent, short, pad")
        if number:
            for key in ("of", "absent", "short"):
                if key in row:
                    self.refuse(f"{what}: {key} is for texts: digits = N has zeros in front, and one digit at least")
        if absent and shortest != longest and shortest != 1:
            self.refuse(f"{what}: absent needs a text of one length, or of 1 character and more")
        if short and shortest == longest:
            self.refuse(f"{what}: short needs a text of several lengths, such as '1-{longest}'")
        width, right = self.filling(what, row, longest, of, pad)
        letter = one_of(of)
        value = f"{letter}{{{shortest},{longest}}}"
        if number and shortest < longest:
            value = f"[1-9][0-9]{{{shortest - 1},{longest - 1}}}" + ("|0(?![0-9])" if shortest == 1 else "")
        piece = value
        if absent:
            piece = f"{value}|{re.escape(absent)}"
        elif short:
            piece = f"{letter}{{{longest}}}|{letter}{{{shortest},{longest - 1}}}{re.escape(short)}"
        elif pad:
            piece = f"{one_of(of + pad)}{{{width}}}"
        lengths = range(0, longest + 1, shortest) if absent else range(shortest, longest + 1)
        return FieldItem(
            label=f"{what},", name=name, pattern=piece, whole=value,
            row=_number(name, shortest, longest) if number else TextField(
                name=name, letters=of, lengths=lengths, pad=pad, padded="left" if right else "right"
            ),
            of=of, shortest=shortest, longest=longest, absent=absent, short=short, pad=pad, width=width, right=right,
        )  # fmt: skip

    def counts(self, what: str, row: Mapping[str, Any], key: str) -> tuple[int, int]:
        """How many characters a value has: from, to."""
        most = MOST_DIGITS if key == "digits" else MOST_LETTERS
        count = row[key]
        if isinstance(count, int) and not isinstance(count, bool):
            return (self.whole(f"{what}: {key}", count, 1, most),) * 2
        match = _FROM_TO.fullmatch(self.expect(f"{what}: {key}", count, str, "a count or a range such as '1-10'"))
        least = 1 if key == "digits" else 0
        if not match or not least <= int(match[1]) < int(match[2]) <= most:
            self.refuse(f"{what}: {key}: {redacted_repr(count)} is not a range such as '1-10', from {least} to {most}")
        return int(match[1]), int(match[2])

    def of(self, what: str, row: Mapping[str, Any]) -> str:
        """The letters of a text."""
        if "of" not in row:
            return self.usable.replace(self.set.separator, "") if self.set else self.usable
        text = self.expect(f"{what}: of", row["of"], str, "a class of letters such as '0-9A-Z'")
        found = letters(text, f"content {self.name}: {what}: of")
        self.among(f"{what}: of", found)
        return found

    def mark(self, what: str, key: str, row: Mapping[str, Any], of: str) -> str:
        """The one character under ``key``, or none."""
        if key not in row:
            return ""
        char: str = self.expect(f"{what}: {key}", row[key], str, "one character")
        if len(char) != 1:
            self.refuse(f"{what}: {key} must be one character, not {redacted_repr(char)}")
        self.among(f"{what}: {key}", char)
        if key != "pad" and char in of:
            self.refuse(f"{what}: {key} {redacted_repr(char)} is one of its letters: it could be a part of the value")
        if key == "pad" and (char == of or ("digits" in row and char in DIGITS)):
            self.refuse(f"{what}: pad {redacted_repr(char)} could be a part of the value")
        return char

    def filling(self, what: str, row: Mapping[str, Any], longest: int, of: str, pad: str) -> tuple[int, bool]:
        """How wide a value is filled up, and whether on its left."""
        for key in ("width", "align"):
            if key in row and not pad:
                self.refuse(f"{what}: {key} needs a pad, the character to fill up with")
        align = row.get("align", "left")
        if align not in ("left", "right"):
            self.refuse(f"{what}: align must be 'left' or 'right', not {redacted_repr(align)}")
        width = self.whole(f"{what}: width", row.get("width", longest), longest, MOST_LETTERS) if pad else 0
        return width, align == "right"

    def check(self, what: str, row: Mapping[str, Any]) -> CheckItem:
        """``{ check = "luhn", over = ["number"] }``."""
        self.known(f"{what}: ", row, ("check", "over", "weights"))
        character = self.character(what, row["check"], row)
        what = f"{what}, the {character.rule} check character,"
        self.among(what, character.letters)
        over = self.over(what, row["over"], character) if "over" in row else None
        if over is None:
            if not any(char.isalnum() for item in self.items for char in item.letters):
                self.refuse(f"{what} has no letter and no digit before it")
            for item in self.items:
                self.covered(what, item.label, filter(str.isalnum, item.letters), character)
        names = "every letter and digit before it" if over is None else ", ".join(field.name for _, field in over)
        check = Appended(
            rule=character.rule, claim=f"the {character.rule} check character over {names}", item=len(self.items),
            character=character, over=over,
        )  # fmt: skip
        return CheckItem(
            label=what, name=f"{character.rule} check", pattern=one_of(character.letters), check=check
        )  # fmt: skip

    def character(self, what: str, rule: object, row: Mapping[str, Any]) -> CheckCharacter:
        """The check character that ``rule`` and the row's weights name."""
        weights = self.expect(f"{what}: weights", row.get("weights", []), list, "a list such as [3, 1]")
        return check_character(f"content {self.name}: {what}", rule, weights)

    def over(self, what: str, names: Any, character: CheckCharacter) -> tuple[tuple[int, FieldItem], ...]:
        """The fields before it that a check character is computed from."""
        fields, found = self.fields(), []
        for name in self.expect(f"{what} over", names, list, "a list of fields"):
            if not isinstance(name, str) or name not in fields:
                self.refuse(
                    f"{what} is over {redacted_repr(name)}, which is no field before it{nearest(str(name), fields)}"
                )
            field = fields[name]
            self.covered(what, field.label, field.of + field.absent + field.pad, character)
            found.append((self.items.index(field), field))
        if not found or len({index for index, _ in found}) < len(found):
            self.refuse(f"{what} is over {'a field twice' if found else 'no field'}")
        return tuple(found)

    def covered(self, what: str, label: str, chars: Iterable[str], character: CheckCharacter) -> None:
        """Refuse ``chars`` that the check character cannot be computed from."""
        for char in chars:
            if char not in character.letters:
                of = ranges(character.letters)
                self.refuse(f"{what} takes {of} only, but {label} can hold {redacted_repr(char)}")


def _number(name: str, shortest: int, longest: int) -> Field:
    """The schema row of a number of so many digits; only one of a fixed count has zeros in front."""
    least = 10 ** (shortest - 1) if 1 < shortest < longest else 0
    return Field(name=name, least=least, most=10**longest - 1)

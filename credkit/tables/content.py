"""Contents: a text as a row of items, one after the other.

    ;79927398713=3012101000?    financial-track-2
    ^                           the start sentinel
     ^^^^^^^^^^^                account: 1 to 19 digits, the last one its own check digit
                ^               the separator, a constant
                 ^^^^           expiry: 4 digits, or = where there is none
                     ^^^        service
                        ^^^     discretionary, and behind it the end sentinel

Constants, fields (whole numbers or texts) and check characters follow one another. Reading walks
over the items; each takes what its pattern says and never gives any of it back, and a definition
with which that could go wrong is refused (`credkit.tables.contentdefinition`). What stands between
the sentinels of a stripe track is a content, and so is a number that a site writes its own way.

Source: ISO/IEC 7811-2 and 7811-6 (sentinels and LRC of tracks); the rest is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

from credkit.core.codec import TableCodec
from credkit.core.contract import check_fields
from credkit.core.errors import EncodeError
from credkit.core.fields import FieldMapping, Fields, Item
from credkit.core.frozen import FieldsOnly, FrozenMapping
from credkit.core.origins import ByName, Place
from credkit.core.reading import OVER_LONG, AnyReading, Check, Level, Note, Part, Reading, Schema
from credkit.core.sentences import redacted_repr
from credkit.core.shapes import TEXT, Shape
from credkit.tables.characters import CharacterSet
from credkit.tables.items import Bounds, CheckItem, Constant, ContentCheck, ContentItem, FieldItem, Matcher


@dataclass(frozen=True, slots=True, kw_only=True)
class ContentRemark:
    """A note earned by a text in which ``field`` is one of ``values`` (whatever it is if None)."""

    kind: str
    level: Level
    text: str
    field: str
    values: tuple[Item, ...] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """What the character at ``at`` of the text ``field`` means, by character."""

    field: str
    at: int
    values: Mapping[str, str]


@dataclass(frozen=True, kw_only=True)
class Content(FieldsOnly):
    """What stands in a text, item after item.

    ``character_set`` is that of a stripe track, None for a text that is not on one. ``max_characters``
    bounds the characters on the track, sentinels and LRC included (of another text: in the text);
    ``usual_characters`` is the same where no rule sets it.
    """

    name: str
    title: str
    source: str
    character_set: CharacterSet | None
    items: tuple[ContentItem, ...]
    checks: tuple[ContentCheck, ...] = ()
    remarks: tuple[ContentRemark, ...] = ()
    meanings: tuple[Meaning, ...] = ()
    max_characters: int | None = None
    usual_characters: int | None = None

    @cached_property
    def fields(self) -> tuple[tuple[int, str, FieldItem], ...]:
        """The fields: the place of the item in the row, the name, the item."""
        return tuple((i, item.row.name, item) for i, item in enumerate(self.items) if isinstance(item, FieldItem))

    @cached_property
    def schema(self) -> Schema:
        """The fields, with what they may hold."""
        return FrozenMapping({name: item.row for _, name, item in self.fields})

    @cached_property
    def _matchers(self) -> tuple[Matcher, ...]:
        return tuple(item.matcher for item in self.items)

    @cached_property
    def _decoders(self) -> tuple[tuple[int, str, Callable[[str], Item] | None], ...]:
        return tuple((index, name, None if item.is_verbatim else item.decode) for index, name, item in self.fields)

    @cached_property
    def never_notes(self) -> bool:
        """Whether it has no remarks and meanings, and no usual number of characters."""
        return not self.remarks and not self.meanings and self.usual_characters is None

    def item_bounds(self, text: str) -> list[int]:
        """Where the items of ``text`` begin and end, as far as they follow one another."""
        bounds, at = [0], 0
        for match in self._matchers:
            found = match(text, at)
            if found is None:
                break
            at = found.end()
            bounds.append(at)
        return bounds

    def is_complete(self, text: str, bounds: Bounds) -> bool:
        """Whether the items are all there and nothing is left."""
        return len(bounds) > len(self.items) and bounds[-1] == len(text)

    def size(self, text: str) -> int:
        """How many characters stand on the track for ``text``: it does not show the LRC."""
        return len(text) + (self.character_set is not None)

    @property
    def unit(self) -> str:
        """What `size` counts."""
        return "characters" if self.character_set is None else "characters on the track, its LRC included,"

    def decode(self, text: str, bounds: Bounds) -> dict[str, Item]:
        """The value of every field."""
        found: dict[str, Item] = {}
        for index, name, value in self._decoders:
            piece = text[bounds[index] : bounds[index + 1]]
            found[name] = value(piece) if value else piece
        return found

    def encode(self, fields: Mapping[str, Any]) -> tuple[str, list[int]]:
        """The text for ``fields``, which are in range, with its bounds; check characters are computed."""
        text, bounds = "", [0]
        for item in self.items:
            if isinstance(item, FieldItem):
                text += item.encode(fields[item.row.name])
            elif isinstance(item, CheckItem):
                text += item.check.compute(text, bounds)
            elif isinstance(item, Constant):
                text += item.text
            bounds.append(len(text))
        return text, bounds


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class ContentCodec(TableCodec[str, FieldMapping]):
    """Text to fields by a `Content`."""

    content: Content

    @classmethod
    def for_content(cls, content: Content, name: str = "") -> ContentCodec:
        """The codec for ``content``, called ``name`` if it is not to be called as that is."""
        return cls(
            name=name or content.name, input=TEXT, output=Shape("fields", schema=content.schema), content=content
        )

    @property
    def table(self) -> Content:
        """The content."""
        return self.content

    @property
    def limited(self) -> bool:
        """Whether a standard says how many characters there usually are at most."""
        return self.content.usual_characters is not None

    @property
    def never_notes(self) -> bool:
        """Whether nothing in the content earns a note."""
        return self.content.never_notes

    def _decode_raw(self, raw: str) -> Mapping[str, Item] | None:
        """The fields, or None where an item or a check fails, or where there is too much."""
        content = self.content
        bounds = content.item_bounds(raw)
        if not content.is_complete(raw, bounds):
            return None
        if content.max_characters is not None and content.size(raw) > content.max_characters:
            return None
        for check in content.checks:
            expected, found = check.verdict(raw, bounds)
            if expected != found:
                return None
        return Fields(content.decode(raw, bounds))

    def _encode_raw(self, raw: Mapping[str, Item]) -> str:
        """The text, with its check characters; raises `EncodeError` for fields that do not fit."""
        content = self.content
        check_fields(self.name, content.schema, raw)
        text, bounds = content.encode(raw)
        for check in content.checks:
            expected, found = check.verdict(text, bounds)
            if expected != found:
                raise EncodeError(
                    f"{self.name}: {check.claim} is {redacted_repr(found)}, expected {redacted_repr(expected)}"
                )
        if content.max_characters is not None and content.size(text) > content.max_characters:
            raise EncodeError(
                f"{self.name}: {content.size(text)} {content.unit} are more than {content.max_characters}"
            )
        return text

    def inspect(self, value: str) -> AnyReading:
        """The fields, every check with what it covers, and the notes that the values earn."""
        content = self.content
        bounds = content.item_bounds(value)
        spans: list[tuple[Place, ...]] = [tuple(range(start, stop)) for start, stop in pairwise(bounds)]
        parts = tuple(
            Part(name=item.name, at=span, value=item.decode(value[start:stop]))
            for item, span, (start, stop) in zip(content.items, spans, pairwise(bounds), strict=False)
            if span
        )
        if not content.is_complete(value, bounds):
            return Reading(value=None, checks=(self._fault(value, bounds),), parts=parts)
        fields = content.decode(value, bounds)
        origins = {name: spans[index] for index, name, _ in content.fields}
        return Reading(
            value=Fields(fields), checks=self._checks(value, bounds), parts=parts,
            notes=tuple(self._notes(value, fields, origins)), origin=ByName(origins),
        )  # fmt: skip

    def _fault(self, text: str, bounds: Bounds) -> Check:
        """The check that a text fails whose items do not follow one another to its end."""
        items, index, at = self.content.items, len(bounds) - 1, bounds[-1]
        before = items[index - 1] if index else None
        start, claim, expected = at, "the end of the text", "nothing more"
        if isinstance(before, FieldItem) and at < len(text) and text[at] in before.greedy_letters:
            claim, expected = before.label, f"{before.expectation} and no more"
        elif index < len(items):
            claim = items[index].label
            at, expected = items[index].locate_fault(text, at)
        if at < len(text):
            return self._check("form", claim, expected, text[at], at=(at,))
        return self._check("form", claim, f"{expected} from character {start} on", (text,))

    def _check(self, rule: str, claim: str, expected: object, found: object, at: tuple[Place, ...] = ()) -> Check:
        return Check(codec=self.name, rule=rule, claim=claim, form="text", at=at, expected=expected, found=found)

    def _checks(self, text: str, bounds: Bounds) -> tuple[Check, ...]:
        content = self.content
        found = []
        for check in content.checks:
            at = check.position(text, bounds)
            if at is None:
                continue
            expected, char = check.verdict(text, bounds)
            found.append(
                Check(
                    codec=self.name, rule=check.rule, claim=check.claim, form="text", at=(at,),
                    covers=tuple(check.covered_positions(text, bounds)), expected=expected, found=char,
                    evidence=check.character.evidence,
                )
            )  # fmt: skip
        if content.max_characters is not None:
            size = content.size(text)
            expected_size = size if size <= content.max_characters else f"at most {content.max_characters}"
            found.append(self._check("length", f"the number of {content.unit}", expected_size, size))
        return tuple(found)

    def _notes(self, text: str, fields: Mapping[str, Any], origins: Mapping[str, tuple[Place, ...]]) -> list[Note]:
        content = self.content
        notes = [
            Note(kind=r.kind, level=r.level, text=r.text, at=origins[r.field])
            for r in content.remarks
            if r.values is None or fields[r.field] in r.values
        ]
        said: dict[str, list[str]] = {}
        for meaning in content.meanings:
            char = fields[meaning.field][meaning.at : meaning.at + 1]
            if char in meaning.values:
                said.setdefault(meaning.field, []).append(meaning.values[char])
        for name, texts in said.items():
            notes.append(Note(kind="meaning", level="info", text=f"{name}: {'; '.join(texts)}", at=origins[name]))
        if content.usual_characters is not None and content.size(text) > content.usual_characters:
            over = f"{content.size(text)} {content.unit} are more than the {content.usual_characters} of the standard"
            notes.append(Note(kind=OVER_LONG, level="care", text=over))
        return notes

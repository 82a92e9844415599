"""Contents of stripe tracks and of a site's own texts: text to fields.

The named ones are in ``contents/*.toml``; `content_entries` makes catalogue rows of any table of
definitions with the same schema (`credkit.tables.contentdefinition`). ``track-2:number,rest`` is a
content without a name, written in the chain: text fields with separators between.

A stripe can be copied with a cheap machine: what it holds identifies, and proves nothing.

Source: ISO/IEC 7811-2, 7811-6, 7813 and 4909 (sentinels, separators, lengths).

>>> [entry.name for entry in builtin_entries()][:2]
['financial-track-1', 'financial-track-2']
>>> dict(build_track(2, "number", "rest").decode(";0123=4567?"))
{'number': '0123', 'rest': '4567'}
>>> dict(build_track(2).decode(";0123=4567=8?"))
{'part1': '0123', 'part2': '4567', 'part3': '8'}
>>> build_track(2, "number", "rest").decode(";0123?")
Traceback (most recent call last):
credkit.DecodeError: track-2:number,rest: item 2, the constant '=', fails: character 5 is '?', expected '='
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache, partial
from pathlib import Path
from typing import Any

from credkit.core.codec import AnyCodec, Entry, Example, TableCodec
from credkit.core.errors import DefinitionError, EncodeError
from credkit.core.fields import FieldMapping
from credkit.core.grammar import format_step
from credkit.core.reading import AnyReading, Check, Reading
from credkit.core.sentences import redacted_repr
from credkit.core.shapes import FIELDS, TEXT
from credkit.tables.characters import SETS_BY_NAME, SETS_BY_TRACK, CharacterSet
from credkit.tables.content import Content, ContentCodec
from credkit.tables.contentdefinition import content

BUILTIN_FILES = ("payment", "licence")
STANDARD_TRACK_CHARACTERS = {
    1: 79,
    2: 40,
    3: 107,
}  # characters on a track, sentinels and LRC included: ISO/IEC 7813, 7813, 4909
MOST_TRACK_PARTS = 128  # of a track: more than any holds that is as long as the standards say


def content_entries(definitions: Mapping[str, Any], beside: Iterable[Entry] = ()) -> tuple[Entry, ...]:
    """A catalogue row for every content in ``definitions``, a table as read from TOML.

    The names of the entries ``beside`` them are taken.

    >>> rows = content_entries({"gate": {"items": [{"constant": "G"}, {"field": "number", "digits": 5}]}})
    >>> dict(rows[0].build().decode("G00042"))
    {'number': 42}
    """
    if not isinstance(definitions, Mapping):
        raise DefinitionError(f"contents: a table of definitions by name is needed, not {redacted_repr(definitions)}")
    taken = {entry.name for entry in beside}
    for name in definitions:
        if name in taken:
            raise DefinitionError(f"content {name}: a layout has this name: choose another one")
    entries = tuple(_entry(content(name, table), table) for name, table in definitions.items())
    for entry in entries:
        _verify_examples(entry.build(), definitions[entry.name].get("examples", ()))
    return entries


def _verify_examples(codec: AnyCodec, examples: Sequence[Mapping[str, Any]]) -> None:
    """Refuse an example that does not hold; what a content reads it writes as it was, which is a law in the tests."""
    for row in examples:
        reading = codec.inspect(row["text"])
        if reading.failed or reading.value != row["fields"]:
            found = reading.failed.sentence() if reading.failed else redacted_repr(reading.value)
            raise DefinitionError(
                f"content {codec.name}: the example {redacted_repr(row['text'])} does not hold: {found}"
            )


def _entry(made: Content, table: Mapping[str, Any]) -> Entry:
    examples = tuple(
        Example(given=row["text"], gives=" ".join(f"{name}={value!r}" for name, value in row["fields"].items()))
        for row in table.get("examples", ())
    )
    return Entry(
        name=made.name, title=made.title, source=made.source or "defined by the site",
        examples=examples, build=partial(_itself, ContentCodec.for_content(made)),
    )  # fmt: skip


def _itself(codec: AnyCodec) -> AnyCodec:
    return codec


def builtin_entries() -> Iterator[Entry]:
    """The rows for the built-in contents; a file of them is read when it comes to it. Tests prove their examples."""
    for file in BUILTIN_FILES:
        yield from file_entries(file)


@cache
def file_entries(file: str) -> tuple[Entry, ...]:
    """The rows for the built-in contents of one of `BUILTIN_FILES`.

    >>> file_entries("payment")[0].name
    'financial-track-1'
    """
    path = Path(__file__).with_name("contents") / f"{file}.toml"
    tables = tomllib.loads(path.read_text(encoding="utf-8"))
    return tuple(_entry(content(name, table), table) for name, table in tables.items())


@lru_cache(maxsize=64)
def _separated_content(number: int, letters: CharacterSet, names: tuple[str, ...]) -> Content:
    """The content of a track with just these text fields, a separator between each two."""
    items: list[dict[str, str]] = []
    for name in names:
        items += [{"constant": letters.separator}] * bool(items) + [{"field": name, "text": "0-65535"}]
    made = content(f"track-{number}", {"set": letters.name, "items": items})
    return replace(made, usual_characters=STANDARD_TRACK_CHARACTERS[number])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class TrackParts(TableCodec[str, FieldMapping]):
    """A track as ``part1``, ``part2`` and so on, as many as the separators make of it.

    It needs code because the fields depend on the text; for each number of them it has a `Content`.
    """

    number: int
    letters: CharacterSet

    @property
    def limited(self) -> bool:
        """The standard of the track limits its characters."""
        return True

    def _for(self, count: int) -> ContentCodec:
        names = tuple(f"part{place}" for place in range(1, count + 1))
        return ContentCodec.for_content(_separated_content(self.number, self.letters, names), self.name)

    def _count(self, text: str) -> int:
        return text.count(self.letters.separator) + 1

    def _decode_raw(self, raw: str) -> Mapping[str, Any] | None:
        """The parts, or None where the text is no such track."""
        count = self._count(raw)
        return None if count > MOST_TRACK_PARTS else self._for(count)._decode_raw(raw)

    def _encode_raw(self, raw: Mapping[str, Any]) -> str:
        """The track; raises `EncodeError` unless the fields are part1 to the last one, without a gap."""
        if len(raw) > MOST_TRACK_PARTS:
            raise EncodeError(f"{self.name}: {len(raw)} fields are more than the {MOST_TRACK_PARTS} parts of a track")
        return self._for(len(raw) or 1)._encode_raw(raw)

    def inspect(self, value: str) -> AnyReading:
        """The parts, each with its characters."""
        count = self._count(value)
        if count <= MOST_TRACK_PARTS:
            return self._for(count).inspect(value)
        check = Check(
            codec=self.name, rule="form", claim="the number of parts", form="text",
            expected=f"at most {MOST_TRACK_PARTS}", found=count,
        )  # fmt: skip
        return Reading(value=None, checks=(check,))


def build_track(number: int, *args: str) -> AnyCodec:
    """``track-N``, ``track-N:NAME,NAME``, ``track-N:SET,NAME,NAME``: text fields with separators between.

    The text is that of the track with its sentinels, as a reader types it, without the LRC. With
    names there are just these fields; without, part1, part2 and so on, as many as there are. SET is
    7-bit or 5-bit, where it is not the usual one of the track: 7-bit is usual on track 1 only.
    """
    letters, names = SETS_BY_TRACK[number], args
    if args and args[0] in SETS_BY_NAME:
        letters, names = SETS_BY_NAME[args[0]], args[1:]
    name = format_step(f"track-{number}", *args)
    if not names:
        return TrackParts(name=name, input=TEXT, output=FIELDS, number=number, letters=letters)
    return ContentCodec.for_content(_separated_content(number, letters, names), name)


ENTRIES = (
    Entry(
        name="track-1", signature="[SET,]NAME,…", title="the text of track 1, in parts between its separators",
        source="ISO/IEC 7811-2 and 7811-6, 7813", build=partial(build_track, 1), usual=("", "number,rest"),
        examples=(
            Example(given="%STAFF^0123?", gives="part1='STAFF' part2='0123'"),
            Example(args="site,number", given="%EAST^0123?", gives="site='EAST' number='0123'"),
        ),
    ),
    Entry(
        name="track-2", signature="[SET,]NAME,…", title="the text of track 2, in parts between its separators",
        source="ISO/IEC 7811-2 and 7811-6, 7813", build=partial(build_track, 2), usual=("", "number,rest", "7-bit"),
        examples=(
            Example(given=";0123=45?", gives="part1='0123' part2='45'"),
            Example(args="number,rest", given=";0123=45?", gives="number='0123' rest='45'"),
        ),
    ),
    Entry(
        name="track-3", signature="[SET,]NAME,…", title="the text of track 3, in parts between its separators",
        source="ISO/IEC 4909", build=partial(build_track, 3), usual=("", "7-bit"),
        examples=(
            Example(given=";01234=5?", gives="part1='01234' part2='5'"),
            Example(args="7-bit,number", given="%A-17?", gives="number='A-17'"),
        ),
    ),
)  # fmt: skip

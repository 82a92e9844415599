"""Lines of JSON as columns: a kernel splits the lines that are written alike, a parser the other lines one by one.

Most programs write each object of a file with the same keys in the same order and the same white space; only the
values differ. Such a form is taken from a line. The lines of this form whose strings have no escapes are split as
columns in one call; `parse_object` reads the other lines, and their rows are put in their place.

Source: JSON Lines; RFC 8259 (JSON).
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.sentences import redacted_repr
from credkit.files.csvlines import LineFormat, encode_utf8, split_cells
from credkit.files.linerows import ParsedRows, RowFault, SplitLines, merge_rows, sort_rows

MAX_FORMS = 4  # forms of lines that are looked for in a block
LINES_SEARCHED = 100  # lines in which a form is looked for
NEWLINE, QUOTE, BACKSLASH, SPACE = b'\n"\\ '
_SEPARATORS = bytes(code for code in range(1, SPACE) if code not in b"\t\n\r")  # no line of JSON has them
_MOST_VALUES = len(_SEPARATORS) - 1
_STRING = rb'"([^"\\\x00-\x1f]*)"'
_BARE = r"-?(?:0|[1-9][0-9]{0,30})(?:\.[0-9]{1,30})?(?:[eE][+-]?[0-9]{1,3})?|true|false|null"
_MEMBER = re.compile(
    rb"[ \t\r]*" + _STRING + rb"[ \t\r]*:[ \t\r]*(?:" + _STRING + rb"|(" + _BARE.encode() + rb"))[ \t\r]*([,}])"
)  # fmt: skip
_BARE_COLUMN = rf"\A(?:{_BARE})\z"


@dataclass(frozen=True, slots=True, kw_only=True)
class _LineForm:
    """What lines have before, between and behind their values, and which values are strings."""

    separators: tuple[bytes, ...]
    keys: tuple[str, ...]
    bare: tuple[bool, ...]


class _DuplicateKey(Exception):
    """A key stands twice in an object."""


def split_objects(data: bytes, wanted: Sequence[str], types: Mapping[str, Any] | None = None) -> SplitLines:
    """The texts of the ``wanted`` keys in ``data``, a block of whole lines, in columns of these names.

    ``types`` has the type of a column that need not be texts; where a text does not fit it, the column is of texts.

    >>> split = split_objects(b'{"a": "1", "n": 5}\\n{"a": "2", "n": 6}\\n{"a": "\\\\u0033"}\\n', ["a"])
    >>> split.frame.rows(), split.parsed_alone
    ([('1',), ('2',), ('3',)], 1)
    """
    schema = {name: (types or {}).get(name, pl.String) for name in wanted}
    if not data:
        return SplitLines(frame=pl.DataFrame(schema=schema), lines=np.arange(0), height=0)
    if not data.endswith(b"\n"):
        data += b"\n"
    decodable, undecodable = encode_utf8(data, "utf-8")
    frame, lines, left = _split_alike(decodable, schema)
    ends = np.flatnonzero(np.frombuffer(decodable, np.uint8) == NEWLINE)
    height, starts = len(ends), np.concatenate(([0], ends[:-1] + 1))
    rows = ParsedRows(len(wanted))
    parsed_alone = 0
    for line, start, stop in zip(left.tolist(), starts[left].tolist(), ends[left].tolist(), strict=True):
        if start == stop and line not in undecodable:
            continue
        parsed_alone += 1
        raw = undecodable.get(line, decodable[start:stop])
        found = parse_object(raw, wanted)
        rows.add(line, found)
    frame, lines = merge_rows(frame, lines, rows)
    return SplitLines(frame=frame, lines=lines, faults=rows.faults, height=height, parsed_alone=parsed_alone)


def parse_object(line: bytes, wanted: Sequence[str]) -> list[str] | RowFault:
    """The texts of the ``wanted`` keys in a line, none if it is blank, or what is wrong with it.

    >>> parse_object(b'{"text": "02F764DD", "door": 7}', ["text"])
    ['02F764DD']
    >>> parse_object(b'{"text": 7}', ["text"]).problem
    'text is 7, not a text in quotation marks'
    """
    found = _parse_texts(line, wanted)
    return RowFault(0, found, line.decode("utf-8", "replace")) if isinstance(found, str) else found


def _parse_texts(line: bytes, wanted: Sequence[str]) -> list[str] | str:
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError as error:
        return f"byte {line[error.start]:02X}h at byte {error.start} of the line is not utf-8"
    if not text.strip():
        return []
    if "\0" in text:
        return f"there is a NUL character, number {text.index(chr(0))} of the line"
    try:
        record = json.loads(text, object_pairs_hook=_make_object)
    except _DuplicateKey as twice:
        return f"the key {redacted_repr(twice.args[0])} appears twice"
    except RecursionError:
        return "the line is not JSON: it is nested too deeply"
    except ValueError as error:
        why = f"{error.msg} at character {error.pos}" if isinstance(error, json.JSONDecodeError) else error
        return f"the line is not JSON: {why}"
    if not isinstance(record, dict):
        return f"the line is {_describe_value(record)}, expected an object"
    for name in wanted:
        if name not in record:
            return f"the key {redacted_repr(name)} is missing"
        if not isinstance(record[name], str):
            return f"{name} is {_describe_value(record[name])}, not a text in quotation marks"
        if not record[name].isascii() and any("\ud800" <= char <= "\udfff" for char in record[name]):
            return f"{name} has half of a surrogate pair in it, which is no character"
    return [record[name] for name in wanted]


def _make_object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object of these pairs; the last of two values would hide the other."""
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _ in pairs]
        raise _DuplicateKey(next(name for name in names if names.count(name) > 1))
    return found


def _describe_value(value: Any) -> str:
    """A value as a sentence about a line may name it."""
    if isinstance(value, dict | list):
        return "an object" if isinstance(value, dict) else "a list"
    return json.dumps(value) if value is None or isinstance(value, bool) else redacted_repr(value)


def _split_alike(data: bytes, schema: dict[str, Any]) -> tuple[pl.DataFrame, Array, Array]:
    """The rows of the lines that are of a few forms, their lines in order, and the other lines."""
    frames, places = [pl.DataFrame(schema=schema)], [np.arange(0)]
    left = np.arange(data.count(b"\n"))
    for _ in range(MAX_FORMS):
        form = _find_form(data, schema)
        if form is None:
            break
        frame, of_form = _split_form(data, form, schema)
        if not of_form.any():
            break
        frames.append(frame)
        places.append(left[of_form])
        left = left[~of_form]
        if not len(left):
            break
        data = _keep_lines(data, ~of_form)
    if len(frames) > 1:
        frames, places = frames[1:], places[1:]
    if len(frames) == 1:
        return frames[0], places[0], left
    if any(frame.dtypes != frames[0].dtypes for frame in frames):
        frames = [frame.cast(pl.String) for frame in frames]
    frame, lines = sort_rows(pl.concat(frames, rechunk=True), np.concatenate(places))
    return frame, lines, left


def _find_form(data: bytes, wanted: Mapping[str, Any]) -> _LineForm | None:
    """The form of the first line that has one with the ``wanted`` keys."""
    start = 0
    for _ in range(LINES_SEARCHED):
        stop = data.find(b"\n", start)
        if stop < 0:
            break
        form = _parse_form(data[start:stop])
        if form is not None and all(
            name in form.keys and not form.bare[form.keys.index(name)] for name in wanted
        ):  # fmt: skip
            return form
        start = stop + 1
    return None


def _parse_form(line: bytes) -> _LineForm | None:
    """The form of a line; None where it is not an object of strings without escapes, numbers and literals."""
    start = line.find(b"{") + 1
    at, separators, keys, bare = start, [], [], []
    end = 0  # of the last value
    closing = b","
    while closing == b"," and (member := _MEMBER.match(line, at)):
        value = 2 if member[2] is not None else 3
        separators.append(line[end : member.start(value)])
        end, at, closing = member.end(value), member.end(), member[4]
        keys.append(member[1].decode())
        bare.append(value == 3)
    if line[:start].strip(b" \t\r") != b"{" or closing != b"}" or line[at:].strip(b" \t\r"):
        return None
    if len(set(keys)) < len(keys) or len(keys) > _MOST_VALUES:
        return None
    separators.append(line[end:])
    return _LineForm(separators=tuple(separators), keys=tuple(keys), bare=tuple(bare))


def _split_form(data: bytes, form: _LineForm, schema: dict[str, Any]) -> tuple[pl.DataFrame, Array]:
    """The rows of the lines that are of ``form``, and which lines these are."""
    marked, of_form = _mark_separators(data, form)
    names = ["", *form.keys, "\n"]  # the kernel sees an empty cell before the first separator and behind the last
    cells_format = LineFormat(width=len(names), delimiter=chr(_SEPARATORS[0]))
    types = {str(place): schema.get(name, pl.String) for place, name in enumerate(names)}
    cells = split_cells(_keep_lines(marked, of_form), cells_format, types)
    if cells is None or cells.height != np.count_nonzero(of_form):
        return pl.DataFrame(schema=schema), np.zeros(len(of_form), bool)
    is_json = np.ones(cells.height, bool)
    for place, bare in enumerate(form.bare, 1):
        if bare:
            is_json &= cells[str(place)].str.contains(_BARE_COLUMN).to_numpy()
    found = cells.select(cells[str(names.index(name))].alias(name) for name in schema)
    if not is_json.all():
        found = found.filter(pl.Series(is_json))
        of_form[of_form] = is_json
    return found, of_form


def _mark_separators(data: bytes, form: _LineForm) -> tuple[bytes, Array]:
    """``data`` with one sign in place of each separator of ``form``, and which lines have exactly these in order."""
    signs = _SEPARATORS[: len(form.separators)]
    first, *between, last = form.separators
    if len(data.translate(None, _SEPARATORS)) < len(data):  # no line of JSON has such a sign: those that do are emptied
        lines = data.split(b"\n")
        data = b"\n".join(b"" if line.translate(None, _SEPARATORS) != line else line for line in lines)
    data = (b"\n" + data).replace(b"\n" + first, b"\n" + signs[:1])
    for place, separator in enumerate(between, 1):
        data = data.replace(separator, signs[place : place + 1])
    data = data.replace(last + b"\n", signs[-1:] + b"\n")[1:]
    raw = np.frombuffer(data, np.uint8)
    kinds = raw[(raw < SPACE) | (raw == QUOTE) | (raw == BACKSLASH)]
    expected = np.frombuffer(signs + b"\n", np.uint8)
    ends = np.flatnonzero(kinds == NEWLINE)
    of_form = np.diff(ends, prepend=-1) == len(expected)
    starts = ends[of_form] - len(signs)
    of_form[of_form] = (kinds[starts[:, None] + np.arange(len(expected))] == expected).all(axis=1)
    return data.translate(bytes.maketrans(signs, _SEPARATORS[:1] * len(signs))), of_form


def _keep_lines(data: bytes, kept: Array) -> bytes:
    """The lines of ``data`` that are ``kept``."""
    if kept.all():
        return data
    stops = np.flatnonzero(np.frombuffer(data, np.uint8) == NEWLINE) + 1
    bounds = np.flatnonzero(np.diff(kept, prepend=False, append=False))  # of runs of lines that are kept
    offsets = np.concatenate(([0], stops))[bounds].tolist()
    view = memoryview(data)
    return b"".join(view[start:stop] for start, stop in zip(offsets[::2], offsets[1::2], strict=True))

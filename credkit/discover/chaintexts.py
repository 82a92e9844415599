"""Chain texts: what was found about two readers, written as a source and a target chain.

Where one piece of the source is the whole target, bits are handed over, and the chains have no fields.
Otherwise the source gives each piece a name, and the target has fields of the same names: those of a
frame where the pieces are exactly its fields.

Source: common practice, no source.

>>> series = WordSeries(chain="hex:14", words=(), length=56, cost=0.0)
>>> bits_source(BitMatch(series, 0, 24, 0.0)), bits_source(BitMatch(series, 3, 24, 0.0))
('hex:14/keep-low:24', 'hex:14/slice:29-52')
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from credkit.core.grammar import format_step
from credkit.discover.bitmatches import BitMatch
from credkit.discover.explanations import ConstantBits, Piece
from credkit.discover.texttemplates import PADDED_COST, TextTemplate
from credkit.discover.wordseries import NUMBER_BITS, BitSpan, WordSeries

NAMES = {1: ("number",), 2: ("facility", "number")}  # of so many pieces, from the first bit on
ANY_BITS = "<bits>"  # where the number of bits stands in a target that takes any
_FRAME_DATA = re.compile("(.*?)data-of:([^/]+)")


class ChainTexts(NamedTuple):
    """A source and a target chain, ready for `credkit.convert`."""

    source: str
    target: str


def bits_source(match: BitMatch) -> str:
    """The chain from the text to the bits of ``match``."""
    series = match.series
    return series.chain + _cut(series.length, match.start, match.width)


def _cut(length: int, start: int, width: int) -> str:
    """The step that leaves ``width`` bits, whose last one is ``start`` bits from the end."""
    if width == length:
        return ""
    if start == 0:
        return f"/keep-low:{width}"
    if start + width == length:
        return f"/keep-high:{width}"
    return f"/slice:{length - start - width}-{length - start - 1}"


def write_bits(pieces: Sequence[Piece], target: str, length: int | None) -> ChainTexts | None:
    """The chains where one match is the whole target beside zeros; None where fields are needed.

    ``target`` is the chain to a word of ``length`` bits, or, where that is None, to any number of bits: it has
    `ANY_BITS` where these stand.
    """
    matches = [piece for piece in pieces if isinstance(piece, BitMatch)]
    zeros = all(isinstance(piece, BitMatch) or not piece.value for piece in pieces)
    if len(matches) != 1 or not zeros or matches[0].series.is_template or matches[0].offset or len(pieces) > 2:
        return None
    (match,) = matches
    if length is None:
        return (
            ChainTexts(bits_source(match), target.replace(ANY_BITS, str(match.width))) if pieces == (match,) else None
        )
    if match.width != length:
        target += f"/right-justified:{match.width}" if pieces[0] is match else f"/left-justified:{match.width}"
    return ChainTexts(bits_source(match), target)


def write_words(
    pieces: Sequence[Piece], target: str, length: int | None, fields: Sequence[BitSpan]
) -> ChainTexts | None:
    """The chains where the target word is several pieces, named and joined; None where pieces overlap.

    ``fields`` are those of the target, if it is the data of a frame.
    """
    downwards = list(reversed(pieces))
    spans = [(piece.width, piece) for piece in downwards]
    if length is None:
        total = sum(width for width, _ in spans)
        length = next((bits for bits in NUMBER_BITS if bits >= total), total)
        if length > total and isinstance(downwards[0], ConstantBits):
            spans[0] = (spans[0][0] + length - total, downwards[0])
        else:
            length = total
        target = target.replace(ANY_BITS, str(length))
    alignment = ""
    frame = [field.width for field in reversed(fields)]
    if isinstance(downwards[0], ConstantBits) and not downwards[0].value and [width for width, _ in spans] != frame:
        alignment = f"/right-justified:{length - spans[0][0]}"
        spans = spans[1:]
    is_frame = [width for width, _ in spans] == frame and not alignment
    matches = [piece for _, piece in spans if isinstance(piece, BitMatch)]
    if is_frame:
        names = [field.name for field in reversed(fields)]
        wanted: list[str] | None = [
            name for name, (_, piece) in zip(names, spans, strict=True) if isinstance(piece, BitMatch)
        ]
    else:
        names, wanted = [], None
    written = _write_source(matches, wanted)
    if written is None:
        return None
    source, given, found = written
    if is_frame and found == wanted:
        target = _FRAME_DATA.sub(r"\1\2", target)
    else:
        own = iter(found)
        names = [
            next(own) if isinstance(piece, BitMatch) else f"fixed{place}" for place, (_, piece) in enumerate(spans, 1)
        ]
        target += (
            alignment
            + "/"
            + format_step("fields", *(f"{name}:{width}" for name, (width, _) in zip(names, spans, strict=True)))
        )
    constants = [
        f"{piece.value}={name}"
        for name, (_, piece) in zip(names, spans, strict=True)
        if isinstance(piece, ConstantBits)
    ]
    return ChainTexts(source, target + _select(found, given, constants))


def write_template(found: TextTemplate, matches: Sequence[BitMatch | None]) -> ChainTexts | None:
    """The chains where the target is a template of numbers; None where pieces overlap."""
    written = _write_source([match for match in matches if match], None)
    if written is None:
        return None
    source, given, names = written
    own = iter(names)
    target = found.step([next(own) if match else "" for match in matches])
    return ChainTexts(source, target + _select(names, given, ()))


def _select(names: Sequence[str], given: Sequence[str], constants: Sequence[str]) -> str:
    """The step at the end of a target that adds ``constants``, and leaves out what else is ``given``."""
    if constants or set(given) != set(names):
        return "/" + format_step("select", *names, *constants)
    return ""


def _write_source(matches: Sequence[BitMatch], wanted: Sequence[str] | None) -> tuple[str, list[str], list[str]] | None:
    """The chain that gives each match a name, all names that it gives, and those of ``matches``, in their order."""
    if not matches:
        return None
    series = matches[0].series
    spans = sorted({(match.start, match.width) for match in matches}, reverse=True)
    if len(spans) < len(matches) or any(low + width > high for (high, _), (low, width) in itertools.pairwise(spans)):
        return None
    frame = {(field.start, field.width): field.name for field in series.fields}
    names = list(wanted or NAMES.get(len(matches)) or [f"part{number}" for number in range(1, len(matches) + 1)])
    if not series.is_template and series.fields and all(span in frame for span in spans):
        names = [frame[match.start, match.width] for match in matches]
        text, given = _FRAME_DATA.sub(r"\1\2", series.chain), [field.name for field in reversed(series.fields)]
    elif series.template is not None:
        home = {match.start: name for match, name in zip(matches, names, strict=True)}
        given = [home.get(field.start, f"other{place}") for place, field in enumerate(reversed(series.fields), 1)]
        text = series.template.step(given)
    else:
        home = {match.start: name for match, name in zip(matches, names, strict=True)}
        text, given = _fields_source(series, spans, home)
    for name, match in zip(names, matches, strict=True):
        if match.offset:
            text += "/" + format_step("offset", name, str(match.offset))
    return text, given, names


def _fields_source(series: WordSeries, spans: Sequence[tuple[int, int]], home: dict[int, str]) -> tuple[str, list[str]]:
    """The chain that cuts a word to the bits from the first to the last span, and names these; and its names."""
    top, low = spans[0][0] + spans[0][1], spans[-1][0]
    rows: list[str] = []
    given: list[str] = []
    end = top
    for start, width in spans:
        if gap := end - start - width:
            given.append(f"other{len(given) + 1}")
            rows.append(f"{given[-1]}:{gap}")
        given.append(home[start])
        rows.append(f"{given[-1]}:{width}")
        end = start
    return series.chain + _cut(series.length, low, top - low) + "/" + format_step("fields", *rows), given


def padded_targets(target: str, texts: Sequence[str]) -> Iterator[tuple[str, float]]:
    """A target whose decimal number is written as in ``texts``: with zeros up to their length, or with none.

    Where no zero is seen before a number, both are possible.

    >>> list(padded_targets("decimal:24", ["0123", "4567"]))
    [('decimal:24,4', 0.0)]
    """
    lengths, zeros = set(map(len, texts)), any(text[:1] == "0" and len(text) > 1 for text in texts)
    if not re.search(r"(^|/)decimal:", target):
        yield target, 0.0
        return
    if not zeros:
        yield target, 0.0
    if len(lengths) == 1:
        yield (
            re.sub(r"((?:^|/)decimal:[^/,]+)(,[0-9]+)?", rf"\1,{min(lengths)}", target, count=1),
            0.0 if zeros else PADDED_COST,
        )

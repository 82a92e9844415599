"""What a layout definition holds, as types, and spans that are not written as text.

A TOML file writes a span as a text, ``"1-8"``, or as one position, ``0``. Python may also give a pair, first and last
position, ``(1, 8)``; a range, ``range(1, 9)``; or a tuple of pairs and ranges, in their order.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal, TypeAlias, TypedDict

from credkit.core.spans import MAX_NUMBER_BITS, format_span

Pair: TypeAlias = tuple[int, int]  # first and last position, both included
Span: TypeAlias = str | int | Pair | range | tuple[Pair | range, ...]
FixedSpans: TypeAlias = Mapping[Any, str]  # by Span; keys are invariant, so Mapping[Span, str] takes no dict[str, str]


class CodedSpan(TypedDict, total=False):
    """A field that is not simply binary, or whose greatest value is less than its bits hold."""

    bits: Span
    code: Literal["binary", "bcd"]
    most: int


class CheckRow(TypedDict, total=False):
    """A check: where it stands (``bit`` or ``bits``), and one of the kinds with the span that it covers.

    The kinds are ``even``, ``odd``, ``xor`` (a list of spans), ``complement``, ``sum`` (a list of spans, with ``add``,
    ``negate`` and ``modulus``) and ``crc`` (with ``poly``, ``init`` and ``xorout``, or with ``algorithm``).
    """

    bit: Span
    bits: Span
    rule: str
    even: Span
    odd: Span
    xor: list[Span]
    complement: Span
    sum: list[Span]
    add: int
    negate: bool
    modulus: int
    crc: Span
    poly: int
    algorithm: str
    init: int
    xorout: int


class RemarkRow(TypedDict, total=False):
    """A note on certain values (on all without ``values``) of a field or of a span."""

    field: str
    bits: Span
    values: list[int]
    kind: str
    level: Literal["info", "care", "refuse"]
    text: str
    times: int
    unit: str


class ExampleRow(TypedDict):
    """A frame, as binary digits, and its fields."""

    bits: str
    fields: Mapping[str, int]


def span_text(span: Any) -> Any:
    """A span as a text; what is no span as it is, a tuple as a list, for whoever reads it to refuse.

    >>> span_text((1, 8)), span_text(range(1, 9)), span_text(((1, 4), range(9, 7, -1))), span_text(0)
    ('1-8', '1-8', '1-4,9-8', '0')
    >>> span_text((1, 8, 9)), span_text(range(0))
    ([1, 8, 9], range(0, 0))
    """
    if _is_int(span):
        return str(span)
    if text := _piece_text(span):
        return text
    if isinstance(span, tuple):
        texts = [_piece_text(piece) for piece in span]
        return ",".join(texts) if texts and all(texts) else list(span)
    return span


def _piece_text(piece: Any) -> str:
    """A pair or a range as a text; an empty one for anything else."""
    if isinstance(piece, tuple) and len(piece) == 2 and all(map(_is_int, piece)):
        return f"{piece[0]}-{piece[1]}"
    if (
        isinstance(piece, range)
        and piece
        and min(piece[0], piece[-1]) >= 0
        and max(piece[0], piece[-1]) < MAX_NUMBER_BITS
    ):
        return format_span(piece)
    return ""


def _is_int(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)

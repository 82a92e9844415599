"""Registers for the discovery of a site: how the values of each kind may be written, and which numbers they are then.

The values of a kind are grouped by shape, because merged registers seldom write alike. For each shape there are several
chains that read its values; which one is meant is decided by the readers, whose texts give the same numbers.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple, TypeAlias

from credkit.catalogue.registry import chain
from credkit.core.codec import AnyCodec, Entry
from credkit.core.errors import CredkitError
from credkit.core.fields import Item
from credkit.core.grammar import format_step
from credkit.explain.candidates import ORDER_COSTS, find_candidates

FRAME_KEY = ("facility", "number")
NUMBER_KEY = ("number",)
SAMPLED_VALUES = 24  # values of a shape that every notation and layout is tried on
FEWEST_OF_SHAPE = 3  # different values of one shape; fewer may be damaged ones
LARGEST_FACILITY_DIGITS = 5
MOST_FEWER_DIGITS = 2  # digits that a hexadecimal value may have lost in front; one that lacks more is of another form
READ_SHARE = 0.9  # of the values of a shape that a chain must read
Number: TypeAlias = tuple[int, ...]
_RUN = re.compile("[0-9]+")
_HEX = re.compile("[0-9A-Fa-f]+")


class RegisterRow(NamedTuple):
    """What a register has of one credential: the kind, the value, and the issue if there is one.

    >>> RegisterRow("staff", "004218", "1").kind
    'staff'
    """

    kind: str
    value: str
    issue: str = ""


@dataclass(frozen=True, slots=True)
class ValueChain:
    """A chain that may read the values of one shape, the fields that make a number, and each value's number."""

    chain: str
    key: tuple[str, ...]
    numbers: Mapping[str, Number]


@dataclass(frozen=True, slots=True)
class ValueShape:
    """Values of one kind that are written alike, and every chain that may read them; ``width`` of plain digits."""

    kind: str
    values: tuple[str, ...]
    chains: tuple[ValueChain, ...]
    width: int = 0


@lru_cache(maxsize=65536)
def build_chain(text: str, codecs: tuple[Entry, ...] = ()) -> AnyCodec:
    """The chain written ``text``, built once; ``codecs`` are layouts of the site's own."""
    return chain(text, codecs)


def value_shapes(rows: Iterable[RegisterRow]) -> tuple[ValueShape, ...]:
    """The shapes in which the values of each kind are written, with the chains that may read them.

    >>> rows = [RegisterRow("harbour", f"{n % 3 + 1}-{n}") for n in range(100, 120)]
    >>> (shape,) = value_shapes(rows)
    >>> shape.chains[0].chain, shape.chains[0].numbers["2-100"]
    ('template:{facility:d}-{number:d}', (2, 100))
    """
    values: dict[str, dict[str, None]] = defaultdict(dict)
    for row in rows:
        values[row.kind][row.value] = None
    found = []
    for kind, texts in values.items():
        for group in _group_by_shape([*texts]):
            if len(group) >= min(FEWEST_OF_SHAPE, len(texts)):
                width = len(group[0]) if group[0].isdigit() and len({*map(len, group)}) == 1 else 0
                found.append(ValueShape(kind, tuple(group), tuple(_value_chains(group)), width))
    return tuple(found)


def shortened_shapes(shapes: Sequence[ValueShape]) -> frozenset[int]:
    """The places of shapes whose values seem to have lost leading zeros: digits, one or two fewer than most values.

    Most values of the kind are hexadecimal, of one length: a spreadsheet makes integers of those without a letter.

    >>> values = ["33A51EFD", "08C7736B", "129D5845", "0A5B1123", "8650250", "1201177", "4428623"]
    >>> shortened_shapes(value_shapes(RegisterRow("crane", value) for value in values))
    frozenset({1})
    """
    found = set()
    for place, shape in enumerate(shapes):
        if not all(_RUN.fullmatch(value) and value[0] != "0" for value in shape.values):
            continue
        lengths = {len(value) for value in shape.values}
        for other in shapes:
            is_hexadecimal = all(_HEX.fullmatch(value) for value in other.values) and not all(
                _RUN.fullmatch(value) for value in other.values
            )
            if other.kind == shape.kind and is_hexadecimal and len(other.values) > len(shape.values):
                length = len(other.values[0])
                if length - MOST_FEWER_DIGITS <= min(lengths) and max(lengths) < length:
                    found.add(place)
    return frozenset(found)


def number_of(fields: Mapping[str, Item], key: tuple[str, ...]) -> Number | None:
    """The number that ``fields`` make: by the names of ``key``, or the only field for a key of one name."""
    names: Sequence[str] = key if fields.keys() >= {*key} else tuple(fields)
    if len(names) != len(key):
        return None
    items = [fields[name] for name in names]
    return tuple(item for item in items if isinstance(item, int)) if all(isinstance(i, int) for i in items) else None


def name_fields(text: str, key: tuple[str, ...], codecs: tuple[Entry, ...] = ()) -> str | None:
    """The chain ``text`` with its only field called as ``key`` has it; None where the chain cannot be written so.

    >>> name_fields("hex:8/reverse-bytes/uid-a-4", ("number",))
    'hex:8/reverse-bytes/fields:number:32'
    >>> name_fields("binary/wiegand-26", ("facility", "number"))
    'binary/wiegand-26'
    """
    try:
        codec = build_chain(text, codecs)
    except CredkitError:  # a template whose constant texts cannot stand in a chain
        return None
    if codec.takes != "text" or codec.gives != "fields" or codec.lossy or codec.decode_obstacle:
        return None
    if codec.schema.keys() >= {*key}:
        return text
    length = codec.steps[-1].length
    if len(key) > 1 or len(codec.schema) != 1 or length is None or codec.steps[-1].takes != "bits":
        return None
    named = f"{text.rpartition('/')[0]}/fields:{key[0]}:{length}"
    try:
        build_chain(named)
    except CredkitError:
        return None
    return named


def _group_by_shape(texts: Sequence[str]) -> Iterator[list[str]]:
    """The texts in groups: hexadecimal ones by length, others by what stands between their digits."""
    hexadecimal = {len(text) for text in texts if _HEX.fullmatch(text) and not text.isdigit()}
    plain = [text for text in texts if text.isdigit() and text.isascii() and len(text) not in hexadecimal]
    widths = {len(text) for text in plain if text.startswith("0") and len(text) > 1}
    groups: dict[object, list[str]] = defaultdict(list)
    for text in texts:
        if _HEX.fullmatch(text) and len(text) in hexadecimal:
            groups["hex", len(text)].append(text)
        elif _RUN.fullmatch(text):
            groups["digits", len(text) if widths else 0].append(text)
        else:
            groups["runs", _RUN.sub("0", text)].append(text)
    yield from groups.values()


def _value_chains(group: Sequence[str]) -> Iterator[ValueChain]:
    """The chains that read nearly all of ``group`` to the fields of a number, each set of numbers once."""
    seen = set()
    for text in (*_templates(group), *_bit_chains(group)):
        try:
            codec = build_chain(text)
        except CredkitError:  # a template of which nothing says where its parts begin
            continue
        key = FRAME_KEY if codec.schema.keys() >= {*FRAME_KEY} else NUMBER_KEY
        named = name_fields(text, key)
        if named is None:
            continue
        codec, numbers = build_chain(named), {}
        for value in group:
            fields = codec._decode_raw(value)
            number = None if fields is None else number_of(fields, key)
            if number is not None:
                numbers[value] = number
        mark = (key, frozenset(numbers.items()))
        if len(numbers) >= READ_SHARE * len(group) and mark not in seen:
            seen.add(mark)
            yield ValueChain(named, key, numbers)


def _templates(group: Sequence[str]) -> Iterator[str]:
    """Templates for digits between constant texts: one number, or a facility code and a number."""
    first = group[0]
    runs = [_RUN.findall(text) for text in group]
    between = _RUN.split(first)
    if len({*map(len, runs)}) > 1 or any("{" in part or "}" in part for part in between):
        return
    if len(runs[0]) == 1:
        widths = {len(found[0]) for found in runs}
        padded = len(widths) == 1
        width = widths.pop() if padded else 0
        yield format_step("template", f"{between[0]}{{number:{f'0{width}' if padded else ''}d}}{between[1]}")
        for digits in range(1, min(LARGEST_FACILITY_DIGITS + 1, width - 2)):
            parts = f"{{facility:0{digits}d}}{{number:0{width - digits}d}}"
            yield format_step("template", f"{between[0]}{parts}{between[1]}")
    elif len(runs[0]) == 2:
        names = []
        for place, name in enumerate(FRAME_KEY):
            widths = {len(found[place]) for found in runs}
            zeros = any(found[place].startswith("0") and len(found[place]) > 1 for found in runs)
            names.append(f"{{{name}:{f'0{widths.pop()}' if zeros and len(widths) == 1 else ''}d}}")
        yield format_step("template", f"{between[0]}{names[0]}{between[1]}{names[1]}{between[2]}")


def _bit_chains(group: Sequence[str]) -> Iterator[str]:
    """The chains over bits in their plain order that read a sample of ``group``, the usual ones first."""
    sample = group[:: -(-len(group) // SAMPLED_VALUES)]
    hits: Counter[str] = Counter()
    costs: dict[str, float] = {}
    for text in sample:
        for candidate in find_candidates(text):
            if not {*candidate.chain.split("/")} & {*filter(None, ORDER_COSTS)}:
                hits[candidate.chain] += 1
                costs[candidate.chain] = candidate.cost
    names = [name for name, count in hits.items() if count >= READ_SHARE * len(sample)]
    yield from sorted(names, key=lambda name: (costs[name], len(name), name))

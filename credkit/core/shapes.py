"""What flows between two codecs: a form, and how much of it.

A `Shape` is text, or bits of certain lengths, or fields of a certain schema. Chains compare
shapes when they are built, so that what can never work is refused before the first value.
Lengths are plain ranges: ``range(26, 27)`` is 26 bits, ``range(0, MAX_BITS, 8)`` whole bytes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import gcd, lcm

from credkit.core.errors import DefinitionError
from credkit.core.forms import TYPES, Form
from credkit.core.frozen import FrozenMapping
from credkit.core.reading import Field, Schema, SchemaRow
from credkit.core.sentences import brief, redacted_repr
from credkit.core.spans import MAX_BITS

ANY = range(0, MAX_BITS + 1)


def exactly(length: int) -> range:
    """The lengths that are ``length`` and nothing else."""
    return range(length, length + 1)


def at_least(length: int) -> range:
    """``length`` bits or more."""
    return range(length, MAX_BITS + 1)


def multiples(step: int) -> range:
    """Every whole number of ``step`` bits, none included."""
    return range(0, MAX_BITS + 1, step)


def common_lengths(a: range, b: range) -> range:
    """The lengths that are in both.

    >>> common_lengths(multiples(8), range(26, 65))
    range(32, 65, 8)
    >>> len(common_lengths(exactly(26), multiples(4)))
    0
    """
    step = lcm(a.step, b.step)
    first, stop = max(a.start, b.start), min(a.stop, b.stop)
    for start in range(first, min(stop, first + step)):
        if start in a and start in b:
            return range(start, stop, step)
    return range(0)


def covering_lengths(*lengths: range) -> range:
    """The smallest lengths that hold all of ``lengths``.

    >>> covering_lengths(exactly(26), exactly(34)), covering_lengths(exactly(26), at_least(30))
    (range(26, 35, 8), range(26, 65537))
    """
    first, last = min(each.start for each in lengths), max(each[-1] for each in lengths if each)
    step = gcd(*(each.start - first for each in lengths), *(each.step for each in lengths if len(each) > 1))
    return range(first, last + 1, step or 1)


def single_length(lengths: range) -> int | None:
    """The one length there is, or None where there are more."""
    return lengths[0] if len(lengths) == 1 else None


def describe_lengths(lengths: range) -> str:
    """Lengths in words.

    >>> tuple(map(describe_lengths, (exactly(26), multiples(8), at_least(26), range(32, 81, 24))))
    ('26 bits', 'a multiple of 8 bits', 'at least 26 bits', '32, 56 or 80 bits')
    """
    if len(lengths) <= 4:
        *most, last = (str(n) for n in lengths)
        return f"{', '.join(most)} or {last} bits" if most else f"{last} bits"
    least = lengths.start > lengths.step
    if lengths.step > 1:
        return f"a multiple of {lengths.step} bits" + (f" from {lengths.start}" if least else "")
    return f"at least {lengths.start} bits" if lengths.start else "any number of bits"


@dataclass(frozen=True, slots=True, repr=False)
class Shape:
    """A form, with the lengths (bits) or the schema (fields; None while it is not known)."""

    form: Form
    lengths: range = ANY
    schema: Schema | None = None

    def __post_init__(self) -> None:
        if self.form not in TYPES:
            raise DefinitionError(f"a shape is text, bits or fields, not {redacted_repr(self.form)}")
        if not isinstance(self.lengths, range) or self.lengths.step < 1 or not self.lengths:
            raise DefinitionError(
                f"lengths of a shape are a range such as range(26, 27), not {redacted_repr(self.lengths)}"
            )
        rows = self.schema.values() if isinstance(self.schema, Mapping) else (self.schema,)
        if self.schema is not None and not all(isinstance(row, SchemaRow) for row in rows):
            raise DefinitionError("a schema maps the name of each field to a Field or a TextField")
        for name, row in self.schema.items() if self.schema is not None else ():
            if isinstance(row, Field) and not (type(row.least) is type(row.most) is int and row.least <= row.most):
                bounds = f"{redacted_repr(row.least)} and {redacted_repr(row.most)}"
                raise DefinitionError(f"field {name}: least and most are whole numbers in this order, not {bounds}")
        if self.schema is not None and not isinstance(self.schema, FrozenMapping):
            object.__setattr__(self, "schema", FrozenMapping(self.schema))

    def __repr__(self) -> str:
        if self.form == "bits":
            return f"<Shape bits: {describe_lengths(self.lengths)}>"
        return f"<Shape {self.form}{brief(': ' + ', '.join(self.schema)) if self.schema else ''}>"


TEXT = Shape("text")
FIELDS = Shape("fields")


def bits(lengths: range = ANY) -> Shape:
    """The shape of bits of these lengths."""
    return Shape("bits", lengths)


def describe_mismatch(flowing: Shape, wanted: Shape) -> str | None:
    """Why ``flowing`` can never serve where ``wanted`` is taken, or None."""
    if flowing.form != wanted.form:
        return f"{wanted.form}, not {flowing.form}"
    if flowing.form == "bits" and not common_lengths(flowing.lengths, wanted.lengths):
        return f"{describe_lengths(wanted.lengths)}, not {describe_lengths(flowing.lengths)}"
    if flowing.schema is not None and wanted.schema is not None:
        missing = [name for name in wanted.schema if name not in flowing.schema]
        extra = [name for name in flowing.schema if name not in wanted.schema]
        if missing:
            return f"the field {', '.join(missing)}"
        if extra:
            return f"no field {', '.join(extra)}"
    return None


def describe_missing_front(name: str, shape: Shape) -> str:
    """What to put in front of the codec ``name``, which takes bits or fields of ``shape``, so that it takes text.

    >>> describe_missing_front("wiegand-26", bits(exactly(26)))
    'put a notation in front, such as binary/wiegand-26 or hex:8/right-justified:26/wiegand-26'
    """
    if shape.form == "fields":
        return f"put a notation and a layout in front, such as binary/wiegand-26/{name}"
    length = single_length(shape.lengths)
    if length is None:
        return f"put a notation in front, such as hex/{name}"
    digits = -(-length // 8) * 2
    padding = "" if digits * 4 == length else f"right-justified:{length}/"
    return f"put a notation in front, such as binary/{name} or hex:{digits}/{padding}{name}"

"""Fields: what a codec decodes to, by name."""

from __future__ import annotations

from collections.abc import Mapping
from operator import index
from typing import Any, TypeAlias, TypeGuard

from bitstring import Bits

from credkit.core.frozen import FrozenMapping
from credkit.core.sentences import redacted_repr

Item: TypeAlias = int | str  # what a field holds
FieldMapping: TypeAlias = Mapping[str, Item]  # what is encoded: `Fields`, a dict or another mapping
Value: TypeAlias = str | Bits | FieldMapping  # what a written chain takes and gives: a text, bits or fields
MAX_ITEMS_CHARACTERS = 160  # characters of the items in a repr


def is_index(value: object) -> TypeGuard[int]:
    """Whether ``value`` is a whole number: of Python, of numpy or another type that has ``__index__``.

    >>> is_index(5), is_index(-5), is_index(True), is_index(5.0)
    (True, True, False, False)
    """
    if type(value) is int or isinstance(value, bool) or not hasattr(type(value), "__index__"):
        return type(value) is int
    try:
        index(value)  # type: ignore[arg-type]  # the type has it
    except TypeError:  # an array of several numbers
        return False
    return True


def with_ints(value: Any) -> Any:
    """``value`` with every whole number in it, however deep in mappings, lists and tuples, as an ``int``.

    >>> import numpy as np
    >>> with_ints({"number": (np.int64(1), np.int64(16)), "most": np.uint8(9)})
    {'number': (1, 16), 'most': 9}
    """
    if isinstance(value, Mapping):
        return {with_ints(key): with_ints(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return type(value)(map(with_ints, value))
    return index(value) if is_index(value) else value


class Fields(FrozenMapping[str, Item]):
    """An immutable, hashable mapping of field names to numbers and texts, equal to the dict it stands for.

    Its repr may stand in a log: it is short, and account numbers in it are masked.

    >>> card = Fields({"facility": 123, "number": 45678})
    >>> card, card["number"], card == {"number": 45678, "facility": 123}
    (Fields(facility=123, number=45678), 45678, True)
    >>> card in {card}, card | {"number": 45679}
    (True, Fields(facility=123, number=45679))
    >>> import json
    >>> json.dumps(dict(card))
    '{"facility": 123, "number": 45678}'
    """

    __slots__ = ()

    def __init__(self, items: FieldMapping, /) -> None:
        super().__init__({name: index(item) if is_index(item) else item for name, item in items.items()})

    def __or__(self, other: FieldMapping) -> Fields:
        return Fields({**self._items, **other})

    def __repr__(self) -> str:
        items = ", ".join(f"{name}={redacted_repr(item)}" for name, item in self._items.items())
        return f"Fields({items if len(items) <= MAX_ITEMS_CHARACTERS else items[: MAX_ITEMS_CHARACTERS - 1] + '…'})"


_new = Fields.__new__
_set_items = FrozenMapping.__dict__["_items"].__set__


def owned_fields(items: dict[str, Item]) -> Fields:
    """`Fields` of a dict that nobody else keeps: it is not copied.

    >>> owned_fields({"facility": 123})
    Fields(facility=123)
    """
    fields = _new(Fields)
    _set_items(fields, items)
    return fields

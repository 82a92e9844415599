"""Values that cannot be changed, and can be hashed, compared, copied and pickled."""

from __future__ import annotations

from collections.abc import ItemsView, Iterator, Mapping, ValuesView
from dataclasses import fields
from typing import Any, TypeVar, overload

from credkit.core.hooks import redact_text
from credkit.core.sentences import brief

Key = TypeVar("Key")
Value = TypeVar("Value", covariant=True)


class FrozenMapping(Mapping[Key, Value]):
    """An immutable mapping, equal to the dict it stands for, hashable where its values are.

    >>> ranges = FrozenMapping({"facility": range(256)})
    >>> ranges["facility"], ranges == {"facility": range(256)}
    (range(0, 256), True)
    """

    __slots__ = ("_items",)
    _items: dict[Key, Value]

    def __init__(self, items: Mapping[Key, Value], /) -> None:
        object.__setattr__(self, "_items", dict(items))

    def __getitem__(self, key: Key) -> Value:
        return self._items[key]

    def __iter__(self) -> Iterator[Key]:
        return iter(self._items)

    def __len__(self) -> int:
        return len(self._items)

    def __contains__(self, key: object) -> bool:
        return key in self._items

    @overload
    def get(self, key: Key, /) -> Value | None: ...
    @overload
    def get(self, key: Key, /, default: Any) -> Any: ...

    def get(self, key: Key, /, default: Any = None) -> Any:
        """The value of ``key``, or ``default``; quicker than that of any mapping, which raises for it."""
        return self._items.get(key, default)

    def items(self) -> ItemsView[Key, Value]:
        """The view of the dict: it cannot change it, and is quicker than that of any mapping."""
        return self._items.items()

    def values(self) -> ValuesView[Value]:
        """The view of the dict, likewise."""
        return self._items.values()

    def __eq__(self, other: object) -> bool:
        if isinstance(other, FrozenMapping):
            return self._items == other._items
        return self._items == other if isinstance(other, dict) else super().__eq__(other)

    def __hash__(self) -> int:
        return hash(frozenset(self._items.items()))

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError(f"a {type(self).__name__} is immutable: {name} cannot be set")

    def __delattr__(self, name: str) -> None:
        raise AttributeError(f"a {type(self).__name__} is immutable: {name} cannot be deleted")

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self._items,)

    def __repr__(self) -> str:
        items = ", ".join(f"{key!r}: {value!r}" for key, value in self._items.items())
        return f"{type(self).__name__}({{{brief(redact_text(items))}}})"


class FieldsOnly:
    """A dataclass with cached properties, of which copies and pickles hold the fields alone."""

    def __getstate__(self) -> dict[str, Any]:
        return {each.name: getattr(self, each.name) for each in fields(self)}  # type: ignore[arg-type]  # subclasses are

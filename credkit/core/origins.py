"""Origins: from a place in a value to the places of the input it came from.

An origin is called with one place (a position, or the name of a field) and gives places of the input.
Each kind is a small record, so that readings can be compared, copied and sent to another process.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeAlias

Place: TypeAlias = int | str
Places: TypeAlias = tuple[Place, ...]
Origin: TypeAlias = Callable[[Place], Places]


def nowhere(place: Place) -> Places:
    """No place: the value cannot be traced."""
    return ()


def same_place(place: Place) -> Places:
    """The same place: nothing has moved."""
    return (place,)


class _Origin:
    """A record that leads back; equal to another of the same kind with the same content.

    It is no dataclass, because every command that reads one value would wait for six of them to be made.
    """

    __slots__: tuple[str, ...] = ()

    def _content(self) -> tuple[Any, ...]:
        return tuple(getattr(self, name) for name in self.__slots__)

    def __eq__(self, other: object) -> bool:
        return type(self) is type(other) and self._content() == other._content()

    def __hash__(self) -> int:
        return hash((type(self), self._content()))

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), self._content()


class Shifted(_Origin):
    """Each position stood ``by`` places further on.

    >>> Shifted(2)(5)
    (7,)
    """

    __slots__ = ("by",)

    def __init__(self, by: int) -> None:
        self.by = by

    def __call__(self, place: Place) -> Places:
        """The places."""
        return (int(place) + self.by,)


class OneByOne(_Origin):
    """Position ``i`` of the value comes from the one position ``source[i // width]``.

    >>> OneByOne((0, 1, 3), 4)(9)  # bits of hexadecimal digits, the third of which is character 3
    (3,)
    """

    __slots__ = ("source", "width")

    def __init__(self, source: Places, width: int = 1) -> None:
        self.source = source
        self.width = width

    def __call__(self, place: Place) -> Places:
        """The places."""
        return (self.source[int(place) // self.width],)


class Several(_Origin):
    """Position ``i`` of the value comes from the places ``source[i]``.

    >>> Several(((0, 1), (2, 3)))(1)
    (2, 3)
    """

    __slots__ = ("source",)

    def __init__(self, source: tuple[Places, ...]) -> None:
        self.source = source

    def __call__(self, place: Place) -> Places:
        """The places."""
        return self.source[int(place)]


class Between(_Origin):
    """Position ``i`` of the value comes from the places between ``ends[i]`` and ``ends[i + 1]``.

    >>> Between(range(0, 9, 4))(1)
    (4, 5, 6, 7)
    """

    __slots__ = ("ends",)

    def __init__(self, ends: Sequence[int]) -> None:
        self.ends = ends

    def __call__(self, place: Place) -> Places:
        """The places."""
        return tuple(range(self.ends[int(place)], self.ends[int(place) + 1]))


class ByName(_Origin):
    """A field comes from the places ``source`` has for its name; from none where it was made.

    >>> ByName({"number": (4, 5)})("number"), ByName({})("site")
    ((4, 5), ())
    """

    __slots__ = ("source",)

    def __init__(self, source: Mapping[str, Places]) -> None:
        self.source = source

    def __call__(self, place: Place) -> Places:
        """The places."""
        return self.source.get(str(place), ())


class Whole(_Origin):
    """Every place of the value comes from all of ``source``.

    >>> Whole((0, 1, 2))(7)
    (0, 1, 2)
    """

    __slots__ = ("source",)

    def __init__(self, source: Places) -> None:
        self.source = source

    def __call__(self, place: Place) -> Places:
        """The places."""
        return self.source


class Through(_Origin):
    """The origin of a chain's value: back through the origins of its steps, the first step's first.

    >>> Through((Shifted(1), OneByOne((9, 8, 7))))(0)
    (10,)
    """

    __slots__ = ("steps",)

    def __init__(self, steps: tuple[Origin, ...]) -> None:
        self.steps = steps

    def __call__(self, place: Place) -> Places:
        """The places."""
        at: Places = (place,)
        for origin in reversed(self.steps):
            at = tuple(dict.fromkeys(earlier for each in at for earlier in origin(each)))
        return at

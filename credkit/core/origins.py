"""Origins: from a place in a value to the places of the input it came from.

An origin is called with one place (a position, or the name of a field) and gives places of the input.
Each kind is a small record, so that readings can be compared, copied and sent to another process.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

Place: TypeAlias = int | str
Places: TypeAlias = tuple[Place, ...]
Origin: TypeAlias = Callable[[Place], Places]


def nowhere(place: Place) -> Places:
    """No place: the value cannot be traced."""
    return ()


def same_place(place: Place) -> Places:
    """The same place: nothing has moved."""
    return (place,)


@dataclass(frozen=True, slots=True)
class Shifted:
    """Each position stood ``by`` places further on.

    >>> Shifted(2)(5)
    (7,)
    """

    by: int

    def __call__(self, place: Place) -> Places:
        """The places."""
        return (int(place) + self.by,)


@dataclass(frozen=True, slots=True)
class OneByOne:
    """Position ``i`` of the value comes from the one position ``source[i // width]``.

    >>> OneByOne((0, 1, 3), 4)(9)  # bits of hexadecimal digits, the third of which is character 3
    (3,)
    """

    source: Places
    width: int = 1

    def __call__(self, place: Place) -> Places:
        """The places."""
        return (self.source[int(place) // self.width],)


@dataclass(frozen=True, slots=True)
class Several:
    """Position ``i`` of the value comes from the places ``source[i]``.

    >>> Several(((0, 1), (2, 3)))(1)
    (2, 3)
    """

    source: tuple[Places, ...]

    def __call__(self, place: Place) -> Places:
        """The places."""
        return self.source[int(place)]


@dataclass(frozen=True, slots=True)
class Between:
    """Position ``i`` of the value comes from the places between ``ends[i]`` and ``ends[i + 1]``.

    >>> Between(range(0, 9, 4))(1)
    (4, 5, 6, 7)
    """

    ends: Sequence[int]

    def __call__(self, place: Place) -> Places:
        """The places."""
        return tuple(range(self.ends[int(place)], self.ends[int(place) + 1]))


@dataclass(frozen=True, slots=True)
class ByName:
    """A field comes from the places ``source`` has for its name; from none where it was made.

    >>> ByName({"number": (4, 5)})("number"), ByName({})("site")
    ((4, 5), ())
    """

    source: Mapping[str, Places]

    def __call__(self, place: Place) -> Places:
        """The places."""
        return self.source.get(str(place), ())


@dataclass(frozen=True, slots=True)
class Whole:
    """Every place of the value comes from all of ``source``.

    >>> Whole((0, 1, 2))(7)
    (0, 1, 2)
    """

    source: Places

    def __call__(self, place: Place) -> Places:
        """The places."""
        return self.source


@dataclass(frozen=True, slots=True)
class Through:
    """The origin of a chain's value: back through the origins of its steps, the first step's first.

    >>> Through((Shifted(1), OneByOne((9, 8, 7))))(0)
    (10,)
    """

    steps: tuple[Origin, ...]

    def __call__(self, place: Place) -> Places:
        """The places."""
        at: Places = (place,)
        for origin in reversed(self.steps):
            at = tuple(dict.fromkeys(earlier for each in at for earlier in origin(each)))
        return at

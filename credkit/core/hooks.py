"""Hooks: what the core is given from outside, because it does not know about it.

Sentences are redacted by one function, and values are drawn by another; `credkit` itself gives both
when it is imported. So whatever an error says in somebody's log is redacted, and a value can show
itself in a notebook, while the core knows neither payment cards nor drawings.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

Redact = Callable[[Sequence[str]], Sequence[str]]
Draw = Callable[[Any], str | None]

_given: dict[str, Callable[[Any], Any]] = {}


def give(*, redact: Redact, draw: Draw) -> None:
    """Say how texts are redacted, and how values are drawn as SVG."""
    _given.update(redact=redact, draw=draw)


def redact_texts(texts: Sequence[str]) -> Sequence[str]:
    """The texts of one value as they may be shown.

    >>> redact_texts(["02F764DD"])
    ['02F764DD']
    """
    shown: Sequence[str] = _given["redact"](texts)
    return shown


def redact_text(text: str) -> str:
    """A text as it may be shown.

    >>> redact_text("4114360123456785")  # the number of the WHATWG HTML standard's example
    '411436******6785'
    """
    return redact_texts([text])[0]


def draw(value: object) -> str | None:
    """``value`` as SVG; None where there is nothing to draw."""
    drawn: str | None = _given["draw"](value)
    return drawn

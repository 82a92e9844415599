"""The frame: what a stream gives, and which of the chunks it covers."""

from __future__ import annotations

from dataclasses import dataclass

from credkit.core.hooks import redact_text
from credkit.core.sentences import brief, format_count, redacted_repr


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Frame:
    """A text, or why there is none; ``covers`` numbers the chunks that it came in, from 0.

    >>> Frame(value="12", covers=(0, 1, 2)).problem is None
    True
    """

    value: str | None
    covers: tuple[int, ...]
    problem: str | None = None

    def __repr__(self) -> str:
        text = brief(redact_text(self.problem or "")) if self.value is None else redacted_repr(self.value)
        return f"<Frame {text}, {format_count(len(self.covers), 'chunk')}>"

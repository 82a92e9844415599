"""Spans of bytes that keep their places in the input, and the fault that ends their decoding.

What stands inside other bytes (a message in an area, a record in a message, a text in a record) is
cut out as a `ByteSpan`, which keeps the places of its bytes in the input: they need not be
neighbours. Whoever reads one raises `Malformed`, which becomes the failed `Check` of a codec.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from credkit.core.origins import Place
from credkit.core.reading import Check


@dataclass(frozen=True, slots=True)
class ByteSpan:
    """Bytes, and the place of each in the input.

    >>> ByteSpan.from_bytes(b"abcd").slice(2).data, ByteSpan.from_bytes(b"abcd").slice(2, 3).bits
    (b'cd', (16, 17, 18, 19, 20, 21, 22, 23))
    """

    data: bytes
    at: Sequence[int]

    @classmethod
    def from_bytes(cls, data: bytes) -> ByteSpan:
        """The whole input."""
        return cls(data, range(len(data)))

    def slice(self, start: int, stop: int | None = None) -> ByteSpan:
        """The bytes from ``start`` to before ``stop``, or to the end."""
        return ByteSpan(self.data[start:stop], self.at[start:stop])

    def join(self, *others: ByteSpan) -> ByteSpan:
        """These bytes with ``others`` behind them."""
        pieces = (self, *others)
        return ByteSpan(b"".join(each.data for each in pieces), tuple(place for each in pieces for place in each.at))

    @property
    def bits(self) -> tuple[Place, ...]:
        """The places of its bits in the input."""
        if isinstance(self.at, range):  # neighbours, as nearly always: the quick way
            return tuple(range(8 * self.at.start, 8 * self.at.stop))
        return tuple(8 * place + bit for place in self.at for bit in range(8))

    def __len__(self) -> int:
        return len(self.data)


class Malformed(Exception):
    """Bytes cannot be read because of the bits ``at``; a codec turns it into a failed check."""

    def __init__(self, rule: str, claim: str, at: tuple[Place, ...], expected: str, found: str) -> None:
        super().__init__(claim)
        self.rule = rule
        self.claim = claim
        self.at = at
        self.expected = expected
        self.found = found

    def failed_check(self, codec: str) -> Check:
        """The failed check of ``codec``."""
        assert self.expected != self.found, f"{codec}: {self.claim} holds"  # a bug here, never the input
        return Check(
            codec=codec, rule=self.rule, claim=self.claim, form="bits", at=self.at, covers=self.at,
            expected=self.expected, found=self.found,
        )  # fmt: skip


def format_count(number: int, what: str = "byte") -> str:
    """How many, in words.

    >>> format_count(1), format_count(5)
    ('1 byte', '5 bytes')
    """
    return f"{number} {what}{'s' * (number != 1)}"

"""Behaviours: what chains would answer for cards that nobody presented, and which card tells them apart.

Two pairs of chains that turn every text of the first reader into the same text of the second are one
behaviour, however they are written. That is tried on texts of the form of the given ones: with other
digits everywhere, with other digits where the given texts differ, and with zeros for the first digits.
Texts of a frame with checks are written by the chain that reads the frame.

Source: common practice, no source.

>>> answers(ChainTexts("hex:4", "decimal:16"), ["00FF", "00G0"])
('255', None)
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import log2
from random import Random
from typing import Any, NamedTuple, TypeAlias

from credkit.catalogue.api import conversion
from credkit.catalogue.registry import chain
from credkit.core.errors import CredkitError
from credkit.discover.chaintexts import ChainTexts

PROBES_PER_KIND = 10  # texts of each kind
MOST_FRAMES = 8  # chains that read frames, and write texts
ALPHABETS = ("01", "0123456789", "0123456789ABCDEF", "0123456789abcdef")

Answers: TypeAlias = tuple[str | None, ...]


class SeparatingText(NamedTuple):
    """A text of the first reader for which behaviours differ, and by how many bits its answer is expected to help."""

    text: str
    information: float


def answers(texts: ChainTexts, probes: Sequence[str], decoded: dict[str, Sequence[Any]] | None = None) -> Answers:
    """What the chains make of each probe; None for one that they refuse.

    ``decoded`` keeps what sources read in the same probes, for the next chains with such a source.
    """
    try:
        linked = conversion(texts.source, texts.target)
    except CredkitError:
        return (None,) * len(probes)
    write, dropped = linked.target._encode_raw, linked.dropped
    values = decoded.get(texts.source) if decoded is not None else None
    if values is None:
        values = [linked.source._decode_raw(probe) for probe in probes]
        if decoded is not None:
            decoded[texts.source] = values
    found: list[str | None] = []
    for value in values:
        if dropped and value is not None:
            value = {name: item for name, item in value.items() if name not in dropped}
        try:
            found.append(None if value is None else str(write(value)))
        except CredkitError:
            found.append(None)
    return tuple(found)


def agree(one: Answers, other: Answers) -> bool:
    """Whether two chains give the same wherever both give anything.

    >>> agree(("1", None, "3"), ("1", "2", None)), agree(("1",), ("2",))
    (True, False)
    """
    return all(mine == theirs for mine, theirs in zip(one, other, strict=True) if mine is not None is not theirs)


def probe_texts(texts: Sequence[str], frames: Sequence[str], seed: int = 0) -> tuple[str, ...]:
    """Texts that other cards may have at the reader that printed ``texts``; ``frames`` are chains that read frames.

    >>> "0000" in probe_texts(["12", "34"], ())
    False
    """
    random = Random(seed)
    found: list[str] = []
    for text in texts[:PROBES_PER_KIND]:
        found += _with_zeros(text)
    for _ in range(PROBES_PER_KIND):
        text = random.choice(texts)
        found += [_mutated(text, texts, random, everywhere=everywhere) for everywhere in (False, True)]
        found += _written(text, frames[:MOST_FRAMES], random)
    return tuple(text for text in dict.fromkeys(found) if text not in texts)


def _alphabet(texts: Sequence[str]) -> str:
    """The digits that the texts are written in."""
    used = {char for text in texts for char in text if char.isalnum()}
    return next((digits for digits in ALPHABETS if used <= set(digits)), ALPHABETS[1])


def _mutated(text: str, texts: Sequence[str], random: Random, *, everywhere: bool) -> str:
    """``text`` with other digits, ``everywhere`` or where the texts differ."""
    digits = _alphabet(texts)
    aligned = len(set(map(len, texts))) == 1
    return "".join(
        random.choice(digits)
        if char in digits and (everywhere or not aligned or len({other[place] for other in texts}) > 1)
        else char
        for place, char in enumerate(text)
    )


def _with_zeros(text: str) -> Iterator[str]:
    """``text`` with zeros for some of its first digits."""
    for count in (1, 2, 4):
        places = [place for place, char in enumerate(text) if char.isalnum()][:count]
        if len(places) < len(text) - 1:
            yield "".join("0" if place in places else char for place, char in enumerate(text))


def _written(text: str, frames: Sequence[str], random: Random) -> Iterator[str]:
    """Texts of frames with other data bits: half of them with the first half of these as in ``text``."""
    for frame in frames:
        codec = chain(frame)
        word = codec._decode_raw(text)
        if word is None:
            continue
        value, length = word
        for bits in (length, length // 2):
            try:
                yield str(codec._encode_raw((value >> bits << bits | random.getrandbits(bits), length)))
            except CredkitError:  # a value that the frame does not take
                continue


def most_separating(probes: Sequence[str], rows: Sequence[Answers], weights: Sequence[float]) -> SeparatingText | None:
    """The probe whose answer is expected to tell most about which of ``rows`` is right, by their ``weights``.

    A probe that one of them refuses is taken only if there is no other.

    >>> most_separating(["a", "b"], [("1", "1"), ("1", "2")], [1.0, 1.0])
    SeparatingText(text='b', information=1.0)
    """
    best: SeparatingText | None = None
    for complete in (True, False):
        for place, probe in enumerate(probes):
            column = [row[place] for row in rows]
            if complete and None in column:
                continue
            shares: dict[str | None, float] = {}
            for answer, weight in zip(column, weights, strict=True):
                shares[answer] = shares.get(answer, 0.0) + weight / sum(weights)
            information = -sum(share * log2(share) for share in shares.values() if share)
            if information > (best.information if best else 0.0) + 1e-9:
                best = SeparatingText(probe, information)
        if best:
            return best
    return None

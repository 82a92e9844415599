"""Targets: every way in which the second reader's texts may be written, each explained from the source.

Source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import log2
from typing import NamedTuple

from credkit.discover.agreements import agreement_bits
from credkit.discover.bitmatches import BitIndex, BitMatch, place_cost
from credkit.discover.chaintexts import (
    ANY_BITS,
    ChainTexts,
    bits_source,
    padded_targets,
    write_bits,
    write_template,
    write_words,
)
from credkit.discover.explanations import PIECE_COST, ConstantBits, explain_template, explain_words
from credkit.discover.pairsides import PairSide
from credkit.discover.wordseries import BYTE_ORDERS, WordSeries
from credkit.explain.candidates import TRUNCATION_COST
from credkit.tables.notation import digits_for

FEWEST_LEFT_DIGITS, MOST_LEFT_DIGITS = 4, 10  # digits of a decimal number that may be left of a longer one
ZEROS_COST = 1.0  # of zeros beside a number


class Hypothesis(NamedTuple):
    """Two chains that may connect the texts, the bits that agree, and what the chains cost.

    ``constant_bits`` are bits of the target that the chains have as constants: no evidence, but the longer
    they are, the less the chains explain.
    """

    texts: ChainTexts
    agreement: float
    cost: float
    constant_bits: float
    frame: str = ""  # the chain that reads the frame which the texts of the source hold

    @property
    def evidence(self) -> float:
        """What speaks for the chains beyond chance, in bits."""
        return self.agreement - self.cost

    @property
    def size(self) -> float:
        """How many bits say the chains: of those that fit, the shortest is the likeliest."""
        return self.cost + self.constant_bits


def hypotheses(source: PairSide, target: PairSide, least: float) -> Iterator[Hypothesis]:
    """Every pair of chains that may turn the texts of ``source`` into those of ``target``, with ``least`` bits."""
    index = BitIndex(source.series)
    for form, ordered, frames in target.forms:
        words: list[tuple[str, Sequence[int], int | None, float, WordSeries | None]] = []
        doubt = max((each.check_bits for each in frames), default=0)  # a frame that the texts are would be no number
        for each in ordered:
            order = each.chain[len(form.chain) :].lstrip("/")
            if order in BYTE_ORDERS or (not order and not form.is_open):
                words.append((each.chain, each.words, each.length, each.cost + doubt, each))
        if form.is_open:
            words.append((form.chain.rpartition(":")[0] + ":" + ANY_BITS, form.words, None, form.cost + doubt, None))
        words += [(each.chain, each.words, each.length, each.cost, each) for each in frames]
        for name, values, length, cost, home in words:
            yield from _explained(index, name, values, length, cost, home, form.digits, least)
    for found in target.templates:
        for matches in explain_template(index, found, least + found.cost):
            held = [match for match in matches if match]
            agreement, cost = _agreement(held), _cost(held)
            constants = (
                found.constant_bits
                + _source_constants(held)
                + sum(
                    (part.width or 1) * log2(part.base)
                    for part, match in zip(found.parts, matches, strict=True)
                    if not match
                )
            )
            if agreement - cost - found.cost < least:
                continue
            for variant in found.widths():
                if written := write_template(variant, matches):
                    yield Hypothesis(written, agreement, cost + variant.cost, constants, _frame(held[0].series))
    yield from _truncated(source.series, target.texts)


def _explained(
    index: BitIndex, name: str, values: Sequence[int], length: int | None, cost: float, home: WordSeries | None,
    digits: Sequence[str], least: float,
) -> Iterator[Hypothesis]:  # fmt: skip
    fields = home.fields if home else ()
    for pieces in explain_words(index, values, length, least + cost):
        matches = [piece for piece in pieces if isinstance(piece, BitMatch)]
        if not matches:
            continue
        agreement = _agreement(matches)
        total = cost + _cost(matches) + PIECE_COST * (len(pieces) - 1)
        if agreement - total < least:
            continue
        constants = _source_constants(matches) + sum(
            piece.width if piece.value else ZEROS_COST for piece in pieces if isinstance(piece, ConstantBits)
        )
        if written := write_bits(pieces, name, length) or write_words(pieces, name, length, fields):
            frame = _frame(matches[0].series)
            for target, extra in padded_targets(written.target, digits):
                texts = ChainTexts(written.source, target)
                yield Hypothesis(texts, agreement, total + extra, constants, frame)


def _agreement(matches: Sequence[BitMatch]) -> float:
    return sum(agreement_bits(match.values, match.offset) for match in matches)


def _cost(matches: Sequence[BitMatch]) -> float:
    return matches[0].series.cost + sum(match.cost for match in matches)


def _source_constants(matches: Sequence[BitMatch]) -> float:
    """Bits of digits that the source chain demands of every card."""
    template = matches[0].series.template
    return template.constant_bits if template else 0.0


def _frame(series: WordSeries) -> str:
    """The chain of a series, if it reads a frame with checks."""
    return series.chain if "data-of:" in series.chain else ""


def _truncated(series: Sequence[WordSeries], texts: Sequence[str]) -> Iterator[Hypothesis]:
    """The chains whose decimal number, of whole bytes or a whole word, ends in the digits of ``texts``."""
    size = len(texts[0])
    if not FEWEST_LEFT_DIGITS <= size <= MOST_LEFT_DIGITS or not all(
        len(text) == size and text.isascii() and text.isdigit() for text in texts
    ):
        return
    values, end = [int(text) for text in texts], 10**size
    for each in series:
        if each.is_template:
            continue
        for start, width in _byte_places(each):
            mask = (1 << width) - 1
            numbers = [word >> start & mask for word in each.words]
            if max(numbers) >= end and all(
                number % end == value for number, value in zip(numbers, values, strict=True)
            ):
                match = BitMatch(each, start, width, place_cost(each, start, width))
                target = f"last-digits:{size}/decimal:{width},{digits_for(width)}"
                agreement = agreement_bits(tuple(values))
                cost = _cost([match]) + TRUNCATION_COST
                yield Hypothesis(ChainTexts(bits_source(match), target), agreement, cost, 0.0, _frame(each))


def _byte_places(series: WordSeries) -> Iterator[tuple[int, int]]:
    """The whole bytes of a word that may be a number, and the whole word."""
    for start in range(0, series.length, 8):
        for width in range(16, series.length - start + 1, 8):
            yield start, width
    if series.length % 8:
        yield 0, series.length

"""A found layout for a person: the verdict first, then what is established, likely, possible and not known.

Each claim has what it rests on and what chance would make of it. What the frames could not test is said beside it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from credkit.core.reading import describe_places
from credkit.core.sentences import format_count
from credkit.discover.evidence import ESTABLISHED_BITS, LIKELY_BITS, samples_missing
from credkit.discover.foundlayout import FoundLayout, LayoutClaim
from credkit.discover.layouttoml import chance_text

MOST_LISTED = 12  # possible checks and outliers that a screen lists
BLOCK_NAMES = {"xor": "XOR", "sum": "sum", "crc": "CRC"}
HEADINGS = {
    "established": "Established (chance below 1 in 1,000,000)",
    "likely": "Likely (chance below 1 in 1,000)",
    "possible": "Possible (chance would often make as much)",
}


class Section(NamedTuple):
    """A heading and its sentences."""

    heading: str
    sentences: tuple[str, ...]


def verdict(found: FoundLayout) -> str:
    """One sentence: what the frames show.

    >>> from credkit.discover.layoutsearch import layout
    >>> verdict(layout(["0101", "1100", "1010"]))
    '4 bits: nothing is found in 3 different frames. More cards are needed, unlike each other.'
    """
    frames = format_count(found.different, "different frame")
    bits = format_count(found.length, "bit")
    if not found.is_found:
        constant = sum(len(field.places) for field in found.fields if field.kind == "constant")
        if constant == found.length:
            return (
                f"{bits}: every frame is the same, so nothing can be found. More cards are needed, unlike each other."
            )
        return f"{bits}: nothing is found in {frames}. More cards are needed, unlike each other."
    parts = []
    if found.checks:
        parts.append(format_count(len(found.checks), "parity check"))
    if found.blocks:
        kinds = " and ".join(sorted({BLOCK_NAMES[block.kind] for block in found.blocks}))
        parts.append(f"{format_count(len(found.blocks), 'block check')} ({kinds})")
    if placed := sum(field.kind == "known" for field in found.fields):
        parts.append(f"the {'places' if placed > 1 else 'place'} of {format_count(placed, 'known number')}")
    if any(field.kind == "count" for field in found.fields):
        parts.append("bits that count up")
    return f"{bits}: {', '.join(parts[:-1])}{' and ' * (len(parts) > 1)}{parts[-1]}, from {frames}."


def sections(found: FoundLayout) -> Iterator[Section]:
    """What is known and what is not, under headings, without empty ones."""
    claims = found.evidence
    for confidence, heading in HEADINGS.items():
        sentences = [_claim(each) for each in claims if each.confidence == confidence]
        rest = len(sentences) - MOST_LISTED
        if rest > 0:
            sentences[MOST_LISTED:] = [f"{format_count(rest, 'more')}, no surer (--json has all)"]
        if sentences:
            yield Section(heading, tuple(sentences))
    if unknown := tuple(_unknown(found)):
        yield Section("Not known", unknown)
    yield Section("What the sample can tell", tuple(_sample(found)))


def _claim(claim: LayoutClaim) -> str:
    is_check = claim.text.startswith("bit")
    if is_check:
        patterns, frames = format_count(claim.patterns, "pattern"), format_count(claim.frames, "frame")
        base = f"{patterns} of these bits in {frames}, no exception"
    else:
        base = f"{claim.patterns} of {format_count(claim.frames, 'card')} agree"
    belongs = "belong to it" if len(claim.untested) > 1 else "belongs to it"
    text = f"{claim.text}: {base}, chance {chance_text(claim.bits)}"
    if is_check and claim.confidence == "possible":
        text += "; not in the layout"
    if claim.bits < ESTABLISHED_BITS and is_check:
        wanted = LIKELY_BITS if claim.bits < LIKELY_BITS else ESTABLISHED_BITS
        word = "likely" if claim.bits < LIKELY_BITS else "established"
        cards = format_count(samples_missing(claim.bits, wanted), "more unlike card")
        text += f"; {word} with {cards}"
    if claim.untested:
        text += f"; not tested: whether {describe_places('bits', claim.untested)} {belongs}"
    return text


def _unknown(found: FoundLayout) -> Iterator[str]:
    for field in found.fields:
        bits = describe_places("bits", field.places)
        if field.kind == "constant":
            yield f"{bits}: {field.value} in every frame: fixed, a facility code, or part of a number"
        elif field.kind == "count":
            yield f"{bits}: count up from frame to frame; where the number begins is open"
        elif field.kind == "unknown":
            still = tuple(place for place, _ in found.constants if place in field.places)
            but = f", but for {describe_places('bits', still)}" if still else ""
            verb, them = ("vary", "them") if len(field.places) > 1 else ("varies", "it")
            yield f"{bits}: {verb}{but}; nothing is known of {them}"
        elif field.number is not None and field.confidence is None:
            yield f"{field.name}: {bits} fit, beside what is known, but {field.name} was too alike to be sure"
    for name in found.unplaced:
        yield f"{name}: no one place fits it beyond doubt"


def _sample(found: FoundLayout) -> Iterator[str]:
    same = found.frames - found.different
    repeated = f" ({format_count(same, 'repeat')} left out)" if same else ""
    yield (
        f"{format_count(found.different, 'different frame')}{repeated}, which differ in {found.rank} independent ways "
        f"of {found.length}"
    )
    if found.untested:
        verb = "hold" if found.untested > 1 else "holds"
        yield (
            f"{format_count(found.untested, 'more relation')} {verb}, but so few cards would show "
            f"{'them' if found.untested > 1 else 'it'} by chance"
        )
    if found.equivalents:
        names = " and ".join(found.equivalents)
        group = "no check tells them apart" if len(found.equivalents) > 1 else "the catalogue has it"
        yield f"{names} {'read' if len(found.equivalents) > 1 else 'reads'} every frame: {group}"
    if found.checks:
        yield "inverted lines or reversed bits would show the same checks, odd or even: only known numbers decide"

"""A layout that was found: what is claimed, how sure each claim is, and the layout as credkit's own schema has it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from credkit import layout_entry
from credkit.core.codec import Entry
from credkit.core.frozen import FrozenMapping
from credkit.core.reading import describe_places
from credkit.core.sentences import format_count
from credkit.core.spans import format_span
from credkit.discover.checkrecords import BlockCheck
from credkit.discover.checkrows import check_rows
from credkit.discover.evidence import Confidence, confidence_of
from credkit.discover.fields import FoundField
from credkit.discover.relations import Relation
from credkit.explain.drawing import Picture, layout_picture
from credkit.tables.definition import layout as read_definition
from credkit.tables.layout import Layout

SOURCE = "derived from samples by credkit discover layout; no document"


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutClaim:
    """One claim and what it rests on: ``frames`` different frames, which show ``patterns`` patterns of its bits.

    ``untested`` are bits of it that did not vary in the sample, or not by themselves: they may not belong to it.
    """

    text: str
    confidence: Confidence
    bits: float
    patterns: int
    frames: int
    untested: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NextCard:
    """The card to present next: what is to be different in it, and how many bits one expects to learn from it."""

    text: str
    bits: float
    numbers: Mapping[str, int] = FrozenMapping({})


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class FoundLayout:
    """What frames of one length have in common, as a layout; nothing is claimed that chance would easily make.

    ``frames`` counts the frames, ``different`` those that differ, ``rank`` the independent directions in which they do.
    ``checks`` are likely or established parities and stand in the layout, as do ``blocks``: XORs, CRCs, and sums, whose
    bits are a field. ``possible`` checks do not stand in it. ``untested`` counts
    relations that hold but say little. ``outliers`` are frames, by index, that break what all others keep to.
    ``unplaced`` are known numbers that stand nowhere beyond doubt. ``constants`` are the bits that are the same in
    every frame, with their values. ``equivalents`` are catalogued layouts that read
    every frame.
    """

    name: str
    length: int
    frames: int
    different: int
    rank: int
    fields: tuple[FoundField, ...]
    checks: tuple[Relation, ...]
    possible: tuple[Relation, ...]
    blocks: tuple[BlockCheck, ...]
    untested: int
    outliers: tuple[int, ...]
    unplaced: tuple[str, ...]
    constants: tuple[tuple[int, int], ...]
    equivalents: tuple[str, ...]
    next_card: NextCard | None = None

    def __repr__(self) -> str:
        checks = format_count(len(self.checks) + len(self.blocks), "check")
        return f"<FoundLayout {self.name}: {format_count(self.length, 'bit')}, {checks}, {self.different} frames>"

    @property
    def is_found(self) -> bool:
        """Whether anything is claimed: a check, a field of a known number, or bits that count."""
        return bool(self.checks or self.blocks) or any(field.kind in ("known", "count") for field in self.fields)

    @property
    def chain(self) -> str:
        """The chain that reads a frame of binary digits: with ``codecs=found.entry``."""
        steps = ["binary", self.name]
        steps += [
            f"offset:{field.name},{field.number.offset}"
            for field in self.fields
            if field.number is not None and field.number.offset
        ]
        return "/".join(steps)

    @property
    def definition(self) -> dict[str, Any]:
        """The layout in the schema of a site file."""
        fields: dict[str, Any] = {}
        for field in self.fields:
            span = format_span(field.places)
            fields[field.name] = {"bits": span, "code": "bcd"} if field.coding == "bcd" else span
        return {
            "title": f"{format_count(self.length, 'bit')}, found from {format_count(self.different, 'frame')}",
            "source": SOURCE, "length": self.length, "fields": fields,
            "checks": [tomllib.loads(f"row = {row}")["row"] for row in self.check_rows],
        }  # fmt: skip

    @property
    def check_rows(self) -> tuple[str, ...]:
        """The checks as rows of TOML, in the order in which they are computed."""
        rows = check_rows(self.checks, self.blocks, self.length)
        assert rows is not None  # the search has seen to it
        return rows

    @property
    def entry(self) -> Entry:
        """The row of the catalogue, for ``codecs=``."""
        return layout_entry(self.name, **self.definition)

    @property
    def layout(self) -> Layout:
        """The table that chains, drawings and arrays read."""
        return read_definition(self.name, self.definition)

    @property
    def picture(self) -> Picture:
        """The layout drawn over its bits, each check with how sure it is."""
        drawn = layout_picture(self.layout)
        sure = {check.cover.bit: check.confidence for check in self.checks}
        marks = tuple(
            replace(mark, text=f"{mark.text} {sure[mark.at[0]]}") if len(mark.at) == 1 and mark.at[0] in sure else mark
            for mark in drawn.marks
        )
        return replace(drawn, marks=marks)

    def _repr_svg_(self) -> str:
        from credkit.explain.svg import svg  # only where it is drawn

        return svg([self.picture])

    @property
    def evidence(self) -> tuple[LayoutClaim, ...]:
        """Every claim, in the order of the frame, with what it rests on; possible checks last."""
        claims = [
            LayoutClaim(
                text=check_text(check, self.length), confidence=check.confidence, bits=check.evidence,
                patterns=check.patterns, frames=self.different, untested=untested_bits(check),
            )
            for check in (*self.checks, *self.possible)
        ]  # fmt: skip
        claims += [
            LayoutClaim(
                text=check.describe(), confidence=confidence_of(check.evidence) or "possible", bits=check.evidence,
                patterns=self.different - len(self.outliers), frames=self.different, untested=check.undecided,
            )
            for check in self.blocks
        ]  # fmt: skip
        fields = []
        for field in self.fields:
            sure = confidence_of(field.evidence)
            if field.number is not None and sure is not None:
                agree = field.number.cards - len(field.number.wrong)
                fields.append(
                    LayoutClaim(
                        text=field_text(field), confidence=sure, bits=field.evidence, patterns=agree,
                        frames=field.number.cards, untested=field.number.spare,
                    )
                )  # fmt: skip
        return (*fields, *claims)


def check_text(check: Relation, length: int) -> str:
    """A check in words: ``bit 0: even parity over bits 1-12``."""
    parity = "odd" if check.is_odd(length) else "even"
    return f"bit {check.cover.bit}: {parity} parity over {describe_places('bits', check.cover.covers)}"


def field_text(field: FoundField) -> str:
    """The place of a known number in words."""
    number = field.number
    coding = "BCD, " if field.coding == "bcd" else ""
    order = number.order if number is not None else "first bit highest"
    text = f"{field.name}: {describe_places('bits', field.places)}, {coding}{order}"
    if number is not None and number.offset:
        sign = "plus" if number.offset > 0 else "minus"
        text += f", {sign} {abs(number.offset)}"
    return text


def untested_bits(check: Relation) -> tuple[int, ...]:
    """The bits that the check covers in the layout, but that the frames did not test."""
    return tuple(place for place in check.cover.covers if place not in check.tested)

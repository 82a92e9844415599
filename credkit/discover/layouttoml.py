"""A found layout as TOML: a table for the site file, or for ``--layouts``, with how sure each row is beside it."""

from __future__ import annotations

from collections.abc import Iterator

from credkit.core.reading import describe_places
from credkit.core.sentences import format_count
from credkit.core.spans import format_span
from credkit.discover.foundlayout import FoundLayout, untested_bits
from credkit.explain.screen import wrap_text

COMMENT_COLUMNS = 110
SMALLEST_CHANCE_BITS = 40  # 1 in 10^12; smaller ones are not told apart


def layout_toml(found: FoundLayout) -> str:
    """The layout as a table ``[layouts.NAME]``, which the layout loader reads.

    >>> from credkit.discover.layoutsearch import layout
    >>> print(layout_toml(layout([f"{n:06b}{n.bit_count() % 2}" for n in range(0, 64, 1)], name="pier")))
    # 7 bits, from 64 different frames that differ in 6 independent ways.
    # count_0: counts up from frame to frame.
    # bit 6: established, chance below 1 in 10^12.
    <BLANKLINE>
    [layouts.pier]
    title = "7 bits, found from 64 frames"
    source = "derived from samples by credkit discover layout; no document"
    length = 7
    fields.count_0 = "0-5"
    checks = [
        { bit = 6, even = "0-5" },
    ]
    <BLANKLINE>
    """
    definition = found.definition
    lines = [line for remark in _remarks(found) for line in wrap_text(remark, COMMENT_COLUMNS, first="# ", rest="#   ")]
    lines += ["", f"[layouts.{found.name}]"]
    lines += [f'title = "{definition["title"]}"', f'source = "{definition["source"]}"', f"length = {found.length}"]
    for field in found.fields:
        span = format_span(field.places)
        coded = f'{{ bits = "{span}", code = "bcd" }}' if field.coding == "bcd" else f'"{span}"'
        lines.append(f"fields.{field.name} = {coded}")
    if definition["checks"]:
        lines += ["checks = [", *(f"    {row}," for row in found.check_rows), "]"]
    return "\n".join(lines) + "\n"


def _remarks(found: FoundLayout) -> Iterator[str]:
    """What a reader of the table must know: how sure each part is, and what was not tested."""
    frames = f"{format_count(found.different, 'different frame')}"
    yield f"{format_count(found.length, 'bit')}, from {frames} that differ in {found.rank} independent ways."
    for field in found.fields:
        if field.kind == "constant":
            yield (
                f"{field.name}: {field.value} in every frame; if every card of the format has it, write "
                f'fixed."{format_span(field.places)}" = "{field.value}" instead of the field.'
            )
        elif field.kind == "count":
            yield f"{field.name}: counts up from frame to frame."
        elif field.kind == "unknown":
            yield f"{field.name}: varies; nothing is known of it."
        elif field.number is not None:
            if field.number.offset:
                yield f"{field.name}: the known number is the field plus {field.number.offset}, a step of the chain."
            if field.number.spare:
                bits = describe_places("bits", field.number.spare)
                yield f"{field.name}: {bits} had only zeros, and may not belong to it."
    for check in found.checks:
        untested = untested_bits(check)
        doubt = f"; that it covers {describe_places('bits', untested)} was not tested" if untested else ""
        yield f"bit {check.cover.bit}: {check.confidence}, chance {chance_text(check.evidence)}{doubt}."
    for block in found.blocks:
        doubt = f"; that it covers {describe_places('bits', block.undecided)} was not tested" if block.undecided else ""
        yield f"{block.describe()}: chance {chance_text(block.evidence)}{doubt}."


def chance_text(bits: float) -> str:
    """A chance of so many bits as a person reads it.

    >>> chance_text(10.2), chance_text(3), chance_text(52)
    ('1 in 1,200', '1 in 8', 'below 1 in 10^12')
    """
    if bits >= SMALLEST_CHANCE_BITS:
        return "below 1 in 10^12"
    number = round(2**bits)
    size = max(0, len(str(number)) - 2)
    return f"1 in {round(number, -size):,}"

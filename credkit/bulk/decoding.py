"""Decode blocks of rows: the tables of a chain interpreted for arrays, anything else value by value.

A `Wiring`, `Layout` or `Select` computes with arrays, by the very operations that serve one number,
and a `Notation` and a `Pattern` have kernels for texts. A step without such a table runs the code of its codec over
the distinct values of the block. Both give the same value, failed checks and notes for each row.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np

from credkit.bulk import texts
from credkit.bulk.rowblock import NoteKind, RowBlock, Rule, column, distinct_key, is_small, mask, store_values
from credkit.bulk.words import LIMB_BITS, Array, Wide, WideFrame, parity, resized
from credkit.core.codec import AnyCodec
from credkit.core.contract import checked_inspect, slip_error
from credkit.core.errors import CredkitError
from credkit.core.forms import from_raw, to_raw
from credkit.tables.layout import BitRun, Layout, LayoutCodec, Limit, decode_number
from credkit.tables.notation import Notation, NotationCodec
from credkit.tables.pattern import TextPattern
from credkit.tables.select import Select
from credkit.tables.wiring import WiredCodec, wiring_for

_Verdict = tuple[Any, tuple[Rule, ...], tuple[NoteKind, ...]]  # a value, the checks that fail, and kinds of notes


def decode_step(block: RowBlock, place: int, step: AnyCodec) -> None:
    """Take the block through a step of a chain, the one at ``place``."""
    table = step.table
    is_word = block.form == "bits" and block.length is not None and block.length in step.input.lengths
    if not has_kernel(step):
        by_value(block, place, step)
    elif is_word and isinstance(step, WiredCodec):
        _decode_wiring(block, place, step)
    elif is_word and isinstance(step, LayoutCodec) and fits_in_a_limb(step.layout):
        _decode_layout(block, place, step, step.layout)
    elif isinstance(table, Select) and _has_fields(block, (*table.kept.values(), *table.demanded)):
        _decode_select(block, place, step, table)
    elif isinstance(step, NotationCodec) and (notation := _kernel_notation(block, step)):
        _decode_notation(block, place, step, notation)
    elif isinstance(table, TextPattern) and not isinstance(block.data, list):
        _decode_pattern(block, place, step, table)
    else:
        by_value(block, place, step)


def has_kernel(step: AnyCodec) -> bool:
    """Whether a kernel reads many values of a step at once, if they have the form for which it is."""
    return isinstance(step, (WiredCodec, LayoutCodec, NotationCodec)) or isinstance(step.table, (Select, TextPattern))


def _has_fields(block: RowBlock, names: Iterable[str]) -> bool:
    """Whether the block has columns of numbers, these among them."""
    return block.has_numbers and all(name in block.data for name in names)


def fits_in_a_limb(layout: Layout) -> bool:
    """Whether each field, limit and remark of the layout has at most 64 bits."""

    def is_short(parts: tuple[BitRun, ...]) -> bool:
        return sum(part.mask.bit_count() for part in parts) <= LIMB_BITS

    limits = (check.bit_runs for check in layout.checks if isinstance(check, Limit))
    return all(field.most.bit_length() <= LIMB_BITS for field in layout.fields) and all(
        is_short(parts) for parts in (*limits, *(remark.bit_runs for remark in layout.remarks))
    )


def _decode_wiring(block: RowBlock, place: int, step: WiredCodec) -> None:
    assert block.length is not None
    table = wiring_for(step.rule, block.length, step.flip)
    words = resized(block.data, max(block.length, table.gives))
    if table.spare and not step.is_projection:
        block.rules[Rule(place, step.name, "padding")] = block.valid((words & table.spare) != 0)
    block.data, block.length = resized(table.decode(words), table.gives), table.gives


def _decode_layout(block: RowBlock, place: int, step: AnyCodec, layout: Layout) -> None:
    word = WideFrame(block.data.limbs) if isinstance(block.data, Wide) else block.data
    for check in layout.checks:
        block.rules[Rule(place, step.name, check.rule)] = block.valid(check.fails(word, parity))
    for remark in layout.remarks:
        kind = NoteKind(place, step.name, remark.kind, remark.level)
        if remark.values is None:
            rows = np.ones(block.count, bool)
        else:
            rows = np.isin(decode_number(remark.bit_runs, word), remark.values)
        block.notes[kind] = block.valid(rows) | block.notes.get(kind, False)
    block.form, block.data, block.length = "fields", layout.decode(word), None


def _decode_select(block: RowBlock, place: int, step: AnyCodec, select: Select) -> None:
    for name, value in select.demanded.items():
        block.rules[Rule(place, step.name, f"is-{name}")] = block.valid(block.data[name] != value)
    found = {outer: block.data[inner] for outer, inner in select.kept.items()}
    for name, value in select.added.items():
        found[name] = column([value] * block.count, step.schema[name])
    block.data = found


def _kernel_notation(block: RowBlock, step: NotationCodec) -> Notation | None:
    """The notation of the block's texts for which there is a kernel: that of the step, or for as many digits each."""
    if isinstance(block.data, list):
        return None
    return step.notation if texts.has_kernel(step.notation) else texts.fixed_notation(step.notation, block.data)


def _decode_notation(block: RowBlock, place: int, step: NotationCodec, notation: Notation) -> None:
    """Texts to words by a kernel; the codec itself decodes the texts that the kernel leaves over."""
    words, good = texts.parse(notation, block.data)
    rows, decoded = _decode_leftover(block, place, step, good)
    block.form, block.data, block.length = "bits", words, notation.bits
    if decoded:
        words[rows] = [0 if value is None else value[0] for value in decoded.objects()]


def _decode_pattern(block: RowBlock, place: int, step: AnyCodec, pattern: TextPattern) -> None:
    """Texts to columns by a kernel; the codec itself decodes the texts that the kernel leaves over."""
    columns, good = texts.match_pattern(pattern, block.data)
    rows, decoded = _decode_leftover(block, place, step, good)
    block.form, block.length = "fields", None
    block.data = {
        name: columns[name] if is_small(row) else column(columns[name].tolist(), row)
        for name, row in step.schema.items()
    }
    for found in block.data.values():
        if found.dtype == object:
            found[~good] = None
    if decoded:
        for name in step.schema:
            block.data[name][rows] = decoded.data[name]


def _decode_leftover(block: RowBlock, place: int, step: AnyCodec, good: Array) -> tuple[Array, RowBlock | None]:
    """The valid rows that a kernel left over, and what the codec itself decodes them to."""
    leftover = np.flatnonzero(block.valid(~good))
    if not len(leftover):
        return leftover, None
    texts_left = block.data.gather(leftover).to_list()
    decoded = RowBlock(count=len(leftover), form="text", data=texts_left, has_reasons=block.has_reasons)
    by_value(decoded, place, step)
    for rule, rows in decoded.rules.items():
        block.rules[rule] = mask(block.count, leftover[rows])
        block.first_failures[rule] = mask(block.count, leftover[decoded.first_failures[rule]])
    if decoded.validity is not None:
        block.drop_rows(mask(block.count, leftover[~decoded.validity]))
    return leftover, decoded


def by_value(block: RowBlock, place: int, step: AnyCodec) -> None:
    """Run the codec itself over the distinct values of the block, held to its contract as for one value."""
    if not block.has_reasons:
        _decode_values(block, step)
        return
    verdicts: dict[Any, _Verdict] = {}
    values: list[Any] = []
    failing: dict[Rule, list[int]] = {}
    leading: dict[Rule, list[int]] = {}
    noted: dict[NoteKind, list[int]] = {}
    for row, value in enumerate(block.objects()):
        if value is None:
            values.append(None)
            continue
        key = distinct_key(step.takes, value)
        if key not in verdicts:
            verdicts[key] = _verdict(place, step, value)
        result, rules, notes = verdicts[key]
        values.append(result)
        for index, rule in enumerate(rules):
            failing.setdefault(rule, []).append(row)
            leading.setdefault(rule, []).extend([] if index else [row])
        for kind in notes:
            noted.setdefault(kind, []).append(row)
    block.rules |= {rule: mask(block.count, rows) for rule, rows in failing.items()}
    block.first_failures |= {rule: mask(block.count, rows) for rule, rows in leading.items()}
    block.notes |= {kind: mask(block.count, rows) for kind, rows in noted.items()}
    block.drop_rows(mask(block.count, [row for row, value in enumerate(values) if value is None]))
    store_values(block, values, step.output)


def _decode_values(block: RowBlock, step: AnyCodec) -> None:
    """The same without reasons: what the codec does not decode is dropped."""
    given = block.objects()
    keys = [None if value is None else distinct_key(step.takes, value) for value in given]
    different = {key: value for key, value in zip(keys, given, strict=True) if value is not None}
    decoded = _decode_quickly(step, step._decode_each, list(different.values()))
    results = dict(zip(different, decoded, strict=True))
    values = [None if value is None else results[key] for key, value in zip(keys, given, strict=True)]
    block.drop_rows(mask(block.count, [row for row, value in enumerate(values) if value is None]))
    store_values(block, values, step.output)


def _verdict(place: int, step: AnyCodec, value: Any) -> _Verdict:
    """What the codec decodes one value to, the rules that fail, and the kinds of notes."""
    noted = _decode_quickly(step, step._decode_noted, value)
    if noted is not None:
        return noted[0], (), tuple(NoteKind(place, step.name, note.kind, note.level) for note in noted[1])
    reading = checked_inspect(step, from_raw(step.takes, value))
    return (
        None if reading.value is None else to_raw(step.gives, reading.value),
        tuple(Rule(place, check.codec, check.rule) for check in reading.checks if not check.passed),
        tuple(NoteKind(place, step.name, note.kind, note.level) for note in reading.notes),
    )


def _decode_quickly(step: AnyCodec, decode: Callable[[Any], Any], given: Any) -> Any:
    """What ``decode``, a way in which the codec decodes without explanations, makes of what is given."""
    try:
        return decode(given)
    except CredkitError:
        raise
    except Exception as error:
        raise slip_error(step, "decode", error) from error

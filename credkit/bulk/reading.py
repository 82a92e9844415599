"""Reading many rows: the tables of a chain interpreted for arrays, anything else value by value.

A `Wiring`, `Layout` or `Select` computes with arrays, by the very operations that serve one number,
and a `Notation` and a `Pattern` have kernels for texts. A step without such a table runs the code of its codec over
the distinct values of the block. Both say the same of each row: the value, which checks fail,
which notes it earns.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from credkit.bulk import texts
from credkit.bulk.block import Block, Earned, Rule, column, is_small, mask, settle
from credkit.bulk.words import LIMB, Array, Frame, Wide, fitted, parity
from credkit.core.codec import AnyCodec
from credkit.core.forms import Form, from_raw, to_raw
from credkit.tables.layout import Layout, LayoutCodec, Limit, Piece, number
from credkit.tables.notation import NotationCodec
from credkit.tables.pattern import Pattern
from credkit.tables.select import Select
from credkit.tables.wiring import WiredCodec, wiring

NARROW = 1 << LIMB


def read(block: Block, place: int, step: AnyCodec) -> None:
    """Take the block through a step of a chain, the one at ``place``."""
    table = step.table
    fits = block.form == "bits" and block.length is not None and block.length in step.input.lengths
    if fits and isinstance(step, WiredCodec):
        _wired(block, place, step)
    elif fits and isinstance(step, LayoutCodec) and narrow(step.layout):
        _laid_out(block, place, step, step.layout)
    elif isinstance(table, Select) and block.plain and {*table.kept.values(), *table.demanded} <= block.data.keys():
        _selected(block, place, step, table)
    elif isinstance(step, NotationCodec) and texts.fast(step.notation) and not isinstance(block.data, list):
        _parsed(block, place, step)
    elif isinstance(table, Pattern) and not isinstance(block.data, list):
        _matched(block, place, step, table)
    else:
        by_value(block, place, step)


def narrow(layout: Layout) -> bool:
    """Whether all that is read out of the frame fits in 64 bits."""

    def fits(parts: tuple[Piece, ...]) -> bool:
        return sum(part.mask.bit_count() for part in parts) <= LIMB

    limits = (check.parts for check in layout.checks if isinstance(check, Limit))
    return all(field.most < NARROW for field in layout.fields) and all(
        fits(parts) for parts in (*limits, *(remark.parts for remark in layout.remarks))
    )


def _wired(block: Block, place: int, step: WiredCodec) -> None:
    assert block.length is not None
    table = wiring(step.rule, block.length, step.flip)
    words = fitted(block.data, max(block.length, table.gives))
    if table.spare and not step.is_projection:
        block.rules[Rule(place, step.name, "padding")] = block.valid((words & table.spare) != 0)
    block.data, block.length = fitted(table.forward(words), table.gives), table.gives


def _laid_out(block: Block, place: int, step: AnyCodec, layout: Layout) -> None:
    word = Frame(block.data.limbs) if isinstance(block.data, Wide) else block.data
    for check in layout.checks:
        block.rules[Rule(place, step.name, check.rule)] = block.valid(check.fails(word, parity))
    for remark in layout.remarks:
        earned = Earned(place, step.name, remark.kind, remark.level)
        if remark.values is None:
            rows = np.ones(block.count, bool)
        else:
            rows = np.isin(number(remark.parts, word), remark.values)
        block.notes[earned] = block.valid(rows) | block.notes.get(earned, False)
    block.form, block.data, block.length = "fields", layout.decode(word), None


def _selected(block: Block, place: int, step: AnyCodec, select: Select) -> None:
    for name, value in select.demanded.items():
        block.rules[Rule(place, step.name, f"is-{name}")] = block.valid(block.data[name] != value)
    found = {outer: block.data[inner] for outer, inner in select.kept.items()}
    for name, value in select.added.items():
        found[name] = column([value] * block.count, step.schema[name])
    block.data = found


def _parsed(block: Block, place: int, step: NotationCodec) -> None:
    """Texts to words by a kernel; those it does not take are for the codec itself."""
    words, good = texts.read(step.notation, block.data)
    rest, few = _rest(block, place, step, good)
    block.form, block.data, block.length = "bits", words, step.notation.bits
    if few:
        words[rest] = few.data


def _matched(block: Block, place: int, step: AnyCodec, pattern: Pattern) -> None:
    """Texts to columns by a kernel; those it does not take are for the codec itself."""
    columns, good = texts.match(pattern, block.data)
    rest, few = _rest(block, place, step, good)
    block.form, block.length = "fields", None
    block.data = {
        name: columns[name] if is_small(row) else column(columns[name].tolist(), row)
        for name, row in step.schema.items()
    }
    for found in block.data.values():
        if found.dtype == object:
            found[~good] = None
    if few:
        for name in step.schema:
            block.data[name][rest] = few.data[name]


def _rest(block: Block, place: int, step: AnyCodec, good: Array) -> tuple[Array, Block | None]:
    """The living rows that a kernel did not take, and what the codec itself says of them."""
    rest = np.flatnonzero(block.valid(~good))
    if not len(rest):
        return rest, None
    few = Block(count=len(rest), form="text", data=block.data.gather(rest).to_list())
    by_value(few, place, step)
    for rule, rows in few.rules.items():
        block.rules[rule] = mask(block.count, rest[rows])
        block.first_failures[rule] = mask(block.count, rest[few.first_failures[rule]])
    if few.alive is not None:
        block.drop_rows(mask(block.count, rest[~few.alive]))
    return rest, few


def by_value(block: Block, place: int, step: AnyCodec) -> None:
    """Run the codec itself over the distinct values of the block."""
    told: dict[Any, tuple[Any, tuple[Rule, ...], tuple[Earned, ...]]] = {}
    values: list[Any] = []
    failing: dict[Rule, list[int]] = {}
    leading: dict[Rule, list[int]] = {}
    noted: dict[Earned, list[int]] = {}
    for row, value in enumerate(block.objects()):
        if value is None:
            values.append(None)
            continue
        key = _key(step.takes, value)
        if key not in told:
            told[key] = _told(place, step, value)
        result, rules, notes = told[key]
        values.append(result)
        for index, rule in enumerate(rules):
            failing.setdefault(rule, []).append(row)
            leading.setdefault(rule, []).extend([] if index else [row])
        for earned in notes:
            noted.setdefault(earned, []).append(row)
    block.rules |= {rule: mask(block.count, rows) for rule, rows in failing.items()}
    block.first_failures |= {rule: mask(block.count, rows) for rule, rows in leading.items()}
    block.notes |= {earned: mask(block.count, rows) for earned, rows in noted.items()}
    block.drop_rows(mask(block.count, [row for row, value in enumerate(values) if value is None]))
    settle(block, values, step.output)


def _told(place: int, step: AnyCodec, value: Any) -> tuple[Any, tuple[Rule, ...], tuple[Earned, ...]]:
    """What the codec says of one value: its result, the rules that fail, the notes."""
    reading = step.inspect(from_raw(step.takes, value))
    return (
        None if reading.value is None else to_raw(step.gives, reading.value),
        tuple(Rule(place, check.codec, check.rule) for check in reading.checks if not check.passed),
        tuple(Earned(place, step.name, note.kind, note.level) for note in reading.notes),
    )


def _key(form: Form, value: Any) -> Any:
    return tuple(value.items()) if form == "fields" else value

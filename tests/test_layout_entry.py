"""Layouts built in Python: the schema of the files, with spans that need not be texts."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import pytest
from bitstring import Bits

import credkit
from credkit import DefinitionError, layout_entries, layout_entry
from credkit.codecs import frames
from credkit.core.positions import positions
from credkit.core.spans import runs
from credkit.tables.layout import LayoutCodec
from credkit.tables.layoutrows import span_text

TABLES: dict[str, dict[str, Any]] = {}
for _file in frames.BUILTIN_FILES:
    TABLES |= tomllib.loads((Path(frames.__file__).with_name("layouts") / f"{_file}.toml").read_text(encoding="utf-8"))


def as_pairs(span: Any) -> Any:
    """A written span as pairs: one alone, or a tuple of them."""
    pairs = tuple(runs(positions(str(span), "span")))
    return pairs[0] if len(pairs) == 1 else pairs


def as_ranges(span: Any) -> Any:
    """A written span as ranges: one alone, or a tuple of them."""
    pairs = runs(positions(str(span), "span"))
    ranges = tuple(range(a, b + 1) if a <= b else range(a, b - 1, -1) for a, b in pairs)
    return ranges[0] if len(ranges) == 1 else ranges


def respanned(table: dict[str, Any], spell: Callable[[Any], Any]) -> dict[str, Any]:
    """A definition in which every span is spelled anew; it knows by itself which keys hold spans."""
    table = copy.deepcopy(table)
    fields = table["fields"]
    table["fields"] = {
        name: {**spec, "bits": spell(spec["bits"])} if isinstance(spec, dict) else spell(spec)
        for name, spec in fields.items()
    }
    if "fixed" in table:
        table["fixed"] = {spell(span): digits for span, digits in table["fixed"].items()}
    for row in (*table.get("checks", ()), *table.get("remarks", ())):
        for key in ("bit", "bits", "even", "odd", "complement", "crc"):
            if key in row:
                row[key] = spell(row[key])
        if "xor" in row:
            row["xor"] = [spell(span) for span in row["xor"]]
    return table


@pytest.mark.parametrize("spell", [as_pairs, as_ranges])
@pytest.mark.parametrize("name", TABLES)
def test_every_builtin_layout_is_the_same_with_its_spans_in_python(name: str, spell: Callable[[Any], Any]) -> None:
    table = respanned(TABLES[name], spell)
    assert table != TABLES[name]
    written, made = layout_entries({name: TABLES[name]})[0], layout_entry(name, **table)
    for attribute in ("name", "title", "source", "examples", "aliases", "signature", "usual"):
        assert getattr(made, attribute) == getattr(written, attribute)
    first, second = written.build(), made.build()
    assert isinstance(first, LayoutCodec)
    assert isinstance(second, LayoutCodec)
    assert repr(first.layout) == repr(second.layout)  # every position, mask and claim in it
    random, good = Random(name), 0
    for turn in range(30):
        if turn % 2:
            frame = Bits(f"0b{random.getrandbits(first.layout.length):0{first.layout.length}b}")
        else:  # random frames alone would hardly ever pass
            card = {field: random.randint(row.least, row.most) for field, row in numbers(first).items()}
            assert first.encode(card) == second.encode(card)
            frame = first.encode(card)
        one, two = first.inspect(frame), second.inspect(frame)
        assert (one.value, one.checks, one.notes, one.parts) == (two.value, two.checks, two.notes, two.parts)
        good += one.ok
    assert good >= 15


def numbers(codec: LayoutCodec) -> dict[str, credkit.Field]:
    return {name: row for name, row in codec.schema.items() if isinstance(row, credkit.Field)}


FRAME = "0" + "00011" + "00000000000000010000" + "0"  # even parity, site 3, number 16, odd parity


def test_a_layout_of_python_stands_in_a_chain() -> None:
    """The parity bits are counted by hand: two ones in bits 1-13, one in bits 14-25."""
    gate = layout_entry(
        "gate-27", length=27, title="27 bits: Brackwater's second gate", source="common practice, no source",
        fields={"site": (1, 5), "number": {"bits": range(6, 26), "most": 999_999}},
        checks=({"bit": 0, "even": (1, 13)}, {"bit": 26, "odd": (14, 25)}),
        remarks=[{"field": "number", "values": [0], "level": "care", "text": "a card that was never numbered"}],
        examples=({"bits": FRAME, "fields": {"site": 3, "number": 16}},),
        aliases=("GATE_27",),
    )  # fmt: skip
    assert credkit.decode("binary/gate-27", FRAME, gate) == {"site": 3, "number": 16}
    assert credkit.encode("binary/GATE_27", {"site": 3, "number": 16}, gate) == FRAME
    with pytest.raises(credkit.EncodeError, match="number is 1000000, outside 0 to 999999"):
        credkit.encode("binary/gate-27", {"site": 3, "number": 1_000_000}, gate)
    frame = credkit.chain("binary/gate-27", gate, takes="text", gives="fields")
    (note,) = frame.inspect(frame.encode({"site": 3, "number": 0})).notes
    assert note.text == "a card that was never numbered"
    assert gate.title == "27 bits: Brackwater's second gate"


def test_what_is_not_given_is_as_in_a_file() -> None:
    gate = layout_entry("gate-4", length=4, fields={"number": (3, 0)})
    assert (gate.title, gate.source, gate.examples, gate.aliases) == ("gate-4", "defined by the site", (), ())
    assert credkit.decode("binary/gate-4", "1000", gate) == {"number": 1}


@pytest.mark.parametrize(
    ("spelled", "span"),
    [
        ((1, 8), "1-8"), ((8, 1), "8-1"), ((5, 5), "5-5"), (0, "0"), ("1-4,9", "1-4,9"), (range(1, 9), "1-8"),
        (range(8, 0, -1), "8-1"), (range(0, 8, 2), "0,2,4,6"), (((24, 26), (29, 30)), "24-26,29-30"),
        ((range(4), (9, 8)), "0-3,9-8"), (((7, 7),), "7-7"),
    ],
)  # fmt: skip
def test_spans_are_texts_pairs_ranges_and_tuples_of_them(spelled: Any, span: str) -> None:
    assert span_text(spelled) == span


@pytest.mark.parametrize(
    ("span", "problem"),
    [
        ([1, 2], "must be a span such as '1-8', not [1, 2]"),
        ((1, 2, 3), "must be a span such as '1-8', not [1, 2, 3]"),
        ((0, (1, 3)), "must be a span such as '1-8', not [0, (1, 3)]"),
        ((), "must be a span such as '1-8', not []"),
        (range(0), "must be a span such as '1-8', not range(0, 0)"),
        (range(-1, 3), "must be a span such as '1-8', not range(-1, 3)"),
        (range(10**9), "must be a span such as '1-8', not range(0, 1000000000)"),
        (range(10**30), "must be a span such as '1-8', not range(0, 1000000000000000000000000000000)"),
        ((-1, 3), "'-1-3' is not a span such as 1-8 or 1-4,9"),
        ((0, 10**9), "'0-1000000000' is not a span such as 1-8 or 1-4,9"),
        ((0.0, 3.0), "must be a span such as '1-8', not [0.0, 3.0]"),
        (True, "must be a span such as '1-8', not True"),
        ((False, True), "must be a span such as '1-8', not [False, True]"),
        (None, "is missing: a span such as '1-8' is needed"),
        ("1..4", "'1..4' is not a span such as 1-8 or 1-4,9"),
        ((0, 4), "bit 4 is beyond the last bit, 3"),
        (((0, 2), (2, 3)), "'0-2,2-3' names position 2 twice"),
    ],
    ids=str,
)
def test_other_spans_are_refused(span: Any, problem: str) -> None:
    with pytest.raises(DefinitionError) as caught:
        layout_entry("gate-4", length=4, fields={"number": span})
    separator = ": " if "is not a span" in problem or "twice" in problem or "beyond" in problem else " "
    assert str(caught.value) == f"layout gate-4: field number{separator}{problem}"


@pytest.mark.parametrize(
    "changed",
    [
        {"length": 0}, {"length": "4"}, {"length": None}, {"fields": {}}, {"fields": None}, {"fields": {"N": "0-3"}},
        {"fields": {"number": "0-2"}}, {"fields": {"number": "0-3", "site": "3"}}, {"checks": 5},
        {"checks": [{"bit": 3, "even": "0-3"}]}, {"checks": [{"bit": 3}]}, {"fixed": {"0": "x"}}, {"fixed": 5},
        {"remarks": [{"field": "site", "text": "x"}]}, {"examples": [{"bits": "0101", "fields": {"number": 6}}]},
        {"examples": [{"bits": "01", "fields": {"number": 1}}]}, {"aliases": [5]}, {"title": 5}, {"source": 5},
    ],
    ids=str,
)  # fmt: skip
def test_a_fault_is_refused_in_the_sentence_of_a_file(changed: dict[str, Any]) -> None:
    table: dict[str, Any] = {"length": 4, "fields": {"number": "0-3"}, **changed}
    with pytest.raises(DefinitionError) as written:
        layout_entries({"gate-4": table})
    with pytest.raises(DefinitionError) as made:
        layout_entry("gate-4", **table)
    assert str(made.value) == str(written.value)


@pytest.mark.parametrize("name", ["Gate 4", "", 5, None, ["gate-4"]])
def test_a_name_of_no_chain_is_refused(name: Any) -> None:
    with pytest.raises(DefinitionError, match="a name has small letters, digits and hyphens only"):
        layout_entry(name, length=4, fields={"number": "0-3"})


def test_what_was_given_may_change_afterwards() -> None:
    fields: dict[str, Any] = {"number": (0, 3)}
    gate = layout_entry("gate-4", length=4, fields=fields)
    fields.clear()
    assert credkit.decode("binary/gate-4", "0101", gate) == {"number": 5}

"""Every fault of a layout definition is refused when it is loaded, with what is wrong and where."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DefinitionError, layout_entries
from credkit.tables.definition import layout
from tests.amounts import fewest
from tests.strategies import definition, randoms

FIELDS = {"number": "0-5"}  # of eight bits: 6 and 7 are left for checks


def refused(table: Any, name: str = "gate") -> str:
    with pytest.raises(DefinitionError) as caught:
        layout_entries({name: table})
    return str(caught.value)


def whole(**changed: Any) -> dict[str, Any]:
    return {"length": 8, "fields": {"number": "0-7"}, **changed}


def test_the_plain_definition_is_right() -> None:
    assert layout_entries({"gate": whole()})[0].build().length == 8


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        # length
        ({"length": 9}, "bit 8 belongs to no field, fixed bits or check"),
        ({"length": 7}, "field number: bit 7 is beyond the last bit, 6"),
        ({"length": 0}, "length is 0, outside 1 to 4096 bits"),
        ({"length": 4097}, "length is 4097, outside 1 to 4096 bits"),
        ({"length": "8"}, "length must be a whole number of bits, not '8'"),
        ({"length": True}, "length must be a whole number of bits, not True"),
        ({"length": 8.0}, "length must be a whole number of bits, not 8.0"),
        # fields: gaps, overlaps, spans
        ({"fields": {}}, "there is no field"),
        ({"fields": []}, "fields must be a table of spans, not []"),
        ({"fields": {"number": "0-2,5-6"}}, "bits 3-4,7 belong to no field, fixed bits or check"),
        ({"fields": {"a": "0-4", "b": "4-7"}}, "bit 4 belongs to field a and to field b"),
        ({"fields": {"a": "7-3", "b": "0-3"}}, "bit 3 belongs to field a and to field b"),
        ({"fields": {"a": "0-4,3-7"}}, "field a: '0-4,3-7' names position 3 twice"),
        ({"fields": {"a": "0..7"}}, "field a: '0..7' is not a span such as 1-8 or 1-4,9"),
        ({"fields": {"a": ""}}, "field a: '' is not a span such as 1-8 or 1-4,9"),
        ({"fields": {"a": "0-7,"}}, "field a: '0-7,' is not a span such as 1-8 or 1-4,9"),
        ({"fields": {"a": "٠-7"}}, "field a: '٠-7' is not a span such as 1-8 or 1-4,9"),
        ({"fields": {"a": "0-99999"}}, "field a: '0-99999' goes beyond position 65535"),
        ({"fields": {"a": "0-123456"}}, "field a: '0-123456' is not a span"),
        ({"fields": {"a": None}}, "field a is missing: a span such as '1-8' is needed"),
        ({"fields": {"a": {}}}, "field a is missing: a span such as '1-8' is needed"),
        ({"fields": {"Card": "0-7"}}, "field Card: a field name has small letters, digits and underscores only"),
        ({"fields": {"card-no": "0-7"}}, "field card-no: a field name has small letters"),
        # fields: what they hold
        ({"fields": {"a": {"bits": "0-7", "cod": "bcd"}}}, "field a: 'cod' is not a key here; did you mean code?"),
        ({"fields": {"a": {"bits": "0-7", "code": "gray"}}}, "field a: code must be one of binary, bcd, not 'gray'"),
        (
            {"fields": {"a": {"bits": "0-5", "code": "bcd"}, "b": "6-7"}},
            "field a: BCD digits have 4 bits each, but bits 0-5 are 6",
        ),
        ({"fields": {"a": {"bits": "0-7", "most": 256}}}, "field a: most is 256, but bits 0-7 hold at most 255"),
        (
            {"fields": {"a": {"bits": "0-7", "code": "bcd", "most": 100}}},
            "field a: most is 100, but bits 0-7 hold at most 99",
        ),
        ({"fields": {"a": {"bits": "0-7", "most": -1}}}, "field a: most is -1, but bits 0-7 hold at most 255"),
        ({"fields": {"a": {"bits": "0-7", "most": "5"}}}, "field a: most must be a whole number, not '5'"),
        # fixed bits
        ({"fields": FIELDS, "fixed": {"6-7": "1"}}, "fixed bits 6-7: '1' is not 2 binary digits"),
        ({"fields": FIELDS, "fixed": {"6-7": "12"}}, "fixed bits 6-7: '12' is not 2 binary digits"),
        ({"fields": {"number": "0-6"}, "fixed": {"7": "12"}}, "fixed bits 7: '12' is not 1 binary digit"),
        ({"fields": FIELDS, "fixed": {"6-7": "1١"}}, "fixed bits 6-7: '1١' is not 2 binary digits"),
        ({"fields": FIELDS, "fixed": {"6-7": 11}}, "fixed bits 6-7 must be a text of binary digits, not 11"),
        ({"fields": FIELDS, "fixed": {"5-7": "111"}}, "bit 5 belongs to field number and to fixed bits 5-7"),
        ({"fields": FIELDS, "fixed": {"6-8": "111"}}, "fixed bits 6-8: bit 8 is beyond the last bit, 7"),
        ({"fields": FIELDS, "fixed": ["6-7"]}, "fixed must be a table of spans, not ['6-7']"),
        # keys
        ({"leng": 8}, "'leng' is not a key here; did you mean length?"),
        ({"check": []}, "'check' is not a key here; did you mean checks?"),
        ({"title": 5}, "title must be a text, not 5"),
        ({"source": []}, "source must be a text, not []"),
        ({"checks": {}}, "checks must be a list of check rows, not {}"),
        ({"remarks": "new"}, "remarks must be a list, not 'new'"),
        # remarks
        ({"remarks": [{"field": "number"}]}, "remark 1: text is missing: a text is needed"),
        ({"remarks": [{"text": "x"}]}, "remark 1: exactly one of field, bits is needed"),
        ({"remarks": [{"field": "number", "bits": "0", "text": "x"}]}, "remark 1: exactly one of field, bits is"),
        ({"remarks": [{"field": "numbr", "text": "x"}]}, "remark 1: field: there is no field 'numbr'; did you"),
        ({"remarks": [{"field": ["number"], "text": "x"}]}, "remark 1: field must be a name, not ['number']"),
        ({"remarks": [{"field": "number", "text": "x", "times": 8}]}, "remark 1: times and unit stand together, such"),
        ({"remarks": [{"field": "number", "text": "x", "unit": "m"}]}, "remark 1: times and unit stand together, such"),
        (
            {"remarks": [{"field": "number", "text": "x", "times": 0, "unit": "m"}]},
            "remark 1: times and unit stand together, such",
        ),
        ({"remarks": [{"field": "number", "text": "x", "times": "8", "unit": "m"}]}, "remark 1: times must be a whole"),
        ({"remarks": [{"field": "number", "text": "x", "times": 8, "unit": 8}]}, "remark 1: unit must be a text"),
        ({"remarks": [{"bits": "0-8", "text": "x"}]}, "remark 1: bit 8 is beyond the last bit, 7"),
        ({"remarks": [{"field": "number", "values": 5, "text": "x"}]}, "remark 1: values must be a list of whole"),
        ({"remarks": [{"field": "number", "values": ["5"], "text": "x"}]}, "remark 1: a value must be a whole number"),
        (
            {"remarks": [{"field": "number", "level": "bad", "text": "x"}]},
            "remark 1: level must be one of info, care, refuse, not 'bad'",
        ),
        ({"remarks": [{"field": "number", "txt": "x"}]}, "remark 1: 'txt' is not a key here; did you mean text?"),
        ({"remarks": ["new"]}, "remark 1 must be a table, not 'new'"),
        # examples and other names
        ({"examples": "0"}, "examples must be a list, not '0'"),
        ({"examples": ["0"]}, "example 1 must be a table such as"),
        ({"examples": [{"fields": {"number": 5}}]}, "example 1: bits is missing: a text of binary digits is needed"),
        (
            {"examples": [{"bits": "0000101", "fields": {"number": 5}}]},
            "example 1: '0000101' is not 8 binary digits",
        ),
        (
            {"examples": [{"bits": "00000101", "fields": {"number": 6}}]},
            "the example number=6 does not hold: number=5",
        ),
        ({"examples": [{"bits": "00000101"}]}, "example 1: fields is missing: a table of numbers is needed"),
        ({"aliases": "GATE"}, "aliases must be a list of names, not 'GATE'"),
        ({"aliases": [8]}, "an alias must be a text, not 8"),
    ],
)  # fmt: skip
def test_faults(changed: dict[str, Any], said: str) -> None:
    assert f"layout gate: {said}" in refused(whole(**changed))


LAST = {"bit": 7, "odd": "0-5"}


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        # over what may not be covered
        ([{"bit": 6, "even": "0-7"}, LAST], "check 1: even parity at bit 6 covers itself"),
        ([{"bit": 6, "even": "0-5,7"}, LAST], "check 1: even parity at bit 6 covers bit 7, which a later check sets"),
        ([{"bits": "6-7", "xor": ["0-1", "7,2"]}], "check 1: XOR at bit 7 covers itself"),
        ([{"bits": "6-7", "crc": "0-6", "poly": 3}], "check 1: CRC at bit 6 covers itself"),
        ([{"bit": 6, "complement": "7"}, LAST], "check 1: complement at bit 6 covers bit 7, which a later check sets"),
        ([{"bit": 6, "even": "0-8"}, LAST], "check 1: even: bit 8 is beyond the last bit, 7"),
        ([{"bit": 8, "even": "0-5"}, LAST], "check 1: bit 8 is beyond the last bit, 7"),
        # bits that belong to two
        ([LAST, {"bit": 7, "even": "0-5"}], "bit 7 belongs to check 1 and to check 2"),
        ([{"bit": 5, "even": "0-4"}, LAST], "bit 5 belongs to field number and to check 1"),
        ([LAST], "bit 6 belongs to no field, fixed bits or check"),
        # widths
        ([{"bits": "6-7", "even": "0-5"}], "check 1: even parity sets one bit, not bits 6-7"),
        ([{"bits": "6-7", "odd": "0-5"}], "check 1: odd parity sets one bit, not bits 6-7"),
        ([{"bits": "6-7", "xor": ["0-1", "2-4"]}], "check 1: xor over bits 2-4 is 3 wide, bits 6-7 2"),
        ([{"bits": "6-7", "xor": []}], "check 1: xor of nothing"),
        (
            [{"bits": "6-7", "xor": ["0-1", "2,1"]}],
            "check 1: xor at bit 7 takes bit 1 twice, which leaves nothing of it",
        ),
        ([{"bits": "6-7", "complement": "0-2"}], "check 1: complement of 3 bits (0-2) in 2 bits (6-7)"),
        ([{"bits": "6-7", "crc": "0-5", "poly": 4}], "check 1: poly 4 does not fit in the 2 bits 6-7"),
        ([{"bits": "6-7", "crc": "0-5", "poly": 3, "init": 9}], "check 1: init 9 does not fit in the 2 bits 6-7"),
        (
            [{"bits": "6-7", "crc": "0-5", "poly": 3, "xorout": -1}],
            "check 1: xorout -1 does not fit in the 2 bits 6-7",
        ),
        # keys
        ([{"bits": "6-7", "crc": "0-5"}], "check 1: poly is missing: a whole number is needed"),
        (
            [{"bits": "6-7", "crc": "0-5", "poly": 3, "algorithm": "crc-a"}],
            "check 1: exactly one of poly, algorithm is needed",
        ),
        ([{"bits": "6-7", "crc": "0-5", "algorithm": "crc-c"}], "check 1: algorithm must be one of crc-a, crc-b"),
        ([{"bits": "6-7", "crc": "0-5", "algorithm": 7}], "check 1: algorithm must be a text, not 7"),
        (
            [{"bits": "6-7", "crc": "0-5", "algorithm": "crc-8-smbus"}],
            "check 1: crc-8-smbus has 8 bits, but bits 6-7 are 2",
        ),
        ([{"bits": "6-7", "xor": "0-1"}], "check 1: xor must be a list of spans, not '0-1'"),
        ([{"bits": "6-7", "xor": [["0-1"]]}], "check 1: xor must be a span such as '1-8', not ['0-1']"),
        ([{"bits": "6-7"}], "check 1: exactly one of even, odd, xor, complement, sum, crc is needed, not none"),
        ([{"bit": 6, "even": "0-5", "odd": "0-5"}, LAST], "is needed, not even, odd"),
        ([{"bit": 6, "bits": "6", "even": "0-5"}, LAST], "check 1: exactly one of bit, bits is needed"),
        ([{"even": "0-5"}, LAST], "check 1: exactly one of bit, bits is needed, not none"),
        ([{"bit": 6, "even": "0-5", "poly": 3}, LAST], "check 1: 'poly' is not a key here"),
        ([{"bit": 6, "even": "0-5", "rule": 7}, LAST], "check 1: rule must be a text, not 7"),
        ([{"bit": 6, "evn": "0-5"}, LAST], "check 1: 'evn' is not a key here; did you mean even?"),
        ([{"bits": "6-7", "crc": "0-5", "ploy": 3}], "check 1: 'ploy' is not a key here; did you mean poly?"),
        (["even"], "check 1 must be a table such as { bit = 0, even = '1-12' }, not 'even'"),
    ],
)
def test_faulty_checks(rows: list[Any], said: str) -> None:
    assert said in refused(whole(fields=FIELDS, checks=rows))


def test_a_check_may_cover_the_bits_of_earlier_checks() -> None:
    rows = [{"bit": 6, "even": "0-5"}, {"bit": 7, "odd": "0-6"}]
    codec = layout_entries({"gate": whole(fields=FIELDS, checks=rows)})[0].build()
    assert codec.encode({"number": 1}).bin == "00000111"  # one 1: bit 6 makes it two, bit 7 makes it odd again


@pytest.mark.parametrize("name", ["Gate", "", "a b", "ä", "a--b", "-a", "a_b", "a/b", "a:b"])
def test_names(name: str) -> None:
    assert "a name has small letters, digits and hyphens only" in refused(whole(), name)


@pytest.mark.parametrize("table", [[], "gate", 5])
def test_not_a_table(table: Any) -> None:
    assert "layout gate: the definition must be a table, not" in refused(table)


def test_rules_that_occur_twice_are_told_apart_by_their_place() -> None:
    rows = [{"bit": 6, "even": "0-2"}, {"bit": 7, "even": "3-5"}]
    assert [check.rule for check in layout("gate", whole(fields=FIELDS, checks=rows)).checks] == [
        "even-parity-6",
        "even-parity-7",
    ]


# ── anything at all ─────────────────────────────────────────────────────────────────────────────

ODD: tuple[Any, ...] = (
    None,
    True,
    -1,
    0,
    5,
    1 << 80,
    1.5,
    "",
    "0-1",
    "7",
    "bcd",
    [],
    ["0-1"],
    {},
    {"bits": "0-1"},
    [[]],
    [{}],
    "\ud800",
)


def _spoilt(random: Random, value: Any) -> Any:
    """``value`` with one of its parts, however deep, replaced, renamed or taken away."""
    if isinstance(value, dict) and value and random.randrange(6):
        key = random.choice(sorted(value))
        changed = dict(value)
        kind = random.randrange(5)
        if kind == 0:
            del changed[key]
        elif kind == 1:
            changed[random.choice(("bits", "length", "even", "Number", "", "0-3"))] = changed.pop(key)
        else:
            changed[key] = _spoilt(random, value[key])
        return changed
    if isinstance(value, list) and value and random.randrange(6):
        at = random.randrange(len(value))
        return [*value[:at], _spoilt(random, value[at]), *value[at + 1 :]]
    if isinstance(value, str) and value and random.randrange(2):
        at = random.randrange(len(value))
        return value[:at] + random.choice("0123456789-,x") + value[at + 1 :]
    return random.choice(ODD)


def test_anything_is_a_layout_or_a_definition_error() -> None:
    seen = {"right": 0, "wrong": 0}

    @given(randoms(), st.integers(1, 3))
    def law(random: Random, faults: int) -> None:
        table: Any = definition(random) | {"title": "a gate", "aliases": ["GATE"]}
        for _ in range(faults):
            table = _spoilt(random, table)
        try:
            made = layout_entries({"gate": table})[0].build()
        except DefinitionError as error:
            assert str(error).startswith("layout gate: ")
            assert "\n" not in str(error)
            seen["wrong"] += 1
        else:
            assert made.length is not None
            seen["right"] += 1

    law()
    assert seen["right"]
    assert seen["wrong"] > fewest(50)

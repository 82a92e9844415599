"""Many rows hold a codec of a site's own to its contract as one value does: the same slip, the same sentence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest
from bitstring import Bits

import credkit
from credkit import CredkitError, DefinitionError, EncodeError, Entry
from credkit.core.codec import PRACTICE, TableCodec
from credkit.core.shapes import TEXT, bits, exactly
from tests.test_contract import FAILED, NUMBER, READS, badge, fail, gives


def slip_of(way: Callable[[], object]) -> str:
    with pytest.raises(CredkitError) as caught:
        way()
    assert type(caught.value) is DefinitionError
    return str(caught.value)


@pytest.mark.parametrize("slip", READS)
def test_a_slip_of_inspect_is_that_of_one_value(slip: str) -> None:
    reads, output, says = READS[slip]
    codec = badge(reads, output)
    entry = Entry(name="badge", title="a badge", source=PRACTICE, build=lambda: codec, examples=())
    wanted = slip_of(lambda: credkit.decode("hex:2/badge", "07", (entry,)))
    assert says in wanted
    alone, chained = credkit.bulk.compile(codec), credkit.bulk.compile("hex:2/badge", (entry,))
    for way in (
        lambda: alone.inspect([Bits("0x07")]),
        lambda: alone.decode([Bits("0x07")]),
        lambda: chained.inspect(["07", None]),
        lambda: chained.decode(["07"]),
    ):
        assert slip_of(way) == wanted


WRITES: dict[str, tuple[Callable[[Any], Any], str]] = {
    "raises KeyError": (fail(KeyError("number")), "raises KeyError"),
    "raises ZeroDivisionError": (fail(ZeroDivisionError("by zero")), "raises ZeroDivisionError ('by zero')"),
    "gives None": (lambda _: None, "gives None, not bits"),
    "gives text": (lambda _: "07", "gives '07', not bits"),
    "gives another length": (lambda _: Bits("0b111"), "gives 3 bits, not 8 bits"),
}


@pytest.mark.parametrize("slip", WRITES)
def test_a_slip_of_encode_is_that_of_one_value(slip: str) -> None:
    writes, says = WRITES[slip]
    codec = badge(gives("7"), TEXT, writes)
    entry = Entry(name="badge", title="a badge", source=PRACTICE, build=lambda: codec, examples=())
    wanted = slip_of(lambda: credkit.encode("hex:2/badge", "7", (entry,)))
    assert says in wanted
    for bulk in (credkit.bulk.compile(codec), credkit.bulk.compile("hex:2/badge", (entry,))):
        assert slip_of(lambda: bulk.encode(["7"])) == wanted  # noqa: B023 (called at once)
        assert slip_of(lambda: bulk.encode_or_null(["7", None])) == wanted  # noqa: B023


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Table(TableCodec[Any, Any]):
    """A codec whose author passes it off as one that interprets a table."""

    def inspect(self, value: Any) -> Any:
        raise KeyError("number")

    def _decode_raw(self, raw: Any) -> Any:
        raise KeyError("number")

    def _encode_raw(self, raw: Any) -> Any:
        raise KeyError("number")


def test_a_slip_of_a_table_of_ones_own_is_that_of_one_value() -> None:
    codec = Table(name="badge", input=bits(exactly(8)), output=TEXT)
    entry = Entry(name="badge", title="a badge", source=PRACTICE, build=lambda: codec, examples=())
    bulk = credkit.bulk.compile("hex:2/badge", (entry,))
    wanted = slip_of(lambda: credkit.encode("hex:2/badge", "7", (entry,)))
    assert slip_of(lambda: bulk.encode(["7"])) == slip_of(lambda: bulk.encode_or_null(["7"])) == wanted
    assert slip_of(lambda: bulk.inspect(["07"])) == slip_of(lambda: credkit.inspect("hex:2/badge", "07", (entry,)))


def test_a_row_outside_the_schema_is_no_slip() -> None:
    bulk = credkit.bulk.compile(
        badge(gives({"number": 7}), NUMBER, lambda fields: Bits(uint=fields["number"], length=8))
    )
    assert bulk.decode([Bits("0x07")]).fields["number"].tolist() == [7]
    assert bulk.encode_or_null({"number": [7, 100]}).values.tolist() == [7, None]
    with pytest.raises(EncodeError, match=r"^row 1 \(counted from 0\): badge: number is 100, outside 0 to 99"):
        bulk.encode({"number": [7, 100]})


def test_what_was_read_in_spite_of_a_failed_check_need_not_have_every_field() -> None:
    bulk = credkit.bulk.compile(badge(gives({}, checks=(FAILED,)), NUMBER))
    found = bulk.inspect([Bits("0x07")])
    assert (found.ok.tolist(), found.fields["number"].tolist()) == ([False], [None])
    assert found.unchecked_fields["number"].tolist() == [None]
    count = 1 << 17  # rows of more than one block, and only the last has no number
    last = Bits(uint=255, length=8)
    mixed = badge(
        lambda value: gives({}, checks=(FAILED,))(value) if value == last else gives({"number": 7})(value), NUMBER
    )
    numbers = credkit.bulk.compile(mixed).inspect([7] * (count - 1) + [255]).unchecked_fields["number"]
    assert (numbers[: count - 1] == 7).all()
    assert numbers[count - 1] is None

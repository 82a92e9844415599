"""Every public value, error and codec can be pickled, copied, compared, hashed and sent to other workers.

The law runs over every entry of the catalogue with its usual arguments, chains of them, a site's own entries, the
readings of good and damaged values, their checks, notes, parts and steps, decoded values, and errors.
"""

from __future__ import annotations

import copy
import json
import pickle
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from multiprocessing import get_context
from random import Random
from typing import Any

import numpy as np
import pytest
from bitstring import Bits

import credkit
from credkit import Codec, CredkitError, DecodeError, DefinitionError, EncodeError, Reading, Shape, chain
from credkit.cards.entry import memory_entry
from credkit.catalogue.registry import catalogue
from credkit.core.chains import Choice
from credkit.core.codec import AnyCodec
from credkit.core.fields import Fields
from credkit.core.frozen import FrozenMapping
from tests.masters import MASTER
from tests.strategies import STAFF, TYPICAL, both_ways, damaged, readable, registered, site_entries, some_bits, valid

LONGEST_REPR = 200
UNKEYED = (*(entry for entry in site_entries() if entry.name != "memory"), memory_entry({"staff": STAFF}))
WRITTEN = tuple(
    text for text in (*registered(), *TYPICAL) if "memory:staff,secure" not in text
)  # that one needs the key
COPIES: tuple[Callable[[Any], Any], ...] = (
    copy.copy,
    copy.deepcopy,
    *(lambda value, protocol=protocol: pickle.loads(pickle.dumps(value, protocol)) for protocol in (2, 4, 5)),
)


def inputs(codec: AnyCodec, count: int = 4) -> list[Any]:
    """Values that ``codec`` decodes, and damaged ones."""
    random = Random(codec.name)
    found: list[Any] = []
    for _ in range(10 * count):
        if len(found) >= 2 * count:
            break
        with suppress(EncodeError):  # not every value that the schema allows has room in every area
            value = codec.encode(valid(random, codec)) if both_ways(codec) else readable(random, codec)
            found += [value, damaged(random, value)]
    if not found:  # a cut that writes more bits than it reads
        found = [some_bits(random, codec.input.lengths[place]) for place in range(count)]
    return found


def outcome(codec: AnyCodec, value: Any) -> Any:
    try:
        return codec.decode(value)
    except DecodeError as error:
        return str(error), error.codec, error.place, error.check


def pieces(reading: Reading[Any]) -> Iterator[Any]:
    yield from (reading, *reading.checks, *reading.notes, *reading.parts)
    for step in reading.steps:
        yield step
        yield from pieces(step.reading)


@pytest.mark.parametrize("text", WRITTEN)
def test_a_codec_and_what_it_gives_survive_every_copy(text: str) -> None:
    codec = chain(text, UNKEYED)
    values = inputs(codec)
    expected = [outcome(codec, value) for value in values]
    readings = [codec.inspect(value) for value in values]
    for made in COPIES:
        again = made(codec)
        assert again == codec
        assert hash(again) == hash(codec)
        assert [outcome(again, value) for value in values] == expected
        for reading in readings:
            same = made(reading)
            assert same == reading
            for check, other in zip(reading.checks, same.checks, strict=True):
                assert same.trace(other) == reading.trace(check) == same.trace(check)
            if isinstance(reading.value, str | Bits):
                places = range(min(len(reading.value), 40))
                assert [same.origin(place) for place in places] == [reading.origin(place) for place in places]
            elif reading.value is not None:
                assert [same.origin(name) for name in reading.value] == [reading.origin(name) for name in reading.value]
    for each in (codec, codec.input, codec.output, codec.schema, *codec.schema.values(), *expected):
        assert isinstance(each, tuple | Bits | str) or len(repr(each)) < LONGEST_REPR
    assert all(len(repr(each)) < LONGEST_REPR for reading in readings for each in pieces(reading))


@pytest.mark.parametrize("entry", [*catalogue(), *UNKEYED], ids=lambda entry: entry.name)
def test_an_entry_survives_every_copy(entry: credkit.Entry) -> None:
    for made in COPIES:
        again = made(entry)
        assert again == entry
        assert hash(again) == hash(entry)
        assert len({again, entry}) == 1
    assert len(repr(entry)) < LONGEST_REPR
    assert all(len(repr(example)) < LONGEST_REPR for example in entry.examples)


def test_chains_are_equal_by_what_they_do() -> None:
    wiegand = {
        "length": 10,
        "fields": {"number": "1-8"},
        "checks": [{"bits": "0", "even": "1-4"}, {"bits": "9", "odd": "5-8"}],
    }
    other = {**wiegand, "checks": [{"bits": "0", "odd": "1-4"}, {"bits": "9", "even": "5-8"}]}
    one, two, three = (credkit.layout_entries({"gate": each}) for each in (wiegand, wiegand, other))
    text = "binary/gate"
    assert credkit.chain(text, one) == credkit.chain(text, two) != credkit.chain(text, three)
    assert one == two != three
    assert len({credkit.chain(text, one), credkit.chain(text, two), credkit.chain(text, three)}) == 2
    assert credkit.chain("hex:8/reverse-bytes") != credkit.chain("hex:8/reverse-bits")
    assert credkit.chain("binary/wiegand-26") != "binary/wiegand-26"


def test_a_conversion_and_a_choice_survive_every_copy() -> None:
    one = credkit.conversion("binary/wiegand-26", "template:{facility:03d}{number:05d}")
    two = credkit.choice("binary/wiegand-26", "binary/wiegand-34")
    for made in COPIES:
        assert made(one) == one
        assert made(one).convert("10111101110110010011011101") == "12345678"
        assert made(two) == two
        assert isinstance(made(two), Choice)
        assert made(two).decode("10111101110110010011011101") == {"facility": 123, "number": 45678}


def test_fields_are_the_dict_they_stand_for() -> None:
    card = credkit.decode("binary/wiegand-26", "10111101110110010011011101")
    assert isinstance(card, Fields)
    assert card == {"facility": 123, "number": 45678} == card
    assert card != {"facility": 123} != card
    assert hash(card) == hash(Fields({"number": 45678, "facility": 123}))
    assert json.dumps(dict(card)) == '{"facility": 123, "number": 45678}'
    assert {**card} | {"number": 1} == card | {"number": 1} == {"facility": 123, "number": 1}
    assert isinstance(card | {"number": 1}, Fields)
    assert repr(card) == "Fields(facility=123, number=45678)"
    with pytest.raises(TypeError):
        card["number"] = 1  # type: ignore[index]  # what the test is about
    with pytest.raises(AttributeError, match="immutable"):
        card.number = 1
    with pytest.raises(AttributeError, match="immutable"):
        del card._items
    changed = {"number": 1}
    kept = Fields(changed)
    changed["number"] = 2
    assert kept == {"number": 1}


def test_what_is_found_and_planned_has_a_short_repr() -> None:
    groups = credkit.identify("02F764DD")
    relations = credkit.relate("04112233445566", "0860116326")
    wide = replace(STAFF, name="Brackwater " * 100)
    found = [*groups, *(match for group in groups for match in group.matches), *relations]
    planned = [STAFF, wide, STAFF.geometry, *STAFF.records, *STAFF.access.values()]
    assert min(len(groups), len(relations), len(STAFF.records)) > 1
    assert all(len(repr(each)) < LONGEST_REPR for each in [*found, *planned])
    assert "wiegand-26" in repr(groups[0])
    assert "facility=123" in repr(groups[0].best)
    paid = [repr(match) for group in credkit.identify("4114360123456785") for match in group.matches]
    assert any("411436******6785" in each for each in paid)
    assert not any("4114360123456785" in each for each in paid)


def test_a_repr_holds_no_account_number() -> None:
    account = "4114360123456785"  # the number of the WHATWG HTML standard's example
    fields = Fields({"account": account})
    check = credkit.inspect("track-2", f";{account}=3012").checks[0]
    reading = credkit.inspect("track-2", f";{account}=30121010000000000000?")
    for each in (fields, check, reading, *pieces(reading), FrozenMapping({"account": account})):
        assert account not in repr(each), type(each)


ERRORS = (
    lambda: credkit.decode("binary/wiegand-26", "00111101110110010011011101"),
    lambda: credkit.chain("binary/wiegand-26").decode(5),
    lambda: credkit.encode("binary/wiegand-26", {"facility": 256, "number": 1}),
    lambda: credkit.chain("hex:8/wiegand-26"),
    lambda: credkit.chain("hxe:8"),
)


def raised(number: int) -> CredkitError:
    with pytest.raises(CredkitError) as caught:
        ERRORS[number]()
    return caught.value


def decode_in_worker(codec: AnyCodec, value: Any) -> Any:
    return codec.decode(value)


def fail_in_worker(number: int) -> None:
    ERRORS[number]()


def pools() -> list[Callable[[], Executor]]:
    return [
        lambda: ThreadPoolExecutor(2),
        lambda: ProcessPoolExecutor(1, mp_context=get_context("spawn")),
        lambda: ProcessPoolExecutor(1, mp_context=get_context("forkserver")),
    ]


@pytest.mark.parametrize("pool", pools(), ids=["threads", "spawn", "forkserver"])
def test_codecs_values_and_errors_go_through_a_pool(pool: Callable[[], Executor]) -> None:
    codecs = [chain(text, UNKEYED) for text in WRITTEN[-len(TYPICAL) + 1 :]]
    work = [(codec, value) for codec in codecs for value in inputs(codec, 1)]
    with pool() as executor:
        done = [executor.submit(decode_in_worker, codec, value) for codec, value in work]
        for (codec, value), future in zip(work, done, strict=True):
            error = future.exception()
            if isinstance(error, DecodeError):
                assert (str(error), error.codec, error.place, error.check) == outcome(codec, value)
            else:
                assert future.result() == outcome(codec, value)
        for number, future in enumerate([executor.submit(fail_in_worker, number) for number in range(len(ERRORS))]):
            error, here = future.exception(), raised(number)
            assert type(error) is type(here)
            assert str(error) == str(here)


def square(codec: AnyCodec, text: str) -> Any:
    return codec.decode(text)


def test_multiprocessing_takes_a_chain_with_a_sites_own_layout() -> None:
    entries = credkit.layout_entries({"gate": {"length": 8, "fields": {"number": "0-7"}}})
    codec = credkit.chain("hex:2/gate", entries)
    with get_context("spawn").Pool(1) as pool:
        assert pool.starmap(square, [(codec, "7B"), (codec, "FF")]) == [{"number": 123}, {"number": 255}]


def test_an_entry_with_a_master_key_is_never_written() -> None:
    keyed = memory_entry({"staff": STAFF}, {"staff": MASTER})
    plain = memory_entry({"staff": STAFF})
    assert keyed != plain
    for each in (keyed, credkit.chain("hex:40/memory:staff,secure,serial", (keyed,))):
        for made in COPIES[1:]:
            with pytest.raises(TypeError, match="neither copied nor pickled"):
                made(each)


class Salted(Codec[str, str]):
    """A codec that is no dataclass: what it sets itself is a part of it."""

    def __init__(self, salt: str) -> None:
        super().__init__(name="salted", input=Shape("text"), output=Shape("text"))
        object.__setattr__(self, "salt", salt)

    def inspect(self, value: str) -> Reading[str]:
        return Reading(value=value + self.__dict__["salt"])

    def encode(self, value: str) -> str:
        return value.removesuffix(self.__dict__["salt"])


def test_a_codec_that_is_no_dataclass_keeps_what_it_set() -> None:
    one, two = Salted("a"), Salted("b")
    assert one != two
    assert one == Salted("a")
    for made in COPIES:
        assert made(one) == one
        assert made(one).decode("x") == "xa"
    with pytest.raises(DefinitionError):
        credkit.decode("salted", "x", [one, two])


@dataclass(frozen=True, kw_only=True)
class Counted(Codec[str, credkit.FieldMapping]):
    """A codec whose shape has a plain dict for its schema."""

    def inspect(self, value: str) -> Reading[credkit.FieldMapping]:
        return Reading(value={"length": len(value)})

    def encode(self, value: credkit.FieldMapping) -> str:
        return "x" * int(value["length"])


def test_a_schema_is_frozen_whatever_it_was_made_of() -> None:
    rows: dict[str, credkit.Field | credkit.TextField] = {"length": credkit.Field(name="length", most=99)}
    codec = Counted(name="counted", input=Shape("text"), output=Shape("fields", schema=rows))
    rows.clear()
    assert codec.decode("abc") == {"length": 3}
    assert hash(codec) == hash(copy.deepcopy(codec))
    assert len({codec.output, codec.input, credkit.conversion(codec, codec)}) == 3


NUMPY: tuple[tuple[Any, int], ...] = ((np.int64, 123), (np.uint16, 45678), (np.uint16, 45679))


def test_fields_hold_whole_numbers_of_any_type_as_ints() -> None:
    facility, number, other = (kind(value) for kind, value in NUMPY)
    card = Fields({"facility": facility, "number": number})
    assert [type(item) for item in card.values()] == [int, int]
    assert credkit.encode("binary/wiegand-26", card) == "10111101110110010011011101"
    changed = card | {"number": other}
    assert type(changed["number"]) is int


def test_a_frame_shows_no_account_number() -> None:
    [frame] = credkit.LineSplitter().feed(
        b";4114360123456785=3012?\r\n"
    )  # the number of the WHATWG HTML standard's example
    assert frame.value is not None
    assert "4114360123456785" in frame.value
    assert "4114360123456785" not in repr(frame)
    [long] = credkit.LineSplitter().feed(b"7" * 5000 + b"\n")
    assert len(repr(long)) < LONGEST_REPR


def test_whole_numbers_of_any_type_make_layouts_and_lists() -> None:
    one, two, eight = (np.int64(number) for number in (1, 2, 8))
    nine: Any = np.int64(9)
    checks: Any = [{"bit": np.uint8(0), "even": (one, two)}]
    fields: Any = {"number": {"bits": (one, eight), "most": np.int64(200)}}
    made: Any = credkit.layout_entry("pier-9", length=nine, fields=fields, checks=checks)
    plain = credkit.layout_entry(
        "pier-9", length=9, fields={"number": {"bits": (1, 8), "most": 200}}, checks=[{"bit": 0, "even": (1, 2)}]
    )
    assert made == plain
    listed: Any = {np.int64(101): np.uint16(9001)}
    assert credkit.map_entry({"lockers": listed}) == credkit.map_entry({"lockers": {101: 9001}})
    bounded: Any = np.int64(5)
    assert credkit.Field(name="a", most=bounded) == credkit.Field(name="a", most=5)

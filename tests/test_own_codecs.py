"""A site's own codecs: what ``codecs=`` takes, and that chains with them are built once, and never stale."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from credkit import (
    Codec,
    DefinitionError,
    Entry,
    Reading,
    UnknownCodec,
    chain,
    choice,
    conversion,
    convert,
    decode,
    encode,
    get,
    inspect,
    layout_entry,
    map_entry,
    names,
)
from credkit.catalogue.own import own_entries
from credkit.catalogue.registry import build, find
from credkit.core.codec import PRACTICE, AnyCodec
from credkit.core.grammar import parse_chain
from credkit.core.shapes import TEXT
from credkit.streams import stream

GATE = layout_entry("gate-8", length=8, fields={"site": (0, 3), "number": (4, 7)})
TURNED = layout_entry("gate-8", length=8, fields={"site": (4, 7), "number": (0, 3)})
OTHER = layout_entry("gate-4", length=4, fields={"number": (0, 3)})
CHAIN = "hex:2/gate-8"


class Masked(Codec[str, str]):
    """Every character one further in the alphabet: it stands for any codec that somebody writes."""

    def inspect(self, value: str) -> Reading[str]:
        return Reading(value="".join(chr(ord(char) - 1) for char in value))

    def encode(self, value: str) -> str:
        return "".join(chr(ord(char) + 1) for char in value)


def masked(name: str = "masked") -> Masked:
    return Masked(name=name, input=TEXT, output=TEXT)


def entry(build: Callable[..., AnyCodec], name: str = "masked") -> Entry:
    return Entry(name=name, title="one further", source=PRACTICE, build=build, examples=())


CALLS: dict[str, Callable[[Any], object]] = {
    "decode": lambda own: decode(CHAIN, "35", own),
    "decode with a name": lambda own: decode(CHAIN, "35", codecs=own),
    "encode": lambda own: encode(CHAIN, {"site": 3, "number": 5}, own),
    "inspect": lambda own: inspect(CHAIN, "35", own).value,
    "chain": lambda own: chain(CHAIN, own).decode("35"),
    "conversion": lambda own: conversion(CHAIN, "binary/gate-8", own).convert("35"),
    "conversion with a codec": lambda own: conversion(chain("hex:2"), "binary", own).convert("35"),
    "convert": lambda own: convert("35", source=CHAIN, target="binary/gate-8", codecs=own),
    "choice": lambda own: choice(CHAIN, "hex:4/fields:site:8,number:8", codecs=own).decode("35"),
    "names": lambda own: names(own)[0],
    "get": lambda own: get("gate-8", own).name,
    "find": lambda own: getattr(find("gate-8", own), "name", None),
    "build": lambda own: build(parse_chain("gate-8")[0], own).name,
    "stream": lambda own: bool(stream("keypad:hex:2/gate-8/select:key=number", own)),
    "compile": lambda own: credkit_compile(own),
}


def credkit_compile(own: Any) -> object:
    from credkit.bulk import compile

    return compile("hex:2/gate-8", own).decode(["35"]).fields["number"].tolist()


@pytest.mark.parametrize("call", CALLS)
def test_every_call_takes_one_or_several(call: str) -> None:
    wanted = CALLS[call]((GATE,))
    codec = GATE.build()
    for own in (GATE, [GATE], codec, [codec], (OTHER, codec), iter((GATE, OTHER)), {"gate": GATE}.values()):
        expected = "gate-4" if call == "names" and isinstance(own, tuple) else wanted
        assert CALLS[call](own) == expected


@pytest.mark.parametrize(
    ("own", "problem"),
    [
        ("gate-8", "codecs= takes an Entry, a Codec or several of them, not 'gate-8'"),
        (b"gate-8", "codecs= takes an Entry, a Codec or several of them, not b'gate-8'"),
        (26, "codecs= takes an Entry, a Codec or several of them, not 26"),
        (None, "codecs= takes an Entry, a Codec or several of them, not None"),
        ([GATE, "gate-4"], "codecs= takes an Entry, a Codec or several of them, not 'gate-4'"),
        ([GATE, None], "codecs= takes an Entry, a Codec or several of them, not None"),
        (
            {"length": 8},
            "codecs= takes an Entry, a Codec or several of them, not length=8; layout_entries(...) makes entries of a "
            "table of layouts",
        ),
        ([GATE, TURNED], "codecs= has two different codecs called 'gate-8'"),
        ([GATE, TURNED.build()], "codecs= has two different codecs called 'gate-8'"),
        (
            chain("hex:8/serial-32"),
            "codecs= has the codec 'hex:8/serial-32', which is not the name of one step (small letters, digits, "
            "hyphens): an Entry can give it one",
        ),
        (
            masked("Masked"),
            "codecs= has the codec 'Masked', which is not the name of one step (small letters, digits, hyphens): "
            "an Entry can give it one",
        ),
    ],
)  # fmt: skip
@pytest.mark.parametrize("call", CALLS)
def test_every_call_refuses_the_same(call: str, own: Any, problem: str) -> None:
    with pytest.raises(DefinitionError) as caught:
        CALLS[call](own)
    assert str(caught.value) == problem


@pytest.mark.parametrize("name", ["wiegand-26", "hex", "track-2"])
@pytest.mark.parametrize("call", [call for call in CALLS if call not in ("names", "find")])
def test_a_name_of_a_builtin_codec_is_refused(call: str, name: str) -> None:
    for own in (entry(masked, name), masked(name), (GATE, masked(name))):
        with pytest.raises(DefinitionError) as caught:
            CALLS[call](own)
        assert str(caught.value) == f"the site's own {name} has the name of a built-in codec: choose another name"


def test_a_codec_stands_under_its_name_and_takes_no_arguments() -> None:
    assert decode("masked/hex:2/gate-8", "46", [masked(), GATE]) == {"site": 3, "number": 5}
    assert encode("masked/hex:2/gate-8", {"site": 3, "number": 5}, [masked(), GATE]) == "46"
    with pytest.raises(DefinitionError, match=r"^masked: is written masked, not with the arguments '5'$"):
        decode("masked:5/hex:2", "46", masked())
    with pytest.raises(UnknownCodec, match="no codec is called 'maskd'; did you mean masked"):
        decode("maskd/hex:2", "46", masked())
    codec = masked()
    (made,) = own_entries([codec, codec])[:1]
    assert (made.name, made.source, made.build()) == ("masked", "defined by the site", codec)


def test_the_same_codec_may_be_given_twice() -> None:
    again = layout_entry("gate-8", length=8, fields={"site": "0-3", "number": "4-7"})
    for own in ([GATE, GATE], [GATE, again], [GATE.build(), again.build()]):
        assert decode(CHAIN, "35", own) == {"site": 3, "number": 5}


def test_a_chain_gets_a_name_by_an_entry() -> None:
    own = entry(lambda: chain("hex:8/serial-32"), "serial")
    assert decode("serial", "02F764DD", own) == decode("hex:8/serial-32", "02F764DD")


def test_what_is_given_elsewhere_is_still_said() -> None:
    with pytest.raises(UnknownCodec, match=r"map:TABLE,FIELD needs a list"):
        decode("map:lockers,number", {"number": 1}, GATE)
    own = map_entry({"lockers": {1: 41}})
    assert decode("map:lockers,number", {"number": 1}, [GATE, own]) == {"number": 41}


# ── built once ──────────────────────────────────────────────────────────────────────────────────


def counted() -> tuple[Entry, list[int]]:
    calls: list[int] = []

    def build() -> AnyCodec:
        calls.append(1)
        return masked()

    return entry(build), calls


def test_a_chain_is_built_once_for_the_same_codecs() -> None:
    own, calls = counted()
    for codecs in (own, (own,), [own]):
        assert decode("masked", "46", codecs) == "35"
        assert inspect("masked", "46", codecs).value == "35"
        assert chain("masked", codecs) is chain("masked", own)
    assert len(calls) == 1
    assert [convert("46", source="masked", target="strip", codecs=own) for _ in "abc"]
    assert conversion("masked", "strip", own) is conversion("masked", "strip", [own])
    assert len(calls) == 1


def test_other_codecs_are_another_chain() -> None:
    for _ in range(3):  # by turns, in one cache
        assert decode(CHAIN, "35", GATE) == {"site": 3, "number": 5}
        assert decode(CHAIN, "35", TURNED) == {"site": 5, "number": 3}
        assert decode(CHAIN, "35", [OTHER, TURNED]) == {"site": 5, "number": 3}
        assert convert("35", source=CHAIN, target="decimal:8,3/fields:site:4,number:4", codecs=GATE) == "053"
        assert convert("35", source=CHAIN, target="decimal:8,3/fields:site:4,number:4", codecs=TURNED) == "083"
        with pytest.raises(UnknownCodec):
            decode(CHAIN, "35", OTHER)
        with pytest.raises(UnknownCodec):
            decode(CHAIN, "35")


def test_a_list_that_changes_is_not_remembered() -> None:
    own = [GATE]
    assert decode(CHAIN, "35", own) == {"site": 3, "number": 5}
    own[0] = TURNED
    assert decode(CHAIN, "35", own) == {"site": 5, "number": 3}
    own.clear()
    with pytest.raises(UnknownCodec):
        decode(CHAIN, "35", own)


def test_an_id_that_is_used_again_gives_no_stale_chain() -> None:
    """Entries that live for one call only: the next one often gets the memory, and so the id, of the one before."""
    for turn in range(2000):
        spans = {"site": (0, 3), "number": (4, 7)} if turn % 2 else {"site": (4, 7), "number": (0, 3)}
        own = layout_entry("gate-8", length=8, fields=spans)
        assert decode(CHAIN, "35", own) == ({"site": 3, "number": 5} if turn % 2 else {"site": 5, "number": 3})


def test_few_codecs_are_kept() -> None:
    def refs() -> Iterator[weakref.ref[Masked]]:
        for _ in range(500):
            codec = masked()
            assert decode("masked", "46", codec) == "35"
            yield weakref.ref(codec)

    seen = list(refs())
    gc.collect()
    assert sum(ref() is not None for ref in seen) <= 128


def test_threads_share_the_cache() -> None:
    owns = [layout_entry("gate-8", length=8, fields={"site": (0, 3), "number": (4, 7)}) for _ in range(300)]
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda own: dict(decode(CHAIN, "35", own)), owns * 3))  # type: ignore[arg-type]
    assert found == [{"site": 3, "number": 5}] * 900

"""The fuzzer itself: a short run holds, and it does find what is broken."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
import tomllib
from collections import Counter
from pathlib import Path
from random import Random
from typing import Any

import pytest

from credkit import CredkitError, DefinitionError, content_entries, layout_entries
from credkit.core.reading import AnyReading
from credkit.tables.layout import LayoutCodec
from tests import fuzzdefinitions
from tests.fuzz import Broken, case, fuzz
from tests.strategies import built


def test_a_short_run_holds() -> None:
    seen = fuzz(14_000, seed=1)
    assert seen["accepted"] + seen["rejected"] == 14_000
    assert seen["accepted"] > 4_000
    assert seen["rejected"] > 4_000
    assert seen["not written"] > 1_000


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Careless(LayoutCodec):
    """A codec whose `inspect` forgets the checks."""

    def inspect(self, value: Any) -> AnyReading:
        """The fields, whatever the checks say."""
        return dataclasses.replace(LayoutCodec.inspect(self, value), checks=())


def test_a_broken_codec_is_found() -> None:
    good = built("wiegand-26")
    assert isinstance(good, LayoutCodec)
    careless = Careless(name=good.name, input=good.input, output=good.output, layout=good.layout)
    random, seen = Random(3), Counter[str]()

    def rounds() -> None:
        for _ in range(200):
            case(careless, random, seen)

    with pytest.raises((Broken, AssertionError, DefinitionError)):
        rounds()


def test_the_script_runs() -> None:
    script = Path(__file__).with_name("fuzz.py")
    done = subprocess.run([sys.executable, script, "--count", "500"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("500 cases through ")


# ── definitions ─────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("name", ["layout", "content", "site", "plan", "chain"])
def test_a_short_run_of_damaged_definitions_holds(tmp_path: Path, name: str) -> None:
    """Some are taken all the same: a run in which nothing is would say nothing of what is built."""
    seen = fuzzdefinitions.fuzz(fuzzdefinitions.kinds(tmp_path)[name], name, 400, seed=1)
    assert seen["taken"] + seen["refused"] == 400
    assert seen["taken"] > 5
    assert seen["refused"] > 200
    assert 50 < seen["longest"] < 500


@pytest.mark.parametrize(
    ("error", "sentence"),
    [
        (ValueError("too large"), "gate 0, seed 0: ValueError escaped: too large"),
        (fuzzdefinitions.Broken("a sentence of 500 characters"), "gate 0, seed 0: a sentence of 500 characters"),
    ],
)
def test_a_definition_that_breaks_something_is_found(error: Exception, sentence: str) -> None:
    def use(random: Random, drawn: Any) -> None:
        raise error

    with pytest.raises(fuzzdefinitions.Broken, match=sentence):
        fuzzdefinitions.fuzz(fuzzdefinitions.Kind(lambda random: {}, use), "gate", 1)


def test_a_long_sentence_is_found() -> None:
    class Long(CredkitError):
        def __str__(self) -> str:
            return "x" * 500

    with pytest.raises(fuzzdefinitions.Broken, match="a sentence of 500 characters"):
        fuzzdefinitions.bounded(Long("short"))
    assert fuzzdefinitions.bounded(CredkitError("short")) == 5


def test_damaged_definitions_are_as_toml_writes_them() -> None:
    """What is written for a file reads as the same: but for NaN, which equals nothing."""
    for number in range(200):
        table = fuzzdefinitions.mutated(Random(number), {"a": [1, {"b": "c"}], "d": {"e": 2.5}})
        text = "\n".join(f"{fuzzdefinitions.quoted(k)} = {fuzzdefinitions.toml(v)}" for k, v in table.items())
        if "nan" not in text:
            assert tomllib.loads(text) == table


@pytest.mark.parametrize("number", [10**5000, -(10**5000), 1 << 4096], ids=["5,000 digits", "minus", "4,097 bits"])
def test_a_number_that_python_does_not_print_is_refused_wherever_it_stands(number: int) -> None:
    """A hexadecimal number of TOML may be of any length; Python prints 4,300 digits."""
    layout: dict[str, Any] = {"length": 8, "fields": {"number": "0-7"}}
    content: dict[str, Any] = {"items": [{"field": "number", "digits": 8}]}
    for make, table in (
        (layout_entries, {**layout, "examples": [{"bits": "0" * 8, "fields": {"number": number}}]}),
        (layout_entries, {**layout, "fields": {"number": number}}),
        (layout_entries, {**layout, "checks": [{"bit": number, "even": "0-7"}]}),
        (content_entries, {**content, "examples": [{"text": "0" * 8, "fields": {"number": number}}]}),
        (content_entries, {**content, "items": [*content["items"], {"check": "luhn", "over": [[number]]}]}),
        (content_entries, {**content, "meanings": {"number": [number]}}),
    ):
        with pytest.raises(DefinitionError, match=r"gate: [a-z]+: .* is wider than 4096 bits"):
            make({"gate": table})


def test_the_script_of_definitions_runs() -> None:
    script = Path(__file__).with_name("fuzzdefinitions.py")
    command = [sys.executable, str(script), "--count", "20", "--kind", "layout", "--kind", "chain"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert [line.partition(":")[0] for line in done.stdout.splitlines()] == [
        "20 definitions of the kind layout", "20 definitions of the kind chain",
    ]  # fmt: skip

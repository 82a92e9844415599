"""The fuzzer itself: a short run holds, and it does find what is broken."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
from collections import Counter
from pathlib import Path
from random import Random
from typing import Any

import pytest

from credkit.reading import Reading
from credkit.tables.layout import LayoutCodec
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

    def inspect(self, value: Any) -> Reading:
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

    with pytest.raises((Broken, AssertionError)):
        rounds()


def test_the_script_runs() -> None:
    script = Path(__file__).with_name("fuzz.py")
    done = subprocess.run([sys.executable, script, "--count", "500"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("500 cases through ")

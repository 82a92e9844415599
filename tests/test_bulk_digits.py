"""Texts of digits in bulk: those that are all as long are read at once, and what is read is what the codec reads."""

from __future__ import annotations

from random import Random

import polars as pl
import pytest

import credkit.bulk
from credkit import chain
from credkit.bulk.texts import _parse_fixed_width
from credkit.tables.notation import Notation, NotationCodec

WRITTEN = tuple(f"hex:{digits}" for digits in range(1, 17)) + tuple(f"binary:{digits}" for digits in range(1, 65))
STRANGE = ("+", "-", " ", "_", "x", "g", "é", "\0", "٣")  # the last one is a digit, but none that is meant


def notation(written: str) -> Notation:
    codec = chain(written)
    assert isinstance(codec, NotationCodec)
    return codec.notation


def digits(written: str, random: Random) -> str:
    table = notation(written)
    letters = "01" if table.base == 2 else "0123456789abcdefABCDEF"
    return "".join(random.choices(letters, k=table.groups[0].least))


@pytest.mark.parametrize("written", WRITTEN)
def test_texts_of_the_right_length(written: str) -> None:
    random = Random(written)
    texts = [digits(written, random) for _ in range(50)]
    found = credkit.bulk.compile(chain(written)).inspect(pl.Series(texts))
    assert found.values.tolist() == [int(text, notation(written).base) for text in texts]
    assert found.ok.all()


@pytest.mark.parametrize("written", WRITTEN)
def test_one_that_is_not_digits_is_judged_by_the_codec(written: str) -> None:
    random = Random(written)
    codec = chain(written)
    for strange in (*STRANGE, "2" if written.startswith("binary") else "G"):
        texts = [digits(written, random) for _ in range(5)]
        place = random.randrange(len(texts[0]))
        texts[3] = texts[3][:place] + strange + texts[3][place + 1 :]
        for given in (texts, [text[:-1] for text in texts], [texts[3]], [*texts, texts[0] + "0", ""]):
            found = credkit.bulk.compile(codec).inspect(pl.Series(given))
            assert found.ok.tolist() == [codec.inspect(text).ok for text in given]
            assert found.ok.all() or not found.values[~found.ok].any()


def test_which_are_read_at_once() -> None:
    """The checks above would say nothing about a kernel that never takes a text."""
    for written, text, number in (("hex:8", "02f764DD", 0x02F764DD), ("binary:26", "01" * 13, 0x1555555)):
        words = _parse_fixed_width(notation(written), pl.Series([text, text]))
        assert words is not None
        assert words.tolist() == [number, number]
        assert _parse_fixed_width(notation(written), pl.Series([text, text[1:]])) is None
    assert _parse_fixed_width(notation("hex:7"), pl.Series(["02F764D"])) is None
    assert _parse_fixed_width(notation("hex:8,colon"), pl.Series(["02:F7:64:DD"])) is None
    assert _parse_fixed_width(notation("decimal:32,8"), pl.Series(["02376455"])) is None

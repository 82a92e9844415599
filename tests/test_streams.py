"""Streams of a keypad: which chains read a burst, and what becomes of keys."""

from __future__ import annotations

import pytest

from credkit import DefinitionError, layout_entries
from credkit.streams import stream

KEYS = layout_entries({
    "keys": {"length": 8, "fields": {"key": "0-3", "row": "4-7"}},
    "one-digit": {"length": 4, "fields": {"digit": "0-3"}},
    "wide-key": {"length": 8, "fields": {"key": "4-7"}, "fixed": {"0-3": "0000"}},
})  # fmt: skip


@pytest.mark.parametrize(
    "burst",
    [
        "keypad-4",  # it takes bits
        "select:key=key",  # it takes fields
        "hex:1",  # it gives bits
        "strip",
        "hex:1/one-digit",
        "hex:2/keys",
        "hex:1/fields:keys:4",
    ],
)
def test_a_chain_that_does_not_read_a_burst_to_a_key_is_refused(burst: str) -> None:
    with pytest.raises(DefinitionError) as caught:
        stream(f"keypad:{burst}", KEYS)
    assert str(caught.value) == f"stream 'keypad:{burst}': {burst} does not read a text to the field key"


@pytest.mark.parametrize("burst", ["hex:1/keypad-4", "hex:1/fields:key:4", "hex:2/wide-key", "hex:2/keys/select:key"])
def test_any_chain_that_does_reads_a_burst(burst: str) -> None:
    front, rest = ("0", "") if "wide" in burst else ("", "7") if "keys" in burst else ("", "")
    chunks = [f"{front}{key}{rest}" for key in "12B0AB9B"]
    told = [(frame.value, frame.covers, frame.problem) for frame in stream(f"keypad:{burst}", KEYS).frames(chunks)]
    assert told == [
        ("12", (0, 1, 2), None),
        (None, (3, 4), "cleared after 1 digit"),
        (None, (5,), "entered with no digit before it"),
        ("9", (6, 7), None),
    ]


def test_a_burst_that_cannot_be_read_makes_its_entry_void() -> None:
    chunks = ["1", "x", "2", "B", "3", "B", "x", "4"]
    told = list(stream("keypad:hex:1/keypad-4").frames(chunks))
    assert [(frame.value, frame.covers) for frame in told] == [(None, (0, 1, 2, 3)), ("3", (4, 5)), (None, (6, 7))]
    assert told[0].problem is not None
    assert told[0].problem.startswith("hex:1: the alphabet fails")
    assert told[2].problem == "not entered: 1 digit and no #"

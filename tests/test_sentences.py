"""The recorded sentences: all are of tests that are there, and a sentence that differs fails."""

from __future__ import annotations

import pytest

from credkit import DecodeError, EncodeError, decode, encode
from tests.sentences import COLLECTED, Running, accept, assert_sentence, gone, load, refusal, running

FRAME = "binary/wiegand-26"


def test_every_recorded_sentence_is_of_a_test_that_is_there(request: pytest.FixtureRequest) -> None:
    there = request.config.stash[COLLECTED]
    assert running.is_accepted or gone(load(), there or set()) == []


def test_a_refusal_asserts_class_rule_place_and_sentence() -> None:
    """SIA AC-01: the first bit is even parity over the next twelve."""
    text = "00111101110110010011011101"
    with refusal(DecodeError, rule="even-parity", place=(0,)):
        decode(FRAME, text)
    with pytest.raises(AssertionError), refusal(DecodeError, rule="odd-parity"):
        decode(FRAME, text)
    with pytest.raises(AssertionError), refusal(DecodeError, place=(1,)):
        decode(FRAME, text)
    with pytest.raises(EncodeError), refusal(DecodeError):
        encode(FRAME, {"facility": 1000, "number": 1})


def test_another_sentence_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as context:
        context.setattr("tests.sentences.running", Running(recorded=["the frame has 25 bits"]))
        with pytest.raises(AssertionError):
            assert_sentence("the frame has 26 bits")
        with pytest.raises(AssertionError, match="no sentence 2 is recorded"):
            assert_sentence("the frame has 25 bits")


def test_accepting_replaces_what_ran_and_drops_what_is_gone() -> None:
    old = {"tests/test_chain.py": {"test_a": ["1"], "test_b": ["2"]}, "tests/test_none.py": {"test_c": ["3"]}}
    ran = {"tests/test_chain.py::test_a": ["new"]}
    assert accept(old, ran, None) == {**old, "tests/test_chain.py": {"test_a": ["new"], "test_b": ["2"]}}
    assert accept(old, ran, {"tests/test_chain.py::test_a"}) == {
        "tests/test_chain.py": {"test_a": ["new"]}, "tests/test_none.py": {},
    }  # fmt: skip
    assert running.provoked == []

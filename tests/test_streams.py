"""Streams: what is fed, iterated, flushed and split anywhere; which chains read a burst, and what becomes of keys."""

from __future__ import annotations

import copy
import pickle
import re
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from itertools import chain as joined
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import CredkitError, DecodeError, DefinitionError, Frame, Stream, StreamSession, layout_entries, stream
from credkit.streams.keypad import LONGEST_ENTRY
from tests.sentences import refusal

KEYS = layout_entries({
    "keys": {"length": 8, "fields": {"key": "0-3", "row": "4-7"}},
    "one-digit": {"length": 4, "fields": {"digit": "0-3"}},
    "wide-key": {"length": 8, "fields": {"key": "4-7"}, "fixed": {"0-3": "0000"}},
})  # fmt: skip
KEYPAD, SWIPES = stream("keypad:hex:1/keypad-4"), stream("swipes:binary")

bursts = st.lists(st.sampled_from("0123456789AAABBBCx"))
records = st.lists(st.sampled_from(["0" * 12, "0" * 6, "0", "1", "1011"])).map("".join)
unreadable = st.sampled_from(["", "2", "0" * 40, "1" * 40])
pieces = st.lists(
    st.text("01", max_size=40) | st.builds("".join, st.lists(st.sampled_from(["0" * 7, "1"]))) | unreadable
)


def split(whole: str, places: Iterable[int]) -> list[str]:
    """``whole`` in chunks that begin at ``places``."""
    ends = sorted({0, len(whole), *(place % (len(whole) + 1) for place in places)})
    return [whole[start:end] for start, end in pairwise(ends)]


def fed(session: StreamSession[str | Frame], chunks: Iterable[str]) -> list[Frame]:
    """The frames of chunks that are fed one by one."""
    return [*joined.from_iterable(session.feed(chunk) for chunk in chunks), *session.flush()]


def moved(frames: Iterable[Frame], places: int) -> list[Frame]:
    """The frames with later chunk numbers."""
    return [
        Frame(value=one.value, covers=tuple(place + places for place in one.covers), problem=one.problem)
        for one in frames
    ]


# ── laws ────────────────────────────────────────────────────────────────────────────────────────


def test_feeding_chunk_by_chunk_is_iterating_and_covers_every_chunk() -> None:
    seen = {True: 0, False: 0}

    @given(st.tuples(st.just(KEYPAD), bursts) | st.tuples(st.just(SWIPES), pieces))
    def law(case: tuple[Stream, list[str]]) -> None:
        description, chunks = case
        frames = fed(description.open(), chunks)
        assert frames == list(description.frames(chunks))
        assert {place for frame in frames for place in frame.covers} == set(range(len(chunks)))
        for frame in frames:
            assert (frame.value is None) == (frame.problem is not None)
            assert list(frame.covers) == sorted(set(frame.covers))
            seen[frame.problem is None] += 1

    law()
    assert min(seen.values()) > 3, "texts and problems"


@pytest.mark.parametrize("text", ["keypad:hex:1/keypad-4", "keypad:template:{key:d}", "swipes:binary", "swipes:hex"])
@given(st.lists(st.text()))
def test_any_texts_give_frames_and_nothing_else(text: str, chunks: list[str]) -> None:
    covered = [place for frame in stream(text).frames(chunks) for place in frame.covers]
    assert sorted(set(covered)) == list(range(len(chunks)))


@given(st.tuples(st.just(KEYPAD), bursts, bursts) | st.tuples(st.just(SWIPES), pieces, pieces))
def test_a_flushed_session_reads_on_as_a_new_one_and_counts_on(case: tuple[Stream, list[str], list[str]]) -> None:
    description, before, after = case
    session = description.open()
    assert fed(session, before) == list(description.frames(before))
    assert session.flush() == []
    assert fed(session, after) == moved(description.frames(after), len(before))


@given(st.lists(st.tuples(st.booleans(), st.sampled_from("123AB"))))
def test_sessions_of_one_stream_share_nothing(sent: list[tuple[bool, str]]) -> None:
    sessions = {True: KEYPAD.open(), False: KEYPAD.open()}
    found: dict[bool, list[Frame]] = {True: [], False: []}
    for which, chunk in sent:
        found[which] += sessions[which].feed(chunk)
    for which, session in sessions.items():
        assert found[which] + session.flush() == list(KEYPAD.frames(chunk for other, chunk in sent if other == which))


def test_threads_share_a_stream_and_take_a_session_each() -> None:
    sent = [f"{number}B" * 50 for number in range(1000, 1016)]
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda keys: [frame.value for frame in KEYPAD.frames(keys)], sent))
    assert found == [[keys[:4]] * 50 for keys in sent]


@given(records, st.lists(st.integers(0, 400)))
def test_swipes_are_the_same_wherever_a_record_is_split(record: str, places: list[int]) -> None:
    whole = [frame.value for frame in SWIPES.frames([record]) if frame.value]
    assert [frame.value for frame in SWIPES.frames(split(record, places)) if frame.value] == whole
    # in a track of 7-bit characters no 13 zeros follow each other; at the ends 6 may belong to a character
    assert [swipe.strip("0") for swipe in whole] == [one.strip("0") for one in re.split("0{13,}", record) if "1" in one]
    assert all(re.fullmatch("0{0,6}1([01]*1)?0{0,6}", swipe) for swipe in whole)


@given(bursts)
def test_entries_are_what_stands_between_the_keys_that_end_them(keys: list[str]) -> None:
    """By a regular expression, which knows nothing of sessions: an entry is digits and then B, which is #."""
    entries = re.findall("[^AB]*[AB]", "".join(keys))
    typed = [entry[:-1] for entry in entries if re.fullmatch("[0-9]+B", entry)]
    frames = list(KEYPAD.frames(keys))
    assert [frame.value for frame in frames if frame.value] == typed
    assert [place for frame in frames for place in frame.covers] == list(range(len(keys)))


# ── the description ─────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("text", ["keypad:hex:1/keypad-4", "keypad:hex:2/keypad-8", "swipes:binary", "swipes:hex"])
def test_a_stream_is_a_value(text: str) -> None:
    description = stream(text)
    for other in (stream(text), pickle.loads(pickle.dumps(description)), copy.deepcopy(description)):
        assert other == description
        assert hash(other) == hash(description)
        assert other.name == text
        assert list(other.frames(["1", "0"])) == list(description.frames(["1", "0"]))
    assert description != stream("keypad:hex:1/fields:key:4")
    assert repr(description) == f"<Stream {text}>"


def test_neither_a_description_nor_a_session_shows_what_was_typed() -> None:
    session = KEYPAD.open()
    assert repr(session) == "<KeypadSession, 0 chunks fed>"
    session.feed("7")
    assert repr(session) == "<KeypadSession, 1 chunk fed>"
    assert len(repr(stream(f"keypad:hex:1/fields:key:4{'/select:key' * 30}"))) < 200


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
        "track-2:key",  # its key is a text
    ],
)
def test_a_chain_that_does_not_read_a_burst_to_a_key_is_refused(burst: str) -> None:
    with pytest.raises(DefinitionError) as caught:
        stream(f"keypad:{burst}", KEYS)
    assert str(caught.value) == f"stream 'keypad:{burst}': {burst} does not read a text to the field key"


def test_a_chain_that_only_writes_is_refused() -> None:
    with refusal(DefinitionError):
        stream("keypad:hex:1/keep-low:4/keypad-8")


@pytest.mark.parametrize(
    "text", ["", "keypad", "keypad:", ":hex:1", "morse:binary", "keypad:no-such", None, 5, b"swipes"]
)
def test_what_names_no_stream_is_refused(text: str) -> None:
    with pytest.raises(CredkitError):
        stream(text)


def test_a_stream_made_by_hand_is_checked_too() -> None:
    with refusal(DefinitionError):
        Stream(kind="morse", codec=KEYPAD.codec)
    with refusal(DefinitionError):
        Stream(kind="swipes", codec=KEYPAD.codec)


@pytest.mark.parametrize("chunk", [b"1", None, 1, ["1"]])
def test_what_is_no_text_is_refused_and_not_counted(chunk: str) -> None:
    session = KEYPAD.open()
    session.feed("1")
    with refusal(DecodeError, place=()):
        session.feed(chunk)
    assert session.feed("B") == [Frame(value="1", covers=(0, 1))]


# ── keys ────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("burst", ["hex:1/keypad-4", "hex:1/fields:key:4", "hex:2/wide-key", "hex:2/keys/select:key"])
def test_any_chain_that_does_reads_a_burst(burst: str) -> None:
    front, rest = ("0", "") if "wide" in burst else ("", "7") if "keys" in burst else ("", "")
    chunks = [f"{front}{key}{rest}" for key in "12B0AB9B"]
    frames = stream(f"keypad:{burst}", KEYS).frames(chunks)
    assert [(frame.value, frame.covers, frame.problem) for frame in frames] == [
        ("12", (0, 1, 2), None),
        (None, (3, 4), "cleared after 1 digit"),
        (None, (5,), "entered with no digit before it"),
        ("9", (6, 7), None),
    ]


def test_a_burst_that_cannot_be_read_makes_its_entry_void() -> None:
    chunks = ["1", "x", "2", "B", "3", "B", "x", "4"]
    frames = list(KEYPAD.frames(chunks))
    assert [(frame.value, frame.covers) for frame in frames] == [(None, (0, 1, 2, 3)), ("3", (4, 5)), (None, (6, 7))]
    assert frames[0].problem is not None
    assert frames[0].problem.startswith("hex:1: the alphabet fails")
    assert frames[2].problem == "not entered: 1 digit and no #"


def test_a_key_above_that_for_enter_makes_its_entry_void() -> None:
    frames = list(stream("keypad:hex:1/fields:key:4").frames("12C3B4B"))
    assert [(frame.value, frame.covers) for frame in frames] == [(None, (0, 1, 2, 3, 4)), ("4", (5, 6))]
    assert frames[0].problem == "key 12 is neither a digit nor * (10) nor # (11)"


@pytest.mark.parametrize("end", ["B", "A"])
def test_an_entry_without_end_is_bounded_and_its_rest_is_no_entry(end: str) -> None:
    session = KEYPAD.open()
    frames = [frame for _ in range(LONGEST_ENTRY) for frame in session.feed("1")]
    assert [(frame.covers, frame.problem) for frame in frames] == [
        (tuple(range(LONGEST_ENTRY)), "no # within 4096 bursts")
    ]
    assert session.feed("2") == []
    (rest,) = session.feed(end)
    assert (rest.value, rest.covers) == (None, (LONGEST_ENTRY, LONGEST_ENTRY + 1))
    assert [frame.value for key in "34B" for frame in session.feed(key)] == ["34"]


def test_bursts_that_cannot_be_read_are_bounded_too() -> None:
    frames = list(KEYPAD.frames(["x"] * (2 * LONGEST_ENTRY + 1)))
    assert [len(frame.covers) for frame in frames] == [LONGEST_ENTRY, LONGEST_ENTRY, 1]
    assert not any(frame.value for frame in frames)

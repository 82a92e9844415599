"""One track of several that were typed: every combination, what is set aside, and what is no track."""

from __future__ import annotations

import re
from collections import Counter
from itertools import product
from random import Random

import pytest
from hypothesis import given

from credkit import DecodeError, DefinitionError, EncodeError, chain
from credkit.codecs.tracktexts import TrackText
from tests.contentstrategies import typed
from tests.sentences import refusal
from tests.strategies import randoms, valid
from tests.test_laws import agreed, obey

FIRST, SECOND, THIRD = "%EAST^17?", ";0123=45?", "+01234?"


def unread(text: str, value: str) -> str:
    with pytest.raises(DecodeError) as caught:
        chain(text).decode(value)
    return str(caught.value).removeprefix(f"{text}: ")


@pytest.mark.parametrize("which", list(product((True, False), repeat=3)))
def test_every_combination(which: tuple[bool, bool, bool]) -> None:
    tracks = {1: FIRST, 2: SECOND, 3: THIRD}
    there = [number for number, on in zip(tracks, which, strict=True) if on]
    text = "".join(tracks[number] for number in there)
    for number, track in tracks.items():
        codec = chain(f"track:{number}")
        if number not in there:
            beside = " and ".join(f"track {other}" for other in there)
            assert f"expected track {number} " + (f"beside {beside}" if there else "in the text") in unread(
                codec.name, text
            )
            continue
        on_medium = track.replace("+", ";")
        assert codec.decode(text) == on_medium
        assert codec.encode(on_medium) == track
        others = [other for other in there if other != number]
        notes = [(note.kind, note.level, note.text) for note in codec.inspect(text).notes]
        said = " and ".join(f"track {other}" for other in others)
        assert notes == ([("set-aside", "info", f"{said}: set aside")] if others else [])


@pytest.mark.parametrize(
    ("text", "third"),
    [
        (";1?;2?", ";2?"),  # a third track with the sentinel of the medium
        ("%A?;1?;2?", ";2?"),
        ("%A?;1?+2?", ";2?"),
        ("%A?+2?", ";2?"),
        ("%?;?+?", ";?"),
    ],
)
def test_the_third_track(text: str, third: str) -> None:
    assert chain("track:3").decode(text) == third


@pytest.mark.parametrize("text", ["%A?%B 1?", "%A?;1?%B 1?", ";1?%B 1?", "+B 1?", "%A?+B 1?"])
def test_the_third_track_in_the_7_bit_set(text: str) -> None:
    """Licences write the 7-bit set on track 3 (AAMVA DL/ID card standard, magnetic stripe annex)."""
    codec = chain("track:3,7-bit")
    assert codec.decode(text) == "%B 1?"
    assert codec.encode("%B 1?") == "+B 1?"
    assert "(track:3,7-bit reads the 7-bit set)" in unread("track:3", text)


@pytest.mark.parametrize(
    ("number", "text", "said", "at"),
    [
        ("2", ";1?;2?", "track 3 begins like track 2: it may be another swipe", (3, 4, 5)),
        ("3", ";1?;2?", "track 2 begins like track 3: it may be another swipe", (0, 1, 2)),
        ("3", "%A?;1?;2?", "track 2 begins like track 3: it may be another swipe", (3, 4, 5)),
        ("1", "%A?%B?", "track 3 begins like track 1: it may be another swipe", (3, 4, 5)),
        ("2", "%A?;1?+2?", "", ()),  # three tracks of one card, told apart by their sentinels
        ("3", "%A?;1?+2?", "", ()),
        ("1", "%A?;1?;2?", "", ()),
        ("3,7-bit", "%A?;1?%B?", "track 1 begins like track 3: it may be another swipe", (0, 1, 2)),
    ],
)
def test_tracks_that_begin_alike_may_be_two_swipes(number: str, text: str, said: str, at: tuple[int, ...]) -> None:
    reading = chain(f"track:{number}").inspect(text)
    assert reading.ok
    notes = [(note.level, note.text, note.at) for note in reading.notes if note.kind == "perhaps-two-swipes"]
    assert notes == ([("care", said, at)] if said else [])


def test_a_third_track_is_taken_in_the_set_that_is_named() -> None:
    assert unread("track:3", "%A?%1?") == (
        "the text of tracks fails: character 3 is '%', expected ';' or '+' (track:3,7-bit reads the 7-bit set)"
    )
    assert unread("track:3", "+1A?").startswith("the text of tracks fails: character 2 is 'A', expected one of 0-:<->")
    assert unread("track:3,7-bit", ";1?;2?") == "the text of tracks fails: character 3 is ';', expected '%' or '+'"


@pytest.mark.parametrize(
    ("text", "at", "said"),
    [
        (" %A?", 0, "' ', expected the start sentinel of a track"),
        ("%A? ;1?", 3, "' ', expected the start sentinel of a track behind track 1"),
        ("%A?\r", 3, "'\\r', expected the start sentinel of a track behind track 1"),
        (";1?%A?;2?", 6, "';', expected the start sentinel of a track behind track 3"),
        ("+1?;2?", 3, "';', expected the start sentinel of a track behind track 3"),
        (";1?;2?;3?", 6, "';', expected the start sentinel of a track behind track 3"),
        ("%A?%B?%C?", 6, "'%', expected the start sentinel of a track behind track 3"),
        ("%Ab?", 2, "'b', expected a character of track 1 or its end sentinel"),
        ("%A%B?", 2, "'%', expected a character of track 1 or its end sentinel"),
        (";1A?", 2, "'A', expected a character of track 2 or its end sentinel"),
        (";1;2?", 2, "';', expected a character of track 2 or its end sentinel"),
        ("%A??", 3, "'?', expected the start sentinel of a track behind track 1"),
        ("١", 0, "'١', expected the start sentinel of a track"),
    ],
)
def test_what_is_no_track_has_its_place(text: str, at: int, said: str) -> None:
    for name in ("track:1", "track:2", "track:3"):
        assert unread(name, text) == f"the text of tracks fails: character {at} is {said}"


@pytest.mark.parametrize(("text", "number"), [("%", 1), ("%A", 1), ("%A?;", 2), ("%A?;12", 2), ("%A?+", 3)])
def test_a_track_that_does_not_end(text: str, number: int) -> None:
    assert unread("track:1", text) == (
        f"the text of tracks fails: found {text!r}, "
        f"expected a character of track {number} or its end sentinel at its end"
    )


def test_what_the_reader_could_not_read() -> None:
    """A reader types an E for a track that it could not read: common practice, no source."""
    for number, text in ((1, "%E?;1?"), (2, "%A?;E?"), (3, "%A?+E?"), (3, ";1?;E?")):
        with pytest.raises(DecodeError) as caught:
            chain(f"track:{number}").decode(text)
        at = text.index("E") - 1
        assert caught.value.check is not None
        assert caught.value.check.rule == "read-error"
        assert caught.value.place == (at, at + 1, at + 2)
    assert unread("track:2", "%A?;E?") == (
        "track 2 fails: characters 3-5 are ';E?', expected a track that the reader could read"
    )
    reading = chain("track:2").inspect("%E?;1?+E?")
    assert reading.value == ";1?"
    assert [(note.kind, note.level, note.at) for note in reading.notes] == [
        ("read-error", "care", (0, 1, 2)), ("read-error", "care", (6, 7, 8)), ("set-aside", "info", (0, 1, 2, 6, 7, 8)),
    ]  # fmt: skip
    assert chain("track:1").decode("%EE?") == "%EE?"


@pytest.mark.parametrize(
    ("codec", "value"),
    [
        ("track:1", "%E?"),  # would be read as an error
        ("track:3,7-bit", "%E?"),
        ("track:1", ";1?"),
        ("track:2", "%A?"),
        ("track:2", "+1?"),
        ("track:3", "+1?"),
        ("track:3", "%A?"),  # would be read as track 1
        ("track:2", ";1"),
        ("track:2", "1?"),
        ("track:2", ";1?;2?"),
        ("track:2", ";A?"),
        ("track:2", ";1? "),
        ("track:1", "%a?"),
        ("track:1", "%%?"),
        ("track:1", "?"),
        ("track:1", ""),
    ],
)
def test_what_would_not_be_read_back_is_not_written(codec: str, value: str) -> None:
    with pytest.raises(EncodeError, match=re.escape(f"{codec}: {value!r} is ")):
        chain(codec).encode(value)


@pytest.mark.parametrize("text", ["track:1", "track:2", "track:3", "track:3,7-bit"])
def test_tracks_among_others_come_back(text: str) -> None:
    """Whatever a reader types around it, the track is what it was, and each character is traced."""
    codec = chain(text)
    assert isinstance(codec, TrackText)
    seen: Counter[str] = Counter()

    @given(randoms())
    def law(random: Random) -> None:
        obey(codec, random, seen)
        track = valid(random, codec)
        if track[1:] == "E?":
            return
        whole = typed(random, codec, track)
        seen["several"] += whole.count("?") > 1
        assert agreed(codec, whole) == track
        reading = codec.inspect(whole)
        for place, char in enumerate(track[1:], 1):
            assert whole[int(reading.origin(place)[0])] == char
        assert "".join(str(part.value) for part in reading.parts) == whole

    law()
    assert seen["several"] > 20


def test_with_other_steps() -> None:
    codec = chain("strip:,<enter>/track:2/track-2:number,rest/digits:number,4/select:card=number,rest")
    assert codec.decode(FIRST + SECOND + THIRD + "\r\n") == {"card": 123, "rest": "45"}
    assert codec.encode({"card": 123, "rest": "45"}) == SECOND + "\r"
    licence = chain("track:3,7-bit/driving-licence-track-3")
    text = licence.encode(dict.fromkeys(licence.schema, "") | {"postal": "12345"})
    assert text.startswith("+  12345")
    assert licence.decode(FIRST + text)["postal"] == "12345"
    with pytest.raises(DecodeError) as caught:
        chain("track:2/financial-track-2").decode(FIRST + ";79927398714===?")
    assert caught.value.place == (len(FIRST) + 11,)


@pytest.mark.parametrize(
    "text",
    [
        "track:4",
        "track:0",
        "track:two",
        "track:2,7-bit",
        "track:3,5-bit",
        "track",
    ],
)
def test_arguments_that_cannot_be(text: str) -> None:
    with refusal(DefinitionError):
        chain(text)

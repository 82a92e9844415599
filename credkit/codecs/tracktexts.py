"""One track of the several that a keyboard-emulating reader types: text to text.

    %EAST^0123?;0123=45?+01234?     all three tracks of one swipe, one after the other
    %          ?                    track 1 begins with %
               ;       ?            track 2 begins with ;
                       +     ?      track 3 begins with + when it is typed, with ; on the medium

Tracks that a card does not have are left out. A third track may also begin with ; behind another
track that does, or with % behind another track: that is the 7-bit set. A reader that could not read
a track types an E between the sentinels. Characters outside tracks, such as the Enter key, are for
`strip`, before this step.

It has no table of the five kinds: how many tracks there are depends on the text.

Source: ISO/IEC 7811-2, 7811-6 and 4909 (sentinels, characters); + and E are common practice, no source.

>>> build_track_text("2").decode("%EAST^0123?;0123=45?")
';0123=45?'
>>> build_track_text("3").encode(";01234?")
'+01234?'
>>> build_track_text("3").decode("%EAST^0123?;0123=45?")
Traceback (most recent call last):
credkit.DecodeError: track:3: track 3 fails: found '%EAST^0123?;0123=45?', 20 characters, \
expected track 3 beside track 1 and track 2
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import NamedTuple

from credkit.codecs.arguments import parse_whole_number
from credkit.core.codec import AnyCodec, Codec, Entry, Example
from credkit.core.errors import DefinitionError, EncodeError
from credkit.core.grammar import format_step
from credkit.core.origins import Shifted
from credkit.core.reading import AnyReading, Check, Note, Part, Reading
from credkit.core.sentences import redacted_repr
from credkit.core.shapes import TEXT
from credkit.tables.characters import ALPHANUMERIC, NUMERIC, CharacterSet
from credkit.tables.items import character_class, format_ranges

TYPED_TRACK_3_START = "+"  # what a keyboard-emulating reader types before track 3
TRACKS_BY_START = {
    "%": (1, 3),
    ";": (2, 3),
    TYPED_TRACK_3_START: (3,),
}  # which tracks a character may begin, the first one that is free
_PATTERNS = {  # what stands between the sentinels; both sets are possible on a track 3 that was typed
    "%": re.compile(character_class(ALPHANUMERIC.content_letters) + "*"),
    ";": re.compile(character_class(NUMERIC.content_letters) + "*"),
    TYPED_TRACK_3_START: re.compile(character_class(ALPHANUMERIC.content_letters) + "*"),
}
END_SENTINEL = "?"
FAILED_TRACK = f"E{END_SENTINEL}"  # common practice, no source


class TypedTrack(NamedTuple):
    """One track in the text that was typed: its number, from where to where."""

    number: int
    start: int
    stop: int
    failed: bool  # the reader could not read it

    @property
    def places(self) -> tuple[int, ...]:
        """Its characters."""
        return tuple(range(self.start, self.stop))

    def slice_of(self, text: str) -> str:
        """What stands there in ``text``."""
        return text[self.start : self.stop]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class TrackText(Codec[str, str]):
    """Selects the track ``number`` of a text of several; it stands on the medium in the set ``letters``."""

    number: int
    letters: CharacterSet

    def inspect(self, value: str) -> AnyReading:
        """The track with the start sentinel of the medium, the others set aside."""
        tracks, fault = self._split_tracks(value)
        notes = tuple(
            Note(
                kind="read-error", level="care", at=each.places,
                text=f"the reader could not read track {each.number}",
            )
            for each in tracks
            if each.failed and each.number != self.number
        )  # fmt: skip
        mine = next((each for each in tracks if each.number == self.number), None)
        if mine is None:
            return Reading(value=None, checks=(fault or self._missing_track_check(value, tracks),), notes=notes)
        if fault := fault or self._wrong_track_check(value, mine):
            return Reading(value=None, checks=(fault,), notes=notes)
        others = [each for each in tracks if each is not mine]
        if others:
            at = tuple(place for each in others for place in each.places)
            notes += (Note(kind="set-aside", level="info", text=f"{_describe_tracks(others)}: set aside", at=at),)
        twins = [each for each in others if value[each.start] == value[mine.start]]
        if twins:
            text = f"{_describe_tracks(twins)} begins like track {mine.number}: it may be another swipe"
            at = tuple(place for each in twins for place in each.places)
            notes += (Note(kind="perhaps-two-swipes", level="care", text=text, at=at),)
        return Reading(
            value=self.letters.start + value[mine.start + 1 : mine.stop], notes=notes,
            parts=tuple(
                Part(name=f"track {each.number}", at=each.places, value=each.slice_of(value)) for each in tracks
            ),
            origin=Shifted(mine.start),
        )  # fmt: skip

    def _decode_noted(self, raw: str) -> tuple[str, tuple[Note, ...]] | None:
        """The track if it stands alone and is right: then it has no note."""
        tracks, fault = self._split_tracks(raw)
        if fault or len(tracks) != 1 or tracks[0].number != self.number or self._wrong_track_check(raw, tracks[0]):
            return None
        return self.letters.start + raw[1:], ()

    def _decode_raw(self, raw: str) -> str | None:
        """The track, or None."""
        noted = self._decode_noted(raw)
        return noted[0] if noted else Codec._decode_raw(self, raw)

    def _split_tracks(self, text: str) -> tuple[list[TypedTrack], Check | None]:
        """The tracks in the text, as far as it consists of them, and what is wrong behind them."""
        found: list[TypedTrack] = []
        at = 0
        while at < len(text):
            last = found[-1].number if found else 0
            number = next((n for n in TRACKS_BY_START.get(text[at], ()) if n > last), None)
            if number is None:
                behind = f" behind track {last}" if last else ""
                return found, self._failed_check("form", "the start sentinel of a track" + behind, text, at)
            failed = text.startswith(FAILED_TRACK, at + 1)
            match = _PATTERNS[text[at]].match(text, at + 1)
            stop = match.end() if match and not failed else at + len(FAILED_TRACK)
            if text[stop : stop + 1] != END_SENTINEL:
                return found, self._failed_check(
                    "form", f"a character of track {number} or its end sentinel", text, stop
                )
            found.append(TypedTrack(number, at, stop + 1, failed))
            at = stop + 1
        return found, None

    def _failed_check(self, rule: str, expected: str, text: str, at: int, stop: int | None = None) -> Check:
        """A failed check at one place, or at several, or at the end of the text."""
        claim = f"track {self.number}" if stop else "the text of tracks"
        found = text[at : stop or at + 1]
        places = tuple(range(at, at + len(found)))
        return Check(
            codec=self.name, rule=rule, claim=claim, form="text", at=places,
            expected=expected if places else f"{expected} at its end", found=found if places else (text,),
        )  # fmt: skip

    def _missing_track_check(self, text: str, tracks: list[TypedTrack]) -> Check:
        there = f"beside {_describe_tracks(tracks)}" if tracks else "in the text"
        return Check(
            codec=self.name, rule="track", claim=f"track {self.number}", form="text",
            expected=f"track {self.number} {there}", found=text,
        )  # fmt: skip

    def _wrong_track_check(self, text: str, track: TypedTrack) -> Check | None:
        """Why the track cannot be given as it stands on the medium, or None."""
        if track.failed:
            return self._failed_check("read-error", "a track that the reader could read", text, track.start, track.stop)
        start = self.letters.start
        hint = "" if self.letters is ALPHANUMERIC else " (track:3,7-bit reads the 7-bit set)"
        if text[track.start] not in (start, TYPED_TRACK_3_START):
            return self._failed_check(
                "form", f"{redacted_repr(start)} or {redacted_repr(TYPED_TRACK_3_START)}{hint}", text, track.start
            )
        for place in range(track.start + 1, track.stop - 1):
            if text[place] not in self.letters.content_letters:
                return self._failed_check(
                    "alphabet", f"one of {format_ranges(self.letters.content_letters)}{hint}", text, place
                )
        return None

    def encode(self, value: str) -> str:
        """The track as it is typed, alone; raises `EncodeError` for what would not be read back."""
        ends = self.check_output(value)[:1] == self.letters.start and value[-1:] == END_SENTINEL and len(value) > 1
        strange = [char for char in value[1:-1] if char not in self.letters.content_letters]
        if not ends or strange or value[1:] == FAILED_TRACK:
            why = "is what a reader types for an error" if value[1:] == FAILED_TRACK else "is no track"
            of = f"{self.letters.start}…{END_SENTINEL} with characters of {format_ranges(self.letters.content_letters)}"
            raise EncodeError(f"{self.name}: {redacted_repr(value)} {why}, expected {of}")
        return (TYPED_TRACK_3_START if self.number == 3 else value[0]) + value[1:]


def _describe_tracks(tracks: list[TypedTrack]) -> str:
    return " and ".join(f"track {each.number}" for each in tracks)


def build_track_text(number: str, letters: str = "") -> AnyCodec:
    """``track:N``, ``track:3,7-bit``: track N of what a keyboard-emulating reader types, sentinels included.

    Tracks follow one another in the order 1, 2, 3, and each may be missing; a note says which ones were
    set aside. Track 3 is in the 5-bit set (`;` on the medium) unless 7-bit is said (`%`): a typed `+` does
    not tell which.
    """
    chosen = parse_whole_number("track", "the track", number, most=3)
    if letters and (chosen != 3 or letters != ALPHANUMERIC.name):
        raise DefinitionError(
            f"track: only track 3 has a second set here, written track:3,7-bit, not {redacted_repr(letters)}"
        )
    return TrackText(
        name=format_step("track", number, letters), input=TEXT, output=TEXT, number=chosen,
        letters=ALPHANUMERIC if chosen == 1 or letters else NUMERIC,
    )  # fmt: skip


ENTRIES = (
    Entry(
        name="track", signature="N[,7-bit]", title="one track of those that a keyboard-emulating reader types",
        source="ISO/IEC 7811-2, 7811-6 and 4909; + and E as typed are common practice, no source",
        build=build_track_text, usual=("1", "2", "3", "3,7-bit"),
        examples=(
            Example(args="2", given=";0123=45?", gives=";0123=45?"),
            Example(args="3", given="+01234?", gives=";01234?"),
        ),
    ),
)  # fmt: skip

"""Magnetic stripes: the bits of a track to its characters, and back.

    ; 1 2 … ?  LRC     11010 10000 01000 … 11111 00110

A track is read forwards, or backwards where the card was pulled the other way, whatever zeros stand
around it; the direction, and noise beside the track, are notes. A few tracks of 7-bit characters
hold all rules both ways, with another text: such a row is ambiguous and gives no value. Every character must have odd
parity and the LRC must make the columns of data bits even. Together they find every one or two
wrong bits, and locate a single one (`credkit.explain.diagnosis` does). Three wrong bits pass only where they
make a shorter track of it, four where they stand in a rectangle; characters that changed places are
never noticed. They find accidents: a track that passes can have been written by anybody.

What stands on the medium is the same whatever the track is called; only the usual character set
differs: 7 bits on track 1, 5 bits on tracks 2 and 3. How many characters a track may have is a
rule of its content. It has no table of the fixed kinds, because its length varies; its character
sets are tables (`credkit.tables.characters`).

Source: ISO/IEC 7811-2 and 7811-6 (tracks 1 and 2), ISO/IEC 4909 (track 3).

>>> from bitstring import Bits
>>> track = build("track-2-bits", "5", "5", "5")
>>> track.encode(";01?").bin
'00000110100000110000111111010100000'
>>> track.decode(Bits("0b1101000001100001111110101"))
';01?'
>>> [note.kind for note in track.inspect(track.encode(";01?")[::-1]).notes]
['backwards']
>>> track.decode(Bits("0b00000110100000110000111111010000000"))
Traceback (most recent call last):
credkit.DecodeError: track-2-bits:5,5: the parity of the LRC fails: bit 29 is 0, expected 1
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import partial

from bitstring import Bits

from credkit.codecs.arguments import parse_whole_number
from credkit.core.codec import AnyCodec, Entry, Example, TableCodec
from credkit.core.errors import DefinitionError, EncodeError
from credkit.core.forms import Word
from credkit.core.grammar import format_step
from credkit.core.origins import Place, Several
from credkit.core.reading import AnyReading, Check, Note, Part, Reading
from credkit.core.sentences import redacted_repr
from credkit.core.shapes import TEXT, bits
from credkit.core.spans import MAX_BITS, format_span
from credkit.tables.characters import ALPHANUMERIC, NUMERIC, SETS_BY_NAME, CharacterSet
from credkit.tables.swipes import (
    Swipe,
    decode_track,
    find_garbled,
    find_islands,
    find_only_track,
    find_tracks,
    separating_zeros,
    track_evidence,
)

MOST_WRITTEN_ZEROS = 4096  # that encoding writes before or behind a track


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class TrackBits(TableCodec[Bits, str]):
    """Bits to the text of a track, from start to end sentinel; ``zeros`` are written before and behind it."""

    letters: CharacterSet
    zeros: tuple[int, int]

    @property
    def table(self) -> CharacterSet:
        """The character set."""
        return self.letters

    def _decode_raw(self, raw: Word) -> str | None:
        """The text of the one track in the bits, or None."""
        noted = self._decode_noted(raw)
        return noted[0] if noted else None

    def _decode_noted(self, raw: Word) -> tuple[str, tuple[Note, ...]] | None:
        """The text of the one track in the bits with the notes on it, or None."""
        number, length = raw
        if length > MAX_BITS:
            return None
        row = f"{number:0{length}b}"
        swipe = find_only_track(self.letters, row)
        return (swipe.text, self._notes(swipe, row)) if swipe else None

    def _encode_raw(self, raw: str) -> Word:
        """The bits, with the LRC; raises `EncodeError` for a text that is not sentinels and characters of the set.

        Nor is a text written that a card pulled the other way would show as another one.
        """
        letters = self.letters
        if not raw.startswith(letters.start) or not raw.endswith(letters.end) or len(raw) < 2:
            raise EncodeError(
                f"{self.name}: {redacted_repr(raw)} does not stand between the sentinels "
                f"{letters.start} and {letters.end}"
            )
        for place, char in enumerate(raw[1:-1], 1):
            if char not in letters.content_letters:
                raise EncodeError(
                    f"{self.name}: {redacted_repr(char)} at character {place} is none of the characters that the "
                    f"{letters.name} set has between its sentinels"
                )
        if len(raw) * letters.width > MAX_BITS - 2 * MOST_WRITTEN_ZEROS:
            raise EncodeError(f"{self.name}: {len(raw)} characters are more than a row of {MAX_BITS} bits holds")
        row = "".join(letters.bits_by_character[char] for char in raw + letters.lrc(raw))
        turned = decode_track(letters, row[::-1])
        if turned and turned.text != raw:
            raise EncodeError(
                f"{self.name}: pulled the other way, {redacted_repr(raw)} reads as "
                f"{redacted_repr(turned.text)}, and no check "
                "tells which was meant"
            )
        before, behind = self.zeros
        return int(row, 2) << behind, before + len(row) + behind

    def inspect(self, value: Bits) -> AnyReading:
        """The text, with the checks of its characters; what is wrong where there is no track, or more than one."""
        if len(value) > MAX_BITS:
            check = Check(
                codec=self.name, rule="length", claim="the length in bits", form="bits",
                expected=f"at most {MAX_BITS}", found=len(value),
            )  # fmt: skip
            return Reading(value=None, checks=(check,))
        row = value.bin
        swipe = find_only_track(self.letters, row)
        if swipe:
            return self._good_reading(swipe, row)
        several = list(find_tracks(self.letters, row))
        if len(several) > 1:
            both = len(several) == 2 and several[0].start < several[1].stop and several[1].start < several[0].stop
            return self._ambiguous_reading(several) if both else self._several_tracks_reading(several)
        if several:
            return self._doubtful_reading(several[0], row)
        return self._failed_reading(row)

    def _good_reading(self, swipe: Swipe, row: str) -> AnyReading:
        """The reading of a good track, with its notes."""
        track = _TrackInRow.from_island(self.letters, row, (swipe.start, swipe.stop), swipe.backwards)
        return replace(self._explained_reading(track), notes=self._notes(swipe, row))

    def _notes(self, swipe: Swipe, row: str) -> tuple[Note, ...]:
        """The notes on the direction of a good track and on noise beside it."""
        notes = []
        if swipe.backwards:
            notes.append(Note(kind="backwards", level="info", text="the card was pulled the other way"))
        before, behind = ("behind", "before") if swipe.backwards else ("before", "behind")
        for kind, start, stop in ((before, 0, swipe.start), (behind, swipe.stop, len(row))):
            noise = [place for place in range(start, stop) if row[place] == "1"] if "1" in row[start:stop] else ()
            if noise:
                where = "before the start sentinel" if kind == "before" else "behind the LRC"
                size = noise[-1] - noise[0] + 1
                text = f"{size} bit{'s' * (size > 1)} of noise {where}"
                notes.append(Note(kind=f"noise-{kind}", level="care", text=text, at=tuple(noise)))
        return tuple(notes)

    def _explained_reading(self, track: _TrackInRow) -> AnyReading:
        """The reading of a track as it stands, whether its checks pass or not."""
        letters, width, data = self.letters, self.letters.width, self.letters.data_bits
        count, stop = track.count, track.count * self.letters.width
        lrc = track.bits[stop : stop + data]
        sums = "".join(str(track.bits[column:stop:width].count("1") % 2) for column in range(data))
        body = [place for place in range(stop) if place % width != data]
        checks = [
            self._sentinel_check("start", letters.start, track, 0),
            self._parity_check(track, count),
            self._sentinel_check("end", letters.end, track, stop - width),
        ]
        again = [place for place, char in enumerate(track.characters[1:count], 1) if char == letters.start]
        if again:
            at = [bit for place in again for bit in range(place * width, place * width + width)]
            found = f"{len(again)} more"
            checks.append(
                self._check(
                    "one-start", f"one start sentinel {redacted_repr(letters.start)}", track, at, [], "none", found
                )
            )
        if track.has_lrc:
            right, own = str(1 - lrc.count("1") % 2), track.bits[stop + data : stop + width]
            checks += [
                self._check(
                    "lrc", f"the LRC over {count} characters", track, range(stop, stop + data), body, sums, lrc
                ),
                self._check("lrc-parity", "the parity of the LRC", track, [stop + data], range(stop, stop + data),
                            right, own),
            ]  # fmt: skip
        else:
            missing = f"the bits end {track.missing_lrc} too early"
            checks.append(self._check("lrc", "an LRC", track, [], [], f"{width} bits", missing))
        if track.behind:
            found = "1" * len(track.behind)
            claim = f"at least {separating_zeros(letters)} zeros behind the LRC"
            checks.append(self._check("zeros-behind", claim, track, track.behind, [], "0" * len(found), found))
        return Reading(
            value="".join(track.characters[:count]), checks=tuple(checks), parts=track.parts(),
            origin=Several(tuple(track.places_in_row(range(at * width, at * width + width)) for at in range(count))),
        )  # fmt: skip

    def _endless_reading(self, track: _TrackInRow) -> AnyReading:
        """The reading of a track without an end."""
        count = len(track.characters)
        missing = self._check(
            "end-sentinel", f"the end sentinel {self.letters.end}", track, [], [],
            self.letters.bits_by_character[self.letters.end], f"none in {count} characters",
        )  # fmt: skip
        return Reading(value=None, checks=(self._parity_check(track, count), missing), parts=track.parts())

    def _parity_check(self, track: _TrackInRow, count: int) -> Check:
        """The check on the parity of the first ``count`` characters; of wrong ones only, if there are any."""
        width, data = self.letters.width, self.letters.data_bits
        every = range(data, count * width, width)
        odd = [place for place in every if track.bits.count("1", place - data, place + 1) % 2 == 0]
        values = "".join(track.bits[place] for place in odd or every)
        expected = "".join("10"[int(bit)] for bit in values) if odd else values
        body = [place for place in range(count * width) if place % width != data]
        claim = f"odd parity of each of {count} characters"
        return self._check("character-parity", claim, track, odd or every, body, expected, values, max(0, count - 2))

    def _sentinel_check(self, which: str, char: str, track: _TrackInRow, start: int) -> Check:
        width, bits = self.letters.width, self.letters.bits_by_character[char]
        places = range(start, start + width)
        found = track.bits[start : start + width]
        return self._check(f"{which}-sentinel", f"the {which} sentinel {char}", track, places, [], bits, found)

    def _check(
        self, rule: str, claim: str, track: _TrackInRow, at: Iterable[int], covers: Iterable[int], expected: str,
        found: str,
        evidence: int | None = None,
    ) -> Check:  # fmt: skip
        places = track.places_in_row(at)
        return Check(
            codec=self.name, rule=rule, claim=claim, form="bits", at=places, covers=track.places_in_row(covers),
            expected=expected,
            found=found, evidence=len(places) if evidence is None else evidence,
        )  # fmt: skip

    def _ambiguous_reading(self, swipes: list[Swipe]) -> AnyReading:
        """The reading of a row that is one track forwards, and another backwards."""
        forwards, backwards = sorted(swipes, key=lambda swipe: swipe.backwards)
        check = Check(
            codec=self.name, rule="direction", claim="one direction of reading", form="bits",
            at=tuple(range(min(forwards.start, backwards.start), max(forwards.stop, backwards.stop))),
            expected="one", found="ambiguous",
        )  # fmt: skip
        texts = f"forwards it is {redacted_repr(forwards.text)}, backwards {redacted_repr(backwards.text)}"
        note = Note(kind="both-directions", level="care", text=f"all checks hold both ways: {texts}")
        return Reading(value=None, checks=(check,), notes=(note,))

    def _several_tracks_reading(self, swipes: list[Swipe]) -> AnyReading:
        """The reading of a row in which several tracks stand."""
        spans = (f"bits {format_span(range(swipe.start, swipe.stop))}" for swipe in swipes)
        check = Check(
            codec=self.name, rule="one-swipe", claim="one swipe in the row", form="bits", expected=1,
            found=f"{len(swipes)}: {', '.join(spans)}",
        )  # fmt: skip
        return Reading(value=None, checks=(check,))

    def _doubtful_reading(self, swipe: Swipe, row: str) -> AnyReading:
        """The reading of a row in which more than noise stands beside a track, or of noise that may have made it."""
        if span := find_garbled(self.letters, swipe, row):
            check = Check(
                codec=self.name, rule="one-swipe", claim="one swipe in the row", form="bits", at=tuple(range(*span)),
                expected="noise at most", found=row[slice(*span)],
            )  # fmt: skip
            return Reading(value=None, checks=(check,))
        size, bits = len(swipe.text), track_evidence(self.letters, swipe.text)
        check = Check(
            codec=self.name, rule="noise", claim="only zeros around so short a track", form="bits",
            expected="zeros", found=f"noise around {size} characters, whose checks are worth {bits} bits",
        )  # fmt: skip
        return Reading(value=None, checks=(check,))

    def _failed_reading(self, row: str) -> AnyReading:
        """The reading of a row without a good track: what is wrong with all of it, or with the longest island."""
        letters = self.letters
        longest = max(find_islands(letters, row), key=lambda span: span[1] - span[0], default=(0, 0))
        for span in ((max(row.find("1"), 0), row.rfind("1") + 1), longest):
            bits = row[slice(*span)]
            ways = [turn for turn in (False, True) if bits[:: -1 if turn else 1].startswith(letters.start_bits)]
            if ways:
                break
        else:
            start, bits = span[0], bits[: letters.width]
            check = Check(
                codec=self.name, rule="start-sentinel", form="bits",
                claim=f"a start sentinel {redacted_repr(letters.start)}",
                at=tuple(range(start, start + len(bits))), expected=letters.start_bits, found=bits or "no bit",
            )  # fmt: skip
            return Reading(value=None, checks=(check,))
        tracks = (_TrackInRow.from_island(letters, row, span, backwards) for backwards in ways)
        track = max(tracks, key=lambda track: (bool(track.count), not track.backwards))
        return self._explained_reading(track) if track.count else self._endless_reading(track)


@dataclass(frozen=True, slots=True, kw_only=True)
class _TrackInRow:
    """A track as it stands in a row: its bits from the start sentinel on, in the direction of reading.

    ``characters`` are read by their data bits, whatever their parity; ``count`` of them are the
    track, the one behind them is the LRC. ``count`` is 0 where no end sentinel comes. ``behind`` are
    ones that follow the LRC too soon.
    """

    bits: str
    start: int
    backwards: bool
    length: int
    width: int
    characters: tuple[str, ...]
    count: int
    behind: tuple[int, ...]

    @classmethod
    def from_island(cls, letters: CharacterSet, row: str, span: tuple[int, int], backwards: bool) -> _TrackInRow:
        """The track in the island ``span`` of ``row``; zeros at its end may belong to its last character."""
        width = letters.width
        way = row[::-1] if backwards else row
        start, last = (len(row) - span[1], len(row) - span[0]) if backwards else span
        pieces = [way[place : place + width] for place in range(start, last, width)]
        end = letters.bits_by_character[letters.end]
        count = pieces.index(end) + 1 if end in pieces else 0
        stop = start + (count + 1) * width
        if count:
            pieces = [way[place : place + width] for place in range(start, min(stop, len(way)), width)]
        whole = [bits for bits in pieces if len(bits) == width]
        return cls(
            bits="".join(pieces), start=start, backwards=backwards, length=len(row), width=width,
            characters=tuple(letters.characters_by_bits[bits] for bits in whole), count=count,
            behind=tuple(place - start for place in range(stop, last) if count and way[place] == "1"),
        )  # fmt: skip

    @property
    def has_lrc(self) -> bool:
        """Whether an LRC follows."""
        return len(self.characters) > self.count

    @property
    def missing_lrc(self) -> str:
        """How much of the LRC is missing."""
        missing = (self.count + 1) * self.width - len(self.bits)
        return f"{missing} bit{'s' * (missing > 1)}"

    def places_in_row(self, places: Iterable[int]) -> tuple[Place, ...]:
        """Where bits of the track stand in the row."""
        return tuple(self.length - 1 - self.start - each if self.backwards else self.start + each for each in places)

    def parts(self) -> tuple[Part, ...]:
        """A part for every character; the one behind the end sentinel is the LRC."""
        return tuple(
            Part(
                name="LRC" if self.count and place == self.count else char,
                at=self.places_in_row(range(place * self.width, place * self.width + self.width)), value=char,
            )
            for place, char in enumerate(self.characters)
        )  # fmt: skip


def build(name: str, usual: str, *args: str) -> AnyCodec:
    """``[5|7][,BEFORE[,BEHIND]]``: the width of a character in bits, and how many zeros encoding writes around it.

    Data of 7 bits can stand where 5 are usual, and the other way about; nothing on the medium says
    so, so it is chosen here. Reading takes any number of zeros, and none.
    """
    width, *zeros = args or (usual,)
    sets = {each.name[0]: each for each in SETS_BY_NAME.values()}
    if (width or usual) not in sets or len(zeros) > 2:
        raise DefinitionError(
            f"{name}: is written {name}:[5 or 7],ZEROS-BEFORE,ZEROS-BEHIND, such as {name}:{usual},25,25, "
            f"not with {redacted_repr(','.join(args))}"
        )
    before, *behind = [
        parse_whole_number(name, "the zeros around a track", each, least=0, most=MOST_WRITTEN_ZEROS) for each in zeros
    ] or [0]
    return TrackBits(
        name=format_step(name, *args), input=bits(), output=TEXT, letters=sets[width or usual],
        zeros=(before, behind[0] if behind else before),
    )  # fmt: skip


def _entry(number: int, letters: CharacterSet, other: str, source: str, *examples: tuple[str, str, str]) -> Entry:
    name = f"track-{number}-bits"
    return Entry(
        name=name, title=f"the bits of track {number}: characters with parity, sentinels, LRC", source=source,
        signature="[5|7][,BEFORE[,BEHIND]]", build=partial(build, name, letters.name[0]), usual=("", other),
        examples=tuple(Example(args=args, given=given, gives=gives) for args, given, gives in examples),
    )  # fmt: skip


ENTRIES = (
    _entry(1, ALPHANUMERIC, "5", "ISO/IEC 7811-2 and 7811-6", ("", "1010001100001111111001101110", "%A?")),
    _entry(
        2, NUMERIC, "7", "ISO/IEC 7811-2 and 7811-6",
        ("", "11010000011111100100", ";0?"), ("5,4", "000011010000011000011111101010000", ";01?"),
    ),
    _entry(3, NUMERIC, "7", "ISO/IEC 4909", ("", "11010000011111100100", ";0?")),
)  # fmt: skip

"""Keyboard layouts: what a reader meant, under another national layout.

A keyboard-emulating reader presses the keys of a United States keyboard. A computer that is set
to another layout takes them for other characters: under the French one ``02F764DD`` arrives as
``àéFè-'DD``. `keyboard` puts the characters back on the keys, and reads them as the
reader meant them. The layouts are data, in ``keyboards.toml``.

A dead key types nothing until the next key: under the German layout ``=`` is the acute accent.

    keys of the reader      =4     =A     ==     =Enter     = and a blank
    arrives (German)        ´4     Á      ´´     ´Enter     ´
    read as                 =4     =A     ==     =Enter     never written, see below

- Before a letter that has the accent in Unicode, one composed character arrives (NFC).
- Before any other character, another dead key or the end, the accent arrives, and then the character.
  An accent before a letter is read in the same way, from a system that composes fewer letters.
- A blank behind a dead key types the accent alone and leaves no trace. So a text that has one is
  refused when it is written, and in what is read none is supposed.
- A character that has a key of its own is read as that key: the Czech ``é`` is ``0``, never ``=e``, and
  ``=e`` is refused when it is written.

Systems differ: some drop an accent that cannot be composed, with the character behind it, and some
type one accent for two dead keys. What they drop cannot be read back.

It has no table of the five kinds: it maps characters, and the text has no fixed length.

Source: xkeyboard-config 2.35.1 (the keys, and which of them are dead); Unicode (which letters have an
accent); what a dead key types before anything else is common practice, no source.

>>> build_keyboard("fr").decode("àéFè-'DD")
'02F764DD'
>>> build_keyboard("fr").encode("123,45678")
'&é";\\'(-è_'
>>> build_keyboard("de").decode("ö0123´45_")
';0123=45?'
>>> build_keyboard("de").decode("Á"), build_keyboard("de").encode("=A=1")
('=A', 'Á´1')
>>> build_keyboard("de").encode("= 4")
Traceback (most recent call last):
credkit.EncodeError: keyboard:de: '= ' at 0-1 types only '´', which is read back as '='
"""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from unicodedata import normalize

from credkit.core.codec import AnyCodec, Codec, Entry, Example
from credkit.core.errors import DefinitionError, EncodeError
from credkit.core.grammar import format_step
from credkit.core.origins import OneByOne
from credkit.core.reading import AnyReading, Check, Reading
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.shapes import TEXT

SOURCE = "xkeyboard-config 2.35.1 (key tables); Unicode (composed letters); dead keys: common practice, no source"
LOCKS = ("caps", "shift-lock")
LIKELY_LAYOUTS = ("be", "ch", "cz", "de", "dk", "es", "fr", "gb", "hu", "it", "no", "pt", "se", "tr", "us,caps")
SPACE = " "
_BETWEEN, _UNKNOWN = "\0", "\1"  # characters that no key types: between texts, and in place of others such


@cache
def _load_tables() -> dict[str, dict[str, str]]:
    return tomllib.loads(Path(__file__).with_name("keyboards.toml").read_text(encoding="utf-8"))


def load_layouts() -> dict[str, dict[str, str]]:
    """The key tables by layout code: ``title``, ``plain``, ``shift``, keys in the order of ``us``; ``dead`` if any."""
    return {code: table for code, table in _load_tables().items() if code != "accents"}


def load_accents() -> dict[str, str]:
    """The combining character for each accent that a dead key types."""
    return _load_tables()["accents"]


def _typed_characters(plain: str, shift: str, lock: str) -> tuple[str, str]:
    """What the keys type under a lock: Caps Lock changes letter keys, Shift Lock all of them."""
    swap = [
        lock == "shift-lock" or (lock == "caps" and p.islower() and s.isupper())
        for p, s in zip(plain, shift, strict=True)
    ]
    pairs = [(s, p) if swapped else (p, s) for p, s, swapped in zip(plain, shift, swap, strict=True)]
    return "".join(p for p, _ in pairs), "".join(s for _, s in pairs)


def compositions(typed: str, dead: str) -> Iterator[tuple[str, str]]:
    """Each accent of a ``dead`` key with each letter among ``typed`` that has it, and the one character they make.

    >>> dict(compositions("AZ4", "´"))
    {'´A': 'Á', '´Z': 'Ź'}
    """
    for accent in dead:
        for letter in filter(str.isalpha, typed):
            made = normalize("NFC", letter + load_accents()[accent])
            if len(made) == 1:
                yield accent + letter, made


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Keyboard(Codec[str, str]):
    """Characters as typed under one layout to characters as the reader meant them.

    ``to_typed`` has what the key of each character types, an accent for a ``dead`` one, and ``composed``
    the one character for an accent and a letter. ``to_meant`` has the key, or the two, for each character
    that arrives. ``unencodable`` has the accents with a character behind them that would not be read back, and
    what they would type.
    """

    to_meant: Mapping[str, str]
    to_typed: Mapping[str, str]
    dead: frozenset[str] = frozenset()
    composed: Mapping[str, str]
    unencodable: Mapping[str, str]

    def _decode_raw(self, raw: str) -> str | None:
        """The meant characters, or None."""
        meant = [self.to_meant.get(c) for c in raw]
        if None in meant or any(pair in raw for pair in self.unencodable):
            return None
        return "".join(meant)  # type: ignore[arg-type]  # there is no None among them

    def _decode_each(self, raws: Sequence[str]) -> list[str | None]:
        """The meant characters of each text, by one translation of all."""
        joined = _BETWEEN.join(raws)
        if joined.count(_BETWEEN) != len(raws) - 1 or any(pair in joined for pair in self.unencodable):
            return [self._decode_raw(raw) for raw in raws]
        meant = joined.translate(_Translation(self.to_meant)).split(_BETWEEN)
        return [None if _UNKNOWN in each else each for each in meant]

    def inspect(self, value: str) -> AnyReading:
        """The meant characters; a failed check for one that no keys, or more than one, could have typed."""
        strange = tuple(i for i, c in enumerate(value) if c not in self.to_meant)
        if strange:
            check = Check(
                codec=self.name, rule="alphabet", claim="the alphabet", form="text", at=strange,
                expected="characters that exactly one key types", found=tuple(value[i] for i in strange),
            )  # fmt: skip
            return Reading(value=None, checks=(check,))
        at = next((i for i, pair in enumerate(_split_pairs(value)) if pair in self.unencodable), None)
        if at is not None:
            pair = value[at : at + 2]
            check = Check(
                codec=self.name, rule="dead-key", claim="the dead key", form="text", at=(at, at + 1),
                expected=f"{redacted_repr(self.unencodable[pair])}, all that these two keys type", found=pair,
            )  # fmt: skip
            return Reading(value=None, checks=(check,))
        origins = tuple(i for i, c in enumerate(value) for _ in self.to_meant[c])
        meant = "".join(self.to_meant[c] for c in value)
        return Reading(value=meant, origin=OneByOne(origins))

    def encode(self, value: str) -> str:
        """The characters as they would be typed; raises `EncodeError` for those that would not be read back."""
        for i, c in enumerate(self.check_output(value)):
            if c not in self.to_typed:
                raise EncodeError(f"{self.name}: no key types the character {redacted_repr(c)} at {i}")
        keys = "".join(self.to_typed[c] for c in value)
        for i, pair in enumerate(_split_pairs(keys) if self.unencodable else ()):
            if pair in self.unencodable:
                typed = self.unencodable[pair]
                raise EncodeError(
                    f"{self.name}: {redacted_repr(value[i : i + 2])} at {i}-{i + 1} types only {redacted_repr(typed)}, "
                    f"which is read back as {redacted_repr(self.to_meant[typed])}"
                )
        return "".join(self._arriving_characters(keys)) if self.dead else keys

    def _arriving_characters(self, keys: str) -> Iterator[str]:
        """What arrives of ``keys``; the second of two dead keys does not wait for another."""
        waiting = ""
        for key in keys:
            if waiting:
                yield self.composed.get(waiting + key, waiting + key)
                waiting = ""
            elif key in self.dead:
                waiting = key
            else:
                yield key
        yield waiting


class _Translation(dict[int, str]):
    """What `str.translate` takes for characters, `_UNKNOWN` for all that arrive from no key."""

    def __init__(self, to_meant: Mapping[str, str]) -> None:
        super().__init__({ord(character): meant for character, meant in to_meant.items()})
        self[ord(_BETWEEN)] = _BETWEEN

    def __missing__(self, character: int) -> str:
        return _UNKNOWN


def _split_pairs(text: str) -> Iterator[str]:
    return (first + second for first, second in pairwise(text))


def build_keyboard(code: str, lock: str = "") -> AnyCodec:
    """``keyboard:LAYOUT``, ``keyboard:LAYOUT,caps``, ``keyboard:LAYOUT,shift-lock``: characters put back on their keys.

    Layouts: be, ch, cz, de, dk, es, fr, gb, hu, it, no, pt, se, tr, us. ``caps`` is for a computer
    whose Caps Lock was on (letters change), ``shift-lock`` for one where every key was shifted.
    A dead key and the letter behind it are one character with an accent, or the accent and then the character.
    A blank directly behind a dead key leaves no trace: it is refused when written, and none is supposed when read.
    A character with a key of its own is read as that key. What no key, or more than one key, types is refused.
    """
    known = load_layouts()
    if code not in known:
        raise DefinitionError(f"keyboard: {redacted_repr(code)} is not one of {', '.join(known)}{nearest(code, known)}")
    if lock not in ("", *LOCKS):
        raise DefinitionError(f"keyboard: {redacted_repr(lock)} is not one of {', '.join(LOCKS)}")
    meant = known["us"]["plain"] + known["us"]["shift"]
    typed = "".join(_typed_characters(known[code]["plain"], known[code]["shift"], lock))
    dead = known[code].get("dead", "")
    count = Counter(typed)
    keys = {t: m for t, m in zip(typed, meant, strict=True) if count[t] == 1}
    keys |= {blank: blank for blank in f"{SPACE}\t\r\n"}
    composed = dict(compositions("".join(keys), dead))
    lost = {pair: made for pair, made in composed.items() if made in keys}
    return Keyboard(
        name=format_step("keyboard", code, lock), input=TEXT, output=TEXT, dead=frozenset(dead), composed=composed,
        to_typed={m: t for t, m in keys.items()},
        to_meant={made: keys[pair[0]] + keys[pair[1]] for pair, made in composed.items()} | keys,
        unencodable=lost | {accent + SPACE: accent for accent in dead},
    )  # fmt: skip


ENTRIES = (
    Entry(
        name="keyboard", signature="LAYOUT[,LOCK]", title="text typed by a reader under another keyboard layout",
        source=SOURCE, build=build_keyboard, usual=LIKELY_LAYOUTS,
        examples=(
            Example(args="fr", given="&é\"'", gives="1234"),
            Example(args="de", given="YZ", gives="ZY"),
            Example(args="de", given="ö0123´45_", gives=";0123=45?"),
            Example(args="us,caps", given="a1B", gives="A1b"),
        ),
    ),
)  # fmt: skip

"""Keyboard layouts: what a reader meant, under another national layout.

A keyboard-emulating reader presses the keys of a United States keyboard. A computer that is set
to another layout takes them for other characters: under the French one ``02F764DD`` arrives as
``àéFè-'DD``. `keyboard` puts the characters back on the keys, and reads them as the
reader meant them. The layouts are data, in ``keyboards.toml``.

It has no table of the five kinds: it maps characters, and the text has no fixed length.

Source: xkeyboard-config 2.35.1 (the key tables); the rest is common practice, no source.

>>> build_keyboard("fr").decode("àéFè-'DD")
'02F764DD'
>>> build_keyboard("fr").encode("123,45678")
'&é";\\'(-è_'
>>> build_keyboard("de").decode("Y")
'Z'
"""

from __future__ import annotations

import tomllib
from collections import Counter
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from credkit.codec import Codec, Entry, Example
from credkit.errors import DefinitionError, EncodeError, nearest, shown
from credkit.grammar import step
from credkit.reading import Check, Reading
from credkit.shapes import TEXT

SOURCE = "xkeyboard-config 2.35.1 (key tables)"
LOCKS = ("caps", "shift-lock")
USUAL = ("be", "ch", "cz", "de", "dk", "es", "fr", "gb", "hu", "it", "no", "pt", "se", "tr", "us,caps")


@cache
def layouts() -> dict[str, dict[str, str]]:
    """The key tables by layout code: ``title``, ``plain`` and ``shift``, keys in the order of ``us``."""
    return tomllib.loads(Path(__file__).with_name("keyboards.toml").read_text(encoding="utf-8"))


def _typed(plain: str, shift: str, lock: str) -> tuple[str, str]:
    """What the keys type under a lock: Caps Lock changes letter keys, Shift Lock all of them."""
    swap = [
        lock == "shift-lock" or (lock == "caps" and p.islower() and s.isupper())
        for p, s in zip(plain, shift, strict=True)
    ]
    pairs = [(s, p) if swapped else (p, s) for p, s, swapped in zip(plain, shift, swap, strict=True)]
    return "".join(p for p, _ in pairs), "".join(s for _, s in pairs)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Keyboard(Codec):
    """Characters as typed under one layout to characters as the reader meant them."""

    to_meant: dict[str, str]
    to_typed: dict[str, str]

    def attempt(self, carried: str) -> str | None:
        """The meant characters, or None."""
        meant = [self.to_meant.get(c) for c in carried]
        return None if None in meant else "".join(meant)  # type: ignore[arg-type]  # there is no None among them

    def inspect(self, value: str) -> Reading:
        """The meant characters; a failed check for one that no key, or more than one, could have typed."""
        strange = tuple(i for i, c in enumerate(value) if c not in self.to_meant)
        if strange:
            check = Check(
                codec=self.name, rule="alphabet", claim="the alphabet", form="text", at=strange,
                expected="characters that exactly one key types", found=tuple(value[i] for i in strange),
            )  # fmt: skip
            return Reading(value=None, checks=(check,))
        return Reading(value="".join(self.to_meant[c] for c in value), origin=lambda place: (place,))

    def encode(self, value: str) -> str:
        """The characters as they would be typed."""
        for i, c in enumerate(self.given(value)):
            if c not in self.to_typed:
                raise EncodeError(f"{self.name}: no key types the character {shown(c)} at {i}")
        return "".join(self.to_typed[c] for c in value)


def build_keyboard(code: str, lock: str = "") -> Codec:
    """``keyboard:LAYOUT``, ``keyboard:LAYOUT,caps``, ``keyboard:LAYOUT,shift-lock``: characters put back on their keys.

    Layouts: be, ch, cz, de, dk, es, fr, gb, hu, it, no, pt, se, tr, us. ``caps`` is for a computer
    whose Caps Lock was on (letters change), ``shift-lock`` for one where every key was shifted.
    A character that no key, or more than one key, types is refused.
    """
    known = layouts()
    if code not in known:
        raise DefinitionError(f"keyboard: {shown(code)} is not one of {', '.join(known)}{nearest(code, known)}")
    if lock not in ("", *LOCKS):
        raise DefinitionError(f"keyboard: {shown(lock)} is not one of {', '.join(LOCKS)}")
    meant = known["us"]["plain"] + known["us"]["shift"]
    typed = "".join(_typed(known[code]["plain"], known[code]["shift"], lock))
    count = Counter(typed)
    pairs = {t: m for t, m in zip(typed, meant, strict=True) if count[t] == 1 and t != " "}
    pairs |= {blank: blank for blank in " \t\r\n"}
    return Keyboard(
        name=step("keyboard", code, lock), input=TEXT, output=TEXT, to_meant=pairs,
        to_typed={m: t for t, m in pairs.items()},
    )  # fmt: skip


ENTRIES = (
    Entry(
        name="keyboard", signature="LAYOUT[,LOCK]", title="text typed by a reader under another keyboard layout",
        source=SOURCE, build=build_keyboard, usual=USUAL,
        examples=(
            Example(args="fr", given="&é\"'", gives="1234"),
            Example(args="de", given="YZ", gives="ZY"),
            Example(args="us,caps", given="a1B", gives="A1b"),
        ),
    ),
)  # fmt: skip

"""Keyboard layouts against the key tables that are installed, and against a few keys quoted from them."""

from __future__ import annotations

import ctypes
import re
from collections import Counter
from ctypes.util import find_library
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DecodeError, DefinitionError, EncodeError, chain
from credkit.codecs.keyboards import LIKELY_LAYOUTS, LOCKS, Keyboard, build_keyboard, load_layouts
from tests.sentences import refusal

VERSION = "2.35.1"  # of xkeyboard-config, which the tables name as their source
CODES = tuple(load_layouts())
DEAD = {  # X's names of dead keys, and the accents of these names in Unicode
    "dead_circumflex": "^", "dead_grave": "`", "dead_acute": "´", "dead_diaeresis": "¨", "dead_tilde": "~",
    "dead_abovering": "°", "dead_caron": "ˇ",
}  # fmt: skip
KEYS = (  # of the [us] row, in its order: X's names of the keys
    "TLDE", *(f"AE{i:02}" for i in range(1, 13)), *(f"AD{i:02}" for i in range(1, 13)),
    *(f"AC{i:02}" for i in range(1, 12)), "BKSL", *(f"AB{i:02}" for i in range(1, 11)),
)  # fmt: skip


def installed() -> str | None:
    """The version of the key tables on this machine."""
    file = Path("/usr/share/pkgconfig/xkeyboard-config.pc")
    found = re.search(r"^Version: *(.+)$", file.read_text(), re.M) if file.exists() else None
    return found[1] if found else None


class Names(ctypes.Structure):
    """``struct xkb_rule_names`` of libxkbcommon."""

    _fields_ = [(name, ctypes.c_char_p) for name in ("rules", "model", "layout", "variant", "options")]


def installed_keys(code: str, *, caps: bool, dead: str = "") -> tuple[str, str]:
    """What each key types, without and with Shift, by libxkbcommon; an accent (or ``dead``) for a dead key."""
    library = ctypes.CDLL(find_library("xkbcommon"))
    for name in ("xkb_context_new", "xkb_keymap_new_from_names", "xkb_state_new"):
        getattr(library, name).restype = ctypes.c_void_p
    context = ctypes.c_void_p(library.xkb_context_new(0))
    names = Names(b"evdev", b"pc105", code.encode(), b"", b"")
    keymap = ctypes.c_void_p(library.xkb_keymap_new_from_names(context, ctypes.byref(names), 0))
    state = ctypes.c_void_p(library.xkb_state_new(keymap))

    def typed(shift: bool) -> str:
        library.xkb_state_update_mask(state, 1 if shift else 0, 0, 2 if caps else 0, 0, 0, 0)
        found = ""
        for key in KEYS:
            keycode = library.xkb_keymap_key_by_name(keymap, key.encode())
            buffer = ctypes.create_string_buffer(32)
            library.xkb_keysym_get_name(library.xkb_state_key_get_one_sym(state, keycode), buffer, 32)
            name = buffer.value.decode()
            library.xkb_state_key_get_utf8(state, keycode, buffer, 32)
            found += (dead or DEAD[name]) if name.startswith("dead_") else buffer.value.decode() or " "
        return found

    return typed(shift=False), typed(shift=True)


needs_tables = pytest.mark.skipif(
    installed() != VERSION or not find_library("xkbcommon"),
    reason=f"xkeyboard-config {VERSION} and libxkbcommon are not both installed",
)  # fmt: skip


@needs_tables
@pytest.mark.parametrize("code", CODES)
def test_the_tables_are_those_installed(code: str) -> None:
    assert (load_layouts()[code]["plain"], load_layouts()[code]["shift"]) == installed_keys(code, caps=False)


@needs_tables
@pytest.mark.parametrize("code", CODES)
def test_the_dead_keys_are_those_installed(code: str) -> None:
    """An accent that is typed by a key at once is the same character, so the names of the keys decide."""
    plain, shift = installed_keys(code, caps=False, dead="\0")
    here = load_layouts()[code]
    for found, table in ((plain, here["plain"]), (shift, here["shift"])):
        assert [table[place] for place, char in enumerate(found) if char == "\0"] == [
            char for char in table if char in here.get("dead", "")
        ]


@needs_tables
@pytest.mark.parametrize("code", CODES)
def test_caps_lock_changes_the_keys_that_it_changes_there(code: str) -> None:
    """Of keys that hold a letter and its capital. Systems differ on a small letter beside a sign: é or É, both typed
    by the key of the French 2, so those are left out."""
    meant, free = load_layouts()["us"], installed_keys(code, caps=False)
    locked = installed_keys(code, caps=True)
    count = Counter("".join(locked))
    codec = chain(f"keyboard:{code},caps")
    letters = [place for place in range(len(KEYS)) if free[0][place].islower() and free[1][place].isupper()]
    assert len(letters) >= 26
    for place in letters:
        for text, key in ((locked[0][place], meant["plain"][place]), (locked[1][place], meant["shift"][place])):
            if count[text] == 1:
                assert codec.decode(text) == key, (code, text)


# Quoted from the symbols files of xkeyboard-config 2.35.1: layout, key of the US keyboard, plain, with Shift.
QUOTED = (
    ("fr", "1", "&", "1"), ("fr", "2", "é", "2"), ("fr", "8", "_", "8"), ("fr", "0", "à", "0"),
    ("fr", "q", "a", "A"), ("fr", "a", "q", "Q"), ("fr", ";", "m", "M"), ("fr", "-", ")", "°"),
    ("be", "6", "§", "6"), ("be", "8", "!", "8"),
    ("de", "y", "z", "Z"), ("de", "z", "y", "Y"), ("de", "-", "ß", "?"), ("de", "/", "-", "_"),
    ("ch", "-", "'", "?"), ("cz", "2", "ě", "2"), ("cz", "9", "í", "9"),
    ("es", ";", "ñ", "Ñ"), ("it", "[", "è", "é"), ("se", ";", "ö", "Ö"), ("dk", ";", "æ", "Æ"), ("no", ";", "ø", "Ø"),
    ("hu", "0", "ö", "Ö"), ("hu", "`", "0", "§"), ("pt", ";", "ç", "Ç"), ("tr", "i", "ı", "I"), ("tr", "'", "i", "İ"),
    ("gb", "2", "2", '"'), ("gb", "'", "'", "@"),
)  # fmt: skip


@pytest.mark.parametrize(("code", "key", "plain", "shift"), QUOTED)
def test_quoted_keys(code: str, key: str, plain: str, shift: str) -> None:
    us = load_layouts()["us"]
    place = us["plain"].index(key)
    assert (load_layouts()[code]["plain"][place], load_layouts()[code]["shift"][place]) == (plain, shift)
    count = Counter(load_layouts()[code]["plain"] + load_layouts()[code]["shift"])
    for typed, meant in ((plain, key), (shift, us["shift"][place])):
        if count[typed] == 1:
            assert chain(f"keyboard:{code}").decode(typed) == meant


@pytest.mark.parametrize("code", CODES)
def test_tables_are_whole(code: str) -> None:
    assert len(load_layouts()[code]["plain"]) == len(load_layouts()[code]["shift"]) == len(KEYS)


@pytest.mark.parametrize("code", CODES)
@pytest.mark.parametrize("lock", ["", *LOCKS])
def test_digits_and_letters_of_a_number_come_back(code: str, lock: str) -> None:
    """What a reader types as 0-9 and A-F is legible under every layout offered."""
    codec = chain(f"keyboard:{code}" + (f",{lock}" if lock else ""))
    meant = "0123456789ABCDEFabcdef"
    typed = codec.encode(meant)
    assert codec.decode(typed) == meant
    assert len(set(typed)) == len(meant)


def test_caps_lock_changes_letters_only() -> None:
    codec = chain("keyboard:us,caps")
    assert codec.decode("02f764dd-AbC") == "02F764DD-aBc"


def test_shift_lock_changes_every_key() -> None:
    assert chain("keyboard:us,shift-lock").decode("!@#A") == "123a"
    assert chain("keyboard:fr,shift-lock").decode("1234") == "1234"
    assert chain("keyboard:fr,shift-lock").encode("1234") == "1234"


def test_turkish_dotted_and_dotless_letters() -> None:
    """The letters i and ı are two keys; Caps Lock gives each its own capital (Unicode SpecialCasing, tr)."""
    assert chain("keyboard:tr").decode("ıIiİ") == "iI'\""
    assert chain("keyboard:tr,caps").decode("Iıİi") == "iI'\""


@pytest.mark.parametrize("code", CODES)
def test_every_key_goes_back_to_its_place(code: str) -> None:
    """Nothing is lost to a layout: no character is typed by two keys, and every one that is typed is read."""
    us, here = load_layouts()["us"], load_layouts()[code]
    typed, meant = here["plain"] + here["shift"], us["plain"] + us["shift"]
    assert max(Counter(typed).values()) == 1
    codec = chain(f"keyboard:{code}")
    for char, key in zip(typed, meant, strict=True):
        assert (codec.decode(char), codec.encode(key)) == (key, char)


def test_white_space_passes() -> None:
    assert chain("keyboard:fr").decode("& \t\r\n") == "1 \t\r\n"


def test_refusals() -> None:
    with refusal(DecodeError, rule="alphabet", place=(1,)):
        chain("keyboard:de").decode("1日")
    with refusal(EncodeError):
        chain("keyboard:fr").encode("1日")
    with refusal(DefinitionError):
        chain("keyboard:deu")
    with refusal(DefinitionError):
        chain("keyboard:de,cap")


def test_every_layout_is_worth_trying() -> None:
    assert {args.partition(",")[0] for args in LIKELY_LAYOUTS} == set(CODES)


@given(st.sampled_from([(code, lock) for code in load_layouts() for lock in ("", *LOCKS)]), st.data())
def test_many_texts_are_put_back_as_each_alone(keyboard: tuple[str, str], data: st.DataObject) -> None:
    """One translation serves for all of them, whatever stands in the others."""
    codec = build_keyboard(*keyboard)
    assert isinstance(codec, Keyboard)
    typed = st.sampled_from([*codec.to_meant, *"\0\1\x7f\u20ac", *codec.unencodable])
    texts = data.draw(st.lists(st.lists(typed, max_size=4).map("".join), max_size=6))
    assert codec._decode_each(texts) == [codec._decode_raw(text) for text in texts]

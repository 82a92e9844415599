"""Dead keys: every track under every layout, against a typist who knows no composition but Unicode's names of letters.

Sources: which keys are dead, the symbols files of xkeyboard-config 2.35.1; which letters have an accent, the names of
the Unicode Standard, and the Compose file of libX11 where it is installed. What arrives of a dead key before anything
but a letter is common practice, no source.
"""

from __future__ import annotations

import ctypes
import unicodedata
from collections.abc import Callable
from ctypes.util import find_library
from functools import cache, partial
from itertools import product
from random import Random

import pytest

from credkit import DecodeError, EncodeError, chain
from credkit.bulk import compile
from credkit.codecs.keyboards import LOCKS, Keyboard, load_accents, load_layouts
from tests.commandline import ACCOUNT, run
from tests.sentences import refusal
from tests.test_keyboard import CODES, DEAD

NUMERIC = "".join(chr(0x30 + number) for number in range(16))  # ISO/IEC 7811-2, track 2: 0 to ?
ALPHANUMERIC = "".join(chr(0x20 + number) for number in range(64))  # ISO/IEC 7811-2, track 1: the blank to _
TRACKS = {  # by step: the start sentinel as typed, and what may stand between the sentinels
    "track:1": ("%", ALPHANUMERIC.translate({ord("%"): None, ord("?"): None})),
    "track:2": (";", NUMERIC.translate({ord(";"): None, ord("?"): None})),
    "track:3": ("+", NUMERIC.translate({ord(";"): None, ord("?"): None})),
    "track:3,7-bit": ("+", ALPHANUMERIC.translate({ord("%"): None, ord("?"): None})),
}
QUOTED = {  # from the symbols files: which key of the US keyboard types which accent
    "be": {"[": "^", "{": "¨"},
    "ch": {"=": "^", "+": "`", "]": "¨"},
    "cz": {"=": "´", "+": "ˇ", "\\": "¨", "~": "°"},
    "de": {"`": "^", "=": "´", "+": "`"},
    "dk": {"=": "´", "+": "`", "]": "¨", "}": "^"},
    "es": {"[": "`", "{": "^", "'": "´", '"': "¨"},
    "fr": {"[": "^", "{": "¨"},
    "no": {"+": "`", "]": "¨", "}": "^"},
    "pt": {"]": "´", "}": "`", "\\": "~", "|": "^"},
    "se": {"=": "´", "+": "`", "]": "¨", "}": "^"},
}
SHARED = {"se": {"]A": "Ä", "]O": "Ö"}}  # what a key of its own types too: the two characters of a track that it hides
WORDS = {  # the accents in the names of letters
    "^": "CIRCUMFLEX", "`": "GRAVE", "´": "ACUTE", "¨": "DIAERESIS", "~": "TILDE", "°": "RING ABOVE", "ˇ": "CARON",
}  # fmt: skip


def keyboard(code: str, lock: str = "") -> Keyboard:
    found = chain(f"keyboard:{code},{lock}" if lock else f"keyboard:{code}").steps[0]
    assert isinstance(found, Keyboard)
    return found


def with_accent(letter: str, accent: str) -> str:
    """The letter that Unicode names so, or the accent and the letter."""
    name = unicodedata.name(letter, "")
    try:
        if not letter.isalpha():
            raise KeyError
        found = unicodedata.lookup(f"{name} {'AND' if ' WITH ' in name else 'WITH'} {WORDS[accent]}")
    except KeyError:
        found = ""
    return found if len(found) == 1 else accent + letter  # some names are those of sequences


def arriving(code: str, meant: str, *, both_at_once: bool = True) -> str:
    """What arrives at a computer of that layout if the keys of ``meant`` are pressed on a US keyboard, then Enter.

    Of two dead keys the first accent always arrives; the second with it (``both_at_once``), or it waits for a letter.
    """
    us, here = load_layouts()["us"], load_layouts()[code]
    keys = dict(zip(us["plain"] + us["shift"], here["plain"] + here["shift"], strict=True)) | {" ": " "}
    found = waiting = ""
    for char in meant:
        key, dead = keys[char], char in QUOTED.get(code, {})
        if waiting and dead:
            found, waiting = (found + waiting + key, "") if both_at_once else (found + waiting, key)
        elif waiting:
            found, waiting = found + (waiting if key == " " else with_accent(key, waiting)), ""
        elif dead:
            waiting = key
        else:
            found += key
    return found + waiting


def hidden(code: str, text: str) -> bool:
    """Whether a reader's text has what leaves no trace: a blank behind a dead key, or what another key types too."""
    pairs = {key + " " for key in QUOTED.get(code, {})} | set(SHARED.get(code, {}))
    return any(pair in text for pair in pairs)


@pytest.mark.parametrize("code", CODES)
def test_dead_keys_are_those_quoted(code: str) -> None:
    us, here = load_layouts()["us"], load_layouts()[code]
    keys = zip(us["plain"] + us["shift"], here["plain"] + here["shift"], strict=True)
    assert {key: accent for key, accent in keys if accent in here.get("dead", "")} == QUOTED.get(code, {})


@pytest.mark.parametrize(
    ("code", "typed"),
    [  # by hand, from the keys of each layout
        ("us", ";0123=45?"), ("gb", ";0123=45?"), ("de", "ö0123´45_"), ("ch", "ö0123^45_"), ("cz", "ůé+ěš´čř_"),
        ("dk", "æ0123´45_"), ("se", "ö0123´45_"), ("no", "ø0123\\45_"), ("fr", "mà&é\"='(§"), ("be", "mà&é\"-'(+"),
        ("es", "ñ0123¡45_"), ("it", "ò0123ì45_"), ("pt", "ç0123«45_"), ("hu", "éö123ó45_"), ("tr", "ş0123-45:"),
    ],
)  # fmt: skip
def test_a_track_2_is_read_and_written_under_every_layout(code: str, typed: str) -> None:
    codec = chain(f"keyboard:{code}/track:2")
    assert codec.encode(";0123=45?") == typed
    assert codec.decode(typed) == ";0123=45?"


@pytest.mark.parametrize("code", CODES)
@pytest.mark.parametrize("track", TRACKS)
def test_all_characters_of_all_tracks_come_back(code: str, track: str) -> None:
    """Each character of the set behind each other one, and all of them in one track."""
    start, letters = TRACKS[track]
    keys, step = keyboard(code), chain(track)
    refused = set()
    for content in ("".join(each) for each in ((), *product(letters, repeat=1), *product(letters, repeat=2), letters)):
        swiped = f"{start}{content}?"
        try:
            typed = keys.encode(swiped)
        except EncodeError:
            assert hidden(code, swiped), swiped
            refused.add(content)
            continue
        assert not hidden(code, swiped), swiped
        assert typed == arriving(code, swiped)
        assert keys.decode(typed) == swiped
        assert content == "E" or step.decode(swiped)[1:] == swiped[1:]  # E alone is an error of the reader
    if track in ("track:2", "track:3"):
        assert not refused
    assert {content for content in refused if len(content) == 2 and " " not in content} == (
        set(SHARED.get(code, {})) if letters == TRACKS["track:1"][1] else set()
    )


@pytest.mark.parametrize("code", CODES)
@pytest.mark.parametrize("lock", ["", *LOCKS])
def test_what_is_written_is_read_back_and_what_is_read_can_be_written(code: str, lock: str) -> None:
    random, codec = Random(f"{code} {lock}"), keyboard(code, lock)
    means = [*codec.to_typed, *(codec.to_meant[accent] for accent in codec.dead), *"AEae  "]
    arrives = [*codec.to_meant, *codec.dead, "日"]
    seen = {"written": 0, "read": 0, "refused": 0}
    for _ in range(3000):
        meant = "".join(random.choice(means) for _ in range(random.randrange(6)))
        try:
            assert codec.decode(codec.encode(meant)) == meant
            seen["written"] += 1
        except EncodeError:
            seen["refused"] += 1
        typed = "".join(random.choice(arrives) for _ in range(random.randrange(6)))
        try:
            read = codec.decode(typed)
            assert codec.decode(codec.encode(read)) == read
            seen["read"] += 1
        except DecodeError:
            assert not codec.inspect(typed).ok
    assert seen["written"] > 1000
    assert seen["read"] > 1000
    assert bool(seen["refused"]) is bool(codec.dead)


@pytest.mark.parametrize("code", sorted(QUOTED))
def test_systems_that_compose_otherwise_are_read_alike(code: str) -> None:
    """Whether the second of two dead keys waits for a letter or not, and whether a letter gets its accent or not."""
    keys = keyboard(code)
    for first, second, letter in product(QUOTED[code], [*QUOTED[code], ""], "AEY9aey"):
        meant = first + second + letter
        try:
            written = keys.encode(meant)
        except EncodeError:  # a letter with a key of its own
            assert keys.unencodable
            continue
        assert written == arriving(code, meant)
        assert keys.decode(arriving(code, meant, both_at_once=False)) == meant
        assert keys.decode("".join(keys.to_typed[char] for char in meant)) == meant


def test_a_dead_key_before_each_thing_that_may_come() -> None:
    """Under the German layout = is the acute accent, + the grave one: before a letter that has it, one that has not, a
    digit, another dead key, Enter and the end."""
    codec = chain("keyboard:de")
    for meant, typed in (
        ("=E", "É"), ("=e", "é"), ("+A", "À"), ("=Q", "´Q"), ("=4", "´4"), ("==", "´´"), ("=+4", "´`4"), ("=", "´"),
        ("=\r", "´\r"), ("x=y", "xź"), ("=A=E=", "ÁÉ´"),
    ):  # fmt: skip
        assert (codec.encode(meant), codec.decode(typed)) == (typed, meant)
    assert codec.decode("´E") == "=E"  # from a system that knows fewer accents


def test_what_leaves_no_trace_is_refused() -> None:
    with refusal(EncodeError):
        chain("keyboard:de").encode("4= 4")
    with refusal(EncodeError):
        chain("keyboard:se").encode("]A")
    with refusal(EncodeError):
        chain("keyboard:cz").encode("=e")
    assert chain("keyboard:cz").decode("é") == "0"
    with refusal(DecodeError, rule="dead-key", place=(2, 3)):
        chain("keyboard:de").decode("45´ 4")
    with refusal(DecodeError, rule="dead-key", place=(0, 1)):
        chain("keyboard:cz").decode("´e")


def test_places_are_those_of_what_was_typed() -> None:
    reading = chain("keyboard:de").inspect("1ÁÀ2")
    assert reading.value == "1=A+A2"
    assert [reading.origin(place) for place in range(6)] == [(0,), (1,), (1,), (2,), (2,), (3,)]
    with refusal(DecodeError, rule="form", place=()):
        chain("keyboard:de/track:2/track-2:number").decode("ö0123´45")


def test_arrays_say_the_same() -> None:
    texts = ["ö0123´45_", "ö0123´´45_", "ö01É_", "´ 4", "´", "ö0123=45_", ""]
    codec = chain("keyboard:de/track:2")
    found = compile(codec).inspect(texts)
    for text, value, ok in zip(texts, found.values, found.ok, strict=True):
        reading = codec.inspect(text)
        assert bool(ok) is reading.ok
        assert not ok or value == reading.value
    assert list(found.ok) == [True, True, False, False, False, False, False]


@pytest.mark.parametrize("code", CODES)
def test_a_payment_track_is_masked_under_every_layout(code: str) -> None:
    typed = chain(f"keyboard:{code}").encode(f";{ACCOUNT}=3012?")
    for name in ("track-2", f"keyboard:{code}/track:2", f"keyboard:{code}/track:2/track-2"):
        output = run("decode", name, typed).output
        assert output
        assert ACCOUNT not in output
        assert typed[1:17] not in output


# ── against the Compose file of libX11 ──────────────────────────────────────────────────────────


@cache
def composer() -> Callable[..., str | None] | None:
    """What a dead key, by its name, and another, or a letter, type by the Compose file of en_US.UTF-8."""
    if not find_library("xkbcommon"):
        return None
    library = ctypes.CDLL(find_library("xkbcommon"))
    for name in ("xkb_context_new", "xkb_compose_table_new_from_locale", "xkb_compose_state_new"):
        getattr(library, name).restype = ctypes.c_void_p
    context = ctypes.c_void_p(library.xkb_context_new(0))
    table = library.xkb_compose_table_new_from_locale(context, b"en_US.UTF-8", 0)
    if not table:
        return None
    state = ctypes.c_void_p(library.xkb_compose_state_new(ctypes.c_void_p(table), 0))

    def composed(dead: str, key: str) -> str | None:
        library.xkb_compose_state_reset(state)
        for each in (dead, key):
            named = library.xkb_keysym_from_name(each.encode(), 0) if len(each) > 1 else 0
            library.xkb_compose_state_feed(state, named or library.xkb_utf32_to_keysym(ord(each)))
        buffer = ctypes.create_string_buffer(32)
        library.xkb_compose_state_get_utf8(state, buffer, 32)
        return buffer.value.decode() if library.xkb_compose_state_get_status(state) == COMPOSED else None

    return composed


COMPOSED = 2  # XKB_COMPOSE_COMPOSED of libxkbcommon
needs_compose = pytest.mark.skipif(composer() is None, reason="libxkbcommon or a Compose file is not installed")


@needs_compose
def test_accents_are_those_of_the_compose_file() -> None:
    """There the accent alone is the dead key twice."""
    composed = composer()
    assert composed
    assert {accent: composed(name, name) for name, accent in DEAD.items()} == {
        accent: accent for accent in load_accents()
    }


@needs_compose
@pytest.mark.parametrize("code", sorted(QUOTED))
def test_letters_with_an_accent_are_those_of_the_compose_file(code: str) -> None:
    """Those that it has as one character of the letter and the accent: it also makes ¹ of ^ and 1, and ǘ of ´ and v."""
    composed, keys, of = composer(), keyboard(code), partial(unicodedata.normalize, "NFD")
    assert composed
    found = {}
    for (name, accent), letter in product(DEAD.items(), filter(str.isalpha, keys.to_typed.values())):
        made = composed(name, letter) if accent in keys.dead else None
        if made and len(made) == 1 and of(made) == of(letter + load_accents()[accent]):
            found[accent + letter] = made
    assert found == keys.composed
    assert len(found) > 10

"""Keys and MACs against NIST's vectors and a second CMAC; where master keys come from; that none is ever shown.

Cases over keys are named by the keys' sizes: the name of a test is printed, and must show none either.
"""

from __future__ import annotations

import copy
import dataclasses
import os
import pickle
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from itertools import product
from pathlib import Path
from typing import Any

import cryptography_vectors
import pytest
from cryptography.hazmat.primitives.ciphers import Cipher, modes
from cryptography.hazmat.primitives.ciphers.algorithms import AES
from cryptography.hazmat.primitives.kdf.kbkdf import KBKDFCMAC, CounterLocation, Mode
from hypothesis import given
from hypothesis import strategies as st

from credkit import CredkitError, DefinitionError, EncodeError
from credkit.cards.keys import (
    PUBLISHED_KEYS,
    SERIAL_BYTES,
    MasterKey,
    card_key,
    cmac,
    describe_published_key,
    kdf_counter_cmac,
    record_mac,
)
from credkit.cards.masters import check_value, master_from_environment, master_from_file, master_from_prompt
from tests.masters import KEY, KEY_16, KEY_24, KEY_32, KEYS, MASTER, OTHER, forms, key_file, leaks, told
from tests.sentences import refusal

ARGUMENT = "argument of a function"
SERIAL = bytes.fromhex("01020304")
VARIABLE = "BRACKWATER_TEST_MASTER_KEY"
POSIX = pytest.mark.skipif(os.name != "posix", reason="permissions are a matter of POSIX")

# ── NIST's vectors ──────────────────────────────────────────────────────────────────────────────

Case = dict[str, str]


def cases(file: str) -> Iterator[Case]:
    """The cases of a file of vectors: what its headings say, and the lines of each."""
    heading: Case = {}
    case: Case = {}
    with cryptography_vectors.open_vector_file(file, "r") as lines:
        for line in map(str.strip, lines):
            name, equals, value = (piece.strip() for piece in line.strip("[]").partition("="))
            if not equals or line.startswith("#"):
                continue
            if line.startswith("[") or name == "COUNT":
                if "COUNT" in case:
                    yield case
                if line.startswith("["):
                    heading[name] = value
                case = dict(heading)
            if not line.startswith("["):
                case[name] = value
    yield case


def octets(case: Case, name: str) -> bytes:
    return bytes.fromhex(case[name])


@pytest.mark.parametrize("bits", [128, 192, 256])
def test_cmac_is_that_of_nist(bits: int) -> None:
    """SP 800-38B appendix D: all cases with AES. Those with triple DES are left out: no key here is one of DES."""
    found = list(cases(f"CMAC/nist-800-38b-aes{bits}.txt"))
    assert len(found) == 4
    for case in found:
        assert len(octets(case, "KEY")) * 8 == bits
        assert cmac(octets(case, "KEY"), octets(case, "MESSAGE")) == octets(case, "OUTPUT")
        assert second_cmac(octets(case, "KEY"), octets(case, "MESSAGE")) == octets(case, "OUTPUT"), "the test's own"


COUNTER_CASES = [case for case in cases("KDF/nist-800-108-KBKDF-CTR.txt") if case["PRF"].startswith("CMAC_AES")]


def test_all_counter_mode_cases_are_there() -> None:
    """CAVP, SP 800-108: three AES keys, three places of the counter, four widths of it.

    Left out are the cases over HMAC and over triple DES, which credkit does not use.
    """
    count = Counter((case["PRF"], case["CTRLOCATION"], case["RLEN"]) for case in COUNTER_CASES)
    assert len(count) == 3 * 3 * 4
    assert set(count.values()) == {40}
    assert {int(case["L"]) for case in COUNTER_CASES} >= {128, 256, 320}, "less than a block, a block and more"


@pytest.mark.parametrize("place", ["BEFORE_FIXED", "MIDDLE_FIXED", "AFTER_FIXED"])
def test_the_kdf_is_that_of_nist(place: str) -> None:
    tried = 0
    for case in COUNTER_CASES:
        if case["CTRLOCATION"] != place:
            continue
        if place == "MIDDLE_FIXED":
            before, fixed = octets(case, "DataBeforeCtrData"), octets(case, "DataAfterCtrData")
        else:
            before, fixed = b"", octets(case, "FixedInputData")
        if place == "AFTER_FIXED":
            before, fixed = fixed, b""
        width = int(case["RLEN"].removesuffix("_BITS"))
        made = kdf_counter_cmac(octets(case, "KI"), fixed, int(case["L"]) // 8, width, before=before)
        assert made == octets(case, "KO"), case
        tried += 1
    assert tried == 3 * 4 * 40


def test_published_rows() -> None:
    """RFC 4493 section 4 and SP 800-38B (CMAC); NIST CAVP (KDF), its first case."""
    key = bytes.fromhex("2b7e151628aed2a6abf7158809cf4f3c")
    assert cmac(key, b"").hex() == "bb1d6929e95937287fa37d129b756746"
    assert cmac(key, bytes.fromhex("6bc1bee22e409f96e93d7e117393172a")).hex() == "070a16b46b4d4144f79bdd9dd04a287c"
    fixed = bytes.fromhex(
        "c16e6e02c5a3dcc8d78b9ac1306877761310455b4e41469951d9e6c2245a064b33fd8c3b01203a78"
        "24485bf0a64060c4648b707d2607935699316ea5"
    )
    made = kdf_counter_cmac(bytes.fromhex("dff1e50ac0b69dc40f1051d46c2b069c"), fixed, 16)
    assert made.hex() == "8be8f0869b3c0ba97b71863d1b9f7813"


# ── a second implementation, by the standards and the framing as it is documented ───────────────


def second_cmac(key: bytes, data: bytes) -> bytes:
    """RFC 4493 over single blocks of AES."""
    block = Cipher(AES(key), modes.ECB()).encryptor()

    def doubled(number: int) -> int:
        return (number << 1) % (1 << 128) ^ (0x87 if number >> 127 else 0)

    once = doubled(int.from_bytes(block.update(bytes(16)), "big"))
    count = max(1, -(-len(data) // 16))
    last = data[16 * (count - 1) :]
    mask = once if len(last) == 16 else doubled(once)
    chained = 0
    for at in range(0, 16 * (count - 1), 16):
        chained = int.from_bytes(
            block.update((chained ^ int.from_bytes(data[at : at + 16], "big")).to_bytes(16, "big"))
        )
    if len(last) < 16:
        last += b"\x80" + bytes(15 - len(last))
    return block.update((chained ^ mask ^ int.from_bytes(last, "big")).to_bytes(16, "big"))


def second_derived(key: bytes, label: str, context: bytes, size: int) -> bytes:
    """The library's own KDF, which frames label and context itself."""
    return KBKDFCMAC(
        AES, Mode.CounterMode, size, 1, 4, CounterLocation.BeforeFixed, label.encode(), context, None
    ).derive(key)  # fmt: skip


labels = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), min_size=1, max_size=40)
serials = st.sampled_from(SERIAL_BYTES).flatmap(lambda size: st.binary(min_size=size, max_size=size))
keys = st.sampled_from(KEYS)


@given(keys, st.binary(max_size=80))
def test_cmac_is_that_of_a_second_implementation(key: bytes, data: bytes) -> None:
    assert cmac(key, data) == second_cmac(key, data)


@given(keys, labels, st.binary(max_size=40), st.integers(1, 100) | st.sampled_from([4079, 4080]))
def test_derived_bytes_are_those_of_another_library(key: bytes, label: str, context: bytes, size: int) -> None:
    made = MasterKey.from_bytes(key, ARGUMENT).derive(label=label, context=context, size=size)
    assert made == second_derived(key, label, context, size)
    assert len(made) == size


@given(keys, labels, serials, st.integers(0, 255), st.sampled_from("AB"), st.integers(6, 32))
def test_card_keys_are_framed_as_documented(
    key: bytes, label: str, serial: bytes, sector: int, slot: str, size: int
) -> None:
    fixed = b"credkit key " + label.encode() + b"\0" + bytes([len(serial)]) + serial + bytes([sector]) + slot.encode()
    fixed += (8 * size).to_bytes(4, "big")
    whole = b"".join(second_cmac(key, bytes([index]) + fixed) for index in (1, 2))
    made = card_key(
        MasterKey.from_bytes(key, ARGUMENT), label=label, serial=serial, sector=sector, slot=slot, size=size
    )
    assert made == whole[:size]


@given(keys, labels, serials, st.binary(max_size=70), st.integers(4, 16))
def test_macs_are_framed_as_documented(key: bytes, label: str, serial: bytes, data: bytes, size: int) -> None:
    fixed = b"credkit mac " + label.encode() + b"\0" + bytes([size]) + bytes([0, 0, 0, 128])
    own = second_cmac(key, b"\1" + fixed)
    made = record_mac(MasterKey.from_bytes(key, ARGUMENT), label=label, serial=serial, data=data, size=size)
    assert made == second_cmac(own, bytes([len(serial)]) + serial + data)[:size]


@pytest.mark.parametrize("key", KEYS, ids=len)
def test_the_check_value_is_as_documented(key: bytes) -> None:
    own = second_cmac(key, b"\1credkit check value\0" + bytes([0, 0, 0, 128]))
    assert check_value(MasterKey.from_bytes(key, ARGUMENT)) == second_cmac(own, bytes(16))[:3].hex().upper()


def test_the_size_of_a_key_defaults_to_that_of_a_slot() -> None:
    made = card_key(MASTER, label="staff", serial=SERIAL, sector=1, slot="A")
    assert made == card_key(MASTER, label="staff", serial=SERIAL, sector=1, slot="A", size=6)
    assert len(made) == 6


# ── different things have different keys ────────────────────────────────────────────────────────


def test_no_two_keys_are_the_same() -> None:
    """Over labels, serial numbers, sectors and slots that could be taken for each other if joined without lengths."""
    names = ("A", "a", "staff", "staff ", "staff\1", "staff/1", "staffA", "é", "e\u0301", "mac staff", "key staff")
    numbers = [bytes(size) for size in SERIAL_BYTES] + [bytes(size - 1) + b"\1" for size in SERIAL_BYTES]
    numbers += [b"AAAA", b"AAAAAAA", b"\4\0\0\0\0\0\0", bytes.fromhex("01020304050607"), SERIAL, SERIAL[::-1]]
    grid = list(product(names, numbers, (0, 1, 15, 39, 65, 255), "AB", (MASTER, OTHER)))
    made = {
        card_key(master, label=label, serial=serial, sector=sector, slot=slot)
        for label, serial, sector, slot, master in grid
    }
    assert len(made) == len(grid) == 11 * 14 * 6 * 2 * 2


def test_a_card_has_its_own_keys_in_every_sector() -> None:
    made = [
        card_key(MASTER, label="staff", serial=number.to_bytes(4, "big"), sector=sector, slot=slot)
        for number in range(0x08000000, 0x08000000 + 100)  # consecutive, as a box of cards may be
        for sector in range(40)
        for slot in "AB"
    ]
    assert len(set(made)) == 100 * 40 * 2
    assert not any(map(describe_published_key, made))


def test_no_key_is_the_beginning_of_a_longer_one() -> None:
    made = [card_key(MASTER, label="staff", serial=SERIAL, sector=1, slot="A", size=size) for size in range(6, 33)]
    assert len({key[:6] for key in made}) == len(made)
    macs = [record_mac(MASTER, label="staff", serial=SERIAL, data=b"1", size=size) for size in range(4, 17)]
    assert len({mac[:4] for mac in macs}) == len(macs)


def test_what_is_made_for_one_purpose_serves_no_other() -> None:
    of_key = MASTER.derive(label="credkit key staff", context=b"\x10", size=16)
    of_mac = MASTER.derive(label="credkit mac staff", context=b"\x10", size=16)
    of_check = MASTER.derive(label="credkit check value", context=b"\x10", size=16)
    assert len({of_key, of_mac, of_check}) == 3


def test_a_mac_notices_every_bit_of_serial_and_data() -> None:
    data = bytes.fromhex("0001E240CAFE")
    mac = record_mac(MASTER, label="staff/secure", serial=SERIAL, data=data, size=4)
    whole = SERIAL + data
    for bit in range(8 * len(whole)):
        other = (int.from_bytes(whole, "big") ^ 1 << bit).to_bytes(len(whole), "big")
        assert record_mac(MASTER, label="staff/secure", serial=other[:4], data=other[4:], size=4) != mac
    assert record_mac(MASTER, label="staff/other", serial=SERIAL, data=data, size=4) != mac
    assert record_mac(OTHER, label="staff/secure", serial=SERIAL, data=data, size=4) != mac


def test_serial_and_data_are_not_taken_for_each_other() -> None:
    """Seven bytes of a serial number and one of data, or four and four: the same bytes behind each other."""
    whole = bytes.fromhex("0102030405060708090A0B")
    made = {record_mac(MASTER, label="staff", serial=whole[:size], data=whole[size:], size=8) for size in SERIAL_BYTES}
    assert len(made) == len(SERIAL_BYTES)


def test_a_copy_with_its_serial_passes() -> None:
    """What a MAC cannot do, and is said not to: it has no way of knowing which card it is on."""
    first = record_mac(MASTER, label="staff", serial=SERIAL, data=b"1", size=8)
    assert record_mac(MASTER, label="staff", serial=bytes(SERIAL), data=b"1", size=8) == first


# ── refusals ────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "changed",
    [
        {"label": ""},
        {"label": None},
        {"label": "a\0b"},
        {"label": "\ud800"},
        {"slot": "C"},
        {"slot": ""},
        {"sector": -1},
        {"sector": 256},
        {"sector": True},
        {"size": 5},
        {"size": 33},
    ],
)
def test_card_keys_refuse_what_cannot_be(changed: dict[str, Any]) -> None:
    good: dict[str, Any] = {"label": "staff", "serial": SERIAL, "sector": 1, "slot": "A"}
    assert card_key(MASTER, **good)
    with refusal(DefinitionError) as caught:
        card_key(MASTER, **good | changed)
    assert not leaks(told(caught.value))


@pytest.mark.parametrize("size", [0, 1, 3, 5, 6, 9, 11])
def test_serial_numbers_of_other_sizes_are_refused(size: int) -> None:
    uses: list[Callable[[], object]] = [
        lambda: card_key(MASTER, label="staff", serial=bytes(size), sector=1, slot="A"),
        lambda: record_mac(MASTER, label="staff", serial=bytes(size), data=b"", size=8),
    ]
    for use in uses:
        with pytest.raises(EncodeError) as caught:
            use()
        assert str(caught.value) == f"a serial number has 4, 7, 8 or 10 bytes, not {size}"
        assert not leaks(told(caught.value))


@pytest.mark.parametrize("size", [-1, 0, 3, 17])
def test_macs_of_other_sizes_are_refused(size: int) -> None:
    with pytest.raises(DefinitionError, match=f"^bytes of a MAC: 4 to 16, not {size}$") as caught:
        record_mac(MASTER, label="staff", serial=SERIAL, data=b"", size=size)
    assert not leaks(told(caught.value))


@pytest.mark.parametrize("size", [-1, 0, 4081, 1 << 40])
def test_more_than_the_counter_can_number_is_refused(size: int) -> None:
    with pytest.raises(DefinitionError, match=f"^derived bytes: 1 to 4080, not {size}$"):
        MASTER.derive(label="staff", context=b"", size=size)
    with pytest.raises(DefinitionError, match=f"a counter of 8 bits numbers 1 to 4080 bytes, not {size}$") as caught:
        kdf_counter_cmac(KEY, b"", size)
    assert not leaks(told(caught.value))
    assert len(kdf_counter_cmac(KEY, b"", 4081, 16)) == 4081


@pytest.mark.parametrize("width", [0, 7, 9, 12, 40, 64])
def test_counters_of_other_widths_are_refused(width: int) -> None:
    with pytest.raises(DefinitionError, match=f"a counter has 8, 16, 24 or 32 bits, not {width}$") as caught:
        kdf_counter_cmac(KEY, b"", 16, width)
    assert not leaks(told(caught.value))


# ── a key is never shown ────────────────────────────────────────────────────────────────────────


def test_leaks_are_found() -> None:
    """The search that the tests below rely on: every form of a key, also of a part of it, in text and in bytes."""
    for key in KEYS:
        for form in forms(key):
            assert leaks(b"before " + form + b" behind"), form
        assert leaks(f"{key.hex()[2:20]}…")
        assert leaks(key.hex().upper())
        assert leaks(repr(key))
        assert leaks(str(list(key)))
    assert not leaks("2B7E151628AED2A6ABF7158809CF4F3C")

    def careless(key: bytes) -> None:
        raise DefinitionError(f"a key of {len(key)} bytes")

    with pytest.raises(DefinitionError) as caught:
        careless(KEY)
    assert leaks(told(caught.value)), "a local variable is a leak"


@pytest.mark.parametrize("key", KEYS, ids=len)
def test_a_master_key_shows_nothing(key: bytes) -> None:
    master = MasterKey.from_bytes(key, "file")
    assert repr(master) == str(master) == f"{master}" == f"{master!s}" == "MasterKey(origin='file')"
    written = [
        f"{[master]} { ({1: master}) }",
        repr(master.prepared),
        repr(dataclasses.fields(master)),
        repr(dir(master)),
    ]
    written += [repr(getattr(master, name)) for name in dir(master)]
    assert not leaks("\n".join(written))
    assert not hasattr(master, "__dict__")


@pytest.mark.parametrize(
    "copied", [copy.copy, copy.deepcopy, dataclasses.asdict, *(lambda m, n=n: pickle.dumps(m, n) for n in range(6))]
)
def test_a_master_key_is_neither_copied_nor_pickled(copied: Callable[[Any], object]) -> None:
    with pytest.raises(TypeError) as caught:
        copied(MASTER)
    assert not leaks(told(caught.value))


def test_a_master_key_cannot_be_changed_and_is_equal_to_itself_only() -> None:
    with pytest.raises(AttributeError):
        MASTER.origin = "file"  # type: ignore[misc]  # it is frozen: that is the test
    again = MasterKey.from_bytes(KEY, ARGUMENT)
    assert again != MASTER
    assert MASTER == MASTER
    assert check_value(again) == check_value(MASTER) != check_value(OTHER)


def test_a_master_key_is_not_used_up() -> None:
    first, second = (MASTER.derive(label="staff", context=b"", size=40) for _ in range(2))
    assert first == second


WRONG = [
    key[:size] for key, sizes in ((KEY_32, (8, 15, 17, 31)), (KEY_24, (23,)), (KEY_16 * 3, (33, 48))) for size in sizes
]


@pytest.mark.parametrize("wrong", WRONG, ids=len)
@pytest.mark.parametrize(
    "use",
    [
        lambda key: MasterKey.from_bytes(key, "file"),
        lambda key: cmac(key, b""),
        lambda key: kdf_counter_cmac(key, b"", 16),
    ],
    ids=["of", "cmac", "kdf"],
)
def test_keys_of_other_sizes_are_refused_unseen(wrong: bytes, use: Callable[[bytes], object]) -> None:
    keys = [wrong]
    with pytest.raises(DefinitionError, match=f"a key has 16, 24 or 32 bytes, not {len(wrong)}$") as caught:
        use(keys.pop())
    assert not leaks(below(caught.value, 2)), "the first two frames are those of the test and its lambda"


def below(error: BaseException, frames: int) -> str:
    """All that is to be told of an error from its frame number ``frames`` on: those before are the test's own."""
    trace = error.__traceback__
    for _ in range(frames - 1):
        assert trace is not None
        trace = trace.tb_next
    return told(error.with_traceback(trace))


def test_only_bytes_are_keys() -> None:
    text: Any = KEY.hex()[:16]
    with refusal(DefinitionError) as caught:
        MasterKey.from_bytes(text, ARGUMENT)
    assert not leaks(told(caught.value))


@pytest.fixture
def without_library(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in sys.modules if name.split(".")[0] == "cryptography"]:
        monkeypatch.setitem(sys.modules, name, None)


@pytest.mark.usefixtures("without_library")
def test_a_missing_library_is_told_before_a_key_is_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, KEY.hex())
    path = key_file(tmp_path)
    uses: list[Callable[[], object]] = [
        lambda: MasterKey.from_bytes(KEY, "file"),
        lambda: cmac(KEY, b""),
        lambda: kdf_counter_cmac(KEY, b"", 16),
        lambda: master_from_file(path),
        lambda: master_from_environment(VARIABLE),
        lambda: master_from_prompt(lambda _: KEY.hex()),
    ]
    for use in uses:
        with pytest.raises(DefinitionError) as caught:
            use()
        assert str(caught.value).endswith("keys and MACs need the extra keys: pip install 'credkit[keys]'")
        assert not leaks(told(caught.value))


def test_importing_the_modules_needs_no_library() -> None:
    code = "import sys, credkit.cards.masters; print('cryptography' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


# ── where master keys come from ─────────────────────────────────────────────────────────────────


def refused(use: Callable[[], object]) -> str:
    """The sentence that refuses a master key; nothing in it, behind it or in its frames shows one."""
    with pytest.raises(DefinitionError) as caught:
        use()
    assert not leaks(told(caught.value))
    assert isinstance(caught.value, CredkitError)
    return str(caught.value)


def spread(key: bytes) -> str:
    digits = key.hex()
    return "\n \t" + " \t".join(digits[at : at + 5].upper() for at in range(0, len(digits), 5)) + "\r\n\n"


@pytest.mark.parametrize("key", KEYS, ids=len)
@pytest.mark.parametrize(
    "written", [bytes.hex, spread, lambda key: f"\ufeff{key.hex()}\n"], ids=["plain", "spread", "mark"]
)
def test_a_file_holds_hexadecimal_digits(tmp_path: Path, key: bytes, written: Callable[[bytes], str]) -> None:
    path = key_file(tmp_path)
    path.write_text(written(key), encoding="utf-8")
    found = master_from_file(path)
    assert found.origin == "file"
    assert (
        check_value(found)
        == check_value(MasterKey.from_bytes(key, ARGUMENT))
        == check_value(master_from_file(str(path)))
    )


@POSIX
def test_only_its_owner_may_use_the_file(tmp_path: Path) -> None:
    """Every mode there is, of which the owner may read; what root may do besides is no matter."""
    path = key_file(tmp_path)
    passed = set()
    for mode in range(0o400, 0o1000):
        if mode & 0o400:
            path.chmod(mode)
            if mode & 0o077:
                assert refused(lambda: master_from_file(path)) == (
                    f"master key file 'master.hex': others than its owner may use it (mode {mode:03o}), "
                    "expected mode 600 or 400: take their rights away"
                )
            else:
                assert check_value(master_from_file(path)) == check_value(MASTER)
                passed.add(mode)
    assert passed == {0o400, 0o500, 0o600, 0o700}


def test_a_file_that_is_not_one_is_refused(tmp_path: Path) -> None:
    start = "master key file"
    assert refused(lambda: master_from_file(tmp_path / "none.hex")) == (
        f"{start} 'none.hex': the file cannot be read (No such file or directory)"
    )
    assert refused(lambda: master_from_file("a\0b")) == rf"{start} 'a\x00b': its name cannot be that of a file"
    assert refused(lambda: master_from_file("a\ud800")) == rf"{start} 'a\ud800': its name cannot be that of a file"


@POSIX
def test_folders_links_and_pipes_are_refused(tmp_path: Path) -> None:
    folder, link, pipe = (tmp_path / name for name in ("folder", "link", "pipe"))
    folder.mkdir(mode=0o700)
    link.symlink_to(key_file(tmp_path))
    os.mkfifo(pipe, 0o600)
    assert refused(lambda: master_from_file(folder)) == "master key file 'folder': it is not a plain file"
    assert refused(lambda: master_from_file(link)) == "master key file 'link': it is a link, expected the file itself"
    assert refused(lambda: master_from_file(pipe)) == "master key file 'pipe': it is not a plain file"


@POSIX
def test_a_link_that_comes_too_late_to_be_seen_is_not_followed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    link = tmp_path / "link"
    link.symlink_to(key_file(tmp_path))
    monkeypatch.setattr(Path, "is_symlink", lambda _: False)
    assert "'link': the file cannot be read (Too many levels of symbolic links)" in refused(
        lambda: master_from_file(link)
    )


WRONG_TEXTS = [
    ("", "expected 32, 48 or 64 hexadecimal digits, found none"),
    (" \n", "expected 32, 48 or 64 hexadecimal digits, found none"),
    (KEY.hex()[:-1], "expected 32, 48 or 64 hexadecimal digits, found 31"),
    (KEY.hex() + "0", "expected 32, 48 or 64 hexadecimal digits, found 33"),
    (KEY_32.hex() + "00", "expected 32, 48 or 64 hexadecimal digits, found 66"),
    (KEY_32.hex()[:56], "expected 32, 48 or 64 hexadecimal digits, found 56"),
    (f"0x{KEY.hex()}", "the character at offset 1 is not a hexadecimal digit"),
    (KEY.hex(":"), "the character at offset 2 is not a hexadecimal digit"),
    (f"{KEY.hex()}é", "the character at offset 32 is not a hexadecimal digit"),
    (f"{KEY.hex()[:-1]}\u0663", "the character at offset 31 is not a hexadecimal digit"),  # an Arabic digit
    (f"{KEY.hex()[:-1]}\uff11", "the character at offset 31 is not a hexadecimal digit"),  # a wide digit
    (f"{KEY.hex()}\n{KEY.hex()}\n", "2 lines, expected one: two keys are not one long key"),
    (f"{KEY.hex()}\n\n{KEY_24.hex()}", "2 lines, expected one: two keys are not one long key"),
    (f"{KEY.hex()[:16]}\r\n{KEY.hex()[16:]}", "2 lines, expected one: two keys are not one long key"),
    (f'key = "{KEY.hex()}"', "the character at offset 0 is not a hexadecimal digit"),
]


@pytest.mark.parametrize(("text", "problem"), WRONG_TEXTS, ids=range(len(WRONG_TEXTS)))
def test_what_is_no_key_is_refused_in_all_places(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str, problem: str
) -> None:
    path = key_file(tmp_path)
    path.write_text(text, encoding="utf-8")
    monkeypatch.setenv(VARIABLE, text)
    typed = {"it": text}
    del text
    assert refused(lambda: master_from_file(path)) == f"master key file 'master.hex': {problem}"
    assert refused(lambda: master_from_environment(VARIABLE)) == f"environment variable '{VARIABLE}': {problem}"
    assert refused(lambda: master_from_prompt(lambda _: typed.pop("it"))) == f"master key: {problem}"


def test_raw_bytes_and_big_files_are_refused(tmp_path: Path) -> None:
    path = key_file(tmp_path)
    path.write_bytes(KEY)
    assert refused(lambda: master_from_file(path)).endswith("the character at offset 0 is not a hexadecimal digit")
    path.write_bytes(KEY.hex().encode() + b" " * 992)
    assert check_value(master_from_file(path)) == check_value(MASTER)
    path.write_bytes(KEY.hex().encode() + b" " * 993)
    assert refused(lambda: master_from_file(path)) == (
        "master key file 'master.hex': it has 1025 bytes, expected at most 1024: this is not a key"
    )


@pytest.mark.parametrize("key", KEYS, ids=len)
def test_a_variable_holds_hexadecimal_digits(monkeypatch: pytest.MonkeyPatch, key: bytes) -> None:
    monkeypatch.setenv(VARIABLE, spread(key))
    found = master_from_environment(VARIABLE)
    assert found.origin == "environment variable"
    assert check_value(found) == check_value(MasterKey.from_bytes(key, ARGUMENT))


def test_a_variable_that_is_not_set_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(VARIABLE, raising=False)
    assert refused(lambda: master_from_environment(VARIABLE)) == (
        f"environment variable '{VARIABLE}': it is not set, expected a master key in it"
    )


NO_NAMES = {
    "small digits": KEY.hex(), "digits": KEY.hex().upper(), "parted": KEY.hex("_").upper(),
    "a letter first": f"K{KEY.hex()}", "among others": f"KEY_{KEY.hex()}_OF_TODAY",
    "half": KEY.hex()[:24], "equals": f"KEY={KEY.hex()}",
    "empty": "", "blank": "A B", "zero": "A\0", "half a letter": "\ud800",
}  # fmt: skip


@pytest.mark.parametrize("name", NO_NAMES)
def test_a_key_in_place_of_a_name_is_not_repeated(name: str) -> None:
    assert refused(lambda: master_from_environment(NO_NAMES[name])) == (
        "the name of an environment variable is needed here, never the key itself"
    )


@pytest.mark.parametrize(
    "text",
    [
        KEY.hex(), KEY.hex().upper(), KEY.hex(" "), f"{KEY.hex()}.txt", KEY.hex(":"), KEY.hex(","), KEY.hex("+", 4),
        " ".join(f"0x{byte:02X}" for byte in KEY), f"keys/key of today {KEY.hex()} (new)",
    ],
    ids=range(9),
)  # fmt: skip
def test_a_key_in_place_of_a_path_is_not_in_the_sentence(text: str) -> None:
    with refusal(DefinitionError):
        master_from_file(text)


@pytest.mark.parametrize("key", KEYS, ids=len)
def test_a_prompt_is_asked_once_and_says_what_it_wants(key: bytes) -> None:
    asked = []

    def ask(text: str) -> str:
        asked.append(text)
        return spread(key)

    found = master_from_prompt(ask)
    assert asked == ["master key (hexadecimal digits, not shown)"]
    assert found.origin == "prompt"
    assert check_value(found) == check_value(MasterKey.from_bytes(key, ARGUMENT))


def test_an_interrupted_prompt_stays_interrupted() -> None:
    def ask(_: str) -> str:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        master_from_prompt(ask)


def test_check_values_are_six_digits_and_differ() -> None:
    """Keys that differ in one bit, each of them: 7 chances in 10,000 that two of 129 values meet by accident."""
    number = int.from_bytes(KEY, "big")
    near = [KEY, *((number ^ 1 << bit).to_bytes(16, "big") for bit in range(128))]
    found = [check_value(MasterKey.from_bytes(key, ARGUMENT)) for key in near]
    assert len(set(found)) == 129
    assert all(re.fullmatch("[0-9A-F]{6}", value) for value in found)


# ── published keys ──────────────────────────────────────────────────────────────────────────────


def test_published_keys() -> None:
    """Common practice, no source; from memory."""
    assert describe_published_key(b"\xff" * 6) == "the factory default"
    for digits in ("000000000000", "A0A1A2A3A4A5", "B0B1B2B3B4B5", "D3F7D3F7D3F7"):
        assert describe_published_key(bytes.fromhex(digits))
    assert {len(key) for key in PUBLISHED_KEYS} == {6}
    for key in PUBLISHED_KEYS:
        for bit in range(48):
            other = (int.from_bytes(key, "big") ^ 1 << bit).to_bytes(6, "big")
            assert describe_published_key(other) is None
    assert describe_published_key(b"") is describe_published_key(b"\xff" * 16) is None
    with pytest.raises(TypeError):
        PUBLISHED_KEYS[KEY[:6]] = "mine"  # type: ignore[index]  # it is read-only: that is the test


@pytest.mark.parametrize(
    "digits", ["00" * 16, "FF" * 32, "000102030405060708090A0B0C0D0E0F", "2B7E151628AED2A6ABF7158809CF4F3C"]
)
def test_keys_that_everybody_has_are_no_master_keys(digits: str) -> None:
    """NIST SP 800-38B, appendix D, and what somebody types to try it out."""
    with refusal(DefinitionError):
        master_from_prompt(lambda _: digits)

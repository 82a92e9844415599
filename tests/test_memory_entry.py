"""Memory blocks as a reader prints them: cut out by a plan, read, verified, written back, and used by a site."""

from __future__ import annotations

import gc
from collections import Counter
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from random import Random
from typing import Any

import pytest
from bitstring import Bits
from hypothesis import given

from credkit import (
    CredkitError,
    DecodeError,
    DefinitionError,
    EncodeError,
    UnknownCodec,
    chain,
    choice,
    conversion,
    inspect,
)
from credkit.cards.entry import MemoryCodec, blocks_of, memory_entry
from credkit.cards.image import ImageBuilder
from credkit.cards.keys import MasterKey
from credkit.cards.plans import load_plan
from credkit.core.codec import AnyCodec
from credkit.core.forms import to_word
from credkit.crosswalk import Crosswalk, crosswalk
from credkit.explain.drawing import lines, pictures
from credkit.site import load_site
from tests.masters import KEY, MASTER, leaks
from tests.sentences import refusal
from tests.strategies import randoms
from tests.test_laws import agreed, obey

PLAN = load_plan(Path(__file__).with_name("plans") / "staff.toml")
PASTED = KEY[::-1]  # a key where a name belongs; not one that the search of all tests looks for
KEYED = (memory_entry({"staff": PLAN}, {"staff": MASTER}),)
PLAIN = (memory_entry({"staff": PLAN}),)
SERIAL = bytes.fromhex("018B2C7D")
ROW = {
    "credential_id": "C-1", "serial": SERIAL.hex(), "personnel_number": "123456", "gate_facility": "123",
    "gate_number": "45678", "secure_number": "000000004711", "site": "7", "badge_number": "1234567",
    "berth": "Kåre, dok 7 €", "note": "Nur bei Tag " * 4 + "🚢", "ticket": "A-17", "old_serial": "5", "old_number": "6",
}  # fmt: skip
IMAGE = ImageBuilder(PLAN, MASTER).build_image(SERIAL, ROW)


def sent(record: str, serial: bool = True) -> str:
    """What a reader prints of the card that has ``ROW``: whole blocks, the serial number in front."""
    found = PLAN.record(record)
    assert found is not None
    return (SERIAL.hex() * serial + "".join(IMAGE.blocks[block].hex() for block in blocks_of(PLAN, found))).upper()


def codec(step: str, *, keyed: bool = True) -> AnyCodec:
    return chain(f"hex/memory:staff,{step}", KEYED if keyed else PLAIN)


# ── what is read ────────────────────────────────────────────────────────────────────────────────


def test_a_record_is_cut_out_of_its_block() -> None:
    # 123456 = 0x1E240; facility 123 and number 45678 are the frame 0x2F764DD (SIA AC-01), at byte 8 of the same block.
    text = "0001E240 AAAAAAAA 02F764DD BBBBBBBB".replace(" ", "")
    assert chain("hex:32/memory:staff,personnel", PLAIN).decode(text) == {"number": 123456}
    assert chain("hex:32/memory:staff,gate-card", PLAIN).decode(text) == {"facility": 123, "number": 45678}


def test_every_record_reads_what_the_press_wrote() -> None:
    assert codec("personnel").decode(sent("personnel", serial=False)) == {"number": 123456}
    assert codec("gate-card").decode(sent("gate-card", serial=False)) == {"facility": 123, "number": 45678}
    number = int.from_bytes(SERIAL, "big")
    assert codec("secure,serial").decode(sent("secure")) == {"serial": number, "number": 4711}
    assert codec("badge,serial").decode(sent("badge")) == {"serial": number, "site": 7, "number": 1234567}
    assert codec("berth").decode(sent("berth", serial=False)) == ROW["berth"]
    assert codec("berth,serial").decode(sent("berth")) == ROW["berth"]
    assert codec("note").decode(sent("note", serial=False)) == ROW["note"]
    assert codec("ticket,serial").decode(sent("ticket")) == ROW["ticket"]


def test_trailers_between_the_blocks_are_not_sent() -> None:
    # Seventy bytes from block 12 on: blocks 12, 13, 14, then the trailer 15, then 16 and 17 of sector 4.
    record = PLAN.record("note")
    assert record is not None
    assert blocks_of(PLAN, record) == (12, 13, 14, 16, 17)
    step = memory_entry({"staff": PLAN}).build("staff", "note")
    assert step.length == 5 * 128
    whole = ROW["note"].encode().ljust(70, b"\0") + b"\xff" * 10
    assert codec("note").decode(whole.hex()) == ROW["note"]


@pytest.mark.parametrize("size", [0, 15, 17, 19, 21, 36])
@pytest.mark.parametrize(("step", "wanted"), [("personnel", 128), ("badge,serial", 160)])
def test_other_lengths_are_refused(step: str, wanted: int, size: int) -> None:
    with pytest.raises(
        DecodeError, match=f"memory:staff,{step}: the length in bits fails: found .*, expected {wanted}"
    ):
        codec(step).decode("00" * size)


def test_what_others_have_in_the_block_is_no_fault_and_says_so_beforehand() -> None:
    assert codec("personnel").lossy
    assert codec("secure,serial").lossy
    assert codec("berth,serial").lossy, "the serial number is no part of the text"
    assert not codec("berth").lossy, "the record fills its block"
    assert not codec("badge,serial").lossy
    assert codec("badge,serial", keyed=False).lossy, "a MAC that is not verified is left out"


@pytest.mark.parametrize(
    ("step", "text", "message", "place"),
    [
        (
            "gate-card", "0001E240 00000000 82F764DD 00000000",
            "in record gate-card, zero padding in bits 0-5 fails: bits 64-69 are 100000, expected 000000", (16, 17),
        ),
        (
            "gate-card", "0001E240 00000000 00F764DD 00000000",
            "in record gate-card, even parity over bits 1-12 fails: bit 70 is 0, expected 1", (17,),
        ),
        (
            "secure", "00000A004711 0000000000000000 0000",
            "in record secure, a decimal digit in every four bits fails: bits 20-23 are 1010, expected at most 1001",
            (5,),
        ),
        (
            "berth", "C3285151515151515151515151515151",
            "in record berth, the encoding utf-8 fails: bits 0-7 are 11000011, expected a character of it", (0, 1),
        ),
    ],
)  # fmt: skip
def test_carets_point_into_the_text_that_the_reader_sent(
    step: str, text: str, message: str, place: tuple[int, ...]
) -> None:
    with pytest.raises(DecodeError) as caught:
        codec(step).decode(text.replace(" ", ""))
    assert str(caught.value).startswith(f"memory:staff,{step}: {message} (character")
    assert caught.value.place == place


def test_every_field_has_its_origin_in_the_text() -> None:
    text = sent("badge")
    reading = codec("badge,serial").inspect(text)
    # serial 4 bytes, site 2, number 6, MAC 8: two characters a byte
    assert reading.origin("serial") == tuple(range(8))
    assert reading.origin("site") == tuple(range(8, 12))
    assert reading.origin("number") == tuple(range(12, 24))
    parts = {part.name: part.at for part in reading.steps[-1].reading.parts}
    assert parts["mac"] == tuple(range(96, 160))
    note = codec("note").inspect(sent("note", serial=False))
    assert note.origin(48) == tuple(range(96, 104)), "character 48 is the ship: four bytes from byte 48 on"


def test_parts_cover_every_bit_once() -> None:
    for step in ("personnel", "gate-card", "secure,serial", "badge,serial", "berth", "note", "ticket,serial", "old"):
        record, _, serial = step.partition(",")
        last = codec(step).inspect(sent(record, bool(serial))).steps[-1]
        covered = Counter(bit for part in last.reading.parts for bit in part.at)
        apart = {"gate-card": 6 + 2}.get(record, 0)  # padding and parity are in no field
        assert len(covered) == len(last.given) - apart, step
        assert set(covered.values()) == {1}, step


def test_it_can_be_drawn() -> None:
    text = sent("badge")
    reading = codec("badge,serial").inspect(text)
    drawn = "\n".join(line for picture in pictures(codec("badge,serial"), text, reading) for line in lines(picture))
    assert "number=1234567" in drawn
    assert "mac passed" in drawn


# ── the MAC ─────────────────────────────────────────────────────────────────────────────────────


def flipped(text: str, bit: int) -> str:
    return f"{int(text, 16) ^ 1 << 4 * len(text) - 1 - bit:0{len(text)}X}"


@pytest.mark.parametrize(("record", "protected"), [("secure", 32 + 48 + 64), ("badge", 160), ("ticket", 160)])
def test_every_wrong_bit_of_serial_data_and_mac_is_found(record: str, protected: int) -> None:
    step, text = codec(f"{record},serial"), sent(record)
    good = step.decode(text)
    for bit in range(4 * len(text)):
        wrong = flipped(text, bit)
        if bit >= protected:
            assert step.decode(wrong) == good, "bytes of other records are not looked at"
            continue
        rules = [check.rule for check in step.inspect(wrong).checks if not check.passed]
        assert "mac" in rules, bit
        with pytest.raises(DecodeError):
            step.decode(wrong)


def test_data_of_another_card_is_found() -> None:
    other = ImageBuilder(PLAN, MASTER).build_image(bytes.fromhex("018B2C7E"), ROW)
    copied = (SERIAL + other.blocks[5]).hex().upper()
    with refusal(DecodeError, rule="mac") as caught:
        codec("secure,serial").decode(copied)
    assert caught.value.check is not None
    assert caught.value.check.rule == "mac"
    assert caught.value.check.evidence == 64


def test_a_mac_of_another_key_or_record_is_found() -> None:
    stranger = (memory_entry({"staff": PLAN}, {"staff": MasterKey.from_bytes(KEY[::-1], "argument of a function")}),)
    with refusal(DecodeError, rule="mac"):
        chain("hex/memory:staff,secure,serial", stranger).decode(sent("secure"))
    ticket, secure = PLAN.record("ticket"), PLAN.record("secure")
    assert ticket is not None
    assert secure is not None
    press = ImageBuilder(PLAN, MASTER)
    data = b"A-17\0\0\0\0"
    assert press.with_mac(ticket, SERIAL, data) != press.with_mac(secure, SERIAL, data)


def test_the_expected_mac_is_said_nowhere() -> None:
    """Whoever sees it could write it: it is in no check, note, part, sentence, and in no repr."""
    step = codec("badge,serial")
    right = sent("badge")[24:]
    for bit in (0, 40, 100):  # of the serial number, the data, the MAC
        wrong = flipped(sent("badge"), bit) if bit < 96 else sent("badge")[:24] + "00" * 8
        reading = step.inspect(wrong)
        with pytest.raises(DecodeError) as caught:
            step.decode(wrong)
        told = f"{reading!r} {caught.value} {caught.value.check!r} {step!r} {step.steps[-1]!r}"
        inner = reading.steps[-1].reading
        told += repr([(each.expected, each.found) for each in inner.checks]) + repr(inner.parts)
        told = told.replace(wrong, "").replace(f"0x{wrong.lower()}", "").replace(Bits(hex=wrong).bin, "")
        for form in (right, right.lower(), str(int(right, 16)), f"{int(right, 16):064b}", repr(bytes.fromhex(right))):
            assert form not in told
        assert KEY.hex() not in told.lower()


@pytest.mark.parametrize(
    ("step", "keyed", "why"),
    [
        ("secure", True, "no serial number stands in front"),
        ("secure", False, "no serial number stands in front"),
        ("secure,serial", False, "no master key is given"),
        ("ticket,serial", False, "no master key is given"),
    ],
)
def test_a_mac_that_is_not_verified_is_never_passed_over(step: str, keyed: bool, why: str) -> None:
    record, _, serial = step.partition(",")
    reading = codec(step, keyed=keyed).inspect(sent(record, bool(serial)))
    assert reading.ok
    (note,) = reading.notes
    assert (note.kind, note.level) == ("mac-not-verified", "care")
    assert note.text == f"the MAC of record {record} is not verified: {why}"
    assert not [check for check in reading.checks if check.rule == "mac"]


@pytest.mark.parametrize("step", ["secure,serial", "personnel", "personnel,serial", "note"])
def test_nothing_is_noted_where_nothing_is_open(step: str) -> None:
    record, _, serial = step.partition(",")
    assert codec(step).inspect(sent(record, bool(serial))).notes == ()


def test_notes_of_the_record_have_their_place() -> None:
    plan = PLAN
    found = plan.record("personnel")
    assert found is not None
    from dataclasses import replace

    from credkit.cards.area import area_step
    from credkit.core.chains import link

    # uid-a-4 notes a first byte 08: a serial number that is drawn anew each time (ISO/IEC 14443-3).
    noted = replace(found, codec=link([area_step(4), chain("uid-a-4")]))
    entry = memory_entry({"p": replace(plan, records=(noted,))})
    reading = chain("hex/memory:p,personnel,serial", (entry,)).inspect("018B2C7D08112233" + "00" * 12)
    assert [(note.kind, note.level) for note in reading.notes] == [("random-serial", "refuse")]
    assert set(reading.notes[0].at) <= set(range(32, 64))
    assert reading.notes[0].at


# ── written back ────────────────────────────────────────────────────────────────────────────────


def test_writing_gives_whole_blocks_all_else_zero() -> None:
    assert codec("personnel").encode({"number": 123456}) == "0001E240" + "00" * 12
    assert codec("gate-card").encode({"facility": 123, "number": 45678}) == "00" * 8 + "02F764DD" + "00" * 4
    assert codec("personnel,serial").encode({"serial": 0x018B2C7D, "number": 1}) == "018B2C7D00000001" + "00" * 12
    assert codec("badge,serial").encode({"serial": 0x018B2C7D, "site": 7, "number": 1234567}) == sent("badge")
    assert codec("note").encode(ROW["note"]) == sent("note", serial=False)


@pytest.mark.parametrize(
    ("step", "keyed", "why"),
    [
        ("secure", True, "its MAC cannot be made: no serial number stands in front"),
        ("secure,serial", False, "its MAC cannot be made: no master key is given"),
        ("ticket,serial", True, "the serial number in front of it is no part of a text"),
        ("berth,serial", True, "the serial number in front of it is no part of a text"),
    ],
)
def test_what_cannot_be_written_says_why_before_the_first_row(step: str, keyed: bool, why: str) -> None:
    made = codec(step, keyed=keyed)
    assert made.encode_obstacle == why
    value: Any = "A" if made.gives == "text" else {"serial": 1, "number": 1}
    with pytest.raises(DefinitionError, match=f"cannot write: {why}"):
        made.encode(value)
    with pytest.raises(DefinitionError, match=f"cannot write: {why}"):
        made.steps[-1].encode(value)
    if made.gives == "fields":
        with pytest.raises(DefinitionError, match=f"cannot write: {why}"):
            conversion("fields:number:32/select:number,serial=1", made)


@pytest.mark.parametrize(
    ("step", "value"),
    [
        ("personnel", {"number": 1 << 32}),
        ("personnel,serial", {"number": 1}),
        ("personnel,serial", {"serial": 1 << 32, "number": 1}),
        ("personnel,serial", {"serial": 1, "number": 1, "x": 1}),
        ("berth", "ä" * 9),
    ],
)
def test_values_that_do_not_fit_are_refused(step: str, value: Any) -> None:
    with refusal(EncodeError):
        codec(step).encode(value)


LAWFUL = (
    "hex:32/memory:staff,personnel",
    "hex:32/memory:staff,gate-card",
    "hex:40,lower/memory:staff,personnel,serial",
    "hex:40/memory:staff,secure,serial",
    "binary/memory:staff,badge,serial",
    "binary:160/reverse-bytes/memory:staff,badge,serial/select:card=number,site,serial",
    "hex/memory:staff,berth",
    "hex/memory:staff,note",
    "hex:32/memory:staff,old",
)


@pytest.mark.parametrize("text", LAWFUL)
def test_the_laws_hold(text: str) -> None:
    made, seen = chain(text, KEYED), Counter[str]()
    assert made.name == text

    @given(randoms())
    def law(random: Random) -> None:
        obey(made, random, seen)

    law()
    assert seen["accepted"]
    assert seen["rejected"]


@pytest.mark.parametrize("text", LAWFUL)
def test_what_was_written_is_read_again_though_the_rest_is_lost(text: str) -> None:
    made, seen = chain(text, KEYED), Counter[str]()

    @given(randoms())
    def law(random: Random) -> None:
        from tests.strategies import valid

        meant = valid(random, made)
        try:
            written = made.encode(meant)
        except EncodeError:
            seen["refused"] += 1
            return
        assert made.decode(written) == meant
        seen["read"] += 1

    law()
    assert seen["read"] > 10


@pytest.mark.parametrize("step", ["secure", "secure,serial", "ticket", "ticket,serial", "berth,serial"])
def test_what_is_read_only_reads_lawfully(step: str) -> None:
    made, seen = codec(step, keyed=False).steps[-1], Counter[str]()
    record, _, serial = step.partition(",")
    good = Bits(hex=sent(record, bool(serial)))

    @given(randoms())
    def law(random: Random) -> None:
        value = good
        for _ in range(random.randrange(3)):
            value = Bits(hex=flipped(value.hex, random.randrange(len(value))))
        value = value if random.randrange(4) else value[random.randrange(20) :]
        seen["rejected" if agreed(made, value) is None else "accepted"] += 1

    law()
    assert seen["accepted"]
    assert seen["rejected"]


def test_the_short_way_says_what_the_long_one_says() -> None:
    random = Random(5)
    made = codec("badge,serial").steps[-1]
    assert isinstance(made, MemoryCodec)
    good = Bits(hex=sent("badge"))
    for _ in range(200):
        value = Bits(hex=flipped(good.hex, random.randrange(160))) if random.randrange(2) else good
        reading = made.inspect(value)
        assert made._decode_raw(to_word(value)) == (reading.value if reading.ok else None)


def test_in_a_choice_exactly_one_fits() -> None:
    either = choice(
        "hex/memory:staff,badge,serial", "hex:32/memory:staff,badge/select:number,site,serial=0", codecs=KEYED
    )
    assert chain(either, takes="text", gives="fields").decode(sent("badge"))["number"] == 1234567


# ── what is refused when it is built ────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "step",
    [
        "memory:stuff,personnel",
        "memory:staff,personel",
        "memory:staff,personnel,uid",
        "memory:staff,directory",
        "memory:staff,old,serial",
        "memory:staff",
        "hex:8/memory:staff,personnel",
    ],
)
def test_wrong_steps_are_refused_in_one_sentence(step: str) -> None:
    with refusal(DefinitionError):
        chain(step, KEYED)


def test_without_plans_the_name_says_where_they_are_given() -> None:
    with refusal(UnknownCodec):
        chain("hex/memory:staff,personnel")
    with refusal(DefinitionError):
        chain("memory:staff,personnel", (memory_entry({}),))


def test_a_master_key_for_no_plan_is_refused() -> None:
    with refusal(DefinitionError):
        memory_entry({"staff": PLAN}, {"staf": MASTER})


def test_a_missing_extra_is_told_when_the_chain_is_built(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(*_: object, **__: object) -> bytes:
        raise DefinitionError("keys need the extra keys: pip install 'credkit[keys]'")

    monkeypatch.setattr("credkit.cards.entry.record_mac", missing)
    with pytest.raises(DefinitionError, match=r"credkit\[keys\]"):
        chain("memory:staff,badge,serial", memory_entry({"staff": PLAN}, {"staff": MASTER}))
    assert codec("badge").decode(sent("badge", serial=False))["site"] == 7, "what needs no key needs no extra"


# ── a site ──────────────────────────────────────────────────────────────────────────────────────

SITE = """
[site]
name = "Brackwater Terminal"
time_zone = "Europe/Amsterdam"
as_of = 2026-03-31
[files.credentials]
path = "credentials.csv"
[files.readings]
path = "readings.csv"

[plans.staff]
file = "staff.toml"
MASTER

[kinds.personnel]
value = "template:{number:06d}"
key = ["number"]
[kinds.secure]
value = "template:{number:06d}"
key = ["number"]
[kinds.serial]
value = "hex:8/fields:number:32"
key = ["number"]

[readers.gate]
kind = "personnel"
chain = "hex:32/memory:staff,personnel"
[readers.vault]
kind = "secure"
chain = "hex:40/memory:staff,secure,serial"
[readers.berth]
kind = "serial"
chain = "hex:8/fields:number:32"

[targets.payroll]
kind = "personnel"
chain = "decimal:32/memory-of-payroll"
column = "int32"
[targets.station]
kind = "personnel"
chain = "hex:32/memory:staff,personnel"
column = "text(32)"

[layouts.memory-of-payroll]
length = 32
fields = { number = "0-31" }
"""
HEADS = (
    "person_id,credential_id,kind,value,printed,issue,status,valid_from,valid_until,replaces,source",
    "time,reader,text,presentation,expected",
)
PEOPLE = {f"P-{n}": (bytes((0x04 + n, 0x8B, 0x2C, 0x70 + n)), 100200 + n, 7000 + n) for n in range(1, 7)}


def card(person: str) -> Any:
    serial, personnel, secure = PEOPLE[person]
    row = ROW | {"personnel_number": str(personnel), "secure_number": f"{secure:012d}"}
    return ImageBuilder(PLAN, MASTER).build_image(serial, row)


def readings() -> Iterator[tuple[str, str]]:
    """Reader and text: everybody at all three readers, at the vault one with the record of somebody else."""
    for person, (serial, _, _) in PEOPLE.items():
        blocks = card(person).blocks
        yield "gate", blocks[4].hex().upper()
        yield "berth", serial.hex().upper()
        yield "vault", (serial + blocks[5]).hex().upper()
    yield "vault", (PEOPLE["P-1"][0] + card("P-2").blocks[5]).hex().upper()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "staff.toml").write_bytes((Path(__file__).with_name("plans") / "staff.toml").read_bytes())
    rows = [HEADS[0]]
    for person, (serial, personnel, secure) in PEOPLE.items():
        for kind, value in (("personnel", f"{personnel:06d}"), ("secure", f"{secure:06d}"), ("serial", serial.hex())):
            rows.append(f"{person},C-{person},{kind},{value.upper()},,,active,2026-01-01,,,east")
    (tmp_path / "credentials.csv").write_text("\n".join(rows) + "\n")
    times = (f"2026-03-1{number // 10}T08:{number % 60:02d}:00+01:00" for number in range(90))
    read = [f"{time},{reader},{text},," for time, (reader, text) in zip(times, readings(), strict=False)]
    (tmp_path / "readings.csv").write_text("\n".join((HEADS[1], *read)) + "\n")
    (tmp_path / "key.hex").write_text(KEY.hex())
    (tmp_path / "key.hex").chmod(0o600)
    return tmp_path


def walked(folder: Path, master: str) -> Crosswalk:
    (folder / "site.toml").write_text(SITE.replace("MASTER", master))
    return crosswalk(load_site(folder / "site.toml"))


def test_readers_of_blocks_and_of_serials_name_the_same_people(folder: Path) -> None:
    result = walked(folder, 'master_file = "key.hex"')
    assert {(line.person, line.text) for line in result.lines if line.target == "payroll"} == {
        (person, str(personnel)) for person, (_, personnel, _) in PEOPLE.items()
    }
    station = {line.person: line.text for line in result.lines if line.target == "station"}
    assert station == {person: f"{personnel:08X}" + "00" * 12 for person, (_, personnel, _) in PEOPLE.items()}
    assert {line.proof for line in result.lines} == {"seen"}
    (exception,) = result.exceptions
    assert exception.code == "check-failed"
    assert "the MAC of record secure fails" in exception.reason
    assert not [f for f in result.findings if "mac-not-verified" in f.text]


@pytest.mark.parametrize("master", ["", 'master_env = "BRACKWATER_TEST_MASTER"'])
def test_without_the_key_every_reading_is_counted_as_not_verified(
    folder: Path, master: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("BRACKWATER_TEST_MASTER", raising=False)
    result = walked(folder, master)
    assert not result.exceptions, "nothing tells the swapped record from a good one"
    (found,) = [f for f in result.findings if "mac-not-verified" in f.text]
    assert (found.code, found.subject, found.count) == ("noted-numbers", "secure", 6)
    assert "mac-not-verified 6 (the MAC of record secure is not verified: no master key is given)" in found.text


def test_the_key_may_be_in_the_environment(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRACKWATER_TEST_MASTER", KEY.hex())
    (exception,) = walked(folder, 'master_env = "BRACKWATER_TEST_MASTER"').exceptions
    assert "the MAC of record secure fails" in exception.reason


PLACE = "site.toml: plans.staff"


@pytest.mark.parametrize(
    "master",
    [
        'master_file = "key.hex"\nmaster_env = "X"',
        f'master_env = "{PASTED.hex().upper()}"',
        f'master_env = "A{PASTED.hex()}"',
        f'master_env = "KEY_{PASTED.hex()}_OF_TODAY"',
        f'master_file = "{PASTED.hex(",")}"',
        f'master = "{PASTED.hex()}"',
    ],
)
def test_a_key_has_one_place_and_is_never_repeated(folder: Path, master: str) -> None:
    with refusal(DefinitionError) as caught:
        walked(folder, master)
    assert not leaks(str(caught.value), (PASTED,))


def test_a_key_that_others_can_read_is_refused(folder: Path) -> None:
    (folder / "key.hex").chmod(0o644)
    with pytest.raises(CredkitError) as caught:
        walked(folder, 'master_file = "key.hex"')
    assert str(caught.value).startswith("site.toml: plans.staff.master_file: ")
    assert PASTED.hex() not in str(caught.value).lower()


@pytest.mark.parametrize(
    "change",
    [
        ("staff.toml", "staf.toml"),
        ("memory:staff,personnel", "memory:staf,personnel"),
        ("memory:staff,personnel", "memory:staff,secure"),
        ('file = "staff.toml"', 'file = ""'),
        ("[plans.staff]", "[plan.staff]"),
    ],
)  # fmt: skip
def test_faults_of_plans_are_told_with_file_and_key(folder: Path, change: tuple[str, str]) -> None:
    (folder / "site.toml").write_text(SITE.replace("MASTER", "").replace(*change))
    with refusal(DefinitionError):
        load_site(folder / "site.toml")


def test_a_fault_in_the_plan_is_told_with_both_files(folder: Path) -> None:
    plan = (folder / "staff.toml").read_text().replace('where = "block 4"', 'where = "block 7"')
    (folder / "staff.toml").write_text(plan)
    with pytest.raises(DefinitionError) as caught:
        walked(folder, "")
    assert str(caught.value).startswith(
        "site.toml: plans.staff.file: staff.toml: records.personnel.where: 'block 7' holds"
    )


def test_the_day_of_the_site_is_what_it_was(folder: Path) -> None:
    (folder / "site.toml").write_text(SITE.replace("MASTER", ""))
    assert load_site(folder / "site.toml").as_of == date(2026, 3, 31)


def test_no_cache_keeps_a_master_key() -> None:
    def kept() -> int:
        gc.collect()
        return sum(issubclass(type(each), MasterKey) for each in gc.get_objects())  # no proxy of a dead object

    before = kept()

    def use() -> None:
        keyed = memory_entry({"staff": PLAN}, {"staff": MasterKey.from_bytes(KEY[::-1], "argument of a function")})
        assert not inspect("hex:40/memory:staff,secure,serial", "00" * 20, keyed).ok

    use()
    assert kept() == before

"""Plans: what fits lives where it should, and what does not is refused in one sentence with file and key."""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import CredkitError, DefinitionError, EncodeError
from credkit.cards.allotment import ANYWHERE_WORD, WantedPlace, allot
from credkit.cards.geometry import COMMON_NAMES, build_geometry
from credkit.cards.image import ImageBuilder
from credkit.cards.keys import describe_published_key
from credkit.cards.lockcheck import LockCheck
from credkit.cards.masters import MasterKey
from credkit.cards.plan import DIRECTORY_KEY, NDEF_KEY, CardPlan, CardRecord, PlanDanger
from credkit.cards.plans import load_plan
from tests.masters import KEY, MASTER, leaks
from tests.sentences import refusal

HEAD = """
[plan]
name = "Brackwater staff card"
geometry = "sectors-16x4"
[roles]
gate = "A"
issuer = "B"
[keys]
A = "derived"
B = "derived"
[trailers]
keys = "issuer"
access = "issuer"
"""
OPEN = 'read = ["gate", "issuer"]\nwrite = "issuer"\n'
PERSONNEL = f"""
[records.personnel]
column = "personnel_number"
stored = "fields:number:32"
where = "sector 1"
{OPEN}"""
PAGES = """
[plan]
name = "Brackwater label"
geometry = "type2-144"
"""


def load(folder: Path, text: str) -> CardPlan:
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return load_plan(path)


def refused(folder: Path, text: str) -> str:
    with pytest.raises(DefinitionError) as caught:
        load(folder, text)
    assert str(caught.value).startswith("plan.toml: ")
    assert str(caught.value).count("plan.toml") == 1
    return str(caught.value).removeprefix("plan.toml: ")


def test_a_plan_that_fits(tmp_path: Path) -> None:
    plan = load(tmp_path, HEAD + PERSONNEL)
    record = plan.record("personnel")
    assert record is not None
    assert record.places == (64, 65, 66, 67)
    assert plan.columns == ("credential_id", "serial", "personnel_number")
    assert plan.access[1].conditions == (4, 3, 3, 3), "free blocks are for the issuer alone"
    assert [danger.place for danger in plan.dangers()] == ["sectors 0,2-15"]


def record_of(
    name: str = "text", *, size: int = 0, where: str = "", more: str = OPEN, stored: str = "characters:utf-8"
) -> str:
    sized = f"size = {size}\n" if size else ""
    placed = f'where = "{where}"\n' if where else ""
    return f'[records.{name}]\ncolumn = "{name}"\nstored = "{stored}"\n{sized}{placed}{more}'


# ── where records live ──────────────────────────────────────────────────────────────────────────


def test_a_record_jumps_over_trailers(tmp_path: Path) -> None:
    plan = load(tmp_path, HEAD + record_of(size=80, where="sectors 1-2"))
    assert plan.blocks == (4, 5, 6, 8, 9)
    places = plan.records[0].places
    assert places[47:49] == (111, 128), "block 7 is a trailer"


def test_two_records_in_one_block(tmp_path: Path) -> None:
    text = HEAD + record_of("first", size=6, where="block 4") + record_of("second", size=10, where="block 4")
    plan = load(tmp_path, text)
    assert [record.places[0] for record in plan.records] == [64, 70]
    assert "block 4 has 16 bytes for data, 0 of them free" in refused(
        tmp_path, text + record_of("third", size=1, where="block 4")
    )
    fixed = load(
        tmp_path,
        HEAD + record_of("first", size=6, where="block 4") + record_of("second", size=8, where="block 4 byte 0"),
    )
    assert [record.places[0] for record in fixed.records] == [72, 64], "a byte that is said comes first"


def test_records_that_ask_for_other_conditions_have_other_blocks(tmp_path: Path) -> None:
    private = 'read = "issuer"\nwrite = "issuer"\n'
    text = HEAD + record_of("first", size=4, where="sector 1")
    plan = load(tmp_path, text + record_of("second", size=4, where="sector 1", more=private))
    assert [record.places[0] for record in plan.records] == [64, 80]
    assert plan.access[1].conditions[:2] == (4, 3)
    sentence = refused(
        tmp_path, text.replace("sector 1", "block 4") + record_of("second", size=4, where="block 4", more=private)
    )
    assert (
        "record second does not fit at 'block 4': record first in the same group of blocks asks for another" in sentence
    )


def test_one_byte_too_many(tmp_path: Path) -> None:
    assert load(tmp_path, HEAD + record_of(size=16, where="block 4")).used_bytes == 16
    assert "record text needs 17 bytes, but block 4 has 16 bytes for data" in refused(
        tmp_path, HEAD + record_of(size=17, where="block 4")
    )
    assert load(tmp_path, HEAD + record_of(size=752)).used_bytes == 752
    assert "needs 753 bytes, but anywhere has 752 bytes for data" in refused(tmp_path, HEAD + record_of(size=753))
    sentence = refused(tmp_path, HEAD + record_of(size=9, where="block 4", more=f"mac = 8\n{OPEN}"))
    assert "record text needs 17 bytes with its MAC of 8, but block 4 has 16 bytes for data" in sentence


@pytest.mark.parametrize(
    ("where", "sentence"),
    [
        ("block 7", "'block 7' holds no data: it is the trailer of sector 1"),
        ("block 0", "'block 0' holds no data: it is the manufacturer's"),
        ("block 7 byte 6", "'block 7 byte 6' holds no data: it is the trailer of sector 1"),
        ("block 64", "'block 64' is not there: blocks are numbered 0 to 63"),
        ("sectors 3-16", "'sectors 3-16' is not there: sectors are numbered 0 to 15"),
        ("sectors 3-2", "'sectors 3-2' is not there"),
        ("block 4 byte 16", "a block has 16 bytes, 0 to 15"),
        ("sector 1 byte 3", "a byte is counted in a block, not in a sector"),
        ("page 4", "'page 4' is no place: they are written as sectors 1-4, block 4, block 4 byte 8 or anywhere"),
        ("block 04 to 05", "is no place"),
    ],
)
def test_places_that_are_none(tmp_path: Path, where: str, sentence: str) -> None:
    assert sentence in refused(tmp_path, HEAD + record_of(size=4, where=where))


@given(st.data())
def test_allotted_records_do_not_touch(data: st.DataObject) -> None:
    """Whatever is asked for: either all lie apart, in data bytes within their range, or it is refused."""
    card = build_geometry(data.draw(st.sampled_from(COMMON_NAMES)))
    count = data.draw(st.integers(1, 6))
    records = [
        CardRecord(
            name=f"r{i}", size=data.draw(st.integers(1, 60)),
            condition=data.draw(st.integers(0, 1)) if card.keys else 0,
            lock=not card.keys and data.draw(st.booleans()),
        )
        for i in range(count)
    ]  # fmt: skip
    wanted = {}
    for record in records:
        first = data.draw(st.integers(0, card.blocks - 1))
        last = data.draw(st.integers(first, card.blocks - 1))
        span = card.bytes_of(range(first, last + 1))
        wanted[record.name] = (
            WantedPlace("range", span) if data.draw(st.booleans()) else WantedPlace(ANYWHERE_WORD, range(card.size))
        )
    try:
        found = allot(card, records, wanted)
    except DefinitionError as error:
        assert re.match(r"record r\d ", str(error))
        return
    for record in records:
        places = found[record.name]
        assert len(places) == record.total_size
        assert all(at in wanted[record.name].bytes and not card.duty_of_bytes[at] for at in places)
        start = card.free_places.index(places[0])
        assert card.free_places[start : start + len(places)] == places, "in one piece but for reserved bytes"
    for one, other in combinations(records, 2):
        assert not set(found[one.name]) & set(found[other.name])
        if (one.condition, one.lock) != (other.condition, other.lock):
            units = [{card.unit_of(at) for at in found[each.name]} for each in (one, other)]
            assert not units[0] & units[1]


# ── what a plan may say ─────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ('"sectors-16x4"', '"sectors-17x3"', "plan.geometry: geometry 'sectors-17x3': a sector has 4 or 16 blocks"),
        ('"Brackwater staff card"', '" "', "plan.name: a name is needed"),
        ('gate = "A"', 'gate = "C"', 'roles.gate: a role holds key "A" or "B": which'),
        ('gate = "A"', 'never = "A"', "roles.never: never stands for nobody"),
        ('A = "derived"', 'A = "published 112233445566"', "keys.A: either derived, or published and the 12 hex digits"),
        ('A = "derived"', 'A = "112233445566"', "keys.A: either derived, or published"),
        ('keys = "issuer"', 'keys = "isuer"', "trailers.keys: 'isuer' is not a role: gate, issuer or never; did you m"),
        ('keys = "issuer"', 'keys = ["gate", "issuer"]', "trailers.keys: no access condition means keys A or B, acces"),
        ('write = "issuer"', 'write = "gate"', "records.personnel.read: no access condition means read A or B, write "),
        ('write = "issuer"', 'wirte = "issuer"', "records.personnel: 'wirte' is not a key here; did you mean write?"),
        ('"fields:number:32"', '"hex:8"', "records.personnel.stored: the chain takes text, expected bits"),
        ('"fields:number:32"', '"reverse-bytes"', "records.personnel.stored: the chain gives bits, expected text or f"),
        ('"fields:number:32"', '"characters:utf-8"', "records.personnel.size: the chain can read several lengths"),
        ('"fields:number:32"', '"fields:number:30"', "records.personnel.stored: the chain fields:number:30 reads no w"),
        ('"fields:number:32"', '"xor-byte/fields:number:32"\nsize = 6', "records.personnel.size: the chain xor-byte/f"),
        ('"fields:number:32"', '"fields:number:32"\nsize = 5', "records.personnel.size: the chain fields:number:32 re"),
        ('"fields:number:32"', '"bcd/template:{number:012d}"\nsize = 7', "a record of 7 bytes can never be written"),
        ('"fields:number:32"', '"fields:a:16,b:16"', "records.personnel.column: the record has the fields a, b: colum"),
        ('column = "personnel_number"', "", "records.personnel.column: the column of the credentials is needed here"),
        ('column = "personnel_number"', 'column = "serial"', "records.personnel.column: 'serial' is no column of a re"),
        ('column = "personnel_number"', 'constant = "x"', "records.personnel.constant: record personnel"),
        ('column = "personnel_number"', 'constant = "5"\ncolumn = "x"', "records.personnel.column: the record is a co"),
        ('column = "personnel_number"', 'column = "x"\nvalue = "hex:8"', "records.personnel.value: the chain goes fro"),
        ('column = "personnel_number"', 'column = "x"\nvalue = "template:{other:4d}"', "records.personnel.value"),
        ('column = "personnel_number"', 'column = "x"\nmac = 3', "records.personnel.mac: a MAC has 4 to 16 bytes, not"),
        ('column = "personnel_number"', 'column = "x"\nlock = true', "records.personnel.lock: a record in a sector is"),
        ("[records.personnel]", "[records.Personnel]", "'Personnel' is no name of a record"),
        ("[records.personnel]", "[records.directory]", "directory is the name of the record that [directory] makes"),
        ("[roles]", 'container = "write"\n[roles]', "plan.container: cards with sectors have no capability container"),
        ('geometry = "sectors-16x4"', "", "plan.geometry is missing: a text is needed"),
        ('where = "sector 1"', "where = 1", "records.personnel.where must be a text, not 1"),
        ("[roles]", "serial = 5\n[roles]", "plan.serial: a serial number has 4, 7, 8, 10 bytes, not 5"),
        ("[roles]", 'ignore = ["personnel_number"]\n[roles]', "plan.ignore: the column 'personnel_number' is used by "),
        ("[keys]", "[keys]\nlabel = ''", "keys.label: a label of 1 to 64 bytes"),
        ('access = "issuer"', 'access = "isuer"', "trailers.access: 'isuer' is not a role"),
        ('write = "issuer"', 'write = ["issuer", "never"]', "personnel.write: one role at least, or never alone"),
        ('write = "issuer"', "write = []", "records.personnel.write: one role at least, or never alone, is needed"),
        ('write = "issuer"', 'write = "issuer"\nincrement = "issuer"', "increment: a card counts in a value block o"),
        ('"fields:number:32"', '"bcd"\nsize = 4\nvalue = "template:{n:08d}"', "value: stored takes a text, and the co"),
        ('column = "personnel_number"', "constant = 'x'", "constant: record personnel: 4 bytes/fields:number:32: "),
        ("Brackwater staff card", 65 * "x", "keys.label: a label, which is the plan's name unless it is declared, of"),
    ],
)  # fmt: skip
def test_mistakes_are_named_with_their_key(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    text = HEAD + PERSONNEL
    assert text.count(old) >= 1
    assert sentence in refused(tmp_path, text.replace(old, new, 1))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('A = "derived"', 'A = "published C0FFEE112233"'),
        ('A = "derived"', "A = 0xC0FFEE112233"),  # 212195125080627 in a sentence
        ('gate = "A"', 'gate = "C0FFEE112233"'),
        ('gate = "A"', "gate = 0xC0FFEE112233"),
    ],
)
def test_what_looks_like_a_key_is_not_repeated(tmp_path: Path, old: str, new: str) -> None:
    sentence = refused(tmp_path, (HEAD + PERSONNEL).replace(old, new))
    assert "C0FFEE" not in sentence
    assert str(0xC0FFEE112233) not in sentence


def test_a_label_that_is_the_name_is_judged_as_one(tmp_path: Path) -> None:
    text = PAGES.replace("Brackwater label", 65 * "x") + record_of(size=4, more="mac = 8\n")
    assert "keys.label: a label, which is the plan's name" in refused(tmp_path, text)
    assert load(tmp_path, text + '[keys]\nlabel = "stickers"\n').label == "stickers"


@pytest.mark.parametrize("name", [KEY.hex(), f"key {KEY.hex('-').upper()}", f"staff {KEY.hex(' ', 4)} 2027"])
def test_a_name_that_may_be_a_key_is_refused_and_not_repeated(tmp_path: Path, name: str) -> None:
    """Keys are derived under the label, which is the plan's name unless it is declared: neither is a key itself."""
    text = PAGES + record_of(size=4, more="mac = 8\n")
    for changed, key in (
        (text.replace("Brackwater label", name), "plan.name"),
        (text + f'[keys]\nlabel = "{name}"\n', "keys.label"),
    ):
        said = refused(tmp_path, changed)
        assert f"{key}: it may itself be a key, and plans are read by many: a name is needed here" in said
        assert not leaks(said)
    numbered = text.replace("Brackwater label", "Staff 4114 3601 2345 6785")
    assert load(tmp_path, numbered).name.endswith("6785"), "sixteen digits are no key"


def test_a_card_counts_in_value_blocks_only(tmp_path: Path) -> None:
    """A value block is one block of 16 bytes (common practice), and the card that counts in it makes no MAC."""
    purse = f"""
[records.meals]
columns = {{ value = "meals", address = "place" }}
stored = "value-block"
where = "block 5"
increment = "issuer"
decrement = ["gate", "issuer"]
{OPEN}"""
    plan = load(tmp_path, HEAD + purse)
    data = ImageBuilder(plan).build_image(bytes(4), {"meals": "1234567", "place": "17"}).blocks[5]
    assert data.hex() == "87d612007829edff87d6120011ee11ee", "facts: 1234567 at 11h"
    assert plan.access[1].conditions[1] == 6
    assert "increment: the card counts and cannot make a MAC" in refused(tmp_path, HEAD + purse + "mac = 8\n")
    assert "records.meals.where: it begins at sector 1 block 5 byte 4, but a value block is one block" in refused(
        tmp_path, HEAD + purse.replace("block 5", "block 5 byte 4")
    )
    assert load(tmp_path, HEAD + PERSONNEL + 'increment = "never"\n').access[1].conditions[0] == 4


def test_a_directory_counts_its_records_in_a_byte(tmp_path: Path) -> None:
    text = '[plan]\nname = "x"\ngeometry = "type5-1024x8"\n[directory]\n'
    many = text + "".join(f'[records.r{i}]\nconstant = "{i}"\nstored = "fields:n:16"\n' for i in range(256))
    assert "directory.where: a directory lists 255 records, and there are 256" in refused(tmp_path, many)


def test_what_is_open_or_lost_is_a_danger(tmp_path: Path) -> None:
    def dangers(text: str) -> dict[str, str]:
        return {danger.kind: danger.place for danger in load(tmp_path, text).dangers()}

    nobody = HEAD.replace('= "issuer"\naccess = "issuer"', '= "never"\naccess = "never"')
    assert dangers(nobody + PERSONNEL)["locked"] == "sector 1, block 2", "it has no record"
    pages = (
        PAGES
        + record_of(size=4, where="page 4", more="")
        + record_of("far", size=4, where="page 20", more="lock = true\n")
    )
    assert dangers(pages)["left-open"] == "page 4"
    assert dangers(pages)["lock-bits-elsewhere"] == "pages 20-21"


def test_what_is_missing_altogether(tmp_path: Path) -> None:
    assert "records: at least one record is needed" in refused(tmp_path, HEAD)
    assert 'roles: at least one role is needed, such as issuer = "B"' in refused(
        tmp_path, '[plan]\nname = "x"\ngeometry = "sectors-16x4"\n'
    )
    assert "the file is not TOML" in refused(tmp_path, "[plan\n")
    with refusal(DefinitionError):
        load_plan(tmp_path / "no" / "plan.toml")


def test_pages_have_locks_and_no_keys(tmp_path: Path) -> None:
    plan = load(tmp_path, PAGES + record_of(size=8, where="pages 4-5", more="lock = true\n"))
    assert plan.locked_blocks == (4, 5)
    assert plan.lock_bytes == {10: 0b110000}, "static lock bits: one a page (NFC Forum Type 2 Tag, from memory)"
    far = load(tmp_path, PAGES + record_of(size=4, where="page 38", more="lock = true\n"))
    assert far.locked_blocks == (38, 39), "one dynamic lock bit serves eight bytes"
    assert far.lock_bytes == {161: 0b1000}, "bytes 88 to 95 behind the first 48: bit 11"
    assert {"locked-for-good", "locked-along"} <= {danger.kind for danger in far.dangers()}
    assert "has no keys: lock = true is all that can be said" in refused(tmp_path, PAGES + record_of(size=8))
    assert "has no keys: its pages are locked or open" in refused(tmp_path, PAGES + '[roles]\na = "A"\n')
    mixed = record_of("one", size=4, where="page 16", more="lock = true\n") + record_of(
        "two", size=4, where="page 17", more=""
    )
    assert "record one in the same group of blocks is locked otherwise" in refused(tmp_path, PAGES + mixed)


def test_locks_that_may_be_elsewhere_are_refused(tmp_path: Path) -> None:
    large = PAGES.replace("type2-144", "type2-496") + record_of(size=8, where="page 20", more="lock = true\n")
    large = large.replace('where = "page 20"', 'where = "pages 20-21"')
    sentence = refused(tmp_path, large)
    assert sentence.startswith(
        "plan.dynamic_locks: locks from page 16 on would be written to page 128 byte 0, and cards"
    )
    told = large.replace('"type2-496"', '"type2-496"\ndynamic_locks = "standard"')
    assert load(tmp_path, told).lock_bytes == {512: 0b100}, "bytes 16 to 23 behind the first 48: bit 2"
    assert load(tmp_path, large.replace("pages 20-21", "pages 4-5")).lock_bytes == {10: 0b110000}


def test_a_message_that_a_telephone_would_not_find(tmp_path: Path) -> None:
    message = 'columns = { contact = "email" }\nstored = "tlv/ndef:contact:uri"\nsize = 64\n'
    for where, kinds in (("page 4", 0), ("page 6", 1)):
        text = PAGES + f'[records.contact]\n{message}where = "{where} byte 0"\n'
        dangers = [each for each in load(tmp_path, text).dangers() if each.kind == "message-not-first"]
        assert len(dangers) == kinds
    assert dangers[0].text == "a telephone looks for it in page 4 alone, and takes what is there for a message"


def test_what_a_telephone_needs_to_find_a_message_in_sectors(tmp_path: Path) -> None:
    """Common practice, no source: the directory in sector 0 has two bytes a sector, 03 E1 for NDEF data."""

    def danger(text: str) -> PlanDanger:
        (found,) = [each for each in load(tmp_path, text).dangers() if each.kind == "message-not-listed"]
        assert describe_published_key(NDEF_KEY) == "key A for reading NDEF messages"
        assert describe_published_key(DIRECTORY_KEY) == "key A for reading an application directory"
        return found

    message = (
        f'[records.contact]\ncolumn = "email"\nstored = "tlv/ndef:contact:uri"\nsize = 96\nwhere = "WHERE"\n{OPEN}'
    )
    derived = danger(HEAD + message.replace("WHERE", "sectors 2-3"))
    assert derived.place == "record contact"
    assert derived.text == (
        "a telephone finds it only if an application directory in sector 0, open to the published key A A0A1A2A3A4A5, "
        "names sectors 2-3 as NDEF, 03 E1 for each, and reads it only with the published key A D3F7D3F7D3F7, and this "
        "plan has another; [directory] is not that directory, and many telephones read no cards with sectors"
    )
    published = HEAD.replace('A = "derived"', 'A = "published D3F7D3F7D3F7"')
    assert "this plan has another" not in danger(published + message.replace("WHERE", "sectors 2-3")).text
    large = danger(HEAD.replace("16x4", "32x4+8x16") + message.replace("WHERE", "sectors 17-18"))
    assert "directory in sectors 0 and 16, open to" in large.text
    assert "names sectors 17-18 as NDEF" in large.text
    kinds = {each.kind for each in load(tmp_path, HEAD + PERSONNEL).dangers()}
    assert "message-not-listed" not in kinds, "it has no message"


def test_capability_containers(tmp_path: Path) -> None:
    """Sources: NFC Forum Type 2 Tag and Type 5 Tag: 144 bytes are E1 10 12 00, 8192 bytes E2 40 00 01 00 00 03 FF."""
    for name, container in (("type2-144", "e1101200"), ("type5-1024x8", "e2400001000003ff")):
        text = f'[plan]\nname = "x"\ngeometry = "{name}"\ncontainer = "write"\n' + record_of(size=8, more="")
        plan = load(tmp_path, text)
        assert plan.container.hex() == container
        assert ("set-once" in {danger.kind for danger in plan.dangers()}) == (name == "type2-144")


def test_containers_that_say_that_nobody_writes(tmp_path: Path) -> None:
    """NFC Forum Type 2 Tag: 0F in the last byte; Type 5 Tag: 11 in the two lowest bits of the second (from memory)."""
    for name, container in (("type2-144", "e110120f"), ("type5-64x4", "e1431f01")):
        text = f'[plan]\nname = "x"\ngeometry = "{name}"\ncontainer = "write read-only"\n' + record_of(size=8, more="")
        assert load(tmp_path, text).container.hex() == container


def test_sizes_that_follow_from_the_chain(tmp_path: Path) -> None:
    plan = load(tmp_path, HEAD + PERSONNEL.replace("fields:number:32", "xor-byte/fields:number:32"))
    assert plan.records[0].size == 5
    tiny = '[plan]\nname = "x"\ngeometry = "type5-2x4"\ncontainer = "write"\n' + record_of(size=2, more="")
    assert "plan.container: type5-2x4 has no 8 bytes for data" in refused(tmp_path, tiny)


@pytest.mark.parametrize(
    ("name", "blocks"),
    [
        ("type2-144", {3: "e1101200", 4: "61620000"}),
        (
            "type5-256x8",
            {0: "e140ff0100000000", 1: "6162000000000000"},
        ),  # 2044 bytes behind a container of 4: 255 times 8
        ("type5-513x4", {0: "e240ff01", 1: "61620000"}),  # 2048 bytes, of which one byte can say 255 times 8
        ("type5-1024x4", {0: "e2400001", 1: "000001ff", 2: "61620000"}),  # 4088 bytes behind one of 8: 511 times 8
    ],
)
def test_a_container_is_written_behind_the_data_and_touches_none(
    tmp_path: Path, name: str, blocks: dict[int, str]
) -> None:
    """Sources: NFC Forum Type 2 Tag and Type 5 Tag (from memory); sizes by hand."""
    text = f'[plan]\nname = "x"\ngeometry = "{name}"\ncontainer = "write"\n' + record_of(size=4, more="")
    plan = load(tmp_path, text)
    image = ImageBuilder(plan).build_image(bytes(plan.serial), {"text": "ab"})
    assert {block: data.hex() for block, data in image.blocks.items()} == blocks
    container = [block for block in blocks if blocks[block][:2] == "e1" or blocks[block][:2] == "e2"]
    assert list(image.blocks).index(container[0]) == len(blocks) - (2 if name == "type5-1024x4" else 1)


def test_constants_and_values(tmp_path: Path) -> None:
    text = (
        HEAD
        + f"""
[records.issuer]
constant = "0041"
stored = "bcd"
size = 2
{OPEN}
[records.badge]
column = "badge"
value = "template:E-{{number:04d}}"
stored = "fields:number:16"
{OPEN}"""
    )
    plan = load(tmp_path, text)
    issuer, badge = plan.records
    assert issuer.encode({}) == bytes.fromhex("0041")
    assert badge.encode({"badge": "E-0258"}) == (258).to_bytes(2, "big")
    with refusal(EncodeError):
        badge.encode({"badge": "F-0258"})
    assert plan.columns == ("credential_id", "serial", "badge")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "number is '', not a whole number in decimal digits"),
        ("-1", "number is '-1', not a whole number"),
        ("1e3", "not a whole number"),
        ("４", "not a whole number"),
        ("4294967296", "number is 4294967296, outside 0 to 4294967295"),
    ],
)
def test_numbers_that_are_none(tmp_path: Path, text: str, sentence: str) -> None:
    record = load(tmp_path, HEAD + PERSONNEL).records[0]
    with pytest.raises(EncodeError, match=f"record personnel, column personnel_number: .*{sentence}"):
        record.encode({"personnel_number": text})


# ── images ──────────────────────────────────────────────────────────────────────────────────────


def test_an_image_is_written_data_first_and_trailers_last(tmp_path: Path) -> None:
    plan = load(tmp_path, HEAD + PERSONNEL + record_of(size=20, where="sectors 2-3"))
    row = {"personnel_number": "4711", "text": "Kai 7, Übergabe"}
    image = ImageBuilder(plan).build_image(bytes.fromhex("04a1b2c3"), row)
    assert [block for block, _ in image.blocks_in_order()] == [4, 8, 9]
    assert dict(image.blocks_in_order())[4] == (4711).to_bytes(4, "big") + bytes(12)
    assert (image.blocks[8] + image.blocks[9])[:16].decode() == "Kai 7, Übergabe"
    full = ImageBuilder(plan, MASTER, keys=True).build_image(bytes.fromhex("04a1b2c3"), row)
    assert [block for block, _ in full.blocks_in_order()] == [4, 8, 9, 7, 11]
    data = dict(full.blocks_in_order())[7]
    assert data[6:10].hex() == plan.access[1].bytes.hex() + "00"
    assert data[:6] != data[10:], "two keys"
    assert data[:6].hex() not in repr(full)
    assert 0 not in dict(full.blocks_in_order()), "the manufacturer's block is never written"


def test_images_need_what_they_need(tmp_path: Path) -> None:
    plan = load(tmp_path, HEAD + PERSONNEL)
    with refusal(DefinitionError):
        ImageBuilder(plan, keys=True)
    with refusal(EncodeError):
        ImageBuilder(plan).build_image(bytes(7), {"personnel_number": "1"})
    protected = load(tmp_path, HEAD + PERSONNEL + "mac = 8\n")
    with refusal(DefinitionError):
        ImageBuilder(protected)


def test_a_mac_is_of_this_serial_this_record_and_this_data(tmp_path: Path) -> None:
    plan = load(
        tmp_path, HEAD + PERSONNEL + "mac = 8\n" + record_of("other", size=4, more=f"mac = 8\n{OPEN}", stored="bcd")
    )
    press = ImageBuilder(plan, MASTER)
    serial, other = bytes.fromhex("04a1b2c3"), bytes.fromhex("04a1b2c4")

    def mac(serial: bytes, name: str, number: int) -> bytes:
        record = plan.record(name)
        assert record is not None
        return press.with_mac(record, serial, number.to_bytes(4, "big"))[4:]

    macs = {mac(s, name, n) for s in (serial, other) for name in ("personnel", "other") for n in (1, 2)}
    assert len(macs) == 8
    assert all(len(each) == 8 for each in macs)
    assert mac(serial, "personnel", 1) == mac(serial, "personnel", 1)


def test_lock_bytes_touch_nothing_else(tmp_path: Path) -> None:
    plan = load(tmp_path, PAGES + record_of(size=8, where="pages 4-5", more="lock = true\n"))
    image = ImageBuilder(plan).build_image(bytes(7), {"text": "pier 4"})
    assert image.locks == {2: bytes((0, 0, 0b110000, 0))}, "page 2: lock bytes 10 and 11"
    assert [block for block, _ in image.blocks_in_order()] == [4, 5, 2]


SOME = st.recursive(
    st.booleans() | st.integers() | st.sampled_from(("derived", "A", "issuer", "never", "sector 1", "bcd", "text")),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(("name", "geometry", "A", "B", "where", "stored", "size", "text")), inner, max_size=4
        )
    ),
    max_leaves=12,
)


@given(st.dictionaries(st.sampled_from(("plan", "roles", "keys", "trailers", "records", "directory")), SOME))
def test_any_table_is_a_plan_or_a_refusal(content: dict[str, Any]) -> None:
    from credkit.cards.plans import PLAN_KEYS, _PlanBuilder
    from credkit.tables.schema import SchemaTable

    with pytest.raises(CredkitError):
        _PlanBuilder(SchemaTable("plan.toml", "", content, PLAN_KEYS)).build()


def test_a_master_key_shows_itself_nowhere() -> None:
    assert isinstance(MASTER, MasterKey)
    assert "MasterKey" in repr(MASTER)


def test_dynamic_lock_bits_are_judged_where_the_plan_knows_them(tmp_path: Path) -> None:
    """Of a card whose lock bytes may be elsewhere, what stands in the standard's place is not taken for locks."""
    large = PAGES.replace("type2-144", "type2-496")
    text = record_of(size=8, where="pages 4-5", more="lock = true\n")
    assert max(at for at, _ in LockCheck(load(tmp_path, large + text)).locks) == 11
    assert max(at for at, _ in LockCheck(load(tmp_path, PAGES + text)).locks) == 161
    told = large.replace('"type2-496"', '"type2-496"\ndynamic_locks = "standard"') + text.replace("4-5", "20-21")
    assert max(at for at, _ in LockCheck(load(tmp_path, told)).locks) == 518, "56 bits from byte 512 on"

"""Objections: what `card data` refuses is what `card check` would object to, and nothing else.

Each refusal names its rule's source beside it. The law at the end writes random rows of a plan with every kind of
record and reads the cards back: what was written has no difference, and no note of care that the plan does not accept.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from random import Random
from typing import Any

import pytest

from credkit import DefinitionError, EncodeError
from credkit.cards.data import write_batch
from credkit.cards.image import ImageBuilder
from credkit.cards.plan import CardPlan
from credkit.cards.readback import check_card
from tests.cards import SERIAL, back, credentials, dump, plan
from tests.commandline import run
from tests.sentences import refusal

HEAD = """
[plan]
name = "Brackwater staff card"
geometry = "sectors-32x4"
serial = 4
[roles]
gate = "A"
issuer = "B"
[keys]
A = "published FFFFFFFFFFFF"
B = "published FFFFFFFFFFFF"
[trailers]
keys = "issuer"
access = "issuer"
"""
RIGHTS = 'read = ["gate", "issuer"]\nwrite = "issuer"\n'
ACCOUNT = "4114360123456785"  # the test number of the WHATWG HTML standard
GARBLED = "4114360123456786"  # its check digit is another


def record(name: str, stored: str, columns: str, more: str = "") -> str:
    return f"[records.{name}]\nstored = '{stored}'\n{columns}\n{more}\n{RIGHTS}"


RECORDS = {
    "link": record("link", "tlv/ndef:link:uri", 'column = "link"', "size = 96"),
    "poster": record(
        "poster", "tlv/ndef:map:poster-en", 'columns = { map = "map", map_title = "title" }', "size = 96"
    ),
    "text": record("text", "tlv/ndef:note:text-en", 'column = "text"', "size = 48"),
    "secure": record("secure", "bcd/template:{number:012d}", 'column = "secure"', "size = 6"),
    "pair": record(
        "pair", "characters:ascii/template:{facility:03d}-{number:05d}",
        'columns = { facility = "site", number = "card" }', "size = 9",
    ),
    "plain": record("plain", "characters:ascii/template:{number:d}", 'column = "plain"', "size = 20"),
    "hex": record("hex", "characters:ascii/template:{number:06X}", 'column = "hex"', "size = 6"),
    "frame": record("frame", "fields:number:32", 'column = "frame"'),
    "digits": record("digits", "bcd:F", 'column = "digits"', "size = 10"),
    "step": record("step", "characters:ascii/track-2:number/digits:number,8", 'column = "step"', "size = 12"),
    "fares": record("fares", "value-block", 'columns = { value = "fares", address = "place" }', 'where = "block 60"'),
    "track": record("track", "characters:ascii/track-2:number,rest", 'columns = { number = "t1", rest = "t2" }',
                    "size = 96"),
    "old": record("old", "uid-a-4", 'column = "old"'),
    "words": record("words", "characters:latin-1,20", 'column = "words"', "size = 16"),
}  # fmt: skip


def used(*names: str, more: str = "") -> CardPlan:
    return plan(HEAD + "".join(RECORDS[name] for name in names) + more)


def refused(held: CardPlan, row: Mapping[str, str]) -> str:
    """The sentence with which no card is written for ``row``."""
    full = {column: row.get(column, "") for column in held.columns} | {"credential_id": "C-1", "serial": SERIAL.hex()}
    with pytest.raises(EncodeError) as caught:
        ImageBuilder(held).build_image(SERIAL, full)
    return str(caught.value)


# ── what is refused ─────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("name", "row", "sentence"),
    [
        # URI RTD 1.0, 3.2.3: the URI in full is one of RFC 3986, whose section 3 begins with a scheme
        ("link", {"link": "x@example.org"}, "record link, column link: record 1 (link) begins with no scheme such as"),
        ("link", {"link": ""}, "record link, column link: record 1 (link) begins with no scheme such as mailto:"),
        ("link", {"link": "www.example.org"}, 'write accept = ["no-scheme"] into [records.link] of the plan)'),
        ("poster", {"map": "example.org", "title": "Map"}, "record 1 in the smart poster map (map) begins with no"),
        # a width that the plan says, and digits that are fewer: what a spreadsheet leaves of them
        ("secure", {"secure": "417702"}, "number is '417702', 6 digits, expected 12: were leading zeros lost "
                                         "('000000417702')?"),
        ("secure", {"secure": "0000000417702"}, "number is '0000000417702', 13 digits, expected 12"),
        ("pair", {"site": "7", "card": "00042"}, "facility is '7', 1 digit, expected 3: were leading zeros lost"),
        ("step", {"step": "4711"}, "number is '4711', 4 digits, expected 8: were leading zeros lost ('00004711')?"),
        ("pair", {"site": "007", "card": "42"}, "number is '42', 2 digits, expected 5: were leading zeros lost"),
        # common practice, no source: a card that counts in signed numbers
        ("fares", {"fares": str(1 << 31), "place": "5"}, "bit 31 of the value is set"),
        # ISO/IEC 7811-2: at most 40 characters; sentinels, separator and LRC are 4 of 41
        ("track", {"t1": "1" * 30, "t2": "2" * 7}, "41 characters on the track, its LRC included, are more than"),
        # ISO/IEC 14443-3 clause 6: a first byte 08 is drawn anew, 88 is the cascade tag
        ("old", {"old": str(0x08010203)}, "first byte 08: drawn anew at each power-up"),
        ("old", {"old": str(0x88010203)}, "first byte 88 is the cascade tag"),
        # ISO/IEC 7812-1: digits that are an account number, in a column or in what is made of several
        ("frame", {"frame": "4222222222222"}, "outside 0 to 4294967295"),
        ("digits", {"digits": ACCOUNT}, 'write not_payment = "what they are" into [records.digits] of the plan)'),
        ("words", {"words": ACCOUNT}, "record words, column words holds digits that look like a payment account"),
        ("track", {"t1": ACCOUNT, "t2": ""}, "record track, column t1, t2 holds digits that look like a payment"),
        ("track", {"t1": GARBLED, "t2": "3012101"}, "holds a payment track, which must not be kept after"),
        ("text", {"text": f";{ACCOUNT}=3012101?"}, "holds a payment track, which must not be kept after"),
    ],
)  # fmt: skip
def test_what_would_be_objected_to_is_not_written(name: str, row: Mapping[str, str], sentence: str) -> None:
    said = refused(used(name), row)
    assert sentence in said
    assert ACCOUNT not in said
    assert GARBLED not in said


@pytest.mark.parametrize(
    ("name", "row"),
    [
        ("link", {"link": "mailto:x@example.org"}),
        ("poster", {"map": "https://brackwater.example/", "title": ""}),
        ("secure", {"secure": "000000417702"}),
        ("pair", {"site": "007", "card": "00042"}),
        ("step", {"step": "00004711"}),
        ("plain", {"plain": "42"}),  # nothing says how wide it is
        ("hex", {"hex": "42"}),  # six hexadecimal digits, and a column in decimal ones
        ("frame", {"frame": "42"}),
        ("digits", {"digits": GARBLED}),
        ("fares", {"fares": "2147483647", "place": "5"}),
        ("track", {"t1": "1" * 30, "t2": "2" * 6}),  # 40 characters
        ("words", {"words": "Kran 3"}),
    ],
)
def test_what_is_in_order_is_written(name: str, row: Mapping[str, str]) -> None:
    held = used(name)
    full = {"credential_id": "C-1", "serial": SERIAL.hex(), **row}
    found = check_card(held, back(dump(held, full)), row=full)
    assert found.is_as_planned
    assert {note.kind for note in found.notes if note.level != "info"} <= {"published-key"}


def test_the_width_of_a_number_that_is_shifted_is_not_known() -> None:
    held = plan(HEAD + record("far", "characters:ascii/template:{number:05d}/offset:number,20000", 'column = "far"',
                              'size = 5\nwhere = "block 4"'))  # fmt: skip
    full = {"credential_id": "C-1", "serial": SERIAL.hex(), "far": "20042"}
    assert ImageBuilder(held).build_image(SERIAL, full).blocks[4][:5] == b"00042"


def test_numbers_without_leading_zeros_are_read_by_a_chain_of_their_own() -> None:
    """The way that the documentation names for a list in which numbers have no leading zeros."""
    held = plan(HEAD + record("secure", "bcd/template:{number:012d}", 'column = "secure"',
                              'size = 6\nwhere = "block 4"\nvalue = "template:{number:d}"'))  # fmt: skip
    full = {"credential_id": "C-1", "serial": SERIAL.hex(), "secure": "417702"}
    assert ImageBuilder(held).build_image(SERIAL, full).blocks[4][:6].hex() == "000000417702"


# ── what a plan accepts ─────────────────────────────────────────────────────────────────────────


def test_what_a_plan_accepts_is_written_and_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    text = HEAD + RECORDS["track"] + 'accept = ["over-long"]\n'
    held = plan(text)
    rows = [
        {"credential_id": f"C-{size}", "serial": f"0A0B0C{size:02X}", "t1": "1" * size, "t2": "2" * 7}
        for size in (9, 30, 31)
    ]
    batch = write_batch(held, credentials(tmp_path, rows), tmp_path / "batch")
    assert batch.count == 3
    assert sorted(batch.notes.values()) == [1, 1]
    assert any("41 characters" in text for text in batch.notes)
    found = check_card(held, back(dump(held, rows[1])), row=rows[1])
    assert [(note.kind, note.level) for note in found.notes if note.kind == "over-long"] == [("over-long", "info")]
    Path("plan.toml").write_text(text, encoding="utf-8")
    said = run("card", "data", "plan.toml", "staff.csv", "--out", "again")
    assert said.exit_code == 0
    words = " ".join(said.stdout.split())
    assert "41 characters on the track, its LRC included, are more than the 40 of the standard" in words
    assert "(accepted by the plan; 1 card)" in words
    as_json = run("card", "data", "plan.toml", "staff.csv", "--out", "third", "--json")
    assert '"count": 3' in as_json.stdout
    assert '"notes": [{"text": "record track: 41 characters' in as_json.stdout


def test_what_a_plan_lets_through_is_among_its_dangers() -> None:
    held = used("frame", more=RECORDS["link"] + 'accept = ["no-scheme"]\nnot_payment = "numbers of permits"\n')
    assert [(each.kind, each.place, each.text) for each in held.dangers()][-2:] == [
        ("accepted", "record link", "it is written although it earns these notes when it is read back: no-scheme"),
        (
            "not-payment",
            "record link",
            "digits that look like payment account numbers are written (numbers of permits)",
        ),
    ]


def test_another_kind_is_not_accepted() -> None:
    held = plan(HEAD + RECORDS["link"] + 'accept = ["over-long"]\n')
    assert "begins with no scheme" in refused(held, {"link": "x@example.org"})


def test_digits_that_are_no_account_number_are_written_and_a_track_never_is() -> None:
    held = plan(HEAD + RECORDS["track"] + 'not_payment = "numbers of permits"\naccept = ["payment-data"]\n')
    row = {"credential_id": "C-1", "serial": SERIAL.hex(), "t1": ACCOUNT, "t2": ""}
    found = check_card(held, back(dump(held, row)), row=row)
    assert found.is_as_planned
    assert "payment-data" not in {note.kind for note in found.notes}
    assert "holds a payment track" in refused(held, {"t1": ACCOUNT, "t2": "3012101"})
    with refusal(DefinitionError):
        plan(HEAD + RECORDS["link"] + 'not_payment = " "\n')


def test_check_notes_what_data_refuses() -> None:
    """A card that was written elsewhere: the same rule, as a note."""
    accepting = plan(HEAD + RECORDS["link"] + 'accept = ["no-scheme"]\n')
    row = {"credential_id": "C-1", "serial": SERIAL.hex(), "link": "x@example.org"}
    memory = dump(accepting, row)
    found = check_card(used("link"), back(memory), row=row)
    assert found.is_as_planned
    (note,) = [note for note in found.notes if note.kind == "no-scheme"]
    assert (note.level, note.text.startswith("record link: record 1 (link) begins with no scheme")) == ("care", True)
    free = plan(HEAD + RECORDS["words"] + 'not_payment = "numbers of permits"\n')
    row = {"credential_id": "C-1", "serial": SERIAL.hex(), "words": ACCOUNT}
    found = check_card(used("words"), back(dump(free, row)), row=row)
    assert [note.level for note in found.notes if note.kind == "payment-data"] == ["refuse"]


def test_a_constant_is_judged_when_the_plan_is_read() -> None:
    constant = RECORDS["link"].replace('column = "link"', 'constant = "example.org"')
    with refusal(DefinitionError):
        plan(HEAD + constant)
    held = plan(HEAD + constant + 'accept = ["no-scheme"]\n')
    assert [note.kind for note in ImageBuilder(held).build_image(SERIAL, {}).notes] == ["no-scheme"]
    with refusal(DefinitionError):
        plan(HEAD + RECORDS["words"].replace('column = "words"', f'constant = "{ACCOUNT}"'))


def test_the_id_of_a_credential_is_no_account_number(tmp_path: Path) -> None:
    row = {"credential_id": ACCOUNT, "serial": SERIAL.hex(), "words": "Kran 3"}
    file = credentials(tmp_path, [row])
    with refusal(DefinitionError):
        write_batch(used("words"), file, tmp_path / "batch")
    assert not (tmp_path / "batch").exists()
    free = plan((HEAD + RECORDS["words"]).replace("serial = 4\n", 'serial = 4\nnot_payment = "numbers of permits"\n'))
    assert write_batch(free, file, tmp_path / "batch").count == 1


# ── the law ─────────────────────────────────────────────────────────────────────────────────────

TEXTS = ("", "Kran 3", "x@example.org", "mailto:x@example.org", "https://brackwater.example/7", "tel:5", ACCOUNT,
         GARBLED, f";{ACCOUNT}=3012101?", "Kåre", "潮", "a b ", "-", "=", "1" * 41, "\0", "a:")  # fmt: skip


def cell(random: Random) -> str:
    """A cell of a list: a number of any width, or one of the texts."""
    if random.randrange(3) == 0:
        return random.choice(TEXTS)
    number = random.choice((0, 1, 7, 255, random.getrandbits(32), random.getrandbits(8) << 24, 1 << 31))
    return f"{number:0{random.choice((1, 1, 3, 3, 5, 5, 6, 8, 12))}d}"


@pytest.mark.parametrize("name", RECORDS)
def test_what_is_written_is_never_objected_to(name: str) -> None:
    held = used(name)
    random = Random(name)
    seen: Counter[str] = Counter()
    for _ in range(800):
        row: dict[str, Any] = {column: cell(random) for column in held.columns}
        row |= {"credential_id": "C-1", "serial": SERIAL.hex()}
        try:
            memory = dump(held, row)
        except EncodeError:
            seen["refused"] += 1
            continue
        seen["written"] += 1
        found = check_card(held, back(memory), row=row)
        assert found.differences == ()
        assert {note.kind for note in found.notes if note.level != "info"} <= {"published-key"}
    assert seen["refused"]
    assert seen["written"]

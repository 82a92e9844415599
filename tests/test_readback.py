"""Read-backs: every kind of difference by a card that was tampered with, and what could not be checked is said."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import pytest

import credkit
from credkit import DefinitionError
from credkit.cards.access import DATA_RULES, TRAILER_RULES, Access
from credkit.cards.credentials import credential_from_row
from credkit.cards.data import write_batch
from credkit.cards.findings import CheckedCard, Difference
from credkit.cards.folding import fold_differences
from credkit.cards.keys import MasterKey, card_key, record_mac
from credkit.cards.listing import ReadBack, find_read_backs, load_read_back
from credkit.cards.masters import check_value
from credkit.cards.plan import CardPlan
from credkit.cards.readback import CardChecker, check_all, check_card
from tests.amounts import amounts
from tests.cards import DELIVERED, ROW, SERIAL, STAFF, back, credentials, dump, plan, rows, unseen
from tests.masters import MASTER, OTHER, leaks
from tests.sentences import refusal

PLANS = {which: plan(which) for which in ("staff", "sticker", "tag")}
ROWS = {which: next(rows(1, which)) for which in PLANS}
WHOLE = {which: bytes(dump(PLANS[which], ROWS[which], MASTER)) for which in PLANS}
STAFF_PLAN = PLANS["staff"]
CHECKER = CardChecker(STAFF_PLAN, MASTER)
CARD = WHOLE["staff"]


def checked(memory: bytes, which: str = "staff", **changes: str) -> CheckedCard:
    return check_card(PLANS[which], back(memory), row=ROWS[which] | changes, master=MASTER)


def tampered(memory: bytes, at: int, data: bytes | str) -> bytes:
    new = bytes.fromhex(data) if isinstance(data, str) else data
    return memory[:at] + new + memory[at + len(new) :]


def kinds(found: CheckedCard) -> list[str]:
    return [each.kind for each in found.differences]


def notes(found: CheckedCard) -> dict[str, str]:
    return {each.kind: each.text for each in found.notes}


def sentences(found: CheckedCard) -> list[str]:
    return [each.sentence for each in found.differences]


# ── cards that are as planned ───────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("which", PLANS)
def test_a_card_as_planned_has_no_difference(which: str) -> None:
    found = checked(WHOLE[which], which)
    assert found.is_as_planned, sentences(found)
    assert found.credential == "C-1000"
    assert set(found.values) == {record.name for record in PLANS[which].records}


def test_what_was_read_is_told_as_it_means() -> None:
    assert checked(CARD).values == {
        "personnel": f"number={ROW['personnel_number']}",
        "gate-card": f"facility={ROW['gate_facility']} number={ROW['gate_number']}",
        "secure": f"number={ROW['secure_number']}",
        "contact": "contact=mailto:staff0@brackwater.example",
        "note": "'Kran 3'",
    }


def test_a_real_card_shows_no_keys_and_that_is_said() -> None:
    found = checked(bytes(dump(STAFF_PLAN, ROW, MASTER, keys=False)))
    assert found.is_as_planned
    assert notes(found)["keys-not-shown"] == "keys not shown: key A of sectors 1-7,9, key B of sectors 1-7,9"
    assert "keys-not-verified" not in notes(found)


def test_a_batch_is_read_back_from_its_own_listings(tmp_path: Path) -> None:
    for which, used in PLANS.items():
        folder = tmp_path / which
        folder.mkdir()
        file = credentials(folder, list(rows(4, which)))
        for keys in (True, False):
            out = folder / f"batch-{keys}"
            write_batch(used, file, out, master=MASTER, keys=keys)
            checks = check_all(used, find_read_backs([out]), file, master=MASTER)
            found = list(checks)
            assert [each.is_as_planned for each in found] == [True] * 4, which
            assert [each.credential for each in found] == ["C-1000", "C-1001", "C-1002", "C-1003"]
            assert (checks.count, checks.different, checks.unread_credentials) == (4, 0, ())
            for each in found:
                assert "serial-not-seen" in notes(each)
                assert ("keys-not-shown" in notes(each)) == (used.geometry.keys and not keys)


def test_without_credentials_records_are_read_all_the_same() -> None:
    found = check_card(STAFF_PLAN, back(CARD), master=MASTER)
    assert found.is_as_planned
    assert found.credential == ""
    assert found.values == checked(CARD).values


# ── every kind of difference ────────────────────────────────────────────────────────────────────

KEY_B = card_key(MASTER, label=STAFF_PLAN.label, serial=SERIAL, sector=1, slot="B")
OPEN = Access((0, 0, 0, 1)).bytes  # as delivered
OTHER_SERIAL = bytes.fromhex("01000007")
MOVED = bytes(dump(STAFF_PLAN, ROW | {"serial": "01000007"}, MASTER))
BERTH = int(ROWS["sticker"]["berth"])

TAMPERED: list[tuple[str, bytes, str, list[tuple[str, str]]]] = [
    (
        "staff", tampered(CARD, 64, "0001E240"),  # 123456
        "another number",
        [(
            "record-differs",
            "sector 1 block 4 byte 0: record personnel is number=123456, the credentials say number=511616025; "
            "from there found '0001E240', expected '1E7EA419'",
        )],
    ),
    (
        "staff", tampered(CARD, 64, "00000000"), "nothing written",
        [(
            "record-differs",
            "sector 1 block 4 byte 0: record personnel is number=0 (all its bytes are 00, as on a card that was never "
            "written), the credentials say number=511616025; from there found '00000000', expected '1E7EA419'",
        )],
    ),
    (
        "staff", tampered(CARD, 36 * 16, b"Kran 5"), "another text",
        [(
            "record-differs",
            "sector 9 block 36 byte 5: record note is 'Kran 5', the credentials say 'Kran 3'; from there found "
            "'3500000000000000', expected '3300000000000000'",
        )],
    ),
    (
        "staff", tampered(CARD, 36 * 16, "4BC3"), "half a character",
        [(
            "record-unreadable",
            "sector 9 block 36 byte 1: record note cannot be read: characters:utf-8: the encoding utf-8 fails: bits "
            "8-15 are 11000011, expected a character of it; the credentials say 'Kran 3'; from sector 9 block 36 byte "
            "1: found 'C3', expected '72'",
        )],
    ),
    (
        "staff", tampered(CARD, 5 * 16 + 6, bytes(8)), "no MAC",
        [(
            "mac-wrong",
            "sector 1 block 5 byte 6: the MAC of record secure does not match: the data, the serial number or the MAC "
            "is not what the issuer wrote for this card, or the master key is another",
        )],
    ),
    (
        "staff", tampered(CARD, 4 * 16 + 4, "02F764DD"), "something beside the records",
        [(
            "rest-not-empty",
            "sector 1 block 4 byte 4: no record is here and the plan writes zeros, but found '02F764DD'",
        )],
    ),
    (
        "staff", tampered(CARD, 7 * 16 + 6, "FF0781"), "wrong copies",
        [(
            "access-copies",
            "sector 1 block 7 byte 6: the inverted copies of the access conditions disagree: found FF0781, expected "
            "3C33CC; a card locks such a sector for good",
        )],
    ),
    (
        "staff", tampered(CARD, 11 * 16 + 6, Access((4, 6, 4, 3)).bytes), "another condition",
        [(
            "access-differs",
            f"sector 2 block 9: access 110 ({DATA_RULES[6].description}), the plan says 100 "
            f"({DATA_RULES[4].description})",
        )],
    ),
    (
        "staff", tampered(CARD, 11 * 16 + 6, OPEN), "as delivered",
        [
            *(
                ("access-differs", f"sector 2 block {block}: access 000 ({DATA_RULES[0].description}), "
                                   f"the plan says 100 ({DATA_RULES[4].description})")
                for block in (8, 9, 10)
            ),
            ("access-differs", f"sector 2 block 11: access 001 ({TRAILER_RULES[1].description}), the plan says 011 "
                               f"({TRAILER_RULES[3].description})"),
            ("key-b-readable", "sector 2 block 11: a danger that the plan does not have: key B can be read, so it "
                               "authenticates nothing: only key A counts"),
            *(
                ("key-b-worthless", f"sector 2 block {block}: a danger that the plan does not have: what is said of "
                                    f"key B is worth nothing here: {DATA_RULES[0].without('B').description}")
                for block in (8, 9, 10)
            ),
        ],
    ),
    (
        "staff", tampered(CARD, 7 * 16, "FFFFFFFFFFFF"), "a default key",
        [(
            "published-key",
            "sector 1 block 7 key A: it is a published default key (the factory default): whoever reads about such "
            "cards has it",
        )],
    ),
    (
        "staff", tampered(CARD, 7 * 16, KEY_B), "key B in the place of key A",
        [("key-differs", "sector 1 block 7 key A: it is another key than is derived for this card")],
    ),
    (
        "staff", tampered(CARD, 4, "99"), "a wrong check byte",
        [(
            "serial-check",
            "sector 0 block 0 byte 0: the serial number is garbled: uid-a-stored: the BCC over bits 0-31 fails: bits "
            "32-39 are 10011001, expected 00000001",
        )],
    ),
    (
        "staff", tampered(MOVED, 0, CARD[:16]), "data of another card",
        [
            (
                "mac-wrong",
                "sector 1 block 5 byte 6: the MAC of record secure does not match: the data, the serial number or the "
                "MAC is not what the issuer wrote for this card, or the master key is another",
            ),
            *(
                ("key-differs", f"sector {block // 4} block {block} key {slot}: it is another key than is derived for "
                                "this card")
                for block in (7, 11, 15, 19, 23, 27, 31, 39)
                for slot in "AB"
            ),
        ],
    ),
    (
        "staff", MOVED, "another card",
        [(
            "serial-differs",
            "sector 0 block 0 byte 0: the serial number is '01000007', the credentials say '01000000'",
        )],
    ),
    (
        "sticker", tampered(WHOLE["sticker"], 161, "00"), "not locked",
        [("not-locked", "pages 36-37: not locked, and the plan locks it")],
    ),
    (
        "sticker", tampered(WHOLE["sticker"], 160, "01"), "locked behind page 15",
        [("locked-unplanned", "pages 16-17: locked for good, and the plan leaves it open")],
    ),
    (
        "sticker", tampered(WHOLE["sticker"], 10, "1080"), "locked before it",
        [
            ("locked-unplanned", "page 4: locked for good, and the plan leaves it open"),
            ("locked-unplanned", "page 15: locked for good, and the plan leaves it open"),
        ],
    ),
    (
        "sticker", tampered(WHOLE["sticker"], 10, "0F"), "lock bits frozen",
        [
            ("lock-bits-frozen", "page 2 byte 2: the lock bit of the capability container can never be changed again, "
                                 "which is not planned"),
            ("lock-bits-frozen", "page 2 byte 2: the lock bits of pages 4-9 can never be changed again, which is not "
                                 "planned"),
            ("lock-bits-frozen", "page 2 byte 2: the lock bits of pages 10-15 can never be changed again, which is not "
                                 "planned"),
            ("locked-unplanned", "page 2 byte 2: the capability container is locked for good, and the plan leaves it "
                                 "open"),
        ],
    ),
    (
        "sticker", tampered(WHOLE["sticker"], 14, "06"), "a smaller container",
        [(
            "container-differs",
            "page 3 byte 0: the capability container is another: found E1100600, expected E1101200",
        )],
    ),
    (
        "sticker", tampered(WHOLE["sticker"], 3, "00"), "the first check byte",
        [(
            "serial-check",
            "page 0 byte 0: the serial number is garbled: uid-a-stored: the BCC over bits 0-23 fails: bits 24-31 are "
            "00000000, expected 10111111",
        )],
    ),
    (
        "sticker", tampered(WHOLE["sticker"], 16, "00" * 96), "no message",
        [(
            "record-unreadable",
            "page 4 byte 0: record contact cannot be read: tlv: one message TLV in the area fails: found none, "
            "expected one (all its bytes are 00, as on a card that was never written); the credentials say "
            "contact=https://brackwater.example/0; from page 4 byte 0: found '00000000', expected '0319D101'",
        )],
    ),
]  # fmt: skip


@pytest.mark.parametrize(("which", "memory", "what", "wanted"), TAMPERED, ids=[row[2] for row in TAMPERED])
def test_a_card_that_was_tampered_with(which: str, memory: bytes, what: str, wanted: list[tuple[str, str]]) -> None:
    found = checked(memory, which)
    assert list(zip(kinds(found), sentences(found), strict=True)) == wanted
    assert not found.is_as_planned


def test_an_unreadable_record_says_which_bytes_differ_first() -> None:
    """The check that fails need not lie at the byte that is wrong: here a length byte, and the end that it misses.

    A message TLV is 03, its length, the message, FE (NFC Forum Type 2 Tag); its record begins at block 8.
    """
    good = CARD[8 * 16 + 1]
    found = checked(tampered(CARD, 8 * 16 + 1, bytes([good ^ 0x40])))
    (difference,) = found.differences
    assert difference.kind == "record-unreadable"
    assert difference.text.endswith(
        f"; the credentials say contact=mailto:staff0@brackwater.example; from sector 2 block 8 byte 1: found "
        f"'{good ^ 0x40:02X}', expected '{good:02X}'"
    )
    assert difference.place != "sector 2 block 8 byte 1", "the place is that of the check"
    alone = check_card(STAFF_PLAN, back(tampered(CARD, 8 * 16 + 1, bytes([good ^ 0x40]))), master=MASTER)
    assert "expected '" not in alone.differences[0].text, "without the list nobody knows"


def test_the_stretch_that_differs_ends_with_the_block_and_at_a_byte_that_is_right() -> None:
    """Bytes 14 and 15 of block 36 and byte 0 of block 37 of a text are no UTF-8; of block 36 two are told."""
    found = checked(tampered(CARD, 36 * 16 + 14, "FFFFFF"))
    assert found.differences[0].text.endswith("; from sector 9 block 36 byte 14: found 'FFFF', expected '0000'")
    found = checked(tampered(CARD, 36 * 16, "FF" * 2 + "61FF"))
    assert found.differences[0].text.endswith("; from sector 9 block 36 byte 0: found 'FFFF', expected '4B72'")
    found = checked(tampered(CARD, 36 * 16, "FF" * 12))
    assert found.differences[0].text.endswith(f": found '{'FF' * 8}', expected '4B72616E20330000'"), "eight at most"


def test_bytes_that_were_not_read() -> None:
    whole = back(CARD)
    found = check_card(STAFF_PLAN, unseen(whole, range(84, 90)), row=ROW, master=MASTER)
    assert sentences(found) == [
        "sector 1 block 5 byte 4: record secure was not read in full: 6 of its 14 bytes are missing"
    ]
    assert kinds(found) == ["record-missing"]
    assert "secure" not in found.values
    found = check_card(STAFF_PLAN, unseen(whole, range(68, 72), range(16, 48), range(112, 128)), row=ROW, master=MASTER)
    assert found.is_as_planned
    assert notes(found)["access-not-read"] == "the access conditions were not read: sector 1"
    assert [each.text for each in found.notes if each.kind == "not-read"] == [
        "beside the records not everything was read: block 4",
        "not in the read-back, and not in the plan: blocks 1-2",
    ]
    sticker = check_card(
        PLANS["sticker"], unseen(back(WHOLE["sticker"]), range(8, 16), range(160, 164)), row=ROWS["sticker"]
    )
    assert sentences(sticker) == ["page 3 byte 0: the capability container was not read, and the plan writes it"]
    assert kinds(sticker) == ["container-missing"]
    assert notes(sticker)["locks-not-read"] == "the lock bits were not read: pages 4-39"


def test_a_row_that_cannot_be_written_does_not_stop_the_check() -> None:
    found = checked(CARD, note="x" * 33)
    assert [(each.kind, each.sentence, each.record) for each in found.differences] == [
        (
            "credential-unwritable",
            "the credentials cannot be written as planned: record note, column note: characters:utf-8: the text has 33 "
            "bytes in utf-8, the area holds 32",
            "note",
        )
    ]
    assert found.values["note"] == "'Kran 3'"


PLANNED = (4, 4, 3, 3)  # conditions of sector 1
DANGEROUS = {
    "fixed-for-good": (4, 4, 3, 4),
    "fixed-keys": (4, 4, 3, 5),
    "locked": (7, 4, 3, 3),
    "no-recharge": (4, 1, 3, 3),
    "read-only": (2, 4, 3, 3),
}


@pytest.mark.parametrize(("kind", "conditions"), DANGEROUS.items())
def test_dangers_that_the_plan_does_not_have(kind: str, conditions: tuple[int, int, int, int]) -> None:
    assert Access.from_bytes(CARD[118:121]).conditions == PLANNED
    found = checked(tampered(CARD, 118, Access(conditions).bytes))
    assert set(kinds(found)) == {"access-differs", kind}
    (danger,) = (each for each in found.differences if each.kind == kind)
    (group,) = (at for at in range(4) if conditions[at] != PLANNED[at])
    assert danger.place == f"sector 1 block {4 + group}"
    assert danger.text.startswith("a danger that the plan does not have: ")


def test_dangers_that_the_plan_has_are_no_difference() -> None:
    fixed = plan("staff", ('access = "issuer"', 'access = "never"'))
    assert check_card(fixed, back(dump(fixed, ROW, MASTER)), row=ROW, master=MASTER).is_as_planned


def test_two_conditions_of_a_trailer_mean_the_same() -> None:
    fixed = plan("staff", ('keys = "issuer"\naccess = "issuer"', 'keys = "never"\naccess = "never"'))
    memory = dump(fixed, ROW, MASTER)
    first, second, third, trailer = Access.from_bytes(bytes(memory[118:121])).conditions
    assert trailer == 6
    memory[118:121] = Access((first, second, third, 7)).bytes
    found = check_card(fixed, back(memory), row=ROW, master=MASTER)
    assert found.is_as_planned, sentences(found)
    assert notes(found)["same-access"] == "sector 1 block 7: the condition 111 means the same as the planned 110"


def test_groups_of_five_blocks_are_named_as_such() -> None:
    large = plan(
        STAFF.replace("sectors-16x4", "sectors-32x4+8x16").replace('where = "sector 9"', 'where = "blocks 134-135"')
    )
    memory = dump(large, ROW, MASTER)
    at = 143 * 16 + 6
    first, _, third, trailer = Access.from_bytes(bytes(memory[at : at + 3])).conditions
    memory[at : at + 3] = Access((first, 2, third, trailer)).bytes
    found = check_card(large, back(memory), row=ROW, master=MASTER)
    assert [each.place for each in found.differences] == ["sector 32 blocks 133-137"] * 2
    assert kinds(found) == ["access-differs", "read-only"]


# ── keys ────────────────────────────────────────────────────────────────────────────────────────


def test_a_plan_with_published_keys_makes_the_report_confidential() -> None:
    used = plan("staff", ('A = "derived"', 'A = "published FFFFFFFFFFFF"'))
    found = check_card(used, back(dump(used, ROW, MASTER)), row=ROW, master=MASTER)
    assert found.is_as_planned
    assert found.is_confidential
    assert notes(found)["published-key"] == (
        "published default keys, as planned or as delivered: key A of sectors 0-15, key B of sectors 0,8,10-15"
    )
    memory = tampered(bytes(dump(used, ROW, MASTER)), 112, "010203040506")
    found = check_card(used, back(memory), row=ROW, master=MASTER)
    assert sentences(found) == ["sector 1 block 7 key A: it is another key than the plan says"]


def test_a_report_is_confidential_only_where_a_published_key_was_found() -> None:
    clean = bytearray(CARD)
    for block in (3, 35, *range(43, 64, 4)):
        clean[block * 16 : block * 16 + 16] = bytes(6) + bytes.fromhex("78778800") + bytes(6)  # key B is kept
    assert not checked(bytes(clean)).is_confidential
    assert checked(tampered(bytes(clean), 112, "A0A1A2A3A4A5")).is_confidential
    assert checked(tampered(bytes(clean), 48, DELIVERED)).is_confidential


def test_keys_that_cannot_be_verified_are_never_passed_over() -> None:
    found = check_card(STAFF_PLAN, back(CARD), row=ROW)
    assert found.is_as_planned
    assert notes(found)["keys-not-verified"] == (
        "keys not verified, since no master key is given: key A of sectors 1-7,9, key B of sectors 1-7,9"
    )
    assert notes(found)["mac-not-verified"] == "the MAC of record secure is not verified: no master key is given"
    unknown = check_card(STAFF_PLAN, unseen(back(CARD), range(16)), master=MASTER)
    assert unknown.is_as_planned
    assert notes(unknown)["mac-not-verified"] == (
        "the MAC of record secure is not verified: the card's serial number is not known"
    )
    assert notes(unknown)["keys-not-verified"].startswith("keys not verified, since the card's serial number is not kn")
    assert notes(unknown)["serial-not-seen"] == "the serial number was not read"
    assert all(each.level == "care" for each in unknown.notes if "not" in each.kind and each.kind != "not-read")


def test_another_master_key_is_noticed() -> None:
    found = check_card(STAFF_PLAN, back(CARD), row=ROW, master=OTHER)
    assert kinds(found) == ["mac-wrong", *["key-differs"] * 16]


def test_key_b_that_can_be_read_is_shown() -> None:
    """Where a trailer's condition lets key B be read, zeros are what it holds, and not a key that is kept."""
    used = plan("staff", ('keys = "issuer"\naccess = "issuer"', 'keys = "gate"\naccess = "gate"'))
    memory = dump(used, ROW, MASTER)
    memory[112 + 10 : 128] = bytes(6)
    found = check_card(used, back(memory), row=ROW, master=MASTER)
    assert len(kinds(found)) == 1
    assert found.differences[0].place == "sector 1 block 7 key B"


def test_sectors_that_stay_as_delivered_are_looked_at_too() -> None:
    found = checked(tampered(CARD, 15 * 64 + 54, "FF0781"))
    assert found.is_as_planned
    assert notes(found)["access-copies"] == (
        "locked for good, since the copies of the access conditions disagree: sector 15; the plan writes nothing there"
    )
    assert notes(found)["published-key"].endswith("key A of sectors 0,8,10-15, key B of sectors 0,8,10-15")


def test_no_key_and_no_mac_is_ever_said() -> None:
    """Neither what was found nor what was expected, whatever is wrong with the card: either would make a copy easy."""
    secrets = [record_mac(MASTER, label="Brackwater staff card/secure", serial=SERIAL, data=CARD[80:86], size=8)]
    assert CARD[86:94] == secrets[0]
    secrets += [CARD[start : start + 6] for at in (7, 11, 39) for start in (16 * at, 16 * at + 10)]
    secrets += [bytes.fromhex("0A1B2C3D4E5F"), KEY_B]
    memory = tampered(tampered(CARD, 86, "00" * 8), 112, "0A1B2C3D4E5F")
    flipped = bytes(byte ^ 1 if at >= 48 else byte for at, byte in enumerate(CARD))
    for card in (CARD, memory, MOVED, flipped, tampered(CARD, 118, "000000")):
        for master in (MASTER, OTHER, None):
            found = check_card(STAFF_PLAN, back(card), row=ROW, master=master)
            told = f"{found!r} {back(card)!r}"
            assert not leaks(told)
            for secret in secrets:
                assert secret.hex() not in told.lower().replace(" ", "")
                assert repr(secret)[2:-1] not in told


# ── every bit of a whole card ───────────────────────────────────────────────────────────────────


@amounts("step", quick=7, whole=1)
def test_each_wrong_bit_of_a_whole_card_is_found_or_lies_where_the_plan_says_nothing(step: int) -> None:
    """A bit or two of each byte, or all: a difference, a note, or silence in bytes of the maker and of trailers."""
    good = checked(CARD)
    holder = credential_from_row(STAFF_PLAN, ROW)
    # behind the terminator of its message (FE) a record says the same, whatever stands there
    contact = STAFF_PLAN.record("contact")
    assert contact is not None
    end = bytes(CARD[at] for at in contact.places).index(0xFE)
    terminator, *rest = contact.places[end:]
    behind = {terminator, *rest}
    assert len(behind) == 272 - len("mailto:staff0@brackwater.example") + len("mailto:") - 1 - 4 - 2
    told: dict[str, set[int]] = {"difference": set(), "note": set(), "nothing": set()}
    for bit in range(0, 8 * len(CARD), step):
        memory = bytearray(CARD)
        memory[bit // 8] ^= 1 << bit % 8
        found = CHECKER.check(back(memory), holder)
        how = "difference" if not found.is_as_planned else "note" if found.notes != good.notes else "nothing"
        told[how].add(bit // 8)
        if how != "difference":
            assert bit // 8 in silent_or_noted() | behind, bit
    planned = {16 * block + at for block in STAFF_PLAN.blocks for at in range(16)}
    planned |= {16 * block + at for block in (7, 11, 15, 19, 23, 27, 31, 39) for at in range(16) if at != 9}
    assert told["difference"] - {terminator} == (planned - behind) | set(range(5))
    delivered = {16 * block + 9 for block in (3, 35, *range(43, 64, 4))}
    assert told["nothing"] == set(range(5, 16)) | delivered
    assert told["note"] - {terminator} == set(range(1024)) - told["difference"] - told["nothing"] - {terminator}


def silent_or_noted() -> set[int]:
    """Bytes that no record, rest or trailer of the plan has, and byte 9 of its trailers."""
    used = set(STAFF_PLAN.blocks)
    trailers = {7, 11, 15, 19, 23, 27, 31, 39}
    free = {16 * block + at for block in range(1, 64) if block not in used | trailers for at in range(16)}
    return free | set(range(5, 16)) | {16 * block + 9 for block in trailers}


# ── meaning and bytes ───────────────────────────────────────────────────────────────────────────


def test_the_same_meaning_in_other_bytes_is_no_difference() -> None:
    """A null TLV in front of the message, as another station may write it (Type 2 Tag): every block moves by a byte."""
    at = [16 * block + byte for block in (8, 9, 10) for byte in range(16)]
    memory = bytearray(CARD)
    message = bytes(CARD[place] for place in at)
    for place, byte in zip(at, b"\0" + message[:-1], strict=True):
        memory[place] = byte
    found = checked(bytes(memory))
    assert found.is_as_planned, sentences(found)
    assert notes(found)["written-otherwise"] == (
        "record contact says what it should, but in other bytes, from sector 2 block 8 byte 0 on"
    )


def test_what_may_be_an_account_number_is_masked() -> None:
    """4114360123456785 is the test number of the WHATWG HTML standard."""
    found = checked(tampered(CARD, 36 * 16, b"4114360123456785"))
    told = repr(found)
    assert "411436******6785" in told
    assert "4114360123456785" not in told
    assert "3431313433363031" not in told
    assert kinds(found) == ["record-differs"]
    beside = checked(tampered(CARD, 4 * 16 + 12, "41143601"))
    assert kinds(beside) == ["rest-not-empty"]


def test_what_may_be_an_account_number_is_shown_where_that_is_asked_for() -> None:
    """4114360123456785 is the test number of the WHATWG HTML standard; sentences keep their masks, bytes do not."""
    memory = tampered(CARD, 36 * 16, b"4114360123456785")
    found = check_card(STAFF_PLAN, back(memory), row=ROW, master=MASTER, reveal=True)
    assert found.values["note"] == "'4114360123456785'"
    assert sentences(found) == [
        "sector 9 block 36 byte 0: record note is '411436******6785', the credentials say 'Kran 3'; from there found "
        "'3431313433363031', expected '4B72616E20330000'"
    ]
    assert found.values["secure"] == f"number={ROW['secure_number']}"
    used = plan("staff", ('where = "sector 9"', 'where = "block 36"'), ("size = 32", "size = 4"))
    row = ROW | {"note": "K 3"}
    memory = tampered(bytes(dump(used, row, MASTER)), 36 * 16 + 4, "4114360123456785")
    masked = check_card(used, back(memory), row=row, master=MASTER)
    shown = check_card(used, back(memory), row=row, master=MASTER, reveal=True)
    assert "4114360123456785" not in repr(masked)
    assert sentences(shown) == [
        "sector 9 block 36 byte 4: no record is here and the plan writes zeros, but found '4114360123456785'"
    ]


# ── differences that are alike ──────────────────────────────────────────────────────────────────


def test_what_is_the_same_in_many_sectors_is_told_once() -> None:
    """Sixteen keys, a memory of zeros, trailers as delivered: told by sector, blocks counted from its first."""
    moved = checked(tampered(MOVED, 0, CARD[:16]))
    assert len(moved.differences) == 17
    assert fold_differences(moved.differences, STAFF_PLAN.geometry)[1:] == [
        f"sectors 1-7,9, key {slot} of each trailer: it is another key than is derived for this card" for slot in "AB"
    ]
    zeros = fold_differences(checked(bytes(1024)).differences, STAFF_PLAN.geometry)
    assert zeros[-1] == (
        "sectors 1-7,9, byte 6 of each trailer: the inverted copies of the access conditions disagree: found 000000, "
        "expected those of the plan; a card locks such a sector for good"
    )
    assert len(zeros) == len(checked(bytes(1024)).differences) - 7
    delivered = bytearray(CARD)
    for block in (11, 15):
        delivered[16 * block + 6 : 16 * block + 9] = OPEN
    found = fold_differences(checked(bytes(delivered)).differences, STAFF_PLAN.geometry)
    assert [sentence.partition(":")[0] for sentence in found] == [
        "sectors 2-3, blocks 0-2 of each", "sectors 2-3, the trailer of each", "sectors 2-3, the trailer of each",
        "sectors 2-3, blocks 0-2 of each",
    ]  # fmt: skip


def test_sectors_in_which_other_blocks_differ_are_told_apart() -> None:
    """The third blocks of sectors 1 and 7 are free, so their planned conditions are others than those of block 8."""
    memory = bytearray(CARD)
    for block in (7, 11):
        memory[16 * block + 6 : 16 * block + 9] = Access((6, 6, 3 if block == 7 else 6, 3)).bytes
    found = fold_differences(checked(bytes(memory)).differences, STAFF_PLAN.geometry)
    assert [sentence.partition(":")[0] for sentence in found] == ["sector 1 blocks 4-5", "sector 2 blocks 8-10"]


def test_pages_that_are_alike_are_told_once() -> None:
    """Bytes 10 and 11 lock pages 4 to 15, byte 160 pages 16 to 31 (NFC Forum Type 2 Tag, from memory)."""
    found = checked(tampered(tampered(WHOLE["sticker"], 10, "F0FF"), 160, "0F"), "sticker")
    assert len(found.differences) == 12 + 4
    assert fold_differences(found.differences, PLANS["sticker"].geometry) == [
        "pages 4-23: locked for good, and the plan leaves it open"
    ]


def test_what_differs_in_itself_stays_apart() -> None:
    for memory in (tampered(CARD, 64, "0001E240"), tampered(CARD, 112, "FFFFFFFFFFFF"), tampered(CARD, 118, "FF0781")):
        found = checked(memory)
        assert fold_differences(found.differences, STAFF_PLAN.geometry) == sentences(found)
    beside = checked(tampered(tampered(CARD, 68, "01020304"), 76, "01020304"))
    assert len(fold_differences(beside.differences, STAFF_PLAN.geometry)) == 2, (
        "the same bytes at other places of their blocks"
    )


def test_notes_of_a_record_that_need_care_are_told() -> None:
    """Bit 31 of a value block is set: cards that count in signed numbers take it as negative (common practice)."""
    text = STAFF.partition("[records.secure]")[0] + (
        '[records.fares]\ncolumns = { value = "fares", address = "place" }\nstored = "value-block"\n'
        'where = "block 5"\nread = ["gate", "issuer"]\nwrite = "issuer"\n'
    )
    used, accepting = plan(text), plan(text + 'accept = ["negative-value"]\n')
    row = {column: ROW.get(column, "") for column in used.columns} | {"fares": str(1 << 31), "place": "5"}
    memory = dump(accepting, row, MASTER)
    for how, level in ((used, "care"), (accepting, "info")):
        found = check_card(how, back(memory), row=row, master=MASTER)
        assert found.is_as_planned
        assert notes(found)["negative-value"].startswith("record fares: bit 31 of the value is set")
        assert next(note.level for note in found.notes if note.kind == "negative-value") == level


def test_constants_and_the_directory_are_compared_without_credentials() -> None:
    text = STAFF.partition("[records.secure]")[0] + (
        '[records.issuer]\nconstant = "BRACKWATER"\nstored = "characters:ascii"\nsize = 16\nwhere = "block 5"\n'
        'read = ["gate", "issuer"]\nwrite = "issuer"\n'
        '[directory]\nwhere = "sector 2"\nread = ["gate", "issuer"]\nwrite = "issuer"\n'
    )
    used = plan(text.replace("derived", "published FFFFFFFFFFFF"))
    memory = bytes(dump(used, ROW))
    assert check_card(used, back(memory)).is_as_planned
    assert check_card(used, back(memory)).values["issuer"] == "'BRACKWATER'"
    found = check_card(used, back(tampered(tampered(memory, 80, b"X"), 128 + 3, "EE")))
    assert sentences(found) == [
        "sector 1 block 5 byte 0: record issuer is 'XRACKWATER', the plan says 'BRACKWATER'; from there found "
        "'585241434B574154', expected '425241434B574154'",
        "sector 2 block 8 byte 3: record directory is another than the plan says; from there found EE00000400040800, "
        "expected 0400000400040800",
    ]


def test_locks_that_are_not_in_memory_are_said_to_be_unchecked() -> None:
    """A Type 5 tag is locked by a command; its memory does not tell (from memory)."""
    found = checked(WHOLE["tag"], "tag")
    assert notes(found)["locks-not-read"] == (
        "whether they are locked is not in memory and was not checked: blocks 2-4"
    )
    assert notes(found)["serial-not-seen"] == (
        "the serial number was not read: that this is the card of this credential, its file says alone"
    )


def test_data_where_the_plan_has_none_is_noted() -> None:
    found = checked(tampered(tampered(CARD, 32 * 16, "01"), 33 * 16, "FF" * 16))
    assert found.is_as_planned
    assert notes(found)["unplanned-data"] == "data where the plan has none: block 32", "a blank block is all 00 or FF"


# ── which credential a read-back is of ──────────────────────────────────────────────────────────


def many(folder: Path, files: Mapping[str, bytes]) -> tuple[list[CheckedCard], tuple[str, ...]]:
    """The check of ``files`` against three credentials."""
    for name, memory in files.items():
        (folder / name).write_bytes(memory)
    checks = check_all(STAFF_PLAN, [folder / name for name in files], credentials(folder, list(rows(3))), master=MASTER)
    found = list(checks)
    assert checks.count == len(files)
    assert checks.different == sum(not each.is_as_planned for each in found)
    return found, checks.unread_credentials


def card(index: int) -> bytes:
    return bytes(dump(STAFF_PLAN, list(rows(9))[index], MASTER))


def key_remarks(folder: Path, cards: int, key: MasterKey, spoilt: bool = False) -> tuple[tuple[str, ...], str]:
    """What is said of ``key``, first and last, when it is used for ``cards`` cards that MASTER wrote."""
    for index in range(cards):
        memory = tampered(card(index), 86, "00") if spoilt else card(index)
        (folder / f"C-{1000 + index}.bin").write_bytes(memory)
    checks = check_all(STAFF_PLAN, sorted(folder.glob("*.bin")), master=key)
    list(checks)
    return checks.key.opening_notes, checks.key.closing_note


def test_another_master_key_is_suspected_when_no_mac_matches(tmp_path: Path) -> None:
    own, other = check_value(MASTER), check_value(OTHER)
    assert own != other
    assert key_remarks(tmp_path, 1, OTHER) == ((), ""), "one card alone may be a forgery"
    assert key_remarks(tmp_path, 2, OTHER) == (
        (),
        f"No MAC matches: is it another master key? This one has check value {other}, and batch.json says that of the "
        "key it was written with.",
    )
    assert key_remarks(tmp_path, 2, MASTER) == ((), "")
    (tmp_path / "batch.json").write_text(f'{{"check_value": "{own}"}}')
    assert key_remarks(tmp_path, 2, OTHER) == (
        (
            f"{tmp_path}: this batch was written with the master key of check value {own}, the one given has {other}: "
            "no key and no MAC can match.",
        ),
        f"No MAC matches: is it another master key? The batch was written with check value {own}, this one has "
        f"{other}.",
    )
    assert key_remarks(tmp_path, 3, MASTER, spoilt=True) == (
        (), f"No MAC matches, though the batch was written with this master key (check value {own}).",
    )  # fmt: skip


def test_one_mac_that_matches_clears_the_key(tmp_path: Path) -> None:
    (tmp_path / "a.bin").write_bytes(card(0))
    (tmp_path / "b.bin").write_bytes(tampered(card(1), 86, "00"))
    (tmp_path / "c.bin").write_bytes(tampered(card(2), 86, "00"))
    checks = check_all(STAFF_PLAN, sorted(tmp_path.glob("*.bin")), master=MASTER)
    assert [each.macs for each in checks] == [(True,), (False,), (False,)]
    assert checks.key.closing_note == ""


def test_the_same_card_twice_is_no_reason_to_suspect_the_key(tmp_path: Path) -> None:
    (tmp_path / "a.bin").write_bytes(card(0))
    checks = check_all(STAFF_PLAN, [tmp_path / "a.bin"] * 3, master=OTHER)
    assert [kinds(each).count("mac-wrong") for each in checks] == [1, 1, 1]
    assert checks.key.closing_note == ""


@pytest.mark.parametrize(
    "about",
    ["", "[", "[]", '"AB"', '{"check_value": 1}', '{"check_value": null}', '{"check_value": "see above"}', "{}"],
)
def test_a_batch_that_tells_no_check_value_is_no_fault(tmp_path: Path, about: str) -> None:
    (tmp_path / "batch.json").write_text(about)
    assert key_remarks(tmp_path, 1, OTHER) == ((), "")


def test_without_a_master_key_nothing_is_said_of_it(tmp_path: Path) -> None:
    write_batch(STAFF_PLAN, credentials(tmp_path, list(rows(2))), tmp_path / "batch", master=MASTER)
    checks = check_all(STAFF_PLAN, find_read_backs([tmp_path / "batch"]))
    assert [each.macs for each in checks] == [(), ()]
    assert (checks.key.opening_notes, checks.key.closing_note) == ((), "")


def test_the_serial_number_leads_to_the_credential(tmp_path: Path) -> None:
    found, unread = many(tmp_path, {"a.bin": card(0), "b.dump": card(2)})
    assert [(each.credential, each.is_as_planned) for each in found] == [("C-1000", True), ("C-1002", True)]
    assert unread == ("C-1001",)


def test_a_file_that_is_called_like_another_credential_needs_care(tmp_path: Path) -> None:
    found, _ = many(tmp_path, {"C-1001.bin": card(0)})
    assert found[0].is_as_planned
    assert found[0].credential == "C-1000"
    assert notes(found[0])["named-otherwise"] == (
        "the file is called like credential 'C-1001', but its serial number is that of another"
    )


def test_a_card_that_nobody_listed(tmp_path: Path) -> None:
    found, unread = many(tmp_path, {"C-1001.bin": card(5), "x.bin": card(6)})
    assert kinds(found[0])[0] == "serial-differs"
    assert found[0].credential == "C-1001"
    assert sentences(found[1]) == ["no credential has its serial number '0100002A'"]
    assert kinds(found[1]) == ["credential-unknown"]
    assert unread == ("C-1000", "C-1002")


def test_a_listing_without_the_manufacturers_block_is_found_by_its_name(tmp_path: Path) -> None:
    text = b"block 4: 1E7EA819 00000000 00D0E4A4 00000000\n"
    found, _ = many(tmp_path, {"C-1000.txt": text, "who.txt": text})
    assert [each.credential for each in found] == ["C-1000", ""]
    assert "record-missing" in kinds(found[0])
    assert found[1].differences[0].sentence == "no serial number was read, and no credential is called 'who'"


def test_a_card_that_was_read_twice(tmp_path: Path) -> None:
    found, _ = many(tmp_path, {"a.bin": card(0), "b.bin": card(0)})
    assert found[0].is_as_planned
    assert kinds(found[1]) == ["read-twice"]
    assert sentences(found[1]) == [f"the same card was read before, in {tmp_path / 'a.bin'}"]


def test_a_read_back_that_cannot_be_read_does_not_stop_the_others(tmp_path: Path) -> None:
    found, unread = many(tmp_path, {"C-1000.bin": bytes(164), "C-1001.bin": card(1)})
    assert [each.is_as_planned for each in found] == [False, True]
    assert found[0].differences == (
        Difference(
            kind="read-back-unreadable", text=f"{tmp_path / 'C-1000.bin'}: 164 bytes, but sectors-16x4 has 1024"
        ),
    )
    assert unread == ("C-1000", "C-1002")


def test_faults_in_the_credentials_are_told_before_the_first_card(tmp_path: Path) -> None:
    file = credentials(tmp_path, [ROW | {"serial": "01"}])
    with refusal(DefinitionError):
        check_all(STAFF_PLAN, [], file)
    with refusal(DefinitionError):
        check_card(STAFF_PLAN, back(CARD), row={"credential_id": "C-1"})
    with refusal(DefinitionError):
        check_card(STAFF_PLAN, back(CARD), row=ROW | {"serial": "01"})


# ── files of read-backs ─────────────────────────────────────────────────────────────────────────


def read(folder: Path, data: str | bytes, used: CardPlan = STAFF_PLAN) -> ReadBack:
    path = folder / "C-1.txt"
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    return load_read_back(path, used)


def test_a_listing_is_read_however_it_is_spaced(tmp_path: Path) -> None:
    for end in ("\n", "\r\n", "\r"):
        lines = ["\ufeff# Zoë\u2028's card", "", "  block 04 :0001e240 " + "00" * 12 + "# a", "   # b",
                 "\tblock 7:" + ".." * 6 + "787788" + ".." * 7]  # fmt: skip
        found = read(tmp_path, end.join(lines))
        assert found.stem == "C-1"
        assert found.data[64:68].hex() == "0001e240"
        assert [at for at, seen in enumerate(found.read_mask) if seen] == [*range(64, 80), 118, 119, 120]
        assert found.data[118:121].hex() == "787788"


def test_a_dump_is_the_whole_memory(tmp_path: Path) -> None:
    found = read(tmp_path, CARD)
    assert found.data == CARD
    assert found.has_bytes(0, 1024)


@pytest.mark.parametrize(
    ("which", "data", "message"),
    [
        ("sticker", CARD, ": 1024 bytes, but type2-144 has 164"),
        ("staff", CARD[:-1], ": 1023 bytes, but sectors-16x4 has 1024"),
        ("staff", b"", ": there is no block in it, such as block 4: 00000000 00000000 00000000 00000000"),
        ("staff", "# nothing", ": there is no block in it, such as block 4: 00000000 00000000 00000000 00000000"),
        ("staff", "# a\nblok 4: 00", " line 2: this is neither a comment nor a block, such as block 4: 00000000 "
                                      "00000000 00000000 00000000"),
        ("staff", "page 4: 00000000", " line 1: a page, but sectors-16x4 has blocks"),
        ("sticker", "block 4: 00000000", " line 1: a block, but type2-144 has pages"),
        ("staff", "block 64: " + "00" * 16, " line 1: there is no block 64: sectors-16x4 has 64, from 0 on"),
        ("staff", "block 4: 00000000", " line 1: block 4 has 8 digits, expected 32, for 16 bytes"),
        ("staff", "block 4: 0.." + ".." * 14 + "0", " line 1: byte 0 of block 4 is half a byte, expected two digits "
                                                   "or .."),
        ("staff", ("block 4: " + "00" * 16 + "\n") * 2, " line 2: block 4 was there before, in line 1"),
        ("staff", "blöck".encode("latin-1"), ": 5 bytes, but sectors-16x4 has 1024"),
        ("staff", bytes((1 << 20) + 1), ": more than 1,048,576 bytes, which no read-back of one card has"),
    ],
)  # fmt: skip
def test_a_file_that_is_no_read_back_is_told_in_one_sentence(
    tmp_path: Path, which: str, data: str | bytes, message: str
) -> None:
    with pytest.raises(DefinitionError) as caught:
        read(tmp_path, data, PLANS[which])
    assert str(caught.value) == f"{tmp_path / 'C-1.txt'}{message}"


@pytest.mark.parametrize("which", PLANS)
@pytest.mark.parametrize("keys", [True, False])
def test_the_file_for_the_station_is_no_read_back_and_is_told_as_such(tmp_path: Path, which: str, keys: bool) -> None:
    out = tmp_path / "batch"
    write_batch(PLANS[which], credentials(tmp_path, list(rows(1, which))), out, master=MASTER, keys=keys)
    file, elsewhere = out / "C-1000.bin", tmp_path / "copied.bin"
    elsewhere.write_bytes(file.read_bytes())
    for path, where in (
        (file, "its listing is C-1000.txt"), (elsewhere, "check what was read back from the card"),
    ):  # fmt: skip
        with pytest.raises(DefinitionError) as caught:
            load_read_back(path, PLANS[which])
        assert str(caught.value) == f"{path}: this is the file for the encoding station; {where}"


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    for name, why in (("no.txt", "No such file or directory"), ("\0", "its name cannot be that of a file")):
        with pytest.raises(DefinitionError) as caught:
            load_read_back(tmp_path / name, STAFF_PLAN)
        assert str(caught.value) == f"{tmp_path / name}: the file cannot be read ({why})"


def test_a_fault_in_a_listing_repeats_nothing_of_it(tmp_path: Path) -> None:
    key = "0A1B2C3D4E5F"
    for line in (f"block 7: {key}", f"block 7 {key}", f"block 99: {key}", f"block 7: {key}Z", f"key {key}"):
        with pytest.raises(DefinitionError) as caught:
            read(tmp_path, line)
        assert key not in str(caught.value)


# ── nothing is left out ─────────────────────────────────────────────────────────────────────────

ELSEWHERE = {
    "record-missing", "container-missing", "credential-unwritable", "read-twice", "read-back-unreadable",
    "credential-unknown",
}  # fmt: skip


def test_every_kind_of_difference_is_shown_by_a_test() -> None:
    folder = Path(credkit.__file__).parent / "cards"
    code = "".join(
        (folder / f"{name}.py").read_text() for name in ("readback", "recordcheck", "trailercheck", "lockcheck")
    )
    known = set(re.findall(r'(?:\.add_(?:key_)?difference\(\s*|Difference\(\s*kind=)"([a-z-]+)"', code)) | {
        "published-key"
    }
    shown = {kind for _, _, _, wanted in TAMPERED for kind, _ in wanted}
    assert len(known) > 15
    assert known == (shown | ELSEWHERE) - {"key-b-readable", "key-b-worthless"}, "dangers are those of the conditions"

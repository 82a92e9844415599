"""Access conditions: the truth tables, policies in words, and each danger.

Source of the tables and byte values: common practice, no source; they are printed in many chip data sheets. The rows
are written out here once more, as one reads them there, and compared.
"""

from __future__ import annotations

from itertools import islice, product

import pytest

from credkit import DecodeError, DefinitionError
from credkit.cards.access import DATA_RULES, TRAILER_RULES, Access, DataRule, data_condition, trailer_condition
from tests.amounts import amounts

# C1C2C3: read, write, increment, decrement/transfer/restore
PRINTED_DATA = """
000 AB AB AB AB
010 AB -  -  -
100 AB B  -  -
110 AB B  B  AB
001 AB -  -  AB
011 B  B  -  -
101 B  -  -  -
111 -  -  -  -
"""

# C1C2C3: write key A, read/write access bits, read/write key B
PRINTED_TRAILER = """
000 A A/-  A/A
010 - A/-  A/-
100 B AB/- -/B
110 - AB/- -/-
001 A A/A  A/A
011 B AB/B -/B
101 - AB/B -/-
111 - AB/- -/-
"""


def test_data_conditions_are_the_printed_ones() -> None:
    rows = [row.split() for row in PRINTED_DATA.strip().splitlines()]
    assert len(rows) == 8
    for bits, *keys in rows:
        rule = DATA_RULES[int(bits, 2)]
        assert [rule.read, rule.write, rule.increment, rule.decrement] == [key.strip("-") for key in keys], bits


def test_trailer_conditions_are_the_printed_ones() -> None:
    rows = [row.split() for row in PRINTED_TRAILER.strip().splitlines()]
    assert len(rows) == 8
    for bits, key_a, access, key_b in rows:
        rule = TRAILER_RULES[int(bits, 2)]
        found = [rule.write_key_a, rule.read_access, rule.write_access, rule.read_key_b, rule.write_key_b]
        printed = [key_a, *access.split("/"), *key_b.split("/")]
        assert found == [key.strip("-") for key in printed], bits


@pytest.mark.parametrize(
    ("data", "conditions"), [("ff0780", (0, 0, 0, 1)), ("787788", (4, 4, 4, 3)), ("08778f", (6, 6, 6, 3))]
)
def test_known_access_bytes(data: str, conditions: tuple[int, int, int, int]) -> None:
    assert Access.from_bytes(bytes.fromhex(data)).conditions == conditions
    assert Access(conditions).bytes.hex() == data


@amounts("every", quick=11, whole=1)
def test_all_conditions_round_trip_and_every_wrong_bit_is_found(every: int) -> None:
    """By plain bit operations written out here: nibbles of C1, C2, C3 and their complements."""
    for one, two, three, four in islice(product(range(8), repeat=4), 0, None, every):
        conditions = (one, two, three, four)
        data = Access(conditions).bytes
        c1, c2, c3 = (sum((each >> 2 - bit & 1) << place for place, each in enumerate(conditions)) for bit in range(3))
        assert data == bytes(((~c2 & 15) << 4 | ~c1 & 15, c1 << 4 | ~c3 & 15, c3 << 4 | c2))
        assert Access.from_bytes(data).conditions == conditions
        for bit in range(24):
            wrong = (int.from_bytes(data, "big") ^ 1 << bit).to_bytes(3, "big")
            with pytest.raises(DecodeError):
                Access.from_bytes(wrong)


@pytest.mark.parametrize(
    ("text", "data"),
    [
        ("read A or B, write A or B, increment A or B, decrement A or B; trailer: keys A, access A", "ff0780"),
        ("read A or B, write B; trailer: keys B, access B", "787788"),
        ("trailer: keys B, access B; blocks 0-2: read A or B, write B, increment B, decrement B or A", "08778f"),
        ("block 0: read a or b, WRITE b; block 1: read A or B, write B; read A or B, write B; "
         "trailer: access B, keys B", "787788"),
        ("blocks 0-4: read A or B, write B; blocks 5-14: read A or B, write B; trailer: keys B, access B", "787788"),
    ],
)  # fmt: skip
def test_policies_in_words(text: str, data: str) -> None:
    assert Access.from_policy(text).bytes.hex() == data


@pytest.mark.parametrize("number", range(8))
def test_every_rule_says_itself(number: int) -> None:
    """What a condition says in words, read as a policy, is that condition; two of the trailer mean the same."""
    rule = DATA_RULES[number]
    words = rule.description if rule != DataRule("", "", "", "") else "read never, write never"
    words += "" if "write" in words else ", write never"
    assert DATA_RULES[Access.from_policy(f"{words}; trailer: keys never, access never").conditions[0]] == rule
    trailer = TRAILER_RULES[number]
    said = {"A": "A", "B": "B", "": "never"}
    policy = f"Trailer: keys {said[trailer.write_key_b]}, access {said[trailer.write_access]}; read B, write B"
    found = TRAILER_RULES[Access.from_policy(policy).conditions[3]]
    assert (found.write_key_b, found.write_access) == (trailer.write_key_b, trailer.write_access)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "read A, write B; trailer: keys B, access B",
            "no access condition means read A, write B; there are: read A or",
        ),
        ("read A or B, write B", "says nothing of the trailer, such as 'trailer: keys B, access B'"),
        ("block 1: read A or B, write B; trailer: keys B, access B", "says nothing of block 0, block 2"),
        (
            "reed A; trailer: keys B, access B",
            "'reed A' does not begin with read, write, increment, decrement; did you",
        ),
        ("read C; trailer: keys B, access B", "'read C': read is for A, B, A or B, or never"),
        ("read A, read B; trailer: keys B, access B", "says read twice"),
        (
            "block 1: read B, write B; block 1: read B, write B; read B, write B; trailer: keys B, access B",
            "speaks twice of block 1",
        ),
        ("read B, write B; read B, write B; trailer: keys B, access B", "speaks twice of all other blocks"),
        ("block 3: read B; read B; trailer: keys B, access B", "'block 3' is no group of blocks"),
        ("blocks 1-4: read B; read B; trailer: keys B, access B", "'blocks 1-4' is no group of blocks"),
        (
            "read B, write B; trailer: keys A, access B",
            "no access condition means keys A, access B; there are: keys A, access",
        ),
        ("", "says nothing of the trailer"),
        ("read B, write B; trailer: keys B", "'keys B' does not say who may change the access bits: 'access never' if"),
        ("read B, write B; trailer: access B", "'access B' does not say who may change the keys: 'keys never' if"),
        ("read B; trailer: keys B, access B", "'read B' does not say who may write: 'write never' if nobody may"),
        ("block 3: read B, write B; trailer: keys B, access B", "the last block of a sector is its trailer"),
    ],
)
def test_what_no_card_can_do_is_refused(text: str, sentence: str) -> None:
    with pytest.raises(DefinitionError, match=sentence):
        Access.from_policy(text)


def kinds(policy: str) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for danger in Access.from_policy(policy).dangers():
        found.setdefault(danger.kind, []).append(danger.group)
    return found


def test_a_usual_policy_is_not_dangerous() -> None:
    assert kinds("read A or B, write B; trailer: keys B, access B") == {}


@pytest.mark.parametrize(
    ("policy", "expected"),
    [
        ("read A or B, write B; trailer: keys B, access never", {"fixed-for-good": [3]}),
        ("read A or B, write B; trailer: keys never, access B", {"fixed-keys": [3]}),
        ("read A or B, write B; trailer: keys never, access never", {"fixed-for-good": [3], "fixed-keys": [3]}),
        ("block 1: read never, write never; read B, write B; trailer: keys B, access B", {"locked": [1]}),
        ("block 2: read A or B, write never; read B, write B; trailer: keys B, access B", {"read-only": [2]}),
        (
            "block 0: read A or B, write never, decrement A or B; read B, write B; trailer: keys B, access B",
            {"no-recharge": [0]},
        ),
        ("read A or B, write A or B; trailer: keys A, access A", {"key-b-readable": [3], "key-b-worthless": [0, 1, 2]}),
    ],
)
def test_each_danger_is_named(policy: str, expected: dict[str, list[int]]) -> None:
    assert kinds(policy) == expected


def test_keys_that_nobody_may_write_come_back_with_the_conditions() -> None:
    """101: key B may still set the access conditions, and after that the keys; 110: nobody ever."""
    for condition, said in ((5, "unless somebody changes the access conditions with B"), (6, "nobody can ever change")):
        found = {danger.kind: danger.text for danger in Access((4, 4, 4, condition)).dangers()}
        assert said in found["fixed-keys"]
        assert ("ever" in found["fixed-keys"].split(",")[0]) == (condition == 6)


def test_a_key_b_that_can_be_read_is_worth_nothing() -> None:
    """Write with B, where B can be read: nobody can write, and where only B reads, nobody can read."""
    access = Access((4, 3, 0, 1))
    assert access.rule(0) == DataRule("A", "", "", "")
    assert access.rule(1) == DataRule("", "", "", "")
    found = {danger.kind: danger for danger in access.dangers()}
    assert found["locked"].group == 1
    assert "unless somebody changes the access conditions with A" in found["locked"].text
    assert (
        found["key-b-worthless"].text
        == "what is said of key B is worth nothing here: read A, write A, increment A, decrement A"
    )


def test_least_is_allowed_where_nothing_is_said() -> None:
    assert data_condition("AB", "") == 2, "not the one that decrements"
    assert data_condition("AB", "", "", "AB") == 1
    assert TRAILER_RULES[trailer_condition("", "")].read_key_b == ""

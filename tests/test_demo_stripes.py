"""The demo's stripes: every swipe read by hand is what its code says, and the crosswalk finds the wrong bits.

The readers of this file are a few lines of plain Python and use nothing of credkit: ISO/IEC 7811-2
for the bits of track 2, ISO/IEC 7812-1 for the check digit (Luhn).
"""

from __future__ import annotations

import re
import shutil
from collections import Counter
from datetime import date
from pathlib import Path

import pytest

from credkit.crosswalk import Crosswalk, crosswalk
from credkit.demo import Demo
from credkit.site import load_site
from tests.test_demo import in_force, rows


def swipe(row: str) -> str | None:
    """The text of track 2 in a row of bits, read whichever way it goes, if its parity and its LRC hold."""
    for way in (row, row[::-1]):
        bits = way[max(way.find("1"), 0) :]
        characters = [bits[place : place + 5] for place in range(0, len(bits) - 4, 5)]
        if characters[:1] != ["11010"] or "11111" not in characters[:-1]:
            continue
        track = characters[: characters.index("11111") + 2]  # the LRC stands behind the end sentinel
        odd = all(each.count("1") % 2 for each in track)
        even = not any([each[column] for each in track].count("1") % 2 for column in range(4))
        if odd and even and "1" not in bits[5 * len(track) :]:
            return "".join(chr(48 + int(each[3::-1], 2)) for each in track[:-1])
    return None


def stripe(text: str | None) -> tuple[int, int] | None:
    """The number and the issue in the text of a stripe, if its check digit holds."""
    parts = re.fullmatch(r";57([0-9]{6})([0-9])=([0-9]{2})\?", text or "")
    return (int(parts[1]), int(parts[3])) if parts and luhn(parts[1] + parts[2]) else None


def luhn(digits: str) -> bool:
    """Whether the last digit makes the sum a multiple of ten, every second digit from the end doubled."""
    doubled = (int(digit) * (1 + place % 2) for place, digit in enumerate(reversed(digits)))
    return sum(each // 10 + each % 10 for each in doubled) % 10 == 0


def swipes(row: dict[str, str]) -> list[str | None]:
    """What a reader of stripes gives: the kiosk bits, the time clock hexadecimal digits, the desk the text."""
    if row["reader"] == "kiosk":
        return [swipe(row["text"])]
    if row["reader"] == "time-clock":
        bits = f"{int(row['text'], 16):0{4 * len(row['text'])}b}"
        return [swipe(f"{each}00000") for each in re.split("0{13,}", bits) if each]  # some zeros are of the LRC
    return [row["text"]]


@pytest.fixture(scope="module")
def holders(demo: Demo) -> dict[tuple[int, int], dict[str, str]]:
    """The rows of the register that have a stripe, by number and issue."""
    table = [row for row in rows(demo, "credentials.csv") if row["kind"] == "staff-stripe"]
    assert all(re.fullmatch("[0-9]{6}", row["value"]) for row in table)
    found = {(int(row["value"]), int(row["issue"])): row for row in table}
    assert len(found) == len(table) == 306
    return found


def test_stripes_read_by_hand_are_what_their_codes_say(
    demo: Demo, holders: dict[tuple[int, int], dict[str, str]]
) -> None:
    found: Counter[tuple[str, str | None]] = Counter()
    known = {number for number, _ in holders}
    for line, row in enumerate(rows(demo, "readings.csv"), 2):
        if row["reader"] not in ("kiosk", "time-clock", "desk-stripe"):
            continue
        read = swipes(row)
        number = stripe(read[0]) if read else None
        holder = holders.get(number) if number else None
        if len(read) != 1:
            code = "incomplete-entry"
        elif number is None:
            typed = row["reader"] == "desk-stripe" and not row["text"].startswith(";")
            code = "unreadable" if typed else "check-failed"
        elif holder is None:
            code = "other-issue" if number[0] in known else "unknown-card"
        else:
            code = "" if in_force(holder, date.fromisoformat(row["time"][:10])) else "inactive-read"
        said = demo.exceptions["readings.csv"].get(line)
        assert code == (said or "") or said == "conflict", (line, row)
        found[row["reader"], said] += 1
    assert found == {
        ("kiosk", None): 240, ("kiosk", "check-failed"): 24, ("kiosk", "other-issue"): 12,
        ("kiosk", "inactive-read"): found["kiosk", "inactive-read"],
        ("time-clock", None): 83, ("time-clock", "incomplete-entry"): 8,
        ("desk-stripe", None): 60, ("desk-stripe", "conflict"): 1, ("desk-stripe", "check-failed"): 4,
        ("desk-stripe", "unreadable"): 2,
    }  # fmt: skip
    assert found["kiosk", "inactive-read"] >= 6


DANISH = str.maketrans("æ´_", ";=?")  # the keys of these three, xkeyboard-config 2.35.1, symbols/dk


def test_the_pilots_swipes_are_of_cards_in_force_typed_under_one_layout_then_another(
    demo: Demo, holders: dict[tuple[int, int], dict[str, str]]
) -> None:
    bad, found = demo.exceptions["readings.csv"], Counter[str | None]()
    for line, row in enumerate(rows(demo, "readings.csv"), 2):
        if row["reader"] != "pilots":
            continue
        day = date.fromisoformat(row["time"][:10])
        code = None if day < date(2026, 3, 17) else "unreadable"
        assert bad.get(line) == code, (line, row)
        number = stripe(row["text"].translate(DANISH) if code else row["text"])
        assert number, (line, row)
        assert in_force(holders[number], day), (line, row)
        assert (stripe(row["text"]) is None) is bool(code), (line, row)
        found[code] += 1
    assert found == {None: 26, "unreadable": 32}


def test_the_chain_that_the_finding_names_reads_the_pilots_swipes(
    demo: Demo, demo_crosswalk: Crosswalk, tmp_path: Path
) -> None:
    (finding,) = (each for each in demo_crosswalk.findings if (each.code, each.subject) == ("re-set", "pilots"))
    (named,) = re.findall(r'chain = "(keyboard:[^"]+)"', "\n".join(finding.lines))
    mended = demo.site.read_text(encoding="utf-8").replace(
        'chain = "track:2/staff-stripe"\n',
        f"""
[[readers.pilots.periods]]
chain = "track:2/staff-stripe"
until = 2026-03-17T00:00:00+01:00

[[readers.pilots.periods]]
chain = "{named}"
from = 2026-03-17T00:00:00+01:00
""",
    )
    assert named in mended
    for name in ("credentials.csv", "readings.csv", "gatehouse-export.csv", "laundry-export.csv"):
        shutil.copy(demo.folder / name, tmp_path)
    (tmp_path / "site.toml").write_text(mended, encoding="utf-8")
    again = crosswalk(load_site(tmp_path / "site.toml"))
    lines = {line for line, row in enumerate(rows(demo, "readings.csv"), 2) if row["reader"] == "pilots"}
    for found, count in ((demo_crosswalk, 32), (again, 0)):
        assert sum(each.file == "readings.csv" and each.line in lines for each in found.exceptions) == count
    assert len(again.exceptions) == len(demo_crosswalk.exceptions) - 32


def test_some_swipes_go_the_other_way(demo: Demo) -> None:
    bad = demo.exceptions["readings.csv"]
    kiosk = [
        row["text"]
        for line, row in enumerate(rows(demo, "readings.csv"), 2)
        if row["reader"] == "kiosk" and line not in bad
    ]
    pulled = [text for text in kiosk if not text.lstrip("0").startswith("11010")]  # no start sentinel at this end
    assert 30 < len(pulled) < 70
    assert all(text.rstrip("0")[::-1].startswith("11010") for text in pulled)


def test_a_third_of_the_stripes_have_a_label_of_the_same_person(
    demo: Demo, holders: dict[tuple[int, int], dict[str, str]]
) -> None:
    labels = {row["person_id"] for row in rows(demo, "credentials.csv") if row["kind"] == "serial-card"}
    assert sum(row["person_id"] in labels for row in holders.values()) == 120


def test_the_readers_of_this_file_take_published_tracks_and_refuse_damaged_ones() -> None:
    # `;01?` with the LRC 10101 is a worked example of a reader hardware manual (TIG SCEPACS v2.3, figure 7, for the
    # characters); 79927398713 is the usual example of a number with its Luhn digit (from memory).
    row = "0000" + "11010" + "00001" + "10000" + "11111" + "10101" + "0000"
    assert swipe(row) == swipe(row[::-1]) == ";01?"
    for place in range(4, 29):
        assert swipe(f"{row[:place]}{1 - int(row[place])}{row[place + 1 :]}") is None, place
    assert [digit for digit in range(10) if luhn(f"7992739871{digit}")] == [3]


def test_a_wrong_bit_of_a_swipe_is_located_and_not_repaired(demo: Demo, demo_crosswalk: Crosswalk) -> None:
    table, located = rows(demo, "readings.csv"), 0
    for each in demo_crosswalk.exceptions:
        if each.code != "check-failed" or table[each.line - 2]["reader"] != "kiosk":
            continue
        row = table[each.line - 2]["text"]
        start = row.find("1")
        characters = [row[place : place + 5] for place in range(start, start + 75, 5)]
        wrong = [place for place, bits in enumerate(characters) if bits.count("1") % 2 == 0]
        if characters[0] == "11010" and "11111" in characters and len(row) > 100:
            (place,) = wrong  # ISO/IEC 7811-2: the number of ones in a character is odd
            assert f"bit {start + 5 * place + 4} is " in each.reason, each
            located += 1
        elif characters[0] == "11010":
            assert "the end sentinel ? fails" in each.reason, each
        assert bool(each.candidates) is (characters[0] != "11010"), each  # the inverted ones are known cards
    assert located == 8


def test_a_card_and_its_replacement_differ_where_the_issue_is_kept(demo_crosswalk: Crosswalk) -> None:
    replaced = {f"W-T-{number}": f"W-T-{number}-B" for number in range(4001, 4007)}
    actions = {(line.target, line.credential): line.action for line in demo_crosswalk.lines}
    for lost, new in replaced.items():
        assert (actions["tool-store", lost], actions["tool-store", new]) == ("none", "add")
        assert (actions["car-park", lost], actions["car-park", new]) == ("hold", "hold")

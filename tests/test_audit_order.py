"""The audit of readers that send parts: their rows are joined in the order of their times, or the file is refused."""

from __future__ import annotations

import random
import re
from datetime import timedelta
from pathlib import Path

import pytest

from credkit import DefinitionError
from credkit.audit import AuditPlan, ColumnNames, audit, entries, timeorder
from credkit.files import bytestreams
from tests.captures import START, Row, hexed, written
from tests.sentences import refusal
from tests.test_audit import adds_up, reader
from tests.test_audit_files import file, pads

OTHER = """
[readers.other]
kind = "frame"
chain = "decimal:26/wiegand-26"
stream = "keypad:hex:1/keypad-4"
"""


def entries_of_two_pads(dice: random.Random) -> list[Row]:
    """Entries of nine keys, a key each ten seconds, of two readers at a time; some fail, some have a pause."""
    rows = []
    for name in ("pad", "other"):
        at = START + timedelta(seconds=dice.randrange(10))
        for _ in range(12):
            text = str(int(hexed(123, 45678, *dice.choice([(), (25,)])), 16))
            pause = dice.randrange(-30, len(text))
            for place, key in enumerate(f"{text}B"):
                at += timedelta(seconds=31 if place == pause else 10)
                rows.append(Row(at.isoformat(), name, key))
    return sorted(rows)


@pytest.mark.parametrize("seed", range(20))
def test_keys_out_of_order_are_sorted_or_refused(tmp_path: Path, seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A shuffled file gives the counts of the sorted one, whatever the pieces; one shuffled too far is refused."""
    dice = random.Random(seed)
    window = dice.choice([3, 10, 40])
    monkeypatch.setattr(timeorder, "MOST_ROWS_REORDERED", window)
    rows = entries_of_two_pads(dice)
    reach = dice.choice([window, 2 * window, 10 * window])
    keys = [place + dice.uniform(0, reach) for place in range(len(rows))]
    shuffled = [row for _, row in sorted(zip(keys, rows, strict=True))]
    site = tmp_path / "site"
    site.mkdir()

    def late(name: str) -> list[Row]:
        """The rows of a reader that more rows with later times come before, by counting them all."""
        mine = [row for row in shuffled if row.reader == name]
        return [one for place, one in enumerate(mine) if sum(other > one for other in mine[:place]) > window]

    def counts(path: Path) -> list[tuple[str, int, int, int | None]]:
        found = adds_up(audit([path], pads(site, OTHER)))
        return [(one.name, one.rows, one.good, one.only_here) for one in found.readers]

    expected = counts(written(site, rows, "csv"))
    path = written(tmp_path, shuffled, "csv")
    refused = late("pad") + late("other")
    for piece in (1 << 24, 400, 1):
        monkeypatch.setattr(bytestreams, "PIECE_BYTES", piece)
        monkeypatch.setattr(entries, "PARTS_JOINED_AT_ONCE", dice.choice([1, 4, 4096]))
        if not refused:
            assert counts(path) == expected
            continue
        with pytest.raises(DefinitionError) as refused_file:
            audit([path], pads(site, OTHER))
        line = int(re.findall(r"csv line (\d+): the time ", str(refused_file.value))[0])
        assert shuffled[line - 2] == next(row for row in shuffled if row in refused)


def test_a_row_too_far_behind_is_refused_with_its_cure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The newest row first, as some exports have it: the first row that no window of four can place."""
    monkeypatch.setattr(timeorder, "MOST_ROWS_REORDERED", 4)
    rows = [Row((START + timedelta(seconds=n)).isoformat(), "pad", key) for n, key in enumerate("49767645B")]
    with refusal(DefinitionError):
        audit([written(tmp_path, rows[::-1], "csv")], pads(tmp_path))
    found = reader(adds_up(audit([written(tmp_path, rows[4::-1] + rows[5:], "csv")], pads(tmp_path))), "pad")
    assert found.good == len(rows)


def test_keys_without_times_are_joined_in_the_order_of_the_file(tmp_path: Path) -> None:
    path = file(tmp_path, "reader,text\n" + "".join(f"pad,{key}\n" for key in "49767645B94767645B"))
    untimed = pads(tmp_path)
    untimed = AuditPlan(columns=ColumnNames(time=""), clock=untimed.clock, site=untimed.site)
    assert reader(adds_up(audit([path], untimed)), "pad").good == 9

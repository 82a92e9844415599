"""Key match: whether the master key at hand is the one that the cards were written with.

A batch holds the check value of its master key. Read-backs that stand in the batch's folder are
compared with that before anything else; and where no MAC of any card matches, it is asked once
whether the key is another, since so many cards are seldom all wrong.

Source: common practice, no source.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from pathlib import Path

from credkit.cards.findings import CheckedCard
from credkit.cards.listing import BATCH_FILE
from credkit.cards.masters import MasterKey, check_value
from credkit.files.regularfiles import read_regular

CHECK_VALUE = "check_value"  # its name in batch.json
READ_TWICE = "read-twice"  # of a difference: this card was counted before
MIN_FAILED_MACS = 2  # cards without a matching MAC that make a suspicion
_VALUE = re.compile("[0-9A-F]{6}")


def batch_check_values(folders: Iterable[Path]) -> dict[Path, str]:
    """The check value of each batch among ``folders``; none for a folder that is no batch, or tells none."""
    found = {folder: _read_check_value(folder / BATCH_FILE) for folder in folders}
    return {folder: value for folder, value in found.items() if value}


def _read_check_value(path: Path) -> str:
    try:
        about = json.loads(read_regular(path))
    except (OSError, ValueError, RecursionError):
        return ""
    value = about.get(CHECK_VALUE) if isinstance(about, dict) else None
    return value if isinstance(value, str) and _VALUE.fullmatch(value) else ""


class KeyMatch:
    """What can be said of a master key while the read-backs at ``paths`` are checked with it."""

    def __init__(self, master: MasterKey | None, paths: Iterable[Path]) -> None:
        self.own = "" if master is None else check_value(master)
        self.batches = batch_check_values(dict.fromkeys(path.parent for path in paths)) if self.own else {}
        self.cards = 0  # of which a MAC was verified
        self.matched = False

    def add(self, found: CheckedCard) -> None:
        """Take in one card."""
        self.cards += bool(found.macs) and not any(each.kind == READ_TWICE for each in found.differences)
        self.matched = self.matched or any(found.macs)

    @property
    def opening_notes(self) -> tuple[str, ...]:
        """What is to be said before the first card: each batch that was written with another key."""
        return tuple(
            f"{folder}: this batch was written with the master key of check value {value}, the one given has "
            f"{self.own}: no key and no MAC can match."
            for folder, value in self.batches.items()
            if value != self.own
        )

    @property
    def closing_note(self) -> str:
        """What is to be said after the last card: that no MAC matched, if it is so."""
        if self.matched or self.cards < MIN_FAILED_MACS:
            return ""
        values = sorted(set(self.batches.values()))
        if values == [self.own]:
            return f"No MAC matches, though the batch was written with this master key (check value {self.own})."
        whose = f"the batch was written with check value {', '.join(values)}, this one has {self.own}"
        if not values:
            whose = f"this one has check value {self.own}, and batch.json says that of the key it was written with"
        return f"No MAC matches: is it another master key? {whose[0].upper()}{whose[1:]}."

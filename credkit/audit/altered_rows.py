"""Altered rows: by reader, how many rows have a text that a spreadsheet made, and how sure that is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from credkit.audit.facts import Facts
from credkit.audit.plan import AuditPlan
from credkit.facts.texts import SPREADSHEET_DIGITS

WORDS: Mapping[str, str] = {
    "shortened": "with an exponent (1.2E+07)",
    "lost-zeros": "without leading zeros",
    "rounded": f"rounded to {SPREADSHEET_DIGITS} digits",
}


@dataclass(slots=True, kw_only=True)
class AlteredRows:
    """The rows of a reader that a spreadsheet altered, by what it did, ``failing`` ones and ``unknown`` ones.

    Of ``doubtful`` rows only the column as a whole looks so; ``doubts`` are the sentences on these columns.
    """

    reader: str
    kinds: Counter[str] = field(default_factory=Counter)
    failing: int = 0
    unknown: int = 0
    doubtful: int = 0
    doubts: list[str] = field(default_factory=list)

    @property
    def rows(self) -> int:
        """All rows that were altered."""
        return self.failing + self.unknown


def find_altered(plan: AuditPlan, facts: Facts, names: list[str]) -> Iterator[AlteredRows]:
    """The altered rows of each reader that has any; ``names`` are those of readers."""
    for code in sorted(facts.readers):
        found = AlteredRows(reader=names[code])
        judged = {}
        for what, count in sorted(facts.altered.counts_of(code).items()):
            sure = True
            if what.kind == "rounded":
                if what.use not in judged:
                    judged[what.use] = facts.columns.judge(code, what.use)
                verdict = judged[what.use].judge(what.example)
                if verdict == "none":
                    continue
                sure = verdict == "damaged"
                if not sure:
                    found.doubtful += count
                    found.doubts += [text for text in (judged[what.use].sentence,) if text not in found.doubts]
            if sure:
                found.kinds[what.kind] += count
                found.failing += count * what.fails
                found.unknown += count * (not what.fails)
        if found.rows or found.doubtful:
            yield found

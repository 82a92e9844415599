"""Reading cards: why a credentials row has no number or does not count, and the doubts about it."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, replace

from credkit.core.sentences import redacted_repr
from credkit.core.whitespace import strip_white_space
from credkit.crosswalk.cards import Card
from credkit.crosswalk.decisions import Doubt
from credkit.crosswalk.rounding import ColumnName, ColumnVerdicts
from credkit.facts.numbers import Number
from credkit.facts.register_columns import describe_unreadable
from credkit.facts.texts import TextResults
from credkit.files.declaredfiles import CsvFile
from credkit.site.model import Site
from credkit.site.superseded import Superseded, Twin


@dataclass(frozen=True, slots=True)
class CardReader:
    """Reads cards one by one: why they have no number or do not count, and what is in doubt about them.

    ``superseded`` and ``twins`` are by line; ``confirmed`` are numbers that readers gave in texts beyond suspicion.
    """

    site: Site
    texts: TextResults
    columns: ColumnVerdicts
    confirmed: Container[Number]
    superseded: Mapping[int, Superseded]
    twins: Mapping[int, Sequence[Twin]]

    def read(self, card: Card) -> Card:
        """``card`` with all that is to be said of it by itself."""
        row, kind, file = card.row, card.kind, self.site.credentials
        result = self.texts.read(kind.value, kind, row.value)
        if result.payment.has_valid_track:
            file.refuse_track(file.mapping.line_of(row.line))
        doubts = [
            Doubt(
                "twin-rows",
                f"{file.describe_rows([twin.beside_line])} differs in {', '.join(twin.differing)}, "
                "and neither source counts first",
            )
            for twin in self.twins.get(row.line, ())
        ]
        if result.refusal and kind.refuses:
            doubts.append(Doubt("refused-value", f"its value must not serve: {result.refusal}"))
        rounding = self.columns.rounding(ColumnName(file.name, kind.name), row.value)
        if rounding and card.number in self.confirmed:
            rounding = None
        code, reason = "", ""
        if superseded := self.superseded.get(row.line):
            code, reason = "superseded", describe_superseded(superseded, file)
        elif card.number is None:
            found = result.if_whole if result.if_whole and not rounding else result
            code, reason = describe_unreadable(file, kind, row.value, found)
        elif rounding and rounding.certain:
            code, reason = "spreadsheet-damage", rounding.text
        elif rounding:
            doubts.append(Doubt("maybe-rounded", rounding.text))
        return replace(
            card, code=code, reason=reason, doubts=tuple(doubts), notes=result.notes,
            holds_account=result.payment.has_account,
            restored=Number(kind.namespace, result.restored) if result.restored else None,
        )  # fmt: skip


def number_without_white_space(card: Card, texts: TextResults) -> Number | None:
    """The number that the value of an unreadable row has without the white space around it."""
    bare = strip_white_space(card.row.value)
    if card.code != "unreadable-value" or bare == card.row.value:
        return None
    result = texts.read(card.kind.value, card.kind, bare)
    return Number(card.kind.namespace, result.number) if result.number else None


def describe_superseded(row: Superseded, file: CsvFile) -> str:
    """Why a row does not count beside another.

    >>> from pathlib import Path
    >>> describe_superseded(Superseded(3, 2, ("value",), "west"), CsvFile(path=Path(), name="credentials.csv"))
    "it differs in value from line 2, and 'west' counts first"
    """
    where = file.describe_rows([row.by_line])
    if not row.differing:
        return f"it repeats {where}"
    differing = ", ".join(row.differing)
    return f"it differs in {differing} from {where}, and {redacted_repr(row.by_source)} counts first"

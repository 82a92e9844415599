"""The footer of an export: totals and notes below the table, which fill fewer cells than its rows.

Words of totals and notes stand here in the twelve languages of `credkit.files.monthnames`.

Source: common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from credkit.core.sentences import redacted_repr
from credkit.core.whitespace import strip_white_space
from credkit.files.tablefoot import Footer, find_footer_start
from credkit.proposal.headerwords import header_words

FEW_SHARE = 0.5  # of the cells of the fullest row, which a row of totals without a word fills at most
_TOTALS = (
    "aantal antal anzahl cantidad contagem conteggio count datensaetze datensatze delsum delsumma eindtotaal "
    "endsumme entries gesamt gesamtsumme gesamtzahl grandtotal ialt insgesamt lacznie liczba lukumaara maara "
    "nombre numero ogolem quantidade razem records rows sammanlagt sammenlagt som soma somma somme subtotaal "
    "subtotal sum suma summa summe totaal total totale totales totals totalt totaux yhteensa zeilen zwischensumme "
)
_NOTES = (
    "afgedrukt bericht creado created creato criado edite einde end ende erstellt export exporte exported "
    "exportiert fim fin fine gedruckt gemaakt generated genere impreso impresso imprime koniec loppu luotu page "
    "pagina printed rapport report seite sida side sivu skrevet slut slutt stampato stand strona tulostettu "
    "udskrevet utskrevet utskriven utworzono wydrukowano "
)
TOTALS, NOTES = frozenset([*_TOTALS.split(), "\u03c3"]), frozenset(_NOTES.split())  # sigma, the sign of a sum
_WORDS = re.compile(r"[^\W\d_]+(?:[ -][^\W\d_]+)*")
_WHOLE, _NUMBER = re.compile("[0-9]{1,9}"), re.compile("[0-9]{1,18}")


class FoundFooter(NamedTuple):
    """A footer that an export seems to have: its lines, the word that it begins with, and what speaks for it."""

    lines: Footer
    word: str
    evidence: str
    has_word: bool

    def describe(self) -> str:
        """That its lines are not read, and why: for somebody who looks at it."""
        more = "" if self.has_word else "; this text may be another in the next export, which is refused then"
        verb = "is" if self.lines.first == self.lines.last else "are"
        return f"{self.lines.describe()} {verb} not read: {self.evidence}{more}"


def find_footer(
    ending: Sequence[tuple[int, Sequence[str]]], header: Sequence[str], columns: Mapping[str, Sequence[str]],
    lines: Sequence[int], last: int,
) -> FoundFooter | None:  # fmt: skip
    """The footer among the last rows of a file; None where its last row is like those above.

    ``columns`` has the cells of the rows on ``lines``, by header; ``last`` is the last line of the file, be its cells
    empty.

    >>> ending = [(4, ["P-3", "7003", "12,50"]), (5, ["Summe", "", "37,50"])]
    >>> columns = {"Nr": ["P-1", "P-2", "P-3", "Summe"]}
    >>> find_footer(ending, ["Nr", "Karte", "Saldo"], columns, [2, 3, 4, 5], 5).describe()
    "line 5 is not read: it begins with 'Summe'"
    """
    filled = {line: [text for text in map(strip_white_space, cells) if text] for line, cells in ending}
    most = max(map(len, filled.values()), default=0)
    found: FoundFooter | None = None
    for line, cells in reversed(ending):
        texts = filled[line]
        above = {name: some[: sum(each < line for each in lines)] for name, some in columns.items()}
        if len(texts) > FEW_SHARE * most and _is_numbered(cells, header, above):
            break
        number = _describe_number(cells, header, above)
        kind = _kind_of(texts)
        is_short = len(texts) < most
        match = _WORDS.match(texts[0]) if texts and kind else None
        if match and (is_short or number):
            word = match[0] if kind == "total" or len(texts) > 1 else match[0].split()[0]
            found = _found(ending, last, line, word, number, has_word=True) or found
        elif number and len(texts) <= FEW_SHARE * most:
            found = _found(ending, last, line, texts[0], number, has_word=False) or found
        elif len(texts) > FEW_SHARE * most or len(texts) == most:
            break
    return found


def _found(
    ending: Sequence[tuple[int, Sequence[str]]], last: int, line: int, word: str, number: str, *, has_word: bool
) -> FoundFooter | None:  # fmt: skip
    """The footer from a line on, if no row before it begins with its word."""
    if find_footer_start(ending, word) != line:
        return None
    begins = f"it begins with {redacted_repr(word)}" if has_word else ""
    return FoundFooter(Footer(line, last), word, " and ".join(filter(None, (begins, number))), has_word)


def _kind_of(texts: Sequence[str]) -> str:
    """Whether the first text of a row is of totals or a note; empty where it is neither."""
    match = _WORDS.match(texts[0]) if texts else None
    words = (header_words(match[0]) or [match[0].casefold()]) if match else []
    if not words:
        return ""
    joined = "".join(words)
    if words[0] in TOTALS or joined in TOTALS:
        return "total"
    return "note" if words[0] in NOTES and len(texts) == 1 else ""


def _describe_number(cells: Sequence[str], header: Sequence[str], above: Mapping[str, Sequence[str]]) -> str:
    """Which number of a row is the count of the rows above it, or the sum of its column; empty where none is."""
    rows = max(map(len, above.values()), default=0)
    for place, cell in enumerate(map(strip_white_space, cells)):
        whole = _WHOLE.search(cell)
        name = header[place] if place < len(header) else ""
        column = [text for text in map(strip_white_space, above.get(name, ())) if text]
        if _continues(cell, column):
            continue  # a row of a table whose rows are numbered
        if rows > 1 and whole and int(whole[0]) == rows:
            return f"its number {whole[0]} is the count of the rows above"
        if not column or not _NUMBER.fullmatch(cell):
            continue
        if len(column) > 1 and int(cell) == len(column):
            return f"its number {cell} is the count of {redacted_repr(name)}"
        if len(column) > 1 and all(map(_NUMBER.fullmatch, column)) and sum(map(int, column)) == int(cell):
            return f"its number {cell} is the sum of {redacted_repr(name)}"
    return ""


def _is_numbered(cells: Sequence[str], header: Sequence[str], above: Mapping[str, Sequence[str]]) -> bool:
    """Whether a row has the next number of a column that numbers the rows."""
    return any(_continues(cell, above.get(name, ())) for cell, name in zip(cells, header, strict=False))


def _continues(cell: str, column: Sequence[str]) -> bool:
    """Whether the number in a cell is the next one behind those of the two last cells of ``column``.

    >>> _continues("C-152", ["C-150", "C-151"]), _continues("152", ["7", "151"]), _continues("152", [])
    (True, False, False)
    """
    numbers = [int(match[0]) for text in (*column[-2:], cell) if (match := _WHOLE.search(text))]
    return len(numbers) == 3 and numbers[0] + 2 == numbers[1] + 1 == numbers[2]

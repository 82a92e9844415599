"""``credkit discover digits``: the check digits of printed numbers, from a list of them."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import click

from credkit.cli import options
from credkit.cli.discover.exporttexts import read_export_text
from credkit.cli.discover.framefile import DELIMITERS, LARGEST_FILE_BYTES
from credkit.cli.output import Console
from credkit.core.codec import Entry
from credkit.core.errors import DefinitionError
from credkit.core.sentences import format_count, redacted_repr
from credkit.discover import check_digits
from credkit.discover.checkdigits import CheckDigitRule
from credkit.discover.layoutsentences import MOST_LISTED
from credkit.explain.cautions import COPIES
from credkit.files.csvfiles import read_rows
from credkit.files.declaredfiles import CsvFile


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--column", default="", metavar="NAME", help="FILE is CSV, and its numbers are in this column.")
@options.with_common_options
def digits(file: Path, column: str, as_json: bool, layouts: tuple[Entry, ...], reveal: bool) -> int:
    """Find the check digits of the printed numbers in FILE.

    FILE has one number a line, or is a CSV file with a column of them. The rules that standards name
    are tried at the end of the numbers (luhn; mod 11,2, 37,2, 97,10, 11,10, 27,26 and 37,36 of
    ISO/IEC 7064), and weighted sums modulo 10, 11 and 97 are solved for their weights.

    Numbers far apart are worth most: eight of them show a named rule, two or three dozen the weights
    of a sum. Of a box of consecutive ones it takes a hundred or more. Of forty or more numbers one in
    twenty may be mistyped: their lines are named.

    \b
    The numbers on badges of Brackwater Terminal:
      credkit discover digits badges.txt
      credkit discover digits register.csv --column printed

    \b
    --json: one object a rule: rule, characters (of the check), modulus, weights
    (from the right), constant, undetermined (weights, from 0), evidence, step,
    numbers, outliers (lines).
    """  # fmt: skip
    numbers, lines = _read_numbers(file, column)
    if not numbers:
        raise DefinitionError(f"{file}: there is no number")
    door = Console(as_json=as_json, reveal=reveal)
    found = check_digits(numbers)
    for rule in found:
        if as_json:
            door.record(_record(rule, lines))
        else:
            _show(door, rule, lines)
    if not as_json:
        if not found:
            door.say(
                f"No check digit is found in {format_count(len(set(numbers)), 'different number')}. If there is one, "
                "numbers far apart show it: consecutive ones show little."
            )
        door.say()
        door.say(COPIES)
    return int(not found)


def _read_numbers(file: Path, column: str) -> tuple[list[str], list[int]]:
    """The numbers, and the lines on which they stand."""
    text, encoding = read_export_text(file, LARGEST_FILE_BYTES)
    if not column:
        rows = [(line, row.strip()) for line, row in enumerate(text.splitlines(), 1) if row.strip()]
        return [row for _, row in rows], [line for line, _ in rows]
    header, _, _ = text.partition("\n")
    for delimiter in DELIMITERS:
        columns = next(csv.reader([header.rstrip("\r")], delimiter=delimiter), [])
        if column in columns:
            place = columns.index(column)
            read = read_rows(CsvFile(path=file, name=str(file), delimiter=delimiter, encoding=encoding), columns)
            cells = [(line, row[place].strip()) for line, row in read if row[place].strip()]
            return [cell for _, cell in cells], [line for line, _ in cells]
    raise DefinitionError(f"{file}: there is no column {redacted_repr(column)}")


def _show(door: Console, rule: CheckDigitRule, lines: list[int]) -> None:
    """The rule, what it leaves open, the numbers that fail, and the step of a chain."""
    door.say(f"{rule.describe()}.")
    if rule.undetermined:
        door.say("- ? is the weight of a digit that never varies, or only together with others", indent="  ")
    if rule.outliers:
        shown = ", ".join(str(lines[place]) for place in rule.outliers[:MOST_LISTED])
        more = f" and {len(rule.outliers) - MOST_LISTED} more" if len(rule.outliers) > MOST_LISTED else ""
        noun = "line" if len(rule.outliers) == 1 else "lines"
        door.say(f"- {noun} {shown}{more}: fails; mistyped, or a number of another kind", indent="  ")
    if rule.step:
        door.say(f"- in a chain: {rule.step}", indent="  ")


def _record(rule: CheckDigitRule, lines: list[int]) -> dict[str, Any]:
    """The result for ``--json``."""
    return {
        "rule": rule.rule, "characters": rule.size, "modulus": rule.modulus, "weights": list(rule.weights),
        "constant": rule.constant, "undetermined": list(rule.undetermined), "evidence": round(rule.evidence, 1),
        "step": rule.step, "numbers": rule.count, "outliers": [lines[place] for place in rule.outliers],
    }  # fmt: skip

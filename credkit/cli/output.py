"""The one door through which every command speaks.

Whatever goes to the screen, to JSON or to standard error passes here, and numbers that look like
payment account numbers lose their middle digits on the way, unless ``--reveal`` is given for the
run. Sentences that the library made keep their masks even then.

Every screen keeps to 80 columns. Errors wrap; a value or result that is shortened ends in an ellipsis and is whole in
JSON.
Every line is flushed as it is written.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, BinaryIO

import click

from credkit.cli.masks import mask_value
from credkit.core.errors import DefinitionError
from credkit.core.progress import SILENT, Progress
from credkit.core.sentences import shorten_sentence
from credkit.explain.cautions import PAYMENT
from credkit.explain.screen import SCREEN_COLUMNS, escape_unprintable, label_text, shorten, wrap_text
from credkit.privacy.accounts import holds_account, mask_accounts

if TYPE_CHECKING:  # `credkit formats` needs none of these
    from credkit.cli.rows import OutputRow
    from credkit.cli.values import Values
    from credkit.explain.drawing import Picture

LABEL = 10  # columns of the labels before a text
INPUT = 16  # columns of the value in a row of many
LONGEST_INPUT = 34  # columns of it at most
STREAM = "<stdin>"  # what Python calls standard input
ACCOUNT_DIGITS = range(12, 20)  # of a payment account number; ISO/IEC 7812-1 allows up to 19
POSITIONS = "Positions are counted from 0."
_POSITION = re.compile("(?:bit|byte|character)s? [0-9]")
_FAILED = click.style("FAILED", fg="red", bold=True)  # the word and its weight; colour only besides
TRACK = "payment track data must not be kept after authorisation"


def complain(sentence: str, command: str = "", details: Iterable[str] = ()) -> None:
    """One sentence on standard error, and the lines of its ``details``; wrapped only where a terminal shows it."""
    _complain_line(f"credkit{' ' * bool(command)}{command}: {' '.join(sentence.split())}", rest="  ")
    for line in details:
        indent = " " * (len(line) - len(line.lstrip()))
        _complain_line(line.lstrip(), indent, f"{indent}  ")


def _complain_line(line: str, first: str = "", rest: str = "") -> None:
    text = escape_unprintable(shorten_sentence(mask_accounts(line)))
    lines = wrap_text(text, first=first, rest=rest) if sys.stderr.isatty() else [f"{first}{text}"]
    click.echo("\n".join(lines), err=True)


def _spells_account(picture: Picture) -> bool:
    """Whether bytes or characters of a drawing have digits of an account number, which single bits would not show."""
    digits = "".join(picture.units)
    parts = (digits[at : at + size] for size in ACCOUNT_DIGITS for at in range(len(digits) - size + 1))
    return holds_account("".join(picture.characters)) or any(part.isdecimal() and holds_account(part) for part in parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Console:
    """How this run speaks: in JSON or for people, account numbers masked or not."""

    as_json: bool = False
    reveal: bool = False

    def text(self, text: str) -> str:
        """``text`` for people: account numbers masked, characters that do not print escaped."""
        return escape_unprintable(text if self.reveal else mask_accounts(text))

    def say(self, text: str = "", *, indent: str = "", safe: bool = False) -> None:
        """A text for people, wrapped to the width and on at ``indent``; in a ``safe`` one nothing is masked."""
        for row in wrap_text(text if safe else self.text(text), rest=indent) or [""]:
            click.echo(row)

    def labelled(self, label: str, text: str, *, room: int = LABEL, safe: bool = False) -> None:
        """A text behind its label, in ``room`` columns, wrapped to the width; in a ``safe`` one nothing is masked."""
        if len(label) >= room:
            self.say(label)
            label = ""
        for line in label_text(label, text if safe else self.text(text), room):
            head, row = line[:room], line[room:]
            click.echo(f"{head.replace('FAILED', _FAILED) if label == 'FAILED' else head}{row}".rstrip())

    @contextmanager
    def progress(self) -> Iterator[Progress]:
        """Show on one line of standard error how far work is, where a terminal looks on."""
        if not sys.stderr.isatty():
            yield SILENT
            return
        from shutil import get_terminal_size  # only for a terminal

        from credkit.cli.progress import TerminalProgress

        columns = get_terminal_size().columns - 1  # a full line would go on in the next
        shown = TerminalProgress(lambda text: click.echo(text, nl=False, err=True), columns=columns)
        try:
            yield shown
        finally:
            shown.erase()

    def record(self, record: Mapping[str, Any], *, safe: Collection[str] | None = ()) -> None:
        """One JSON object on a line of its own; what is called as in ``safe`` is not masked, with None nothing is."""
        import json

        if (
            safe is not None and not self.reveal and holds_account(json.dumps(record, ensure_ascii=False))
        ):  # seldom: then value by value
            record = mask_value(record, safe)
        click.echo(json.dumps(record))

    def picture(self, picture: Picture, row: OutputRow | None = None) -> None:
        """A picture under its title; of a step of ``row``, if it is of a value."""
        from credkit.explain.drawing import lines
        from credkit.privacy.pictures import mask_picture

        self.say(picture.title, indent="  ")
        if not self.reveal:
            secret = row is not None and row.has_account
            secret = secret or (picture.noun != "" and _spells_account(picture))
            picture = mask_picture(picture, secret=secret, only=row.track_numbers if row else ())
        for line in lines(picture):
            failed = line.removesuffix("FAILED") if picture.marks else line
            click.echo(line if failed == line else f"{failed}{_FAILED}")

    def result(self, row: OutputRow) -> None:
        """What a row gives, on one line."""
        if row.error is None:
            self.labelled("gives", row.summary(), safe=True)

    def row(self, row: OutputRow) -> OutputRow:
        """``row`` as it may be shown: what it holds of account numbers is masked here, and nowhere else."""
        return row if self.reveal else row.as_redacted()

    def full(self, row: OutputRow, place: str = "") -> None:
        """One row on a screen of its own."""
        self.labelled("input", row.input, safe=True)
        if row.given is not None:
            self.labelled("value", row.given, safe=True)
        for name, value in (row.fields or {}).items():
            self.labelled(name, str(value), safe=True)
        for check in row.checks:
            if check["passed"]:
                self.labelled("passed", f"{check['rule']} of {check['codec']}", safe=True)
        self.problems(row)
        if row.has_account and not self.reveal:
            self.say()
            self.say(PAYMENT)

    def problems(self, row: OutputRow) -> None:
        """What is wrong with a row, what there is to know about it, and what might explain it."""
        for error in (row.error, *row.others):
            if error:
                self.labelled("FAILED", error)
        for note in row.notes:
            self.labelled("note", f"{note['kind']} ({note['level']}): {note['text']}")
        if any(_POSITION.search(error) for error in (row.error, *row.others) if error):
            self.say(POSITIONS)
        if row.hints:
            self.say()
            self.say("What would explain it (proposals; nothing was changed):")
        for hint in row.hints:
            self.say(f"- {hint['text']}", indent="  ")
            if hint["chain"]:
                self.say(f"  {hint['chain']}", indent="  ")
        if row.advice:
            self.say(row.advice)

    def line(self, row: OutputRow, place: str = "") -> None:
        """One row of many: the value, its fields, what is wrong or worth knowing."""
        left = f"{shorten(escape_unprintable(row.input), LONGEST_INPUT):<{INPUT}}  "
        if row.error:
            text, indent = self.text(row.short or row.error), f"{'':{INPUT + 2}}"
            if not sys.stdout.isatty():  # a program reads a line a value
                click.echo(f"{left}{_FAILED} {shorten(text, SCREEN_COLUMNS - len(left) - len('FAILED '))}")
                for hint in row.hints:
                    click.echo(shorten(f"{'':{INPUT}}  perhaps {self.text(hint['text'])}", SCREEN_COLUMNS))
                return
            if len(left) > len(indent):  # a long value has a line of its own
                click.echo(left.rstrip())
                left = indent
            first, *others = wrap_text(f"FAILED {text}", first=left, rest=f"{indent}       ")
            click.echo(f"{left}{_FAILED}{first[len(left) + len('FAILED') :]}")
            for line in others:
                click.echo(line)
            for hint in row.hints:
                for line in wrap_text(f"perhaps {self.text(hint['text'])}", first=indent, rest=f"{indent}  "):
                    click.echo(line)
            return
        kinds = dict.fromkeys(note["kind"] for note in row.notes)
        note = f"  note: {', '.join(kinds)}" if kinds else ""
        click.echo(shorten(f"{left}{escape_unprintable(f'{row.summary()}{note}')}", SCREEN_COLUMNS).rstrip())

    def output(self, row: OutputRow, place: str) -> None:
        """What a row is written as; a row that failed is an empty line. Errors and notes are said aside."""
        output = row.output or ""
        click.echo(escape_unprintable(output) if sys.stdout.isatty() else output)
        for note in row.too_long if row.output is not None else ():
            complain(f"{place}: {note['text']}")
        if row.error:
            complain(f"{place}: {row.error}")
            for hint in row.hints:
                complain(f"{place}: perhaps {hint['text']}")

    def rows(
        self,
        rows: Iterable[OutputRow],
        values: Values,
        show: Callable[[OutputRow, str], None],
        file: BinaryIO | None = None,
    ) -> int:
        """Every row, as it comes, in JSON or as ``show`` shows it; the exit code.

        ``file`` is what --file names: where it is a file that is kept, a payment track in it ends the run.
        """
        stored = getattr(file, "name", STREAM)
        total = failed = 0
        for total, row in enumerate(rows, 1):
            if row.has_valid_track and not self.reveal:
                if stored != STREAM:
                    raise DefinitionError(
                        f"{stored} {values.unit} {total}: {TRACK}, so a file that holds it is refused: delete it, or "
                        "read it for this run with --reveal"
                    )
                row = (
                    row.as_refused(f"{TRACK}, so the line is not read (--reveal reads it)") if values.streamed else row
                )
            row = self.row(row)
            failed += row.error is not None
            if self.as_json:
                self.record(row.to_json(), safe=None)
            else:
                show(row, f"{values.unit} {total}")
        if values.streamed and not self.as_json and (failed or not total):
            complain(f"{failed} of {total} {values.unit}s failed" if total else "there was no line to read")
        return int(failed > 0)

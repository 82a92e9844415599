"""``credkit encode``: fields through a chain, to text."""

from __future__ import annotations

import re
from typing import BinaryIO

import click

from credkit.cli import options
from credkit.cli.output import Console, complain
from credkit.cli.rows import LOSSY_TEXT, encode_row
from credkit.cli.typedfields import QUOTES
from credkit.cli.values import input_values as read_values
from credkit.core.codec import Entry
from credkit.core.sentences import redacted_repr


@click.command()
@click.argument("chain", shell_complete=options.complete_chain)
@click.argument("fields", nargs=-1, metavar="[FIELD=VALUE]...")
@options.with_file_option
@options.with_common_options
def encode(
    chain: str, fields: tuple[str, ...], file: BinaryIO | None, as_json: bool, layouts: tuple[Entry, ...], reveal: bool
) -> int:
    """Write fields through CHAIN and print the text; check bits are computed.

    The arguments are the fields of one value. Without them every line of --file, or of standard
    input, is a value: FIELD=VALUE with blanks between, or a JSON object. For a chain that gives
    bits or text instead of fields, every argument or line is one value: binary digits, or the text.

    The output is data: one line a value, and an empty line where a value failed, with its error on
    standard error. A track that is longer than its standard allows is written, and noted there. A
    value that looks like a payment account number is refused unless --reveal is given.

    \b
    A card of Brackwater Terminal, as the east gate would type it:
      credkit encode hex:8/right-justified:26/wiegand-26 \\
          facility=123 number=45678
      credkit encode decimal:24/fields:facility:8,number:16 --file new.txt
      credkit encode binary/track-2-bits:5,25/track-2:number,issue \\
          number=00045678 issue=2

    --json: the keys of `credkit decode --json`, and output (null unless ok).
    """
    codec = options.build_writer(chain, layouts)
    door = Console(as_json=as_json, reveal=reveal)
    given = read_values((_join_arguments(fields),) if fields and codec.gives == "fields" else fields, file)
    if codec.lossy:
        complain(LOSSY_TEXT, "encode")
    return door.rows((encode_row(codec, line) for line in given.rows), given, door.output)


def _join_arguments(fields: tuple[str, ...]) -> str:
    """Arguments as a line would have them: blanks in a value are held together; one argument may be a whole line."""
    if len(fields) == 1 and fields[0].count("=") != 1:
        return fields[0]
    return " ".join(map(_quote, fields))


def _quote(field: str) -> str:
    name, equals, value = field.partition("=")
    if not equals or not (re.search(r"\s", value) or value.startswith(tuple(QUOTES))):
        return field
    mark = next((mark for mark in QUOTES if mark not in value), None)
    if mark is None:
        raise click.UsageError(
            f"{redacted_repr(field)} has both quotation marks and blanks: write the fields as a JSON object"
        )
    return f"{name}{equals}{mark}{value}{mark}"

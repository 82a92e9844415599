"""``credkit convert``: values from one chain's form to another's."""

from __future__ import annotations

from typing import BinaryIO

import click

from credkit.cli import options
from credkit.cli.output import Console, complain
from credkit.cli.rows import LOSSY_TEXT, convert_row
from credkit.cli.values import input_values as read_values
from credkit.cli.values import stream_frames
from credkit.core.codec import Entry


@click.command()
@click.option(
    "--from", "source", required=True, metavar="CHAIN", shell_complete=options.complete_chain,
    help="How the values are read.",
)  # fmt: skip
@click.option(
    "--to", "target", required=True, metavar="CHAIN", shell_complete=options.complete_chain,
    help="How they are written.",
)  # fmt: skip
@click.argument("values", nargs=-1, metavar="[VALUE]...")
@options.with_file_option
@options.with_stream_option
@options.with_hint_options
@options.with_common_options
def convert(
    source: str, target: str, values: tuple[str, ...], file: BinaryIO | None, stream: str | None, hints: bool | None,
    as_json: bool, layouts: tuple[Entry, ...], reveal: bool,
) -> int:  # fmt: skip
    """Read values as one chain reads them, and print them as another writes them.

    Values are arguments, or the lines of --file, or those of standard input, read as they come.
    Chains that do not meet (a field that --to needs and --from lacks) are refused before the first
    value.

    The output is data: one line a value, and an empty line where a value failed, with its error on
    standard error. A track that is longer than its standard allows is written, and noted there. A
    value that looks like a payment account number is refused unless --reveal is given. A payment
    track in --file ends the run with exit code 2; a line of standard input that holds one is not
    read. Where two values can become one, a warning says so.

    \b
    What the east gate of Brackwater Terminal types, as the gatehouse wants it:
      credkit convert --from hex:8/right-justified:26/wiegand-26 \\
          --to decimal:24/fields:facility:8,number:16 02F764DD
      credkit convert --from decimal:26/wiegand-26 \\
          --to 'template:{facility:03d}-{number:05d}' --file old.txt

    --json: the keys of `credkit decode --json`, and output (null unless ok).
    """
    conversion = options.build_conversion(source, target, layouts)
    door = Console(as_json=as_json, reveal=reveal)
    given = read_values(values, file)
    if stream:
        from credkit.streams import stream as build_stream  # only for a run that has one

        given = stream_frames(given, build_stream(stream, layouts))
    wanted = not given.streamed if hints is None else hints
    if conversion.lossy:
        complain(LOSSY_TEXT, "convert")
    rows = (convert_row(conversion, line, hints=wanted, explained=as_json) for line in given.rows)
    return door.rows(rows, given, door.output, file)

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
    "--from", "source", metavar="CHAIN", shell_complete=options.complete_chain,
    help="The chain that decodes the values; with --to, all arguments are values.",
)  # fmt: skip
@click.option(
    "--to", "target", metavar="CHAIN", shell_complete=options.complete_chain,
    help="The chain that encodes them.",
)  # fmt: skip
@click.argument("arguments", nargs=-1, metavar="FROM TO [VALUE]...", shell_complete=options.complete_chain)
@options.with_file_option
@options.with_stream_option
@options.with_hint_options
@options.with_common_options
def convert(
    source: str | None, target: str | None, arguments: tuple[str, ...], file: BinaryIO | None, stream: str | None,
    hints: bool | None, as_json: bool, layouts: tuple[Entry, ...], reveal: bool,
) -> int:  # fmt: skip
    """Decode values by the chain FROM, and encode them by the chain TO.

    Values are arguments, or the lines of --file, or those of standard input, read as they come.
    Chains that do not meet (a field that TO needs and FROM lacks) are refused before the first
    value.

    The output is data: one line a value, and an empty line where a value failed, with its error on
    standard error. A track that is longer than its standard allows is written, and noted there. A
    value that looks like a payment account number is refused unless --reveal is given. A payment
    track in --file ends the run with exit code 2; a line of standard input that holds one is not
    read. Where two values can become one, a warning says so.

    \b
    What the east gate of Brackwater Terminal types, as the gatehouse wants it:
      credkit convert hex:8/right-justified:26/wiegand-26 \\
          decimal:24/fields:facility:8,number:16 02F764DD
      credkit convert decimal:26/wiegand-26 \\
          'template:{facility:03d}-{number:05d}' --file old.txt

    --json: the keys of `credkit decode --json`, and output (null unless ok).
    """
    source, target, values = _split_arguments(source, target, arguments)
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


def _split_arguments(
    source: str | None, target: str | None, arguments: tuple[str, ...]
) -> tuple[str, str, tuple[str, ...]]:
    """The two chains and the values: chains are options, both, or else the first two arguments."""
    if source and target:
        return source, target, arguments
    if source or target:
        missing, given = ("--to", "--from") if source else ("--from", "--to")
        raise click.UsageError(f"Missing option '{missing}': {given} stands beside it, or neither: FROM TO VALUE")
    if len(arguments) < 2:
        raise click.UsageError("Two chains are needed, then the values: FROM TO [VALUE]...")
    return arguments[0], arguments[1], arguments[2:]

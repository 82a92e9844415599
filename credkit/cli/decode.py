"""``credkit decode``: values through a chain, text to fields."""

from __future__ import annotations

from typing import BinaryIO

import click

from credkit.cli import options
from credkit.cli.output import Console, complain
from credkit.cli.rows import LOSSY_TEXT, decode_row
from credkit.cli.values import input_values as read_values
from credkit.cli.values import stream_frames
from credkit.core.codec import Entry
from credkit.explain.cautions import PAYMENT


@click.command(epilog=PAYMENT)
@click.argument("chain", shell_complete=options.complete_chain)
@click.argument("values", nargs=-1, metavar="[VALUE]...")
@options.with_file_option
@options.with_stream_option
@options.with_hint_options
@options.with_common_options
def decode(
    chain: str, values: tuple[str, ...], file: BinaryIO | None, stream: str | None, hints: bool | None,
    as_json: bool, layouts: tuple[Entry, ...], reveal: bool,
) -> int:  # fmt: skip
    """Read values through CHAIN and print the fields.

    Values are arguments, or the lines of --file, or those of standard input, read as they come:
    every line is a value, an empty one too. One argument gets a screen of its own; otherwise a
    value is one line, shortened to 80 columns (whole in --json); on a terminal its errors wrap.
    Positions are counted from 0. A chain that gives text or bits instead of fields prints those.

    What was made of a payment account number is hidden unless --reveal is given. A payment track
    in --file ends the run with exit code 2; a line of standard input that holds one is not read.

    \b
    The gates of Brackwater Terminal type eight hexadecimal digits, or decimals:
      credkit decode hex:8/right-justified:26/wiegand-26 02F764DD
      credkit decode hex:8/right-justified:26/wiegand-26 --file gate.txt
      tail -f gate.log | credkit decode decimal:26/wiegand-26 --json
      credkit decode --stream swipes:binary binary/track-2-bits --file log.txt

    \b
    --json: input, ok, fields (null unless ok), checks (codec, rule, at,
    covers, expected, found, passed), notes (kind, level, text, at), hints
    (cause, text, chain, value, evidence), error; also value, for a chain
    that gives text or bits. A value that begins with - goes behind --.
    """
    codec = options.build_reader(chain, layouts)
    door = Console(as_json=as_json, reveal=reveal)
    given = read_values(values, file)
    if stream:
        from credkit.streams import stream as build_stream  # only for a run that has one

        given = stream_frames(given, build_stream(stream, layouts))
    wanted = not given.streamed if hints is None else hints
    if codec.lossy:
        complain(LOSSY_TEXT, "decode")
    rows = (decode_row(codec, line, hints=wanted) for line in given.rows)
    return door.rows(rows, given, door.full if len(values) == 1 and not stream else door.line, file)

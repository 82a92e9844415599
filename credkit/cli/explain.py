"""``credkit explain``: one value through a chain, drawn step by step."""

from __future__ import annotations

import click

from credkit.cli import options
from credkit.cli.output import Console
from credkit.cli.rows import decode_row
from credkit.cli.values import InputLine
from credkit.core.codec import Entry
from credkit.explain.cautions import COPIES
from credkit.explain.drawing import KEY, pictures
from credkit.explain.groupedbits import group_bits


@click.command()
@click.argument("chain", shell_complete=options.complete_chain)
@click.argument("value")
@options.with_common_options
def explain(chain: str, value: str, as_json: bool, layouts: tuple[Entry, ...], reveal: bool) -> int:
    """Draw how CHAIN reads VALUE: every step, every check and what it covers.

    A caret (^) stands under what fails, in the frame and in the value itself. Simple causes that
    would explain a failure are listed as proposals; none is applied.

    \b
    A card of Brackwater Terminal, read well and with one bit garbled:
      credkit explain hex:8/right-justified:26/wiegand-26 02F764DD
      credkit explain hex:8/right-justified:26/wiegand-26 02F764DC

    --json: the keys of `credkit decode --json`, without drawings.
    """
    codec = options.build_reader(chain, layouts)
    door = Console(as_json=as_json, reveal=reveal)
    row = door.row(decode_row(codec, InputLine(value), hints=True))
    if as_json:
        door.record(row.to_json(), safe=None)
        return int(row.error is not None)
    drawn = [group_bits(picture) for picture in pictures(codec, value, codec.inspect(value))]
    for picture in drawn:
        door.picture(picture, row)
        door.say()
    if any(picture.marks for picture in drawn):
        door.say(KEY)
        door.say()
    door.result(row)
    door.problems(row)
    door.say()
    door.say(COPIES)
    return int(row.error is not None)

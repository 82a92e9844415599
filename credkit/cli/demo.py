"""``credkit demo``: a made-up site, and its crosswalk."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from credkit.cli import options
from credkit.cli.crosswalk import report, run
from credkit.cli.output import Door
from credkit.demo import write_demo

RESULT = "result"


@click.command()
@click.argument("directory", default="brackwater", type=click.Path(file_okay=False, path_type=Path), metavar="[DIR]")
@options.spoken
def demo(directory: Path, as_json: bool, reveal: bool) -> int:
    """Write the files of Brackwater Terminal to DIR (./brackwater), and run its crosswalk.

    Brackwater Terminal is a made-up port operator that merges two sites: registers, a month of
    readings, and planted faults. Nobody in it exists, and no card either. Nothing that is there
    already is overwritten.

    \b
      credkit demo
      credkit demo /tmp/brackwater --json
    """
    door = Door(as_json=as_json, reveal=reveal)
    with door.busy("making up Brackwater Terminal"):
        made = write_demo(directory)
    out = directory / RESULT
    code = report(door, run(door, made.site, out), out)
    if not as_json:
        door.say()
        door.say("To try next:")
        for command in (
            f"less {shlex.quote(str(out / 'exceptions.csv'))}",
            "credkit explain hex:8/right-justified:26/wiegand-26 02F764DC",
            f"credkit crosswalk {shlex.quote(str(made.site))} --out {shlex.quote(str(out))}",
        ):
            door.say(f"  {command}", indent="      ")
    return code

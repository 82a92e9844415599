"""``credkit discover layout``: the checks and fields of bit frames, from samples."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from credkit.cli import options
from credkit.cli.discover.framefile import read_frame_file
from credkit.cli.output import Console
from credkit.core.codec import Entry
from credkit.core.errors import DefinitionError
from credkit.discover import layouts as search
from credkit.discover.foundlayout import FoundLayout
from credkit.discover.layoutsentences import MOST_LISTED, sections, verdict
from credkit.discover.layouttoml import layout_toml
from credkit.explain.cautions import COPIES
from credkit.explain.drawing import KEY


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--chain",
    metavar="CHAIN",
    shell_complete=options.complete_chain,
    help="From each text to the bits of a frame. Default: binary digits.",
)
@click.option("--name", default="", metavar="NAME", help="What the layout is called. Default: found-LENGTH.")
@click.option("--toml", "as_toml", is_flag=True, help="Write only the layout, as TOML for a site file or --layouts.")
@click.option("--seed", default=0, show_default=True, help="Of the random subsets that find damaged frames.")
@click.option(
    "--seconds",
    type=click.FloatRange(0),
    metavar="S",
    help="Stop searching after S seconds, with what is found by then.",
)
@options.with_common_options
def layout(
    file: Path,
    chain: str | None,
    name: str,
    as_toml: bool,
    seed: int,
    seconds: float | None,
    as_json: bool,
    layouts: tuple[Entry, ...],
    reveal: bool,
) -> int:
    """Find the parity checks and the fields of the frames in FILE.

    FILE has one frame a line, as binary digits or as any text that --chain takes to bits. Or it is a
    CSV file with the column frame; its other columns are numbers that are known of each card: its
    print, what the old back end shows. They place the fields.

    What is claimed is tested by the sample: not by how many frames there are, but by how many
    patterns of the bits in question. Consecutive cards test little. Up to one frame in twenty may be
    damaged.

    \b
    Brackwater Terminal's old pier, without and with the numbers on the cards:
      credkit discover layout pier.txt
      credkit discover layout pier.csv

    \b
    --json: one object a length of frame: name, length, frames, different,
    rank, chain, toml, fields, claims, untested, outliers (lines), unplaced,
    equivalents, next_card.
    """  # fmt: skip
    if as_json and as_toml:
        raise click.UsageError("--json and --toml exclude each other")
    codec = options.build_reader(chain, layouts) if chain else None
    if codec is not None and codec.gives != "bits":
        raise DefinitionError(f"chain {codec.name} gives {codec.gives}, but a frame is bits")
    door = Console(as_json=as_json, reveal=reveal)
    read = read_frame_file(file, codec)
    if not read.frames:
        raise DefinitionError(f"{file}: there is no frame")
    with door.progress() as progress:
        found = search(read.frames, known=read.known, name=name, seed=seed, seconds=seconds, progress=progress)
    for number, each in enumerate(found):
        if as_json:
            door.record(_record(each, read.lines))
        elif as_toml:
            click.echo(f"{chr(10) if number else ''}{layout_toml(each)}", nl=False)
        else:
            if number:
                door.say()
            _show(door, each, read.lines, file, chain)
    if not as_json and not as_toml:
        door.say()
        door.say(COPIES)
    return int(not any(each.is_found for each in found))


def _show(door: Console, found: FoundLayout, lines: tuple[int, ...], file: Path, chain: str | None) -> None:
    """The verdict, the drawing, the claims and what to do next."""
    door.say(verdict(found))
    if found.is_found:
        door.say()
        door.picture(found.picture)
        if found.checks or found.blocks:
            door.say(KEY)
    for section in sections(found):
        door.say()
        door.say(f"{section.heading}:")
        for sentence in section.sentences:
            door.say(f"- {sentence}", indent="  ")
    if found.outliers:
        door.say()
        door.say("Outliers, left out of all of the above:")
        shown = ", ".join(str(lines[i]) for i in found.outliers[:MOST_LISTED])
        more = f" and {len(found.outliers) - MOST_LISTED} more" if len(found.outliers) > MOST_LISTED else ""
        noun = "line" if len(found.outliers) == 1 else "lines"
        door.say(f"- {noun} {shown}{more}: damaged, or of another format; read these cards again", indent="  ")
    wrong = [
        f"{field.name} in {'line' if len(field.number.wrong) == 1 else 'lines'} "
        + ", ".join(str(lines[i]) for i in field.number.wrong[:MOST_LISTED])
        for field in found.fields
        if field.number is not None and field.number.wrong and len(lines) == found.frames
    ]
    if wrong:
        door.say(f"- {'; '.join(wrong)}: not the number in the frame; mistyped, or a damaged frame", indent="  ")
    door.say()
    door.say("Next:")
    if found.next_card is not None:
        door.say(f"- present {found.next_card.text}", indent="  ")
    if found.is_found:
        given = f" --chain {chain}" if chain else ""
        read = found.chain.replace("binary", chain, 1) if chain else found.chain
        door.say(
            f"- credkit discover layout {file}{given} --name {found.name} --toml > {found.name}.toml", indent="    "
        )
        door.say(f"- credkit explain --layouts {found.name}.toml {read} TEXT", indent="    ")


def _record(found: FoundLayout, lines: tuple[int, ...]) -> dict[str, Any]:
    """The result for ``--json``."""
    card = found.next_card
    return {
        "name": found.name, "length": found.length, "frames": found.frames, "different": found.different,
        "rank": found.rank, "chain": found.chain, "toml": layout_toml(found),
        "fields": [
            {"name": field.name, "kind": field.kind, "bits": list(field.places), "coding": field.coding,
             "offset": field.number.offset if field.number else 0, "value": field.value, "confidence": field.confidence}
            for field in found.fields
        ],
        "claims": [{**asdict(claim), "untested": list(claim.untested)} for claim in found.evidence],
        "untested": found.untested, "outliers": [lines[i] for i in found.outliers], "unplaced": list(found.unplaced),
        "equivalents": list(found.equivalents),
        "next_card": card and {"text": card.text, "bits": card.bits, "numbers": dict(card.numbers)},
    }  # fmt: skip

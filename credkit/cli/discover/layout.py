"""``credkit discover layout``: the checks and fields of bit frames, from samples."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from re import fullmatch
from typing import Any

import click
from bitstring import Bits

from credkit.cli import options
from credkit.cli.discover.framefile import FrameFile, read_frame_file
from credkit.cli.output import Console
from credkit.core.codec import Entry
from credkit.core.errors import DefinitionError
from credkit.core.reading import describe_places
from credkit.core.sentences import format_count
from credkit.discover import layouts as search
from credkit.discover.foundlayout import FoundLayout
from credkit.discover.framepadding import count_leading_zeros, find_unpadded
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

    FILE has one frame a line, as binary digits, as hex digits of one length, or as any text that
    --chain takes to bits. A number that is known of the card may stand after it: its print, what the
    old back end shows. It places the fields. For several such numbers, FILE is a CSV file with the
    column frame; its other columns are the numbers.

    What is claimed is tested by the sample: not by how many frames there are, but by how many
    patterns of the bits in question. Consecutive cards test little. Up to one frame in twenty may be
    damaged.

    \b
    Brackwater Terminal's old pier, without and with the numbers on the cards:
      credkit discover layout pier.txt
      credkit discover layout pier.csv

    \b
    --json: one object a length of frame: name, length, frames, different,
    rank, texts (the chain from text to frame), chain, toml, fields, claims,
    untested, outliers (lines), unplaced, equivalents, next_card. Where a
    shorter frame after zeros fits better, it is an object of its own.
    """  # fmt: skip
    if as_json and as_toml:
        raise click.UsageError("--json and --toml exclude each other")
    given = options.build_reader(chain, layouts) if chain else None
    if given is not None and given.gives != "bits":
        raise DefinitionError(f"chain {given.name} gives {given.gives}, but a frame is bits")
    door = Console(as_json=as_json, reveal=reveal)
    read = read_frame_file(file, given)
    if not read.frames:
        raise DefinitionError(f"{file}: there is no frame")
    codec = read.codec
    with door.progress() as progress:

        def find(frames: Sequence[str | Bits], title: str = name) -> tuple[FoundLayout, ...]:
            return search(frames, known=read.known, name=title, seed=seed, seconds=seconds, progress=progress)

        found = [(each, codec.name if codec else "") for each in find(read.frames)]
        if codec is not None and _is_hex(codec.name) and not (as_toml and given):
            frames = [frame for frame in read.frames if isinstance(frame, Bits)]
            shorter = find_unpadded(found[0][0], frames, lambda some: find(some, name and f"{name}-unpadded")[0])
            if shorter is not None:
                found.insert(0, (shorter, f"{codec.name}/right-justified:{shorter.length}"))
                del found[1 if as_toml else 2 :]
    for number, (each, texts) in enumerate(found):
        if as_json:
            door.record(_record(each, read.lines, texts))
        elif as_toml:
            click.echo(f"{chr(10) if number else ''}{layout_toml(each)}", nl=False)
        else:
            if number:
                door.say()
            _show(door, each, read, file, texts)
    if not as_json and not as_toml:
        door.say()
        door.say(COPIES)
    return int(not any(each.is_found for each, _ in found))


def _is_hex(chain: str) -> bool:
    """Whether a chain only reads hex digits: zeros at the start of its bits may fill the digits up."""
    return fullmatch("hex:[0-9]+", chain) is not None


def _show(door: Console, found: FoundLayout, read: FrameFile, file: Path, chain: str) -> None:
    """The verdict, the drawing, the claims and what to do next; ``chain`` is from a text to the frame, if any."""
    lines = read.lines
    door.say(verdict(found))
    if read.codec is not None and _is_hex(read.codec.name):
        _show_padding(door, found, [frame for frame in read.frames if isinstance(frame, Bits)], read.codec.name)
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
        whole = found.chain.replace("binary", chain, 1) if chain else found.chain
        door.say(
            f"- credkit discover layout {file}{given} --name {found.name} --toml > {found.name}.toml", indent="    "
        )
        door.say(f"- credkit explain --layouts {found.name}.toml {whole} TEXT", indent="    ")


def _show_padding(door: Console, found: FoundLayout, frames: Sequence[Bits], texts: str) -> None:
    """What zeros at the start of frames of hex digits may be."""
    zeros = count_leading_zeros(frames)
    padding = len(frames[0]) - found.length
    if not zeros:
        return
    what = f"{describe_places('bits', (*range(padding or zeros),)).capitalize()} of the hex digits"
    is_one = (padding or zeros) == 1
    left = len(frames[0]) - zeros
    door.say(
        f"{what} {'is' if is_one else 'are'} always 0: read here as padding, because the frame fits better without "
        f"{'it' if is_one else 'them'}."
        if padding
        else f"{what} {'is' if is_one else 'are'} always 0: may be padding, then the frame has "
        f"{format_count(left, 'bit')}{'' if is_one else ' or more'} (--chain {texts}/right-justified:{left})."
    )


def _record(found: FoundLayout, lines: tuple[int, ...], texts: str) -> dict[str, Any]:
    """The result for ``--json``."""
    card = found.next_card
    return {
        "name": found.name, "length": found.length, "frames": found.frames, "different": found.different,
        "rank": found.rank, "texts": texts or "binary", "chain": found.chain, "toml": layout_toml(found),
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

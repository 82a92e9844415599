"""``credkit discover site``: the site file of several readers, from what they captured."""

from __future__ import annotations

from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path
from shlex import join
from typing import Any

import click

from credkit.cli import options
from credkit.cli.discover.sitefolder import SiteFolder, describe_exports, read_site_folder
from credkit.cli.output import Console
from credkit.core.errors import DefinitionError
from credkit.core.sentences import format_count
from credkit.discover import site as search
from credkit.discover.layoutsentences import sections, verdict
from credkit.discover.layouttoml import layout_toml
from credkit.discover.siteresults import FoundReader, SiteDiscovery
from credkit.discover.sitetoml import describe_evidence, layout_file, site_toml
from credkit.explain.cautions import COPIES
from credkit.explain.drawing import KEY
from credkit.files.outputs.adding import add_files
from credkit.privacy.accounts import mask_accounts


@click.command()
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path), metavar="FOLDER")
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="FILE", help="Write the site file there. Nothing is overwritten."
)
@click.option(
    "--seconds",
    type=click.FloatRange(0),
    metavar="S",
    help="Stop searching after S seconds, with what is found by then.",
)
@options.with_output_options
def site(folder: Path, out: Path | None, seconds: float | None, as_json: bool, reveal: bool) -> int:
    """Propose the kinds, readers and chains of a site file.

    FOLDER holds what the readers captured: readings.csv with the columns time, reader and text, or
    one file a reader. Exports with headers of their own are for `credkit init site --from FILE`, which
    proposes the same. With a register (credentials.csv with kind and value), a chain is proposed
    where it gives registered numbers beyond chance, and nothing else does as well. Without one,
    only checks decide. For a reader that fits no known layout, a layout of its own is derived from
    its frames and written beside the site file. What is undecided is named, with what to measure
    next.

    \b
    From the files of Brackwater Terminal to its site file:
      credkit discover site brackwater
      credkit discover site brackwater --out brackwater/proposed.toml

    \b
    --json: one object: kinds (name, values, key, read, total, has_issue,
    is_decided), readers (name, kind, chains, stream, texts, known, evidence,
    alike, rivals, reason, next_card, change, layout), layouts (name, toml),
    has_register, is_complete, skipped (files), toml.
    """  # fmt: skip
    door = Console(as_json=as_json, reveal=reveal)
    if out is not None:
        _refuse_existing(out)
    read = read_site_folder(folder)
    with door.progress() as progress:
        found = search(read.readings, read.register, seconds=seconds, progress=progress)
    toml = site_toml(
        found, name=folder.resolve().name, as_of=read.as_of or datetime.now(UTC).date(),
        has_local_times=read.has_local_times, times={} if read.has_local_times else read.times,
        credentials=read.registers[0] if read.registers else "credentials.csv",
        readings=read.files[0] if len(read.files) == 1 else "readings.csv",
    )  # fmt: skip
    if as_json:
        door.record(_record(found, read, toml))
    else:
        _show(door, found, read, folder)
    if out is not None:
        files = {layout_file(own): layout_toml(own).encode() for own in found.layouts}
        for name in files:
            _refuse_existing(out.parent / name, "the layout that was derived is written there")
        if out.name in files:
            raise DefinitionError(f"{out}: the layout that was derived is written there: name another file")
        try:
            add_files(out.resolve().parent, {out.name: toml.encode(), **files})
        except OSError as error:
            raise DefinitionError(f"{out}: the file cannot be written ({error.strerror})") from None
        if not as_json:
            names = [str(out), *(str(out.parent / name) for name in files)]
            door.say(f"Written: {' and '.join(names)}. Next:")
            if len(found.decided) < len(found.readers):
                door.say("- describe the undecided readers in it: the crosswalk needs a chain of each", indent="  ")
            door.say("- " + join(["credkit", "crosswalk", str(out), "--out", "result"]), indent="  ")
    elif not as_json and found.decided:
        door.say("The site file:")
        door.say()
        click.echo(toml if reveal else mask_accounts(toml), nl=False)
    if not as_json:
        door.say()
        door.say(COPIES)
    return int(not found.decided)


def _refuse_existing(path: Path, what: str = "") -> None:
    """Refuse to write where there is a file."""
    if path.exists():
        why = f": {what}" if what else ": name another one"
        raise DefinitionError(f"{path}: there is a file already, and nothing is overwritten{why}")


def _record(found: SiteDiscovery, read: SiteFolder, toml: str) -> dict[str, Any]:
    """The result for ``--json``: of each reader the name of its own layout, and each such layout once."""
    readers = [
        {**asdict(replace(reader, layout=None)), "layout": reader.layout and reader.layout.name}
        for reader in found.readers
    ]
    layouts = [{"name": own.name, "toml": layout_toml(own)} for own in found.layouts]
    return {
        "kinds": [asdict(kind) for kind in found.kinds], "readers": readers, "layouts": layouts,
        "has_register": found.has_register, "is_complete": found.is_complete, "skipped": read.skipped, "toml": toml,
    }  # fmt: skip


def _show_layout(door: Console, reader: FoundReader) -> None:
    """The layout of a reader's own: drawn, with what each part of it rests on."""
    if reader.layout is None:
        return
    door.say(f"  Its own layout: {verdict(reader.layout)}", indent="  ")
    door.say()
    door.picture(reader.layout.picture)
    door.say(KEY)
    door.say()
    for section in sections(reader.layout):
        door.say(f"{section.heading}:", indent="    ")
        for sentence in section.sentences:
            door.say(f"- {sentence}", indent="      ")


def _show(door: Console, found: SiteDiscovery, read: SiteFolder, folder: Path) -> None:
    """The verdict, then what each reader rests on, then what is undecided."""
    count, whole = len(found.decided), format_count(len(found.readers), "reader")
    where = "with a register" if found.has_register else "without a register"
    if count:
        door.say(f"Chains are proposed for {count} of {whole}, {where}.")
    else:
        door.say(f"Nothing found for {whole}, {where}: no chain fits better than chance.")
    if not found.is_complete:
        door.say("The search ended before it had tried everything (--seconds).")
    for reader in found.decided:
        door.say()
        door.say(f"{reader.name}, {reader.kind}: {' or '.join(reader.chains)}", indent="  ")
        door.say(f"  {describe_evidence(reader, has_register=found.has_register)}", indent="  ")
        if reader.reason:
            rivals = f": {'; '.join(reader.rivals[:3])}" if reader.rivals else ""
            door.say(f"  Doubt: {reader.reason}{rivals}", indent="  ")
            door.say(f"  Next: {reader.next_card}", indent="  ")
        _show_layout(door, reader)
    left = [reader for reader in found.readers if not reader.is_decided]
    if left:
        door.say()
        door.say("Undecided:")
    for reader in left:
        rivals = f": {'; '.join(reader.rivals[:3])}" if reader.rivals else ""
        door.say(f"- {reader.name}: {reader.reason}{rivals}", indent="  ")
        door.say(f"  Next: {reader.next_card}" if reader.next_card else "  Next: give it more time", indent="  ")
        _show_layout(door, reader)
    unread = [kind for kind in found.kinds if not kind.is_decided]
    if unread:
        door.say(f"- {', '.join(kind.name for kind in unread)}: no reader gives these numbers", indent="  ")
    if read.skipped:
        door.say(f"Skipped, neither captures nor a register: {', '.join(read.skipped)}")
        if exports := describe_exports(folder, read.skipped):
            door.say(f"- {exports}", indent="  ")
    door.say()

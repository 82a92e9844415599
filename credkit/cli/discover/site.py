"""``credkit discover site``: the site file of several readers, from what they captured."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from shlex import join

import click

from credkit.cli import options
from credkit.cli.discover.sitefolder import SiteFolder, read_site_folder
from credkit.cli.output import Console
from credkit.core.errors import DefinitionError
from credkit.core.sentences import format_count
from credkit.discover import site as search
from credkit.discover.siteresults import SiteDiscovery
from credkit.discover.sitetoml import describe_evidence, site_toml
from credkit.explain.cautions import COPIES
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
    one file a reader. With a register (credentials.csv with kind and value), a chain is proposed
    where it gives registered numbers beyond chance, and nothing else does as well. Without one,
    only checks decide. What is undecided is named, with what to measure next.

    \b
    From the files of Brackwater Terminal to its site file:
      credkit discover site brackwater
      credkit discover site brackwater --out brackwater/proposed.toml

    \b
    --json: one object: kinds (name, values, key, read, total, has_issue,
    is_decided), readers (name, kind, chains, stream, texts, known, evidence,
    alike, rivals, reason, next_card, change), has_register, is_complete,
    skipped (files), toml.
    """  # fmt: skip
    door = Console(as_json=as_json, reveal=reveal)
    if out is not None and out.exists():
        raise DefinitionError(f"{out}: there is a file already, and nothing is overwritten: name another one")
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
        door.record({**asdict(found), "skipped": read.skipped, "toml": toml})
    else:
        _show(door, found, read)
    if out is not None:
        try:
            add_files(out.resolve().parent, {out.name: toml.encode()})
        except OSError as error:
            raise DefinitionError(f"{out}: the file cannot be written ({error.strerror})") from None
        if not as_json:
            door.say(f"Written: {out}. Next:")
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


def _show(door: Console, found: SiteDiscovery, read: SiteFolder) -> None:
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
            door.say(f"  Doubt: {reader.reason}: {'; '.join(reader.rivals[:3])}", indent="  ")
            door.say(f"  Next: {reader.next_card}", indent="  ")
    left = [reader for reader in found.readers if not reader.is_decided]
    if left:
        door.say()
        door.say("Undecided:")
    for reader in left:
        rivals = f": {'; '.join(reader.rivals[:3])}" if reader.rivals else ""
        door.say(f"- {reader.name}: {reader.reason}{rivals}", indent="  ")
        door.say(f"  Next: {reader.next_card}" if reader.next_card else "  Next: give it more time", indent="  ")
    unread = [kind for kind in found.kinds if not kind.is_decided]
    if unread:
        door.say(f"- {', '.join(kind.name for kind in unread)}: no reader gives these numbers", indent="  ")
    if read.skipped:
        door.say(f"Skipped, neither captures nor a register: {', '.join(read.skipped)}")
    door.say()

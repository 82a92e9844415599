"""``credkit init``: a site file to begin with, a sample or one proposed from exports."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from shlex import join
from typing import TYPE_CHECKING

import click

from credkit.cli import options
from credkit.cli.output import Console
from credkit.core.errors import DefinitionError
from credkit.core.sentences import format_count
from credkit.files.outputs.adding import add_files
from credkit.privacy.accounts import mask_accounts

if TYPE_CHECKING:
    from credkit.proposal import SiteProposal

SITE_FILE, RESULT = "site.toml", "result"


@click.command(name="init")
@click.argument("folder", default="site", type=click.Path(path_type=Path), metavar="[FOLDER]")
@click.option(
    "--from", "exports", multiple=True, type=click.Path(path_type=Path), metavar="FILE",
    help="An export to look at: one with credentials, one with readings, others of what targets hold. Repeatable.",
)  # fmt: skip
@click.option(
    "--card", "cards", multiple=True, metavar="HEADER",
    help="A column of the credentials that has numbers of cards, whatever its header. Repeatable.",
)  # fmt: skip
@click.option(
    "--time-zone", metavar="NAME", help="The IANA time zone of the site, such as Europe/Amsterdam. Default: Etc/UTC."
)
@click.option(
    "--seconds", type=click.FloatRange(0), metavar="S",
    help="Stop searching for chains after S seconds, with what is found by then.",
)  # fmt: skip
@click.option("--yes", is_flag=True, help="Write without asking.")
@options.with_output_options
def init(
    folder: Path, exports: tuple[Path, ...], cards: tuple[str, ...], time_zone: str | None,
    seconds: float | None, yes: bool,
    as_json: bool, reveal: bool,
) -> int:  # fmt: skip
    """Write a site file to begin with into FOLDER (./site). Nothing is overwritten.

    Without --from, it is a small commented site: site.toml, and two files with two rows each.

    With --from, it is proposed from exports, which stay where and as they are: their encoding and
    delimiter, which columns hold what, how days and times are written, what words of status mean,
    and the chain of each reader that gives numbers of the credentials. What a target holds for the
    same persons, in a third export, gives the chain of that target. Each line has its evidence
    above it, and what the files leave open is marked LOOK. On a terminal it is shown first, and
    written when you say so.

    \b
    From two exports of Brackwater Terminal to a first result:
      credkit init site --from people.csv --from log.csv
      credkit crosswalk site/site.toml --out site/result

    \b
    --json writes without asking: one object: site (path), credentials,
    readings, unused (paths), held (paths by target), doubts, refused (what a
    crosswalk refuses in the files, or null), readers (name, kind, chains, texts,
    known, reason), toml.
    """
    door = Console(as_json=as_json, reveal=reveal)
    path = folder / SITE_FILE
    if not exports:
        from credkit.proposal.samplesite import sample_site

        if time_zone is not None or seconds is not None or cards:
            raise click.UsageError("--card, --time-zone and --seconds need --from FILE: the sample is always the same")
        _write(folder, sample_site())
        if as_json:
            door.record({"site": str(path)})
        else:
            door.say(f"Written: {path}, with two files of two rows each. Next:")
            door.say(f"- {_next_command(folder)}", indent="  ")
        return 0
    import credkit.site.columns  # noqa: F401  # a missing extra is found before anything is written
    from credkit.proposal import propose_site

    _refuse_present(folder, [SITE_FILE])
    if time_zone is not None:
        _refuse_unknown_zone(time_zone)
    with door.progress() as progress:
        made = propose_site(exports, folder, time_zone=time_zone or "", seconds=seconds, cards=cards, progress=progress)
    asks = not (yes or as_json) and sys.stdin.isatty()
    if asks:
        click.echo(made.toml if reveal else mask_accounts(made.toml))
        _show_verdict(door, made)
        if not click.confirm(f"Write this to {path}?"):
            door.say("Nothing was written.")
            return 1
    _write(folder, {SITE_FILE: made.toml.encode()})  # before anything else is printed: who reads it may be gone
    refused = _find_faults(path)
    if as_json:
        door.record(_to_json(made, path, refused))
        return 0
    if not asks:
        _show_verdict(door, made)
    door.say()
    door.say(f"Written: {path}. {'Next:' if refused is None else 'A crosswalk refuses the files as they are:'}")
    if refused is not None:
        for line in (str(refused.args[0]), *refused.details):
            door.say(f"  {line}", indent="    ")
        door.say("Then:")
    door.say(f"- {_next_command(folder)}", indent="  ")
    return 0


def _refuse_present(folder: Path, names: Sequence[str]) -> None:
    """Refuse to write where anything is already."""
    if folder.exists() and not folder.is_dir():
        raise DefinitionError(f"{folder}: this is a file, expected a folder, or the name of a new one")
    for name in names:
        if (folder / name).exists() or (folder / name).is_symlink():
            raise DefinitionError(
                f"{folder / name}: there is a file already, and nothing is overwritten: name another folder"
            )


def _refuse_unknown_zone(name: str) -> None:
    from zoneinfo import ZoneInfo, available_timezones

    from credkit.core.sentences import nearest, redacted_repr

    try:
        ZoneInfo(name)
    except (LookupError, ValueError, OSError):
        near = nearest(name, available_timezones())
        raise DefinitionError(f"--time-zone: {redacted_repr(name)} is not an IANA time zone{near}") from None


def _write(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files into a folder that may be new; all or none."""
    _refuse_present(folder, [*files])
    try:
        folder.mkdir(parents=True, exist_ok=True)
        add_files(folder.resolve(), files)
    except OSError as error:
        raise DefinitionError(f"{folder}: the files cannot be written ({error.strerror})") from None


def _find_faults(path: Path) -> DefinitionError | None:
    """What a crosswalk refuses in the site or its files; None where it reads them."""
    from credkit.site import load_site
    from credkit.site.columns import load_frames

    try:
        load_frames(load_site(path))
    except DefinitionError as error:
        return error
    return None


def _next_command(folder: Path) -> str:
    return join(["credkit", "crosswalk", str(folder / SITE_FILE), "--out", str(folder / RESULT)])


def _show_verdict(door: Console, made: SiteProposal) -> None:
    """What is proposed, in one line, and what must be looked at."""
    door.say(
        f"{made.names[0]} holds the credentials, {made.names[1]} the readings. Chains are proposed for "
        f"{len(made.found.decided)} of {format_count(len(made.found.readers), 'reader')}."
    )
    for name, path in made.held.items():
        door.say(f"{path.name} has what a target holds today: it is [targets.{name}] there.")
    for path in made.unused:
        door.say(f"{path.name} is not used: it is neither the credentials, nor the readings, nor what a target holds.")
    if made.doubts:
        door.say()
        door.say(f"Look at {format_count(len(made.doubts), 'line')}, marked LOOK in the site file:")
    for doubt in made.doubts:
        door.say(f"- {doubt}", indent="  ")


def _to_json(made: SiteProposal, path: Path, refused: DefinitionError | None) -> dict[str, object]:
    return {
        "site": str(path), "credentials": str(made.credentials), "readings": str(made.readings),
        "unused": [str(each) for each in made.unused],
        "held": {name: str(each) for name, each in made.held.items()}, "doubts": made.doubts,
        "refused": None if refused is None else [str(refused.args[0]), *refused.details],
        "readers": [
            {"name": each.name, "kind": each.kind, "chains": each.chains, "texts": each.texts, "known": each.known,
             "reason": each.reason}
            for each in made.found.readers
        ],
        "toml": made.toml,
    }  # fmt: skip

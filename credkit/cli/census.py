"""``credkit census``: duplicates, ranges and new numbers of a register, before any reading is taken."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from dataclasses import asdict, replace
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from credkit.cli import dialects, options
from credkit.cli.output import Console
from credkit.cli.resultpage import open_page
from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.files.dialects import names_in
from credkit.files.digests import file_stamp
from credkit.files.outputs import FolderOutput, place_outputs, refuse_overlaps
from credkit.site.description import load_site
from credkit.work.items import plain_item

if TYPE_CHECKING:
    from credkit.census import AllocationRequest, Census

REPORT = "census report"  # what writes --report, in its mark
RANGE_OPTION = re.compile("([0-9]{1,20})-([0-9]{1,20})")
MOST_ROWS_SHOWN = 5  # rows of a list on a screen; the files have all of them


@click.command()
@click.argument("site", type=click.Path(dir_okay=False, path_type=Path), metavar="SITE")
@click.option(
    "--credentials", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
    help="Read the credentials from FILE instead of the file that SITE names.",
)  # fmt: skip
@click.option(
    "--out", type=click.Path(file_okay=False, path_type=Path), metavar="DIR",
    help="Directory for the tables: a new one, or that of an earlier census.",
)  # fmt: skip
@click.option(
    "--report", type=click.Path(path_type=Path), metavar="PAGE",
    help="Write the result to PAGE (HTML), too: to read and to print.",
)  # fmt: skip
@click.option(
    "--room", type=click.IntRange(0, 1000), default=25, show_default=True, metavar="PERCENT",
    help="Growth to plan layouts for, in percent of the cards.",
)  # fmt: skip
@click.option("--allocate", type=click.IntRange(1), metavar="N", help="Allocate N numbers for new badges.")
@click.option("--facility", type=click.IntRange(0), metavar="F", help="Facility code of the new numbers.")
@click.option("--kind", metavar="KIND", help="Kind of the new numbers, where several kinds are possible.")
@click.option(
    "--reserve", multiple=True, metavar="FROM-TO", callback=lambda ctx, param, texts: tuple(map(_parse_range, texts)),
    help="Numbers to leave out; may be given several times.",
)  # fmt: skip
@click.option("--details", is_flag=True, help="Show all items of work, the tables and the lists, too.")
@dialects.with_dialect_option
@options.with_output_options
def census(
    site: Path, credentials: Path | None, out: Path | None, report: Path | None, room: int, allocate: int | None,
    facility: int | None, kind: str | None, reserve: tuple[tuple[int, int], ...], details: bool, dialect: str | None,
    as_json: bool, reveal: bool,
) -> int:  # fmt: skip
    """Find the duplicates in the credentials of SITE, before any reading is taken.

    The screen opens with the verdict and with what to do, one item for each cause; --details shows
    the tables and lists.

    SITE is a site file (TOML) that names the credentials file. The result: cards that cannot be told
    apart because they have the same number, or because a target or a reader truncates it; the fewest
    cards to reissue so that no duplicate is left; used and free ranges; the smallest layout that
    holds all cards. With --allocate, numbers for new badges that duplicate nothing.

    DIR is written whole or not at all, and may only replace an earlier census: files that you added
    or changed are never replaced. It holds data on persons, readable by its owner only. With --dialect,
    or [output] in SITE, DIR also holds each table as a spreadsheet opens it, such as reissue.xlsx.

    PAGE is one file without scripts, which needs no network: what a manager asks of a register, the
    cards to reissue with columns to fill in, ranges, layouts, and digests of the files. An earlier
    PAGE is replaced unless you changed it.

    \b
    Brackwater Terminal, as `credkit demo` made it:
      credkit census brackwater/site.toml
      credkit census brackwater/site.toml --allocate 20 --facility 12 --out new

    The exit code is 0 when nothing is found, 1 for duplicates, rows that cannot be read or fewer new
    numbers than N, and 2 for an invalid file or option. Needs the extra site.

    --json: an object for each group of duplicates (what, place, text, members, readers), then one with all else:
    site, as_of, rows, places, readers, reissue, ranges, plans, unreadable, unknown, allocation, verdict, work, out.
    """
    if allocate is None and (facility is not None or kind is not None or reserve):
        raise click.UsageError("--facility, --kind and --reserve go with --allocate")
    if dialect is not None and out is None:
        raise click.UsageError("--dialect goes with --out")
    import credkit.census as package

    door = Console(as_json=as_json, reveal=reveal)
    wanted: AllocationRequest | None = None
    if allocate is not None:
        wanted = package.AllocationRequest(count=allocate, facility=facility, kind=kind, reserved=reserve)
    with ExitStack() as stack, door.progress() as progress:
        before = file_stamp(site)
        described = load_site(site)
        if credentials is not None:
            file = replace(described.credentials, path=credentials, name=str(credentials))
            described = replace(described, credentials=file)
        form = dialects.choose_dialect(dialect, described)
        if out is not None:
            names = [*package.outputs.FILE_NAMES, *names_in(package.outputs.FILE_NAMES, form)]
            refuse_overlaps([out / name for name in names], [*described.files, described.credentials.path])
            FolderOutput(out, package.outputs.MAKER)  # refused before the work, not behind it
        inputs = (site, described.credentials.path)
        page = open_page(stack, report, REPORT, [out] if out else [], [*described.files, *inputs])
        stamps = (before, file_stamp(described.credentials.path))
        result: Census = package.census(described, room, wanted=wanted, progress=progress)
        if out is not None:
            progress.phase("writing the tables")
            package.write_census(result, out, form)
        if page is not None:
            from credkit.report import pin_file, report_census

            files = [pin_file(path) for path in inputs]
            if stamps != tuple(map(file_stamp, inputs)):
                raise DefinitionError(f"{site}: a file was changed while it was read: run the census again")
            page.write(report_census(result, described, files=files).encode())
            place_outputs([page])
    declared = any(kind.not_payment for kind in described.kinds.values())  # such numbers are for files
    if as_json:
        for record in _to_json(result, out):
            door.record(record, safe=() if declared else ("text", "number", "value", "input", "reason"))
    else:
        for line in package.census_text(result, MOST_ROWS_SHOWN, details=details).splitlines():
            door.say(line, indent="  ", safe=not declared)
        door.say()
        if out is not None:
            door.say(f"The files are in {out}.")
            if names := [name for name in names_in(package.outputs.FILE_NAMES, form) if (out / name).is_file()]:
                door.say(f"For a spreadsheet: {', '.join(names)}.")
        if report is not None:
            door.say(f"The page is {report}.")
        if not details:
            door.say("The duplicates, ranges and layouts: --details.")
    return int(result.found)


def _parse_range(text: str) -> tuple[int, int]:
    found = RANGE_OPTION.fullmatch(text)
    if not found or int(found[1]) > int(found[2]):
        raise click.BadParameter(f"{redacted_repr(text)} is not a range such as 500-599", param_hint="'--reserve'")
    return int(found[1]), int(found[2])


def _to_json(result: Census, out: Path | None) -> Iterator[Mapping[str, Any]]:
    """Every group of duplicates, then all else."""
    from credkit.census.summary import describe_verdict

    for group in result.groups:
        yield asdict(group)
    yield {
        "site": result.site, "as_of": result.as_of.isoformat(), "room": result.room,
        "rows": {"file": result.file, **asdict(result.counts)},
        "places": [
            {**asdict(each), "bits": round(each.bits, 3) if isfinite(each.bits) else None} for each in result.places
        ],
        "readers": [asdict(each) for each in result.readers],
        "reissue": {"least": result.reissue.least, "cards": [asdict(each) for each in result.reissue.cards]},
        "ranges": [{**asdict(each), "gaps": each.gaps, "density": each.density} for each in result.ranges],
        "plans": [asdict(each) for each in result.plans],
        "unreadable": [asdict(each) for each in result.unreadable],
        "unknown": list(result.unknown),
        "allocation": asdict(result.allocation) if result.allocation else None,
        "verdict": describe_verdict(result), "work": list(map(plain_item, result.work)),
        "out": str(out) if out else None,
    }  # fmt: skip

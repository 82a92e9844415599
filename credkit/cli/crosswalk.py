"""``credkit crosswalk``: a site's credentials, readings and targets, matched."""

from __future__ import annotations

import shlex
from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from credkit.cli import dialects, options
from credkit.cli.output import Console, complain
from credkit.cli.resultpage import open_page
from credkit.core.progress import Progress
from credkit.core.sentences import format_count
from credkit.files.dialects import PLAIN, Dialect, names_in
from credkit.files.outputs import FolderOutput, place_outputs, refuse_overlaps
from credkit.files.outputs.runs import list_runs, name_new_run, remove_old_runs
from credkit.site.description import load_site
from credkit.work.items import plain_item

if TYPE_CHECKING:
    from credkit.crosswalk import Crosswalk, RunComparison, SavedRun

REPORT = "crosswalk report"  # what writes --report, in its mark


@click.command()
@click.argument("site", type=click.Path(dir_okay=False, path_type=Path), metavar="SITE")
@click.option(
    "--out", required=True, type=click.Path(file_okay=False, path_type=Path), metavar="DIR",
    help="Where the result goes: a new directory, or one that a crosswalk wrote.",
)  # fmt: skip
@click.option("--details", is_flag=True, help="Show all items, the tables of rows and the findings, too.")
@click.option(
    "--keep", type=click.IntRange(1), metavar="N",
    help="Write to a new dated directory in DIR, and keep the N newest there.",
)  # fmt: skip
@click.option(
    "--report", type=click.Path(path_type=Path), metavar="PAGE",
    help="Write the result to PAGE (HTML), too: for the one who decides, to read and to print.",
)  # fmt: skip
@click.option(
    "--since", type=click.Path(path_type=Path), metavar="RUN",
    help="Compare with the earlier run in the directory RUN; with --keep and --report, the newest is the default.",
)  # fmt: skip
@options.with_scheduler_option("the readings")
@dialects.with_dialect_option
@options.with_output_options
def crosswalk(
    site: Path, out: Path, details: bool, keep: int | None, report: Path | None, since: Path | None,
    scheduler: str | None, dialect: str | None, as_json: bool, reveal: bool,
) -> int:  # fmt: skip
    """Match what SITE describes: its credentials, its readings, and what its targets want.

    SITE is a site file (TOML) that names the others. The screen opens with the verdict and with
    what to do, one item for each cause; --details, and summary.txt in DIR, show all findings. The
    tables in DIR say for every credential what each target should hold and why, and for every row
    that needs a person what is wrong with it.

    DIR is written whole or not at all, in place of an earlier crosswalk at most: what you added or
    changed in it is never replaced. It holds data on persons, readable by its owner only.

    With --keep, DIR holds runs: each writes to a directory named by its time (UTC), and the N newest
    stay, as does any that you added to or changed. `credkit compare DIR` says what changed.

    PAGE is one file without scripts, which needs no network: go or not yet, ten questions answered,
    the work list with columns to fill in, who would stand before a locked door in which area, what
    changed since an earlier run, and for an auditor digests, counts and limits. An earlier PAGE is
    replaced unless you changed it.

    With --dialect, or [output] in SITE, DIR also holds each table as a spreadsheet opens it, such as
    crosswalk.xlsx: for looking. Programs, targets and `credkit compare` read the plain .csv files.

    What looks like a payment account number is masked in DIR, and no target gets it, unless the
    site file declares not_payment for its kind. A file with a payment track is refused.

    \b
    Brackwater Terminal, as `credkit demo` made it:
      credkit crosswalk brackwater/site.toml --out brackwater/result
      credkit crosswalk brackwater/site.toml --out brackwater/runs --keep 10 \\
          --report page.html

    With --scheduler the result is the same, and several machines share the reading and decoding of
    the readings: it needs the extra cluster.

    Findings are the result, not a fault: the exit code is 0 when every row is accounted for,
    whatever was found, and 1 when one is not. A site file or table that is wrong in itself gives 2,
    and nothing is written. Needs the extra site.

    --json: one object a finding (code, subject, count, text,
    people, lines), then one with the site, as_of, out,
    summary (title, columns, rows), shared (resolved readings of numbers that several have),
    verdict (ready, held and idle cards, and its text),
    readiness (people: ready, held, idle; locked; areas: name, readers,
    people; counts by area and target), since (the run compared with, and
    the verdict; null without) and work (task, subject, title, act, people,
    credentials, readings, sure, evidence, lines, rows by file, ends: code, count, noun).
    """
    from credkit.crosswalk.outputs import FILE_NAMES

    door = Console(as_json=as_json, reveal=reveal)
    run = out if keep is None else name_new_run(out, datetime.now(UTC))
    if since is None and keep is not None and report is not None:
        since = _find_newest_run(out)
    described = load_site(site)
    form = dialects.choose_dialect(dialect, described)
    with ExitStack() as stack:
        page = open_page(stack, report, REPORT, [run, *([since] if since else [])], described.files)
        with door.progress() as progress:
            earlier = _read_run(since, progress)
            result = run_crosswalk(site, run, progress, scheduler, form)
            compared = _compare(earlier, run, progress)
        if page is not None:
            from credkit.report import report_crosswalk

            page.write(report_crosswalk(result, described, compared=compared).encode())
            place_outputs([page])
    code = show_result(door, result, run, details=details, compared=compared)
    if form != PLAIN and not as_json:
        door.say(f"For a spreadsheet: {', '.join(names_in(FILE_NAMES, form))}.")
    if report is not None and not as_json:
        door.say(f"The page is {report}.")
    if keep is not None:
        tidy_runs(door, out, keep, described.files)
    return code


def _find_newest_run(home: Path) -> Path | None:
    """The newest run in ``home``, if there is one."""
    from credkit.crosswalk.outputs import MAKER

    return next(iter(list_runs(home, MAKER)), None)


def _read_run(path: Path | None, progress: Progress) -> SavedRun | None:
    """The earlier run, which is read before this one may take its place."""
    if path is None:
        return None
    from credkit.crosswalk import read_run

    progress.phase("reading the earlier run")
    return read_run(path)


def _compare(earlier: SavedRun | None, run: Path, progress: Progress) -> RunComparison | None:
    if earlier is None:
        return None
    from credkit.crosswalk import compare_runs, read_run

    progress.phase("comparing the runs")
    return compare_runs(earlier, read_run(run))


def tidy_runs(door: Console, home: Path, keep: int, inputs: Iterable[Path]) -> None:
    """Remove all but the newest runs in ``home``, name those that had to stay, and say how to compare."""
    from credkit.crosswalk.outputs import MAKER

    for sentence in remove_old_runs(home, MAKER, keep, inputs):
        complain(sentence)
    if not door.as_json and len(list_runs(home, MAKER)) > 1:
        door.say(f"What changed since the run before: credkit compare {shlex.quote(str(home))}", indent="  ")


def run_crosswalk(
    site: Path, out: Path, progress: Progress, scheduler: str | None = None, dialect: Dialect = PLAIN
) -> Crosswalk:
    """The crosswalk of ``site``, written to ``out``, its tables in ``dialect``, too.

    Workers of a ``scheduler``, if one is given, read the readings.
    """
    from credkit.crosswalk import crosswalk as compute
    from credkit.crosswalk import write_outputs
    from credkit.crosswalk.outputs import FILE_NAMES, MAKER

    described = load_site(site)
    refuse_overlaps([out / name for name in (*FILE_NAMES, *names_in(FILE_NAMES, dialect))], described.files)
    FolderOutput(out, MAKER)  # refused before the work, not behind it
    if scheduler is None:
        result = compute(described, progress=progress)
    else:
        with options.connect_cluster(scheduler) as client:
            from credkit.crosswalk.cluster import crosswalk_on_cluster

            result = crosswalk_on_cluster(client, described, progress=progress)
    progress.phase("writing the tables")
    write_outputs(result, out, dialect)
    return result


def show_result(
    door: Console, result: Crosswalk, out: Path, *, details: bool = False, compared: RunComparison | None = None
) -> int:
    """The verdict, what to do, where the files are, and what changed since an earlier run; the exit code."""
    from credkit.crosswalk import screen_text
    from credkit.crosswalk.comparisontext import describe_difference, describe_since
    from credkit.crosswalk.worktext import describe_verdict

    plain = result.unmasked if door.reveal else result.unmasked_on_screen
    if door.as_json:
        for finding in result.findings:
            record = {name: value for name, value in asdict(finding).items() if name not in ("rows", "cure")}
            door.record(record, safe=("subject",) if finding.subject in plain else ())
        summary = [asdict(section) for section in result.summary]
        door.record({
            "site": result.site, "as_of": result.as_of.isoformat(), "out": str(out), "summary": summary,
            "shared": result.ambiguous_readings,
            "verdict": {**result.cards._asdict(), "text": describe_verdict(result)},
            "readiness": {
                "people": result.readiness.people._asdict(), "locked": result.readiness.locked_people(),
                "areas": [asdict(area) for area in result.readiness.areas],
                "counts": [row._asdict() for row in result.readiness.counts],
            },
            "since": {"run": compared.before.path, "verdict": describe_difference(compared)} if compared else None,
            "work": list(map(plain_item, result.work)),
        })  # fmt: skip
    else:
        for line in screen_text(replace(result, unmasked=plain), details=details).splitlines():
            door.say(line, indent="  ", safe=True)
        door.say()
        items, findings = format_count(len(result.work), "item"), format_count(len(result.findings), "finding")
        shown = "" if details else " (on the screen: --details)"
        door.say(f"The files are in {out}; its summary.txt has all of {items} and {findings}{shown}.")
        if compared is not None:
            door.say(describe_since(compared), indent="  ")
    return exit_code(result)


def exit_code(result: Crosswalk) -> int:
    """1 if a row of a file is nowhere, else 0."""
    files, *_ = result.summary
    return int(any(row[-1] for row in files.rows))  # its last column counts such rows

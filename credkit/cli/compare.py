"""``credkit compare``: what changed from one crosswalk to the next."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from credkit.cli import options
from credkit.cli.output import Console
from credkit.cli.resultpage import open_page
from credkit.files.outputs import place_outputs

if TYPE_CHECKING:
    import polars as pl

    from credkit.crosswalk import RunComparison

REPORT = "comparison report"  # what writes --report, in its mark


@click.command()
@click.argument("run", type=click.Path(path_type=Path), metavar="RUN")
@click.argument("later", type=click.Path(path_type=Path), required=False, metavar="[RUN]")
@click.option("--details", is_flag=True, help="Show all rows that differ, not the first ten of each list.")
@click.option(
    "--report", type=click.Path(path_type=Path), metavar="PAGE",
    help="Write the comparison to PAGE (HTML), too: to read and to print.",
)  # fmt: skip
@options.with_output_options
def compare(run: Path, later: Path | None, details: bool, report: Path | None, as_json: bool, reveal: bool) -> int:
    """Say what changed from an earlier RUN of a crosswalk to a later one.

    RUN is a directory that `credkit crosswalk --out` wrote, the earlier one first. With one directory,
    that of `credkit crosswalk --keep`, its two newest runs are compared.

    Findings are compared by code and subject, lines by person, target and credential (action, text,
    code), exceptions by file, reader, time and input. The order of rows in the files does not matter.
    A run with a file that was changed since is refused, and so are runs of two sites.

    PAGE is one file without scripts, which needs no network. An earlier PAGE is replaced unless you
    changed it.

    \b
    Brackwater Terminal, as `credkit demo` made it:
      credkit crosswalk brackwater/site.toml --out brackwater/runs --keep 10
      credkit compare brackwater/runs

    The exit code is 0 when nothing changed, 1 when something did, and 2 for a run that cannot be read.
    Needs the extra site.

    --json: one object for each finding, line, exception and person that differs (what, change or
    outcome, before, after), then one with the site, runs (path, as_of), inputs that differ, verdict.
    """
    from credkit.crosswalk import compare_runs, read_run
    from credkit.crosswalk.comparisontext import comparison_text, describe_difference
    from credkit.crosswalk.outputs import MAKER
    from credkit.files.outputs.runs import newest_two

    door = Console(as_json=as_json, reveal=reveal)
    earlier, later = newest_two(run, MAKER) if later is None else (run, later)
    with ExitStack() as stack:
        page = open_page(stack, report, REPORT, [earlier, later])
        with door.progress() as progress:
            progress.phase("reading the runs")
            before, after = read_run(earlier), read_run(later)
            progress.phase("comparing them")
            found = compare_runs(before, after)
        if page is not None:
            from credkit.report import report_comparison

            page.write(report_comparison(found).encode())
            place_outputs([page])
    if as_json:
        for record in _to_json(found):
            door.record(record)
        door.record({
            "site": before.site,
            "runs": [{"path": each.path, "as_of": each.as_of.isoformat()} for each in (before, after)],
            "inputs": list(found.inputs), "times": found.times, "verdict": describe_difference(found),
        })  # fmt: skip
    else:
        for line, indent in comparison_text(found, details=details):
            door.say(line, indent=indent)
        if report is not None:
            door.say()
            door.say(f"The page is {report}.")
    return int(not found.is_same)


def _to_json(found: RunComparison) -> Iterator[Mapping[str, Any]]:
    """Every difference."""
    for what, table in (("finding", found.findings), ("line", found.lines), ("exception", found.exceptions)):
        yield from _list_records(what, table)
    for row in found.people.iter_rows(named=True):
        yield {"what": "person", **row}


def _list_records(what: str, table: pl.DataFrame) -> Iterator[Mapping[str, Any]]:
    for row in table.iter_rows(named=True):
        record: dict[str, Any] = {"what": what, **{name: row[name] for name in row if "_" not in name}}
        for side in ("before", "after"):
            values = {name.removeprefix(f"{side}_"): row[name] for name in row if name.startswith(f"{side}_")}
            if values.get("lines") is not None:
                values["lines"] = values["lines"].splitlines()
            record[side] = None if None in values.values() else values
        yield record

"""``credkit demo``: a made-up site, its crosswalk with its page, its new cards, and the report of its audit."""

from __future__ import annotations

import shlex
from itertools import takewhile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from credkit.cli import options
from credkit.cli.crosswalk import REPORT as PAGE_MAKER
from credkit.cli.crosswalk import exit_code, run_crosswalk, show_result
from credkit.cli.output import Console
from credkit.core.progress import PartProgress
from credkit.core.sentences import format_count
from credkit.explain.cautions import BEFORE_A_BATCH, DATA, MAC

if TYPE_CHECKING:
    from credkit.crosswalk.result import Crosswalk
    from credkit.demo.cards import DemoCards

RESULT = "result"
SHOWN_ITEMS = 2  # of what to do
PARTS = 4  # files, crosswalk, cards, audit


@click.command()
@click.argument("directory", default="brackwater", type=click.Path(file_okay=False, path_type=Path), metavar="[DIR]")
@options.with_output_options
def demo(directory: Path, as_json: bool, reveal: bool) -> int:
    """Write the files of Brackwater Terminal to DIR (./brackwater), and run its crosswalk.

    Brackwater Terminal is a made-up port operator that merges two sites: registers, a month of
    readings, and planted faults. Nobody in it exists, and no card either. Nothing that is there
    already is overwritten. DIR/result.html is the result as a page, for the one who decides.

    Then fifty of its new staff cards are written to DIR/cards and read back, and five bad ones
    must be caught; they stay in DIR/cards/bad-read-backs, to be checked again. That part needs the
    extra "keys"; the master key is drawn for the run, and is neither shown nor written.

    Last, the readings are audited, and DIR/report.html is the report, to print and to sign. Crosswalk
    and report need the extra "site".

    \b
      credkit demo
      credkit demo /tmp/brackwater --json

    --json: what `credkit crosswalk` gives, then one object with page (its path), or with page null
    and why, one with cards (written, clean, data, bad, caught: name, done, kind, place, text), or
    with cards null and why, and one with report (its path, rows, failing, unreadable), or with
    report null and why.
    """
    import credkit.demo.report  # noqa: F401  # a missing extra is found before anything is written
    from credkit.demo import write_demo

    door = Console(as_json=as_json, reveal=reveal)
    out = directory / RESULT
    with door.progress() as progress:
        progress.phase("making up Brackwater Terminal", 1, PARTS)
        made = write_demo(directory)
        result = run_crosswalk(made.site, out, PartProgress(progress, 2, PARTS))
    code = show_result(door, result, out) if as_json else show_first_items(door, result, out)
    show_page(door, made.site, result)
    if not as_json:
        door.say(DATA)
    planned = show_cards(door, directory)
    show_audit(door, made.site)
    if not as_json:
        door.say()
        door.say("To try next:")
        for command in (
            f"less {shlex.quote(str(out / 'exceptions.csv'))}",
            "credkit explain hex:8/right-justified:26/wiegand-26 02F764DC",
            f"credkit crosswalk {shlex.quote(str(made.site))} --out {shlex.quote(str(out))}",
            *([f"credkit card plan {shlex.quote(str(planned))}"] if planned else []),
        ):
            door.say(f"  {command}", indent="      ")
    return code


def show_first_items(door: Console, result: Crosswalk, out: Path) -> int:
    """The verdict of the crosswalk, the first items of what to do, and where the others are; the exit code."""
    from credkit.crosswalk.worktext import work_text
    from credkit.work.text import OTHER_ITEMS

    for line in takewhile(lambda line: line != OTHER_ITEMS, work_text(result, SHOWN_ITEMS)):
        door.say(line, indent="  ", safe=True)
    more = format_count(len(result.work) - SHOWN_ITEMS, "other item")
    door.say(f"The {more} and all findings are in {out / 'summary.txt'}.")
    return exit_code(result)


def show_page(door: Console, site: Path, result: Crosswalk) -> None:
    """Where the page of the crosswalk is, and why where there is none."""
    from credkit.demo.report import PAGE, demo_page

    path, place = demo_page(site, result, PAGE_MAKER), site.with_name(PAGE)
    why = "" if path else f"{place} is there, and is no unchanged page of a crosswalk: it was left alone."
    if door.as_json:
        door.record({"page": str(path)} if path else {"page": None, "why": why})
    else:
        door.say(why or f"The page for the one who decides is {place}.")


def show_cards(door: Console, directory: Path) -> Path | None:
    """The part about cards: what was written, what was caught, and why where there is none; where their plan is."""
    from credkit.demo.cards import keys_obstacle, write_demo_cards

    if why := keys_obstacle():
        if door.as_json:
            door.record({"cards": None, "why": why})
        else:
            door.say()
            door.say(why)
        return None
    with door.progress() as progress:
        made = write_demo_cards(directory, progress=PartProgress(progress, 3, PARTS))
    if door.as_json:
        door.record({"cards": _to_json(made)})
        return made.plan
    door.say()
    door.say("New staff cards")
    for line in (
        f"{made.written} cards were written by {made.plan} and read back: {made.clean} are as planned.",
        f"{len(made.caught)} read-backs are bad on purpose, and all are caught: "
        + ", ".join(each.done for each in made.caught)
        + ".",
    ):
        door.say(f"  {line}", indent="    ")
    if made.bad:
        plan, bad, listed = (shlex.quote(str(path)) for path in (made.plan, made.bad, made.listed))
        door.say("  What is found of each:")
        for line in (f"credkit card check {plan} \\", f"  {bad} \\", f"  --credentials {listed}"):
            door.say(f"    {line}", indent="      ")
    kept = f"What {made.plan.parent} holds beside plan and list is an earlier run's, and was left alone."
    for line in (
        f"What the station gets is in {made.data}, a file and a listing for each card." if made.data else kept,
        "The master key was drawn for this run and is gone: it was neither shown nor written.",
        BEFORE_A_BATCH,
        MAC,
    ):
        door.say(f"  {line}", indent="    ")
    return made.plan


def show_audit(door: Console, site: Path) -> None:
    """The part about the audit: where its report is, and why where there is none."""
    from credkit.demo.report import REPORT, demo_report

    with door.progress() as progress:
        made = demo_report(site, progress=PartProgress(progress, 4, PARTS))
    place = site.with_name(REPORT)
    why = "" if made.path else f"{place} is there, and is no unchanged report of an audit: it was left alone."
    if door.as_json:
        record = {"path": str(made.path), "rows": made.rows, "failing": made.failing, "unreadable": made.unreadable}
        door.record({"report": record} if made.path else {"report": None, "why": why})
        return
    door.say()
    door.say("Audit of the readings")
    counts = f"Of {made.rows:,} rows {made.failing:,} fail and {made.unreadable:,} are unreadable."
    for line in (counts, why or f"The report, to print and sign, is {place}."):
        door.say(f"  {line}", indent="    ")


def _to_json(made: DemoCards) -> dict[str, Any]:
    """What became of the cards, for JSON."""
    return {
        "written": made.written, "clean": made.clean, "data": str(made.data) if made.data else None,
        "bad": str(made.bad) if made.bad else None,
        "caught": [
            {
                "name": each.name, "done": each.done, "kind": each.difference.kind, "place": each.difference.place,
                "text": each.difference.text,
            }
            for each in made.caught
        ],
    }  # fmt: skip

"""``credkit audit``: files of captures, counted by reader."""

from __future__ import annotations

from contextlib import ExitStack
from datetime import UTC, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import click
from click.core import ParameterSource

from credkit.cli import dialects, options
from credkit.cli.output import Console
from credkit.core.codec import Entry
from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.files.outputs import FileOutput, place_outputs, refuse_overlaps
from credkit.site.description import load_site

if TYPE_CHECKING:
    from credkit.audit import AuditPlan
    from credkit.site.model import Site

REPORT = "report"  # what writes --report, in its mark
ZONE_HINT = "--zone NAME says by which clocks such times are"


@click.command()
@click.argument("files", nargs=-1, type=click.Path(path_type=Path), metavar="[FILE]...")
@click.option(
    "--chain", metavar="CHAIN", shell_complete=options.complete_chain, help="How the texts of all rows are read."
)
@click.option(
    "--site", type=click.Path(dir_okay=False, path_type=Path), metavar="SITE",
    help="A site file: how the texts of each reader are read, and when.",
)  # fmt: skip
@click.option(
    "--text",
    default="text",
    show_default=True,
    metavar="NAME",
    help="The column of texts; with --site, the one that the site file names.",
)
@click.option(
    "--reader", default="reader", show_default=True, metavar="NAME",
    help="The column of readers, likewise; '' if there is none.",
)  # fmt: skip
@click.option(
    "--time",
    default="time",
    show_default=True,
    metavar="NAME",
    help="The column of times, likewise; '' if there is none.",
)
@click.option("--zone", metavar="ZONE", help="With --chain: the IANA time zone of times without an offset.")
@click.option(
    "--delimiter", metavar="SIGN", help=r"What stands between the cells of a CSV file (a comma); \t is a tab."
)
@click.option("--encoding", metavar="NAME", help="The encoding of CSV files (utf-8).")
@click.option(
    "--failures", type=click.Path(path_type=Path), metavar="OUT",
    help="Write every failing row to the CSV file OUT: its line, its text, and why.",
)  # fmt: skip
@click.option(
    "--parquet", type=click.Path(path_type=Path), metavar="OUT", help="Write the counts of the readers to OUT."
)
@click.option(
    "--report", type=click.Path(path_type=Path), metavar="OUT",
    help="Write the result to OUT as a page to print and sign, with digests of FILES.",
)  # fmt: skip
@options.with_scheduler_option("FILES")
@click.option("--details", is_flag=True, help="Show all items of work, the counts of each reader, and the checks, too.")
@dialects.with_dialect_option
@options.with_common_options
def audit(
    files: tuple[Path, ...], chain: str | None, site: Path | None, text: str, reader: str, time: str,
    zone: str | None, delimiter: str | None, encoding: str | None, failures: Path | None, parquet: Path | None,
    report: Path | None, scheduler: str | None, details: bool, dialect: str | None, as_json: bool,
    layouts: tuple[Entry, ...], reveal: bool,
) -> int:  # fmt: skip
    """Count what FILES of captures hold: by reader, what is good, what fails which check, and since when.

    The screen opens with the verdict and with what to do, one item for each cause; --details shows the counts. With
    --site the numbers of good rows are looked up in its register.

    FILES are .csv, .jsonl (each perhaps with .gz behind it), .parquet and .xlsx files with a row a
    read. They are read in constant memory, however long they are, but for workbooks (.xlsx). With
    --site and no FILE, the site's own readings are read. Every row is counted once: good, failing,
    or unreadable if the row is wrong in itself. A file with a payment track is refused.

    \b
    What the gates of Brackwater Terminal sent in March:
      credkit audit --site brackwater/site.toml
      credkit audit brackwater/readings.csv --failures failing.csv \\
          --chain hex:8/right-justified:26/wiegand-26
      credkit audit --site brackwater/site.toml --report report.html

    With --dialect, or [output] in SITE, the failing rows are written a second time beside OUT, as a
    spreadsheet opens them, such as failing.xlsx.

    OUT is written whole or not at all, in place of an earlier one of its sort at most: a file that you
    wrote or changed is never replaced. It holds data on persons, readable by its owner only.

    With --scheduler the result is the same, and several machines share the work: it needs the extra cluster, and
    goes without --failures.

    The exit code is 0 if every row is good, and 1 if one is not. Needs the extra site.

    --json: an object a file, a reader and a layout, each under its key, then one with the totals, the verdict and the
    work (as `credkit crosswalk --json` has it).
    """
    from credkit.audit import audit as count
    from credkit.audit import audit_text, file_stamp, list_records
    from credkit.audit import encode_parquet as table
    from credkit.audit.failures import FAILURES_MAKER
    from credkit.audit.records import READERS_TABLE_MAKER

    if report is not None:
        import credkit.report as paper
    if scheduler is not None and failures is not None:
        raise click.UsageError("--failures goes without --scheduler: every failing row would come to this one process")
    if dialect is not None and failures is None:
        raise click.UsageError("--dialect goes with --failures")
    door = Console(as_json=as_json, reveal=reveal)
    before = file_stamp(site) if site is not None else ()
    described = load_site(site) if site is not None else None
    register = described.credentials.path if described else None
    register_before = file_stamp(register) if register is not None and register.exists() else ()
    plan = _build_plan(chain, described, zone, layouts, text=text, reader=reader, time=time)
    if not files and described is None:
        raise click.UsageError("name at least one FILE, or --site SITE, whose readings are read then")
    file = described.readings if described else None
    paths = files or ((file.path,) if file else ())
    pins = []
    if site is not None and described is not None and report is not None:
        pins = [paper.pin_file(site, name=described.name_file(site))]
        if register is not None and plan.register is not None:
            pins.append(paper.pin_file(register, "register", described.name_file(register)))
    for path, stamp in ((site, before), (register if len(pins) > 1 else None, register_before)):
        if pins and path is not None and file_stamp(path) != stamp:
            raise DefinitionError(f"{path}: the file was changed while it was read: run the audit again")
    form = dialects.choose_dialect(dialect, described)
    lists = form.list_paths(failures) if failures is not None else []
    outs = [*lists, *(out for out in (parquet, report) if out is not None)]
    refuse_overlaps(outs, [*paths, *(described.files if described else ())])
    makers = ((parquet, READERS_TABLE_MAKER), (report, REPORT))
    with ExitStack() as stack:
        listed = [stack.push(FileOutput(out, FAILURES_MAKER)) for out in lists]
        tables, pages = [stack.push(FileOutput(out, maker)) if out is not None else None for out, maker in makers]
        outputs = [*listed, *(each for each in (tables, pages) if each is not None)]
        for each in outputs:
            each.open()  # the stack closes it, whenever a signal comes
        with door.progress() as progress:
            read_as: dict[str, Any] = {
                "delimiter": _delimiter_sign(delimiter) or (file.delimiter if file else ","),
                "encoding": encoding or (file.encoding if file else "utf-8"),
            }
            if scheduler is None:
                found = count(
                    paths, plan, failures=listed, dialect=form, digests=report is not None, progress=progress, **read_as
                )
            else:
                with options.connect_cluster(scheduler) as client:
                    from credkit.audit.cluster import audit_on_cluster

                    found = audit_on_cluster(
                        client, paths, plan, digests=report is not None, progress=progress, **read_as
                    )
        if tables is not None:
            tables.write(table(found))
        if pages is not None:
            pages.write(paper.report(found, plan.clock.zone, described=pins).encode())
        place_outputs(outputs)
    if as_json:
        for record in list_records(found):
            door.record(record)
    else:
        for line in audit_text(found, plan.clock.zone, details=details).splitlines():
            door.say(line, indent="  ")
        door.say()
        if outs:
            door.say(f"Written: {', '.join(map(str, outs))}.")
        if not details:
            door.say("The counts of each reader, and what fails which check: --details.")
    return int(not found.whole)


def _build_plan(
    chain: str | None, site: Site | None, zone: str | None, layouts: tuple[Entry, ...], *, text: str, reader: str,
    time: str,
) -> AuditPlan:  # fmt: skip
    from credkit.audit import AuditPlan, Clock, ColumnNames

    if (chain is None) == (site is None):
        raise click.UsageError("exactly one of --chain and --site is needed")
    columns = ColumnNames(**_column_names(site, text=text, reader=reader, time=time))
    if site is not None:
        if not reader:
            raise click.UsageError("--reader '' goes with --chain: a site reads each reader by its own chain")
        if zone is not None:
            raise click.UsageError("--zone goes with --chain: a site file names its time zone")
        file = site.readings
        clock = Clock(site.zone, local=file.has_local_times, pattern=file.mapping.time_pattern)
        return AuditPlan(columns=columns, clock=clock, site=site)
    codec = options.build_reader(chain or "", layouts)
    return AuditPlan(
        columns=columns, clock=Clock(_parse_zone(zone), either=zone is not None, hint=ZONE_HINT), codec=codec
    )


def _column_names(site: Site | None, **names: str) -> dict[str, str]:
    """The names of the columns by their options; those that are not given are as the site declares them."""
    source = click.get_current_context().get_parameter_source
    for name in [*names]:
        if site is not None and source(name) is ParameterSource.DEFAULT:
            headers = site.readings.mapping.headers_of(name)
            if name == "time" and len(headers) == len(("day", "clock")):
                names["clock"] = headers[1]
            elif len(headers) != 1:
                held = f"{' and '.join(map(redacted_repr, headers))} give" if headers else "a constant gives"
                raise DefinitionError(
                    f"{site.readings.name}: {held} {name} by the site file, but an audit reads it from one column: "
                    f"--{name} NAME names one"
                )
            names[name] = headers[0]
    return names


def _delimiter_sign(delimiter: str | None) -> str | None:
    """The sign that --delimiter names."""
    return "\t" if delimiter == r"\t" else delimiter


def _parse_zone(name: str | None) -> tzinfo:
    if name is None:
        return UTC
    try:
        return ZoneInfo(name)
    except (LookupError, ValueError, OSError, RecursionError):
        raise DefinitionError(f"--zone: {redacted_repr(name)} is not an IANA time zone") from None

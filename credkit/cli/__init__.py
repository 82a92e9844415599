"""The command line: one file a command, each loaded when it is called.

The commands have no logic of their own: they read values (`credkit.cli.values`), hand them to the
library, and speak through one door (`credkit.cli.output`), which masks account numbers.

Exit codes: 0 good; 1 a value failed; 2 wrong usage or a fault in a file that defines something; 70 an
error that credkit does not expect; 130 interrupted; 141 the reader of the output went away; 128 and the
number of a signal that ended it.
"""

from __future__ import annotations

import gc
import os
import re
import signal
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from importlib import import_module
from threading import current_thread, main_thread
from typing import Any

import click

from credkit.core.version import __version__
from credkit.explain.cautions import OF_THE_TOOL

COMMANDS = {  # name: module, and what stands beside the name in `credkit --help`
    "formats": ("credkit.cli.formats", "List the codecs, or show one of them in full."),
    "decode": ("credkit.cli.decode", "Read values through a chain: text to fields."),
    "encode": ("credkit.cli.encode", "Write fields through a chain: fields to text."),
    "convert": ("credkit.cli.convert", "Rewrite values from one chain's form to another's."),
    "explain": ("credkit.cli.explain", "Draw how a chain reads one value, and what is wrong with it."),
    "identify": ("credkit.cli.identify", "List what an unknown value may be."),
    "relate": ("credkit.cli.relate", "Find how two readers' texts of one card are connected."),
    "discover": ("credkit.cli.discover", "Derive an undocumented format from samples."),
    "init": ("credkit.cli.init", "Write a site file to begin with, or one for your exports."),
    "crosswalk": ("credkit.cli.crosswalk", "Match a site's credentials, readings and targets."),
    "compare": ("credkit.cli.compare", "Say what changed from one crosswalk to the next."),
    "census": ("credkit.cli.census", "Find duplicates and free numbers in a site's credentials."),
    "audit": ("credkit.cli.audit", "Count files of captures by reader: what fails, since when."),
    "card": ("credkit.cli.card", "Plan what cards store, write their data, check read-backs."),
    "demo": ("credkit.cli.demo", "Make a site to try things on, and run its crosswalk."),
}
CARD_COMMANDS = {  # the commands of `credkit card`, likewise
    "geometries": ("credkit.cli.card.geometries", "List how memories are divided, or show one in full."),
    "access": ("credkit.cli.card.access", "Access conditions: from words to bytes, and back."),
    "plan": ("credkit.cli.card.plan", "Check that a plan fits, draw it, and say what is dangerous."),
    "data": ("credkit.cli.card.data", "Write the data for the encoding station."),
    "check": ("credkit.cli.card.check", "Check what was read back from cards."),
}
DISCOVER_COMMANDS = {  # the commands of `credkit discover`, likewise
    "layout": ("credkit.cli.discover.layout", "Find the checks and fields of bit frames."),
    "chain": ("credkit.cli.discover.chain", "Find what turns one reader's texts into another's."),
    "digits": ("credkit.cli.discover.digits", "Find the check digits of printed numbers."),
    "site": ("credkit.cli.discover.site", "Propose a site file from captures."),
}
GROUPS = {"card": CARD_COMMANDS, "discover": DISCOVER_COMMANDS}
EVERY_COMMAND = tuple(
    word for name in COMMANDS for word in (name, *(f"{name} {each}" for each in GROUPS.get(name, ())))
)
UNEXPECTED_EXIT_CODE = 70  # EX_SOFTWARE of sysexits.h (BSD); never 1, which says that a value failed
INTERRUPTED, CLOSED = 130, 141
FAULT_ADVICE = "This is a fault of credkit: please report it; with PYTHONDEVMODE=1 the traceback is shown"
_KEY = r"[0-9A-Fa-f]{12,}|(?<=extra argument)s? \(.*"


class Commands(click.Group):
    """A group whose commands are imported when they are asked for; ``table`` lists them as `COMMANDS` does."""

    def __init__(self, *args: Any, table: Mapping[str, tuple[str, str]] = COMMANDS, **options: Any) -> None:
        super().__init__(*args, **options)
        self.table = table

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names, in the order of the table."""
        return list(self.table)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command called ``cmd_name``, from its module."""
        if cmd_name not in self.table:
            return None
        gc.disable()  # what is loaded is kept: there is no garbage to look for
        try:
            command = getattr(import_module(self.table[cmd_name][0]), cmd_name)
        finally:
            gc.enable()
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command that ``args`` begin with; an unknown one is refused with the nearest spelling."""
        if args[0] not in self.table and not args[0].startswith("-"):
            from credkit.core.sentences import nearest, redacted_repr

            known = nearest(args[0], self.table) or f"; commands are {', '.join(self.table)}"
            ctx.fail(f"there is no command {redacted_repr(args[0])}{known}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The table, without importing a command."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, summary) for name, (_, summary) in self.table.items()])

    def main(self, *args: Any, **options: Any) -> Any:
        """Run one command and end the process: every fault is one sentence on standard error."""
        for stream in (sys.stdout, sys.stderr):
            if hasattr(stream, "reconfigure"):
                stream.reconfigure(errors="backslashreplace")
        with _end_in_order():
            try:
                code = super().main(*args, **{**options, "prog_name": "credkit", "standalone_mode": False})
            except (SystemExit, KeyboardInterrupt):
                raise
            except BaseException as error:  # what a library panics with is no Exception
                code = _report_failure(error)
        sys.exit(code or 0)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; a closed pipe ends it quietly."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # nothing is left to flush to
            return CLOSED


@contextmanager
def _end_in_order() -> Iterator[None]:
    """While this runs, a signal to end ends it in order: outputs that are not whole are taken away."""

    def end(number: int, frame: object) -> None:
        sys.exit(128 + number)

    former = {}
    if current_thread() is main_thread():
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)  # not every system has both
            if number is not None and signal.getsignal(number) == signal.SIG_DFL:
                former[number] = signal.signal(number, end)
    try:
        yield
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)


def _report_failure(error: BaseException) -> int:
    """Say what ``error`` is, and the exit code. In Python's development mode an unexpected one is raised again."""
    from credkit.cli.output import complain
    from credkit.core.errors import CredkitError, DefinitionError
    from credkit.core.extras import SITE_MODULES, site_extra_missing

    if isinstance(error, click.Abort):
        complain("interrupted")
        return INTERRUPTED
    if isinstance(error, click.UsageError):
        hint = ""
        if isinstance(error, click.NoSuchOption) and error.option_name[1:2].isdecimal():
            hint = "; a value that begins with - goes behind --"
        command = error.ctx.command_path.partition(" ")[2] if error.ctx else ""
        message = error.format_message().rstrip(".")
        if command.startswith("card"):  # a key may stand where it does not belong, and is not repeated
            message = re.sub(_KEY, "…", message)
        complain(f"{message}{hint}", command)
    elif isinstance(error, click.ClickException):
        complain(error.format_message())
    elif isinstance(error, DefinitionError):
        complain(error.args[0], details=error.details)
    elif isinstance(error, CredkitError):
        complain(str(error))
    elif isinstance(error, ModuleNotFoundError) and error.name in SITE_MODULES:
        complain(site_extra_missing("this command"))
    elif isinstance(error, OSError) and error.strerror:
        complain(f"{error.filename}: {error.strerror}" if error.filename else error.strerror)
    elif isinstance(error, MemoryError):
        complain("there is not enough memory for this, so there is no result")
        return UNEXPECTED_EXIT_CODE
    elif sys.flags.dev_mode:
        raise error
    else:
        complain(
            f"unexpected error, so there is no result: {type(error).__name__}{_describe_place(error)}. {FAULT_ADVICE}"
        )
        return UNEXPECTED_EXIT_CODE
    return 2


def _describe_place(error: BaseException) -> str:
    """The last line of credkit that ``error`` passed; what it says may hold a value, or a key, and is not repeated."""
    from traceback import extract_tb

    package = os.path.dirname(os.path.dirname(__file__)) + os.sep
    frames = [frame for frame in extract_tb(error.__traceback__) if frame.filename.startswith(package)]
    return f" in credkit/{frames[-1].filename.removeprefix(package)} line {frames[-1].lineno}" if frames else ""


@click.group(
    cls=Commands,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
    epilog=f"""\b
Exit codes: 0 good, 1 a value failed, 2 wrong usage, 70 unexpected error,
130 interrupted. No colour when piped, or when NO_COLOR is set. Long work
shows its phases on standard error, if that is a terminal.

\b
Shell completion, for bash (also zsh_source, fish_source):
  eval "$(_CREDKIT_COMPLETE=bash_source credkit)"

{OF_THE_TOOL}""",
)
@click.version_option(__version__, message="credkit %(version)s")
@click.pass_context
def main(ctx: click.Context) -> None:
    """Codecs for the identifiers on access cards: text to bits to fields, and back.

    A chain says how, step by step: hex:8/right-justified:26/wiegand-26 reads eight hexadecimal
    digits, takes the last 26 bits of them, and reads those as a frame.

    \b
    To begin with:
      credkit formats
      credkit explain hex:8/right-justified:26/wiegand-26 02F764DD
      credkit demo
    """
    if os.environ.get("NO_COLOR"):
        ctx.color = False
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())

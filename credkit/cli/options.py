"""What several commands share: options, and the chains that they name."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from credkit.catalogue.registry import chain, names
from credkit.core.chains import AnyConversion
from credkit.core.chains import conversion as link_conversion
from credkit.core.codec import AnyCodec, Entry
from credkit.core.errors import DefinitionError
from credkit.core.shapes import describe_missing_front

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

    from credkit.files.cluster import Client

Command = TypeVar("Command", bound=Callable[..., Any])


class InputFile(click.File):
    """A regular file to read bytes from; ``-`` is standard input, whatever that is."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The open file; it is closed when the command ends."""
        if value == "-":
            return super().convert(value, param, ctx)
        from credkit.files.regularfiles import open_regular  # only for a run that has a file

        try:
            found = open_regular(Path(value))
        except OSError as error:
            self.fail(f"{value!r}: {error.strerror}", param, ctx)
        return ctx.with_resource(found) if ctx else found


def with_output_options(command: Command) -> Command:
    """--json and --reveal: how a command speaks."""
    reveal = click.option(
        "--reveal", is_flag=True,
        help="Show numbers that look like payment account numbers in full. Sentences keep their masks.",
    )  # fmt: skip
    return click.option("--json", "as_json", is_flag=True, help="Write one JSON object a line.")(reveal(command))


def with_common_options(command: Command) -> Command:
    """--json, --layouts and --reveal."""
    layouts = click.option(
        "--layouts", metavar="FILE", type=click.Path(dir_okay=False, path_type=Path), callback=_load_layouts,
        help="A TOML file of layouts that chains can name, or a site file: its layouts, contents, tables and plans.",
    )  # fmt: skip
    return layouts(with_output_options(command))


def with_file_option(command: Command) -> Command:
    """--file, for the commands that read values."""
    option = click.option(
        "--file", type=InputFile("rb"), metavar="FILE", help="Read values from FILE, one a line (- is standard input)."
    )
    return option(command)


def with_stream_option(command: Command) -> Command:
    """--stream, for the commands that read values."""
    option = click.option(
        "--stream", metavar="STREAM",
        help="Join or cut the values first: keypad:CHAIN joins key bursts, swipes:CHAIN cuts swipes out of a record.",
    )  # fmt: skip
    return option(command)


def with_hint_options(command: Command) -> Command:
    """--hints and --no-hints, for the commands that read values."""
    option = click.option(
        "--hints/--no-hints", default=None,
        help="Look for simple causes of every failure. Default: only for values given as arguments.",
    )  # fmt: skip
    return option(command)


def with_scheduler_option(files: str) -> Callable[[Command], Command]:
    """The option ``--scheduler`` of a command that reads ``files``; `connect_cluster` takes it."""
    return click.option(
        "--scheduler", metavar="ADDRESS",
        help=f"Let the workers of the Dask scheduler at ADDRESS read {files}, which all of them see.",
    )  # fmt: skip


@contextmanager
def connect_cluster(address: str) -> Iterator[Client]:
    """A client of the scheduler that --scheduler names; raises `DefinitionError` where the extra is absent."""
    try:
        from credkit.files.cluster import connect
    except ModuleNotFoundError:
        raise DefinitionError("--scheduler needs the extra cluster: pip install 'credkit[cluster]'") from None
    with connect(address) as client:
        yield client


def _load_layouts(ctx: click.Context, param: click.Parameter, path: Path | None) -> tuple[Entry, ...]:
    """The catalogue rows of the file that --layouts names."""
    if path is None:
        return ()
    from credkit.cli.layoutfile import file_entries  # only for a run that has its own

    return file_entries(path)


def complete_chain(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """Codec names for the last step of a chain."""
    from click.shell_completion import CompletionItem  # only for a shell that asks

    done, slash, begun = incomplete.rpartition("/")
    return [CompletionItem(f"{done}{slash}{name}") for name in names() if name.startswith(begun)]


def build_reader(text: str, codecs: Iterable[Entry]) -> AnyCodec:
    """The chain ``text`` for reading typed values; `DefinitionError` for one that cannot."""
    return _build_text_chain(text, codecs, "read")


def build_writer(text: str, codecs: Iterable[Entry]) -> AnyCodec:
    """The chain ``text`` for writing values as text; `DefinitionError` for one that cannot."""
    return _build_text_chain(text, codecs, "write")


def build_conversion(source: str, target: str, codecs: Iterable[Entry]) -> AnyConversion:
    """From one chain to another, both of which have text on the outer side."""
    return link_conversion(build_reader(source, codecs), build_writer(target, codecs))


def _build_text_chain(text: str, codecs: Iterable[Entry], verb: str) -> AnyCodec:
    codec = chain(text, codecs)
    if codec.takes != "text":
        front = describe_missing_front(codec.name, codec.input)
        raise DefinitionError(f"chain {codec.name} takes {codec.takes}, but a value here is text: {front}")
    if why := codec.decode_obstacle if verb == "read" else codec.encode_obstacle:
        raise DefinitionError(f"chain {codec.name} cannot {verb}: {why}")
    return codec

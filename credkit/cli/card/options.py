"""What the commands about cards share: where a master key comes from, and how a list of credentials is written."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any, TypeAlias

import click

from credkit.cards.masters import (
    MasterKey,
    check_value,
    master_from_environment,
    master_from_file,
    master_from_prompt,
)
from credkit.cli.options import Command
from credkit.cli.output import complain
from credkit.files.declaredfiles import CsvFile

Master: TypeAlias = Callable[[], MasterKey | None]  # asked for when the rest is known to be good
MASTER_SOURCES = "--master-file, --master-env, --master-prompt"


def with_master_options(command: Command) -> Command:
    """--master-file, --master-env and --master-prompt, as the one argument ``master``."""

    @wraps(command)
    def with_master(
        *args: Any, master_file: Path | None, master_env: str | None, master_prompt: bool, **options: Any
    ) -> Any:
        if sum((master_file is not None, master_env is not None, master_prompt)) > 1:
            raise click.UsageError(f"{MASTER_SOURCES}: there is one master key, so one of these is enough")
        return command(*args, master=lambda: _load_master(master_file, master_env, master_prompt), **options)

    for option in (
        click.option("--master-prompt", is_flag=True, help="Ask for the master key; it is not shown."),
        click.option(
            "--master-env", metavar="NAME", help="Take the master key from the environment variable NAME.",
        ),
        click.option(
            "--master-file", metavar="FILE", type=click.Path(path_type=Path),
            help="Read the master key (hex digits) from FILE, which only its owner may read.",
        ),
    ):  # fmt: skip
        with_master = option(with_master)
    return with_master  # type: ignore[return-value]  # it takes other arguments: those that click passes


def _load_master(file: Path | None, variable: str | None, prompt: bool) -> MasterKey | None:
    """The master key, if one was named; its check value is said aside."""
    if file is not None:
        found = master_from_file(file)
    elif variable is not None:
        found = master_from_environment(variable)
    elif prompt:
        if not sys.stdin.isatty():
            raise click.UsageError("--master-prompt asks on a terminal, and there is none; see --master-file")
        found = master_from_prompt(lambda text: str(click.prompt(text, hide_input=True, err=True)))
    else:
        return None
    complain(f"the check value of the master key is {check_value(found)}: the same for all who hold the same key")
    return found


def with_dialect_options(command: Command) -> Command:
    """--encoding and --delimiter, for the commands that read a list of credentials."""
    encoding = click.option(
        "--encoding",
        metavar="NAME",
        default="utf-8",
        callback=_parse_encoding,
        help="Of the credentials; utf-8 by default.",
    )
    delimiter = click.option(
        "--delimiter", metavar="SIGN", default=",", callback=_parse_delimiter,
        help="Between the cells of the credentials, or the word tab; a comma by default.",
    )  # fmt: skip
    return encoding(delimiter(command))


def _parse_encoding(ctx: click.Context, param: click.Parameter, value: str) -> str:
    try:
        " ".encode(value)
    except (LookupError, ValueError):
        raise click.BadParameter("this is not a text encoding that Python knows", ctx, param) from None
    return value


def _parse_delimiter(ctx: click.Context, param: click.Parameter, value: str) -> str:
    sign = "\t" if value == "tab" else value
    if len(sign) != 1 or sign in '"\r\n':
        raise click.BadParameter("this is not one character that can stand between cells", ctx, param)
    return sign


def credentials_file(path: Path, encoding: str, delimiter: str) -> CsvFile:
    """The list of credentials at ``path``."""
    return CsvFile(path=path, name=str(path), encoding=encoding, delimiter=delimiter, option="--{}")

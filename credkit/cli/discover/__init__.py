"""``credkit discover``: from samples of an undocumented format to what can be claimed of it; one file a command."""

from __future__ import annotations

import click

from credkit.cli import DISCOVER_COMMANDS, Commands
from credkit.explain.cautions import COPIES


@click.group(cls=Commands, table=DISCOVER_COMMANDS, invoke_without_command=True, epilog=COPIES)
@click.pass_context
def discover(ctx: click.Context) -> None:
    """Derive an undocumented format from samples, and say how sure one can be.

    Present some twenty cards, as unlike each other as can be; write down what the reader printed
    and what is printed on the cards. docs/discover.md walks from there to a site file.

    \b
    Frames of Brackwater Terminal's old pier, and the numbers on the cards:
      credkit discover layout pier.csv
      credkit discover layout pier.csv --toml

    \b
    The numbers printed on its badges:
      credkit discover digits badges.txt

    \b
    What its readers captured, beside its register:
      credkit discover site brackwater
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())

"""``credkit card``: what cards store, from the plan to the read-back; one file a command."""

from __future__ import annotations

import click

from credkit.cli import CARD_COMMANDS, Commands
from credkit.explain.cautions import OF_A_CARD


@click.group(cls=Commands, table=CARD_COMMANDS, invoke_without_command=True, epilog=OF_A_CARD)
@click.pass_context
def card(ctx: click.Context) -> None:
    """Plan what is stored on cards, write the data for them, and check what was read back.

    A plan (TOML) says what is stored where, who may read and write it, and where the keys come
    from. From it and a list of credentials the data for the encoding station is made; what the
    cards then hold is checked against both. docs/cards.md goes through it task by task.

    \b
    The staff card of Brackwater Terminal, from the plan to the read-back:
      credkit card plan staff-plan.toml
      credkit card data staff-plan.toml staff.csv --out batch --master-prompt
      credkit card check staff-plan.toml read-backs --credentials staff.csv
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())

"""``credkit card data``: the data for the encoding station."""

from __future__ import annotations

from pathlib import Path

import click

from credkit.cards.data import NoMasterKey, write_batch
from credkit.cards.plans import load_plan
from credkit.cli.card import options
from credkit.cli.output import Console, complain
from credkit.core.errors import DefinitionError
from credkit.explain.cautions import BEFORE_A_BATCH, CIPHER, LOCKS, SECRET_DATA, STORED


@click.command()
@click.argument("plan", type=click.Path(exists=True, dir_okay=False, path_type=Path), metavar="PLAN")
@click.argument("credentials", type=click.Path(exists=True, dir_okay=False, path_type=Path), metavar="CREDENTIALS")
@click.option(
    "--out", required=True, type=click.Path(file_okay=False, path_type=Path), metavar="DIR",
    help="Where the files go: a new directory, or an empty one.",
)  # fmt: skip
@click.option(
    "--with-keys",
    is_flag=True,
    help="Write the keys of the cards too: sector trailers in full. The files then have mode 600.",
)
@options.with_master_options
@options.with_dialect_options
@click.option("--json", "as_json", is_flag=True, help="Write one JSON object.")
def data(
    plan: Path, credentials: Path, out: Path, with_keys: bool, master: options.Master, encoding: str,
    delimiter: str, as_json: bool,
) -> None:  # fmt: skip
    """Write what each card of CREDENTIALS (CSV) gets by PLAN (TOML) into DIR.

    The columns of CREDENTIALS are those that credkit card plan lists. For each row there are two
    files: ID.bin for the encoding station, and ID.txt, the same to be read. manifest.csv lists
    them, batch.json says what they were made from, with the check value of the master key. DIR
    appears whole or not at all: a row that cannot be written, or that credkit card check would
    object to later, is named, and nothing is written. The manufacturer's block is never written.

    A master key is needed for MACs and derived keys. It never stands on a command line, and its
    check value (on standard error) lets two people see that they use the same one. Keys of cards
    are left out unless --with-keys is given; the encoding station then derives them itself.

    \b
    Brackwater Terminal, where the card office holds the master key:
      credkit card data plan.toml staff.csv --out batch --master-prompt
      credkit card data plan.toml staff.csv --out batch --master-file master.key

    \b
    --json: out, count, keys (whether they are written out), notes (text,
    count: those that the plan accepts).
    """
    door = Console(as_json=as_json)
    loaded = load_plan(plan)
    key = master()
    if with_keys:
        complain(SECRET_DATA)
    rows = options.credentials_file(credentials, encoding, delimiter)
    try:
        with door.progress() as progress:
            batch = write_batch(loaded, rows, out, master=key, keys=with_keys, progress=progress)
    except NoMasterKey as error:
        raise DefinitionError(f"{error} ({options.MASTER_SOURCES})") from None
    if as_json:
        notes = [{"text": text, "count": count} for text, count in batch.notes.items()]
        door.record({"out": str(out), "count": batch.count, "keys": with_keys, "notes": notes})
        return
    door.say(f"The data of {batch.count:,} card{'s' * (batch.count != 1)} are in {out}.")
    for text, count in batch.notes.items():
        door.say(f"- {text} (accepted by the plan; {count:,} card{'s' * (count != 1)})", indent="  ")
    door.say()
    door.say(f"{BEFORE_A_BATCH} {LOCKS} {CIPHER} {STORED}")

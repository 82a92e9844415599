"""Personalisation data: what the encoding station writes on each card of a list, in one folder.

    batch/
      C-1001.bin      for the station: block number (2 bytes, most significant first), the block's bytes, and so on
      C-1001.txt      the same to be read (`credkit.cards.listing`)
      manifest.csv    credential_id, serial, file, SHA-256 of that file
      batch.json      what it was made from, with which master key (its check value), and what to do before it is used

The folder takes its place when everything in it is on the disk: it is there whole, or not at all, and never in the
place of anything but an empty folder (`credkit.files.outputs`). Only its owner can read it, from the first byte
on, since it holds personal data and perhaps the keys of cards. Nothing in it tells the day, so the
same plan, list and key give the same bytes.

A digest in the manifest stands for its file: with keys in that file it is no less confidential,
because a short key can be searched for until the digest fits.

Source: RFC 4180 (manifest.csv), RFC 8259 (batch.json).
"""

from __future__ import annotations

import csv
import io
import json
import os
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from hashlib import sha256
from pathlib import Path

from credkit.cards.credentials import read_credentials
from credkit.cards.image import CardImage, ImageBuilder
from credkit.cards.keymatch import CHECK_VALUE
from credkit.cards.listing import BATCH_FILE, DUMP, LISTING, ListingWriter
from credkit.cards.masters import MasterKey, check_value
from credkit.cards.plan import CardPlan
from credkit.core.errors import CredkitError, DefinitionError
from credkit.core.frozen import FrozenMapping
from credkit.core.progress import SILENT, Progress
from credkit.core.version import __version__
from credkit.files.csvfiles import count_lines
from credkit.files.declaredfiles import CsvFile
from credkit.files.outputs import FolderOutput
from credkit.privacy.accounts import mask_accounts

MANIFEST = "manifest.csv"
MANIFEST_COLUMNS = ("credential_id", "serial", "file", "sha256")
PRECAUTIONS = (
    "encode one sacrificial card first",
    "let a second person compare it with the plan",
    "read it back and check it before the others are encoded",
)
_private = partial(os.open, mode=0o600)


class NoMasterKey(DefinitionError):
    """The plan needs a master key to be written, and there is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """A folder that was written: where, for how many cards, and whether their keys are in it.

    ``notes`` has each note on a record that the plan accepts, and of how many cards it is.
    """

    out: Path
    count: int
    keys: bool
    notes: Mapping[str, int]


def write_batch(
    plan: CardPlan,
    credentials: CsvFile,
    out: str | Path,
    *,
    master: MasterKey | None = None,
    keys: bool = False,
    progress: Progress = SILENT,
) -> Batch:
    """Write what each card of ``credentials`` gets by ``plan`` into the folder ``out``, which is new or empty.

    ``keys`` says that the keys of the cards are written out. ``progress`` is told after each card how many there are.
    Raises `DefinitionError` for the first row that cannot be written, and then nothing is; `NoMasterKey`
    where one is needed.
    """
    try:
        press = ImageBuilder(plan, master, keys=keys)
    except DefinitionError as error:
        if master is not None:
            raise
        raise NoMasterKey(str(error)) from None
    output = FolderOutput(out, "batch", marked=False)
    with output, output.explaining_refusals():
        folder = _BatchFolder(output.path, press)
        count = folder.fill(credentials, progress)
    return Batch(out=output.out, count=count, keys=keys, notes=FrozenMapping(dict(folder.notes)))


class _BatchFolder:
    """The folder while it is being filled."""

    def __init__(self, folder: Path, press: ImageBuilder) -> None:
        self.folder = str(folder)
        self.press = press
        self.listing = ListingWriter(press.plan)
        self.notes: Counter[str] = Counter()

    def fill(self, file: CsvFile, progress: Progress) -> int:
        """Write the files of every row, then those about all of them; how many rows there were."""
        count = 0
        progress.phase("writing cards", total=count_lines(file), unit="cards")
        with open(self.file_name(MANIFEST), "x", encoding="utf-8", newline="", opener=_private) as manifest:
            rows = csv.writer(manifest, lineterminator="\n")
            rows.writerow(MANIFEST_COLUMNS)
            for each in read_credentials(self.press.plan, file):
                try:
                    image = self.press.build_image(each.serial, each.row)
                except CredkitError as error:
                    file.refuse(each.line, str(error))
                self.notes.update({note.text for note in image.notes})
                data = encode_station_data(image)
                self.write(each.name + DUMP, data)
                text = self.listing.format_card(image, credential=each.name, serial=each.serial)
                self.write(each.name + LISTING, text.encode())
                rows.writerow((each.name, each.serial.hex().upper(), each.name + DUMP, sha256(data).hexdigest()))
                count += 1
                progress.done(count)
        if not count:
            raise DefinitionError(f"{file.name}: there is no credential in it, expected at least one row")
        self.write(BATCH_FILE, self.encode_about(count).encode())
        return count

    def file_name(self, name: str) -> str:
        return os.path.join(self.folder, name)

    def write(self, name: str, data: bytes) -> None:
        with open(self.file_name(name), "xb", buffering=0, opener=_private) as file:
            file.write(data)

    def encode_about(self, count: int) -> str:
        """What the folder was made from, as JSON."""
        plan = self.press.plan
        told = {
            "plan": mask_accounts(plan.name), "plan_sha256": plan.digest, "geometry": plan.geometry.name,
            "count": count,
            "credkit": __version__, "keys": self.press.keys,
            CHECK_VALUE: check_value(self.press.master) if self.press.master and plan.needs_master_key else None,
            "before_use": PRECAUTIONS,
        }  # fmt: skip
        return json.dumps(told, indent=2, ensure_ascii=False) + "\n"


def encode_station_data(image: CardImage) -> bytes:
    """What the encoding station gets: block numbers and bytes, in the order of writing."""
    buffer = io.BytesIO()
    for block, data in image.blocks_in_order():
        buffer.write(block.to_bytes(2, "big"))
        buffer.write(data)
    return buffer.getvalue()

"""The demo's cards: fifty of the new staff card are written, five bad ones are planted, and all must be caught.

The station and the cards are played here: what `write_batch` wrote for a card is laid on an empty
memory, block by block, and is then read back as a reader shows it, without the keys. The planted
read-backs are good ones with one thing changed. The master key is drawn for the run, lives in
memory only, and is gone when the demo ends.

Source: for the cards common practice, no source; ISO/IEC 14443-3 for serial numbers and their check byte.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from functools import reduce
from operator import xor
from pathlib import Path
from tempfile import TemporaryDirectory

from credkit.cards.access import Access
from credkit.cards.credentials import read_credentials
from credkit.cards.data import write_batch
from credkit.cards.findings import CheckedCard, Difference
from credkit.cards.geometry import Geometry
from credkit.cards.image import UNOWNED_BYTE
from credkit.cards.keys import MasterKey, key_refusal
from credkit.cards.plan import CardPlan
from credkit.cards.plans import load_plan
from credkit.cards.readback import check_all
from credkit.core.errors import CredkitError
from credkit.core.progress import SILENT, Progress
from credkit.demo.draws import Dice
from credkit.demo.folder import SEED, encode_csv, write_files
from credkit.files.declaredfiles import CsvFile

PLAN = Path(__file__).with_name("staff-plan.toml")
FOLDER, PLAN_FILE, LIST = "cards", "staff-plan.toml", "staff.csv"
DATA, READ_BACKS, BAD = "data", "read-backs", "bad-read-backs"
CARDS_WRITTEN = 50
DELIVERY_ACCESS = Access(
    (0, 0, 0, 1)
)  # as cards are delivered: either key reads and writes everything, and key B can be read
DELIVERY_KEY = b"\xff" * 6  # and as they are delivered, a key that is published
GIVEN_NAMES = (
    "Aino", "Bjørn", "Chloé", "Dörte", "Emre", "Fiadh", "Günter", "Håkon", "Iñaki", "Jürgen", "Kateřina", "Łucja",
    "Måns", "Noémie", "Øyvind", "Paweł", "Renée", "Søren", "Tomáš", "Zoë",
)  # fmt: skip
FAMILY_NAMES = (
    "Anker",
    "Boje",
    "Deich",
    "Ebbe",
    "Fähre",
    "Göpel",
    "Hafen",
    "Kogge",
    "Löschen",
    "Mole",
    "Pøls",
    "Ręka",
    "Włok",
)
CARD_NOTES = (
    "Pier 7 – nur tagsüber", "Hållbart t.o.m. mars", "Accès au quai n° 3", "Grue et portique: après formation",
    "Øst og vest havn", "Ochrona portu, zmiana B", "Jetée nord, été seulement", "Schlüssel beim Pförtner",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantedReadback:
    """A read-back with one thing changed: what was done, and the kind of difference that must tell it."""

    name: str
    done: str
    kind: str
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class CaughtReadback:
    """A planted read-back that was found: what was done to it, and the difference that says so."""

    name: str
    done: str
    difference: Difference


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoCards:
    """What became of the cards: where plan and list are, how many were written and read back clean, what was caught.

    ``data`` is None where an earlier run's were there, which are left alone. ``bad`` are the read-backs
    that are bad on purpose, this run's or the earlier one's; None where they are not there.
    """

    plan: Path
    listed: Path
    data: Path | None
    bad: Path | None
    written: int
    clean: int
    caught: tuple[CaughtReadback, ...]


def keys_obstacle() -> str:
    """Why no cards can be written here, in one sentence; empty where they can."""
    problem = key_refusal(bytes(16))
    return f"The part about new staff cards is left out: {problem}" if problem else ""


def write_demo_cards(folder: str | Path, seed: int = SEED, *, progress: Progress = SILENT) -> DemoCards:
    """Write plan, credentials and the data of fifty cards below ``folder``, read them back, and catch what is planted.

    Raises `DefinitionError` where the extra ``keys`` is missing, or a file is there and differs, and
    `CredkitError` if anything planted were not caught, or a good card were not clean.
    """
    master = MasterKey.from_bytes(secrets.token_bytes(32), "drawn for this run")
    home = Path(folder) / FOLDER
    write_files(home, {PLAN_FILE: PLAN.read_bytes(), LIST: staff_csv(seed)})
    plan, listed = load_plan(home / PLAN_FILE), CsvFile(path=home / LIST, name=LIST)
    with ExitStack() as stack:
        again = (home / DATA).exists() or (home / READ_BACKS).exists()
        place = Path(stack.enter_context(TemporaryDirectory())) if again else home
        batch = write_batch(plan, listed, place / DATA, master=master, progress=progress)
        good = {
            each.name: dump_card(plan, each.serial, (place / DATA / f"{each.name}.bin").read_bytes())
            for each in read_credentials(plan, listed)
        }
        planted = plant_readbacks(plan, good)
        write_files(place / READ_BACKS, {f"{name}.bin": data for name, data in good.items()})
        write_files(place / BAD, {f"{each.name}.bin": each.data for each in planted})
        paths = [place / READ_BACKS / f"{name}.bin" for name in good]
        clean = [
            each for each in check_all(plan, paths, listed, master=master, progress=progress) if not each.differences
        ]
        if len(clean) != len(good):
            raise CredkitError(f"demo: {len(good) - len(clean)} good cards have differences: a fault of credkit itself")
        found = {
            each.name: each
            for each in check_all(plan, [place / BAD / f"{each.name}.bin" for each in planted], listed, master=master)
        }
        caught = tuple(_find_planted(each, found) for each in planted)
    return DemoCards(
        plan=home / PLAN_FILE, listed=home / LIST, data=None if again else home / DATA,
        bad=home / BAD if (home / BAD).is_dir() else None, written=batch.count, clean=len(clean), caught=caught,
    )  # fmt: skip


def _find_planted(planted: PlantedReadback, found: Mapping[str, CheckedCard]) -> CaughtReadback:
    """The difference that tells what was planted; raises `CredkitError` where none does."""
    for name, checked in found.items():
        if Path(name).stem == planted.name:
            for difference in checked.differences:
                if difference.kind == planted.kind:
                    return CaughtReadback(name=planted.name, done=planted.done, difference=difference)
    raise CredkitError(f"demo: {planted.name}, {planted.done}, was not caught: a fault of credkit itself")


# ── who gets a card ─────────────────────────────────────────────────────────────────────────────


def staff_csv(seed: int = SEED) -> bytes:
    """The list of credentials, as CSV; the same for the same seed."""
    header = ("credential_id", "serial", "personnel_number", "secure_number", "contact", "note")
    return encode_csv(header, _draw_staff(Dice(seed)))


def _draw_staff(dice: Dice) -> Iterator[tuple[object, ...]]:
    serials: set[str] = set()
    for number in range(1, CARDS_WRITTEN + 1):
        while (serial := _draw_serial(dice)) in serials:
            pass
        serials.add(serial)
        name = f"{dice.one(GIVEN_NAMES)}.{dice.one(FAMILY_NAMES)}.{number}".lower()
        secure = f"{dice.below(10**6):06d}{dice.below(10**6):06d}"
        yield (
            f"N-{number:04d}", serial, 100_000 + dice.below(900_000), secure, f"mailto:{name}@example.org",
            dice.one(CARD_NOTES),
        )  # fmt: skip


def _draw_serial(dice: Dice) -> str:
    """A serial number of four bytes that is a card's own: none that is random, shared, reserved or cut."""
    first = 16 * dice.below(16) + dice.below(8)  # x8 is random, cut or reserved, xF is shared (ISO/IEC 14443-3)
    return bytes((first, *(dice.below(256) for _ in range(3)))).hex().upper()


# ── the station and the card ────────────────────────────────────────────────────────────────────


def dump_card(plan: CardPlan, serial: bytes, data: bytes) -> bytes:
    """What a reader shows of the card with this ``serial`` after the station wrote ``data``: all of it, keys as zeros.

    The station makes trailers itself, with the keys of that card.
    """
    memory = empty_card(plan.geometry, serial)
    size = plan.geometry.block_size
    for start in range(0, len(data), 2 + size):
        block = int.from_bytes(data[start : start + 2], "big")
        memory[block * size : (block + 1) * size] = data[start + 2 : start + 2 + size]
    for sector, access in plan.access.items():
        at = plan.geometry.trailer(sector) * size
        memory[at : at + size] = dump_trailer(access)
    return bytes(memory)


def empty_card(geometry: Geometry, serial: bytes) -> bytearray:
    """An empty card: the manufacturer's block, zeros, and trailers as delivered."""
    memory = bytearray(geometry.size)
    memory[:5] = *serial, reduce(xor, serial)
    memory[5:16] = bytes.fromhex("0804006263646566676869")  # made up, like the card
    for sector in range(len(geometry.sectors)):
        at = geometry.trailer(sector) * geometry.block_size
        memory[at : at + geometry.block_size] = dump_trailer(DELIVERY_ACCESS, DELIVERY_KEY)
    return memory


def dump_trailer(access: Access, key_b: bytes = bytes(6)) -> bytes:
    """A trailer as a reader shows it: key A never, key B only where the access conditions let it be read."""
    return bytes(6) + access.bytes + UNOWNED_BYTE + key_b


# ── what is wrong with five of them ─────────────────────────────────────────────────────────────


def plant_readbacks(plan: CardPlan, good: Mapping[str, bytes]) -> tuple[PlantedReadback, ...]:
    """Five read-backs that must be caught, each made of a good one."""
    names = list(good)
    at = {record.name: plan.geometry.bytes_of(range(record.places[0] // 16, record.places[0] // 16 + 1)).start
          for record in plan.records}  # fmt: skip
    last = plan.geometry.trailer(1) * plan.geometry.block_size

    def flipped(data: bytearray) -> None:
        data[at["personnel"] + 3] ^= 0x04

    def swapped(data: bytearray) -> None:
        start = at["secure"]
        data[start : start + 16] = good[names[11]][start : start + 16]

    def opened(data: bytearray) -> None:
        _, second, third, own = plan.access[1].conditions
        data[last : last + 16] = dump_trailer(Access((0, second, third, own)))

    def broken(data: bytearray) -> None:
        data[last + 6] ^= 0x01

    def published(data: bytearray) -> None:
        data[last + 10 : last + 16] = DELIVERY_KEY

    faults: tuple[tuple[str, str, str, Callable[[bytearray], None]], ...] = (
        (names[0], "a flipped bit", "record-differs", flipped),
        (names[1], "a copied number", "mac-wrong", swapped),
        (names[2], "open access conditions", "access-differs", opened),
        (names[3], "damaged access bits", "access-copies", broken),
        (names[4], "a published key", "published-key", published),
    )
    made = []
    for name, done, kind, change in faults:
        data = bytearray(good[name])
        change(data)
        made.append(PlantedReadback(name=name, done=done, kind=kind, data=bytes(data)))
    return tuple(made)

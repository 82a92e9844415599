"""Listings and dumps: the bytes of one card as a person reads them, and as they come back from a card.

    # comment
    block 4: 0001E240 00000000 00000000 00000000  # personnel number=123456
    block 7: ........ ....7877 8800.... ........  # trailer

A listing is lines of text; two full stops are a byte that is not said: a key that is not written
out, or one that a card does not show. Where a record begins, the comment says what its bytes mean,
for the person who compares. The lines that `ListingWriter` writes stand in the order of writing, and
`load_read_back` takes them in any. It also takes a dump: all bytes of the memory, and no others.

Sentences about a read-back name lines and places, and never repeat its bytes: they may be keys.

Source: common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from credkit.cards.geometry import Geometry
from credkit.cards.image import UNOWNED_BYTE, CardImage, SectorTrailer
from credkit.cards.plan import CardPlan, CardRecord
from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.files.regularfiles import open_regular

GROUP_BYTES = 4  # bytes written together
KEY_BYTES = 6  # bytes of a key
UNREAD_BYTE = ".."
LARGEST_FILE_BYTES = 1 << 20  # bytes of a file: the largest listing is a quarter of it
USUAL_FILE_BYTES = 1 << 14  # bytes of a file, up to which it is read at once
BATCH_FILE = "batch.json"  # what tells a folder that was written here from one of read-backs
LISTING, DUMP = ".txt", ".bin"
_LINE = re.compile(r"(block|page)\s+([0-9]{1,5})\s*:([0-9A-Fa-f.\s]*)(?:#.*)?")
_ENDS = re.compile(r"\r\n|\n|\r")
_NOT_TEXT = re.compile(rb"[^\t\n\r\x20-\x7e\x80-\xff]")


# ── writing ─────────────────────────────────────────────────────────────────────────────────────


class ListingWriter:
    """Writes the listings of one plan."""

    def __init__(self, plan: CardPlan) -> None:
        self.plan = plan
        self.unit = plan.geometry.unit
        self.plan_line = (
            f"# plan {redacted_repr(plan.name)}, {plan.geometry.name}; {self.unit}s in the order of writing"
        )
        size = plan.geometry.block_size
        self.held: dict[int, list[tuple[str, CardRecord | None]]] = {}  # names; the record too, where it begins
        for block in plan.blocks:
            self.held[block] = [
                (record.name, record if record.places[0] // size == block else None)
                for record in plan.records
                if any(at // size == block for at in record.places)
            ]
            if any(at // size == block for at in plan.container_places):
                self.held[block].append(("capability container", None))

    def format_card(self, image: CardImage, *, credential: str, serial: bytes) -> str:
        """The listing of what one card gets."""
        return "\n".join((*self._head(image, credential, serial), *self._lines(image), ""))

    def _head(self, image: CardImage, credential: str, serial: bytes) -> Iterator[str]:
        yield f"# credential {redacted_repr(credential)}, serial {serial.hex().upper()}"
        yield self.plan_line
        if image.trailers:
            if all(trailer.data for trailer in image.trailers):
                yield "# confidential: the keys of this card stand below; whoever has them can read and rewrite it"
            else:
                yield (
                    f"# {UNREAD_BYTE} is a byte of a key: the keys are not written out, "
                    "the encoding station derives them"
                )
        elif image.locks:
            yield f"# {UNREAD_BYTE} is a byte beside lock bytes: it is written as zero, which changes nothing"

    def _lines(self, image: CardImage) -> Iterator[str]:
        for block, data in image.blocks.items():
            told = ", ".join(
                [name + (_describe_meaning(record, image) if record else "") for name, record in self.held[block]]
            )
            yield f"{self.unit} {block}: {data.hex(' ', -GROUP_BYTES).upper()}  # {told}"
        duties = self.plan.geometry.duty_of_bytes
        for block, data in image.locks.items():
            start = block * len(data)
            said = (f"{byte:02x}" if duties[start + i] == "locks" else UNREAD_BYTE for i, byte in enumerate(data))
            yield f"{self.unit} {block}: {_group_digits(''.join(said))}  # lock bytes, for good"
        for trailer in image.trailers:
            yield f"{self.unit} {trailer.block}: {_describe_trailer(trailer)}  # trailer"


def format_listing(image: CardImage, plan: CardPlan, *, credential: str, serial: bytes) -> str:
    """The listing of what one card gets; `ListingWriter` is the quick way for many cards of a plan."""
    return ListingWriter(plan).format_card(image, credential=credential, serial=serial)


def _describe_meaning(record: CardRecord, image: CardImage) -> str:
    """What the bytes of a record say, without its MAC, behind a space; nothing where they have no meaning."""
    value = image.values.get(record.name)
    if value is None:
        return ""
    text = redacted_repr(value)
    if text.isprintable():
        return f" {text}"
    return " " + "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def _describe_trailer(trailer: SectorTrailer) -> str:
    keys = [key.hex() if key is not None else UNREAD_BYTE * KEY_BYTES for key in (trailer.key_a, trailer.key_b)]
    return _group_digits(f"{keys[0]}{(trailer.access.bytes + UNOWNED_BYTE).hex()}{keys[1]}")


def _group_digits(digits: str) -> str:
    width = 2 * GROUP_BYTES
    return " ".join(digits[at : at + width] for at in range(0, len(digits), width)).upper()


# ── reading ─────────────────────────────────────────────────────────────────────────────────────


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadBack:
    """What was read from one card: ``data`` of the whole memory, and in ``read_mask`` a 1 for each byte that was read.

    ``name`` is how sentences name it, ``stem`` its file's name without the ending.
    """

    name: str
    stem: str
    data: bytes = field(repr=False)
    read_mask: bytes = field(repr=False)

    def has_bytes(self, start: int, stop: int) -> bool:
        """Whether all of these bytes were read."""
        return self.read_mask.find(0, start, stop) < 0


def load_read_back(path: Path, plan: CardPlan) -> ReadBack:
    """The listing or dump at ``path``; raises `DefinitionError` for what is neither, or of another geometry."""
    path, memory = Path(path), plan.geometry
    data = _read_content(path)
    text = None if _NOT_TEXT.search(data) else _decode_text(data)
    if text is not None:
        return _ListingParser(str(path), memory).read(text, path.stem)
    if _is_station_data(data, plan):
        listing = path.with_suffix(LISTING)
        where = f"its listing is {listing.name}" if listing.is_file() else "check what was read back from the card"
        raise DefinitionError(f"{path}: this is the file for the encoding station; {where}")
    if len(data) != memory.size:
        raise DefinitionError(f"{path}: {len(data)} bytes, but {memory.name} has {memory.size}")
    return ReadBack(name=str(path), stem=path.stem, data=data, read_mask=b"\x01" * len(data))


def _is_station_data(data: bytes, plan: CardPlan) -> bool:
    """Whether these are block numbers and bytes, as `credkit.cards.data` writes them: all blocks of the plan."""
    step = 2 + plan.geometry.block_size
    if len(data) % step:
        return False
    numbers = [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), step)]
    return len(set(numbers)) == len(numbers) and set(plan.blocks) <= set(numbers)


def find_read_backs(paths: Iterable[Path]) -> list[Path]:
    """The files among ``paths``, and those in the folders among them, in order.

    In a folder, those that end in .txt and .bin count; in the folder of a batch only the listings, since its .bin
    files are no dumps. Raises `DefinitionError` for what is not there, and for a folder without any.
    """
    found: list[Path] = []
    for path in map(Path, paths):
        if not path.is_dir():
            if not path.exists():
                raise DefinitionError(f"{path}: there is no such file or folder")
            found.append(path)
            continue
        endings = (LISTING,) if (path / BATCH_FILE).exists() else (LISTING, DUMP)
        inside = sorted(each for each in path.iterdir() if each.suffix.lower() in endings and each.is_file())
        if not inside:
            raise DefinitionError(
                f"{path}: there is no read-back in this folder: no file that ends in {' or '.join(endings)}"
            )
        found += inside
    return found


def _read_content(path: Path) -> bytes:
    try:
        with open_regular(path) as file:
            data = file.read(USUAL_FILE_BYTES)  # nearly always all of it: a larger buffer costs more than the reading
            if len(data) == USUAL_FILE_BYTES:
                data += file.read(LARGEST_FILE_BYTES + 1 - USUAL_FILE_BYTES)
    except OSError as error:
        raise DefinitionError(f"{path}: the file cannot be read ({error.strerror})") from None
    if len(data) > LARGEST_FILE_BYTES:
        raise DefinitionError(f"{path}: more than {LARGEST_FILE_BYTES:,} bytes, which no read-back of one card has")
    return data


def _decode_text(data: bytes) -> str | None:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return None


class _ListingParser:
    """A listing while it is being read."""

    def __init__(self, name: str, memory: Geometry) -> None:
        self.name = name
        self.memory = memory
        self.data = bytearray(memory.size)
        self.seen = bytearray(memory.size)
        self.lines: dict[int, int] = {}

    def read(self, text: str, stem: str) -> ReadBack:
        for number, line in enumerate(_ENDS.split(text), 1):
            line = line.strip()
            if line and not line.startswith("#"):
                self.line(number, line)
        if not self.lines:
            raise self.refusal(0, f"there is no {self.memory.unit} in it, such as {self.example()}")
        return ReadBack(name=self.name, stem=stem, data=bytes(self.data), read_mask=bytes(self.seen))

    def line(self, number: int, line: str) -> None:
        memory = self.memory
        match = _LINE.fullmatch(line)
        if not match:
            raise self.refusal(number, f"this is neither a comment nor a {memory.unit}, such as {self.example()}")
        unit, block, size = match[1], int(match[2]), memory.block_size
        if unit != memory.unit:
            raise self.refusal(number, f"a {unit}, but {memory.name} has {memory.unit}s")
        if block >= memory.blocks:
            raise self.refusal(number, f"there is no {unit} {block}: {memory.name} has {memory.blocks}, from 0 on")
        if (before := self.lines.setdefault(block, number)) != number:
            raise self.refusal(number, f"{unit} {block} was there before, in line {before}")
        digits = "".join(match[3].split())
        if len(digits) != 2 * size:
            raise self.refusal(
                number, f"{unit} {block} has {len(digits)} digits, expected {2 * size}, for {size} bytes"
            )
        start = block * size
        if "." not in digits:
            self.data[start : start + size] = bytes.fromhex(digits)
            self.seen[start : start + size] = b"\x01" * size
            return
        for at in range(size):
            pair = digits[2 * at : 2 * at + 2]
            if pair != UNREAD_BYTE:
                if "." in pair:
                    raise self.refusal(
                        number, f"byte {at} of {unit} {block} is half a byte, expected two digits or {UNREAD_BYTE}"
                    )
                self.data[start + at], self.seen[start + at] = int(pair, 16), 1

    def example(self) -> str:
        return f"{self.memory.unit} 4: {_group_digits('00' * self.memory.block_size)}"

    def refusal(self, number: int, problem: str) -> DefinitionError:
        return DefinitionError(f"{self.name}{f' line {number}' if number else ''}: {problem}")

"""Memory maps: what lies where on a card, as a model, and as lines of plain text.

A `MemoryMap` is a model first and knows no renderer: sections (a sector, or several that are alike) of
rows (a block, or neighbours that are alike), and a row is stretches of bytes: a piece of a record, its
MAC, a key, free bytes. Each byte of the memory stands in it once. `format_memory_map` draws it as text,
`credkit.cards.svg` as a picture.

    sector 1
     4   [personnel-].  .  .  .  .  .  .  .  .  .  .  .    read A or B, write B
     7   [-----key A------][-bits--][-][-----key B------]  keys B, access B

Source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import astuple, dataclass, replace
from itertools import groupby

from credkit.cards.access import Access
from credkit.cards.plan import CardPlan, CardRecord
from credkit.core.spans import format_span, runs
from credkit.explain.drawing import bracket, first_fitting
from credkit.explain.screen import SCREEN_COLUMNS, escape_unprintable, label_text, wrap_text
from credkit.privacy.accounts import mask_accounts

NARROWEST_COLUMNS = 60  # columns
UNWRITTEN_WORDS = "never written"
UNWRITTEN_TRAILER_WORDS = "trailer not written, keys and conditions stay as delivered"
RECORD, MAC, FREE = "record", "mac", "free"
_GAP_COLUMNS = 2  # columns between a row and its words
_WORDS_COLUMNS = 21  # columns that the words of a row need
_LETTERS = "abcdefghijklmnopqrstuvwxyz"


@dataclass(frozen=True, slots=True, kw_only=True)
class ByteRun:
    """Neighbouring bytes of a block (``at``) that belong together.

    ``kind`` is record, mac, free, manufacturer, container, locks, or a part of a trailer: key-a, bits,
    spare, key-b. ``code`` stands for ``name`` where there is no room for it.
    """

    kind: str
    name: str
    code: str
    at: range


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryRow:
    """One block, or several that look the same; ``words`` say who may do what with it."""

    blocks: tuple[int, ...]
    stretches: tuple[ByteRun, ...]
    words: str
    locked: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MemorySection:
    """One sector, or several that look the same: then each row stands for its blocks in all of them."""

    sectors: range
    blocks: range
    rows: tuple[MemoryRow, ...]
    words: str

    @property
    def title(self) -> str:
        """The sectors, and what is to be said of all their blocks."""
        blocks = f" (blocks {format_span(self.blocks)}), each" if len(self.sectors) > 1 else ""
        return f"{_format_numbers('sector', self.sectors)}{blocks}{self.words and f': {self.words}'}"

    def label(self, row: MemoryRow) -> str:
        """The blocks of a row: their numbers, or with ``+`` their places in each of several sectors."""
        size = len(self.blocks) // len(self.sectors)
        if len(self.sectors) == 1:
            return format_span(row.blocks)
        return "+" + format_span(block - self.blocks.start for block in row.blocks if block < self.blocks.start + size)


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryMap:
    """The whole memory. ``codes`` are the letters of the records, by name; their MACs have the capital ones."""

    plan: CardPlan
    codes: Mapping[str, str]
    sections: tuple[MemorySection, ...]

    @property
    def head(self) -> tuple[str, ...]:
        """Whose memory it is, how it is divided, who holds which key, and how much is free."""
        plan, geometry = self.plan, self.plan.geometry
        free = geometry.free_bytes - plan.used_bytes
        room = (
            f"{geometry.size} bytes, {geometry.free_bytes} of them for data: {plan.used_bytes} in records, {free} free"
        )
        return (f"{geometry.name}: {geometry.title}", *_describe_keys(plan), room)

    @property
    def kinds(self) -> frozenset[str]:
        """The kinds of bytes that there are."""
        rows = (row for section in self.sections for row in section.rows)
        return frozenset(stretch.kind for row in rows for stretch in row.stretches)

    def remarks(self) -> Iterator[str]:
        """What a reader of the map must know of its numbers and words."""
        if any(len(section.sectors) > 1 for section in self.sections):
            yield "+ counts the blocks of each sector from 0"
        if self.plan.access:
            yield "keys, access: who may write the keys, and the access conditions"

    def legend(self) -> Iterator[tuple[CardRecord, str]]:
        """Each record, and where it lies, in words."""
        for record in self.plan.records:
            mac = f", and a MAC of {record.mac} ({self.codes[record.name].upper()})" if record.mac else ""
            size = f"{record.size} byte{'s' * (record.size != 1)}"
            yield record, f"{record.name}: {describe_record_place(self.plan, record)}, {size}{mac}"


def _format_numbers(what: str, numbers: range | tuple[int, ...]) -> str:
    return f"{what}{'s' * (len(numbers) > 1)} {format_span(numbers)}"


def _describe_keys(plan: CardPlan) -> Iterator[str]:
    """Who holds which key, and where it comes from."""
    said = []
    for slot, key in plan.keys.items():
        roles = [role for role, held in plan.roles.items() if held == slot]
        kind = "derived for each card" if key is None else "a published key"
        said.append(f"key {slot}: {', '.join(roles) or 'no role'} ({kind})")
    if said:
        yield "; ".join(said)


def describe_record_place(plan: CardPlan, record: CardRecord) -> str:
    """Where a record lies, its MAC included.

    >>> from credkit.cards.geometry import build_geometry
    >>> plan = CardPlan(name="staff", geometry=build_geometry("sectors-16x4"), serial=4, label="staff", records=())
    >>> [
    ...     describe_record_place(plan, CardRecord(name="x", size=1, places=tuple(places)))
    ...     for places in (range(64, 68), range(72, 100), (*range(64, 112), *range(128, 144)))
    ... ]
    ['block 4 bytes 0-3', 'block 4 byte 8 to block 6 byte 3', 'blocks 4-6,8']
    """
    size, unit = plan.geometry.block_size, plan.geometry.unit
    blocks = tuple(dict.fromkeys(at // size for at in record.places))
    (first, start), (last, end) = divmod(record.places[0], size), divmod(record.places[-1], size)
    if len(record.places) == len(blocks) * size:
        if len(runs(blocks)) > 2:
            return f"{unit}s {first}-{last} but for trailers"
        return _format_numbers(unit, blocks)
    if first == last:
        return f"{unit} {first} {_format_numbers('byte', range(start, end + 1))}"
    return f"{unit} {first} byte {start} to {unit} {last} byte {end}"


def assign_codes(plan: CardPlan) -> dict[str, str]:
    """A letter for each record: a to z, then a1 to z1 and so on."""
    return {
        record.name: _LETTERS[number % 26] + (str(number // 26) if number >= 26 else "")
        for number, record in enumerate(plan.records)
    }


# ── the model ───────────────────────────────────────────────────────────────────────────────────


def build_memory_map(plan: CardPlan) -> MemoryMap:
    """The memory of a card by its plan; neighbours that look the same are folded."""
    codes = assign_codes(plan)
    cells = _byte_cells(plan, codes)
    sections = [_build_section(plan, cells, sector) for sector in range(len(plan.geometry.sectors))]
    alike = (tuple(same) for _, same in groupby(sections, _section_shape))
    return MemoryMap(plan=plan, codes=codes, sections=tuple(_merge_sections(same) for same in alike))


def _build_section(plan: CardPlan, cells: list[tuple[str, str, str]], sector: int) -> MemorySection:
    """One sector."""
    blocks = plan.geometry.sectors[sector]
    rows = [_build_row(plan, cells, block, sector) for block in blocks]
    alike = groupby(rows, lambda row: (row.stretches, row.words, row.locked))
    return MemorySection(
        sectors=range(sector, sector + 1), blocks=blocks, rows=tuple(_merge_rows(tuple(same)) for _, same in alike),
        words=UNWRITTEN_TRAILER_WORDS if plan.geometry.keys and sector not in plan.access else "",
    )  # fmt: skip


def _section_shape(section: MemorySection) -> tuple[object, ...]:
    """What sectors have in common that look the same."""
    start = section.blocks.start
    looks = ((tuple(b - start for b in row.blocks), row.stretches, row.words, row.locked) for row in section.rows)
    return len(section.blocks), section.words, *looks


def _merge_sections(alike: tuple[MemorySection, ...]) -> MemorySection:
    """Neighbouring sectors that look the same, as one section."""
    first, last = alike[0], alike[-1]
    return MemorySection(
        sectors=range(first.sectors.start, last.sectors.stop), blocks=range(first.blocks.start, last.blocks.stop),
        rows=tuple(_merge_rows(same) for same in zip(*(section.rows for section in alike), strict=True)),
        words=first.words,
    )  # fmt: skip


def _merge_rows(rows: tuple[MemoryRow, ...]) -> MemoryRow:
    """Rows that look the same, as one."""
    blocks = tuple(block for row in rows for block in row.blocks)
    return replace(rows[0], blocks=blocks)


def _byte_cells(plan: CardPlan, codes: Mapping[str, str]) -> list[tuple[str, str, str]]:
    """Kind, name and code of what each byte belongs to."""
    names = {
        "": (FREE, "", ""), "manufacturer": ("manufacturer", "manufacturer", "maker"),
        "container": ("container", "container", "CC"), "locks": ("locks", "lock bytes", "locks"),
    }  # fmt: skip
    cells = [names.get(duty, (duty, duty, duty)) for duty in plan.geometry.duty_of_bytes]
    for reserved in plan.geometry.reserved:
        if reserved.duty == "trailer":
            key_a, key_b = (("key-a", "key A", "key A"), ("key-b", "key B", "key B"))
            parts = [key_a] * 6 + [("bits", "access bits", "bits")] * 3 + [("spare", "", "-")] + [key_b] * 6
            cells[reserved.at.start : reserved.at.stop] = parts
    for record in plan.records:
        code = codes[record.name]
        for number, at in enumerate(record.places):
            mac = number >= record.size
            cells[at] = (MAC, f"{record.name} MAC", code.upper()) if mac else (RECORD, record.name, code)
    return cells


def _build_row(plan: CardPlan, cells: list[tuple[str, str, str]], block: int, sector: int) -> MemoryRow:
    """The row of one block."""
    size = plan.geometry.block_size
    stretches, start = [], 0
    for (kind, name, code), same in groupby(cells[block * size : (block + 1) * size]):
        at = range(start, start + len(list(same)))
        stretches.append(ByteRun(kind=kind, name=name, code=code, at=at))
        start = at.stop
    access = plan.access.get(sector)
    if access is not None and stretches[0].kind != "manufacturer":
        words, locked = _describe_access(access, plan.geometry.unit_of(block * size)[1])
    else:
        words, locked = (
            _describe_block(plan, block, {stretch.kind for stretch in stretches}),
            block in plan.locked_blocks,
        )
    return MemoryRow(blocks=(block,), stretches=tuple(stretches), words=words, locked=locked)


def _describe_access(access: Access, group: int) -> tuple[str, bool]:
    """Who may do what with a group of blocks, and whether nobody can ever change them again.

    >>> _describe_access(Access((4, 0, 2, 3)), 0), _describe_access(Access((4, 0, 2, 3)), 1)
    (('read A or B, write B', False), ('anything with A or B', False))
    >>> _describe_access(Access((4, 0, 2, 4)), 2), _describe_access(Access((4, 0, 2, 4)), 3)
    (('read A or B, write never (for good)', True), ('keys B, access never', True))
    """
    trailer = access.trailer
    fixed = not trailer.write_access
    if group == 3:
        keys, bits = (" or ".join(each) or "never" for each in (trailer.write_key_a, trailer.write_access))
        return f"keys {keys}, access {bits}{'' if access.key_b else '; key B can be read'}", fixed
    rule = access.rule(group)
    rights = set(astuple(rule))
    if len(rights) == 1 and rights != {""}:
        return f"anything with {' or '.join(rights.pop())}", False
    ever = " (for good)" if fixed else ""
    if rights == {""}:
        return rule.description + ever, fixed
    closed = not rule.write
    return rule.description + f", write never{ever}" * closed, fixed and not (
        rule.write or rule.increment or rule.decrement
    )


def _describe_block(plan: CardPlan, block: int, kinds: set[str]) -> str:
    """What is to be said of a block without access conditions."""
    size, said = plan.geometry.block_size, []
    if "locks" in kinds:
        bits = [f"byte {at % size} {bits:02X}" for at, bits in sorted(plan.lock_bytes.items()) if at // size == block]
        said.append(f"lock bits set: {', '.join(bits)}" if bits else "lock bytes not written")
    elif "manufacturer" in kinds:
        said.append(UNWRITTEN_WORDS)
    if "container" in kinds:
        first = max(block * size - plan.container_at, 0)
        part = plan.container[first : (block + 1) * size - plan.container_at]
        said.append(f"written: {part.hex(' ').upper()}" if part else "container not written")
    if block in plan.locked_blocks:
        said.append("locked for good")
    elif RECORD in kinds or MAC in kinds:
        said.append("not locked")
    return "; ".join(said)


# ── as text ─────────────────────────────────────────────────────────────────────────────────────


def format_memory_map(plan: CardPlan, width: int = SCREEN_COLUMNS) -> list[str]:
    """The memory map as lines of plain text, none longer than ``width`` (of at least 60 columns).

    >>> from credkit.cards.geometry import build_geometry
    >>> record = CardRecord(name="number", size=6, places=tuple(range(4, 10)))
    >>> card = build_geometry("type5-28x4")
    >>> plan = CardPlan(name="Visitors", geometry=card, serial=8, label="", records=(record,))
    >>> print("\\n".join(format_memory_map(plan)))
    Visitors
    type5-28x4: 28 blocks of 4 bytes, locked one by one; the capability container
      opens block 0
    112 bytes, 108 of them for data: 6 in records, 102 free
    <BLANKLINE>
    block  0     1     2     3
     0     [------container-------]  container not written
     1     [--------number--------]  not locked
     2     [--number--].     .       not locked
     3-27  .     .     .     .
    <BLANKLINE>
     a  number: block 1 byte 0 to block 2 byte 1, 6 bytes
    <BLANKLINE>
     . free byte
    """
    drawn = build_memory_map(plan)
    width = max(width, NARROWEST_COLUMNS)
    lines = [
        line for text in (plan.name, *drawn.head) for line in wrap_text(mask_accounts(text), width, rest="  ") or [""]
    ]
    lines += ["", *_row_lines(drawn, width), ""]
    for record, words in drawn.legend():
        code = drawn.codes[record.name]
        lines += label_text(f" {code}", mask_accounts(words), 3 + len(code), width)
    return [line.rstrip() for line in (*lines, *[""] * bool(plan.records), *_legend_lines(drawn, width))]


def _legend_lines(drawn: MemoryMap, width: int) -> Iterator[str]:
    """What the signs of the drawing mean, if they are in it."""
    signs = [". free byte"] * (FREE in drawn.kinds) + ["[-] spare byte of a trailer"] * ("spare" in drawn.kinds)
    for text in (*["   ".join(signs)] * bool(signs), *drawn.remarks()):
        yield from wrap_text(mask_accounts(text), width, first=" ", rest="   ")


def _row_lines(drawn: MemoryMap, width: int) -> Iterator[str]:
    """The rows, below the numbers of their bytes."""
    geometry = drawn.plan.geometry
    size, unit = geometry.block_size, geometry.unit
    labels = [section.label(row) for section in drawn.sections for row in section.rows]
    margin = max(len(unit), *map(len, labels)) + 2
    cell = max(2, min(6, max(3, 32 // size), (width - margin - _GAP_COLUMNS - _WORDS_COLUMNS) // size))
    behind = margin + cell * size + _GAP_COLUMNS
    yield unit.ljust(margin) + "".join(_format_byte_number(at, cell).ljust(cell) for at in range(size))
    for section in drawn.sections:
        if geometry.keys:
            yield from wrap_text(mask_accounts(section.title), width, rest="  ")
        for row in section.rows:
            bars = "".join(_format_span(stretch, cell) for stretch in row.stretches)
            yield from label_text(
                f"{f' {section.label(row)}':<{margin}}{bars}", mask_accounts(row.words), behind, width
            )


def _format_byte_number(at: int, cell: int) -> str:
    """The number of a byte, left out where it would touch the next."""
    return str(at) if cell > 2 or at < 10 or at % 2 == 0 else ""


def _format_span(stretch: ByteRun, cell: int) -> str:
    """A stretch, drawn with its name or code."""
    room = cell * len(stretch.at)
    if stretch.kind == FREE:
        return ".".ljust(cell) * len(stretch.at)
    if label := first_fitting(filter(None, (escape_unprintable(stretch.name), stretch.code)), room - 2):
        return bracket(label, room, "[", "]")
    return stretch.code.center(room, "-")[:room]

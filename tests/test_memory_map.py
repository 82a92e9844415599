"""Memory maps: every byte drawn once, the golden drawings, and the picture as a file that others must read."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit.cards.access import Access
from credkit.cards.allotment import allot, parse_place
from credkit.cards.geometry import Geometry, build_geometry
from credkit.cards.memorymap import build_memory_map, describe_record_place, format_memory_map
from credkit.cards.plan import CardPlan, CardRecord
from credkit.cards.svg import memory_svg
from credkit.core.errors import DefinitionError
from tests.amounts import examples

MAPS = Path(__file__).with_name("screens") / "maps"
SVG = "{http://www.w3.org/2000/svg}"
CONTACT = CardRecord(name="contact", size=96, condition=4)
PERSONNEL = CardRecord(name="personnel", size=4, condition=4)
SECURE = CardRecord(name="secure", size=6, mac=8, condition=4, lock=True)


def made(structure: str, *wanted: tuple[CardRecord, str], trailer: int = 3, **more: Any) -> CardPlan:
    """A plan whose records lie where they should, with the trailer condition ``trailer`` in their sectors."""
    card = build_geometry(structure)
    places = allot(card, [record for record, _ in wanted], {r.name: parse_place(card, said) for r, said in wanted})
    records = tuple(replace(record, places=places[record.name]) for record, _ in wanted)
    if card.keys:
        more = {"keys": {"A": None, "B": None}, "roles": {"gate": "A", "issuer": "B"}, **more}
        more["access"] = conditions(card, records, trailer)
    return CardPlan(
        **{"name": "Brackwater staff card", "label": "x", "serial": card.serial, **more}, geometry=card, records=records
    )


def conditions(card: Geometry, records: Sequence[CardRecord], trailer: int) -> dict[int, Access]:
    """The access conditions of every sector with a record; free groups are for key B."""
    found = {card.unit_of(at): record.condition for record in records for at in record.places}
    sectors = sorted({sector for sector, _ in found})
    return {s: Access((found.get((s, 0), 3), found.get((s, 1), 3), found.get((s, 2), 3), trailer)) for s in sectors}


STAFF = ((PERSONNEL, "sector 1"), (SECURE, "block 5"), (CONTACT, "sectors 2-3"))
PLANS = {
    "sectors-16x4": made("sectors-16x4", *STAFF, (CardRecord(name="trips", size=16, condition=6), "block 16")),
    "sectors-32x4+8x16": made(
        "sectors-32x4+8x16", *STAFF, (CardRecord(name="note", size=400, condition=2), "sectors 34-36"), trailer=4
    ),
    "type2-144": made(
        "type2-144", (PERSONNEL, "anywhere"), (SECURE, "pages 6-9"),
        (replace(CONTACT, size=60, lock=True), "pages 18-39"),
        container=bytes.fromhex("e1101200"),
    ),
    "type5-64x4": made("type5-64x4", (PERSONNEL, "anywhere"), (SECURE, "blocks 6-9"), (CONTACT, "anywhere")),
}  # fmt: skip


@st.composite
def plans(draw: st.DrawFn) -> CardPlan:
    """Plans of every family, with as many of some records as fit."""
    family = draw(st.sampled_from(("sectors", "type2", "type5")))
    if family == "sectors":
        count = draw(st.integers(1, 12))
        name = f"sectors-{count}x4" + draw(st.sampled_from(("", "+1x16", "+3x16", "+2x4")))
    elif family == "type2":
        name = f"type2-{8 * draw(st.integers(6, 40))}"
    else:
        name = f"type5-{draw(st.integers(2, 80))}x{draw(st.sampled_from((4, 8)))}"
    card = build_geometry(name)
    kept: list[tuple[CardRecord, str]] = []
    for number in range(draw(st.integers(0, 30))):
        record = CardRecord(
            name=draw(st.sampled_from(("r", "record-", "a-long-name-of-a-record-"))) + str(number),
            size=draw(st.integers(1, 12) | st.integers(1, 200)), mac=draw(st.sampled_from((0, 0, 4, 8, 16))),
            condition=draw(st.integers(0, 7)), lock=draw(st.booleans()),
        )  # fmt: skip
        try:
            allot(
                card,
                [r for r, _ in (*kept, (record, ""))],
                {r.name: parse_place(card, "anywhere") for r, _ in (*kept, (record, ""))},
            )
        except DefinitionError:
            continue
        kept.append((record, "anywhere"))
    return made(name, *kept, trailer=draw(st.integers(0, 7)))


# ── the model ───────────────────────────────────────────────────────────────────────────────────


def owners(plan: CardPlan) -> dict[int, tuple[str, str]]:
    """Kind and name of each byte in the model; a byte that stands in it twice is an error."""
    found: dict[int, tuple[str, str]] = {}
    for section in build_memory_map(plan).sections:
        for row in section.rows:
            for block in row.blocks:
                for stretch in row.stretches:
                    for byte in stretch.at:
                        at = block * plan.geometry.block_size + byte
                        assert at not in found
                        found[at] = stretch.kind, stretch.name
    return found


@examples(25)
@given(plans())
def test_every_byte_stands_in_the_model_once_with_its_owner(plan: CardPlan) -> None:
    found = owners(plan)
    assert sorted(found) == list(range(plan.geometry.size))
    for record in plan.records:
        assert {found[at] for at in record.places[: record.size]} == {("record", record.name)}
        assert {found[at] for at in record.places[record.size :]} <= {("mac", f"{record.name} MAC")}
    count = Counter(kind for kind, _ in found.values())
    assert count["record"] == sum(record.size for record in plan.records)
    assert count["mac"] == sum(record.mac for record in plan.records)
    assert count["free"] == plan.geometry.free_bytes - plan.used_bytes
    for duty in ("manufacturer", "container", "locks"):
        assert {at for at, (kind, _) in found.items() if kind == duty} == {
            at for each in plan.geometry.reserved if each.duty == duty for at in each.at
        }


@examples(25)
@given(plans())
def test_neighbours_that_look_the_same_are_folded_and_rows_cover_their_section(plan: CardPlan) -> None:
    sections = build_memory_map(plan).sections
    assert [n for section in sections for n in section.sectors] == list(range(len(plan.geometry.sectors)))
    for section in sections:
        assert sorted(block for row in section.rows for block in row.blocks) == list(section.blocks)
        looks = [(row.stretches, row.words, row.locked) for row in section.rows]
        assert all(one != other for one, other in pairwise(looks))
        for row in section.rows:
            assert [at for stretch in row.stretches for at in stretch.at] == list(range(plan.geometry.block_size))
            assert row.locked == all(block in plan.locked_blocks for block in row.blocks) or plan.geometry.keys


def test_the_parts_of_a_trailer() -> None:
    """Common practice, no source: key A (6 bytes), access bits (3), a free byte, key B (6)."""
    found = owners(PLANS["sectors-16x4"])
    kinds = [found[7 * 16 + at][0] for at in range(16)]
    assert kinds == ["key-a"] * 6 + ["bits"] * 3 + ["spare"] + ["key-b"] * 6
    assert Counter(kind for kind, _ in found.values())["key-a"] == 16 * 6


# Trailer conditions by C1 C2 C3, common practice, no source: who writes the keys, and who the access conditions.
TRAILERS = {
    0: "keys A, access never; key B can be read", 1: "keys A, access A; key B can be read",
    2: "keys never, access never; key B can be read", 3: "keys B, access B", 4: "keys B, access never",
    5: "keys never, access B", 6: "keys never, access never", 7: "keys never, access never",
}  # fmt: skip
# Data conditions, common practice, no source, where key B counts and the access conditions can be changed.
DATA = {
    0: "anything with A or B", 1: "read A or B, decrement A or B, write never", 2: "read A or B, write never",
    3: "read B, write B", 4: "read A or B, write B", 5: "read B, write never",
    6: "read A or B, write B, increment B, decrement A or B", 7: "nothing, with any key",
}  # fmt: skip


def words(plan: CardPlan, block: int) -> tuple[str, bool]:
    rows = (row for section in build_memory_map(plan).sections for row in section.rows)
    row = next(row for row in rows if block in row.blocks)
    return row.words, row.locked


@pytest.mark.parametrize("trailer", range(8))
def test_a_trailer_says_its_condition(trailer: int) -> None:
    plan = made("sectors-16x4", (PERSONNEL, "block 4"), trailer=trailer)
    assert words(plan, 7) == (TRAILERS[trailer], "access never" in TRAILERS[trailer])


@pytest.mark.parametrize("condition", range(8))
def test_a_data_block_says_its_condition(condition: int) -> None:
    record = replace(PERSONNEL, condition=condition)
    assert words(made("sectors-16x4", (record, "block 4")), 4) == (DATA[condition], False)
    said, locked = words(made("sectors-16x4", (record, "block 4"), trailer=6), 4)
    never = condition in (1, 2, 5, 7)  # no key writes, and the access conditions never change either
    assert said == DATA[condition] + " (for good)" * never
    assert locked == (condition in (2, 5, 7)), "a value that can be decremented is not locked"


def test_where_key_b_can_be_read_only_key_a_counts() -> None:
    assert words(made("sectors-16x4", (PERSONNEL, "block 4"), trailer=1), 4) == ("read A, write never", False)
    anything = replace(PERSONNEL, condition=0)
    assert words(made("sectors-16x4", (anything, "block 4"), trailer=1), 4) == ("anything with A", False)


def test_lock_bytes_and_container_of_pages() -> None:
    """NFC Forum Type 2 Tag, from memory: a bit a page in bytes 10 and 11, behind the data area a bit for 8 bytes."""
    plan = PLANS["type2-144"]
    assert words(plan, 2)[0] == "lock bits set: byte 2 C0, byte 3 03", "pages 6 and 7, pages 8 and 9"
    assert words(plan, 40)[0] == "lock bits set: byte 0 FE, byte 1 01", "pages 18-33, two a bit; pages 16-17 are bit 0"
    assert words(plan, 3)[0] == "written: E1 10 12 00"
    assert words(plan, 33) == ("locked for good", True), "free, and locked along with page 32"
    assert words(plan, 4) == ("not locked", False)
    bare = made("type2-144", (PERSONNEL, "page 4"))
    assert [words(bare, page)[0] for page in (0, 2, 3, 40)] == [
        "never written", "lock bytes not written", "container not written", "lock bytes not written",
    ]  # fmt: skip


def test_a_container_over_two_blocks() -> None:
    """NFC Forum Type 5 Tag: 8192 bytes are E2 40 00 01 00 00 03 FF, of which 8188 for data here, 1023 times 8."""
    container = bytes.fromhex("e2400001000003ff")
    plan = made("type5-2048x4", (PERSONNEL, "block 2"), container=container)
    assert [words(plan, block)[0] for block in (0, 1)] == ["written: E2 40 00 01", "written: 00 00 03 FF"]


@pytest.mark.parametrize(
    ("places", "said"),
    [
        (range(64, 68), "block 4 bytes 0-3"),
        (range(71, 72), "block 4 byte 7"),
        (range(64, 80), "block 4"),
        (range(72, 100), "block 4 byte 8 to block 6 byte 3"),
        ((*range(64, 112), *range(128, 144)), "blocks 4-6,8"),
        ((*range(64, 112), *range(128, 176), *range(192, 208)), "blocks 4-12 but for trailers"),
    ],
)
def test_where_a_record_is_in_words(places: Sequence[int], said: str) -> None:
    record = CardRecord(name="x", size=len(places), places=tuple(places))
    assert describe_record_place(PLANS["sectors-16x4"], record) == said


def test_who_holds_a_key_and_what_is_free_is_said_at_the_top() -> None:
    plan = made("sectors-16x4", *STAFF, keys={"A": None, "B": None}, roles={"gate": "A", "till": "A"})
    assert build_memory_map(plan).head == (
        "sectors-16x4: 16 sectors of 4 blocks of 16 bytes, the last of each its trailer",
        "key A: gate, till (derived for each card); key B: no role (derived for each card)",
        "1024 bytes, 752 of them for data: 114 in records, 638 free",
    )


# ── as text ─────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("name", PLANS)
def test_the_drawing(name: str) -> None:
    """The lines that begin with # say what the drawing was checked against."""
    text = (MAPS / f"{name}.txt").read_text(encoding="utf-8")
    wanted = [line for line in text.splitlines() if not line.startswith("# ")]
    assert len(wanted) < len(text.splitlines())
    assert format_memory_map(PLANS[name]) == wanted


@examples(25)
@given(plans(), st.integers(20, 130))
def test_lines_are_plain_and_fit(plan: CardPlan, width: int) -> None:
    lines = format_memory_map(plan, width)
    assert all(line.isascii() and (line.isprintable() or not line) for line in lines)
    assert max(map(len, lines)) <= max(width, 60)
    assert all(line == line.rstrip() for line in lines)
    said = " ".join(" ".join(lines).split())
    assert all(f"{record.name}: " in said for record in plan.records)


@examples(25)
@given(plans())
def test_each_byte_has_its_columns(plan: CardPlan) -> None:
    """At 80 columns a byte takes 6 columns in blocks of 4 bytes, 4 in those of 8, 3 in those of 16."""
    size = plan.geometry.block_size
    each = {4: 6, 8: 4, 16: 3}[size]
    lines = format_memory_map(plan)
    head = next(line for line in lines if line.startswith(f"{plan.geometry.unit} ") and " 0 " in line)
    left = head.index(" 0 ") + 1
    drawn = build_memory_map(plan)
    rows = [(section, row) for section in drawn.sections for row in section.rows]
    found = [line for line in lines if re.match(r" \+?[0-9]", line)]
    assert len(found) == len(rows)
    for line, (section, row) in zip(found, rows, strict=True):
        assert line.split()[0] == section.label(row)
        cells = line[left:].ljust(each * size)
        for stretch in row.stretches:
            piece = cells[each * stretch.at.start : each * stretch.at.stop]
            if stretch.kind == "free":
                assert piece.split() == ["."] * len(stretch.at)
            elif stretch.name and len(stretch.name) + 2 <= len(piece):
                assert piece.strip("[]-") == stretch.name.strip("-")
                assert piece[0] + piece[-1] == "[]"
            else:
                assert piece.strip("[]-") == stretch.code.strip("-")


@pytest.mark.parametrize("name", ["sectors-32x4+8x16", "sectors-16x4", "type5-256x4", "type5-1024x8", "type2-872"])
def test_a_large_card_stays_short(name: str) -> None:
    record = replace(CONTACT, size=200)
    assert len(format_memory_map(made(name, (record, "anywhere")))) < 40
    assert len(format_memory_map(made(name))) < 30, "a plan without records is drawn too"


def test_a_long_name_gives_way_to_its_letter() -> None:
    plan = made("sectors-16x4", (PERSONNEL, "block 4"), (CardRecord(name="date-of-the-last-check", size=2), "block 5"))
    lines = format_memory_map(plan)
    assert any(line.startswith(" 5 ") and "[-b--]" in line for line in lines)
    assert " b  date-of-the-last-check: block 5 bytes 0-1, 2 bytes" in lines


def test_letters_go_on_behind_z() -> None:
    records = [CardRecord(name=f"record-number-{number}", size=1, condition=4) for number in range(30)]
    plan = made("sectors-16x4", *((record, "sectors 1-2") for record in records))
    codes = list(build_memory_map(plan).codes.values())
    assert (codes[0], codes[25], codes[26], codes[29]) == ("a", "z", "a1", "d1")
    assert len(set(codes)) == 30
    assert any("[z]" in line and "a1" in line for line in format_memory_map(plan))


# ── as a picture ────────────────────────────────────────────────────────────────────────────────


def parsed(plan: CardPlan) -> ElementTree.Element:
    return ElementTree.fromstring(memory_svg(plan))


def texts(root: ElementTree.Element) -> list[str]:
    return [each.text or "" for each in root.iter(f"{SVG}text")]


@examples(20)
@given(plans())
def test_the_picture_shows_every_stretch_in_its_place(plan: CardPlan) -> None:
    root = parsed(plan)
    width, height = float(root.attrib["width"]), float(root.attrib["height"])
    assert root.attrib["viewBox"] == f"0 0 {root.attrib['width']} {root.attrib['height']}"
    stretches = [each for each in root.iter(f"{SVG}g") if each.get("class") == "stretch"]
    model = [s for section in build_memory_map(plan).sections for row in section.rows for s in row.stretches]
    assert [each.get("data-kind") for each in stretches] == [stretch.kind for stretch in model]
    edges = [next(r for r in each.iter(f"{SVG}rect") if r.get("class") == "edge") for each in stretches]
    each_byte = min(72, 576 // plan.geometry.block_size)
    numbers = [each for each in root.iter(f"{SVG}text") if each.get("text-anchor") == "middle"]
    assert [each.text for each in numbers] == [str(at) for at in range(plan.geometry.block_size)]
    left = float(numbers[0].attrib["x"]) - each_byte / 2
    for edge, stretch in zip(edges, model, strict=True):
        assert float(edge.attrib["width"]) == each_byte * len(stretch.at)
        assert abs(float(edge.attrib["x"]) - left - each_byte * stretch.at.start) < 0.01
    for each in root.iter(f"{SVG}rect"):
        if each.get("width") != "100%":
            assert float(each.attrib["x"]) + float(each.attrib["width"]) <= width
            assert float(each.attrib["y"]) + float(each.attrib["height"]) <= height
    assert all(0 < float(each.attrib["y"]) <= height for each in root.iter(f"{SVG}text"))
    said = " ".join(texts(root))
    assert all(f"{record.name}: " in said for record in plan.records)


@pytest.mark.parametrize("name", PLANS)
def test_the_picture_stands_alone_and_is_read_aloud(name: str) -> None:
    drawing = memory_svg(PLANS[name])
    assert re.findall(r"[a-z]+://[^\"' ]*", drawing) == ["http://www.w3.org/2000/svg"]
    root = ElementTree.fromstring(drawing)
    assert root.attrib["role"] == "img"
    title, desc = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert desc is not None
    assert root.attrib["aria-labelledby"].split() == [title.attrib["id"], desc.attrib["id"]]
    assert title.text == "Memory map: Brackwater staff card"
    assert all(f"{record.name}: " in (desc.text or "") for record in PLANS[name].records)
    assert not [
        e.tag for e in root.iter() if e.tag.removeprefix(SVG) in ("script", "image", "use", "a", "foreignObject")
    ]
    assert not [key for e in root.iter() for key in e.attrib if "href" in key or key.startswith("on")]
    made_here = {f"url(#{e.attrib['id']})" for e in root.iter(f"{SVG}pattern")}
    used = {e.attrib["fill"] for e in root.iter() if "fill" in e.attrib}
    assert used
    assert used <= made_here


def test_colours_follow_the_screen_and_paper_is_light() -> None:
    style = parsed(PLANS["type2-144"]).find(f"{SVG}style")
    assert style is not None
    assert "@media screen and (prefers-color-scheme:dark)" in (style.text or "")
    assert {f"t{number}" for number in range(6)} <= set(re.findall(r"\.(t[0-9])\{fill", style.text or ""))


def channels(colour: str) -> list[float]:
    return [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]


def luminance(colour: str) -> float:
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels(colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_text_is_readable_on_every_colour() -> None:
    """WCAG 2: a contrast of 4.5 to 1 for text, from memory; relative luminance by the sRGB formula."""
    assert luminance("#ffffff") == pytest.approx(1)
    style = parsed(PLANS["type2-144"]).find(f"{SVG}style")
    assert style is not None
    schemes = re.findall(r":root\{([^}]*--ink[^}]*)\}", style.text or "")
    assert len(schemes) == 2
    for scheme in schemes:
        colours = dict(re.findall(r"--([a-z0-9]+):(#[0-9a-f]{6})", scheme))
        assert len(colours) == 5 + 6
        for name in colours.keys() - {"ink", "soft"}:
            light, dark = sorted((luminance(colours["ink"]), luminance(colours[name])), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 4.5, name
        light, dark = sorted((luminance(colours["soft"]), luminance(colours["paper"])), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5


def test_locks_are_drawn_and_said() -> None:
    root = parsed(PLANS["type2-144"])
    locks = [each for each in root.iter(f"{SVG}path") if each.get("class") == "shackle"]
    rows = [row for section in build_memory_map(PLANS["type2-144"]).sections for row in section.rows if row.locked]
    assert len(rows) == 6, "pages 6, 7, 8, 9, 18-32 and 33"
    assert len(locks) == len(rows) + 1, "and one in the legend"
    assert texts(root).count("locked for good") == len(rows)


def test_a_name_is_drawn_where_there_is_room_for_it_as_it_is_seen() -> None:
    """A control character takes four columns once it is written out: three bytes hold 12 characters, not 15."""
    for name, drawn in (("abcdefghijkl", True), ("a\x00b\x00cdef", False), ("a\x00b\x00c", True)):
        root = parsed(made("sectors-16x4", (replace(PERSONNEL, name=name, size=3), "block 4")))
        labels = [each.text for each in root.iter(f"{SVG}text") if each.get("class") == "code"]
        assert (name.replace("\x00", "\\x00") in labels) == drawn, name


HOSTILE = (
    "<script>alert(1)</script>", "]]>&amp;\"'", "a\x00b\x1b[31m", "\ud800", "\u202egnp.exe",
    "港" * 60, "x" * 300, "e\u0301" * 40,
)  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_are_text_and_nothing_else(name: str) -> None:
    record = replace(PERSONNEL, name=name)
    plan = made("sectors-16x4", (record, "block 4"), name=name, roles={name: "A"})
    root = ElementTree.fromstring(memory_svg(plan).encode("utf-8"))
    plain = parsed(made("sectors-16x4", (PERSONNEL, "block 4")))
    tags = {each.tag for each in plain.iter()}
    assert {each.tag for each in root.iter()} == tags
    shown = "".join("".join(texts(root)).split())
    visible = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in name)
    assert shown.count("".join(visible.split())) >= 2, "in the title and in the legend"
    lines = format_memory_map(plan)
    assert all(line.isprintable() for line in lines)
    assert max(map(len, lines)) <= 80


@given(st.text(min_size=1, max_size=60))
@examples(25)
def test_any_name_makes_a_picture_that_parses(name: str) -> None:
    plan = made("type5-28x4", (replace(PERSONNEL, name=name), "block 1"), name=name)
    root = ElementTree.fromstring(memory_svg(plan).encode("utf-8"))
    title = root.find(f"{SVG}title")
    assert title is not None
    assert (title.text or "").startswith("Memory map: ")
    assert all(line.isprintable() for line in format_memory_map(plan))


def test_no_published_key_stands_in_a_map() -> None:
    key = bytes.fromhex("a0a1a2a3a4a5")
    plan = made("sectors-16x4", (PERSONNEL, "block 4"), keys={"A": key, "B": None})
    for text in ("\n".join(format_memory_map(plan)), memory_svg(plan)):
        assert "key A: gate (a published key); key B: issuer (derived for each card)" in text
        assert key.hex() not in text.lower()

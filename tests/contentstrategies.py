"""Contents at random, and values that fit them: for the laws and the fuzzer, drawn from a `random.Random`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from random import Random
from typing import Any

from credkit.codecs.contents import TrackParts
from credkit.codecs.tracktexts import TrackText
from credkit.core.fields import Item
from credkit.core.reading import Field, SchemaRow, TextField
from credkit.tables.characters import ALPHANUMERIC, NUMERIC, CharacterSet
from credkit.tables.checkcharacters import CONTENT_RULES, UNWEIGHTED_RULES, WEIGHTED_RULE
from credkit.tables.content import Content
from credkit.tables.itemdefinition import PRINTABLE
from credkit.tables.items import ClosingCheck, format_ranges

Some = Callable[[Random, SchemaRow], Item]
SETS: dict[str, CharacterSet] = {"7-bit": ALPHANUMERIC, "5-bit": NUMERIC}


# ── values that fit ─────────────────────────────────────────────────────────────────────────────


def valid_content(random: Random, content: Content, some: Some) -> dict[str, Item]:
    """Fields that the content writes: short enough, and right where a field holds its own check character."""
    fields: dict[str, Item] = {name: some(random, row) for name, row in content.schema.items()}
    by_size = sorted(fields, key=lambda name: -len(str(fields[name])))
    while content.max_characters is not None and content.size(content.encode(fields)[0]) > content.max_characters:
        name = by_size.pop(0)
        fields[name] = some(random, _shortest(content.schema[name]))
    for check in content.checks:
        if isinstance(check, ClosingCheck):
            fields[check.field.name] = _checked(random, check, fields[check.field.name])
    return fields


def _shortest(row: SchemaRow) -> SchemaRow:
    if isinstance(row, Field):
        return replace(row, most=row.least)
    return replace(row, lengths=row.lengths[:1])


def _checked(random: Random, check: ClosingCheck, value: Any) -> str:
    """``value`` with its last character right; other ones change where that would be the padding."""
    row = check.field.row
    assert isinstance(row, TextField)
    for _ in range(200):
        if not value:
            break
        made = value[:-1] + check.character.compute(value[:-1])
        if row.problem(made) is None:
            return str(made)
        value = "".join(random.choice(check.field.alphabet) for _ in range(random.choice(row.lengths)))
    assert row.problem("") is None, f"no value of {row} has a right check character"
    return ""


def valid_parts(random: Random, codec: TrackParts) -> dict[str, str]:
    letters = codec.letters.content_letters.replace(codec.letters.separator, "")
    sizes = [random.choice((0, 1, 4, 12)) for _ in range(random.choice((1, 2, 3, 7)))]
    return {f"part{n}": "".join(random.choice(letters) for _ in range(size)) for n, size in enumerate(sizes, 1)}


def valid_track(random: Random, codec: TrackText) -> str:
    letters = codec.letters
    text = "".join(random.choice(letters.content_letters) for _ in range(random.choice((0, 1, 2, 8, 30))))
    return f"{letters.start}{text}{letters.end}"


def typed(random: Random, codec: TrackText, track: str) -> str:
    """``track`` as a reader may type it: other tracks around it."""
    text = codec.encode(track)
    if codec.number > 1 and random.randrange(2):
        text = random.choice(("%EAST^17?", "%?", "%E?")) + text
    if codec.number < 3 and random.randrange(2):
        text += random.choice(("+01?", "+A-1?", "+E?", "%B?" if codec.number == 2 or text[0] == "%" else "+?"))
    return text


# ── definitions ─────────────────────────────────────────────────────────────────────────────────


def content_definition(random: Random) -> dict[str, Any]:
    """A content definition that is right: behind a field of any length stands what cannot be in it."""
    table: dict[str, Any] = {}
    usable = PRINTABLE
    where = random.randrange(3)
    if where == 1:
        table["track"] = random.randint(1, 3)
        usable = (ALPHANUMERIC if table["track"] == 1 else NUMERIC).content_letters
    elif where == 2:
        table["set"] = random.choice(("7-bit", "5-bit"))
        usable = SETS[table["set"]].content_letters
    marks = "".join(random.sample([c for c in usable if not c.isalnum()], 2))
    items: list[dict[str, Any]] = []
    held: dict[str, str] = {}  # what may stand in each field, with what fills it up or stands for none
    open_end = False
    for number in range(random.randint(1, 6)):
        if open_end or random.randrange(4) == 0:
            first = random.choice(marks if open_end else usable)
            items.append({"constant": first + "".join(random.choice(usable) for _ in range(random.randint(0, 2)))})
        row, letters = _field_row(random, usable, marks)
        items.append({"field": f"field_{number}", **row})
        held[f"field_{number}"] = letters
        open_end = isinstance(row.get("text", row.get("digits")), str) and not {"pad", "short"} & set(row)
        if not open_end and random.randrange(3) == 0 and (check := _check_row(random, items, held, usable)):
            items.append(check)
    table["items"] = items
    texts = [item["field"] for item in items if "text" in item and "absent" not in item]
    own = [name for name in texts if set(held[name]) <= set("0123456789")]
    if own and random.randrange(2):
        table["checks"] = [{"luhn": random.choice(own)}]
    return table


def _field_row(random: Random, usable: str, marks: str) -> tuple[dict[str, Any], str]:
    """How a field is written, and everything that may stand in it."""
    digits = "0123456789"
    filling = {"width": 12 + random.randint(0, 3), "align": random.choice(("left", "right"))}
    mark = random.choice(marks)
    if random.randrange(3) == 0:
        shortest = random.randint(1, 3)
        row: dict[str, Any] = {"digits": random.choice((shortest, f"{shortest}-{shortest + random.randint(1, 9)}"))}
        return (row | {"pad": mark, **filling}, digits + mark) if random.randrange(4) == 0 else (row, digits)
    free = [char for char in usable if char not in marks]
    letters = random.choice((digits, "".join(free), "".join(random.sample(free, 5))))
    shortest, longest = random.randint(0, 4), random.randint(5, 12)
    row = {"of": format_ranges(letters), "text": f"{shortest}-{longest}"}
    kind = random.randrange(6)
    if kind == 0:
        row["short"] = mark
    elif kind == 1:
        pad = random.choice((mark, letters[0]))
        return row | {"pad": pad, **filling}, letters + pad
    elif kind == 2:
        row |= {"text": random.choice((longest, f"1-{longest}")), "absent": mark}
        return row, letters + mark
    elif kind == 3:
        row["text"] = longest
    return row, letters


def _check_row(random: Random, items: list[dict[str, Any]], held: dict[str, str], usable: str) -> dict[str, Any] | None:
    """A check character behind ``items``, or None where nothing can be checked."""
    rule = random.choice(
        [name for name in CONTENT_RULES if name == WEIGHTED_RULE or set(UNWEIGHTED_RULES[name].letters) <= set(usable)]
    )
    takes = set(UNWEIGHTED_RULES[rule].letters) if rule in UNWEIGHTED_RULES else set("0123456789")
    row: dict[str, Any] = {"check": rule}
    if rule == "mod-10":
        row["weights"] = random.choice(([3, 1], [1], [7, 3, 9]))
    before = {char for text in held.values() for char in text if char.isalnum()}
    before |= {char for item in items for char in item.get("constant", "") if char.isalnum()}
    if any(item.get("check") == "mod-37-36" for item in items):
        before.add("A")
    if before and before <= takes and random.randrange(2):
        return row
    over = [name for name, letters in held.items() if set(letters) <= takes]
    return row | {"over": random.sample(over, random.randint(1, len(over)))} if over else None

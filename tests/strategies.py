"""What the laws and the fuzzer are made of: codecs to try, values for them, layouts and chains at random.

Everything is drawn from a `random.Random`, so that one generator serves both: hypothesis hands in a
source of its own that it can shrink (`randoms`), the fuzzer a seeded one. Random input alone never
satisfies a strict codec, so values are made valid first, encoded, and only then damaged.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from datetime import date
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

from bitstring import Bits
from hypothesis import strategies as st

from credkit import chain, layout_entries, map_entry
from credkit.cards.entry import memory_entry
from credkit.cards.keys import MasterKey
from credkit.cards.plans import load_plan
from credkit.catalogue.registry import catalogue
from credkit.codecs.contents import TrackParts
from credkit.codecs.cyclic import Cyclic
from credkit.codecs.dates import DayCount, StoredDate
from credkit.codecs.fieldsteps import DigitsToNumber, LookUp, Offset
from credkit.codecs.keyboards import Keyboard
from credkit.codecs.stored import Bcd, Characters
from credkit.codecs.stripe import TrackBits
from credkit.codecs.texts import LastDigits
from credkit.codecs.tracktexts import TrackText
from credkit.core.chains import Choice
from credkit.core.codec import AnyCodec, Entry
from credkit.core.reading import Field, SchemaRow, TextField
from credkit.core.spans import MAX_BITS, format_span
from credkit.tables.content import ContentCodec
from credkit.tables.select import SelectCodec
from tests.contentstrategies import valid_content, valid_parts, valid_track

VECTORS = Path(__file__).with_name("vectors")

LOCKERS = {printed: 3 * printed % 10007 for printed in range(101, 400)}  # a site's list: locker to number
STAFF = load_plan(Path(__file__).with_name("plans") / "staff.toml")  # a site's plan of its cards, see there
KEY = MasterKey.from_bytes(bytes.fromhex("2b7e151628aed2a6abf7158809cf4f3c"), "argument of a function")  # of SP 800-38B
SITE = (map_entry({"lockers": LOCKERS}), memory_entry({"staff": STAFF}, {"staff": KEY}))

TYPICAL = (
    "hex:8/right-justified:26/wiegand-26",
    "hex:8/left-justified:26/wiegand-26",
    "hex:8,colon/reverse-bytes/right-justified:26/wiegand-26",
    "binary/wiegand-26/select:site=facility,card=number",
    "binary:26/invert/wiegand-26/offset:number,20000",
    "decimal:26/wiegand-26",
    "decimal:24/fields:facility:8,number:16",
    "split-decimal:8,16/fields:facility:8,number:16",
    "split-decimal:16,16/serial-32",
    "strip:ID<space>,<enter>/hex:10/right-justified:37/wiegand-37-facility",
    "strip/keyboard:fr/decimal:32,10/reverse-bits-in-bytes/serial-32",
    "keyboard:us,caps/hex:8/swap-nibbles/fields:region:8,number:24/select:card=number,7=region,layer=1",
    "signed-decimal:32/serial-32/offset:number,-1000",
    "hex:14/reverse-bits/serial-56",
    "hex:10/right-justified:34/serial-32-parity/select:number",
    "template:{facility:03d}{number:05d}/select:card=number,123=facility",
    "template:{number:05d}/map:lockers,number",
    "hex:8/keep-low:24/fields:number:24",
    "hex:8/right-justified:26/slice:1-24/fields:facility:8,number:16",
    "last-digits:8/decimal:32/serial-32",
    "track:2/track-2:number,rest/digits:number,4/select:card=number,rest",
    "track:3,7-bit/driving-licence-track-3",
    "strip/check-digit:luhn/template:{number:05d}",
    "binary/track-2-bits",
    "binary/invert/track-2-bits:5,3,25/strip:;,?/decimal:32/serial-32",
    "binary/reverse-bits/track-3-bits:7,20",
    "hex:36/crc-a/characters:utf-8",
    "hex/xor-byte/characters:utf-16-le,2000",
    "hex:10/crc-8-smbus/bcd/date:YYYYMMDD",
    "hex:16/bcd:F",
    "hex:4/reverse-bytes/day-count:2000-01-01",
    "hex:32/value-block",
    "hex:32/memory:staff,personnel",
    "hex:40/memory:staff,secure,serial",
    "binary:160/memory:staff,badge,serial/select:card=number,site,serial",
    "hex/memory:staff,note",
)


@cache
def site_layouts() -> dict[str, Any]:
    """The layouts of ``vectors/site-layouts.toml``: a site's own, some of them published formats."""
    layouts: dict[str, Any] = tomllib.loads((VECTORS / "site-layouts.toml").read_text(encoding="utf-8"))["layouts"]
    return layouts


@cache
def site_entries() -> tuple[Entry, ...]:
    return (*SITE, *layout_entries(site_layouts()))


def built(text: str, entries: tuple[Entry, ...] = ()) -> AnyCodec:
    """The codec of a written chain, with the site's own rows and ``entries`` beside the catalogue."""
    return chain(text, (*entries, *site_entries()))


@cache
def registered() -> tuple[str, ...]:
    """Every entry of the catalogue with every argument it is usually given, or is shown with."""
    texts = ["map:lockers,number"]
    for entry in catalogue():
        args = dict.fromkeys((*entry.usual, *(example.args for example in entry.examples)))
        texts += [f"{entry.name}:{arg}" if arg else entry.name for arg in args]
    return tuple(texts)


def fuzzed() -> tuple[str, ...]:
    """What the fuzzer drives: every registered codec, the site's layouts, typical chains."""
    return (*registered(), *site_layouts(), *TYPICAL)


# ── values that encode ──────────────────────────────────────────────────────────────────────────


def some(random: Random, field: SchemaRow) -> int | str:
    """A value of the field: one of its ends, near one of them, or any."""
    if isinstance(field, TextField):
        return _some_text(random, field)
    near = random.choice((0, 1, 2, None, None))
    if near is None or field.most - field.least <= near:
        return random.randint(field.least, field.most)
    return random.choice((field.least + near, field.most - near))


def _some_text(random: Random, field: TextField) -> str:
    letters = field.letters or "0123456789ABCDEF "
    length = field.lengths[random.randrange(min(len(field.lengths), 20))]
    text = "".join(random.choice(letters) for _ in range(length))
    if text and field.pad and field.problem(text):  # it may not end in what it is filled up with
        other = random.choice([c for c in letters if c != field.pad])
        text = other + text[1:] if field.padded == "left" else text[:-1] + other
    return text


def some_bits(random: Random, length: int) -> Bits:
    kind = random.randrange(8)
    word = {0: 0, 1: (1 << length) - 1}.get(kind, random.getrandbits(length) if length else 0)
    return Bits(f"0b{word:0{length}b}") if length else Bits()


def valid(random: Random, codec: AnyCodec) -> Any:
    """A value of the output form that ``codec`` should be able to encode."""
    last = codec.steps[-1]
    if isinstance(last, Choice):
        return valid(random, random.choice(last.options))
    if isinstance(last, Cyclic):
        return last.frame.encode(valid(random, last.frame))
    if codec.gives == "bits":
        lengths = codec.output.lengths
        return some_bits(random, lengths[random.randrange(min(len(lengths), 20))])
    if codec.gives == "text":
        return _valid_text(random, last)
    if isinstance(last, ContentCodec):
        return valid_content(random, last.content, some)
    if isinstance(last, TrackParts):
        return valid_parts(random, last)
    if codec.output.schema is not None:
        fields = {name: some(random, field) for name, field in codec.schema.items()}
    elif isinstance(last, SelectCodec):
        fields = {name: random.getrandbits(random.choice((4, 16, 40))) for name in last.select.kept}
        fields |= last.select.added
    elif isinstance(last, Offset):
        fields = {"other": 5, last.field: max(last.amount, 0) + random.getrandbits(20)}
    elif isinstance(last, DigitsToNumber):
        fields = {"other": 5, last.field: random.randrange(10**last.count)}
    else:
        fields = {"other": random.getrandbits(8)}
    if isinstance(last, LookUp):  # its schema gives the range; only what stands in the list exists
        fields[last.field] = random.choice(sorted(last.printed))
    return fields


def _valid_text(random: Random, last: AnyCodec) -> str:
    letters = "0123456789ABCDEF"
    length = random.randrange(12)
    if isinstance(last, Keyboard):
        letters = "".join(last.to_typed)
    if isinstance(last, LastDigits):
        letters, length = "0123456789", last.count
    if isinstance(last, Bcd):
        letters = "0123456789"
        length = last.length // 4 if last.length else length
    if isinstance(last, Characters):
        letters = {"ascii": "AZ 09.", "latin-1": "AZ 09ä"}.get(last.encoding, "AZ 09ä€😀")
    if isinstance(last, StoredDate | DayCount):
        return date(random.randint(2000, 2099), random.randint(1, 12), random.randint(1, 28)).isoformat()
    if isinstance(last, TrackText):
        return valid_track(random, last)
    if isinstance(last, TrackBits):
        content = "".join(
            random.choice(last.letters.content_letters) for _ in range(random.choice((0, 1, 3, 8, 20, 37, 90)))
        )
        return f"{last.letters.start}{content}{last.letters.end}"
    text = "".join(random.choice(letters) for _ in range(length))
    while isinstance(last, Keyboard) and (lost := _lost(last, text)):  # a pair that it refuses to write
        text = text.replace(lost, "")
    return text


def _lost(keyboard: Keyboard, text: str) -> str | None:
    pairs = ("".join(map(keyboard.to_meant.__getitem__, pair)) for pair in keyboard.unencodable)
    return next((pair for pair in pairs if pair in text), None)


def both_ways(codec: AnyCodec) -> bool:
    """Whether the chain reads and writes; around a projection it may do one of them only."""
    return not codec.decode_obstacle and not codec.encode_obstacle


def readable(random: Random, codec: AnyCodec) -> Any:
    """An input for a chain that only reads: one that its first step writes."""
    first = codec.steps[0]
    return first.encode(valid(random, first))


# ── damage ──────────────────────────────────────────────────────────────────────────────────────

# Signs, separators, blanks, digits of other scripts (Arabic 3, fullwidth 1, superscript 2, Devanagari 5),
# a lone surrogate, NUL: what int() or \d would take, and what must not be printed raw.
TRAPS = "0123456789ABCDEFabcdef ,:-+_.=/?;xX\t\r\n\0\x02éß٣１²५\u2028\ud800\U0001f600"
ODD: tuple[Any, ...] = (
    None,
    True,
    -1,
    1.5,
    "5",
    "",
    1 << 70,
    -(1 << 70),
    10**5000,
    b"\x01",
    [],
    Bits("0b1"),
    float("nan"),
)


def damaged(random: Random, value: Any) -> Any:
    """``value`` with a few small faults; of the same form."""
    for _ in range(random.choice((1, 1, 1, 2, 5))):
        if isinstance(value, str):
            value = _damaged_text(random, value)
        elif isinstance(value, Bits):
            value = _damaged_bits(random, value)
        else:
            value = _damaged_fields(random, value)
    return value


def _damaged_text(random: Random, text: str) -> str:
    at = random.randrange(len(text) + 1)
    kind = random.randrange(7)
    if kind == 0:
        return text[:at] + random.choice(TRAPS) + text[at:]
    if kind == 1:
        return text[:at] + text[at + 1 :]
    if kind == 2:
        return text[:at] + random.choice(TRAPS) + text[at + 1 :]
    if kind == 3:
        return text[:at] + random.choice("0123456789ABCDEF") + text[at + 1 :]
    if kind == 4:
        return text.swapcase()
    if kind == 5:
        return text + random.choice(("\n", " ", "0", "\r\n"))
    return text[at:] + text[:at]


def _damaged_bits(random: Random, value: Bits) -> Bits:
    digits = value.bin
    at = random.randrange(len(digits) + 1)
    kind = random.randrange(7)
    if kind == 0:
        digits = digits[:at] + random.choice("01") + digits[at:]
    elif kind == 1:
        digits = digits[:at] + digits[at + 1 :]
    elif kind == 2:
        digits = digits[::-1]
    elif kind == 3:
        digits = digits.translate({48: "1", 49: "0"})
    elif at < len(digits):
        digits = digits[:at] + "10"[int(digits[at])] + digits[at + 1 :]
    return Bits(f"0b{digits}") if digits else Bits()


def _damaged_fields(random: Random, fields: Mapping[Any, Any]) -> dict[Any, Any]:
    changed = dict(fields)
    kind = random.randrange(5)
    name: Any = random.choice(list(changed)) if changed else "number"
    if kind == 0:
        changed.pop(name, None)
    elif kind == 1:
        changed[random.choice(("other", "numbr", "", "ä", 7, None))] = random.choice(ODD)
    elif kind == 2:
        changed[name] = random.choice(ODD)
    elif isinstance(changed.get(name), int):
        changed[name] += random.choice((1, -1, 1 << 16, -(1 << 16)))
    return changed


def noise(random: Random, codec: AnyCodec) -> Any:
    """A value of the input form that nothing made valid."""
    if codec.takes == "text":
        letters = random.choice(("01", "0123456789", "0123456789ABCDEF", "0123456789,", TRAPS))
        return "".join(random.choice(letters) for _ in range(random.choice((0, 1, 4, 8, 10, 14, 26, 40))))
    if codec.takes == "bits":
        if random.randrange(200 if codec.length else 12) == 0:
            return Bits.from_zeros(MAX_BITS + 20)  # still too long when it is damaged
        return some_bits(random, max(0, (codec.length or 8) + random.choice((0, 0, 0, 1, -1, 8, -8))))
    names = ("facility", "number", "card", "other")
    return {random.choice(names): random.choice((*ODD, 7, 101, 123)) for _ in range(random.randrange(4))}


# ── layouts ─────────────────────────────────────────────────────────────────────────────────────


def definition(random: Random) -> dict[str, Any]:
    """A layout definition that is right: every bit owned once, in pieces, upwards and downwards."""
    length = random.choice((random.randint(1, 12), random.randint(8, 40), random.randint(8, 40), 64, 150))
    owned = _owners(random, length)
    fields: dict[str, Any] = {}
    fixed: dict[str, str] = {}
    checks: list[dict[str, Any]] = []
    targets = {owner: places for owner, places in owned.items() if owner.startswith("check")}
    later = set().union(*targets.values()) if targets else set()
    for owner, places in targets.items():
        free = [p for p in range(length) if p not in later]  # no check bits but those of earlier rows
        row = _check(random, places, free)
        if row is None:
            owned[owner.replace("check", "spare")] = places
        else:
            checks.append(row)
        later -= set(places)
    for owner, places in owned.items():
        if owner.startswith("fixed"):
            fixed[format_span(places)] = "".join(random.choice("01") for _ in places)
        elif not owner.startswith("check"):
            fields[owner] = _field(random, places)
    table: dict[str, Any] = {"length": length, "fields": fields, "fixed": fixed, "checks": checks}
    if random.randrange(3) == 0:
        table["remarks"] = [{"field": next(iter(fields)), "values": [0, 1], "level": "info", "text": "a small number"}]
    return table


def _owners(random: Random, length: int) -> dict[str, list[int]]:
    """The bits in pieces, each piece dealt to a field, a fixed pattern or a check, perhaps downwards."""
    kinds = ["number", *random.sample(("facility", "issue", "fixed_a", "fixed_b"), random.randint(0, 3))]
    kinds += [f"check_{i}" for i in range(random.randint(0, 4))]
    pieces: list[list[int]] = []
    start = 0
    while start < length:
        stop = min(length, start + random.choice((1, 1, 2, 4, 8, 16)))
        pieces.append(list(range(start, stop)))
        start = stop
    random.shuffle(pieces)
    owned: dict[str, list[int]] = {}
    for index, piece in enumerate(pieces):
        owner = "number" if index == 0 else random.choice(kinds)
        if index and len(piece) == 1 and (empty := [k for k in kinds if k.startswith("check") and k not in owned]):
            owner = empty[0]  # so that single parity bits are not rare
        if owner.startswith("check") and len(owned.get(owner, ())) + len(piece) > 16:
            owner = "number"
        owned.setdefault(owner, []).extend(piece[::-1] if random.randrange(3) == 0 else piece)
    return owned


def _field(random: Random, places: list[int]) -> Any:
    spec: dict[str, Any] = {"bits": format_span(places)}
    widest = (1 << len(places)) - 1
    if len(places) % 4 == 0 and random.randrange(2):
        spec["code"] = "bcd"
        widest = 10 ** (len(places) // 4) - 1
    if random.randrange(3) == 0:
        spec["most"] = random.randint(widest // 2, widest)
    return spec if len(spec) > 1 or random.randrange(2) else spec["bits"]


def _check(random: Random, places: list[int], free: list[int]) -> dict[str, Any] | None:
    """A check row that sets ``places`` from bits among ``free``, or None where there are too few."""
    width = len(places)
    if len(free) < width:
        return None
    kind = random.choice(("even", "odd", "xor", "complement", "crc") if width == 1 else ("xor", "complement", "crc"))
    row: dict[str, Any] = {"bit" if width == 1 else "bits": format_span(places)}
    cover = random.sample(free, random.randint(1, len(free)))
    if kind in ("even", "odd"):
        row[kind] = format_span(cover)
    elif kind == "complement":
        row[kind] = format_span(random.sample(free, width))
    elif kind == "crc":
        row |= {"crc": format_span(cover), "poly": random.getrandbits(width) | 1}
        row |= {key: random.getrandbits(width) for key in ("init", "xorout") if random.randrange(2)}
    else:
        blocks = [random.sample(free, width) for _ in range(random.randint(1, 3))]
        if any(len(set(column)) < len(column) for column in zip(*blocks, strict=True)):
            blocks = blocks[:1]
        row[kind] = [format_span(block) for block in blocks]
    return row


# ── chains ──────────────────────────────────────────────────────────────────────────────────────


def chain_before(random: Random, length: int) -> str:
    """A chain, written, from text to ``length`` bits, that loses nothing on either way."""
    steps = []
    while length % 8 == 0 and random.randrange(3) == 0:
        steps.append(random.choice(("reverse-bytes", "reverse-bits-in-bytes", "swap-nibbles")))
    steps += [order for order in ("invert", "reverse-bits") if random.randrange(4) == 0]
    if random.randrange(2):
        steps.insert(0, f"{random.choice(('right', 'left'))}-justified:{length}")
        length += random.choice((0, 1, 6, -length % 8, 8))
    if random.randrange(4) == 0:
        steps.insert(0, "invert")
    forms = ["binary", f"binary:{length}", f"decimal:{length}", f"decimal:{length},{len(str((1 << length) - 1))}"]
    forms.append(f"signed-decimal:{length}")
    if length > 1:
        first = random.randint(1, length - 1)
        forms.append(f"split-decimal:{first},{length - first}")
    if length % 4 == 0:
        forms += [f"hex:{length // 4}", f"hex:{length // 4},lower"]
    if length % 8 == 0:
        forms += [f"hex:{length // 4},{style}" for style in ("colon", "hyphen", "space", "dot")]
    steps.insert(0, random.choice(forms))
    front = random.choice(
        (
            "",
            "",
            "",
            "keyboard:fr/",
            "keyboard:de/",
            "strip/",
            "strip:ID,/",
            "strip:<stx>,<enter>/",
            "strip:<enter>,<tab>/",
        )
    )
    return front + "/".join(steps)


def chain_behind(random: Random, schema: Mapping[str, SchemaRow]) -> str:
    """Steps from fields to fields, written, perhaps none: offsets and renamings."""
    steps = []
    names = list(schema)
    numbers = [name for name, row in schema.items() if isinstance(row, Field)]
    if numbers and random.randrange(3) == 0:
        steps.append(f"/offset:{random.choice(numbers)},{random.choice((1, 20000, 10**9))}")
    if random.randrange(3) == 0:
        random.shuffle(names)
        steps.append("/select:" + ",".join(f"outer_{name}={name}" for name in names) + ",region=7")
    return "".join(steps)


# ── for hypothesis ──────────────────────────────────────────────────────────────────────────────


def randoms() -> st.SearchStrategy[Random]:
    """A source of random numbers whose draws hypothesis makes, records and shrinks."""
    return st.randoms(use_true_random=False)


def definitions() -> st.SearchStrategy[dict[str, Any]]:
    """Layout definitions that are right."""
    return randoms().map(definition)

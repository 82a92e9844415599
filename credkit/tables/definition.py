"""Layout definitions: from a TOML table to a `Layout`, every fault refused with its positions.

    [wiegand-26]
    title = "26 bits: 8-bit facility code, 16-bit card number, two parity bits"
    source = "SIA AC-01 (1996)"
    length = 26
    fields.facility = "1-8"                # a span; "8-1" has its least significant bit first
    fields.number = "9-24"                 # or { bits = "9-24", code = "bcd", most = 9999 }
    checks = [
        { bit = 0, even = "1-12" },        # bit 0 makes the number of ones in 0-12 even
        { bit = 25, odd = "13-24" },
    ]

More rows: ``fixed."0-8" = "111111111"``; in ``checks``, ``{ bits = "8-15", xor = ["0-7", "16-23"] }``,
``{ bits = "0-3", complement = "4-7" }``, ``{ bits = "8-15", sum = ["0-7", "16-23"] }`` (also ``add``,
``negate = true`` and ``modulus``, which is 2 to the power of its bits unless it stands there),
``{ bits = "24-39", crc = "0-23", poly = 0x1021 }`` (also
``init``, ``xorout``) or, over whole bytes and by a row of `credkit.tables.crcs`, ``algorithm = "crc-b"``;
in ``remarks``, ``{ field = "number", values = [0], level = "care", text = "…" }``
(``bits`` instead of ``field`` looks at a span; without ``values`` every frame earns the note; ``times = 8,
unit = "bytes"`` tells the value in that unit, behind the text).
A check may cover the check bits of earlier rows, never its own or later ones.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import replace
from math import log2
from typing import TYPE_CHECKING, Any, get_args

from credkit.core.checks import crc_rows
from credkit.core.positions import positions
from credkit.core.reading import Level, describe_places
from credkit.core.sentences import format_count, redacted_repr
from credkit.core.spans import MAX_NUMBER_BITS, format_span
from credkit.tables.layout import (
    FixedBits,
    Layout,
    LayoutCheck,
    LayoutField,
    Limit,
    Parity,
    Remark,
    Sum,
    bit_runs_at,
    encode_number,
)
from credkit.tables.layoutrows import CheckRow, span_text
from credkit.tables.schema import SchemaTable, definition_table

if TYPE_CHECKING:
    from credkit.tables.crcs import Crc

KEYS = ("title", "source", "length", "fields", "fixed", "checks", "remarks", "examples", "aliases")
CHECK_KEYS = tuple(CheckRow.__annotations__)
LEVELS: tuple[Level, ...] = get_args(Level)
MOST_SUM_BITS = 32  # of a block: sums of many of them have 64
SPAN = "a span such as '1-8'"
DIGITS_OF_BITS = "a text of binary digits"


def layout(name: str, definition: Mapping[str, Any]) -> Layout:
    """The layout that ``definition`` describes; raises `DefinitionError` naming layout, key and positions.

    >>> layout("pair", {"length": 3, "fields": {"number": "0-1"}, "checks": [{"bit": 2, "even": "0-2"}]})
    Traceback (most recent call last):
    credkit.DefinitionError: layout pair: check 1: even parity at bit 2 covers itself
    """
    return _Definition(name, definition).build()


class _Definition:
    """One definition while it is being read."""

    def __init__(self, name: str, definition: Mapping[str, Any]) -> None:
        self.name = name
        self.table = definition_table("layout", name, definition, KEYS)
        self.refuse = self.table.refuse_table
        self.length = self.table.whole(
            "length", least=1, most=MAX_NUMBER_BITS, words="a whole number of bits", unit="bits"
        )
        self.owner: dict[int, str] = {}

    def span(self, what: str, span: Any) -> tuple[int, ...]:
        text = self.table.expect(what, span_text(span), str, SPAN)
        places = positions(text, f"layout {self.name}: {what}")
        if max(places) >= self.length:
            self.refuse(f"{what}: bit {max(places)} is beyond the last bit, {self.length - 1}")
        return places

    def own(self, what: str, places: tuple[int, ...]) -> None:
        for place in places:
            if place in self.owner:
                self.refuse(f"bit {place} belongs to {self.owner[place]} and to {what}")
            self.owner[place] = what

    def mask(self, places: Collection[int]) -> int:
        return sum(1 << (self.length - 1 - place) for place in places)

    def build(self) -> Layout:
        checks: list[LayoutCheck] = []
        fields = self.fields(checks)
        fixed = self.fixed()
        parities = self.parities()
        gaps = [place for place in range(self.length) if place not in self.owner]
        if gaps:
            verb = "belong" if len(gaps) > 1 else "belongs"
            self.refuse(f"{describe_places('bits', tuple(gaps))} {verb} to no field, fixed bits or check")
        self.examples()
        return Layout(
            name=self.name,
            title=self.table.text("title", self.name),
            source=self.table.text("source", ""),
            length=self.length,
            fields=fields,
            checks=self.distinct([*fixed, *checks, *parities]),
            remarks=self.remarks(fields),
        )

    def fields(self, checks: list[LayoutCheck]) -> tuple[LayoutField, ...]:
        table = self.table.mapping("fields", "a table of spans", default=None)
        if not table:
            self.refuse("there is no field")
        return tuple(self.field(name, spec, checks) for name, spec in table.items())

    def field(self, name: str, spec: Any, checks: list[LayoutCheck]) -> LayoutField:
        what = f"field {name}"
        if not isinstance(name, str) or not name.isidentifier() or not name.isascii() or name != name.lower():
            self.refuse(f"{what}: a field name has small letters, digits and underscores only")
        if not isinstance(spec, Mapping):
            spec = {"bits": spec}
        row = self.table.inner(what, spec, ("bits", "code", "most"))
        places = self.span(what, row.content.get("bits"))
        self.own(what, places)
        bcd = row.one_of("code", ("binary", "bcd")) == "bcd"
        if bcd and len(places) % 4:
            self.refuse(f"{what}: BCD digits have 4 bits each, but bits {format_span(places)} are {len(places)}")
        widest = 10 ** (len(places) // 4) - 1 if bcd else (1 << len(places)) - 1
        most = row.value("most", int, "a whole number", widest)
        if not 0 <= most <= widest:
            self.refuse(f"{what}: most is {redacted_repr(most)}, but bits {format_span(places)} hold at most {widest}")
        parts = bit_runs_at(self.length, places, bcd=bcd)
        if bcd:
            checks += [
                self.limit("digit", f"a digit of {name}", places[i : i + 4], 9) for i in range(0, len(places), 4)
            ]
        if most < widest:
            checks.append(
                Limit(
                    rule="range", claim=f"{name} at most {most}", at=places, covers=places,
                    evidence=log2((widest + 1) / (most + 1)), bit_runs=parts, most=most,
                )
            )  # fmt: skip
        return LayoutField(name=name, places=places, bit_runs=parts, most=most, bcd=bcd)

    def limit(self, rule: str, what: str, places: tuple[int, ...], most: int) -> Limit:
        return Limit(
            rule=rule, claim=f"{what} at most {most}", at=places, covers=places,
            evidence=len(places) - log2(most + 1), bit_runs=bit_runs_at(self.length, places), most=most,
        )  # fmt: skip

    def fixed(self) -> list[LayoutCheck]:
        found: list[LayoutCheck] = []
        for span, value in self.table.mapping("fixed", "a table of spans").items():
            what = f"fixed bits {span_text(span)}"
            places = self.span(what, span)
            self.own(what, places)
            self.table.expect(what, value, str, DIGITS_OF_BITS)
            if set(value) - {"0", "1"} or len(value) != len(places):
                self.refuse(f"{what}: {redacted_repr(value)} is not {format_count(len(places), 'binary digit')}")
            parts = bit_runs_at(self.length, places)
            found.append(
                FixedBits(
                    rule="fixed", claim=f"the fixed pattern in bits {format_span(places)}", at=places, covers=places,
                    evidence=float(len(places)), bit_runs=parts, mask=self.mask(places),
                    value=encode_number(parts, int(value, 2)),
                )
            )  # fmt: skip
        return found

    def parities(self) -> list[LayoutCheck]:
        rows = self.table.rows(
            "checks", None, each="check", words="a list of check rows", default=[],
            such="a table such as { bit = 0, even = '1-12' }",
        )  # fmt: skip
        targets = []
        for row in rows:
            row.known(CHECK_KEYS)
            place = row.content.get(row.exactly_one("bit", "bits"))
            targets.append(self.span(row.path, place))
            self.own(row.path, targets[-1])
        return [self.parity(row, targets[i], targets[i + 1 :]) for i, row in enumerate(rows)]

    def parity(self, row: SchemaTable, at: tuple[int, ...], later: list[tuple[int, ...]]) -> LayoutCheck:
        what, kind = row.path, row.exactly_one(*_KINDS)
        row.known(("bit", "bits", "rule", kind, *_MORE_KEYS.get(kind, ())))
        covers = getattr(self, f"_{kind}")(row, at)
        everything = tuple(sorted({place for cover, _ in covers for place in cover}))
        claim = f"{_KINDS[kind]} over bits {format_span(everything)}"
        for place in everything:
            if place in at:
                self.refuse(f"{what}: {_KINDS[kind]} at bit {place} covers itself")
            if any(place in target for target in later):
                self.refuse(
                    f"{what}: {_KINDS[kind]} at bit {format_span(at)} covers bit {place}, which a later check sets"
                )
        shared: dict[str, Any] = {
            "rule": row.text("rule", _RULES[kind]), "claim": claim, "at": at, "covers": everything,
            "evidence": float(len(at)), "bit_runs": bit_runs_at(self.length, at),
        }  # fmt: skip
        if kind == "sum":
            return self.sum_check(row, at, [block for block, _ in covers], shared)
        shifts = [self.length - 1 - place for place in at]
        return Parity(
            **shared,
            rows=tuple((shift, self.mask(cover), odd) for shift, (cover, odd) in zip(shifts, covers, strict=True)),
        )  # fmt: skip

    def _even(self, row: SchemaTable, at: tuple[int, ...], kind: str = "even") -> list[Any]:
        if len(at) != 1:
            row.refuse_table(f"{kind} parity sets one bit, not bits {format_span(at)}")
        return [(self.covered(row, kind), int(kind == "odd"))]

    def covered(self, row: SchemaTable, key: str) -> tuple[int, ...]:
        """The places under ``key``, which a check covers."""
        return self.span(row.at(key), row.content[key])

    def _odd(self, row: SchemaTable, at: tuple[int, ...]) -> list[Any]:
        return self._even(row, at, "odd")

    def _xor(self, row: SchemaTable, at: tuple[int, ...]) -> list[Any]:
        blocks = [self.span(row.at("xor"), text) for text in row.items("xor", "a list of spans")]
        for block in blocks:
            if len(block) != len(at):
                width = f"bits {format_span(block)} is {len(block)} wide, bits {format_span(at)} {len(at)}"
                row.refuse_table(f"xor over {width}")
        if not blocks:
            row.refuse_table("xor of nothing")
        columns = list(zip(*blocks, strict=True))
        for place, column in zip(at, columns, strict=True):
            for twice in (each for each in column if column.count(each) > 1):
                row.refuse_table(f"xor at bit {place} takes bit {twice} twice, which leaves nothing of it")
        return [(column, 0) for column in columns]

    def _sum(self, row: SchemaTable, at: tuple[int, ...]) -> list[Any]:
        blocks = [self.span(row.at("sum"), text) for text in row.items("sum", "a list of spans")]
        if not blocks:
            row.refuse_table("sum of nothing")
        for span in (at, *blocks):
            if len(span) > MOST_SUM_BITS:
                row.refuse_table(f"bits {format_span(span)} are {len(span)}: a sum has at most {MOST_SUM_BITS}")
        return [(block, 0) for block in blocks]

    def sum_check(
        self, row: SchemaTable, at: tuple[int, ...], blocks: list[tuple[int, ...]], shared: dict[str, Any]
    ) -> Sum:
        modulus = row.whole("modulus", 1 << len(at), least=2, most=1 << len(at))
        return Sum(
            **shared, blocks=tuple(bit_runs_at(self.length, block) for block in blocks), modulus=modulus,
            constant=row.whole("add", 0, least=0, most=modulus - 1),
            negated=row.value("negate", bool, "true or false", False),
        )  # fmt: skip

    def _complement(self, row: SchemaTable, at: tuple[int, ...]) -> list[Any]:
        block = self.covered(row, "complement")
        if len(block) != len(at):
            row.refuse_table(
                f"complement of {len(block)} bits ({format_span(block)}) in {len(at)} bits ({format_span(at)})"
            )
        return [((place,), 1) for place in block]

    def _crc(self, row: SchemaTable, at: tuple[int, ...]) -> list[Any]:
        message = self.covered(row, "crc")
        usual = self.algorithm(row, message, at)
        given = {}
        for key in ("poly", "init", "xorout"):
            default = getattr(usual, key) if usual else None if key == "poly" else 0
            given[key] = row.value(key, int, "a whole number", default)
            if not 0 <= given[key] < 1 << len(at):
                value = redacted_repr(given[key])
                row.refuse_table(f"{key} {value} does not fit in the {len(at)} bits {format_span(at)}")
        if usual:
            rows = usual._replace(**given).parities(len(message) // 8)
        else:
            rows = crc_rows(len(message), width=len(at), **given)
        return [(tuple(message[i] for i in cover), odd) for cover, odd in rows]

    def algorithm(self, row: SchemaTable, message: tuple[int, ...], at: tuple[int, ...]) -> Crc | None:
        """The row of the table of CRCs that a check row names, or None."""
        if not row.has("algorithm"):
            return None
        from credkit.tables.crcs import ALGORITHMS  # few layouts name one

        if row.has("poly"):
            row.exactly_one("poly", "algorithm")
        name = row.text("algorithm")
        crc = ALGORITHMS[row.one_of("algorithm", tuple(ALGORITHMS))]
        if len(at) != crc.width:
            row.refuse_table(f"{name} has {crc.width} bits, but bits {format_span(at)} are {len(at)}")
        if len(message) % 8:
            row.refuse_table(f"{name} is over whole bytes, but bits {format_span(message)} are {len(message)}")
        return crc

    def examples(self) -> None:
        """Refuse examples and aliases of the wrong form; whether they hold is for whoever builds a codec."""
        such = "a table such as { bits = '0101', fields = { number = 5 } }"
        for row in self.table.rows(
            "examples", ("bits", "fields"), each="example", words="a list", such=such, default=[]
        ):
            text = row.text("bits", words=DIGITS_OF_BITS)
            if set(text) - {"0", "1"} or len(text) != self.length:
                row.refuse_table(f"{redacted_repr(text)} is not {format_count(self.length, 'binary digit')}")
            row.mapping("fields", "a table of numbers", default=None)
        for alias in self.table.items("aliases", "a list of names", []):
            self.table.expect("an alias", alias, str, "a text")

    def distinct(self, checks: list[LayoutCheck]) -> tuple[LayoutCheck, ...]:
        """The checks, with a rule that occurs more than once made unique by its first position."""
        count = Counter(check.rule for check in checks)
        return tuple(replace(c, rule=f"{c.rule}-{c.at[0]}") if count[c.rule] > 1 else c for c in checks)

    def remarks(self, fields: tuple[LayoutField, ...]) -> tuple[Remark, ...]:
        by_name = {field.name: field for field in fields}
        keys = ("field", "bits", "values", "kind", "level", "text", "times", "unit")
        found = []
        for row in self.table.rows("remarks", keys, each="remark", words="a list", default=[]):
            field = row.named("field", "field", by_name) if row.exactly_one("field", "bits") == "field" else None
            places = field.places if field else self.span(row.path, row.content["bits"])
            values = row.items("values", "a list of whole numbers") if row.has("values") else None
            for value in values or ():
                row.expect(row.at("a value"), value, int, "a whole number")
            times = row.value("times", int, "a whole number", 1)
            if row.has("times") != row.has("unit") or times < 1:
                row.refuse_table('times and unit stand together, such as times = 8 and unit = "bytes"')
            found.append(
                Remark(
                    kind=row.text("kind", "remark"), level=row.one_of("level", LEVELS, "care"), text=row.text("text"),
                    places=places, bit_runs=field.bit_runs if field else bit_runs_at(self.length, places),
                    values=None if values is None else tuple(values), times=times, unit=row.text("unit", ""),
                )
            )  # fmt: skip
        return tuple(found)


_KINDS = {
    "even": "even parity", "odd": "odd parity", "xor": "XOR", "complement": "complement", "sum": "sum",
    "crc": "CRC",
}  # fmt: skip
_RULES = {kind: {"even": "even-parity", "odd": "odd-parity"}.get(kind, kind) for kind in _KINDS}
_MORE_KEYS = {"crc": ("poly", "algorithm", "init", "xorout"), "sum": ("add", "negate", "modulus")}

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
``{ bits = "0-3", complement = "4-7" }``, ``{ bits = "24-39", crc = "0-23", poly = 0x1021 }`` (also
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
from typing import Any

from credkit.core.checks import crc_rows
from credkit.core.positions import positions
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.spans import WIDEST, format_span
from credkit.tables.crcs import ALGORITHMS, Crc
from credkit.tables.layout import Layout, LayoutCheck, LayoutField, Limit, Parity, Pattern, Remark, bits_of, pieces
from credkit.tables.layoutrows import span_text
from credkit.tables.refusals import Definition

KEYS = ("title", "source", "length", "fields", "fixed", "checks", "remarks", "examples", "aliases")
LEVELS = ("info", "care", "refuse")


def layout(name: str, definition: Mapping[str, Any]) -> Layout:
    """The layout that ``definition`` describes; raises `DefinitionError` naming layout, key and positions.

    >>> layout("pair", {"length": 3, "fields": {"number": "0-1"}, "checks": [{"bit": 2, "even": "0-2"}]})
    Traceback (most recent call last):
    credkit.DefinitionError: layout pair: check 1: even parity at bit 2 covers itself
    """
    return _Definition(name, definition).build()


class _Definition(Definition):
    """One definition while it is being read."""

    what = "layout"

    def __init__(self, name: str, definition: Mapping[str, Any]) -> None:
        super().__init__(name, definition, KEYS)
        self.length: int = self.expect("length", self.table.get("length"), int, "a whole number of bits")
        if not 1 <= self.length <= WIDEST:
            self.refuse(f"length {redacted_repr(self.length)} is outside 1 to {WIDEST} bits")
        self.owner: dict[int, str] = {}

    def span(self, what: str, span: Any) -> tuple[int, ...]:
        text = self.expect(what, span_text(span), str, "a span such as '1-8'")
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
            self.refuse(f"bits {format_span(gaps)} belong to no field, fixed bits or check")
        title, source = self.table.get("title", self.name), self.table.get("source", "")
        self.examples()
        return Layout(
            name=self.name,
            title=self.expect("title", title, str, "a text"),
            source=self.expect("source", source, str, "a text"),
            length=self.length,
            fields=fields,
            checks=self.distinct([*fixed, *checks, *parities]),
            remarks=self.remarks(fields),
        )

    def fields(self, checks: list[LayoutCheck]) -> tuple[LayoutField, ...]:
        table = self.expect("fields", self.table.get("fields"), Mapping, "a table of spans")
        if not table:
            self.refuse("there is no field")
        return tuple(self.field(name, spec, checks) for name, spec in table.items())

    def field(self, name: str, spec: Any, checks: list[LayoutCheck]) -> LayoutField:
        what = f"field {name}"
        if not isinstance(name, str) or not name.isidentifier() or not name.isascii() or name != name.lower():
            self.refuse(f"{what}: a field name has small letters, digits and underscores only")
        if not isinstance(spec, Mapping):
            spec = {"bits": spec}
        self.known(f"{what}: ", spec, ("bits", "code", "most"))
        places = self.span(what, spec.get("bits"))
        self.own(what, places)
        code = spec.get("code", "binary")
        if code not in ("binary", "bcd"):
            self.refuse(f"{what}: code must be 'binary' or 'bcd', not {redacted_repr(code)}")
        bcd = code == "bcd"
        if bcd and len(places) % 4:
            self.refuse(f"{what}: BCD digits have 4 bits each, but bits {format_span(places)} are {len(places)}")
        widest = 10 ** (len(places) // 4) - 1 if bcd else (1 << len(places)) - 1
        most = self.expect(f"{what}: most", spec.get("most", widest), int, "a whole number")
        if not 0 <= most <= widest:
            self.refuse(f"{what}: most is {redacted_repr(most)}, but bits {format_span(places)} hold at most {widest}")
        parts = pieces(self.length, places, bcd=bcd)
        if bcd:
            checks += [
                self.limit("digit", f"a digit of {name}", places[i : i + 4], 9) for i in range(0, len(places), 4)
            ]
        if most < widest:
            checks.append(
                Limit(
                    rule="range", claim=f"{name} at most {most}", at=places, covers=places,
                    evidence=log2((widest + 1) / (most + 1)), parts=parts, most=most,
                )
            )  # fmt: skip
        return LayoutField(name=name, places=places, parts=parts, most=most, bcd=bcd)

    def limit(self, rule: str, what: str, places: tuple[int, ...], most: int) -> Limit:
        return Limit(
            rule=rule, claim=f"{what} at most {most}", at=places, covers=places,
            evidence=len(places) - log2(most + 1), parts=pieces(self.length, places), most=most,
        )  # fmt: skip

    def fixed(self) -> list[LayoutCheck]:
        found: list[LayoutCheck] = []
        for span, value in self.expect("fixed", self.table.get("fixed", {}), Mapping, "a table of spans").items():
            what = f"fixed bits {span_text(span)}"
            places = self.span(what, span)
            self.own(what, places)
            self.expect(what, value, str, "a text of binary digits")
            if set(value) - {"0", "1"} or len(value) != len(places):
                self.refuse(f"{what}: {redacted_repr(value)} is not {len(places)} binary digits")
            parts = pieces(self.length, places)
            found.append(
                Pattern(
                    rule="fixed", claim=f"the fixed pattern in bits {format_span(places)}", at=places, covers=places,
                    evidence=float(len(places)), parts=parts, mask=self.mask(places),
                    value=bits_of(parts, int(value, 2)),
                )
            )  # fmt: skip
        return found

    def parities(self) -> list[LayoutCheck]:
        rows = self.expect("checks", self.table.get("checks", []), list, "a list of check rows")
        targets = []
        for index, row in enumerate(rows, 1):
            what = f"check {index}"
            self.expect(what, row, Mapping, "a table such as { bit = 0, even = '1-12' }")
            if "bit" in row and "bits" in row:
                self.refuse(f"{what}: exactly one of bit, bits is needed")
            places = self.span(what, row.get("bit", row.get("bits")))
            self.own(what, places)
            targets.append(places)
        return [self.parity(f"check {i + 1}", rows[i], targets[i], targets[i + 1 :]) for i in range(len(rows))]

    def parity(
        self, what: str, row: Mapping[str, Any], at: tuple[int, ...], later: list[tuple[int, ...]]
    ) -> LayoutCheck:
        kinds = [key for key in _KINDS if key in row]
        if len(kinds) != 1:
            self.refuse(f"{what}: exactly one of {', '.join(_KINDS)} is needed, not {', '.join(kinds) or 'none'}")
        kind = kinds[0]
        extra = ("poly", "algorithm", "init", "xorout") if kind == "crc" else ()
        self.known(f"{what}: ", row, ("bit", "bits", "rule", kind, *extra))
        covers = getattr(self, f"_{kind}")(what, row, at)
        everything = tuple(sorted({place for cover, _ in covers for place in cover}))
        claim = f"{_KINDS[kind]} over bits {format_span(everything)}"
        for place in everything:
            if place in at:
                self.refuse(f"{what}: {_KINDS[kind]} at bit {place} covers itself")
            if any(place in target for target in later):
                self.refuse(
                    f"{what}: {_KINDS[kind]} at bit {format_span(at)} covers bit {place}, which a later check sets"
                )
        shifts = [self.length - 1 - place for place in at]
        return Parity(
            rule=self.expect(f"{what}: rule", row.get("rule", _RULES[kind]), str, "a text"),
            claim=claim, at=at, covers=everything, evidence=float(len(at)), parts=pieces(self.length, at),
            rows=tuple((shift, self.mask(cover), odd) for shift, (cover, odd) in zip(shifts, covers, strict=True)),
        )  # fmt: skip

    def _even(self, what: str, row: Mapping[str, Any], at: tuple[int, ...], kind: str = "even") -> list[Any]:
        if len(at) != 1:
            self.refuse(f"{what}: {kind} parity sets one bit, not bits {format_span(at)}")
        return [(self.span(f"{what}: {kind}", row[kind]), int(kind == "odd"))]

    def _odd(self, what: str, row: Mapping[str, Any], at: tuple[int, ...]) -> list[Any]:
        return self._even(what, row, at, "odd")

    def _xor(self, what: str, row: Mapping[str, Any], at: tuple[int, ...]) -> list[Any]:
        texts = self.expect(f"{what}: xor", row["xor"], list, "a list of spans")
        blocks = [self.span(f"{what}: xor", text) for text in texts]
        for block in blocks:
            if len(block) != len(at):
                self.refuse(
                    f"{what}: xor over bits {format_span(block)} is {len(block)} wide, bits {format_span(at)} {len(at)}"
                )
        if not blocks:
            self.refuse(f"{what}: xor of nothing")
        columns = list(zip(*blocks, strict=True))
        for place, column in zip(at, columns, strict=True):
            for twice in (each for each in column if column.count(each) > 1):
                self.refuse(f"{what}: xor at bit {place} takes bit {twice} twice, which leaves nothing of it")
        return [(column, 0) for column in columns]

    def _complement(self, what: str, row: Mapping[str, Any], at: tuple[int, ...]) -> list[Any]:
        block = self.span(f"{what}: complement", row["complement"])
        if len(block) != len(at):
            self.refuse(
                f"{what}: complement of {len(block)} bits ({format_span(block)}) in {len(at)} bits ({format_span(at)})"
            )
        return [((place,), 1) for place in block]

    def _crc(self, what: str, row: Mapping[str, Any], at: tuple[int, ...]) -> list[Any]:
        message = self.span(f"{what}: crc", row["crc"])
        usual = self.algorithm(what, row, message, at)
        given = {}
        for key in ("poly", "init", "xorout"):
            default = getattr(usual, key) if usual else None if key == "poly" else 0
            given[key] = self.expect(f"{what}: {key}", row.get(key, default), int, "a whole number")
            if not 0 <= given[key] < 1 << len(at):
                self.refuse(
                    f"{what}: {key} {redacted_repr(given[key])} does not fit in the {len(at)} bits {format_span(at)}"
                )
        if usual:
            rows = usual._replace(**given).parities(len(message) // 8)
        else:
            rows = crc_rows(len(message), width=len(at), **given)
        return [(tuple(message[i] for i in cover), odd) for cover, odd in rows]

    def algorithm(self, what: str, row: Mapping[str, Any], message: tuple[int, ...], at: tuple[int, ...]) -> Crc | None:
        """The row of the table of CRCs that a check row names, or None."""
        if "algorithm" not in row:
            return None
        if "poly" in row:
            self.refuse(f"{what}: exactly one of poly, algorithm is needed")
        name = self.expect(f"{what}: algorithm", row["algorithm"], str, "a text")
        if name not in ALGORITHMS:
            known = ", ".join(ALGORITHMS)
            self.refuse(f"{what}: algorithm: {redacted_repr(name)} is not one of {known}{nearest(name, ALGORITHMS)}")
        crc = ALGORITHMS[name]
        if len(at) != crc.width:
            self.refuse(f"{what}: {name} has {crc.width} bits, but bits {format_span(at)} are {len(at)}")
        if len(message) % 8:
            self.refuse(f"{what}: {name} is over whole bytes, but bits {format_span(message)} are {len(message)}")
        return crc

    def examples(self) -> None:
        """Refuse examples and aliases of the wrong form; whether they hold is for whoever builds a codec."""
        for index, row in enumerate(self.expect("examples", self.table.get("examples", []), list, "a list"), 1):
            what = f"example {index}"
            self.expect(what, row, Mapping, "a table such as { bits = '0101', fields = { number = 5 } }")
            self.known(f"{what}: ", row, ("bits", "fields"))
            text = self.expect(f"{what}: bits", row.get("bits"), str, "a text of binary digits")
            if set(text) - {"0", "1"} or len(text) != self.length:
                self.refuse(f"{what}: {redacted_repr(text)} is not {self.length} binary digits")
            self.expect(f"{what}: fields", row.get("fields"), Mapping, "a table of numbers")
        for alias in self.expect("aliases", self.table.get("aliases", []), list, "a list of names"):
            self.expect("an alias", alias, str, "a text")

    def distinct(self, checks: list[LayoutCheck]) -> tuple[LayoutCheck, ...]:
        """The checks, with a rule that occurs more than once made unique by its first position."""
        count = Counter(check.rule for check in checks)
        return tuple(replace(c, rule=f"{c.rule}-{c.at[0]}") if count[c.rule] > 1 else c for c in checks)

    def remarks(self, fields: tuple[LayoutField, ...]) -> tuple[Remark, ...]:
        by_name = {field.name: field for field in fields}
        found = []
        for index, row in enumerate(self.expect("remarks", self.table.get("remarks", []), list, "a list"), 1):
            what = f"remark {index}"
            self.expect(what, row, Mapping, "a table")
            self.known(f"{what}: ", row, ("field", "bits", "values", "kind", "level", "text", "times", "unit"))
            if ("field" in row) == ("bits" in row):
                self.refuse(f"{what}: exactly one of field, bits is needed")
            if "field" in row and self.expect(f"{what}: field", row["field"], str, "a name") not in by_name:
                self.refuse(
                    f"{what}: there is no field {redacted_repr(row['field'])}{nearest(str(row['field']), by_name)}"
                )
            field = by_name.get(row.get("field", ""))
            places = field.places if field else self.span(what, row["bits"])
            values = row.get("values")
            if values is not None:
                for value in self.expect(f"{what}: values", values, list, "a list of whole numbers"):
                    self.expect(f"{what}: a value", value, int, "a whole number")
            if row.get("level", "care") not in LEVELS:
                self.refuse(f"{what}: level must be one of {', '.join(LEVELS)}, not {redacted_repr(row['level'])}")
            times = self.expect(f"{what}: times", row.get("times", 1), int, "a whole number")
            if ("times" in row) != ("unit" in row) or times < 1:
                self.refuse(f'{what}: times and unit stand together, such as times = 8 and unit = "bytes"')
            found.append(
                Remark(
                    kind=self.expect(f"{what}: kind", row.get("kind", "remark"), str, "a text"),
                    level=row.get("level", "care"),
                    text=self.expect(f"{what}: text", row.get("text"), str, "a text"),
                    places=places,
                    parts=field.parts if field else pieces(self.length, places),
                    values=None if values is None else tuple(values),
                    times=times,
                    unit=self.expect(f"{what}: unit", row.get("unit", ""), str, "a text"),
                )
            )
        return tuple(found)


_KINDS = {
    "even": "even parity", "odd": "odd parity", "xor": "XOR", "complement": "complement", "crc": "CRC",
}  # fmt: skip
_RULES = {"even": "even-parity", "odd": "odd-parity", "xor": "xor", "complement": "complement", "crc": "crc"}

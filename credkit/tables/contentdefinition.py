"""Content definitions: from a TOML table to a `Content`, every fault refused with its item.

    [east-stripe]
    title = "East harbour staff stripe, track 2"
    track = 2                                      # or set = "5-bit", or neither: a text on no track
    most = 40                                      # characters on the track, sentinels and LRC included
    items = [
        { constant = "90" },
        { field = "number", digits = 8 },          # a whole number in exactly 8 digits
        { check = "luhn", over = ["number"] },     # a check character, computed on writing
        { constant = "=" },
        { field = "name", text = "0-20", of = "0-9" },
    ]

A field has ``digits`` (a count, or "1-10" for a number without zeros in front) or ``text`` (a count,
or "0-20"), ``of`` the letters of a class such as "0-9A-Z" (every letter of the set but sentinels and
separator unless said). ``absent`` is what stands for an empty text, ``short`` ends a value that is
not of full length, ``pad`` fills it up to ``width`` (``align = "right"``: on its left).

A check is luhn, mod-11-10, mod-27-26, mod-37-36 or mod-10 (with ``weights``, the last digit's first), ``over``
fields as they stand in the text, what they are filled up with included, or over every letter and
digit before it. ``checks = [{ luhn = "account" }]``: the last character of a field is its own check
character. ``remarks`` are those of layouts; ``meanings.service = [{ at = 0, values = { "1" = "…" } }]``
says what a character means.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from credkit.core.frozen import FrozenMapping
from credkit.core.reading import Field
from credkit.core.sentences import nearest, redacted_repr
from credkit.tables.checkcharacters import CONTENT_RULES
from credkit.tables.content import Content, ContentRemark, Meaning
from credkit.tables.definition import LEVELS
from credkit.tables.itemdefinition import MOST_LETTERS, ItemDefinition
from credkit.tables.items import CheckItem, ClosingCheck, ContentCheck, FieldItem


def content(name: str, definition: Mapping[str, Any]) -> Content:
    """The content that ``definition`` describes; raises `DefinitionError` naming content, item and why.

    >>> content("gate", {"items": [{"field": "number", "digits": "1-8"}, {"field": "issue", "digits": 2}]})
    Traceback (most recent call last):
    credkit.DefinitionError: content gate: item 1, number, may be followed by item 2, issue, \
which can begin with '0': nothing says where number ends
    """
    return _Definition(name, definition).build()


class _Definition(ItemDefinition):
    """One definition while it is being read."""

    def build(self) -> Content:
        self.read_items()
        self.follow()
        checks: list[ContentCheck] = [item.check for item in self.items if isinstance(item, CheckItem)]
        checks += self.own_checks()
        self.examples()
        return Content(
            name=self.name,
            title=self.table.text("title", self.name),
            source=self.table.text("source", ""),
            character_set=self.set, items=tuple(self.items), checks=self.distinct(checks),
            remarks=self.remarks(), meanings=self.meanings(), max_characters=self.most(),
        )  # fmt: skip

    def follow(self) -> None:
        """Refuse a field of any length behind which its letters may go on."""
        for index, item in enumerate(self.items):
            if not isinstance(item, FieldItem):
                continue
            for other in self.items[index + 1 :] if item.greedy_letters else ():
                if both := set(item.greedy_letters) & set(other.first_letters):
                    self.refuse(
                        f"{item.label} may be followed by {other.label} which can begin with "
                        f"{redacted_repr(min(both))}: "
                        f"nothing says where {item.name} ends"
                    )
                if other.min_length:
                    break

    def most(self) -> int | None:
        if not self.table.has("most"):
            return None
        least = sum(item.min_length for item in self.items) + (self.set is not None)
        return self.table.whole("most", least=least, most=MOST_LETTERS)

    def own_checks(self) -> list[ContentCheck]:
        found: list[ContentCheck] = []
        such = "a table such as { luhn = 'account' }"
        for row in self.table.rows("checks", None, each="check", words="a list", such=such, default=[]):
            row.known((*([rule for rule in CONTENT_RULES if row.has(rule)] or CONTENT_RULES), "weights"))
            rule, what = row.exactly_one(*CONTENT_RULES), row.path
            character = self.character(row, rule)
            field = row.named(rule, "field", self.fields())
            if isinstance(field.row, Field):
                self.refuse(f"{what}: {field.name} is a whole number: {rule} needs a text, or an item of its own")
            self.covered(f"{what}, {rule},", field.label, field.alphabet, character)
            claim = f"the {rule} check character of {field.name}"
            found.append(
                ClosingCheck(rule=rule, claim=claim, item=self.items.index(field), character=character, field=field)
            )
        return found

    def distinct(self, checks: list[ContentCheck]) -> tuple[ContentCheck, ...]:
        """The checks, with a rule that occurs more than once made unique by its number."""
        count = Counter(check.rule for check in checks)
        return tuple(
            replace(check, rule=f"{check.rule}-{number}") if count[check.rule] > 1 else check
            for number, check in enumerate(checks, 1)
        )

    def remarks(self) -> tuple[ContentRemark, ...]:
        found = []
        keys = ("field", "values", "kind", "level", "text")
        for row in self.table.rows("remarks", keys, each="remark", words="a list", default=[]):
            field = row.named("field", "field", self.fields())
            values = row.items("values", "a list of values", [])
            for value in values:
                if problem := field.row.problem(value):
                    row.refuse_table(f"a value that cannot be: {problem}")
            found.append(
                ContentRemark(
                    kind=row.text("kind", "remark"), level=row.one_of("level", LEVELS, "care"), text=row.text("text"),
                    field=field.name, values=tuple(values) if row.has("values") else None,
                )
            )  # fmt: skip
        return tuple(found)

    def meanings(self) -> tuple[Meaning, ...]:
        found = []
        such = "a table such as { at = 0, values = { '1' = 'one' } }"
        fields, meant = self.fields(), self.table.mapping("meanings")
        named = self.table.inner("meanings", meant, None)
        for name in meant:
            if name not in fields:
                named.refuse_table(f"there is no field {redacted_repr(name)}{nearest(str(name), fields)}")
            field = fields[name]
            if isinstance(field.row, Field):
                named.refuse_table(f"{name} is a whole number, which has no characters")
            for number, each in enumerate(named.items(name), 1):
                row = named.inner(f"meaning {number} of {name}", each, ("at", "values"), words=such)
                values = row.mapping("values", "a table of texts", default=None)
                for char, text in values.items():
                    row.expect(row.at(redacted_repr(char)), text, str, "a text")
                    if not isinstance(char, str) or len(char) != 1 or char not in field.alphabet:
                        row.refuse_table(f"{redacted_repr(char)} is not one character of {name}")
                at = row.whole("at", least=0, most=field.longest - 1)
                found.append(Meaning(field=name, at=at, values=FrozenMapping(dict(values))))
        return tuple(found)

    def examples(self) -> None:
        """Refuse examples of the wrong form; whether they hold is for whoever builds a codec."""
        such = "a table such as { text = '0101', fields = { number = 5 } }"
        keys = ("text", "fields")
        for row in self.table.rows("examples", keys, each="example", words="a list", such=such, default=[]):
            row.text("text")
            row.mapping("fields", "a table of values", default=None)

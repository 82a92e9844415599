"""Selections: which fields go on, under which names, with which constants.

A row is written ``outer=inner``: ``site=facility`` renames on decoding, ``number`` alone keeps,
``region=7`` adds a constant field, ``7=region`` demands that an inner field has this value (a
failed check otherwise) and supplies it on encoding. Fields that no row names are left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from credkit.core.codec import TableCodec, any_row
from credkit.core.contract import check_fields
from credkit.core.errors import DefinitionError
from credkit.core.fields import FieldMapping, Fields
from credkit.core.forms import is_item
from credkit.core.frozen import FrozenMapping
from credkit.core.origins import Place
from credkit.core.reading import AnyReading, Check, Field, Reading, Schema
from credkit.core.sentences import nearest
from credkit.core.shapes import Shape


@dataclass(frozen=True, slots=True, kw_only=True)
class Select:
    """``kept`` maps outer to inner names; ``added`` are outer constants, ``demanded`` inner ones."""

    kept: Mapping[str, str]
    added: Mapping[str, int]
    demanded: Mapping[str, int]

    def inner_names(self) -> tuple[str, ...]:
        """The inner fields that a row names."""
        return (*self.kept.values(), *self.demanded)

    def decode(self, fields: Mapping[str, Any]) -> dict[str, Any]:
        """The outer fields for the inner ones."""
        return {outer: fields[inner] for outer, inner in self.kept.items()} | dict(self.added)

    def encode(self, fields: Mapping[str, Any]) -> dict[str, Any]:
        """The inner fields for the outer ones."""
        return {inner: fields[outer] for outer, inner in self.kept.items()} | dict(self.demanded)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class SelectCodec(TableCodec[FieldMapping, FieldMapping]):
    """Fields to fields by a `Select`; its schema is known once it stands in a chain."""

    select: Select

    @property
    def table(self) -> Select:
        """The selection."""
        return self.select

    def bind_input(self, flowing: Shape) -> SelectCodec:
        """The selection from the fields that flow here; fields it names must be among them."""
        schema = flowing.schema
        if schema is None:
            return self
        for name in self.select.inner_names():
            if name not in schema:
                raise DefinitionError(f"the field {name}, but there is only {', '.join(schema)}{nearest(name, schema)}")
        for name, value in self.select.demanded.items():
            if problem := schema[name].problem(value):
                raise DefinitionError(f"a value that cannot be: {problem}")
        outer = {outer: replace(schema[inner], name=outer) for outer, inner in self.select.kept.items()}
        outer |= {name: Field(name=name, least=value, most=value) for name, value in self.select.added.items()}
        return replace(
            self,
            input=replace(flowing, schema={name: schema[name] for name in self.select.inner_names()}),
            output=Shape("fields", schema=FrozenMapping(outer)),
            is_projection=set(self.select.inner_names()) != set(schema),
        )

    def input_for(self, flowing: Shape) -> Shape:
        """Encoding hands on the inner fields that the rows name, and no others."""
        return self.input

    def _decode_raw(self, raw: Mapping[str, Any]) -> Mapping[str, Any] | None:
        """The outer fields, or None where one is missing, or not what a row demands."""
        if not all(is_item(raw.get(name)) for name in self.select.inner_names()):
            return None
        if any(raw[name] != value for name, value in self.select.demanded.items()):
            return None
        return Fields(self.select.decode(raw))

    def _encode_raw(self, raw: Mapping[str, Any]) -> Mapping[str, Any]:
        """The inner fields; raises `EncodeError` where an outer one is missing, unknown or not its constant."""
        schema: Schema = self.output.schema or {
            **{name: any_row(name, raw.get(name)) for name in self.select.kept},
            **{name: Field(name=name, least=value, most=value) for name, value in self.select.added.items()},
        }
        check_fields(self.name, schema, raw)
        return Fields(self.select.encode(raw))

    def inspect(self, value: Mapping[str, Any]) -> AnyReading:
        """The outer fields, with a check for each field that is demanded, or that is missing."""
        wrong = next((name for name in self.select.inner_names() if not is_item(value.get(name))), None)
        if wrong is not None:
            check = Check(
                codec=self.name, rule="fields", claim=f"the value of {wrong}", form="fields", at=(wrong,),
                expected="a whole number or a text", found=(value.get(wrong),),
            )  # fmt: skip
            return Reading(value=None, checks=(check,))
        checks = tuple(
            Check(
                codec=self.name, rule=f"is-{name}", claim=f"the value of {name}", form="fields", at=(name,),
                expected=wanted, found=value[name],
            )
            for name, wanted in self.select.demanded.items()
        )  # fmt: skip
        return Reading(value=Fields(self.select.decode(value)), checks=checks, origin=self._origin)

    def _origin(self, place: Place) -> tuple[Place, ...]:
        inner = self.select.kept.get(str(place))
        return () if inner is None else (inner,)

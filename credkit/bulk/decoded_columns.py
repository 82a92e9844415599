"""What a codec reads in many rows, be it a chain or a choice of chains: the fields, and which rows have them."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from credkit.bulk.compiled import Bulk
from credkit.bulk.words import Array
from credkit.core.chains import Choice
from credkit.core.codec import AnyCodec


class DecodedColumns(NamedTuple):
    """A plain column for each field, the rows that decode, and those with a note above the level info.

    A row that does not decode has in its columns what was read in spite of it, 0 or None where nothing was.
    ``noted`` is empty where notes were not asked for.
    """

    fields: dict[str, Array]
    ok: Array
    noted: Array


def decode_columns(
    codec: AnyCodec, values: Any, length: int | None = None, *, with_notes: bool = True
) -> DecodedColumns:  # fmt: skip
    """What ``codec``, which gives fields, reads in each row of ``values`` (see `credkit.bulk.Bulk.inspect`).

    Of a choice exactly one option must fit, and what it reads counts. Codecs without a table are several times as
    fast without notes.

    >>> from credkit import chain
    >>> found = decode_columns(chain("hex:8/right-justified:26/wiegand-26"), ["02F764DD", "02F764DC"])
    >>> found.fields["number"].tolist(), found.ok.tolist(), found.noted.tolist()
    ([45678, 45678], [True, False], [False, False])
    """
    if not isinstance(codec, Choice) and not with_notes:
        decoded = Bulk(codec).decode_or_null(values, length=length)
        return DecodedColumns(decoded.columns, decoded.ok, np.zeros(decoded.count, bool))
    if not isinstance(codec, Choice):
        found = Bulk(codec).inspect(values, length=length)
        noted = np.zeros(found.count, bool)
        for kind, rows in found.notes.items():
            if kind.level != "info":
                noted |= rows
        return DecodedColumns(found.columns, found.ok, noted)
    options = [decode_columns(option, values, length, with_notes=with_notes) for option in codec.options]
    fit = np.sum([option.ok for option in options], axis=0)
    fields, first, noted = dict(options[0].fields), options[0].ok, options[0].noted & options[0].ok
    for option in options[1:]:
        fields = {name: np.where(first, column, option.fields[name]) for name, column in fields.items()}
        noted = noted | (option.noted & option.ok)
        first = first | option.ok
    return DecodedColumns(fields, fit == 1, noted)

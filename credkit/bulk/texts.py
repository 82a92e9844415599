"""Texts of many rows: digits to words and back, by the kernels of a data frame library.

A kernel only takes the fast way for texts that the notation's own regular expression admits, and
whose numbers are in range; which rows those are is part of what it gives. All other rows go to the
codec itself, so that there is one judge of what is wrong with a text.

Needs the extra ``audit`` (polars).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from credkit.bulk.words import LIMB, Array
from credkit.tables.notation import Notation


def fast(notation: Notation) -> bool:
    """Whether a kernel serves the notation: groups of a known size, 64 bits in all."""
    return notation.bits is not None and notation.bits <= LIMB


def read(notation: Notation, texts: Any) -> tuple[Array, Array]:
    """The words of a series of ``texts``, and which rows have one; 0 in the others."""
    import polars as pl

    good = texts.str.contains(rf"\A(?:{notation.pattern})\z").fill_null(False)
    plain = texts.str.replace_all(notation.separator, "", literal=True) if notation.separator else texts
    count = len(notation.groups)
    parts = plain.str.split_exact(notation.joint, count - 1).struct.unnest().get_columns() if count > 1 else [plain]
    words = np.zeros(len(texts), np.uint64)
    for group, part in zip(notation.groups, parts, strict=True):
        kind = pl.Int64 if group.signed else pl.UInt64
        if notation.base == 10:
            numbers = part.cast(kind, strict=False)
        else:
            numbers = part.str.to_integer(base=notation.base, dtype=kind, strict=False)
        least, most = (-1 << group.bits - 1, (1 << group.bits - 1) - 1) if group.signed else (0, (1 << group.bits) - 1)
        good = good & numbers.is_between(least, most).fill_null(False)
        found = numbers.fill_null(0).to_numpy().astype(np.uint64) & np.uint64((1 << group.bits) - 1)
        words = words << np.uint64(group.bits) | found if count > 1 else found
    kept: Array = good.to_numpy()
    return words * kept, kept


def write(notation: Notation, words: Array) -> tuple[Any, Array]:
    """The texts for ``words`` as a series, and for which rows no number has too many digits."""
    import polars as pl

    left, texts, good = notation.bits or 0, [], np.ones(len(words), bool)
    for group in notation.groups:
        left -= group.bits
        numbers = words >> left & (1 << group.bits) - 1
        if group.signed:
            spare = LIMB - group.bits
            part = pl.Series((numbers << spare).astype(np.int64) >> spare).cast(pl.String)
        elif notation.base == 10:
            part = pl.Series(numbers).cast(pl.String).str.zfill(group.most if group.pad else group.least)
        else:
            part = _digits(notation, numbers, group.least)
        if notation.base == 10:
            good &= (part.str.strip_chars_start("-").str.len_bytes() <= group.most).to_numpy()
        texts.append(part)
    return (
        texts[0] if len(texts) == 1 else pl.select(pl.concat_str(texts, separator=notation.joint)).to_series()
    ), good


def _digits(notation: Notation, numbers: Array, count: int) -> Any:
    """Numbers in ``count`` digits of base 2 or 16, with what stands between their bytes."""
    import polars as pl

    size = notation.base.bit_length() - 1
    letters = np.frombuffer(b"0123456789abcdef" if notation.lower else b"0123456789ABCDEF", np.uint8)
    rows = []
    for place in range(count):
        rows.append(letters[(numbers >> size * (count - 1 - place) & notation.base - 1).astype(np.intp)])
        if notation.separator and place % 2 and place < count - 1:
            rows.append(np.full(len(numbers), ord(notation.separator), np.uint8))
    whole = np.ascontiguousarray(np.stack(rows, axis=1)).view(f"S{len(rows)}").ravel()
    return pl.Series(whole).cast(pl.String)

"""Texts of many rows: digits to words and back, by the kernels of a data frame library.

A kernel only takes the fast way for texts that the notation's own regular expression admits, and
whose numbers are in range; which rows those are is part of what it gives. All other rows go to the
codec itself, so that there is one judge of what is wrong with a text.

Needs the extra ``site`` (polars).
"""

from __future__ import annotations

from binascii import unhexlify
from typing import Any

import numpy as np

from credkit.bulk.words import LIMB_BITS, Array
from credkit.tables.notation import DigitGroup, Notation
from credkit.tables.pattern import TextPattern

_DIGITS = {2: "[0-1]", 16: "[0-9A-Fa-f]"}


def has_kernel(notation: Notation) -> bool:
    """Whether a kernel serves the notation: groups of a known size, 64 bits in all."""
    return notation.bits is not None and notation.bits <= LIMB_BITS


def fixed_notation(notation: Notation, texts: Any) -> Notation | None:
    """For a ``notation`` of any number of digits the one of as many as each of ``texts`` has, if a kernel serves it.

    >>> import polars as pl
    >>> same, other = pl.Series(["0110", "1111"]), pl.Series(["0", "10"])
    >>> fixed_notation(Notation(2), same).bits, fixed_notation(Notation(2), other)
    (4, None)
    """
    if notation.groups or notation.byte_separator:
        return None
    sizes = texts.str.len_bytes()
    size = sizes.max() or 0
    bits = size * (notation.base.bit_length() - 1)
    if not 0 < bits <= LIMB_BITS or size != sizes.min():
        return None
    return Notation(notation.base, (DigitGroup(bits=bits, least=size, most=size),))


def parse(notation: Notation, texts: Any) -> tuple[Array, Array]:
    """The words of a series of ``texts``, and which rows have one; 0 in the others."""
    words = _parse_fixed_width(notation, texts)
    if words is not None:
        return words, np.ones(len(words), bool)
    return _parse_each(notation, texts)


def byte_matrix(texts: Any) -> Array | None:
    """The bytes of ``texts``, a row for each; None where they are not all as long."""
    import polars as pl

    sizes = texts.str.len_bytes()
    size = sizes.max()
    if not size or size != sizes.min():
        return None
    data = texts.str.join("").cast(pl.Binary).item()
    return np.frombuffer(data, np.uint8).reshape(len(texts), size)


def _parse_fixed_width(notation: Notation, texts: Any) -> Array | None:
    """The words of ``texts`` if each is of as many digits of base 2 or 16 as there should be; else None."""
    group = notation.groups[0]
    exact = group.least == group.most and group.bits == group.least * (notation.base.bit_length() - 1)
    whole = notation.base == 2 or group.least % 2 == 0  # bytes
    rows = byte_matrix(texts) if exact and whole and _is_plain(notation) else None
    if rows is None or rows.shape[1] != group.least:
        return None
    if notation.base == 16:
        try:
            packed = np.frombuffer(unhexlify(rows.data), np.uint8).reshape(len(rows), group.least // 2)
        except ValueError:  # a sign that is no digit
            return None
    else:
        digits = rows - np.uint8(ord("0"))
        if digits.max() > 1:
            return None
        packed = np.packbits(digits, axis=1)
    return _words(packed, group.bits)


def _words(rows: Array, size: int) -> Array:
    """Rows of bytes, of which the first ``size`` bits count, as numbers."""
    count = rows.shape[1]
    if count not in (1, 2, 4, 8):
        wide = np.zeros((len(rows), 8), np.uint8)
        wide[:, 8 - count :] = rows
        rows, count = wide, 8
    words: Array = rows.view(f">u{count}").ravel().astype(np.uint64)
    return words >> np.uint64(-size % 8) if size % 8 else words


def _parse_each(notation: Notation, texts: Any) -> tuple[Array, Array]:
    """The same for each text apart."""
    import polars as pl

    text, count = pl.col("text"), len(notation.groups)
    plain = text.str.replace_all(notation.byte_separator, "", literal=True) if notation.byte_separator else text
    split = plain.str.split_exact(notation.group_separator, count - 1) if count > 1 else plain
    parts = [split.struct.field(f"field_{place}") if count > 1 else split for place in range(count)]
    kinds = [pl.Int64 if group.is_signed else pl.UInt64 for group in notation.groups]
    numbers = [_number(part, notation.base, kind) for part, kind in zip(parts, kinds, strict=True)]
    numbers[0] = pl.when(_admitted(notation, text)).then(numbers[0])
    columns = texts.to_frame("text").select(each.alias(str(place)) for place, each in enumerate(numbers))
    words: Any = None
    kept = np.ones(len(texts), bool)
    for group, column in zip(notation.groups, columns, strict=True):
        if column.null_count():
            kept &= column.is_not_null().to_numpy()
            column = column.fill_null(0)
        found = column.to_numpy()
        if group.is_signed:
            kept &= (found >= -1 << group.bits - 1) & (found < 1 << group.bits - 1)
            found = found.astype(np.uint64) & np.uint64((1 << group.bits) - 1)
        elif notation.base**group.most > 1 << group.bits:
            kept &= found <= (1 << group.bits) - 1
        words = found if words is None else words << np.uint64(group.bits) | found
    return words if kept.all() else words * kept, kept


def _number(digits: Any, base: int, kind: Any) -> Any:
    """What digits write, be they an expression or a series; null where that is no number of the ``kind``."""
    return digits.cast(kind, strict=False) if base == 10 else digits.str.to_integer(base=base, dtype=kind, strict=False)


def match_pattern(pattern: TextPattern, texts: Any) -> tuple[dict[str, Array], Array]:
    """The numbers that a series of ``texts`` holds by a pattern, and which rows have them; 0 in the others.

    A row whose numbers do not fit in 64 bits has none.
    """
    import polars as pl

    try:
        parts = texts.str.extract_groups(rf"\A(?:{pattern.regex})\z").struct.unnest()
    except pl.exceptions.ComputeError:  # a literal that the other engine writes in another way
        return {name: np.zeros(len(texts), np.uint64) for name in pattern.bases}, np.zeros(len(texts), bool)
    found, good = {}, np.ones(len(texts), bool)
    for name, base in pattern.bases.items():
        numbers = _number(parts[name], base, pl.UInt64)
        good &= numbers.is_not_null().to_numpy()
        found[name] = numbers.fill_null(0).to_numpy()
    return {name: numbers * good for name, numbers in found.items()}, good


def _admitted(notation: Notation, text: Any) -> Any:
    """The expression for what the notation's own admits, as far as the number that is read does not say so itself.

    Of plain digits without a sign, those that can be read are the right ones if there are as many as there should be.
    """
    if not _is_plain(notation):
        return text.str.contains(rf"\A(?:{notation.pattern})\z")
    group = notation.groups[0]
    return text.str.len_bytes().is_between(group.least, group.most) & (text >= "0")  # signs stand before 0


def _is_plain(notation: Notation) -> bool:
    """Whether a text is nothing but digits of base 2 or 16."""
    group = notation.groups[0]
    return notation.pattern == f"{_DIGITS.get(notation.base, '')}{{{group.least},{group.most}}}"


def format_words(notation: Notation, words: Array) -> tuple[Any, Array]:
    """The texts for ``words`` as a series, and for which rows no number has too many digits."""
    import polars as pl

    left, texts, good = notation.bits or 0, [], np.ones(len(words), bool)
    for group in notation.groups:
        left -= group.bits
        numbers = words >> left & (1 << group.bits) - 1
        if group.is_signed:
            spare = LIMB_BITS - group.bits
            part = pl.Series((numbers << spare).astype(np.int64) >> spare).cast(pl.String)
        elif notation.base == 10:
            part = pl.Series(numbers).cast(pl.String).str.zfill(group.most if group.pad else group.least)
        else:
            part = _digits(notation, numbers, group.least)
        if notation.base == 10:
            good &= (part.str.strip_chars_start("-").str.len_bytes() <= group.most).to_numpy()
        texts.append(part)
    return (
        texts[0] if len(texts) == 1 else pl.select(pl.concat_str(texts, separator=notation.group_separator)).to_series()
    ), good


def _digits(notation: Notation, numbers: Array, count: int) -> Any:
    """Numbers in ``count`` digits of base 2 or 16, with what stands between their bytes."""
    import polars as pl

    size = notation.base.bit_length() - 1
    letters = np.frombuffer(b"0123456789abcdef" if notation.is_lower_case else b"0123456789ABCDEF", np.uint8)
    rows = []
    for place in range(count):
        rows.append(letters[(numbers >> size * (count - 1 - place) & notation.base - 1).astype(np.intp)])
        if notation.byte_separator and place % 2 and place < count - 1:
            rows.append(np.full(len(numbers), ord(notation.byte_separator), np.uint8))
    whole = np.ascontiguousarray(np.stack(rows, axis=1)).view(f"S{len(rows)}").ravel()
    return pl.Series(whole).cast(pl.String)

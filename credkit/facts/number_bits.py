"""Bits of numbers: how many different numbers a kind, a reader or a target can have, as a power of two."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, time
from math import inf, log2

import polars as pl

from credkit.core.codec import AnyCodec
from credkit.core.shapes import single_length
from credkit.facts.texts import branches
from credkit.site.model import CredentialKind, Reader, Site, Target

TRIAL_DIGITS = "12345678901234567890"  # its beginnings are numbers to try a truncation with


def chains_in_use(site: Site, reader: Reader) -> tuple[AnyCodec, ...]:
    """The chains of a reader on the day of judgement or later, each once; periods that are over are excluded."""
    today = datetime.combine(site.as_of, time(), site.zone)
    periods = (period for period in reader.periods if period.end is None or period.end > today)
    return tuple(dict.fromkeys(codec for period in periods for codec in branches(period.codec)))


def chains_for(site: Site, kind: CredentialKind) -> Iterator[AnyCodec]:
    """The chains by which readers give numbers of ``kind`` whole."""
    for reader in site.readers.values():
        if reader.kind is kind:
            yield from (codec for codec in chains_in_use(site, reader) if not codec.lossy)


def number_bits(site: Site, kind: CredentialKind) -> float:
    """The bits of a number of ``kind`` in the narrowest form that is not truncated."""
    schemas = (kind.schema, *(codec.schema for codec in chains_for(site, kind)))
    return min(sum(schema[name].room for name in kind.key) for schema in schemas)


def bits_left(codec: AnyCodec) -> float:
    """The bits that the narrowest truncation of a chain leaves; infinite where not known.

    >>> from credkit import chain
    >>> bits_left(chain("hex:8/keep-low:24")), bits_left(chain("hex:8"))
    (24.0, inf)
    """
    truncations = [step for step in codec.steps if step.is_projection]
    found = [
        float(size) for step in truncations if step.gives == "bits" and (size := single_length(step.output.lengths))
    ]
    found += [
        len(part) * log2(10)
        for step in truncations
        if step.gives == "text" and (part := step._decode_raw(TRIAL_DIGITS))
    ]
    return min(found, default=inf)


def decimal_bits(texts: pl.Series) -> float:
    """The bits of the longest text if all texts are decimal digits; infinite for others.

    >>> round(decimal_bits(pl.Series(["17", "45678"])), 1), decimal_bits(pl.Series(["17", "2F"]))
    (16.6, inf)
    """
    if texts.is_empty() or not texts.str.contains(r"\A[0-9]+\z").all():
        return inf
    longest = texts.str.len_bytes().max()
    assert isinstance(longest, int)
    return longest * log2(10)


def text_bits(site: Site, target: Target, texts: pl.Series) -> float:
    """The bits of a number of which ``target`` has ``texts``: those of the kind, or fewer where the target truncates.

    What a truncation leaves that says no size is judged by the digits of the texts.
    """
    left = bits_left(target.conversion.target)
    return min(number_bits(site, target.kind), decimal_bits(texts) if left == inf else left)

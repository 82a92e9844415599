"""The CSV files of a site as columns, read as strictly as row by row.

Every column is looked at as a whole. Where anything is not as it should be, or only might not be,
nothing is given, and the strict reader of `credkit.site.rows` takes over: it says what is wrong, and
there is one judge of that.

Source: ISO 8601 (dates and times).
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from datetime import date

import polars as pl

from credkit.files.csvcolumns import NeedsStrictReader, read_frame
from credkit.privacy.accountroom import ACCOUNT_DIGITS, ACCOUNT_ROOM_PATTERN
from credkit.privacy.accounts import holds_track
from credkit.site.model import Site
from credkit.site.rows import CREDENTIALS

_MAY_BE_BLANK = r"\A[^!-~]*\z"  # without a printable character of ASCII
_ISSUE = re.compile("[0-9]{0,9}")
_DAY = re.compile("[0-9]{4}-[0-9]{2}-[0-9]{2}")


def load_credentials(site: Site) -> pl.DataFrame | None:
    """The rows of the credentials: the columns of `credkit.site.rows.Assignment`, days as texts; None if not plain."""
    try:
        frame = read_frame(site.credentials, CREDENTIALS)
    except NeedsStrictReader:
        return None
    if not _is_valid(frame, site):
        return None
    names = {"person_id": "person", "credential_id": "credential"}
    return frame.rename(names).with_columns(pl.col("issue").cast(pl.UInt64, strict=False))


def holds_tracks(frame: pl.DataFrame, columns: Sequence[str]) -> bool:
    """Whether a cell in these columns holds a payment track."""
    return any(map(holds_track, _texts_with_room(frame, columns)))


def _texts_with_room(frame: pl.DataFrame, columns: Iterable[str]) -> Iterator[str]:
    for name in columns:
        long = frame[name].str.len_bytes() >= ACCOUNT_DIGITS.start
        if long.any():
            texts = frame[name].filter(long)
            yield from texts.filter(texts.str.contains(ACCOUNT_ROOM_PATTERN)).unique()


def _is_valid(frame: pl.DataFrame, site: Site) -> bool:
    """Whether every cell is certainly as it should be."""
    if any(frame[name].str.contains(_MAY_BE_BLANK).any() for name in ("person_id", "credential_id", "status")):
        return False
    known: tuple[tuple[str, Collection[str]], ...] = (("kind", site.kinds), ("status", site.rules.statuses))
    if not all(set(frame[name].unique()) <= set(words) for name, words in known):
        return False
    if not all(map(_ISSUE.fullmatch, frame["issue"].unique())):
        return False
    if not all(_is_day(text) for name in ("valid_from", "valid_until") for text in frame[name].unique()):
        return False
    first, last = frame["valid_from"], frame["valid_until"]
    if (first.ne("") & last.ne("") & last.lt(first)).any():
        return False
    guarded = [kind.name for kind in site.kinds.values() if not kind.not_payment]
    return not holds_tracks(frame.filter(pl.col("kind").is_in(guarded)), CREDENTIALS)


def _is_day(text: str) -> bool:
    try:
        return not text or (_DAY.fullmatch(text) is not None and bool(date.fromisoformat(text)))
    except ValueError:
        return False

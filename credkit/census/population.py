"""Population: the credentials file of a site as columns, read as strictly as row by row.

A file that is plain (one row a line, quotation marks around whole cells at most) is split by a
kernel, and every column is looked at as a whole. Where anything is not as it should be, or only
might not be, the strict reader of `credkit.sitefiles` takes over: it says what is wrong, and there
is one judge of that.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable
from datetime import date

import numpy as np
import polars as pl

from credkit.accounts import ACCOUNT_DIGITS, holds_track
from credkit.crosswalk.register import ACTIVE, EARLY, EXPIRED
from credkit.csvfiles import File
from credkit.sitefiles import CREDENTIALS, read_credentials
from credkit.sitemodel import Rules, Site

PLAIN = ("utf-8", "utf8", "utf-8-sig")  # encodings that the kernel reads
MARK = b"\xef\xbb\xbf"  # a byte order mark
TRACK = r"[;=%^]|[0-9][Dd][0-9]{4}"  # without one of these in it no text is a payment track
KEPT = ("person", "credential", "kind", "value", "issue", "status", "valid_from", "valid_until", "source")
_ISSUE = re.compile("[0-9]{0,9}")
_DAY = re.compile("[0-9]{4}-[0-9]{2}-[0-9]{2}")


def read_population(site: Site) -> pl.DataFrame:
    """The rows of the credentials file; raises `DefinitionError` with file and line.

    Beside the columns there is the ``line`` of each row, ``card`` (the first line of its credential),
    its ``state`` on the day of judgement, whether it is ``active``, ``held`` (somebody may still have
    it), and whether a row of a more trusted source supersedes it (``late``).
    """
    found = fast(site)
    return _judged(strict(site) if found is None else found, site)


def strict(site: Site) -> pl.DataFrame:
    """The columns, by the strict reader."""
    plain = {kind.name for kind in site.kinds.values() if kind.not_payment}
    rows = read_credentials(site.credentials, site.kinds, site.rules.statuses, plain)
    columns = {
        "line": [row.line for row in rows], "person": [row.person for row in rows],
        "credential": [row.credential for row in rows], "kind": [row.kind for row in rows],
        "value": [row.value for row in rows], "issue": [row.issue for row in rows],
        "status": [row.status for row in rows],
        "valid_from": [str(row.valid_from or "") for row in rows],
        "valid_until": [str(row.valid_until or "") for row in rows],
        "source": [row.source for row in rows],
    }  # fmt: skip
    kinds = dict.fromkeys(KEPT, pl.String) | {"line": pl.UInt32, "issue": pl.UInt64}
    return pl.DataFrame(columns, schema={name: kinds[name] for name in columns})


def fast(site: Site) -> pl.DataFrame | None:
    """The columns, by kernels; None where the strict reader has to look."""
    frame = _split(site.credentials)
    if frame is None or not _sound(frame, site):
        return None
    names = {"person_id": "person", "credential_id": "credential"}
    issue = pl.col("issue").cast(pl.UInt64, strict=False)
    found = frame.rename(names).with_columns(issue, pl.int_range(2, pl.len() + 2, dtype=pl.UInt32).alias("line"))
    return found.select("line", *KEPT)


def _split(file: File) -> pl.DataFrame | None:
    """The cells of a plain file in which every row has as many as the header."""
    mark = file.delimiter.encode()
    if file.encoding.lower() not in PLAIN or len(mark) != 1:
        return None
    try:
        data = file.path.read_bytes().removeprefix(MARK)
    except OSError:
        return None
    data = data.replace(b"\r\n", b"\n") if b"\r" in data else data
    if not data or any(sign in data for sign in (b"\0", b"\r")):
        return None
    data = data if data.endswith(b"\n") else data + b"\n"
    if b'"' in data:
        if not _wrapping(data, mark):
            return None
        data = data.replace(b'"', b"")
    if sorted(data[: data.index(b"\n")].split(mark)) != sorted(name.encode() for name in CREDENTIALS):
        return None
    signs = np.frombuffer(data, np.uint8)
    ends, marks = np.flatnonzero(signs == ord("\n")), np.flatnonzero(signs == mark[0])
    each = len(CREDENTIALS) - 1
    if len(marks) != each * len(ends) or np.diff(ends, prepend=0).max() >= csv.field_size_limit():
        return None
    if (marks[each - 1 :: each] > ends).any() or (marks[each::each] < ends[:-1]).any():
        return None
    try:
        frame = pl.read_csv(data, separator=file.delimiter, quote_char=None, infer_schema=False)
    except pl.exceptions.PolarsError:
        return None
    return frame.fill_null("") if frame.height == len(ends) - 1 else None


def _wrapping(data: bytes, mark: bytes) -> bool:
    """Whether quotation marks only stand around whole cells, and nothing in these cells needs them."""
    signs = np.frombuffer(data, np.uint8)
    quotes = np.flatnonzero(signs == ord('"'))
    bounds = np.flatnonzero((signs == mark[0]) | (signs == ord("\n")))
    first, last = quotes[::2], quotes[1::2]
    if len(first) != len(last):
        return False
    after = np.searchsorted(bounds, first)  # the bound behind each cell; the one before it is in front of the cell
    before = np.where(after > 0, bounds[after - 1], -1)
    return bool((before == first - 1).all() and (bounds[after] == last + 1).all())


def _sound(frame: pl.DataFrame, site: Site) -> bool:
    """Whether every cell is certainly as it should be."""
    if any(frame[name].eq("").any() for name in ("person_id", "credential_id", "status")):
        return False
    known = (("kind", site.kinds), ("status", site.rules.statuses))
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
    return not any(map(holds_track, _suspects(frame.filter(pl.col("kind").is_in(guarded)))))


def _is_day(text: str) -> bool:
    try:
        return not text or (_DAY.fullmatch(text) is not None and bool(date.fromisoformat(text)))
    except ValueError:
        return False


def _suspects(frame: pl.DataFrame) -> Iterable[str]:
    """The texts that may be payment tracks."""
    for name in CREDENTIALS:
        long = frame[name].filter(frame[name].str.len_bytes() >= ACCOUNT_DIGITS.start)
        yield from long.filter(long.str.contains(TRACK))


def _judged(frame: pl.DataFrame, site: Site) -> pl.DataFrame:
    """The columns that follow from the others; days are compared as ISO 8601 writes them."""
    rules, today = site.rules, site.as_of.isoformat()
    state = (
        pl.when(~pl.col("status").is_in(list(rules.active))).then(pl.col("status"))
        .when(pl.col("valid_from") > today).then(pl.lit(EARLY))
        .when((pl.col("valid_until") != "") & (pl.col("valid_until") < today)).then(pl.lit(EXPIRED))
        .otherwise(pl.lit(ACTIVE))
    )  # fmt: skip
    again = frame["credential"].is_duplicated()
    card = pl.col("line").min().over("credential") if again.any() else pl.col("line")
    return frame.with_columns(
        card.alias("card"),
        state.alias("state"),
        (~pl.col("status").is_in(list(rules.gone))).alias("held"),
        _late(frame, again, rules).alias("late"),
    ).with_columns((pl.col("state") == ACTIVE).alias("active"))


def _late(frame: pl.DataFrame, again: pl.Series, rules: Rules) -> pl.Series:
    """Which rows a row of a more trusted source supersedes: of the same credential (``again``), kind and person."""
    late = pl.Series("late", np.zeros(frame.height, bool))
    if not rules.order_of_truth or not again.any():
        return late
    ranks = {source: place for place, source in enumerate(rules.order_of_truth)}
    rank = pl.col("source").replace_strict(ranks, default=len(ranks), return_dtype=pl.UInt32)
    some = frame.filter(again).select("credential", "kind", "person", rank.alias("rank"))
    best = some.select((pl.col("rank") > pl.col("rank").min().over("credential", "kind", "person")).alias("late"))
    return late.scatter(again.arg_true(), best["late"])

"""Near misses of ids: ids that differ only in case, spacing or Unicode form.

``P-1``, ``P-1`` with a space behind it, ``p-1`` and a full-width ``Ｐ-1`` are different ids to a program, and
probably one person to whoever typed them. A near key is the same for all of them.

Source: the Unicode Standard, 3.13 (compatibility caseless matching) and UAX 15 (NFKC).
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping

import numpy as np
import polars as pl

from credkit.core.sentences import MAX_SENTENCE_CHARACTERS, redacted_repr
from credkit.core.whitespace import ZERO_WIDTH

MAX_OFFERED = 3  # ids that one clause offers
KEYS_AT_ONCE = 1 << 16  # ids: it bounds the memory that their keys take


def near_key(text: str) -> str:
    """What ``text`` has in common with its near misses.

    Case, Unicode form, white space around it, the length of white space in it and characters without
    width make no difference; accents, hyphens and leading zeros do.

    >>> {near_key(text) for text in ("P-1", "P-1 ", "p-1", "\\uff30-1", "\\ufeffP-1\\u00a0")}
    {'p-1'}
    >>> near_key("Gate  7"), near_key("P-01"), near_key("P1")
    ('gate 7', 'p-01', 'p1')
    """
    if text.isascii():
        return " ".join(text.lower().split())
    folded = unicodedata.normalize("NFD", text)
    for _ in range(2):  # once is not enough: what is folded may be normalised to what folds again
        folded = unicodedata.normalize("NFKD", folded.casefold())
    bare = "".join(character for character in folded if character not in ZERO_WIDTH)
    return " ".join(unicodedata.normalize("NFKC", bare).split())


def near_keys(texts: pl.Series) -> pl.Series:
    """The near keys of ``texts``; only those with more than visible ASCII characters are folded alone.

    >>> near_keys(pl.Series(["P-1", "Gate  7", "\\uff30-1"])).to_list()
    ['p-1', 'gate 7', 'p-1']
    """
    keys = texts.str.to_lowercase()
    alone = (~texts.str.contains(r"\A[!-~]*\z")).arg_true()
    return keys.scatter(alone, [near_key(text) for text in texts.gather(alone)]) if len(alone) else keys


def find_near_misses(ids: Iterable[str]) -> Mapping[str, tuple[str, ...]]:
    """Each of ``ids`` that has near misses among the others, with these; in the order they are given in.

    >>> find_near_misses(["P-1", "P-2", "p-1", "P-1", "P-1 "])
    {'P-1': ('p-1', 'P-1 '), 'p-1': ('P-1', 'P-1 '), 'P-1 ': ('P-1', 'p-1')}
    """
    groups = group_ids(ids)
    spelt = {each: group for group in groups.values() if len(group) > 1 for each in group}
    return {each: tuple(other for other in group if other != each) for each, group in spelt.items()}


def group_ids(ids: Iterable[str]) -> Mapping[str, tuple[str, ...]]:
    """``ids`` by their near key, each spelling once: what `did_you_mean` takes.

    >>> group_ids(["North", "north", "East"])
    {'north': ('North', 'north'), 'east': ('East',)}
    """
    groups: dict[str, dict[str, None]] = {}
    for each in dict.fromkeys(ids):
        groups.setdefault(near_key(each), {})[each] = None
    return {key: tuple(group) for key, group in groups.items()}


def did_you_mean(text: str, known: Mapping[str, tuple[str, ...]]) -> str:
    """A clause that offers the ids of ``known`` (see `group_ids`) that ``text`` is a near miss of, or nothing.

    >>> known = group_ids(["C-1", "C-2"])
    >>> did_you_mean("c-1 ", known), did_you_mean("C-1", known), did_you_mean("C-3", known)
    ("; did you mean 'C-1'?", '', '')
    """
    if len(text) > MAX_SENTENCE_CHARACTERS:  # nothing is called so
        return ""
    near = known.get(near_key(text), ())
    if not near or text in near:
        return ""
    more = f" or {len(near) - MAX_OFFERED:,} others" if len(near) > MAX_OFFERED else ""
    return f"; did you mean {' or '.join(map(redacted_repr, near[:MAX_OFFERED]))}{more}?"


def spelt_in_several_ways(texts: pl.Series) -> pl.Series:
    """Which texts have a near miss among the others.

    >>> spelt_in_several_ways(pl.Series(["P-1", "P-2", "p-1", "P-1"])).to_list()
    [True, False, True, True]
    """
    starts = range(0, max(1, len(texts)), KEYS_AT_ONCE)
    key = pl.concat([near_keys(texts[start : start + KEYS_AT_ONCE]).hash() for start in starts]).to_numpy()
    text = texts.hash().to_numpy()  # hashes tell of most that nothing is like them
    order = np.lexsort((text, key))
    alike = np.flatnonzero((np.diff(key[order]) == 0) & (np.diff(text[order]) != 0))
    if not len(alike):
        return pl.repeat(value=False, n=len(texts), eager=True)
    suspects = np.isin(text, text[order[np.append(alike, alike + 1)]])
    different = pl.DataFrame({"text": texts.filter(pl.Series(suspects))}).unique()
    different = different.with_columns(near_keys(different["text"]).alias("key"))
    return texts.is_in(different.filter(pl.col("key").is_duplicated())["text"].implode())

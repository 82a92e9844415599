"""Clean texts: what a chain decodes without anything to be said of it but its number.

Cards are read again and again. Where a chain reads texts one by one, a text that was clean once is not read again:
its hash is looked up among those of clean texts, and its number beside it.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from credkit.bulk.decoding import has_kernel
from credkit.bulk.words import Array
from credkit.core.codec import AnyCodec

MOST_CLEAN_TEXTS = 1 << 17  # different texts that are kept of a chain


def is_read_one_by_one(codec: AnyCodec) -> bool:
    """Whether a chain reads many texts one by one: a step has no kernel, or its bits have no one length.

    >>> from credkit import chain
    >>> gates = ("hex:8/right-justified:26/wiegand-26", "binary/wiegand-26", "track:2/track-2:number,issue")
    >>> [is_read_one_by_one(chain(each)) for each in gates]
    [False, True, True]
    """
    first = codec.steps[0]
    return not all(map(has_kernel, codec.steps)) or (first.gives == "bits" and len(first.output.lengths) != 1)


class CleanTexts:
    """The clean texts of a chain, each with its number; they are looked up by hashes, and compared.

    >>> clean, texts = CleanTexts(), pl.Series(["b", "a", "b"])
    >>> clean.add(texts, texts.hash().to_numpy(), np.array([20, 10, 20], np.uint64))
    >>> texts = pl.Series(["a", "c", "b"])
    >>> found, numbers = clean.find(texts, texts.hash().to_numpy())
    >>> found.tolist(), numbers.tolist()
    ([True, False, True], [10, 20])
    """

    def __init__(self) -> None:
        none = np.zeros(0, np.uint64)
        self._kept = (
            none,
            none,
            pl.Series(dtype=pl.String),
        )  # in the order of hashes; replaced whole, as threads read it

    def find(self, texts: pl.Series, hashes: Array) -> tuple[Array, Array]:
        """Which of ``texts`` are clean, and their numbers."""
        kept, numbers, clean = self._kept
        found = np.zeros(len(hashes), bool)
        if not len(kept):
            return found, numbers
        places = np.searchsorted(kept, hashes)
        places[places == len(kept)] = 0
        near = np.flatnonzero(kept[places] == hashes)
        near = near[(texts.gather(near) == clean.gather(places[near])).to_numpy()]
        found[near] = True
        return found, numbers[places[near]]

    def add(self, texts: pl.Series, hashes: Array, numbers: Array) -> None:
        """Keep more of them, until there are too many."""
        kept, before, clean = self._kept
        if len(kept) < MOST_CLEAN_TEXTS:
            every, first = np.unique(np.concatenate([kept, hashes]), return_index=True)
            self._kept = every, np.concatenate([before, numbers])[first], pl.concat([clean, texts]).gather(first)

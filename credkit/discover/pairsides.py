"""Pair sides: the texts of one reader in all that they may be read as, each read once.

A search reads the first side as its source and the second as its target; one in both directions reads no side
again.

Source: common practice, no source.

>>> side = PairSide(["02F764DD", "02F764E1"])
>>> [read.form.chain for read in side.forms], side.series[0].chain
(['hex:8'], 'hex:8')
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import NamedTuple

from credkit.discover.texttemplates import TextTemplate, text_templates
from credkit.discover.wordseries import TextForm, WordSeries, frame_series, ordered_series, template_series, text_forms


class FormSeries(NamedTuple):
    """A form with its bits in every order, and with the data bits of every frame that it may be."""

    form: TextForm
    ordered: Sequence[WordSeries]
    frames: Sequence[WordSeries]


class PairSide:
    """The texts of one reader; what they may be read as is worked out at first use."""

    def __init__(self, texts: Sequence[str]) -> None:
        self.texts = tuple(texts)

    @cached_property
    def forms(self) -> Sequence[FormSeries]:
        """Every notation that reads all of the texts."""
        return [FormSeries(form, [*ordered_series(form)], [*frame_series(form)]) for form in text_forms(self.texts)]

    @cached_property
    def templates(self) -> Sequence[TextTemplate]:
        """Every division of the texts into numbers."""
        return text_templates(self.texts)

    @cached_property
    def series(self) -> Sequence[WordSeries]:
        """Every series of the texts that something may be taken from."""
        found = [series for read in self.forms for series in (*read.ordered, *read.frames)]
        return [*found, *map(template_series, self.templates)]

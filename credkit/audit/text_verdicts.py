"""Verdicts on the texts of one chain use: decoded, with the rules that fail, notes, and numbers."""

from __future__ import annotations

from functools import partial, reduce

import numpy as np
import polars as pl

from credkit.audit.known_texts import NoteKey, TextVerdicts, gives_any_length
from credkit.audit.plan import ChainUse
from credkit.audit.secrets import find_track
from credkit.bulk.words import Array
from credkit.facts.expected_values import UNEXPECTED, find_unexpected

MOST_LENGTHS = 8  # different lengths whose texts are decoded apart


def find_verdicts(use: ChainUse, texts: pl.Series) -> tuple[TextVerdicts, Array | None]:
    """The verdicts on ``texts``, and the place of each text among them; None for its own place.

    The track is the first of ``texts`` that holds one.
    """
    if use.known is None:
        return _judge_texts(use, texts), None
    verdicts, places = use.known.judge(texts.to_list(), partial(_judge_texts, use))
    if verdicts.track is not None:
        verdicts.track = int((places == verdicts.track).argmax())
    return verdicts, places


def _judge_texts(use: ChainUse, texts: pl.Series) -> TextVerdicts:
    """The verdicts on ``texts``; those of each frequent length together, where a kernel takes texts of one length."""
    verdicts = None
    if gives_any_length(use.codec):
        lengths = texts.str.len_bytes().to_numpy()
        kinds, counts = np.unique(lengths, return_counts=True)
        if len(kinds) > 1:
            frequent = kinds[np.argsort(-counts, kind="stable")[:MOST_LENGTHS]]
            groups = [np.flatnonzero(lengths == length) for length in frequent]
            groups += [np.flatnonzero(~np.isin(lengths, frequent))] * (len(kinds) > MOST_LENGTHS)
            apart = [_decode_texts(use, texts.gather(group)) for group in groups]
            verdicts = reduce(TextVerdicts.joined, apart).only(np.argsort(np.concatenate(groups)))
    verdicts = verdicts or _decode_texts(use, texts)
    verdicts.track = find_track(use, texts, verdicts.good, np.flatnonzero(~verdicts.good))
    return verdicts


def _decode_texts(use: ChainUse, texts: pl.Series) -> TextVerdicts:
    read = use.bulk.inspect(texts)
    good = read.ok
    bad = np.flatnonzero(~good)
    notes: dict[NoteKey, Array] = {}
    for kind, marked in read.notes.items():
        if marked.any():
            key = kind.codec, kind.kind, kind.level
            notes[key] = notes.get(key, False) | (marked & good)
    strange = find_unexpected(use.kind, read.columns, good)
    if use.kind is not None and strange.any():
        notes[use.kind.name, UNEXPECTED, "care"] = strange
    numbers = np.zeros(len(texts), np.uint64)
    if use.space is not None and good.any():
        numbers = use.space.numbers(read.columns)
    first = np.full(len(texts), -1, np.int32)
    if len(bad):
        first[bad] = read.first_failed_rule_of(bad)
    return TextVerdicts(
        good=good, numbers=numbers, first=first, rules=read.rules, notes=notes,
        failures=tuple(read.failures[rule] for rule in read.rules),
    )  # fmt: skip

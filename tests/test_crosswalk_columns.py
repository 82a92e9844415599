"""Laws of the columns of a crosswalk: what they leave to nobody is judged alike one by one, however it is divided."""

from __future__ import annotations

import gc
from contextlib import ExitStack
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from unittest.mock import patch

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DefinitionError
from credkit.bulk.words import Array
from credkit.crosswalk import Crosswalk, clocks, crosswalk, evidence, judging, lines, linetable, write_outputs
from credkit.crosswalk.register import Register
from credkit.crosswalk.sightings import Sightings, collect_sightings
from credkit.crosswalk.targets import TargetTexts
from credkit.facts import judged_texts
from credkit.facts.judged_texts import DecodedTexts, TextSource
from credkit.facts.numbers import NO_NUMBER, Numbers
from credkit.facts.register_columns import KindColumns
from credkit.facts.texts import TextResults
from credkit.files.times import EPOCH
from credkit.site import load_rows, load_site, nearids
from credkit.site.frames import tabulate_rows
from credkit.site.model import Rows, Site
from tests.amounts import examples
from tests.brackwater import Files, found, hexed, line, made, two, walk
from tests.randomsites import random_site
from tests.sitefaults import FAULTS, Fault
from tests.test_crosswalk_laws import drawn

DECODE = judged_texts.decode_texts


def not_plain(source: TextSource, texts: pl.Series) -> DecodedTexts:
    """What texts decode to, none of which is plain."""
    decoded = DECODE(source, texts)
    return replace(decoded, plain=np.zeros_like(decoded.plain))


def one_by_one(site: Site, rows: Rows) -> Crosswalk:
    """The crosswalk with every text, reading, card and line looked at by itself."""

    def none_clear(judge: lines.CardJudge, done: TargetTexts, target: object) -> Array:
        return np.zeros(len(done.places), bool)

    def none_shown(site: Site, register: Register, seen: Sightings) -> Array:
        return np.full(len(seen), judging.NO_CARD, np.int32)

    with ExitStack() as stack:
        stack.enter_context(patch.object(judging, "find_clear", none_shown))
        none_plain = property(lambda columns: np.zeros(len(columns.places), bool))
        stack.enter_context(patch.object(KindColumns, "plain", none_plain))
        stack.enter_context(patch.object(lines.CardJudge, "_find_clear", none_clear))
        stack.enter_context(patch.object(judged_texts, "decode_texts", not_plain))
        return crosswalk(site, rows)


@given(st.integers(0, 1 << 20), st.sets(st.sampled_from(FAULTS), max_size=2))
@examples(30)
def test_what_columns_settle_is_judged_alike_one_by_one(seed: int, faults: set[Fault]) -> None:
    site, rows = drawn(seed, *sorted(faults))
    assert one_by_one(site, rows) == crosswalk(site, rows)


@given(st.integers(0, 1 << 20), st.sets(st.sampled_from(FAULTS), max_size=2))
@examples(20)
def test_texts_are_told_alike_by_their_columns_and_alone(seed: int, faults: set[Fault]) -> None:
    site, rows = drawn(seed, *sorted(faults))
    numbers = Numbers()
    seen = collect_sightings(site, tabulate_rows(rows, site).readings, TextResults(), numbers)
    plain = 0
    for place in range(len(seen.texts.texts)):
        codec, kind, typed = seen.texts.sources[seen.texts.source[place]]
        alone = TextResults().read(codec, kind, seen.texts.texts[place], typed=typed)
        assert seen.texts.result(place) == alone
        assert (seen.texts.number[place] != NO_NUMBER) == (alone.number is not None)
        plain += bool(seen.texts.plain[place])
    assert plain


@given(st.integers(0, 1 << 20))
@examples(15)
def test_rows_may_be_given_in_any_order(seed: int) -> None:
    """The line of a row is where it stands in its file."""
    site, rows = drawn(seed)
    dice = Random(seed)
    mixed = Rows(
        credentials=tuple(dice.sample(rows.credentials, len(rows.credentials))),
        readings=tuple(dice.sample(rows.readings, len(rows.readings))),
        existing={name: tuple(dice.sample(them, len(them))) for name, them in rows.existing.items()},
    )
    assert crosswalk(site, mixed) == crosswalk(site, rows)


def test_columns_settle_most_of_a_site() -> None:
    """The law above would say nothing if everything were looked at by itself."""
    site, rows = drawn(7)
    seen: list[Array] = []
    whole = judging.find_clear

    def noted(*given: object) -> Array:
        seen.append(whole(*given))  # type: ignore[arg-type]  # what it is given
        return seen[-1]

    with patch.object(judging, "find_clear", noted):
        crosswalk(site, rows)
    assert (seen[0] != judging.NO_CARD).mean() > 0.3


@pytest.mark.parametrize("size", [1, 7])
def test_parts_of_any_size_count_the_same(size: int) -> None:
    site, rows = drawn(11, *FAULTS[:1])
    whole = crosswalk(site, rows)
    with ExitStack() as stack:
        for module, name in (
            (evidence, "CARDS_AT_ONCE"), (judging, "JUDGED_AT_ONCE"), (linetable, "ROWS_AT_ONCE"),
            (judged_texts, "SLICE"), (clocks, "SUMMED_AT_ONCE"), (nearids, "KEYS_AT_ONCE"),
        ):  # fmt: skip
            stack.enter_context(patch.object(module, name, size))
        assert crosswalk(site, rows) == whole


@given(st.integers(0, 1 << 20))
@examples(8)
def test_files_and_rows_give_the_same(seed: int) -> None:
    """The files as they are written, and their rows one by one."""
    with TemporaryDirectory() as folder:
        path = random_site(seed).write(Path(folder))
        site = load_site(path)
        by_rows, by_files = crosswalk(site, load_rows(site)), crosswalk(site)
        assert by_rows.inputs == ()
        for name in ("lines", "exceptions", "findings", "summary"):
            assert getattr(by_rows, name) == getattr(by_files, name), name
        write_outputs(by_files, Path(folder) / "out")
        assert (Path(folder) / "out" / "crosswalk.csv").read_bytes().count(b"\n") > len(by_files.lines) // 2


def test_lines_are_a_sequence() -> None:
    result = walk(made(), two())
    assert len(result.lines) == 2
    assert result.lines[0] == next(iter(result.lines)) == result.lines[:1][0]
    assert result.lines[-1].credential == "C-2"
    assert line(result, "C-1") == result.lines[0]
    assert result.lines.index(result.lines[1]) == 1
    for place in (2, -3):
        with pytest.raises(IndexError):
            result.lines[place]
    with pytest.raises(ValueError):  # noqa: PT011  # that of every sequence has no words
        result.lines.index(replace(result.lines[0], line=99))
    assert list(walk(made(), Files()).lines) == []


@pytest.mark.parametrize("targets", [True, False])
def test_a_site_may_have_no_readers(targets: bool) -> None:
    site = replace(made(), readers={}, targets=made().targets if targets else {})
    result = crosswalk(site, Files().card("C-1", "01200345").card("S-1", "77", kind="serial").rows())
    assert {each.proof for each in result.lines} == {"on paper only"}
    assert {each.target for each in result.lines} == ({"gatehouse", "turnstile", "payroll"} if targets else {""})


def test_rows_that_leave_out_an_export_have_an_empty_one() -> None:
    rows = replace(two().rows(), existing={})
    assert crosswalk(made(), rows).summary[0].rows[-1] == ("export.csv (gatehouse)", 0, 0, 0, 0)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (two().card("C-9", "\ud800").rows(), "credentials.csv line 4"),
        (two().card("C-9", "1", issue=1 << 70).rows(), "credentials.csv line 4"),
        (two().card("C-9", "1", issue=-1).rows(), "credentials.csv line 4"),
        (two().card("C-9", "1", kind="crad").rows(), "credentials.csv line 4: no kind is called 'crad'"),
        (two().read("gate", "\udfff").rows(), "readings.csv line 4"),
        (two().read("gaet", "1").rows(), "readings.csv line 4: no reader is called 'gaet'"),
        (two().export("P-1", "\ud800").rows(), "export.csv line 2"),
    ],
)  # fmt: skip
def test_rows_that_no_file_can_have_are_refused(rows: Rows, words: str) -> None:
    with pytest.raises(DefinitionError, match=words):
        crosswalk(made(), rows)


@given(st.sampled_from(sorted(made().readers)), st.integers(-3, 3), st.integers(0, 1))
def test_a_time_is_in_the_same_period_in_columns(name: str, seconds: int, which: int) -> None:
    """At the bounds of periods, of which the first is inclusive."""
    reader = made().readers[name]
    bounds = [bound for period in reader.periods for bound in (period.start, period.end) if bound]
    moment = (bounds[which % len(bounds)] if bounds else EPOCH) + timedelta(seconds=seconds)
    files = Files().read(name, "1", at=(moment - reader.clock_offset).isoformat())
    seen = collect_sightings(made(), tabulate_rows(files.rows(), made()).readings, TextResults(), Numbers())
    at = seen.periods[seen.period[0]]
    assert (at.reader.name, reader.period(moment)) == (name, reader.periods[at.place])


def test_nothing_at_all_is_a_crosswalk() -> None:
    for files in (Files(), Files().card("C-1", "01200345"), Files().read("gate", hexed(12, 345))):
        result = walk(made(), files)
        assert len(result.lines) == len(files.cards)
        assert sum(int(row[-1]) for row in result.summary[0].rows) == 0
    assert found(result, "unknown-card")["gate"].count == 1


def test_garbage_is_looked_for_again_behind_a_crosswalk() -> None:
    site, rows = drawn(3)
    crosswalk(site, rows)
    assert gc.isenabled()
    stranger = Rows(credentials=(replace(rows.credentials[0], kind="no such kind"),), readings=(), existing={})
    with pytest.raises(DefinitionError):
        crosswalk(site, stranger)
    assert gc.isenabled()

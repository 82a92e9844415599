"""Crosswalks in parts: the same whatever the parts of the readings, and the order in which they are joined."""

from __future__ import annotations

import pickle
from dataclasses import replace
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any
from unittest import mock

import pytest
from hypothesis import given, reject
from hypothesis import strategies as st

from credkit import DefinitionError
from credkit.crosswalk import Crosswalk, crosswalk, cut_readings, finish, merge, partial, sightings
from credkit.crosswalk.outputs import encode_outputs
from credkit.crosswalk.partials import Partial, ReadingsPart
from credkit.demo import Demo
from credkit.facts import judged_texts
from credkit.facts.judged_texts import DecodedTexts, TextSource
from credkit.files import bytestreams
from credkit.files.bytestreams import ranges_between
from credkit.site import load_site
from credkit.site.columns import load_reading_part
from credkit.site.model import Site
from tests.amounts import examples
from tests.randomsites import random_site
from tests.sentences import refusal
from tests.sitefaults import FAULTS, Fault
from tests.test_audit_partials import answer, cut_anywhere
from tests.test_site import FILES, GOOD, load

TRACK = ";4114360123456785=30121010000?"  # the test number of the WHATWG HTML standard
ODD_LINES = (b"\n", b"\r\n", b'"2026-03-14T10:00:00Z","nowhere","12"\n', b"a,b\n", b"\xff\n", TRACK.encode() + b",,\n")


def cut(site: Site, cuts: list[int]) -> list[ReadingsPart]:
    """The readings cut at these bytes."""
    (whole,) = cut_readings(site)
    return [replace(whole, lines=lines) for lines in ranges_between(cuts)]


def read_elsewhere(part: ReadingsPart) -> Partial:
    """What a part gives in another process, which gets everything by pickle."""
    found: Partial = pickle.loads(pickle.dumps(partial(pickle.loads(pickle.dumps(part)))))
    return found


def join(found: list[Partial], dice: Random) -> Partial:
    """All of them joined, in an order and in groups that dice decide."""
    found = dice.sample(found, len(found))
    while len(found) > 1:
        count = dice.randint(2, len(found))
        found = [*found[count:], merge(*found[:count])]
    return found[0]


def in_parts(site: Site, cuts: list[int], dice: Random) -> Crosswalk:
    return finish(join([read_elsewhere(part) for part in cut(site, cuts)], dice), site)


def as_bytes(result: Crosswalk) -> dict[str, bytes]:
    """The files that are written."""
    return {name: b"".join(pieces) for name, pieces in encode_outputs(result).items()}


def roughen(path: Path, dice: Random, *, odd: bool) -> None:
    """Quote some cells, end some lines otherwise, put empty lines in; and perhaps an odd line."""
    header, *lines = path.read_bytes().splitlines(keepends=True)
    for place, line in enumerate(lines):
        if dice.random() < 0.1:
            lines[place] = dice.choice(
                (line.replace(b"\n", b"\r\n"), b"\n" + line, b'"' + line.replace(b",", b'",', 1))
            )
    if odd and lines:
        lines.insert(dice.randrange(len(lines)), dice.choice(ODD_LINES))
    path.write_bytes(b"".join((header, *lines)))


@pytest.mark.law
def test_parts_cut_anywhere_and_joined_in_any_order_give_the_crosswalk_of_the_whole() -> None:
    counts: list[int] = []
    refused = 0

    @examples(20)
    @given(st.integers(0, 1 << 20), st.sets(st.sampled_from(FAULTS), max_size=2))
    def law(seed: int, faults: set[Fault]) -> None:
        nonlocal refused
        dice = Random(seed)
        try:
            random = random_site(seed, *sorted(faults))
        except ValueError:
            reject()
        with TemporaryDirectory() as folder, mock.patch.object(bytestreams, "PIECE_BYTES", dice.choice((300, 1 << 23))):
            site = load_site(random.write(Path(folder)))
            roughen(site.readings.path, dice, odd=dice.random() < 0.2)
            cuts = cut_anywhere(site.readings.path.read_bytes(), dice)
            cuts = sorted(dice.sample(cuts, min(len(cuts), 12)))
            counts.append(len(cuts))
            whole, parts = answer(crosswalk, site), answer(in_parts, site, cuts, dice)
            assert parts == whole
            refused += isinstance(whole, str)
            if isinstance(parts, Crosswalk) and isinstance(whole, Crosswalk):
                assert as_bytes(parts) == as_bytes(whole)

    law()
    assert max(counts) > 4
    assert refused < len(counts)


@given(st.integers(0, 1 << 20))
@examples(10)
@pytest.mark.law
def test_joining_is_associative_and_commutative(seed: int) -> None:
    dice = Random(seed)
    with TemporaryDirectory() as folder:
        site = load_site(random_site(seed).write(Path(folder)))
        cuts = cut_anywhere(site.readings.path.read_bytes(), dice)
        a, b, c = map(partial, cut(site, sorted(dice.sample(cuts, 2)) if len(cuts) > 1 else [60, 60]))
        for other in (merge(a, merge(b, c)), merge(merge(c, a), b), merge(c, b, a)):
            same = merge(merge(a, b), c)
            assert [part.lines for part in other.parts] == [part.lines for part in same.parts]
            assert other.decoded.keys() == same.decoded.keys()
            for number, texts in other.decoded.items():
                assert sorted(texts.texts.to_list()) == sorted(same.decoded[number].texts.to_list())
                assert texts.results == same.decoded[number].results


def test_the_demo_in_parts_is_the_demo(demo: Demo, demo_crosswalk: Crosswalk) -> None:
    """It has readers with streams, periods, presentations, and what the desk expected."""
    site = load_site(demo.site)
    parts = cut_readings(site, 100_000)
    assert len(parts) > 5
    assert finish(join(list(map(read_elsewhere, parts)), Random(1)), site) == demo_crosswalk


def test_what_parts_decoded_is_not_decoded_again(demo: Demo) -> None:
    site = load_site(demo.site)
    whole = merge(*map(partial, cut_readings(site, 300_000)))
    decode, again = judged_texts.decode_texts, list[TextSource]()

    def noted(source: TextSource, texts: object) -> DecodedTexts:
        again.append(source)
        return decode(source, texts)  # type: ignore[arg-type]  # a series, as it came

    with mock.patch.object(judged_texts, "decode_texts", noted), mock.patch.object(sightings, "decode_texts", noted):
        finish(whole, site)
    assert again  # entries of keypads are known at the end only
    assert all(source.typed for source in again)


@pytest.mark.parametrize("line", ["2026-03-14T10:00:00Z,nowhere,12,,", "some day,gate,12,,", f"2026,gate,{TRACK},,"])
def test_a_fault_in_a_part_is_told_as_that_of_the_whole_file(tmp_path: Path, line: str) -> None:
    rows = FILES["readings.csv"] + f"{line}\n" + FILES["readings.csv"].partition("\n")[2]
    site = load(tmp_path, GOOD, {**FILES, "readings.csv": rows})
    wanted = answer(crosswalk, site)
    assert isinstance(wanted, str)
    assert f"line {FILES['readings.csv'].count(chr(10)) + 1}" in wanted
    for cuts in ([], cut_anywhere(rows.encode(), Random(2))):
        assert answer(in_parts, site, cuts, Random(3)) == wanted


def test_titles_above_the_header_count_as_lines(tmp_path: Path) -> None:
    """Wherever the file is cut: within the titles, behind the header, and in the rows, one of which is an exception."""
    header, row, _ = FILES["readings.csv"].split("\n")
    lines = ["Readings", "of March", header, row, row.replace("786777", "x"), "", row.replace("786777", "y"), ""]
    text = "\n".join(lines)
    site = load(tmp_path, GOOD, {**FILES, "readings.csv": text})
    site = replace(site, readings=replace(site.readings, header_line=3))
    whole = crosswalk(site)
    assert [each.line for each in whole.exceptions if each.file == "readings.csv"] == [5, 7]
    ends = [place + 1 for place, sign in enumerate(text) if sign == "\n"][:-1]
    for cuts in ([ends[0]], [ends[1]], [ends[2]], [ends[3]], [ends[2], ends[4]], ends):
        assert in_parts(site, cuts, Random(1)) == whole


def test_a_file_in_utf_16_is_one_part(tmp_path: Path) -> None:
    text = GOOD.replace('path = "readings.csv"', 'path = "readings.csv"\nencoding = "utf-16"')
    assert text != GOOD
    site = load(tmp_path, text, FILES)
    site.readings.path.write_text(FILES["readings.csv"], encoding="utf-16")
    parts = cut_readings(site, 20)
    assert len(parts) == 1
    assert finish(read_elsewhere(parts[0]), site) == crosswalk(site)


def test_a_part_that_is_missing_or_there_twice_is_refused(demo: Demo) -> None:
    site = load_site(demo.site)
    first, *others = map(partial, cut_readings(site, 200_000))
    for some in ([first, *others[:-1]], others, [first, first, *others], [first, *map(partial, cut_readings(site))]):
        with pytest.raises(ValueError, match="missing, or joined twice"):
            finish(merge(*some), site)


def test_another_file_is_refused(tmp_path: Path) -> None:
    """Read from a file that is not the one where the crosswalk is finished, of another size and of the same."""
    site = load(tmp_path, GOOD, FILES)
    path, text = site.readings.path, FILES["readings.csv"]
    (part,) = cut_readings(site)
    path.write_text(text + "\n")
    with refusal(DefinitionError):
        partial(part)
    path.write_text(text.replace("786777", "786778"))
    elsewhere = partial(part)
    path.write_text(text)
    with refusal(DefinitionError):
        finish(elsewhere, site)

    def change(*given: Any) -> Any:
        path.write_text(text)
        return load_reading_part(*given)

    with mock.patch("credkit.crosswalk.partials.load_reading_part", change), refusal(DefinitionError):
        partial(part)
    assert finish(partial(part), site) == crosswalk(site)


def test_another_description_of_the_site_is_refused(tmp_path: Path) -> None:
    """A part that was read by another chain would decode otherwise without a word."""
    site = load(tmp_path, GOOD, FILES)
    before = partial(*cut_readings(site))
    site.files[0].write_text(f"{GOOD}\n# changed\n")
    after = partial(*cut_readings(site))
    with pytest.raises(ValueError, match="different sites"):
        merge(before, after)
    with refusal(DefinitionError):
        finish(before, site)
    assert finish(after, site) == crosswalk(site)

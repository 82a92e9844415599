"""The rows of a site as columns: those of the strict reader, its errors where something is at fault."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DefinitionError
from credkit.demo import Demo
from credkit.files import bytestreams
from credkit.files.csvcolumns import NeedsStrictReader
from credkit.site import columns, load_rows, load_site
from credkit.site.columns import load_frames, load_reading_batches
from credkit.site.frames import OFTEN_EMPTY, SiteFrames, reading_rows
from credkit.site.model import Rows, Site
from tests.amounts import examples
from tests.test_site import FILES, GOOD, load

STRICT_READERS = ("read_credentials", "read_readings", "read_existing")
TRACK = ";4114360123456785=30121010000?"  # the test number of the WHATWG HTML standard


def as_rows(frames: SiteFrames) -> dict[str, list[dict[str, Any]]]:
    """The rows of all frames by file; moments as times."""
    return {
        "credentials": frames.credentials.to_dicts(),
        "readings": list(map(asdict, reading_rows(frames.readings))),
        **{name: frame.to_dicts() for name, frame in frames.existing.items()},
    }


def as_wanted(rows: Rows) -> dict[str, list[dict[str, Any]]]:
    """The same of the strict reader's rows."""
    files: dict[str, Any] = {"credentials": rows.credentials, "readings": rows.readings, **rows.existing}
    return {
        name: [{key: getattr(row, key) for key in row.__dataclass_fields__} for row in found]
        for name, found in files.items()
    }


def by_kernel(site: Site) -> dict[str, list[dict[str, Any]]]:
    """The rows, where no strict reader may be asked."""
    with pytest.MonkeyPatch.context() as patch:
        for name in STRICT_READERS:
            patch.delattr(columns, name)
        return as_rows(load_frames(site))


def test_the_demo_has_the_same_rows(demo: Demo) -> None:
    site = load_site(demo.folder / "site.toml")
    assert by_kernel(site) == as_wanted(load_rows(site))


def test_types_and_nulls(tmp_path: Path) -> None:
    more = 'P-2,C-2,harbour-card,"012,00346",,,active,,2026-12-31,,\n'
    site = load(tmp_path, GOOD, {**FILES, "credentials.csv": FILES["credentials.csv"] + more})
    frames = load_frames(site)
    first, second = frames.credentials.to_dicts()
    assert (first["issue"], first["valid_from"], first["valid_until"]) == (1, date(2026, 1, 1), None)
    assert (second["value"], second["issue"], second["valid_from"]) == ("012,00346", None, None)
    moment = frames.readings["moment"][0]
    assert datetime.fromtimestamp(moment / 1e6, UTC) == datetime(2026, 3, 14, 10, 3, 19, tzinfo=UTC)  # an hour less
    assert frames.existing["gatehouse"].to_dicts() == [{"line": 2, "person": "P-1", "text": "786777"}]
    heads = {name: text.partition("\n")[0] + "\n" for name, text in FILES.items() if name != "lockers.csv"}
    empty = load_frames(load(tmp_path, GOOD, {**FILES, **heads}))
    for one, other in ((empty.credentials, frames.credentials), (empty.readings, frames.readings)):
        names = [name for name in one.columns if name not in OFTEN_EMPTY]
        types = [[each.base_type() for each in frame[names].dtypes] for frame in (one, other)]
        assert (one.height, one.columns, types[0]) == (0, other.columns, types[1])
    assert empty.readings[list(OFTEN_EMPTY)].dtypes == [pl.Null, pl.Null]


CELLS = {
    "person_id": ["P-1", "P,2", "P-\u00e9", " ", "", "\u200b"], "credential_id": ["C-1", 'C"1', "", "\u00a0"],
    "kind": ["harbour-card", "locker", "harbour"], "value": ["01200345", TRACK, "", "="], "printed": ["", "00345"],
    "issue": ["", "1", "999999999", "1.0", "１", "1000000000"], "status": ["active", "lost", "Active", ""],
    "valid_from": ["", "2026-01-01", "2026-02-30", "1.1.2026"], "valid_until": ["", "2026-12-31", "2025-12-31"],
    "replaces": ["", "C-0"], "source": ["", "east-register"],
    "time": ["2026-03-14T11:03:19+01:00", "2026-03-14 11:03Z", "14.3.2026", "2026-03-29T02:30:00"],
    "reader": ["yard", "gate"], "text": ["786777", "", '"', TRACK, "7867\t77"], "presentation": [""],
    "expected": ["C-1"],
}  # fmt: skip
COMMON = 8  # the first word of a column is drawn so much more often


@st.composite
def site_files(draw: st.DrawFn) -> dict[str, str]:
    """Files whose cells are mostly good."""
    found = {}
    for name, text in FILES.items():
        header = text.partition("\n")[0]
        rows = []
        if name != "lockers.csv":
            words = [[CELLS[column][0]] * COMMON + CELLS[column] for column in header.split(",")]
            for _ in range(draw(st.integers(0, 4))):
                cells = [draw(st.sampled_from(known)) for known in words]
                rows.append(
                    ",".join('"' + cell.replace('"', '""') + '"' if set(cell) & {",", '"'} else cell for cell in cells)
                )
        found[name] = "\n".join([header, *rows]) + "\n" if name != "lockers.csv" else text
    return found


@given(files=site_files(), has_local_times=st.booleans(), piece=st.sampled_from([1, 1 << 23]))
@examples(300)
def test_frames_are_the_rows_of_the_strict_reader_or_its_error(
    tmp_path_factory: pytest.TempPathFactory, files: dict[str, str], has_local_times: bool, piece: int
) -> None:
    toml = GOOD
    if has_local_times:
        toml = GOOD.replace('path = "readings.csv"', 'path = "readings.csv"\ntime = "local"')
        files["readings.csv"] = files["readings.csv"].replace("+01:00", "")
    site = load(tmp_path_factory.mktemp("site"), toml, files)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bytestreams, "PIECE_BYTES", piece)
        try:
            wanted = as_wanted(load_rows(site))
        except DefinitionError as error:
            with pytest.raises(DefinitionError) as caught:
                load_frames(site)
            assert str(caught.value) == str(error)
        else:
            assert by_kernel(site) == wanted


def test_readings_before_a_doubt_are_given_out_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the strict reader finds nothing after all, it goes on behind the rows that were given out."""
    head, row, _ = FILES["readings.csv"].split("\n")
    site = load(tmp_path, GOOD, {**FILES, "readings.csv": "\n".join([head, *[row] * 20, ""])})
    judge = columns._judge_readings

    def doubt(frame: pl.DataFrame, *rest: Any) -> pl.DataFrame:
        if frame["line"].max() > 10:  # type: ignore[operator]
            raise NeedsStrictReader
        return judge(frame, *rest)

    monkeypatch.setattr(columns, "_judge_readings", doubt)
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", 100)
    batches = list(load_reading_batches(site))
    assert len(batches) > 2
    assert pl.concat(batches)["line"].to_list() == list(range(2, 22))

"""JSON lines as columns: the rows and faults of each line, and of the lines only the irregular ones parsed alone."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit.files import bytestreams, csvlines, jsonlines
from credkit.files.captures import CaptureFile, ColumnNames
from credkit.files.csvcaptures import CsvSource
from credkit.files.jsoncaptures import JsonSource
from credkit.files.jsonlines import parse_object, split_objects
from credkit.files.linerows import RowFault
from tests.amounts import examples

WANTED = ("text", "reader")
STRINGS = st.one_of(
    st.text(st.sampled_from("a1 é"), max_size=4).map(lambda text: f'"{text}"'),
    st.text(st.sampled_from('a"\\\t\n/{}[],:é\ufeff\ud800'), max_size=4).map(json.dumps),
    st.text(st.sampled_from("a\t\x01\x02\x03\x7f\u2028\ufeff"), max_size=3).map(lambda text: f'"{text}"'),
)
BARE = st.sampled_from(["1", "-0.5e3", "01", "NaN", "true", "null", "1.", "[1]", "{}", "1" * 5000, "x", ""])
SPACES = st.sampled_from(["", "", " ", "\t", "\r"])


@st.composite
def json_lines(draw: st.DrawFn) -> bytes:
    """Lines of a few forms, some of which are not JSON, or not an object with the wanted keys."""
    form = draw(
        st.lists(st.sampled_from(["text", "reader", "id", "a,b", "é", 'q"']), min_size=1, max_size=5, unique=True)
    )
    colon, comma, end = draw(SPACES) + ":" + draw(SPACES), draw(SPACES) + "," + draw(SPACES), draw(SPACES)
    lines = []
    for _ in range(draw(st.integers(0, 6))):
        keys = form if draw(st.integers(0, 3)) else draw(st.permutations(form))
        members = [
            json.dumps(key, ensure_ascii=False)
            + colon
            + draw(STRINGS if key in WANTED and draw(st.integers(0, 9)) else STRINGS | BARE)
            for key in keys
        ]
        line = "{" + comma.join(members) + "}" + end
        place = draw(st.integers(0, len(line)))
        what = draw(st.sampled_from(["", "", "", "", "", "\0", "\x01", '"', "}", ",", '", "id": "', "\ufeff"]))
        lines.append((line[:place] + what + line[place:]).encode("utf-8", "surrogatepass"))
    lines += draw(st.lists(st.sampled_from([b"", b" ", b"null", b"\xff", b"\r", b'{"text": "a"}']), max_size=2))
    return b"\n".join(draw(st.permutations(lines))) + draw(st.sampled_from([b"", b"\n"]))


@given(data=json_lines(), known=st.sampled_from([None, {"reader": pl.Enum(["a", "1"])}]))
@examples(600)
def test_a_block_has_the_rows_and_faults_of_its_lines(data: bytes, known: dict[str, pl.Enum] | None) -> None:
    split = split_objects(data, WANTED, known)
    parsed = [parse_object(line, WANTED) for line in data.removesuffix(b"\n").split(b"\n")] if data else []
    rows = [(line, *texts) for line, texts in enumerate(parsed) if isinstance(texts, list) and texts]
    assert [(line, *texts) for line, texts in zip(split.lines.tolist(), split.frame.rows(), strict=True)] == rows
    assert split.faults == [
        texts._replace(line=line) for line, texts in enumerate(parsed) if isinstance(texts, RowFault)
    ]
    assert split.height == len(parsed)


REGULAR = (
    '{"time": "2026-03-31", "reader": "gäte", "text": "02F764DD"}',
    '{"text":"","id":7,"reader":"gate 7","ok":true,"time":"2026-03-31"}',
    '{"text":"潮","id":-1.5e3,"reader":"","ok":null,"time":"2026-03-31"}\r',
)
ODD = (
    '{"time": "2026-03-31", "reader": "g\\u0061te", "text": "a\\"b"}', '{"reader": "gate"}', "[]", "\x01",
    '{"time": "2026-03-31", "reader": "gate", "text": 7}', '", "reader": "gate", "text": "02F764DD"}',
)  # fmt: skip


@pytest.mark.parametrize("regular", [REGULAR[:1], REGULAR[1:2], REGULAR])
def test_only_irregular_lines_are_parsed_alone(regular: tuple[str, ...]) -> None:
    """One line in a hundred: the kernel splits all others, whatever form of several they are of."""
    lines = [regular[number % len(regular)] for number in range(10_000)]
    for number in range(0, len(lines), 100):
        lines[number] = ODD[number // 100 % len(ODD)]
    split = split_objects("\n".join(lines).encode(), WANTED)
    assert split.parsed_alone == 100
    assert len(split.faults) == sum(map(lines.count, ODD[1:]))


def test_control_characters_and_keys_that_stand_twice_are_faults() -> None:
    """RFC 8259, section 7: control characters must be escaped; section 4: names should be unique."""
    good = '{"reader": "a", "text": "b"}'
    for wrong in ('{"reader": "a", "text": "\x01"}', '{"reader": "a", "text": "b", "text": "b"}', "\x01a\x02b\x03"):
        split = split_objects("\n".join([wrong, good, wrong, good]).encode(), WANTED)
        assert [fault.line for fault in split.faults] == [0, 2]
        assert split.frame.rows() == [("b", "a")] * 2


@pytest.mark.parametrize("kind", [".csv", ".csv.gz", ".jsonl", ".jsonl.gz"])
def test_each_reader_of_captures_parses_one_line_of_a_hundred_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    """One line of a hundred is irregular, but right: the parser of lines gets as many, and no row is lost."""
    rows = [(f"2026-03-31T08:{number % 60:02d}:00Z", f"gate {number % 7}", f"{number:08X}") for number in range(20_000)]
    if kind.startswith(".csv"):
        lines = ["time,reader,text", *map(",".join, rows)]
        odd = '2026-03-31T08:00:00Z,"gate, 7",02F764DD'
    else:
        lines = [json.dumps(dict(zip(("time", "reader", "text"), row, strict=True))) for row in rows]
        odd = '{"text": "02F764DD", "reader": "gate\\u002c 7", "time": "2026-03-31T08:00:00Z"}'
    lines[50::100] = [odd] * len(lines[50::100])
    data = "\n".join(lines).encode()
    path = tmp_path / f"captures{kind}"
    path.write_bytes(gzip.compress(data) if kind.endswith(".gz") else data)
    alone = 0

    def counting(parse: object) -> object:
        def count(*given: object) -> object:
            nonlocal alone
            alone += len(given[0]) if isinstance(given[0], list) else 1
            return parse(*given)  # type: ignore[operator]

        return count

    monkeypatch.setattr(bytestreams, "PIECE_BYTES", 1 << 17)
    monkeypatch.setattr(csvlines, "parse_lines", counting(csvlines.parse_lines))
    monkeypatch.setattr(jsonlines, "parse_object", counting(jsonlines.parse_object))
    source: CaptureFile
    if kind.startswith(".csv"):
        source = CsvSource(name=path.name, path=path, kind=kind, columns=ColumnNames())
    else:
        source = JsonSource(name=path.name, path=path, kind=kind, columns=ColumnNames())
    tables = [piece.table(pl.String) for piece in source.pieces()]
    assert len(tables) > 3
    assert alone == 200
    assert sum(len(table.lines) for table in tables) == 20_000
    assert sum(int((table.reader == "gate, 7").sum()) for table in tables) == 200

"""Layouts from frames: what is claimed of samples whose layout the test knows, and what is not."""

from __future__ import annotations

import json
import pickle
import tomllib
from collections.abc import Sequence
from pathlib import Path
from random import Random
from typing import Any
from xml.etree import ElementTree

import galois
import numpy as np
import pytest

import credkit
from benchmarks.discover_layout import trial
from credkit import DecodeError, DefinitionError, chain, discover, layout_entries
from credkit.catalogue.registry import catalogue
from credkit.cli.layoutfile import file_entries
from credkit.core.forms import to_bits
from credkit.discover.foundlayout import FoundLayout
from credkit.discover.gf2 import Span, columns, coordinates, null_space, parity_of, positions_of
from credkit.discover.layoutsentences import sections, verdict
from credkit.discover.layouttoml import layout_toml
from credkit.tables.layout import FixedBits, LayoutCodec, Parity
from tests.amounts import amounts
from tests.commandline import records, run
from tests.progress import RecordedProgress
from tests.sentences import refusal

GF2 = galois.GF(2)


def pier(company: int, number: int) -> str:
    """The invented frame of 34 bits: even parity, company, number, odd parity; written out here by counting ones."""
    data = f"{company:012b}{number:020b}"
    return f"{data[:16].count('1') % 2}{data}{1 - data[16:].count('1') % 2}"


def standard_26(facility: int, number: int) -> str:
    """SIA AC-01 (1996): even parity over the first twelve data bits, odd parity over the others."""
    data = f"{facility:08b}{number:016b}"
    return f"{data[:12].count('1') % 2}{data}{1 - data[12:].count('1') % 2}"


def rows(found: FoundLayout) -> list[dict[str, Any]]:
    return list(found.definition["checks"])


# ── linear algebra ──────────────────────────────────────────────────────────────────────────────


@amounts("count", quick=30, whole=1000)
def test_ranks_and_null_spaces_agree_with_galois(count: int) -> None:
    for seed in range(count):
        compare_with_galois(Random(seed))


def compare_with_galois(source: Random) -> None:
    length, count = source.randint(1, 40), source.randint(1, 60)
    base = [source.getrandbits(length) for _ in range(source.randint(1, 20))]
    frames = [source.choice(base) ^ source.choice(base) for _ in range(count)]
    matrix = GF2([[1, *(frame >> (length - 1 - place) & 1 for place in range(length))] for frame in frames])
    vectors = columns(frames, length)
    found = null_space(vectors, count)
    theirs = matrix.null_space()
    assert len(found) == len(theirs)
    ours = GF2(
        np.array([[mask >> length & 1, *(mask >> p & 1 for p in range(length))] for mask in found], dtype=np.uint8)
        if found
        else np.zeros((0, length + 1), dtype=np.uint8)
    )
    both = np.vstack([ours, theirs]) if found else theirs
    assert not found or np.linalg.matrix_rank(both.view(GF2)) == len(found)
    assert all(not any(parity_of(frames, length, mask)) for mask in found)
    rank = int(np.linalg.matrix_rank(matrix))
    assert len(Span(filter(None, coordinates([*vectors, (1 << count) - 1])))) == rank


# ── parity ──────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("seed", range(10))
def test_the_invented_frame_comes_out_right_from_twenty_cards(seed: int) -> None:
    source = Random(seed)
    companies = [[677] * 20, [source.getrandbits(12) for _ in range(20)], [677, 1201] * 10]
    for company in companies:
        numbers = [source.getrandbits(20) for _ in range(20)]
        frames = [pier(c, n) for c, n in zip(company, numbers, strict=True)]
        found = discover.layout(frames, known={"company": company, "number": numbers})
        assert found.definition["fields"] == {"company": "1-12", "number": "13-32"}
        assert rows(found) == [{"bit": 0, "even": "1-16"}, {"bit": 33, "odd": "17-32"}]


def test_consecutive_cards_prove_what_they_test_and_no_more() -> None:
    frames = [standard_26(123, 5000 + n) for n in range(100)]
    assert len(null_space(columns([int(f, 2) for f in frames], 26), 100)) == 19
    found = discover.layout(frames)
    assert rows(found) == [{"bit": 25, "odd": "13-24"}]
    assert found.checks[0].tested == tuple(range(18, 26)), "what 13-17 add is not known: they did not vary"
    assert found.next_card
    assert "another" in found.next_card.text or "site" in found.next_card.text
    counted = [field for field in found.fields if field.kind == "count"]
    assert [field.places for field in counted] == [tuple(range(18, 25))]


def test_a_carry_is_no_parity() -> None:
    """Two bits that change together once, at a carry: a relation that every frame keeps to."""
    frames = [standard_26(123, 4096 - 50 + n) for n in range(100)]
    found = discover.layout(frames)
    assert [check.cover.bit for check in found.checks] == [25]
    assert found.untested


@pytest.mark.parametrize("count", [12, 20, 40, 200])
def test_a_claim_says_how_many_cards_it_rests_on(count: int) -> None:
    source = Random(count)
    found = discover.layout([standard_26(source.getrandbits(8), source.getrandbits(16)) for _ in range(count)])
    sure = [check.confidence for check in found.checks]
    assert sure == {12: [], 20: ["likely", "likely"]}.get(count, ["established"] * 2)


def test_a_parity_over_parities_and_interleaved_covers_are_found() -> None:
    """35 bits: two parities over two of each three bits, and one over all others; common practice, no source."""
    source = Random(5)
    frames = []
    for _ in range(120):
        bits = [source.getrandbits(1) for _ in range(35)]
        bits[1] = sum(bits[p] for p in range(2, 34) if (p - 2) % 3 != 2) % 2
        bits[34] = 1 - sum(bits[p] for p in range(2, 34) if (p - 2) % 3 != 0) % 2
        bits[0] = 1 - sum(bits[1:]) % 2
        frames.append("".join(map(str, bits)))
    found = discover.layout(frames)
    true = {
        sum(1 << p for p in (1, *(p for p in range(2, 34) if (p - 2) % 3 != 2))),
        sum(1 << p for p in (34, *(p for p in range(2, 34) if (p - 2) % 3 != 0))) | 1 << 35,
        sum(1 << p for p in range(35)) | 1 << 35,
    }
    claimed = Span(check.mask for check in found.checks)
    assert len(claimed) == 3
    assert all(mask in claimed for mask in true)
    assert all(check.confidence == "established" for check in found.checks)
    again = [chain(found.chain, found.entry).encode(chain(found.chain, found.entry).decode(frame)) for frame in frames]
    assert again == frames


@amounts("samples", quick=10, whole=120)  # 480 in all: with 99 % confidence, claims in fewer than one of 100
@pytest.mark.parametrize("count", [12, 40, 100, 400])
def test_frames_without_a_layout_give_nothing(count: int, samples: int) -> None:
    claims = 0
    for seed in range(samples):
        source = Random(f"{seed} {count}")
        length = source.randint(20, 64)
        found = discover.layout([(source.getrandbits(length), length) for _ in range(count)])
        claims += found.is_found
    assert claims == 0


def test_block_checks_are_rows_of_the_layout() -> None:
    """A CRC by long division, written out here (x^8 + x^4 + x^3 + x^2 + 1), and an even parity over all."""
    source = Random(4)
    frames = []
    for _ in range(200):
        data = source.getrandbits(32)
        rest = (data << 8) ^ 0x5A  # the constant is what an initial value or a final XOR leaves
        for shift in range(31, -1, -1):
            if rest >> (shift + 8) & 1:
                rest ^= 0b1_0001_1101 << shift
        body = f"{data:032b}{rest:08b}"
        frames.append(f"{body.count('1') % 2}{body}")
    found = discover.layout(frames)
    assert [(block.kind, block.at, block.poly) for block in found.blocks] == [("crc", tuple(range(33, 41)), 0x1D)]
    assert [check.cover.bit for check in found.checks] == [0]
    codec = chain(found.chain, found.entry)
    assert [codec.encode(codec.decode(frame)) for frame in frames] == frames
    assert tomllib.loads(layout_toml(found))["layouts"][found.name] == found.definition
    spoilt = f"{int(frames[0], 2) ^ 0b11 << 12:041b}"
    assert not codec.inspect(spoilt).ok


def test_a_sum_is_a_check_of_the_layout(tmp_path: Path) -> None:
    source = Random(4)
    frames = []
    for _ in range(60):
        data = source.getrandbits(24)
        frames.append(f"{data:024b}{(7 - sum(data.to_bytes(3, 'big'))) % 255:08b}")
    found = discover.layout(frames[:50], name="quay-32")
    assert [block.kind for block in found.blocks] == ["sum"]
    assert found.definition["fields"] == {"unknown_0": "0-23"}
    path = tmp_path / "quay.toml"
    path.write_text(layout_toml(found))
    (entry,) = file_entries(path)
    codec = chain("binary/quay-32", entry)
    for frame in frames[50:]:
        assert codec.encode(codec.decode(frame)) == frame
        damaged = frame[:3] + "10"[int(frame[3])] + frame[4:]
        with pytest.raises(DecodeError, match=": sum "):
            codec.decode(damaged)


# ── damage ──────────────────────────────────────────────────────────────────────────────────────


def test_cards_before_a_carry_are_not_damaged() -> None:
    """In the first eight of 400 cards only, bits 39 and 40 are unlike: a check that covers one does not cover both."""
    assert trial(88, 400, "consecutive", 0.02).is_right


@pytest.mark.parametrize("seed", range(5))
def test_damaged_frames_are_listed_and_hide_nothing(seed: int) -> None:
    source = Random(seed)
    frames = [int(standard_26(source.getrandbits(8), source.getrandbits(16)), 2) for _ in range(100)]
    damaged = sorted(source.sample(range(100), 4))
    for place in damaged:
        frames[place] ^= 1 << source.randrange(26)
    found = discover.layout([(frame, 26) for frame in frames])
    assert list(found.outliers) == damaged
    assert rows(found) == [{"bit": 0, "even": "1-12"}, {"bit": 25, "odd": "13-24"}]


def test_a_carry_and_a_second_facility_are_no_damage() -> None:
    frames = [standard_26(123, 4096 - 97 + n) for n in range(100)]
    assert discover.layout(frames).outliers == ()
    source = Random(1)
    two = [standard_26(123 if n < 97 else 124, source.getrandbits(16)) for n in range(100)]
    assert discover.layout(two).outliers == ()


# ── known numbers ───────────────────────────────────────────────────────────────────────────────


def number_frames(texts: Sequence[str], source: Random) -> list[str]:
    """Frames with ``texts`` from bit 5 on, between bits that vary and mean nothing."""
    return [f"{source.getrandbits(5):05b}{text}{source.getrandbits(9):09b}" for text in texts]


@pytest.mark.parametrize(
    ("write", "span", "offset", "coding"),
    [
        (lambda n: f"{n:016b}", "5-20", 0, "binary"),
        (lambda n: f"{n:016b}"[::-1], "20-5", 0, "binary"),
        (lambda n: f"{int.from_bytes(n.to_bytes(2, 'little'), 'big'):016b}", "13-20,5-12", 0, "binary"),
        (lambda n: f"{int(str(n), 16):020b}", "5-24", 0, "bcd"),
        (lambda n: f"{n - 20000:016b}", "5-20", 20000, "binary"),
    ],
    ids=["binary", "reversed", "byte-reversed", "bcd", "offset"],
)
def test_known_numbers_are_placed_in_every_coding(write: Any, span: str, offset: int, coding: str) -> None:
    source = Random(7)
    numbers = [65535 - source.getrandbits(15) for _ in range(8)]
    numbers[0] = 65535 - 1  # every bit of the field is used
    frames = number_frames([write(number) for number in numbers], source)
    found = discover.layout(frames, known={"number": numbers})
    (field,) = [field for field in found.fields if field.kind == "known"]
    spec = found.definition["fields"]["number"]
    assert (spec if isinstance(spec, str) else spec["bits"]) == span
    assert field.number
    assert (field.number.offset, field.coding) == (offset, coding)
    codec = chain(found.chain, found.entry)
    assert [codec.decode(frame)["number"] for frame in frames] == numbers
    assert [codec.encode(codec.decode(frame)) for frame in frames] == frames


def test_a_mistyped_number_is_pointed_out() -> None:
    source = Random(2)
    numbers: list[int | None] = [source.getrandbits(16) for _ in range(40)]
    frames = [standard_26(9, n or 0) for n in numbers]
    numbers[11] = (numbers[11] or 0) + 90
    numbers[12] = None
    found = discover.layout(frames, known={"number": numbers})
    field = next(field.number for field in found.fields if field.name == "number")
    assert field
    assert (field.wrong, field.cards) == ((11,), 39)


@amounts("samples", quick=10, whole=200)
def test_numbers_that_are_not_in_the_frame_are_not_placed(samples: int) -> None:
    source = Random(4)
    for _ in range(samples):
        frames = [standard_26(source.getrandbits(8), source.getrandbits(16)) for _ in range(8)]
        found = discover.layout(frames, known={"badge": [source.randrange(10**6, 10**7) for _ in frames]})
        assert found.unplaced == ("badge",)


def test_zeros_before_a_number_are_doubted_and_the_next_card_decides() -> None:
    source = Random(3)
    numbers = [source.randrange(2**9, 2**12) for _ in range(30)]
    found = discover.layout([standard_26(200, n) for n in numbers], known={"number": numbers})
    field = next(field.number for field in found.fields if field.name == "number")
    assert field
    assert field.spare == tuple(range(6, 13)), "the four of the number, and the three zeros in which 200 ends"
    assert found.next_card
    assert found.next_card.numbers == {"number": 2**12}


# ── every layout of the catalogue ───────────────────────────────────────────────────────────────

BUILT_IN = {
    entry.name: codec.layout
    for entry in catalogue()
    if not entry.signature and isinstance(codec := chain(entry.name), LayoutCodec)
}
# Two bits that only change together are no claim: they may be the high bits of one number.
PAIRS = {"capability-type5": {(6, 7)}, "capability-type5-long": {(6, 7)}}
FOLDER = Path(credkit.__file__).parent / "codecs" / "layouts"


def test_every_layout_of_the_catalogue_is_tried() -> None:
    files = sorted(FOLDER.glob("*.toml"))
    assert {name for file in files for name in tomllib.loads(file.read_text(encoding="utf-8"))} == {*BUILT_IN}


@pytest.mark.parametrize("name", BUILT_IN)
def test_a_catalogued_layout_is_rediscovered_from_frames_that_it_encodes(name: str) -> None:
    layout = BUILT_IN[name]
    source, codec, length = Random(name), chain(name), layout.length
    frames = []
    for _ in range(300):
        bits = codec.encode({field.name: source.randint(0, field.most) for field in layout.fields})
        frames.append(int(bits.bin, 2))
    found = discover.layout([(frame, length) for frame in frames])
    true = Span(
        sum(1 << (length - 1 - bit) for bit in range(length) if (mask | 1 << shift) >> bit & 1) | odd << length
        for check in layout.checks
        if isinstance(check, Parity)
        for shift, mask, odd in check.rows
    )
    claimed = Span([*(check.mask for check in found.checks), *(mask for b in found.blocks for mask in b.relations)])
    fixed = {
        (length - 1 - shift, check.value >> shift & 1)
        for check in layout.checks
        if isinstance(check, FixedBits)
        for shift in range(length)
        if check.mask >> shift & 1
    }
    assert fixed <= {*found.constants}
    for place, bit in found.constants:
        assert all(frame >> (length - 1 - place) & 1 == bit for frame in frames)
        claimed.add(1 << place | bit << length)
        true.add(1 << place | bit << length)
    assert all(mask in true for mask in claimed), "nothing false is claimed"
    left = {positions_of(mask & ~(1 << length)) for mask in true if mask not in claimed}
    assert left == PAIRS.get(name, set())
    own = chain(found.name, found.entry)
    assert all(own.inspect(to_bits((frame, length))).ok for frame in frames[:50])


# ── the result ──────────────────────────────────────────────────────────────────────────────────


def sample() -> FoundLayout:
    source = Random(1)
    numbers = [source.getrandbits(20) for _ in range(20)]
    return discover.layout([pier(677, n) for n in numbers], known={"number": numbers}, name="pier")


def test_a_result_is_a_value() -> None:
    found = sample()
    assert pickle.loads(pickle.dumps(found)) == found == sample()
    assert hash(found) == hash(sample())
    with pytest.raises(AttributeError):
        found.length = 3  # type: ignore[misc]
    assert len(repr(found)) < 80
    drawing = ElementTree.fromstring(found._repr_svg_())
    assert "bit 0" in str(drawing.get("aria-label")) or "even" in str(drawing.get("aria-label"))


def test_the_toml_is_a_layout_file_and_a_part_of_a_site_file(tmp_path: Path) -> None:
    found = sample()
    text = layout_toml(found)
    table = tomllib.loads(text)["layouts"]
    assert table == {"pier": found.definition}
    assert layout_entries(table)[0].build().schema
    path = tmp_path / "pier.toml"
    path.write_text(text)
    assert [entry.name for entry in file_entries(path)] == ["pier"]
    assert max(map(len, text.splitlines())) <= 120


def test_frames_of_several_lengths_are_analysed_each() -> None:
    source = Random(8)
    frames = [standard_26(source.getrandbits(8), source.getrandbits(16)) for _ in range(60)]
    frames[3:3] = [pier(5, source.getrandbits(20)) for _ in range(40)]
    found = discover.layouts(frames)
    assert [(each.length, each.frames, len(each.checks)) for each in found] == [(26, 60, 2), (34, 40, 2)]
    with refusal(DefinitionError):
        discover.layout(frames)


def test_progress_is_told_and_a_budget_is_kept() -> None:
    source = Random(8)
    frames = [standard_26(source.getrandbits(8), source.getrandbits(16)) for _ in range(60)]
    told = RecordedProgress()
    discover.layout(frames, progress=told, known={"n": [1] * 60})
    assert told.names == [
        "1/4 looking for damaged frames", "2/4 placing known numbers", "3/4 looking for block checks",
        "4/4 looking for parity relations",
    ]  # fmt: skip
    told.verify()
    assert len(discover.layout(frames, seconds=0).checks) == 2, "the relations of undamaged frames take no time"


@pytest.mark.parametrize(
    "call",
    [
        lambda: discover.layout([]),
        lambda: discover.layout(["0101", "01x1"]),
        lambda: discover.layout([(5, 600)]),
        lambda: discover.layout([3.5]),  # type: ignore[list-item]
        lambda: discover.layout(["0101"], known={"number": [1, 2]}),
        lambda: discover.layout(["0101"], known={"Number!": [1]}),
        lambda: discover.layout(["0101"], known={"number": [-1]}),
    ],
)
def test_wrong_input_is_one_sentence(call: Any) -> None:
    with refusal(DefinitionError):
        call()


# ── the screen ──────────────────────────────────────────────────────────────────────────────────


def written(tmp_path: Path, *, damaged: int | None = None) -> Path:
    source = Random(1)
    lines = ["frame,number"]
    for place in range(60):
        number = source.getrandbits(20)
        frame = int(pier(677, number), 2) ^ (1 << 20 if place == damaged else 0)
        lines.append(f"{frame:034b},{number if place != 5 else ''}")
    path = tmp_path / "pier.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


def test_the_screen_gives_the_verdict_first_and_fits(tmp_path: Path) -> None:
    done = run("discover", "layout", str(written(tmp_path, damaged=30)))
    assert done.exit_code == 0
    lines = done.stdout.splitlines()
    assert lines[0].startswith("34 bits: 2 parity checks and the place of 1 known number")
    assert max(map(len, lines)) <= 80
    assert "- line 32: damaged" in done.stdout
    headings = [line for line in lines if line.endswith(":") and line[0].isupper()]
    assert [h.split(" ")[0].rstrip(":") for h in headings] == ["Established", "Not", "What", "Outliers,", "Next"]


def test_json_and_toml_have_the_whole(tmp_path: Path) -> None:
    path = written(tmp_path)
    (record,) = records(run("discover", "layout", str(path), "--json"))
    toml = run("discover", "layout", str(path), "--toml").stdout
    assert record["toml"] == toml
    assert record["chain"] == "binary/found-34"
    assert tomllib.loads(toml)["layouts"]["found-34"]["fields"]["number"] == "13-32"
    assert {claim["confidence"] for claim in record["claims"]} == {"established"}
    assert json.dumps(record)


def test_texts_are_read_through_a_chain(tmp_path: Path) -> None:
    source = Random(6)
    frames = [standard_26(source.getrandbits(8), source.getrandbits(16)) for _ in range(40)]
    path = tmp_path / "frames.txt"
    path.write_text("\n".join(f"{int(frame, 2):08X}" for frame in frames))
    done = run("discover", "layout", str(path), "--chain", "hex:8/right-justified:26")
    assert done.stdout.startswith("26 bits: 2 parity checks")
    assert "wiegand-26 reads every frame" in " ".join(done.stdout.split())


@pytest.mark.parametrize("delimiter", [" ", "\t", ",", ";", " ; "])
def test_a_number_after_the_frame_needs_no_header(tmp_path: Path, delimiter: str) -> None:
    numbers = [n * 52391 % 1048576 for n in range(1, 41)]
    path = tmp_path / "pier.txt"
    path.write_text("\n".join(f"{pier(677, number)}{delimiter}{number:07d}" for number in numbers) + "\n")
    (record,) = records(run("discover", "layout", str(path), "--json"))
    (field,) = (field for field in record["fields"] if field["name"] == "number")
    assert (field["kind"], field["bits"]) == ("known", list(range(13, 33)))


def test_hex_digits_of_one_length_are_read_and_their_padding_is_doubted(tmp_path: Path) -> None:
    source = Random(8)
    path = tmp_path / "pier.txt"
    path.write_text("\n".join(f"{int(pier(677, source.getrandbits(20)), 2):09X}" for _ in range(40)) + "\n")
    shorter, longer = records(run("discover", "layout", str(path), "--json"))
    assert (shorter["length"], shorter["texts"]) == (34, "hex:9/right-justified:34")
    assert shorter["claims"][0]["text"] == "bit 0: even parity over bits 1-16"
    assert (longer["length"], longer["texts"]) == (36, "hex:9")
    screen = " ".join(run("discover", "layout", str(path)).stdout.split())
    assert "Bits 0-1 of the hex digits are always 0: read here as padding" in screen
    assert "may be padding, then the frame has 34 bits or more (--chain hex:9/right-justified:34)" in screen
    assert "length = 34" in run("discover", "layout", str(path), "--toml").stdout
    assert "length = 36" in run("discover", "layout", str(path), "--toml", "--chain", "hex:9").stdout


def test_a_frame_that_fills_its_hex_digits_has_no_padding(tmp_path: Path) -> None:
    source = Random(8)
    path = tmp_path / "frames.txt"
    path.write_text("\n".join(f"{source.getrandbits(32) | 1 << 31:08X}" for _ in range(40)) + "\n")
    done = run("discover", "layout", str(path))
    assert done.stdout.startswith("32 bits: ")
    assert "padding" not in done.stdout


@pytest.mark.parametrize(
    ("text", "args", "said"),
    [
        ("0101\n01z1\n", (), "line 2"),
        ("0101\n0110\n01b1\n", (), "line 3"),  # a mistyped digit, not hex
        ("0101 0110\n1100 0011\n", (), "line 1"),  # groups of bits, not a frame and its number
        ("12345678\n23456789\n", (), "line 1"),  # decimal or hex
        ("frame,number\n0101,12\n0110,1x\n", (), "line 3"),
        ("", (), "there is no frame"),
        ("7B\n", ("--chain", "hex:2/fields:number:8"), "a frame is bits"),
        ("7B\nzz\n", ("--chain", "hex:2"), "line 2"),
    ],
)
def test_a_wrong_file_is_one_sentence(tmp_path: Path, text: str, args: tuple[str, ...], said: str) -> None:
    path = tmp_path / "frames.txt"
    path.write_text(text)
    done = run("discover", "layout", str(path), *args)
    assert done.exit_code == 2
    assert done.stderr.count("\n") == 1
    assert said in done.stderr


def test_nothing_found_says_what_to_do() -> None:
    source = Random(9)
    found = discover.layout([(source.getrandbits(32), 32) for _ in range(15)])
    assert not found.is_found
    assert "More cards are needed" in verdict(found)
    assert [section.heading for section in sections(found)][-1] == "What the sample can tell"

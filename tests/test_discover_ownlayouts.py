"""Layouts of a site's own: readers that fit no known layout, beside a register.

The layouts are invented here, with a line of Python for each frame; what is proposed must give the numbers that went
into the frames. Frames that have nothing to do with the register must give nothing.
"""

from __future__ import annotations

import csv
import tomllib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from random import Random
from typing import Any

import pytest

from credkit import chain, discover
from credkit.discover.siteresults import FoundReader
from credkit.site import load_site
from tests.amounts import amounts
from tests.commandline import records, run
from tests.test_discover_layout import pier

Card = tuple[int, int]


def cards_of(source: Random, count: int, companies: int = 6) -> list[Card]:
    """Cards of a few companies with numbers far apart."""
    codes = source.sample(range(1, 4096), companies)
    return [(source.choice(codes), source.randrange(1 << 20)) for _ in range(count)]


def frames_of(cards: Sequence[Card], source: Random, damaged: float = 0.0) -> list[tuple[Card, str, bool]]:
    """The card, the frame and whether one bit of it is inverted, in the order of reading."""
    found = []
    for card in cards:
        bits, is_damaged = pier(*card), source.random() < damaged
        if is_damaged:
            place = source.randrange(34)
            bits = f"{bits[:place]}{1 - int(bits[place])}{bits[place + 1 :]}"
        found.append((card, bits, is_damaged))
    return found


def write_folder(folder: Path, cards: Sequence[Card], readings: Sequence[tuple[str, str]]) -> None:
    """The register of ``cards`` and the readings, reader and text, as a site's files have them."""
    columns = ("person_id", "credential_id", "kind", "value", "printed", "issue", "status", "valid_from")
    with (folder / "credentials.csv").open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow([*columns, "valid_until", "replaces", "source"])
        for i, (company, number) in enumerate(cards):
            value = f"{company},{number}"
            rows.writerow([f"P-{i}", f"C-{i}", "pier", value, "", "", "active", "2025-01-01", "", "", "pier"])
    with (folder / "readings.csv").open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["time", "reader", "text", "presentation", "expected"])
        for i, (reader, text) in enumerate(readings):
            time = f"2026-03-{i // 1000 + 1:02d}T{i // 60 % 24:02d}:{i % 60:02d}:00+02:00"
            rows.writerow([time, reader, text, "", ""])


def read_rows(path: Path) -> list[dict[str, str]]:
    """The rows of a CSV file."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _card_of(fields: Mapping[str, Any]) -> Card:
    """Code and number; a register of both as one number has the code in the bits above the lowest 16."""
    code, number = divmod(fields["number"], 1 << 16)
    return (fields["facility"], fields["number"]) if "facility" in fields else (code, number)


def is_right(reader: FoundReader, truth: dict[str, Card]) -> bool:
    """Whether the proposed chain gives the true number of every text, as far as its checks let it."""
    assert reader.layout is not None
    (text,) = reader.chains
    codec = chain(text, reader.layout.entry)
    read = {each: codec._decode_raw(each) for each in truth}
    return all(_card_of(fields) == truth[each] for each, fields in read.items() if fields is not None) and sum(
        fields is not None for fields in read.values()
    ) >= 0.9 * len(truth)


# ── an invented layout beside a register ────────────────────────────────────────────────────────


@pytest.mark.parametrize("damaged", [0.0, 0.03])
def test_the_proposed_site_runs_through_the_crosswalk_with_the_right_numbers(tmp_path: Path, damaged: float) -> None:
    """34 bits: even parity, company, number, odd parity. One inverted bit fails one of both: an exception."""
    source = Random(19)
    cards = cards_of(source, 200)
    shown = frames_of([source.choice(cards) for _ in range(240)], source, damaged)
    write_folder(tmp_path, cards, [("old-pier", f"{int(bits, 2):09X}") for _, bits, _ in shown])
    out = tmp_path / "site.toml"
    result = run("discover", "site", str(tmp_path), "--out", str(out))
    assert result.exit_code == 0, result.output
    assert "old-pier, pier: hex:9/right-justified:34/old-pier-34" in result.output
    assert "Doubt: no document has its layout" in result.output
    assert "present cards of other facility codes" in " ".join(result.output.split())
    table = tomllib.loads(out.read_text(encoding="utf-8"))
    assert table["readers"]["old-pier"]["chain"] == "hex:9/right-justified:34/old-pier-34"
    beside = tomllib.loads((tmp_path / "old-pier-34.toml").read_text(encoding="utf-8"))
    assert beside["layouts"] == table["layouts"]
    fields, checks = (beside["layouts"]["old-pier-34"][name] for name in ("fields", "checks"))
    assert fields == {"facility": "1-12", "number": "13-32"}
    assert checks == [{"bit": 0, "even": "1-16"}, {"bit": 33, "odd": "17-32"}]
    assert "old-pier-34.toml" in out.read_text(encoding="utf-8")

    result = run("crosswalk", str(out), "--out", str(tmp_path / "result"))
    seen = {(row["value"], row["proof"] == "seen") for row in read_rows(tmp_path / "result" / "crosswalk.csv")}
    presented = {card for card, _, is_damaged in shown if not is_damaged}
    assert seen == {(f"{company},{number}", (company, number) in presented) for company, number in cards}
    wrong = {int(row["line"]) for row in read_rows(tmp_path / "result" / "exceptions.csv")}
    assert wrong == {line for line, (_, _, is_damaged) in enumerate(shown, 2) if is_damaged}
    assert bool(wrong) == bool(damaged)


FORMS: dict[str, Callable[[str], str]] = {
    "binary": lambda bits: bits,
    "hexadecimal": lambda bits: f"{int(bits, 2):09X}",
    "small letters": lambda bits: f"{int(bits, 2):09x}",
    "beside zeros": lambda bits: f"{int(bits, 2) << 6:010X}",
    "decimal": lambda bits: str(int(bits, 2)),
    "padded decimal": lambda bits: f"{int(bits, 2):011d}",
    "inverted": lambda bits: bits.translate({48: "1", 49: "0"}),
    "last bit first": lambda bits: bits[::-1],
}


@pytest.mark.parametrize("form", FORMS)
def test_every_way_to_print_a_frame(form: str) -> None:
    source = Random(form)
    cards = cards_of(source, 300, companies=20)
    texts = {FORMS[form](pier(*card)): card for card in cards[:150]}
    found = discover.site({"gate": [*texts]}, [("pier", f"{company},{number}", "") for company, number in cards])
    (reader,) = found.readers
    assert reader.is_decided
    assert is_right(reader, texts)
    assert reader.layout is not None
    assert len(reader.layout.checks) == 2
    assert all(check.confidence == "established" for check in reader.layout.checks)


def random_frame(source: Random) -> tuple[int, int, int, str]:
    """A layout: the bits of code and number, how they are written, and what stands around them."""
    return source.randint(6, 12), source.randint(14, 24), source.randint(0, 6), source.choice(("01", "1011", ""))


@amounts("count", quick=4, whole=100)
def test_random_layouts_give_the_true_numbers_or_nothing(count: int) -> None:
    verdicts = Counter[str]()
    for seed in range(count):
        source = Random(seed)
        code_bits, number_bits, spare, head = random_frame(source)
        codes = source.sample(range(1, 1 << code_bits), 6)
        cards = [(source.choice(codes), source.randrange(1 << number_bits)) for _ in range(300)]
        station, texts = f"{source.getrandbits(spare):0{spare}b}" if spare else "", {}
        for code, number in cards[:120]:
            data = f"{head}{code:0{code_bits}b}{station}{number:0{number_bits}b}"
            data = f"{data.count('1') % 2}{data}"
            texts[f"{data}{1 - data[len(data) // 2 :].count('1') % 2}"] = (code, number)
        register = [("card", f"{code}-{number}", "") for code, number in cards]
        (reader,) = discover.site({"gate": [*texts]}, register).readers
        right = reader.is_decided and (reader.layout is None or is_right(reader, texts))
        verdicts["right" if right else "wrong" if reader.is_decided else "undecided"] += 1
    assert verdicts["wrong"] == 0, verdicts
    assert verdicts["right"] >= 0.95 * count, verdicts


def test_a_register_of_numbers_alone() -> None:
    source = Random(2)
    cards = cards_of(source, 300)
    texts = {pier(*card): card for card in cards[:100]}
    (reader,) = discover.site({"gate": [*texts]}, [("pier", str(number), "") for _, number in cards]).readers
    (text,) = reader.chains
    assert reader.layout is not None
    codec = chain(text, reader.layout.entry)
    assert all(codec.decode(each)["number"] == number for each, (_, number) in texts.items())


def test_two_readers_of_one_layout_have_it_once() -> None:
    source = Random(3)
    cards = cards_of(source, 300)
    found = discover.site(
        {
            "gate": [pier(*card) for card in cards[:100]],
            "quay": [f"{int(pier(*card), 2):09X}" for card in cards[80:160]],
        },
        [("pier", f"{company},{number}", "") for company, number in cards],
    )
    assert [reader.chains for reader in found.readers] == [
        ("binary/gate-34",), ("hex:9/right-justified:34/gate-34",),
    ]  # fmt: skip
    assert len(found.layouts) == 1


def test_a_layout_never_has_the_name_of_a_codec() -> None:
    source = Random(4)
    cards = cards_of(source, 200)
    register = [("pier", f"{company},{number}", "") for company, number in cards]
    (reader,) = discover.site({"Wiegand": [pier(*card) for card in cards]}, register).readers
    assert reader.chains == ("binary/wiegand-34-2",)


# ── no numbers, or not all parts of one ─────────────────────────────────────────────────────────


def checked_frame(source: Random) -> str:
    """Thirty random bits; the third and the last are parities of what stands before and between them."""
    bits = f"{source.getrandbits(31):031b}"
    bits = f"{bits[:2]}{bits[3:].count('1') % 2}{bits[3:]}"
    return f"{bits}{1 - bits[10:].count('1') % 2}"


@pytest.mark.parametrize("register", [(), tuple(("card", f"{n * n * 7919 % 99999989:08d}", "") for n in range(1, 300))])
def test_checks_without_registered_numbers_are_a_layout_and_no_chain(
    register: tuple[tuple[str, str, str], ...],
) -> None:
    source = Random(5)
    texts = [checked_frame(source) for _ in range(150)]
    (reader,) = discover.site({"gate": texts}, register).readers
    assert not reader.is_decided
    assert "no registered numbers" in reader.reason
    assert "credkit discover layout FILE --chain binary" in reader.next_card
    assert reader.layout is not None
    codec = chain(reader.layout.chain, reader.layout.entry)
    assert all(codec.inspect(text).ok for text in texts)
    assert not codec.inspect(texts[0][:-1] + str(1 - int(texts[0][-1]))).ok


def test_it_can_be_left_out() -> None:
    source = Random(5)
    texts = [checked_frame(source) for _ in range(150)]
    (reader,) = discover.site({"gate": texts}, own_layouts=False).readers
    assert reader.layout is None


@amounts("count", quick=12, whole=300)
def test_frames_that_have_nothing_to_do_with_the_register_give_nothing(count: int) -> None:
    """Random frames, boxes of consecutive ones and several boxes, beside sparse and dense registers."""
    claims = []
    for seed in range(count):
        source = Random(seed)
        length, reads = source.choice((26, 30, 32, 34, 36, 40, 48, 56)), source.choice((20, 60, 200))
        start = source.getrandbits(length - 12)
        boxes = [start + (box << (length - 6)) for box in range(4)]
        words = {
            "random": [source.getrandbits(length) for _ in range(reads)],
            "box": [start + i for i in range(reads)],
            "boxes": [(source.choice(boxes) + source.randrange(500)) % (1 << length) for _ in range(reads)],
        }[source.choice(("random", "box", "boxes"))]
        texts = [f"{word:0{length}b}" if seed % 2 else f"{word:0{-(-length // 4)}X}" for word in words]
        kind, first = source.choice(("far apart", "numbers", "one box", "from one on")), source.randrange(1, 60_000)
        values = {
            "far apart": [f"{source.randrange(1, 200)}-{source.randrange(65536)}" for _ in range(400)],
            "numbers": [str(source.randrange(1 << 20)) for _ in range(400)],
            "one box": [f"12-{first + i}" for i in range(400)],
            "from one on": [f"{i + 1:06d}" for i in range(400)],
        }[kind]
        found = discover.site({"gate": texts}, [("card", value, "") for value in values])
        claims += [seed] * bool(found.decided or found.layouts)
    assert claims == []


# ── the command ─────────────────────────────────────────────────────────────────────────────────


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    source = Random(6)
    cards = cards_of(source, 120)
    write_folder(tmp_path, cards, [("pier", pier(*card)) for card in cards[:80]])
    return tmp_path


def test_the_layout_is_in_the_json(folder: Path) -> None:
    (record,) = records(run("discover", "site", str(folder), "--json"))
    (reader,), (layout,) = record["readers"], record["layouts"]
    assert reader["layout"] == layout["name"] == "pier-34"
    assert tomllib.loads(layout["toml"])["layouts"]["pier-34"]["length"] == 34
    assert layout["toml"].rstrip() in record["toml"]


@pytest.mark.parametrize("name", ["site.toml", "pier-34.toml"])
def test_no_layout_file_is_overwritten(folder: Path, name: str) -> None:
    (folder / "pier-34.toml").write_text("mine", encoding="utf-8")
    result = run("discover", "site", str(folder), "--out", str(folder / name))
    assert result.exit_code == 2
    assert "pier-34.toml: there is a file already" in result.stderr.replace("\n", " ")
    assert (folder / "pier-34.toml").read_text(encoding="utf-8") == "mine"
    assert not (folder / "site.toml").exists()


def test_the_site_file_is_not_the_file_of_the_layout(folder: Path) -> None:
    result = run("discover", "site", str(folder), "--out", str(folder / "pier-34.toml"))
    assert result.exit_code == 2
    assert "name another file" in result.stderr.replace("\n", " ")
    assert not (folder / "pier-34.toml").exists()


def test_the_layout_beside_the_site_file_explains_a_text(folder: Path) -> None:
    assert run("discover", "site", str(folder), "--out", str(folder / "site.toml")).exit_code == 0
    result = run("explain", "--layouts", str(folder / "pier-34.toml"), "binary/pier-34", pier(88, 498286))
    assert result.exit_code == 0
    assert "498286" in result.output
    assert {*load_site(folder / "site.toml").readers} == {"pier"}

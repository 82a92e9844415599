"""Discovery of sites: kinds, readers and chains from captures, against sites whose chains are known.

The demo's site file and the random sites say what each reader's chain truly is; what is proposed must give the same
numbers. Faults that are planted in the demo (a reader in another order than its file says) are excepted by asking only
for texts that the declared chain takes to a registered number.
"""

from __future__ import annotations

import pickle
import shutil
from collections import Counter, defaultdict
from datetime import date
from pathlib import Path
from random import Random

import pytest

from credkit import chain, discover
from credkit.cli.discover.sitefolder import read_site_folder
from credkit.core.codec import AnyCodec
from credkit.core.fields import Item
from credkit.demo import Demo
from credkit.discover.siteregister import RegisterRow
from credkit.discover.siteresults import SiteDiscovery
from credkit.discover.sitetoml import site_toml
from credkit.site import load_site
from credkit.site.description import load_rows
from credkit.site.model import CredentialKind, Reader, Rows
from tests.amounts import amounts
from tests.commandline import records, run
from tests.randomsites import RandomSite, random_site
from tests.test_discover_chain import frame
from tests.tracks import TRACK_2

# Planted in the demo: the file declares another order or chain than these readers have, throughout or nearly.
MISDECLARED = {"ferry", "linkspan"}
UNDECIDED = {"crane"}  # has a layout of its own


@pytest.fixture(scope="module")
def proposed(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's folder with the site file that the command proposes in the place of the demo's own."""
    home = tmp_path_factory.mktemp("proposed")
    for name in ("credentials.csv", "readings.csv"):
        shutil.copy(demo.site.parent / name, home)
    result = run("discover", "site", str(home), "--out", str(home / "site.toml"))
    assert result.exit_code == 0, result.output
    assert "describe the undecided readers" in result.output
    return home


def test_the_site_file_of_the_demo_is_recovered(demo: Demo, proposed: Path) -> None:
    declared, found = load_site(demo.site), load_site(proposed / "site.toml")
    assert set(declared.readers) - set(found.readers) == UNDECIDED
    rows = load_rows(declared)
    registered = defaultdict(set)
    for card in rows.credentials:
        kind = declared.kinds[card.kind]
        fields = kind.value._decode_raw(card.value)
        if fields is not None:
            values = {**fields, "issue": card.issue}
            registered[card.kind].add(tuple(values[name] for name in kind.key if name != kind.issue))
    compared, wrong = Counter[str](), []
    for row in rows.readings:
        before, after = declared.readers[row.reader], found.readers.get(row.reader)
        if after is None or before.stream:
            continue
        period = before.period(row.time + before.clock_offset)
        number = None if period is None else number_by(period.codec, before.kind, row.text)
        if number is None or before.kind.without_issue(number) not in registered[before.kind.name]:
            continue
        compared[row.reader] += 1
        later = after.period(row.time)
        if later is None or number_by(later.codec, after.kind, row.text) != number:
            wrong.append((row.line, row.reader, row.text))
    assert wrong == []
    plain = {name for name, reader in declared.readers.items() if not reader.stream}
    assert set(compared) >= plain - UNDECIDED - MISDECLARED
    for name in set(found.readers) - MISDECLARED:
        assert found.readers[name].kind.name == declared.readers[name].kind.name
    for name in ("lockers", "time-clock"):
        assert entries(found.readers[name], rows_of(name, rows)) == entries(declared.readers[name], rows_of(name, rows))


def number_by(codec: AnyCodec, kind: CredentialKind, text: str) -> tuple[Item, ...] | None:
    """The number that a chain gives of a text, if it gives one."""
    fields = codec._decode_raw(text)
    return None if fields is None else kind.number_in(fields)


def rows_of(name: str, rows: Rows) -> list[str]:
    """The texts of a reader, in the order of time."""
    own = [row for row in rows.readings if row.reader == name]
    return [row.text for row in sorted(own, key=lambda row: (row.time, row.line))]


def entries(reader: Reader, texts: list[str]) -> list[tuple[Item, ...] | None]:
    """The numbers of a reader whose rows a stream joins."""
    assert reader.stream is not None
    values = [frame.value for frame in reader.stream.frames(texts) if frame.value is not None]
    found = [number_by(reader.periods[0].codec, reader.kind, value) for value in values]
    assert sum(each is not None for each in found) > 50
    return found


def test_what_is_planted_in_the_demo_is_seen(proposed: Path) -> None:
    """The ferry's reader has its bytes reversed, the yard's was re-set: tests of the demo say where."""
    found = load_site(proposed / "site.toml")
    assert "reverse-bytes" in found.readers["ferry"].periods[0].codec.name
    assert [len(found.readers[name].periods) for name in ("yard", "east-gate")] == [2, 1]
    end = found.readers["yard"].periods[0].end
    assert end is not None
    assert end.isoformat()[:10] == "2026-03-14"


def test_the_proposal_has_its_evidence_beside_each_reader(proposed: Path) -> None:
    text = (proposed / "site.toml").read_text(encoding="utf-8")
    assert text.count(" bits beyond chance.") == len(load_site(proposed / "site.toml").readers)
    assert "# UNDECIDED: crane: " in text
    assert "# UNDECIDED: no reader gives these numbers" in text.partition("[kinds.tug-card]")[0]


# ── random sites ────────────────────────────────────────────────────────────────────────────────


def judge(site: RandomSite, found: SiteDiscovery) -> Counter[str]:
    """How many readers are right, undecided and wrong; one is right if every text has its true number.

    Without a register, kinds have no names to compare: those of two readers are the same or not as they truly are.
    """
    true_kinds = {reader.name: reader.name.partition("-")[2] or "locker" for reader in found.readers}
    of_kind = {reader.kind: true_kinds[reader.name] for reader in reversed(found.decided)}
    texts = defaultdict(set)
    for reading in site.readings:
        texts[reading.reader].add(reading.text)
    keys, verdicts = {kind.name: kind.key for kind in found.kinds}, Counter[str]()
    for reader in found.readers:
        if not reader.is_decided:
            verdicts["undecided"] += 1
            continue
        true, codecs = chain(site.chains[reader.name]), [chain(text) for text in reader.chains]
        same = (reader.kind if found.has_register else of_kind[reader.kind]) == true_kinds[reader.name]
        for text in {"010203", "999999"} if reader.stream else texts[reader.name]:
            fields = true._decode_raw(text)
            if fields is not None and same:
                names = ["uid"] if "uid" in fields else keys[reader.kind]
                read = [codec._decode_raw(text) for codec in codecs]
                numbers = {tuple(each[name] for name in keys[reader.kind]) for each in read if each is not None}
                same = numbers == {tuple(fields[name] for name in names)}
        verdicts["right" if same else "wrong"] += 1
    return verdicts


@amounts("count", quick=3, whole=30)
def test_random_sites(count: int) -> None:
    verdicts = Counter[str]()
    for seed in range(count):
        site = random_site(seed)
        texts = defaultdict(list)
        for reading in site.readings:
            texts[reading.reader].append(reading.text)
        register = [RegisterRow(row[2], row[3], row[5]) for row in site.credentials]
        verdicts += judge(site, discover.site(texts, register))
    assert verdicts["wrong"] == 0
    assert verdicts["right"] >= 0.9 * verdicts.total(), verdicts


@amounts("count", quick=3, whole=12)
def test_random_sites_without_a_register(count: int) -> None:
    """Frames have parity, or share numbers with a reader that has; serials and stripes here have no check."""
    verdicts, frames = Counter[str](), Counter[bool]()
    for seed in range(count):
        site = random_site(seed)
        texts = defaultdict(list)
        for reading in site.readings:
            texts[reading.reader].append(reading.text)
        found = discover.site(texts)
        verdicts += judge(site, found)
        parity = any("wiegand-26" in site.chains[name] for name in texts)
        frames += Counter(each.is_decided for each in found.readers if parity and each.name.endswith("-frame"))
    assert verdicts["wrong"] == 0
    assert frames[True] >= 0.9 * frames.total(), frames


# ── nothing to find, and without a register ─────────────────────────────────────────────────────


@amounts("count", quick=2, whole=12)
def test_unrelated_texts_give_nothing(count: int) -> None:
    """Texts that have nothing to do with the register: random ones, and a box far from its boxes."""
    for seed in range(count):
        dice = Random(seed)
        start = dice.randrange(10**6, 10**7)
        texts = {
            "decimal": [f"{dice.randrange(10**8):08d}" for _ in range(200)],
            "hex": [f"{dice.getrandbits(32):08X}" for _ in range(200)],
            "box": [f"{start + n}" for n in range(200)],
            "keys": list("0123456789" * 20),
        }
        facility, first = dice.randrange(1, 255), dice.randrange(1, 60_000)
        register = [("frame", f"{facility:03d}{first + n:05d}", "") for n in range(300)]
        register += [("serial", f"{dice.getrandbits(32):010d}", "") for _ in range(300)]
        found = discover.site(texts, register)
        assert [reader.chains for reader in found.decided] == []
        assert all(reader.reason and reader.next_card for reader in found.readers)
        assert discover.site(texts).decided == ()


def test_without_a_register_checks_decide() -> None:
    """Frames by the rule of SIA AC-01: one reader is told by its parity, the other by the numbers that both give."""
    dice = Random(3)
    cards = [(12, dice.randrange(65536)) for _ in range(80)]
    texts = {
        "gate": [f"{frame(*card):026b}" for card in cards[:60]],
        "quay": [f"{facility:03d},{number:05d}" for facility, number in cards[20:]],
        "office": [f"{dice.getrandbits(32):010d}" for _ in range(60)],
    }
    found = discover.site(texts)
    readers = {reader.name: reader for reader in found.readers}
    assert readers["gate"].chains == ("binary/wiegand-26",)
    assert "binary/invert/reverse-bits/wiegand-26" in readers["gate"].rivals  # each half then has the parity it needs
    assert chain(readers["quay"].chains[0]).decode("012,00345") == {"facility": 12, "number": 345}
    assert readers["gate"].kind == readers["quay"].kind
    assert not readers["office"].is_decided


def test_two_value_orders_that_fit_alike_are_named() -> None:
    """A register that has each card's number in both orders of bytes cannot tell which one a reader gives."""
    dice = Random(5)
    words = [dice.getrandbits(32) for _ in range(40)]
    mirrored = [int.from_bytes(word.to_bytes(4, "big"), "little") for word in words]
    found = discover.site(
        {"gate": [f"{word:08X}" for word in words]}, [("serial", f"{word:010d}", "") for word in words + mirrored]
    )
    (reader,) = found.readers
    assert not reader.is_decided
    assert len(reader.rivals) == 2


@pytest.mark.parametrize("sign", ["/", "-", ":", ".", ";", " "])
@pytest.mark.parametrize("padded", [True, False])
def test_a_sign_other_than_a_comma_between_facility_code_and_number(sign: str, padded: bool) -> None:
    """Frames by the rule of SIA AC-01 at one reader, their numbers at another one and in the register."""
    dice = Random(7)
    cards = [(dice.choice((17, 18)), dice.randrange(65536)) for _ in range(60)]
    printed = [f"{facility:03d}{sign}{n:05d}" if padded else f"{facility}{sign}{n}" for facility, n in cards]
    texts = {"gate": [f"{frame(*card):026b}" for card in cards], "quay": printed}
    for register in ([f"{facility:03d}{number:05d}" for facility, number in cards], printed):
        found = discover.site(texts, [("frame", value, "") for value in register])
        readers = {reader.name: reader for reader in found.readers}
        assert readers["gate"].is_decided
        assert readers["quay"].is_decided
        assert chain(readers["quay"].chains[0]).decode(f"012{sign}00345") == {"facility": 12, "number": 345}


def test_the_result_is_a_value() -> None:
    texts = {"gate": [f"{n * n * 7919 % 2**32:08X}" for n in range(1000, 1100)]}
    register = [("serial", str(int(text, 16)), "") for text in texts["gate"]]
    found = discover.site(texts, register)
    assert found == discover.site(texts, register)
    assert pickle.loads(pickle.dumps(found)) == found
    assert not discover.site(texts, register, seconds=0).is_complete


# ── the command ─────────────────────────────────────────────────────────────────────────────────


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """One file a reader, and a register."""
    numbers = [n * n * 7919 % 2**32 for n in range(1000, 1100)]
    (tmp_path / "gate.txt").write_text("".join(f"{n:08X}\n" for n in numbers), encoding="utf-8")
    rows = "".join(f"2026-11-{n % 28 + 1:02d}T08:00:00;{n:010d}\n" for n in numbers)
    (tmp_path / "quay.csv").write_text(f"time;text\n{rows}", encoding="utf-8")
    rows = "".join(f"serial,{n:010d}\n" for n in numbers)
    (tmp_path / "credentials.csv").write_text(f"kind,value\n{rows}", encoding="utf-8")
    return tmp_path


def test_the_screen_begins_with_the_verdict_and_fits(folder: Path) -> None:
    result = run("discover", "site", str(folder))
    assert result.exit_code == 0
    assert result.output.startswith("Chains are proposed for 2 of 2 readers, with a register.\n")
    report = result.output.partition("The site file:")[0]
    assert max(map(len, report.splitlines())) <= 80
    (record,) = records(run("discover", "site", str(folder), "--json"))
    assert [reader["name"] for reader in record["readers"]] == ["gate", "quay"]
    assert record["toml"] in result.output


def test_nothing_is_overwritten(folder: Path) -> None:
    out = folder / "site.toml"
    out.write_text("mine", encoding="utf-8")
    result = run("discover", "site", str(folder), "--out", str(out))
    assert result.exit_code == 2
    assert out.read_text(encoding="utf-8") == "mine"


def test_nothing_found_is_said_first(folder: Path) -> None:
    (folder / "credentials.csv").write_text("kind,value\nserial,77\nserial,78\n", encoding="utf-8")
    result = run("discover", "site", str(folder))
    assert result.exit_code == 1
    assert result.output.startswith("Nothing found for 2 readers, with a register")
    assert "[readers" not in result.output


def test_a_payment_track_is_refused(folder: Path) -> None:
    (folder / "till.txt").write_text(f"{TRACK_2}\n", encoding="utf-8")
    result = run("discover", "site", str(folder))
    assert result.exit_code == 2
    assert "till.txt line 1: payment track data" in result.stderr.replace("\n", " ")
    assert TRACK_2 not in result.output


def test_a_folder_without_captures(tmp_path: Path) -> None:
    (tmp_path / "people.csv").write_text("person_id,name\n1,2\n", encoding="utf-8")
    result = run("discover", "site", str(tmp_path))
    assert result.exit_code == 2
    assert "there is no capture" in result.stderr


def test_exports_with_other_headers_are_for_init(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("Zeit;Leser;Rohwert\n", encoding="cp1252")
    (tmp_path / "people.csv").write_text("Pers.-Nr.;Tür\n1;Büro\n", encoding="cp1252")
    result = run("discover", "site", str(tmp_path))
    assert result.exit_code == 2
    command = f"credkit init site --from {tmp_path / 'log.csv'} --from {tmp_path / 'people.csv'}"
    assert result.stderr.rstrip().endswith(f"exports with headers of their own are read by: {command}")


def test_captures_are_read_in_any_encoding_below_a_title(tmp_path: Path) -> None:
    rows = [f"{place};Tür Büro;{card}" for place, card in enumerate(("02F764DC", "02F764DF", "02F764E0"))]
    (tmp_path / "log.csv").write_text("\n".join(["Löschkai", "", "no;reader;text", *rows]) + "\n", encoding="cp1252")
    (tmp_path / "empty.csv").write_text("\n")
    assert read_site_folder(tmp_path).readings == {"Tür Büro": ["02F764DC", "02F764DF", "02F764E0"]}


def test_identify_offers_it_when_nothing_fits() -> None:
    result = run("identify", "?!")
    assert result.exit_code == 1
    assert "credkit discover site FOLDER" in result.output


def test_names_are_written_as_toml_needs_them(tmp_path: Path) -> None:
    """A reader's name may have spaces and quotes: the file loads, and has the same name."""
    numbers = [n * n * 7919 % 2**32 for n in range(1000, 1100)]
    name = 'gate "A" ü\n[x]'
    found = discover.site({name: [f"{n:08X}" for n in numbers]}, [("a b", f"{n:010d}", "") for n in numbers])
    path = tmp_path / "site.toml"
    assert "\n[x]" not in site_toml(found, name="x", as_of=date(2026, 11, 30))
    path.write_text(site_toml(found, name="x", as_of=date(2026, 11, 30)), encoding="utf-8")
    assert list(load_site(path).readers) == [name]


def test_texts_that_no_chain_can_hold_are_undecided() -> None:
    """A slash ends a step of a chain, a brace begins a field: such constants stand in no template."""
    texts = [f"57/{{{n:06d}" for n in range(1000, 60000, 997)]
    (reader,) = discover.site({"gate": texts}, [("staff", text[4:], "") for text in texts]).readers
    assert not reader.is_decided
    assert discover.site({"gate": ["", "/", "{", "\x00"]}, [("", "", "")]).decided == ()


def test_zeros_in_front_of_a_number_are_its_own_where_a_decimal_chain_reads_all_texts_alike() -> None:
    """The maker writes ten digits, of which no registered number needs more than eight: a later one may."""
    dice = Random(5)
    numbers = dice.sample(range(1 << 20, 10**8), 80)
    rows = [("serial", f"{number:08d}", "") for number in numbers]
    (reader,) = discover.site({"quay": [f"{number:010d}" for number in numbers]}, rows, own_layouts=False).readers
    assert reader.kind == "serial"
    assert "template:00{number:08d}" in reader.alike
    (chain_text,) = reader.chains
    assert [*chain(chain_text).decode("4112345678").values()] == [4112345678]

"""Site files: what a good one becomes, and every way to write a wrong one, refused in one sentence."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from credkit import DefinitionError
from credkit.site import load_rows, load_site
from credkit.site.model import Column, Site
from tests.sentences import refusal as assert_refused

GOOD = """
[site]
name = "Brackwater Terminal"
time_zone = "Europe/Amsterdam"
as_of = 2026-03-31

[files.credentials]
path = "credentials.csv"
[files.readings]
path = "readings.csv"

[kinds.harbour-card]
namespace = "harbour"
value = "template:{facility:03d}{number:05d}"
printed = "template:{number:05d}"
key = ["facility", "number"]
expect = { facility = [12, 40] }

[kinds.locker]
value = "template:{number:03d}/map:lockers,number"
key = ["number"]
notes = "count"

[readers.east-gate]
kind = "harbour-card"
chain = ["hex:8/right-justified:26/wiegand-26", "decimal:26/wiegand-26"]
clock_offset = -200

[readers.yard]
kind = "harbour-card"
[[readers.yard.periods]]
chain = "decimal:24/fields:facility:8,number:16"
until = 2026-03-14T12:00:00+01:00
[[readers.yard.periods]]
chain = "hex:6/fields:facility:8,number:16"
from = 2026-03-14T12:00:00+01:00

[readers.lockers]
kind = "locker"
stream = "keypad:hex:1/keypad-4"
chain = "template:{number:03d}"

[readers.quay]
kind = "harbour-card"
chain = "binary/gate-25"

[rules]
order_of_truth = ["west-register", "east-register"]
gone = ["returned"]
pools = ["POOL-VISITOR"]

[targets.gatehouse]
kind = "harbour-card"
chain = "decimal:24/fields:facility:8,number:16"
column = "text(8)"
existing = "gatehouse.csv"

[tables.lockers]
path = "lockers.csv"

[layouts.gate-25]
length = 25
fields = { facility = "0-7", number = "8-23" }
checks = [{ bit = 24, even = "0-23" }]
"""
FILES = {
    "credentials.csv": (
        "person_id,credential_id,kind,value,printed,issue,status,valid_from,valid_until,replaces,source\n"
        "P-1,C-1,harbour-card,01200345,00345,1,active,2026-01-01,,,east-register\n"
    ),
    "readings.csv": "time,reader,text,presentation,expected\n2026-03-14T11:03:19+01:00,yard,786777,,C-1\n",
    "gatehouse.csv": "person_id,text\nP-1,786777\n",
    "lockers.csv": "printed,encoded\n101,7\n102,9\n",
}


def load(folder: Path, toml: str = GOOD, files: dict[str, str] = FILES) -> Site:
    for name, text in {"site.toml": toml, **files}.items():
        (folder / name).write_text(text, encoding="utf-8")
    return load_site(folder / "site.toml")


def refusal(folder: Path, toml: str) -> str:
    with pytest.raises(DefinitionError) as caught:
        load(folder, toml)
    sentence = str(caught.value)
    assert "\n" not in sentence
    assert str(folder) not in sentence
    return sentence


def test_a_good_site(tmp_path: Path) -> None:
    site = load(tmp_path)
    assert (site.name, site.zone.key, site.as_of) == ("Brackwater Terminal", "Europe/Amsterdam", date(2026, 3, 31))
    card = site.kinds["harbour-card"]
    assert (card.namespace, card.key, card.refuses) == ("harbour", ("facility", "number"), True)
    assert card.expect == {"facility": {12, 40}}
    assert card.number_in({"number": 5, "facility": 12}) == (12, 5)
    locker = site.kinds["locker"]
    assert (locker.namespace, locker.refuses) == ("locker", False)
    assert locker.value.decode("102") == {"number": 9}
    gate = site.readers["east-gate"]
    assert gate.clock_offset == timedelta(seconds=-200)
    assert gate.periods[0].codec.decode("02F764DD") == gate.periods[0].codec.decode("49767645")
    assert site.readers["lockers"].stream is not None
    assert site.readers["quay"].periods[0].codec.schema.keys() == {"facility", "number"}
    assert site.rules.active == ("active",)
    assert site.rules.one_active_issue
    target = site.targets["gatehouse"]
    assert target.conversion.convert("01200345") == str((12 << 16) + 345)
    assert target.existing is not None


def test_a_period_includes_its_begin_and_excludes_its_end(tmp_path: Path) -> None:
    yard = load(tmp_path).readers["yard"]
    noon = datetime(2026, 3, 14, 11, tzinfo=UTC)  # 12:00 in Amsterdam, an hour before summer time
    assert yard.period(noon - timedelta(microseconds=1)) is yard.periods[0]
    assert yard.period(noon) is yard.periods[1]


def test_a_gap_between_periods_is_in_none(tmp_path: Path) -> None:
    gap = GOOD.replace("from = 2026-03-14T12:00:00+01:00", "from = 2026-03-15T12:00:00+01:00")
    yard = load(tmp_path, gap).readers["yard"]
    assert yard.period(datetime(2026, 3, 15, tzinfo=UTC)) is None


def test_rows_are_loaded(tmp_path: Path) -> None:
    rows = load_rows(load(tmp_path))
    assert [row.credential for row in rows.credentials] == ["C-1"]
    assert rows.readings[0].time == datetime(2026, 3, 14, 10, 3, 19, tzinfo=UTC)
    assert [held.text for held in rows.existing["gatehouse"]] == ["786777"]


def test_a_site_is_frozen(tmp_path: Path) -> None:
    site = load(tmp_path)
    with pytest.raises(AttributeError):
        site.name = "East"  # type: ignore[misc]  # mypy says it too: that is the point
    with pytest.raises(TypeError):
        site.kinds["x"] = site.kinds["locker"]  # type: ignore[index]  # the same


def test_an_export_may_declare_how_it_is_written(tmp_path: Path) -> None:
    toml = GOOD.replace(
        'existing = "gatehouse.csv"', 'existing = { path = "old.csv", delimiter = ";", encoding = "iso-8859-1" }'
    )
    site = load(tmp_path, toml)
    (tmp_path / "old.csv").write_bytes("person_id;text\nP-é;1\n".encode("iso-8859-1"))
    assert load_rows(site).existing["gatehouse"][0].person == "P-é"


def test_kinds_of_one_namespace_may_be_written_in_different_ways(tmp_path: Path) -> None:
    more = '\n[kinds.old-card]\nnamespace = "harbour"\nvalue = "hex:6/fields:facility:8,number:16"\n'
    site = load(tmp_path, GOOD + more + 'key = ["facility", "number"]\n')
    assert site.kinds["old-card"].number_in(site.kinds["old-card"].value.decode("0C0159")) == (12, 345)


FAULTS = {
    "unknown table": ("[rules]", "[rule]", "site.toml: 'rule' is not a key here", "did you mean rules?"),
    "unknown key": ("clock_offset", "clock_offest", "east-gate: 'clock_offest' is not", "did you mean clock_offset?"),
    "missing key": ('name = "Brackwater Terminal"\n', "", "site.toml: site.name is missing: a text is needed", ""),
    "missing table": (
        '[files.readings]\npath = "readings.csv"\n',
        "",
        "files.readings is missing: a table is needed",
        "",
    ),
    "wrong type": ('time_zone = "Europe/Amsterdam"', "time_zone = 1", "site.time_zone must be a text, not 1", ""),
    "number for flag": ("[rules]", "[rules]\none_active_issue = 1", "one_active_issue must be true or false", "not 1"),
    "flag for number": ("clock_offset = -200", "clock_offset = true", "clock_offset must be a whole number", "True"),
    "table for text": ('column = "text(8)"', "column = {}", "targets.gatehouse.column must be a text", ""),
    "number for table": (
        "{ facility = [12, 40] }",
        "3",
        "kinds.harbour-card.expect must be a table, not 3",
        "",
    ),
    "number for reader": ("[rules]", "[readers]\nx = 3\n[rules]", "site.toml: readers.x must be a table, not 3", ""),
    "zone": ("Europe/Amsterdam", "Europe/Amsterdm", "site.time_zone: 'Europe/Amsterdm'", "Europe/Amsterdam?"),
    "zone that is a path": ("Europe/Amsterdam", "../Amsterdam", "site.time_zone: '../Amsterdam' is not", ""),
    "as_of with quotes": ("as_of = 2026-03-31", 'as_of = "2026-03-31"', "as_of must be a date such as", "'2026-03-31'"),
    "as_of with time": ("as_of = 2026-03-31", "as_of = 2026-03-31T00:00:00Z", "site.as_of must be a date such as", ""),
    "encoding": (
        'path = "credentials.csv"',
        'path = "credentials.csv"\nencoding = "utf8x"',
        "files.credentials.encoding",
        "'utf8x'",
    ),
    "not a text encoding": (
        'path = "credentials.csv"',
        'path = "credentials.csv"\nencoding = "hex"',
        "files.credentials.encoding",
        "",
    ),
    "delimiter": (
        'path = "credentials.csv"',
        'path = "credentials.csv"\ndelimiter = ";;"',
        "files.credentials.delimiter",
        "';;'",
    ),
    "time": (
        'path = "readings.csv"',
        'path = "readings.csv"\ntime = "locl"',
        "files.readings.time: 'locl' is not offset, local or a pattern such as DD.MM.YYYY hh:mm:ss",
        "did you mean local?",
    ),
    "no time of credentials": (
        'path = "credentials.csv"',
        'path = "credentials.csv"\ntime = "local"',
        "files.credentials: 'time' is not a key here",
        "keys are path, encoding, delimiter",
    ),
    "codec": ("decimal:26/wiegand-26", "decimal:26/weigand-26", "east-gate.chain", "did you mean wiegand-26?"),
    "chain that does not link": (
        '"hex:8/right-justified:26/wiegand-26", "decimal:26/wiegand-26"',
        '"hex:8/wiegand-26"',
        "site.toml: readers.east-gate.chain: chain hex:8/wiegand-26",
        "right-justified:26 between them?",
    ),
    "chain without fields": (
        'chain = "template:{number:03d}"',
        'chain = "decimal:10"',
        "readers.lockers.chain: the chain goes from text to bits",
        "expected text to fields",
    ),
    "chain without a text": ("binary/gate-25", "gate-25", "readers.quay.chain: the chain goes from bits to", ""),
    "chain that cannot read": (
        'chain = "template:{number:03d}"',
        'chain = "decimal:24/keep-low:24/serial-32/select:number"',
        "readers.lockers.chain: chain",
        "cannot read",
    ),
    "options that differ": (
        '"decimal:26/wiegand-26"]',
        '"decimal:32/serial-32"]',
        "readers.east-gate.chain: choice",
        "serial-32",
    ),
    "no chain": ('chain = "binary/gate-25"', "chain = []", "readers.quay.chain: at least one chain", ""),
    "chain and periods": (
        '[readers.yard]\nkind = "harbour-card"',
        '[readers.yard]\nkind = "harbour-card"\nchain = "binary/gate-25"',
        "readers.yard: exactly one of chain, periods",
        "",
    ),
    "neither": ('chain = "binary/gate-25"\n', "", "readers.quay: exactly one of chain, periods is needed", ""),
    "reader without the key": (
        'chain = "binary/gate-25"',
        'chain = "decimal:32/serial-32"',
        "readers.quay.chain: it gives number, but harbour-card needs facility",
        "",
    ),
    "key": (
        'key = ["facility", "number"]',
        'key = ["facilty", "number"]',
        "kinds.harbour-card.key: 'facilty' is not one of facility, number",
        "did you mean facility?",
    ),
    "key twice": ('key = ["facility", "number"]', 'key = ["number", "number"]', "kinds.harbour-card.key", "twice"),
    "no key": ('key = ["facility", "number"]', "key = []", "kinds.harbour-card.key: at least one field", ""),
    "printed in other fields": (
        'printed = "template:{number:05d}"',
        'printed = "template:{serial:05d}"',
        "kinds.harbour-card.printed: it gives serial, but value gives facility, number",
        "",
    ),
    "expect of no field": ("expect = { facility", "expect = { facilty", "kinds.harbour-card.expect", "facility?"),
    "expect of no numbers": ("[12, 40]", '["12"]', "kinds.harbour-card.expect: facility is '12', not a whole", ""),
    "notes": ('notes = "count"', 'notes = "ignore"', "locker.notes must be one of refuse, count, not 'ignore'", ""),
    "kind of a reader": (
        '[readers.quay]\nkind = "harbour-card"',
        '[readers.quay]\nkind = "harbor-card"',
        "readers.quay.kind: there is no kind 'harbor-card'",
        "did you mean harbour-card?",
    ),
    "kind of a target": (
        '[targets.gatehouse]\nkind = "harbour-card"',
        '[targets.gatehouse]\nkind = "card"',
        "targets.gatehouse.kind: there is no kind 'card'",
        "",
    ),
    "stream": ("keypad:hex:1/keypad-4", "keypad-4", "readers.lockers.stream: stream 'keypad-4'", ""),
    "clock": ("clock_offset = -200", "clock_offset = 999999999", "east-gate.clock_offset is 999999999, outside", ""),
    "periods that overlap": (
        "from = 2026-03-14T12:00:00+01:00",
        "from = 2026-03-14T10:59:59Z",
        "readers.yard.periods 2.from",
        "may not overlap",
    ),
    "period without an offset": (
        "from = 2026-03-14T12:00:00+01:00",
        "from = 2026-03-14T12:00:00",
        "readers.yard.periods 2.from must be a time with its offset",
        "",
    ),
    "second period without begin": (
        "from = 2026-03-14T12:00:00+01:00",
        "",
        "readers.yard.periods 2.from: only the first",
        "",
    ),
    "first period without end": ("until = 2026-03-14T12:00:00+01:00", "", "periods 1.until: only the last", ""),
    "period the wrong way round": (
        "from = 2026-03-14T12:00:00+01:00",
        "from = 2026-03-14T12:00:00+01:00\nuntil = 2026-03-14T12:00:00+01:00",
        "readers.yard.periods 2.until",
        "is not after",
    ),
    "target that needs more": (
        'chain = "decimal:24/fields:facility:8,number:16"\ncolumn',
        'chain = "decimal:32/fields:site:8,facility:8,number:16"\ncolumn',
        "targets.gatehouse.chain: target decimal:32",
        "site",
    ),
    "target that cannot write": (
        'chain = "decimal:24/fields:facility:8,number:16"\ncolumn',
        'chain = "hex:8/keep-low:24/fields:facility:8,number:16"\ncolumn',
        "targets.gatehouse.chain: chain hex:8/keep-low:24",
        "cannot write",
    ),
    "column": ('"text(8)"', '"varchar(8)"', "targets.gatehouse.column: 'varchar(8)' is not text, text(N), int32", ""),
    "column of nothing": ('"text(8)"', '"text(0)"', "targets.gatehouse.column: 'text(0)'", ""),
    "unsigned 64": ('"text(8)"', '"uint64"', "targets.gatehouse.column: 'uint64'", ""),
    "active and gone": ('gone = ["returned"]', 'gone = ["active"]', "rules.gone: 'active' cannot be both", ""),
    "active and inactive": (
        "[rules]",
        '[rules]\ninactive = ["active"]',
        "rules.inactive: 'active' cannot be both active and inactive",
        "",
    ),
    "active and inactive, own words": (
        "[rules]",
        '[rules]\nactive = ["in use"]\ninactive = ["in use"]',
        "rules.inactive: 'in use' cannot be both",
        "",
    ),
    "active as an inactive word": (
        "[rules]",
        '[rules]\nactive = ["in use"]\ninactive = ["active"]',
        "rules.inactive: 'active' cannot be both",
        "",
    ),
    "text for a list": ('gone = ["returned"]', 'gone = "returned"', "rules.gone must be a list of texts", ""),
    "layout": ('fields = { facility = "0-7"', 'fields = { facility = "0-6"', "layouts: layout gate-25: bit 7", ""),
    "list": ("map:lockers,number", "map:locker,number", "kinds.locker.value", "did you mean lockers?"),
    "not TOML": ("[rules]", "[rules", "site.toml: the file is not TOML", "line"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_one_sentence_with_file_and_key(tmp_path: Path, name: str) -> None:
    right, wrong, *parts = FAULTS[name]
    assert right in GOOD
    sentence = refusal(tmp_path, GOOD.replace(right, wrong, 1 if right.startswith("path") else -1))
    assert sentence.startswith("site.toml: ")
    for part in parts:
        assert part in sentence


USUAL = ("lost", "stolen", "suspended", "expired", "returned", "destroyed", "blocked")


def statuses(folder: Path, rules: str, *words: str) -> tuple[str, ...]:
    """The statuses of rows that have these words, or of none if the site refuses them."""
    head, row = FILES["credentials.csv"].splitlines()
    text = "\n".join((head, *(row.replace("active", word) for word in words)))
    site = load(folder, GOOD.replace("[rules]", f"[rules]\n{rules}"), {**FILES, "credentials.csv": text})
    return tuple(row.status for row in load_rows(site).credentials)


def test_the_usual_words_for_a_status_are_known(tmp_path: Path) -> None:
    assert statuses(tmp_path, "", "active", *USUAL) == ("active", *USUAL)
    with pytest.raises(DefinitionError, match=r"credentials\.csv line 2: status 'Lost' .* did you mean lost\?"):
        statuses(tmp_path, "", "Lost")


def test_a_site_declares_its_own_words_for_a_status(tmp_path: Path) -> None:
    own = 'active = ["in use", "suspended"]\ninactive = ["mislaid"]'
    assert statuses(tmp_path, own, "in use", "suspended", "mislaid", "returned") == (
        "in use", "suspended", "mislaid", "returned",
    )  # fmt: skip
    for word in ("active", "lost"):  # neither declared, nor usual any more
        with pytest.raises(DefinitionError, match=f"credentials.csv line 3: status '{word}' is none of the words"):
            statuses(tmp_path, own, "mislaid", word)


@pytest.mark.parametrize(
    ("where", "column"),
    [('path = "credentials.csv"', "value"), ('path = "readings.csv"', "text"), ('path = "lockers.csv"', "printed")],
)
def test_a_site_strips_the_columns_that_it_names(tmp_path: Path, where: str, column: str) -> None:
    def site_with(strip: str) -> Site:
        return load(tmp_path, GOOD.replace(where, f"{where}\nstrip = {strip}"), files)

    files = {**FILES, "credentials.csv": FILES["credentials.csv"].replace("01200345", "01200345\u00a0")}
    files["readings.csv"] = FILES["readings.csv"].replace("786777", "\t786777 ")
    if column == "printed":  # a list with white space in it is refused
        files["lockers.csv"] = FILES["lockers.csv"].replace("101,7", "101 ,7")
    for strip in ("true", f'["{column}"]'):
        site = site_with(strip)
        rows = load_rows(site)
        assert (rows.credentials[0].value == "01200345") == (column == "value")
        assert (rows.readings[0].text == "786777") == (column == "text")
        assert site.kinds["locker"].value.decode("101") == {"number": 7}


def test_what_a_site_may_not_strip(tmp_path: Path) -> None:
    where = 'path = "credentials.csv"'
    for strip in ('["valeu"]', '"value"', "1", '["text"]'):
        with assert_refused(DefinitionError):
            load(tmp_path, GOOD.replace(where, f"{where}\nstrip = {strip}"))


def test_the_cure_for_white_space_is_what_the_site_file_needs(tmp_path: Path) -> None:
    """Each is pasted into the site file, which then strips the column."""
    site = load(tmp_path)
    export = site.targets["gatehouse"].existing
    assert export is not None
    assert site.credentials.describe_stripping("value") == 'strip = ["value"] under [files.credentials] takes it off'
    assert site.readings.describe_stripping() == "strip = true under [files.readings] takes it off"
    line, _, table = export.describe_stripping("text").partition(" under ")
    assert table == "[targets.gatehouse] takes it off"
    cured = load(tmp_path, GOOD.replace('existing = "gatehouse.csv"', line)).targets["gatehouse"].existing
    assert cured == replace(export, strip=frozenset({"text"}), site_key="{} under [targets.gatehouse.existing]")


@pytest.mark.parametrize(("rules", "held"), [("", True), ('near_ids = "hold"', True), ('near_ids = "accept"', False)])
def test_near_ids_are_held_unless_accepted(tmp_path: Path, rules: str, held: bool) -> None:
    assert load(tmp_path, GOOD.replace("[rules]", f"[rules]\n{rules}")).rules.holds_near_ids == held
    with assert_refused(DefinitionError):
        load(tmp_path, GOOD.replace("[rules]", '[rules]\nnear_ids = "acept"'))


def test_a_usual_word_may_be_declared_active(tmp_path: Path) -> None:
    site = load(tmp_path, GOOD.replace("[rules]", '[rules]\nactive = ["active", "suspended"]'))
    assert site.rules.active == ("active", "suspended")
    assert set(site.rules.inactive) == set(USUAL) - {"suspended"}


def test_a_site_without_rules_knows_the_usual_words(tmp_path: Path) -> None:
    start, end = GOOD.index("[rules]"), GOOD.index("[targets.gatehouse]")
    assert set(load(tmp_path, GOOD[:start] + GOOD[end:]).rules.statuses) == {"active", *USUAL}


def test_a_site_needs_a_kind(tmp_path: Path) -> None:
    toml = GOOD[: GOOD.index("[kinds.harbour-card]")]
    assert refusal(tmp_path, toml) == "site.toml: kinds: at least one kind of credential is needed"


def test_kinds_of_one_namespace_have_one_key(tmp_path: Path) -> None:
    sentence = refusal(tmp_path, GOOD.replace("[kinds.locker]", '[kinds.locker]\nnamespace = "harbour"'))
    assert sentence.startswith("site.toml: kinds.locker.key: number differs from facility, number of harbour-card")


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("printed,encoded\n101,7\n101,9\n", "lockers.csv line 3: the printed number 101 is in the list twice"),
        ("printed,encoded\n101,7\n102,7\n", "site.toml: tables: map lockers: 101 and 102 both have the number 7"),
        ("printed,encoded\n1O1,7\n", "lockers.csv line 2: printed is '1O1', not a whole number"),
        ("printed,encoded\n", "site.toml: tables: map lockers: the list is empty"),
    ],
)
def test_lists_are_checked(tmp_path: Path, text: str, part: str) -> None:
    with pytest.raises(DefinitionError) as caught:
        load(tmp_path, files={**FILES, "lockers.csv": text})
    assert str(caught.value).startswith(part)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(DefinitionError, match=r"^nowhere\.toml: the file cannot be read \(No such file"):
        load_site(tmp_path / "nowhere.toml")
    with pytest.raises(DefinitionError, match="cannot be read"):
        load_site(tmp_path)
    (tmp_path / "site.toml").write_bytes(b'[site]\nname = "\xe9"\n')
    with pytest.raises(DefinitionError, match=r"^site\.toml: byte at offset 15 is not utf-8"):
        load_site(tmp_path / "site.toml")


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    assert load(tmp_path, f"\ufeff{GOOD}").name == "Brackwater Terminal"


@pytest.mark.parametrize(
    ("column", "fits", "too_much"),
    [  # the ranges of two's complement and unsigned numbers of 32 and 64 bits, written out by hand
        ("int32", ["0", "2147483647", "-2147483648", "0012"], ["2147483648", "-2147483649", "0C0159", "", "1.5", "١٢"]),
        ("uint32", ["0", "4294967295"], ["4294967296", "-1", "x"]),
        ("int64", ["9223372036854775807", "-9223372036854775808"], ["9223372036854775808"]),
        ("text(3)", ["", "abc"], ["abcd"]),
        ("text", ["", "x" * 4000], []),
    ],
)
def test_columns(column: str, fits: list[str], too_much: list[str]) -> None:
    for text in fits:
        assert Column(declaration=column).problem(text) is None
    for text in too_much:
        assert column in (Column(declaration=column).problem(text) or "")

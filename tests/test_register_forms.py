"""The register's own form of numbers: what a row of it has, or what its chain writes for a number that no row has."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit.crosswalk import Crosswalk, write_outputs
from credkit.facts.numbers import Number, format_number
from credkit.facts.register_forms import encode_number
from credkit.site import load_site
from credkit.site.model import Site
from tests.brackwater import SITE, Files, hexed, made, walk
from tests.commandline import ACCOUNT

UIDS = """
[site]
name = "Brackwater Terminal"
time_zone = "Europe/Amsterdam"
as_of = 2026-03-31
[files.credentials]
path = "credentials.csv"
[files.readings]
path = "readings.csv"
[kinds.crew]
value = "hex:14/uid-a-7"
key = ["uid"]
[kinds.berth]
value = "template:{facility:d}-{number:05d}"
key = ["facility", "number"]
[kinds.either]
namespace = "berth"
value = ["template:{facility:03d}{number:05d}", "template:{facility:d}-{number:d}"]
key = ["facility", "number"]
[kinds.part]
value = "template:{facility:03d}{number:05d}"
key = ["number"]
[readers.gangway]
kind = "crew"
chain = "decimal:56,17/uid-a-7"
[readers.berth-gate]
kind = "berth"
chain = "hex:8/right-justified:26/wiegand-26"
[readers.other-gate]
kind = "either"
chain = "hex:8/right-justified:26/wiegand-26"
"""
SERIAL = "04AB33C4D5E680"  # seven bytes, as a chip of ISO/IEC 14443-3 has them
KINDS = made().kinds


@pytest.fixture
def own(tmp_path: Path) -> Site:
    (tmp_path / "site.toml").write_text(UIDS)
    return load_site(tmp_path / "site.toml")


def table(result: Crosswalk, folder: Path, name: str) -> list[dict[str, str]]:
    write_outputs(result, folder)
    with (folder / name).open(newline="", encoding="utf-8") as file:
        return [*csv.DictReader(file)]


@given(facility=st.integers(0, 999), number=st.integers(0, 99_999), issue=st.integers(0, 99))
def test_a_number_is_written_as_a_row_of_the_register_would_have_it(facility: int, number: int, issue: int) -> None:
    """By Python's own formatting."""
    assert encode_number(KINDS["card"], Number("harbour", (facility, number))) == f"{facility:03d}{number:05d}"
    assert encode_number(KINDS["serial"], Number("serial", (number,))) == str(number)
    assert encode_number(KINDS["stripe"], Number("stripe", (number, issue))) == f"{number:06d} issue {issue}"


@pytest.mark.parametrize(
    ("kind", "values", "text"),
    [
        ("crew", (int(SERIAL, 16),), SERIAL),
        ("berth", (88, 999), "88-00999"),
        ("berth", (88, 1 << 20), "88-1048576"),
        ("either", (88, 999), "88-999"),  # the register has two forms, and nothing says which
        ("part", (999,), "999"),  # the number is a part of the value
        ("crew", (1 << 60,), "1152921504606846976"),  # no chip has it
    ],
)
def test_what_the_register_does_not_write_in_one_form_is_shown_by_its_fields(
    own: Site, kind: str, values: tuple[int, ...], text: str
) -> None:
    number = Number(kind, values)
    if text not in ("88-00999", "88-1048576", SERIAL):
        assert text == format_number(number)
    assert encode_number(own.kinds[kind], number) == text


def test_files_and_sentences_have_the_form_of_the_row(own: Site, tmp_path: Path) -> None:
    files = Files().card("C-1", SERIAL.lower(), kind="crew").card("C-2", SERIAL.lower(), kind="crew")
    files.card("C-3", "12-00345", kind="berth").card("C-4", "x", kind="berth").card("C-5", "12-347", kind="either")
    files.read("berth-gate", hexed(12, 346)).read("other-gate", hexed(12, 346))
    result = walk(own, files)
    rows = table(result, tmp_path / "out", "crosswalk.csv")
    assert {row["credential"]: (row["number"], row["value"]) for row in rows} == {
        "C-1": (str(int(SERIAL, 16)), SERIAL.lower()), "C-2": (str(int(SERIAL, 16)), SERIAL.lower()),
        "C-3": ("12-345", "12-00345"), "C-4": ("", ""), "C-5": ("12-347", "12-347"),
    }  # fmt: skip
    assert [each.subject for each in result.findings if each.code == "duplicate-number"] == [f"crew {SERIAL.lower()}"]
    unknown = {each.subject: each.text for each in result.findings if each.code == "unknown-card"}
    assert unknown["berth-gate"].endswith(": '12-00346'")
    assert unknown["other-gate"].endswith(": '12-346'")


@pytest.mark.parametrize("order", [1, -1])
def test_the_order_of_rows_decides_no_form(own: Site, order: int) -> None:
    """Two rows with one number, whose kinds write it differently."""
    files = Files()
    for credential, value, kind in [("C-1", "88-00999", "berth"), ("C-2", "08800999", "either")][::order]:
        files.card(credential, value, kind=kind)
    (finding,) = [each for each in walk(own, files).findings if each.code == "duplicate-number"]
    assert finding.subject == "berth 08800999"


def test_a_form_is_masked_as_the_number_is(tmp_path: Path) -> None:
    """Digits like those of an account number are masked in both columns; a number computed from bits is not."""
    own = made(
        f'{SITE}\n[kinds.badge]\nvalue = "template:{{number:d}}"\nkey = ["number"]\n'
        '[kinds.word]\nvalue = "hex:14/fields:number:56"\nkey = ["number"]\n'
    )
    word = f"{int(ACCOUNT):014X}"
    files = Files().card("C-1", ACCOUNT, kind="badge").card("C-2", word, kind="word")
    rows = table(walk(own, files), tmp_path / "out", "crosswalk.csv")
    found = {row["credential"]: (row["number"], row["value"]) for row in rows}
    assert found == {"C-1": ("411436******6785", "411436******6785"), "C-2": (ACCOUNT, word)}

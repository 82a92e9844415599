"""Masking hides no ordinary numbers: null tests over serials and stripes that nobody paid with."""

from __future__ import annotations

import re
from pathlib import Path
from random import Random

import pytest

from credkit.crosswalk import write_outputs
from credkit.privacy.accounts import holds_account
from tests.brackwater import SITE, Files, made, walk
from tests.commandline import ACCOUNT, run
from tests.masking import masked_serials, refused_conversions, worn, worn_stripes
from tests.test_cli_masks import PARTED
from tests.tracks import BITS_2, naked, on_medium


def test_of_random_serials_few_look_like_account_numbers() -> None:
    found = masked_serials(40, seed=5)
    assert found.long.total() > 5000
    assert found.short.total() > 3000
    assert not any(found.masked[name] for name in found.short if name not in found.long)
    assert found.share < 1 / 200


def test_no_conversion_of_a_serial_is_refused() -> None:
    done, refused = refused_conversions(200, seed=6)
    assert done > 1000
    assert refused == 0


@pytest.mark.parametrize("errors", [1, 2])
def test_a_worn_stripe_is_no_payment_track(errors: int) -> None:
    found = worn_stripes(400, errors, seed=7)
    assert found["refused"] == 0
    assert found["failing"] > 0.9 * found["rows"]
    assert found["masked"] < 0.05 * found["rows"]


def test_a_worn_payment_track_is_masked_and_only_a_whole_one_ends_the_run(tmp_path: Path) -> None:
    random = Random(8)
    lines = [worn(BITS_2, random, 1) for _ in range(40)]
    path = tmp_path / "gate.txt"
    path.write_text("".join(f"{line}\n" for line in lines if line[20:-13] != BITS_2[20:-13]), encoding="utf-8")
    result = run("decode", "binary/track-2-bits/financial-track-2", "--file", str(path), "--no-hints")
    assert result.exit_code == 1
    assert ACCOUNT[6:-4] not in result.output
    with path.open("a", encoding="utf-8") as file:
        file.write(f"{BITS_2}\n")
    assert run("decode", "binary/track-2-bits/financial-track-2", "--file", str(path), "--no-hints").exit_code == 2


def test_worn_stripes_end_no_crosswalk(tmp_path: Path) -> None:
    random, files = Random(9), Files()
    for number in range(60):
        files.card(f"C-{number}", f"{number:06d}", kind="stripe", issue=1)
        bits = on_medium(f";{number:06d}=01?", 5)
        files.read("kiosk-bits", worn(f"{'0' * 20}{bits}{'0' * 10}", random, 1 + number % 2))
    write_outputs(walk(made(), files), tmp_path / "out")
    assert (tmp_path / "out" / "exceptions.csv").read_text(encoding="utf-8").count("check-failed") > 40


def test_short_inputs_and_computed_numbers_are_never_masked_by_the_search() -> None:
    for text in ("0009912345", "4114360", "04112233445566", f"{int(ACCOUNT):014X}"):
        result = run("identify", text, "--all")
        assert result.exit_code == 0
        assert "*" not in result.stdout
        assert "payment" not in result.stdout
    masked = run("identify", ACCOUNT, "--all").stdout
    assert "uid=****************" in masked
    assert "nfcid2=4689432490514147205" in masked  # the input's other readings are shown


def test_few_labels_of_two_numbers_are_masked() -> None:
    random = Random(10)
    texts = [f"{random.randrange(1, 256)}-{random.randrange(10**11, 1 << 48)}" for _ in range(600)]
    result = run("decode", "template:{manufacturer:d}-{serial:d}", *texts)
    assert result.exit_code == 0
    assert sum("*" in line for line in result.stdout.splitlines()) <= len(texts) / 200


def naked_anywhere(text: str) -> list[str]:
    return naked(re.sub(r"[\s./_:,;'\"-]", "", text))


@pytest.mark.parametrize("text", PARTED)
def test_digits_in_any_form_leave_no_command(tmp_path: Path, text: str) -> None:
    """In every file of a site, as a value, a reading, a text of a target, and as a name."""
    files = Files().card("C-1", text, kind="long").card("C-2", "77", kind="long").card(text, "01200345", person=text)
    files.read("dock", text, "77").read("gate", text).read("kiosk", text).read("dock", "78", expected=text)
    site = tmp_path / "site"
    site.mkdir()
    files.write(site)
    (site / "site.toml").write_text(SITE, encoding="utf-8")
    runs = (
        ("crosswalk", str(site / "site.toml"), "--out", str(tmp_path / "crosswalk")),
        ("census", str(site / "site.toml"), "--out", str(tmp_path / "census")),
        ("audit", str(site / "readings.csv"), "--site", str(site / "site.toml"), "--failures",
         str(tmp_path / "failures.csv"), "--report", str(tmp_path / "report.html")),
    )  # fmt: skip
    whole = "D3012" in text
    for args in runs:
        for more in ((), ("--json",)):
            result = run(*args, *more)
            assert result.exit_code == 2 if whole else result.exit_code in (0, 1), result.output
            assert result.output
            assert not naked_anywhere(result.output), args
    written = [path for path in tmp_path.rglob("*") if path.is_file() and path.parent != site]
    assert bool(written) == (not whole)
    for path in written:
        assert not naked_anywhere(path.read_text(encoding="utf-8")), path


def test_hexadecimal_serials_of_decimal_digits_and_animals_are_shown() -> None:
    """A chain that says what its numbers are, and whose digits are no decimal ones, is reason enough."""
    random = Random(11)
    labels = [f"E004{random.randrange(10**12):012d}" for _ in range(300)]
    animals = [f"372{random.randrange(1 << 38):012d}" for _ in range(300)]
    for name, texts in (("hex:16/uid-15693", labels), ("animal-number", animals)):
        assert any(map(holds_account, texts))
        for args in (("decode", name), ("convert", "--from", name, "--to", name)):
            result = run(*args, *texts)
            assert result.exit_code == 0
            assert "*" not in result.stdout
    for name in ("decimal:56/uid-a-7", "last-digits:8/hex:8/uid-a-4", "last-digits:14/hex:14/uid-a-7"):
        for args in (("decode", name), ("explain", name), ("convert", "--from", name, "--to", name.split("/", 1)[1])):
            assert ACCOUNT[4:-4] not in run(*args, ACCOUNT).output, args


def test_digits_that_come_in_do_not_go_out_as_digits() -> None:
    for target, written in (("decimal:56,17/uid-a-7", ""), ("hex:14/uid-a-7", f"{int(ACCOUNT):014X}")):
        result = run("convert", "--from", "decimal:56/uid-a-7", "--to", target, ACCOUNT)
        assert result.stdout == f"{written}\n"
    assert run("encode", "decimal:56/uid-a-7", f"uid={ACCOUNT}").stdout == "\n"


def test_no_range_beside_a_masked_number_is_shown(tmp_path: Path) -> None:
    files = Files().card("C-1", ACCOUNT, kind="wide").card("C-2", "0000000000012345", kind="wide")
    site = tmp_path / "site"
    site.mkdir()
    files.write(site)
    kind = '[kinds.wide]\nvalue = "template:{number:016d}"\nkey = ["number"]\n'
    for more, count in (("", 0), ('not_payment = "berths"\n', 5)):
        (site / "site.toml").write_text(SITE.replace("[kinds.card]", f"{kind}{more}[kinds.card]"), encoding="utf-8")
        result = run("census", str(site / "site.toml"), "--out", str(tmp_path / "out"))
        rows = (tmp_path / "out" / "ranges.csv").read_text(encoding="utf-8")
        assert rows.count("wide,") == count
        assert ("not_payment" in result.stdout) == (not count)
        if not count:
            assert not naked_anywhere(result.stdout + rows)
            assert "411436012345" not in rows + result.stdout.replace(",", "")

"""Account numbers: driven through every command, and looked for in all that comes out."""

from __future__ import annotations

import re
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import chain
from credkit.explain.cautions import PAYMENT
from tests.amounts import examples
from tests.commandline import ACCOUNT, CHAIN, records, run
from tests.tracks import BITS_1, BITS_2, TRACK_1, TRACK_2, hexadecimal, inverted, leaks, naked, on_medium

PARTED = (  # chip data (EMV Book 3), groups, a spreadsheet's notation
    f"5A08{ACCOUNT}",
    f"5711{ACCOUNT}D30121010000",
    ".".join(re.findall("....", ACCOUNT)),
    ",".join(re.findall("....", ACCOUNT)),
    "\u00a0".join(re.findall("....", ACCOUNT)),
    "4.114360123456785E+15",
)
SECRET_RUNS: list[tuple[str, ...]] = [
    ("formats", ACCOUNT),
    (ACCOUNT,),
    (f"--{ACCOUNT}",),
    ("decode", ACCOUNT),
    ("decode", f"hex:{ACCOUNT}", "1"),
    ("decode", f"strip:{ACCOUNT},", "1"),
    ("decode", "hex:8", "--file", ACCOUNT),
    ("decode", "hex:8", "--layouts", ACCOUNT),
    *[("identify", text) for text in PARTED],
    *[("relate", "04112233", text) for text in PARTED],
    *[
        (*command, *more)
        for more in ((), ("--json",))
        for command in (
            ("decode", "decimal:56/fields:number:56", ACCOUNT),
            ("decode", "decimal:56/fields:number:56", ACCOUNT, ACCOUNT),
            ("decode", "decimal:64,20/fields:number:64", f"0000{ACCOUNT}"),
            ("decode", "decimal:56", ACCOUNT),
            ("decode", "binary", ACCOUNT),
            ("decode", "decimal:16", ACCOUNT),
            ("decode", "strip:;,?", f";{ACCOUNT}=30?"),
            ("decode", "template:{site:06d}{number:010d}", ACCOUNT),
            ("decode", "template:{site:02d}{number:016d}", f"99{ACCOUNT}"),
            ("decode", "last-digits:16", f"99{ACCOUNT}"),
            ("decode", "hex:20/bcd", f"0000{ACCOUNT}"),
            *[
                (name, *chains, text)
                for name, chains in (
                    ("decode", ("hex:8",)),
                    ("explain", ("strip",)),
                    ("convert", ("--from", "strip", "--to", "strip")),
                    ("encode", ("strip",)),
                )
                for text in PARTED
            ],
            ("explain", "decimal:56/fields:number:56", ACCOUNT),
            ("explain", "decimal:56/fields:number:56", f"{ACCOUNT[:4]} {ACCOUNT[4:8]} {ACCOUNT[8:12]} {ACCOUNT[12:]}"),
            ("explain", "binary", ACCOUNT),
            ("explain", "template:{site:02d}{number:016d}", f"99{ACCOUNT}"),
            ("convert", "--from", "decimal:56", "--to", "hex:14", ACCOUNT),
            ("convert", "--from", "decimal:56", "--to", "decimal:56", ACCOUNT),
            ("convert", "--from", "strip:;,?", "--to", "strip", f";{ACCOUNT}?"),
            ("encode", "decimal:56/fields:number:56", f"number={ACCOUNT}"),
            ("encode", "hex:14/fields:number:56", f"number=0{ACCOUNT}"),
            ("encode", "hex:14/fields:number:56", f"{ACCOUNT}=1"),
            ("encode", "strip:;,?", ACCOUNT),
        )
    ],
]


@pytest.mark.parametrize("args", SECRET_RUNS, ids=" ".join)
def test_an_account_number_never_leaves(args: tuple[str, ...]) -> None:
    result = run(*args)
    # Not the number, nor its middle in any split that a drawing or a list could make, nor its bits.
    rows = [line for line in result.output.splitlines() if not line.startswith(" 0 1 2 3")]  # bit numbers
    text = re.sub(r"[\s./_:,-]", "", "".join(rows))
    assert result.output
    assert ACCOUNT not in text
    if any(ACCOUNT in arg for arg in args):
        assert ACCOUNT[6:-4] not in text
    assert f"{int(ACCOUNT):b}" not in text or f"{int(ACCOUNT):014X}" in args
    assert "Traceback" not in result.output


@pytest.mark.parametrize("args", [args for args in SECRET_RUNS if args[0] in ("convert", "encode")], ids=" ".join)
def test_an_account_number_is_not_written_in_any_form(args: tuple[str, ...]) -> None:
    result = run(*args)
    assert result.exit_code == 1
    if "--json" in args:
        assert records(result)[0]["output"] is None
    else:
        assert result.stdout == "\n"


@pytest.mark.parametrize(
    ("args", "shown"),
    [
        (("decode", "decimal:56/fields:number:56", ACCOUNT), f"number    {ACCOUNT}"),
        (("decode", "decimal:56/fields:number:56", ACCOUNT, "--json"), f'"number": {ACCOUNT}'),
        (("explain", "decimal:56/fields:number:56", ACCOUNT), f" {ACCOUNT}\n"),
        (("convert", "--from", "decimal:56", "--to", "hex:14", ACCOUNT), f"{int(ACCOUNT):014X}\n"),
        (("encode", "decimal:56/fields:number:56", f"number={ACCOUNT}"), f"{ACCOUNT}\n"),
    ],
)
def test_reveal_shows_it_for_this_run(args: tuple[str, ...], shown: str) -> None:
    hidden, revealed = run(*args), run(*args, "--reveal")
    assert shown not in hidden.output
    assert shown in revealed.stdout
    assert revealed.exit_code == 0


def test_a_refused_number_says_what_would_write_it() -> None:
    assert "--reveal writes it" in run("encode", "decimal:56/fields:number:56", f"number={ACCOUNT}").stderr


def test_the_numbers_of_a_drawing_are_no_account_number() -> None:
    # Bits 2 to 14 or more, in a row, can look like one: a mask there would spoil the drawing.
    for length in range(13, 65):
        rows = run("explain", f"binary/fields:number:{length}", "0" * length).stdout
        assert " 0 1 2 3 4 5 6 7 8 9 0 1 2" in rows
        assert "*" not in rows.replace("* covered by the check", "")


# Payment tracks, ISO/IEC 7813: in every notation, through chains that fit and chains that do not.

STRIPES = (
    "track-2-bits", "track-1-bits", "track-2-bits:7", "invert/track-2-bits", "reverse-bits/track-1-bits",
    "track-2-bits/financial-track-2", "track-2-bits/track-2:number,rest/select:rest,number",
    "track-1-bits/financial-track-1", "track-2-bits/strip:;,?", "track-2-bits/last-digits:18",
    "track-2-bits/driving-licence-track-2",
)  # fmt: skip
TEXTS = (
    "strip", "strip:;,?", "track:1", "track:2", "track-2", "track-1:site,number", "financial-track-2",
    "track:1/financial-track-1", "track:2/track-2:number,rest/select:rest,number", "last-digits:17", "hex:8",
    "keyboard:de", "keyboard:fr/track:2/financial-track-2", "strip:?/last-digits:17", "decimal:56", "binary",
    "template:{number:05d}", CHAIN,
)  # fmt: skip
WRONG = f"{ACCOUNT[:-2]}95"  # the number with one digit changed
TYPED = {
    "track 2": TRACK_2, "track 1": TRACK_1, "both": TRACK_1 + TRACK_2, "no sentinels": TRACK_2[1:-1],
    "blanks": f"  {TRACK_2}\r", "a wrong digit": TRACK_2.replace(ACCOUNT, WRONG),
    "a wrong character": TRACK_1.replace(ACCOUNT, f"{ACCOUNT[:12]}x{ACCOUNT[13:]}"),
    "no separator": TRACK_2.replace("=", ""), "in a line": f"07:15:02 gate {TRACK_2} ok",
}  # fmt: skip
# Typed under a French and a Spanish layout, where digits need no shift: keys as on the layouts' own drawings.
FOREIGN = {layout: chain(f"keyboard:{layout}").encode(TRACK_2) for layout in ("fr", "es")}


def one_wrong(bits: str, at: int) -> str:
    return f"{bits[:at]}{'10'[int(bits[at])]}{bits[at + 1 :]}"


def in_bits(bits: str) -> dict[str, str]:
    return {
        "bits": bits.strip("0"), "zeros around": bits, "backwards": bits[::-1], "inverted": inverted(bits),
        "inverted, backwards": inverted(bits)[::-1], "a wrong bit": one_wrong(bits, 60),
        "two wrong bits": one_wrong(one_wrong(bits, 60), 90), "no end": bits[:-40],
    }  # fmt: skip


def said(*args: str) -> str:
    """All that comes out of the command, in every form it has; nothing of it is a traceback."""
    output = ""
    for more in ([], ["--json"]):
        result = run(args[0], *more, *args[1:])
        assert result.exit_code in (0, 1), result.output
        output += result.output
    return output


def everything(name: str, value: str) -> str:
    """What `decode` and `explain` say about the value, alone, among others, and with or without hints."""
    return (
        said("decode", name, "--", value)
        + said("decode", "--no-hints", name, "--", value)
        + said("decode", name, "--", value, value)
        + said("explain", name, "--", value)
    )


@pytest.mark.parametrize("name", TEXTS)
@pytest.mark.parametrize("how", TYPED)
def test_a_typed_track_never_leaves(how: str, name: str) -> None:
    value = TYPED[how]
    output = everything(name, value)
    assert output
    assert not leaks(output)


@pytest.mark.parametrize("name", [name for name in TEXTS if name != "strip" and not name.startswith("keyboard")])
@pytest.mark.parametrize("layout", FOREIGN)
def test_a_track_typed_under_another_layout_never_leaves(layout: str, name: str) -> None:
    assert not leaks(everything(name, FOREIGN[layout]), FOREIGN[layout])


@pytest.mark.parametrize("name", STRIPES)
@pytest.mark.parametrize("track", [BITS_1, BITS_2], ids=["track 1", "track 2"])
@pytest.mark.parametrize("every", [3, pytest.param(1, marks=pytest.mark.survey)])
def test_the_bits_of_a_track_never_leave(track: str, name: str, every: int) -> None:
    """Each way in which they may be sent, or every third of these, another one for each name."""
    for bits in [*in_bits(track).values()][STRIPES.index(name) % every :: every]:
        assert not leaks(everything(f"binary/{name}", bits))
        digits = hexadecimal(bits)
        assert not leaks(everything(f"hex/{name}", digits), digits)


def test_a_number_that_is_computed_from_bits_is_shown_and_written() -> None:
    digits = f"{int(ACCOUNT):014X}"
    for args in (
        ("decode", "hex:14/fields:number:56", digits), ("explain", "hex:14/uid-a-7", digits),
        ("decode", "hex:14/uid-a-7", digits, digits),
        ("decode", "decimal:56/fields:number:56/offset:number,1", str(int(ACCOUNT) - 1)),
        ("convert", "--from", "hex:14", "--to", "decimal:56", digits),
        ("convert", "--from", "hex:14/uid-a-7", "--to", "decimal:56,17/uid-a-7", digits),
        ("identify", digits, "--all"),
    ):  # fmt: skip
        for more in ((), ("--json",)):
            result = run(*args, *more)
            assert result.exit_code == 0
            assert ACCOUNT in result.stdout, args
            assert "*" not in result.stdout.replace("* covered by the check", "")


def test_the_search_for_leaks_would_find_them() -> None:
    for output in (
        TRACK_1, TRACK_2, " ".join(TRACK_2), " " + " ".join(BITS_1), f" {ACCOUNT}",
        "-".join(ACCOUNT), BITS_1, " ".join(BITS_2), inverted(BITS_1)[::-1][30:90],
        "x 30121010", "TERM INAL",
    ):  # fmt: skip
        assert leaks(output), output
    assert leaks(f"{hexadecimal(BITS_1)[20:40]}", hexadecimal(BITS_1))
    assert not leaks("411436******6785 " + "*" * 60 + "0" * 60)
    shown = run("decode", "binary/track-2-bits", "--reveal", BITS_2).output
    assert TRACK_2 in shown
    assert leaks(shown)


@examples(20)
@given(st.sampled_from([TRACK_1, TRACK_2]), st.data())
def test_one_changed_character_uncovers_no_digits(track: str, data: st.DataObject) -> None:
    place = data.draw(st.integers(0, len(track) - 1))
    char = data.draw(st.sampled_from(string.printable) | st.characters(exclude_categories=["Cs"]))
    value = track[:place] + char + track[place + 1 :]
    name = data.draw(st.sampled_from(TEXTS))
    assert not naked(re.sub(r"[\s|-]", "", everything(name, value)))


@examples(20)
@given(st.sampled_from([BITS_1, BITS_2]), st.data())
def test_one_changed_bit_uncovers_no_digits(bits: str, data: st.DataObject) -> None:
    place = data.draw(st.integers(20, len(bits) - 14))
    value = one_wrong(bits, place)
    assert not leaks(everything(f"binary/{data.draw(st.sampled_from(STRIPES))}", value))


@pytest.mark.parametrize(
    "args",
    [
        ("convert", "--from", "strip", "--to", "strip", TRACK_2),
        ("convert", "--from", "strip", "--to", "binary/track-2-bits", TRACK_2),
        ("convert", "--from", "binary/track-2-bits", "--to", "strip", BITS_2),
        ("convert", "--from", "binary/track-2-bits", "--to", "hex/track-2-bits", BITS_2),
        ("convert", "--from", "binary/track-2-bits/track-2:n,r", "--to", "binary/track-2-bits/track-2:n,r", BITS_2),
        ("convert", "--from", "binary/track-2-bits/track-2:n,r", "--to", "binary/track-2-bits/track-2:n,r",
         on_medium(TRACK_2.replace(ACCOUNT, WRONG), 5)),
        ("convert", "--from", "track:1/financial-track-1", "--to", "track-1:account,name,expiry,service,discretionary",
         TRACK_1),
        ("convert", "--from", "template:{n:016d}={r:017d}", "--to",
         "binary/track-2-bits/track-2:n,r/digits:n,16/digits:r,17", TRACK_2[1:-1]),
        ("convert", "--from", "template:{a:08d}{b:08d}", "--to", "hex:14/fields:a:28,b:28", ACCOUNT),
        ("convert", "--from", "hex:14/fields:a:28,b:28", "--to", "template:{a:08d}{b:08d}",
         f"{int(ACCOUNT[:8]) << 28 | int(ACCOUNT[8:]):014X}"),
        ("encode", "track-2-bits", TRACK_2),
        ("encode", "binary/track-2-bits", TRACK_2),
        ("encode", "strip", TRACK_1),
        ("encode", "financial-track-2", f"account={ACCOUNT}", "expiry=3012", "service=101", "discretionary=0"),
        ("encode", "binary/track-1-bits/financial-track-1", f"account={ACCOUNT}", "name=TERMINAL/TEST", "expiry=3012",
         "service=101", "discretionary=000"),
        ("encode", "track-2:number,rest", f"number={WRONG}", "rest=30121010000000000"),
        ("encode", "track-2:number,rest", f'{{"number": "{ACCOUNT}", "rest": "30121010"}}'),
    ],
    ids=" ".join,
)  # fmt: skip
def test_a_track_is_not_written_in_any_form(args: tuple[str, ...]) -> None:
    if args[:2] == ("encode", "track-2-bits"):
        assert run(*args).exit_code == 2  # it needs a notation
        return
    output = said(*args)
    result = run(*args)
    assert not leaks(output)
    assert (result.exit_code, result.stdout.strip()) == (1, "")


@pytest.mark.parametrize("name", ["binary/track-2-bits/financial-track-2", "binary/track-2-bits/track-2:number,rest"])
def test_reveal_shows_a_track_for_this_run(name: str) -> None:
    for command in ("decode", "explain"):
        hidden, revealed = run(command, name, BITS_2), run(command, name, BITS_2, "--reveal")
        assert hidden.exit_code == revealed.exit_code == 0
        assert ACCOUNT in revealed.stdout
        assert PAYMENT.split()[0] not in revealed.stdout


def test_a_hidden_row_says_why() -> None:
    assert " ".join(PAYMENT.split()) in " ".join(run("decode", "track-2", TRACK_2).stdout.split())
    assert " ".join(PAYMENT.split()) in " ".join(run("decode", "--help").stdout.split())
    assert "Payment data" not in run("decode", CHAIN, "02F764DD").stdout


def test_a_secret_row_has_no_places_and_no_meanings() -> None:
    (record,) = records(run("decode", "financial-track-2", TRACK_2, "--json"))
    assert {note["kind"] for note in record["notes"]} == {"payment-data"}
    assert all(not each["at"] for each in record["notes"] + record["checks"])
    assert record["fields"] == {
        "account": "411436******6785", "expiry": "****", "service": "***", "discretionary": "*" * 10,
    }  # fmt: skip
    open_record = records(run("decode", "financial-track-2", TRACK_2, "--json", "--reveal"))[0]
    assert {note["kind"] for note in open_record["notes"]} == {"payment-data", "meaning"}


def test_numbers_that_are_none_are_shown() -> None:
    for name, value, shown in (
        ("track-2:number,rest", ";0000045678=2?", "rest      2"),
        ("track-2:number,rest", ";1234567890123456=1?", "number    1234567890123456"),
        ("driving-licence-track-2", ";636000123456786=301220010101?", "number    123456786"),
        ("hex:14/fields:number:56", f"{int(ACCOUNT) + 1:014X}", f"number    {int(ACCOUNT) + 1}"),
    ):
        result = run("decode", name, value)
        assert result.exit_code == 0
        assert shown in result.stdout


def test_a_track_whose_number_has_a_wrong_check_digit_is_not_written() -> None:
    number = f"{ACCOUNT[:-1]}6"
    for steps in ("track-2:number,rest", "binary/track-2-bits/track-2:number,rest"):
        result = run("encode", steps, f"number={number}", "rest=30121010000000000")
        assert result.stdout == "\n"
        assert "--reveal writes it" in result.stderr
        assert number not in result.output
        assert run("encode", steps, f"number={number}", "rest=3012", "--reveal").exit_code == 0


def test_bytes_that_are_digits_of_an_account_are_not_drawn() -> None:
    """The digits two by two in bytes, behind a CRC step: a row of bits hid them, a row of bytes would not."""
    codec = chain("binary/crc-16-arc")
    bits = codec.encode(chain("hex").decode(ACCOUNT))
    shown = run("explain", "binary/crc-16-arc", str(bits)).stdout
    assert " bytes)" in shown
    assert ACCOUNT not in shown.replace(" ", "")
    assert "41 14 36" not in shown

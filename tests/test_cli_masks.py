"""Account numbers: driven through every command, and looked for in all that comes out."""

from __future__ import annotations

import pytest

from tests.commandline import ACCOUNT, records, run

SECRET_RUNS: list[tuple[str, ...]] = [
    ("formats", ACCOUNT),
    (ACCOUNT,),
    (f"--{ACCOUNT}",),
    ("decode", ACCOUNT),
    ("decode", f"hex:{ACCOUNT}", "1"),
    ("decode", f"strip:{ACCOUNT},", "1"),
    ("decode", "hex:8", "--file", ACCOUNT),
    ("decode", "hex:8", "--layouts", ACCOUNT),
    *[
        (*command, *more)
        for more in ((), ("--json",))
        for command in (
            ("decode", "decimal:56/fields:number:56", ACCOUNT),
            ("decode", "decimal:56/fields:number:56", ACCOUNT, ACCOUNT),
            ("decode", "decimal:64,20/fields:number:64", f"0000{ACCOUNT}"),
            ("decode", "decimal:56/fields:number:56/offset:number,1", str(int(ACCOUNT) - 1)),
            ("decode", "hex:14/fields:number:56", f"{int(ACCOUNT):014X}"),
            ("decode", "decimal:56", ACCOUNT),
            ("decode", "binary", ACCOUNT),
            ("decode", "decimal:16", ACCOUNT),
            ("decode", "strip:;,?", f";{ACCOUNT}=30?"),
            ("decode", "template:{site:06d}{number:010d}", ACCOUNT),
            ("decode", "template:{site:02d}{number:016d}", f"99{ACCOUNT}"),
            ("decode", "last-digits:16", f"99{ACCOUNT}"),
            ("explain", "decimal:56/fields:number:56", ACCOUNT),
            ("explain", "decimal:56/fields:number:56", f"{ACCOUNT[:4]} {ACCOUNT[4:8]} {ACCOUNT[8:12]} {ACCOUNT[12:]}"),
            ("explain", "hex:14/fields:number:56", f"{int(ACCOUNT):014X}"),
            ("explain", "binary", ACCOUNT),
            ("explain", "template:{site:02d}{number:016d}", f"99{ACCOUNT}"),
            ("convert", "--from", "decimal:56", "--to", "hex:14", ACCOUNT),
            ("convert", "--from", "decimal:56", "--to", "decimal:56", ACCOUNT),
            ("convert", "--from", "hex:14", "--to", "decimal:56", f"{int(ACCOUNT):014X}"),
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
    text = "".join("".join(rows).split()).replace("-", "")
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

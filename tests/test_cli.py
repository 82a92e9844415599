"""The commands: screens, what they read and write, wrong usage, what it costs to start."""

from __future__ import annotations

import shlex
import subprocess
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

import credkit
from credkit.catalogue.index import READER_TEXTS
from credkit.catalogue.registry import catalogue
from credkit.cli import COMMANDS, EVERY_COMMAND, GROUPS, main
from tests.commandline import (
    BAD,
    CHAIN,
    CREDKIT,
    ENVIRONMENT,
    GOOD,
    KEYS,
    PLAIN,
    on_a_terminal,
    process,
    records,
    run,
)

SCREENS = Path(__file__).with_name("screens")


@pytest.mark.parametrize(
    "path", [p for p in sorted(SCREENS.glob("*.txt")) if p.read_text().startswith("#")], ids=lambda p: p.stem
)
def test_screen(path: Path) -> None:
    text = "".join(line for line in path.read_text().splitlines(keepends=True) if not line.startswith("# "))
    command, _, wanted = text.partition("\n")
    args = shlex.split(command.removeprefix("$ credkit "))
    stdin = b""
    if "<" in args:
        *args, _, name = args
        stdin = (SCREENS / name).read_bytes()
    done = subprocess.run([*CREDKIT, *args], input=stdin, capture_output=True, env=ENVIRONMENT)
    errors = "".join(f"[stderr] {line}\n" for line in done.stderr.decode().splitlines())
    assert f"{done.stdout.decode()}{errors}[exit {done.returncode}]\n" == wanted
    assert max(map(len, done.stdout.decode().splitlines() or [""])) <= 80


@pytest.mark.parametrize("name", [None, *EVERY_COMMAND])
def test_help_fits_and_has_examples(name: str | None) -> None:
    done = subprocess.run([*CREDKIT, *(name or "").split(), "--help"], capture_output=True, env=ENVIRONMENT)
    text = done.stdout.decode()
    assert done.returncode == 0
    assert max(map(len, text.splitlines())) <= 80
    assert f"credkit {name or 'demo'} " in text or f"credkit {name or 'demo'}\n" in text
    assert "Brackwater" in text or name is None
    if name is None:
        assert all(f"  {each} " in text for each in COMMANDS)
        assert "can be copied" in text
        assert "_CREDKIT_COMPLETE" in text


@pytest.mark.parametrize(
    "name", [name for name in EVERY_COMMAND if name not in GROUPS]
)  # they have commands, not options
def test_every_option_has_help(name: str) -> None:
    command: click.Command | None = main
    with click.Context(main) as ctx:
        for word in name.split():
            assert isinstance(command, click.Group)
            command = command.get_command(ctx, word)
    assert command
    options = [param for param in command.params if isinstance(param, click.Option)]
    assert options
    assert all(option.help for option in options)


def test_the_list_has_every_codec_with_its_title() -> None:
    shown = " ".join(run("formats").stdout.split())
    rows = run("formats", "--json")
    assert [row["name"] for row in records(rows)] == list(credkit.names())
    for entry in catalogue():
        assert f"{entry.name}:{entry.signature} " in shown if entry.signature else f"{entry.name} " in shown
        assert " ".join(entry.title.split()) in shown
    for family in ("text to text", "text to bits", "bits to bits", "bits to text", "fields to fields"):
        assert shown.count(family) == 1


def test_the_list_begins_with_texts_of_readers_and_frames_and_ends_with_steps() -> None:
    lines = run("formats").stdout.splitlines()
    assert lines[0].startswith("If a reader shows or types")
    headings = [line for line in lines[1:] if line and not line.startswith(" ")]
    assert headings[0] == "Frames of readers, bits to fields"
    assert [heading.startswith("Steps, ") for heading in headings[5:9]] == [True] * 4
    assert headings[9:] == [
        "Only with a site",
        "credkit formats NAME shows one in full. Steps are joined by / to a chain.",
    ]
    for text, chain in READER_TEXTS:
        assert f"  {text:<26}{chain}" in lines


def test_texts_of_readers_in_the_list_decode_to_what_they_show() -> None:
    """02F764DD is 123 and 45678 between two parity bits, as in `tests/vectors/frames.toml`; the others are plain."""
    values = {text: credkit.decode(chain, text) for text, chain in READER_TEXTS}
    card = {"facility": 123, "number": 45678}
    assert values["02F764DD"] == values["123,45678"] == values["123-45678"] == card
    assert values["04A1B2C3D4E5F6"] == {"uid": 0x04A1B2C3D4E5F6}
    assert values["0049767645"] == {"number": 49767645}
    assert values[";0123=45?"] == {"site": "0123", "number": "45"}


@pytest.mark.parametrize("name", credkit.names())
def test_every_codec_can_be_shown(name: str) -> None:
    shown = run("formats", name)
    assert shown.exit_code == 0
    assert max(map(len, shown.stdout.splitlines())) <= 80
    entry = credkit.get(name)
    assert all(
        example.given[:8] in " ".join(shown.stdout.split()) for example in entry.examples[:1] if example.given.isalnum()
    )
    assert all(alias in shown.stdout for alias in entry.aliases)
    (row,) = records(run("formats", name, "--json"))
    assert (row["name"], row["title"], row["source"]) == (entry.name, entry.title, entry.source)


def test_a_layout_says_where_its_bits_are() -> None:
    (row,) = records(run("formats", "WIEGAND26", "--json"))  # the name of ANSI/ASHRAE 135 Annex P
    assert row["fields"] == [
        {"name": "facility", "least": 0, "most": 255, "bits": "1-8"},
        {"name": "number", "least": 0, "most": 65535, "bits": "9-24"},
    ]
    checks = row["checks"]
    assert isinstance(checks, list)
    assert [(c["rule"], c["at"], c["covers"]) for c in checks] == [
        ("even-parity", "0", "1-12"),
        ("odd-parity", "25", "13-24"),
    ]


def test_a_step_with_arguments_can_be_shown() -> None:
    assert "bits 8-23, 0 to 65535" in run("formats", "fields:facility:8,number:16").stdout
    refused = run("formats", CHAIN)
    assert refused.exit_code == 2
    assert "is a chain" in refused.stderr


def test_json_has_exactly_the_keys() -> None:
    good, bad = records(run("decode", CHAIN, GOOD, BAD, "--json"))
    assert list(good) == list(bad) == KEYS
    assert (good["input"], good["ok"], good["error"]) == (GOOD, True, None)
    assert good["fields"] == {"facility": 123, "number": 45678}
    assert (bad["ok"], bad["fields"]) == (False, None)
    assert "bit 25 is 0, expected 1 (character 7 of the text, 'C')" in str(bad["error"])
    checks = bad["checks"]
    assert isinstance(checks, list)
    assert checks[2] == {
        "codec": "wiegand-26", "rule": "odd-parity", "at": [25], "covers": list(range(13, 25)), "expected": "1",
        "found": "0", "passed": False,
    }  # fmt: skip
    hints = bad["hints"]
    assert isinstance(hints, list)
    assert set(hints[0]) == {"cause", "text", "chain", "value", "evidence"}


def test_json_of_a_chain_that_gives_bits_or_text_has_a_value() -> None:
    (bits,) = records(run("decode", "hex:2", "0A", "--json"))
    assert list(bits) == [*KEYS, "value"]
    assert (bits["fields"], bits["value"]) == (None, "00001010")
    (text,) = records(run("decode", "strip:ID,", "ID7", "--json"))
    assert text["value"] == "7"
    (none,) = records(run("decode", "hex:2", "0", "--json"))
    assert (none["ok"], none["value"]) == (False, None)


def test_json_of_encode_and_convert_has_an_output() -> None:
    (encoded,) = records(run("encode", CHAIN, "facility=123", "number=45678", "--json"))
    assert list(encoded) == [*KEYS, "output"]
    assert (encoded["output"], encoded["input"]) == (GOOD, "facility=123 number=45678")
    good, bad = records(run("convert", "--from", CHAIN, "--to", PLAIN, GOOD, BAD, "--json"))
    assert list(good) == [*KEYS, "output"]
    assert (good["output"], bad["output"]) == ("8106606", None)  # 123 * 65536 + 45678
    (bits,) = records(run("convert", "--from", "hex:2", "--to", "binary", "0A", "--json"))
    assert (bits["output"], bits["value"]) == ("00001010", "00001010")


def test_notes_are_shown_and_do_not_fail_a_value() -> None:
    value = credkit.get("gsa-75").examples[0].given
    one, many = run("decode", "binary/gsa-75", value), run("decode", "binary/gsa-75", value, value)
    assert (one.exit_code, many.exit_code) == (0, 0)
    assert "parity-not-judged (care)" in one.stdout
    (row,) = records(run("decode", "binary/gsa-75", value, "--json"))
    assert row["notes"] == [
        {
            "kind": "parity-not-judged", "level": "care", "at": [0, 74],
            "text": "no source gives the span of the two parity bits: they are read and written, never judged",
        }
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("line", "output", "error"),
    [
        ("facility=1 number=1", "02020002", None),  # SIA AC-01 rule: 10000000100000000000000010
        ('{"number": 1, "facility": 1}', "02020002", None),
        ("  facility=01\tnumber=1 ", "02020002", None),
        ("facility=256 number=1", None, "facility is 256, outside 0 to 255"),
        ("facility=1", None, "the field number is missing"),
        ("facility=1 number=1 issue=1", None, "there is no field"),
        ("facility=1 number=1 number=2", None, "given twice"),
        ('{"number": 1, "number": 2}', None, "given twice"),
        ('{"number": 1.5, "facility": 1}', None, "not a whole number"),
        ('{"number": true, "facility": 1}', None, "not a whole number"),
        ('{"number": "1", "facility": 1}', None, "not a whole number"),
        ("facility=0x1 number=1", None, "is not written FIELD=NUMBER"),
        ("facility=١ number=1", None, "is not written FIELD=NUMBER"),
        ("facility", None, "is not written FIELD=VALUE"),
        ("=1", None, "is not written FIELD=VALUE"),
        ("", None, "there is no FIELD=VALUE"),
        ("{", None, "is not a JSON object"),
        ('{"a":' + "[" * 5000, None, "is not a JSON object"),
        ('{"facility": ' + "1" * 5000 + "}", None, "is not a JSON object"),
        ("facility=" + "1" * 5000, None, "is not written FIELD=NUMBER"),
        ("facility=1 number=-1", None, "number is -1, outside 0 to 65535"),
    ],
)
def test_encode_reads_pairs_and_objects(line: str, output: str | None, error: str | None) -> None:
    result = run("encode", CHAIN, "--json", stdin=f"{line}\n")
    (row,) = records(result)
    assert (row["output"], row["input"]) == (output, line)
    assert error in str(row["error"]) if error else row["error"] is None
    assert result.exit_code == int(output is None)
    assert run("encode", CHAIN, stdin=f"{line}\n").stdout == f"{output or ''}\n"


@pytest.mark.parametrize(("track", "most"), [("track-1", 79), ("track-2", 40), ("track-3", 107)])
def test_a_track_longer_than_its_standard_is_written_and_noted(track: str, most: int) -> None:
    """79, 40 and 107 characters, sentinels and LRC included (ISO/IEC 7813, 4909); as text, as bits, and converted."""
    said = f"{most + 1} characters on the track, its LRC included, are more than the {most} of the standard"
    for size, noted in ((most - 3, False), (most - 2, True)):
        number = "1" * size
        for command in (
            ("encode", track, f"part1={number}"),
            ("encode", f"binary/{track}-bits/{track}:number", f"number={number}"),
            (
                "convert",
                "--from",
                "track-3:n" if track != "track-3" else "track-2:n",
                "--to",
                f"{track}:n",
                f";{number}?",
            ),
        ):
            done = run(*command)
            assert done.exit_code == 0
            assert done.stdout.strip()
            assert (done.stderr == f"credkit: value 1: {said}\n") == noted
            assert bool(done.stderr) == noted
            (row,) = records(run(*command, "--json"))
            assert [note["kind"] for note in row["notes"] if said in note["text"]] == ["over-long"] * noted
            assert row["output"] == done.stdout.strip()


def test_encode_from_bits_and_text() -> None:
    assert run("encode", "hex:2", "00001010").stdout == "0A\n"
    assert run("encode", "strip:ID,", "7", "8").stdout == "ID7\nID8\n"
    assert "is not binary digits" in run("encode", "hex:2", "00002").stderr


def test_a_row_never_gets_lost_in_a_conversion() -> None:
    result = run("convert", "--from", CHAIN, "--to", PLAIN, stdin=f"{GOOD}\nnonsense\n\n{GOOD}\n")
    assert result.stdout == "8106606\n\n\n8106606\n"
    assert [line.split(":")[1] for line in result.stderr.splitlines()[:2]] == [" line 2", " line 3"]
    assert result.exit_code == 1


@pytest.mark.parametrize("given", [(GOOD,), (GOOD, BAD), (GOOD, "--json"), (BAD,)])
def test_chains_of_convert_are_arguments_as_those_of_decode_or_options(given: tuple[str, ...]) -> None:
    short, long = run("convert", CHAIN, PLAIN, *given), run("convert", "--from", CHAIN, "--to", PLAIN, *given)
    assert (short.output, short.exit_code) == (long.output, long.exit_code)
    assert short.exit_code == int(BAD in given)


def test_errors_of_many_values_wrap_and_lose_nothing() -> None:
    """On a terminal; for a program each value, with what would explain it, stays on lines of its own."""
    values = GOOD, "2F764DD", "0" * 40
    shown = click.unstyle(on_a_terminal(["decode", CHAIN, *values], TERM="xterm"))
    assert max(map(len, shown.splitlines())) <= 80
    piped = run("decode", CHAIN, *values).stdout.splitlines()
    assert [line.split()[0] for line in piped if not line.startswith(" ")] == [GOOD, "2F764DD", "0" * 33 + "…"]
    text = " ".join(shown.split())
    assert "FAILED hex:8 form: found '2F764DD', 7 characters, expected 8 hexadecimal digits" in text
    assert f"FAILED hex:8 form: found '{'0' * 40}', 40 characters, expected 8 hexadecimal digits" in text
    assert "…" not in text.replace("000…", "")


def test_screens_name_the_base_of_positions_and_the_character() -> None:
    for command in ("decode", "explain"):
        shown = run(command, CHAIN, BAD).stdout
        assert "(character 7 of the text, 'C')" in shown
        assert BAD[7] == "C"
        assert shown.count("Positions are counted from 0.") == 1
        assert "counted from" not in run(command, CHAIN, GOOD).stdout


def test_a_failed_check_stands_out_by_word_and_weight() -> None:
    """SGR 1 is bold (ECMA-48); colour is only besides, and without it the word is left."""
    shown = CliRunner().invoke(main, ["explain", CHAIN, BAD], color=True).stdout
    failed = [line for line in shown.splitlines() if "FAILED" in line]
    assert len(failed) == 2
    assert all("\x1b[1mFAILED" in line.replace("\x1b[31m", "") for line in failed)
    assert "\x1b" not in run("explain", CHAIN, BAD).stdout


def test_a_lossy_chain_warns_once() -> None:
    cutting = ("convert", "--from", CHAIN, "--to", "decimal:16/fields:number:16/select:number", GOOD, GOOD)
    result = run(*cutting)
    assert result.stdout == "45678\n45678\n"
    assert result.stderr.count("look for duplicates") == 1
    assert all(row["notes"][-1]["kind"] == "lossy" for row in records(run(*cutting, "--json")))
    assert "look for duplicates" in run("decode", "hex:8/keep-low:24", GOOD).stderr
    assert "look for duplicates" not in run("decode", CHAIN, GOOD).stderr


def test_hints_come_for_arguments_and_on_request() -> None:
    assert records(run("decode", CHAIN, BAD, "--json"))[0]["hints"]
    assert not records(run("decode", CHAIN, BAD, "--json", "--no-hints"))[0]["hints"]
    assert not records(run("decode", CHAIN, "--json", stdin=BAD))[0]["hints"]
    assert records(run("decode", CHAIN, "--json", "--hints", stdin=BAD))[0]["hints"]


def test_a_value_that_begins_with_a_hyphen() -> None:
    assert "behind --" in run("decode", "signed-decimal:8", "-2").stderr
    assert "11111110" in run("decode", "signed-decimal:8", "--", "-2").stdout


def test_a_site_has_layouts_of_its_own(tmp_path: Path) -> None:
    own = tmp_path / "gates.toml"
    own.write_text('[gate-4]\nlength = 4\nfields = { number = "0-2" }\nchecks = [{ bit = 3, even = "0-2" }]\n')
    given = ("--layouts", str(own))
    assert "number    5" in run("decode", "binary/gate-4", "1010", *given).stdout
    assert run("encode", "binary/gate-4", "number=5", *given).stdout == "1010\n"
    assert (
        run("convert", "--from", "binary/gate-4", "--to", "decimal:3/fields:number:3", "1010", *given).stdout == "5\n"
    )
    assert (
        "|num" in run("explain", "binary/gate-4", "1010", *given).stdout
        or "number=5" in run("explain", "binary/gate-4", "1010", *given).stdout
    )
    listed = run("formats", *given).stdout
    assert listed.index("bits to fields") < listed.index("  gate-4") < listed.index("\n  wiegand-26")
    assert "even parity over bits 0-2" in run("formats", "gate-4", *given).stdout


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"[gate-4]\nlength = 4\n", "gates.toml: layout gate-4: fields is missing: a table"),
        (b"[gate-4\n", "gates.toml: Expected ']'"),
        (b"\xff\xfe", "gates.toml: byte 0 is not UTF-8"),
        (b"x = 1\n", "gates.toml: layout x"),
    ],
)
def test_a_wrong_layouts_file_is_refused(tmp_path: Path, content: bytes, said: str) -> None:
    own = tmp_path / "gates.toml"
    own.write_bytes(content)
    result = run("decode", "binary/gate-4", "1010", "--layouts", str(own))
    assert (result.exit_code, result.stdout) == (2, "")
    assert said in result.stderr
    assert len(result.stderr.splitlines()) == 1


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        (("facility", "123"), "'facility' is not written FIELD=VALUE"),
        (("facility=", "number=1"), "'facility=' is not written FIELD=NUMBER"),
        (("east gate", "number=1"), "'east' is not written FIELD=VALUE"),
    ],
)
def test_a_wrong_field_is_shown_as_it_was_typed(fields: tuple[str, ...], said: str) -> None:
    assert said in run("encode", CHAIN, *fields).stderr


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("decode", "hex:8/wiegand-26", GOOD), "right-justified:26 between them?"),
        (("decode", "wiegand-26", GOOD), "put a notation in front, such as binary/wiegand-26"),
        (("encode", "wiegand-26", "number=1"), "or hex:8/right-justified:26/wiegand-26"),
        (("decode", "select:number", GOOD), "put a notation and a layout in front"),
        (("decode", "reverse-bytes", GOOD), "such as hex/reverse-bytes"),
        (("decode", "serial-32", GOOD), "or hex:8/serial-32"),
        (("decode", "weigand-26", GOOD), "did you mean wiegand-26?"),
        (("decode", "hex:8//wiegand-26", GOOD), "step 2 at character 6 is empty"),
        (("decode", "decimal:24/keep-low:24/serial-32", "1"), "cannot read"),
        (("encode", "hex:8/keep-low:24/fields:number:24", "number=1"), "cannot write"),
        (("convert", "--from", PLAIN, "--to", "decimal:32/serial-32", "1"), "/select:number at the end of the target"),
        (("convert", "--from", "decimal:32/serial-32", "--to", PLAIN, "1"), "needs facility"),
        (("convert", "--from", PLAIN, "1"), "'--to'"),
        (("convert", "--to", PLAIN, "1"), "'--from'"),
        (("convert", PLAIN), "Two chains are needed"),
        (("decode",), "'CHAIN'"),
        (("decode", CHAIN, "--nonsense"), "--nonsense"),
        (("decode", CHAIN, GOOD, "--file", __file__), "not both"),
        (("decode", CHAIN, "--file", "/nonexistent"), "No such file"),
        (("decode", CHAIN, "--layouts", "/nonexistent"), "No such file"),
        (("formats", "wigand-26"), "did you mean wiegand-26?"),
        (("expain",), "did you mean explain?"),
        (("frobnicate",), "commands are formats"),
        (("--frobnicate",), "--frobnicate"),
    ],
)
def test_wrong_usage_is_one_sentence_and_no_output(args: tuple[str, ...], said: str) -> None:
    result = run(*args, stdin=GOOD)
    assert (result.exit_code, result.stdout) == (2, "")
    assert said in result.stderr
    assert len(result.stderr.splitlines()) == 1
    assert result.stderr.startswith("credkit")


def test_nothing_at_all_shows_the_help() -> None:
    assert run().exit_code == 0
    assert "Commands:" in run().stdout
    assert run("--version").stdout == f"credkit {credkit.__version__}\n"


def test_a_chain_is_refused_before_standard_input_is_read() -> None:
    waiting = process(["decode", "hex:8/wiegand-26"])
    assert waiting.wait(timeout=20) == 2  # its input is still open
    waiting.communicate()


def test_shell_completion_offers_commands_and_codecs() -> None:
    def offered(words: str, last: int) -> list[str]:
        asked = {"_CREDKIT_COMPLETE": "bash_complete", "COMP_WORDS": words, "COMP_CWORD": str(last)}
        done = subprocess.run([*CREDKIT], capture_output=True, env={**ENVIRONMENT, **asked})
        return [line.partition(",")[2] for line in done.stdout.decode().splitlines()]

    assert offered("credkit exp", 1) == ["explain"]
    assert offered("credkit decode hex:8/wiegand-2", 2) == ["hex:8/wiegand-26"]
    assert offered("credkit formats wiegand-2", 2) == ["wiegand-26"]


@pytest.mark.parametrize(
    "content",
    [
        "[a]\nlength = " + "9" * 5000,
        "a = " + "[" * 3000,
        "a = " + "{a=" * 2000,
        "[a]\nlength = 0x" + "F" * 5000,
        "[a]\nlength = 4\nfields = { n = { bits = '0-3', most = 0x" + "F" * 5000 + " } }",
        "[a]\nlength = 4\nfields.n = '0-3'\nexamples = [{ bits = '0101', fields = [[0x" + "F" * 5000 + "]] }]",
        "[wiegand-26]\nlength = 4\nfields.n = '0-3'",
    ],
    ids=["digits", "lists", "tables", "hex length", "hex most", "hex example", "a built-in name"],
)
def test_hostile_layouts_are_one_sentence(content: str, tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_text(content)
    result = run("decode", "binary/wiegand-26", "1", "--layouts", str(file))
    assert result.exit_code == 2
    assert result.stderr.startswith("credkit: ")
    assert len(result.stderr) < 400
    assert "Traceback" not in result.output


@pytest.mark.parametrize(
    ("args", "output"),
    [
        (("name=A\\B",), "%A\\B?"),
        (("name=A\\B", "rest=1"), "%A\\B^1?"),
        (("name=O'BRIEN'S",), "%O'BRIEN'S?"),
        (("name=EAST GATE",), "%EAST GATE?"),
        (('name=EAST "A" GATE', "rest="), '%EAST "A" GATE^?'),
        (("name='EAST GATE' rest=007",), "%EAST GATE^007?"),
    ],
)
def test_texts_are_written_as_they_are_given(args: tuple[str, ...], output: str) -> None:
    names = "name,rest" if "rest" in " ".join(args) else "name"
    assert run("encode", f"track-1:{names}", *args).stdout == f"{output}\n"
    if len(args) == 1 and " " not in args[0].removeprefix("name='EAST"):
        assert run("encode", f"track-1:{names}", stdin=f"{args[0]}\n").stdout == f"{output}\n"

"""Diagnosis: every fault that is made here by hand is among the causes, named right, and none is applied."""

from __future__ import annotations

import random

import pytest
from bitstring import Bits

from credkit import chain
from credkit.core.codec import AnyCodec
from credkit.explain.diagnosis import Hint, describe_next_step, diagnose, order_alternatives, passed_evidence
from tests.commandline import run

BINARY = chain("binary/wiegand-26")
HEX = chain("hex:8/right-justified:26/wiegand-26")
CARD = {"facility": 123, "number": 45678}
FRAME = "10111101110110010011011101"  # the card above by the rule of SIA AC-01 (1996)


def hinted(hints: tuple[Hint, ...], cause: str) -> list[Hint]:
    return [hint for hint in hints if hint.cause == cause]


def test_a_value_that_reads_fine_has_no_hints() -> None:
    assert diagnose(BINARY, FRAME) == ()
    assert describe_next_step(()) is None


def inverted(text: str) -> str:
    return text.translate(str.maketrans("01", "10"))


@pytest.mark.parametrize(
    ("cause", "text"),
    [("inverted", inverted(FRAME)), ("reversed-bits", FRAME[::-1])],
)
def test_orders_on_the_wire(cause: str, text: str) -> None:
    (hint,) = hinted(diagnose(BINARY, text), cause)
    assert hint.value == CARD
    assert hint.chain is not None
    assert chain(hint.chain).decode(text) == CARD
    assert hint.evidence == 2  # two parity bits: one random frame in four would do as well


@pytest.mark.parametrize(
    ("cause", "text"),
    [
        ("reversed-bytes", "DD64F702"),
        ("swapped-nibbles", "207F46DD"),
        ("reversed-bits-in-bytes", "40EF26BB"),
        ("inverted", "FD089B22"),
    ],
)
def test_orders_of_a_word(cause: str, text: str) -> None:
    """02F764DDh, by hand: bytes backwards, digits swapped, bits of each byte backwards, F minus each digit."""
    (hint,) = hinted(diagnose(HEX, text), cause)
    assert hint.value == CARD


@pytest.mark.parametrize(("where", "lost", "added"), [("last", FRAME[:-1], "before"), ("first", FRAME[1:], "behind")])
def test_a_shifted_frame_says_which_bit_it_lost(where: str, lost: str, added: str) -> None:
    found = []
    for bit in "01":
        text = bit + lost if added == "before" else lost + bit
        found += [h for h in hinted(diagnose(BINARY, text), "shifted") if h.value == CARD]
    assert found
    assert all(f"its {where} bit lost" in hint.text for hint in found)


def test_a_flipped_bit_is_narrowed_to_the_failing_parity() -> None:
    for bit in range(26):
        text = FRAME[:bit] + inverted(FRAME[bit]) + FRAME[bit + 1 :]
        (hint,) = hinted(diagnose(BINARY, text), "flipped-bit")
        assert ("bits 0-12" if bit < 13 else "bits 13-25") in hint.text
        assert hint.value is None, "thirteen frames would do: none is proposed"


def test_a_single_error_that_the_checks_locate_is_proposed() -> None:
    """Row and column parity locate any single bit: common practice, no source. The search knows no format."""
    from credkit import layout_entries

    table = {
        "length": 8,
        "fields": {"number": "0-1,3-4"},
        "checks": [
            {"bit": 2, "even": "0-1"},
            {"bit": 5, "even": "3-4"},
            {"bits": "6-7", "xor": ["0-1", "3-4"]},
        ],
    }
    square = chain("binary/square-8", layout_entries({"square-8": table}))
    good = square.encode({"number": 0b1001})
    for bit in (0, 1, 3, 4):
        wrong = good[:bit] + inverted(good[bit]) + good[bit + 1 :]
        (hint,) = hinted(diagnose(square, wrong), "flipped-bit")
        assert hint.value == {"number": 0b1001}
        assert f"bit {bit} is flipped" in hint.text


def test_extra_and_lost_bits() -> None:
    (first,) = [h for h in hinted(diagnose(BINARY, "0" + FRAME), "extra-bit") if "first" in h.text]
    (last,) = [h for h in hinted(diagnose(BINARY, FRAME + "1"), "extra-bit") if "last" in h.text]
    assert first.value == last.value == CARD
    (lost,) = hinted(diagnose(BINARY, FRAME[:9] + FRAME[10:]), "lost-bit")
    assert lost.value is None
    assert "must be read again" in lost.text


def test_two_reads_run_together() -> None:
    (twice,) = hinted(diagnose(BINARY, FRAME * 2), "run-together")
    assert twice.value == CARD
    (text,) = hinted(diagnose(HEX, "02F764DD02F764DD"), "run-together")
    assert text.value == CARD
    other = BINARY.encode({"facility": 1, "number": 1})
    (two,) = hinted(diagnose(BINARY, FRAME + other), "run-together")
    assert two.value is None
    assert "number=45678" in two.text
    assert "number=1" in two.text


@pytest.mark.parametrize(
    ("codec", "good", "bad"),
    [(BINARY, FRAME, inverted(FRAME)), (HEX, "02F764DD", "02F764DC"), (HEX, "02F764DD", "02F764DX")],
)
def test_two_reads_of_which_one_fails_did_not_run_together(codec: AnyCodec, good: str, bad: str) -> None:
    assert hinted(diagnose(codec, good + good), "run-together")
    for text in (good + bad, bad + good, bad + bad):
        assert not hinted(diagnose(codec, text), "run-together")


def test_texts_that_were_typed_or_damaged() -> None:
    (zero,) = hinted(diagnose(HEX, "2F764DD"), "lost-zeros")
    assert zero.value == CARD
    short = diagnose(
        chain("decimal:32,10"), "007868770"
    )  # what begins with a zero has lost none: the last digit is missing
    assert [hint.summary for hint in hinted(short, "short-text")] == ["the text is one character short"]
    assert not hinted(short, "lost-zeros")
    assert hinted(diagnose(HEX, "02F764DD\r"), "white-space")[0].value == CARD
    assert not hinted(diagnose(HEX, "02F764DD\r"), "extra-character")  # that is the white space
    assert hinted(diagnose(HEX, "02F764DDX"), "extra-character")[0].value == CARD
    typed = chain("keyboard:de/template:{number:02d}-Z").encode({"number": 7})
    assert [h.value for h in hinted(diagnose(chain("template:{number:02d}-Z"), typed), "keyboard")] == [{"number": 7}]


@pytest.mark.parametrize(
    ("text", "name"),
    [("02F764DD\u00a0", "a no-break space at its end"), ("\ufeff02F764DD ", "a byte order mark at its start")],
)
def test_white_space_that_no_step_takes_off_is_named(text: str, name: str) -> None:
    (hint,) = diagnose(HEX, text)
    assert (hint.cause, hint.value, hint.chain) == ("white-space", CARD, None)
    assert hint.text.startswith(f"it has {name}")
    result = run("identify", text)
    assert result.exit_code == 1
    assert name in " ".join(result.stdout.split())


def test_every_keyboard_layout_that_fits_is_named() -> None:
    """Under the German and the Swedish layout ; types ö, = is a dead acute accent and ? types _ (xkeyboard-config)."""
    codec = chain("track:2/track-2:number,issue")
    hints = diagnose(codec, "ö0123´45_")
    assert [(hint.cause, hint.chain) for hint in hints] == [
        ("keyboard", f"keyboard:{layout}/{codec.name}") for layout in ("de", "se")
    ]
    assert hints[0].value == hints[1].value == {"number": "0123", "issue": "45"}
    assert describe_next_step(hints) == "These layouts read it alike: look which one the computer is set to."
    (danish,) = diagnose(codec, "æ0123´45_")
    assert danish.text == "it was typed under the keyboard layout dk: number=0123 issue=45"


def test_all_causes_that_fit_are_listed_with_what_tells_them_apart() -> None:
    hints = diagnose(BINARY, inverted(FRAME))
    assert len(hints) > 1
    assert "facility code" in str(describe_next_step(hints))
    assert describe_next_step(hints[:1]) is None


def test_inverted_and_reversed_frames_are_alternatives_though_no_check_notices_them() -> None:
    """Both together always pass both parities: 123/45678 becomes a valid 137/45601. Recomputed by hand."""
    text = inverted(FRAME)[::-1]
    assert diagnose(BINARY, text) == ()
    assert BINARY.decode(text) == {"facility": 137, "number": 45601}
    (both,) = [a for a in order_alternatives(BINARY) if a.cause == "inverted-reversed"]
    assert both.codec.decode(text) == CARD


def test_no_hint_is_wrong_about_its_own_chain() -> None:
    source = random.Random(3)
    for _ in range(200):
        text = f"{source.getrandbits(32):08X}"
        for hint in diagnose(HEX, text):
            if hint.chain:
                assert chain(hint.chain).decode(text) == hint.value
                assert hint.evidence == passed_evidence(chain(hint.chain).inspect(text))


@pytest.mark.parametrize("text", ["binary/wiegand-26", "binary/track-2-bits/track-2:number,issue", "hex/track-2-bits"])
def test_nothing_explains_an_empty_value(text: str) -> None:
    for hint in diagnose(chain(text), ""):
        assert hint.cause == "lost-zeros"


def test_a_cause_whose_chain_could_read_nothing_is_not_tried() -> None:
    """Four bits have no bytes to reverse."""
    cut = chain("keep-low:4")
    assert [other.cause for other in order_alternatives(cut)] == ["inverted", "reversed-bits", "inverted-reversed"]
    assert [hint.cause for hint in diagnose(cut, Bits("0b010"))] == ["lost-bit"]


@pytest.mark.parametrize(
    ("steps", "text", "fixed"),
    [
        ("hex:8", "A1:B2:C3:D4", "hex:8,colon"),
        ("hex:8", "A1-B2-C3-D4", "hex:8,hyphen"),
        ("hex:8", "A1 B2 C3 D4", "hex:8,space"),
        ("hex:8", "A1.B2.C3.D4", "hex:8,dot"),
        ("hex:8,lower", "a1:b2:c3:d4", "hex:8,colon,lower"),
        ("hex:8,colon", "A1B2C3D4", "hex:8"),
        ("hex:8,colon", "A1-B2-C3-D4", "hex:8,hyphen"),
        ("strip/hex:8", " A1:B2:C3:D4\r", "strip/hex:8,colon"),
        ("strip:ID,/hex:8/reverse-bytes/uid-a-4", "IDA1:B2:C3:D4", "strip:ID/hex:8,colon/reverse-bytes/uid-a-4"),
    ],
)
def test_other_separators_between_bytes_are_named(steps: str, text: str, fixed: str) -> None:
    (hint,) = [hint for hint in diagnose(chain(steps), text) if hint.cause == "separator"]
    assert hint.chain == fixed
    assert hint.value == chain(fixed).decode(text)


@pytest.mark.parametrize("text", ["A1:B2C3:D4", "A1:B2-C3:D4", "A1:B2:C3", ":A1:B2:C3:D4", "A1::B2:C3:D4"])
def test_what_no_separator_explains_gets_no_such_hint(text: str) -> None:
    assert "separator" not in [hint.cause for hint in diagnose(chain("hex:8"), text)]


@pytest.mark.parametrize("text", ["1.23E+47", "4,11436E+15", "3.05E+09", "1E+12", "-1.2e+10"])
@pytest.mark.parametrize("steps", ["decimal:32", "hex:8/uid-a-4", "strip/decimal:56,17"])
def test_a_number_that_a_spreadsheet_shortened_is_named(steps: str, text: str) -> None:
    """As spreadsheets write long numbers, with either decimal mark (common practice, no source)."""
    hint = next(hint for hint in diagnose(chain(steps), text) if hint.cause == "spreadsheet")
    assert "export it again from the source" in hint.text
    assert hint.value is None


@pytest.mark.parametrize("text", ["123E47", "12.3E+47", "1.23E47", "1.23", "E+47", "1.E+5"])
def test_what_is_no_spreadsheet_notation_is_not_taken_for_it(text: str) -> None:
    assert "spreadsheet" not in [hint.cause for hint in diagnose(chain("decimal:32"), text)]

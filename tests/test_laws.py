"""The laws that every codec, every layout and every chain obeys.

- fields → encode → decode gives the same fields;
- decode(encode(decode(x))) is decode(x);
- any input of the form gives a value or a `DecodeError`, and any output-side value encodes or gives an `EncodeError`;
- `inspect` never raises, is ok exactly when `decode` returns, and then says the same value;
- what decodes lies in the schema, and every place of it comes from places of the input;
- one wrong bit among those that a check judges or covers is reported by that check.

Each test asserts that inputs were both accepted and rejected: a law that accepts nothing proves nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from random import Random
from typing import Any

import pytest
from bitstring import Bits
from hypothesis import given

import credkit
from credkit import DecodeError, DefinitionError, EncodeError, layout_entries
from credkit.catalogue.registry import catalogue
from credkit.codecs.fieldsteps import LookUp
from credkit.codecs.uids import UidForm
from credkit.core.chains import Choice, choice, noted_value
from credkit.core.codec import AnyCodec
from credkit.core.contract import check_fields
from credkit.core.forms import to_raw, to_word
from credkit.tables.layout import FixedBits, LayoutCodec, Parity
from tests.strategies import (
    LOCKERS,
    TYPICAL,
    both_ways,
    built,
    chain_before,
    chain_behind,
    damaged,
    definition,
    noise,
    randoms,
    readable,
    registered,
    site_layouts,
    valid,
)

EVERYTHING_IS_READ = {"strip"}  # white space is taken off any text, so there is nothing to reject


def random_layout(random: Random) -> LayoutCodec:
    codec = layout_entries({"random": definition(random)})[0].build()
    assert isinstance(codec, LayoutCodec)
    return codec


def agreed(codec: AnyCodec, value: Any) -> Any:
    """What ``codec`` decodes, or None; ``inspect`` must say the same, and why."""
    reading = codec.inspect(value)
    try:
        decoded = codec.decode(value)
    except DecodeError as error:
        assert not reading.ok
        assert error.check == reading.failed
        assert error.codec
        assert str(error).startswith(error.codec)
        assert "\n" not in str(error)
        assert noted_value(codec, to_raw(codec.takes, value)) is None
        return None
    assert reading.ok
    assert reading.value == decoded
    given = [step.given for step in reading.steps] or [value]
    texts = tuple(each for each in given if isinstance(each, str))
    assert noted_value(codec, to_raw(codec.takes, value)) == (decoded, reading.notes, texts)
    _origins(codec, value, reading.value, reading.origin)
    return decoded


def _origins(codec: AnyCodec, value: Any, decoded: Any, origin: Any) -> None:
    places = set(value) if isinstance(value, Mapping) else range(len(value))
    of_value = decoded if isinstance(decoded, Mapping) else range(len(decoded))
    for place in of_value:
        assert all(source in places for source in origin(place)), (codec, place)


def obey(codec: AnyCodec, random: Random, seen: Counter[str]) -> None:
    """One round of the laws."""
    meant = valid(random, codec)
    written = None
    try:
        written = codec.encode(meant)
    except EncodeError:
        seen["not written"] += 1
    if written is not None and not codec.lossy:
        assert codec.decode(written) == meant
        seen["written"] += 1
    start = noise(random, codec) if written is None or random.randrange(3) == 0 else written
    given_value = damaged(random, start) if random.randrange(4) else start
    decoded = agreed(codec, given_value)
    if decoded is None:
        seen["rejected"] += 1
    else:
        seen["accepted"] += 1
        if isinstance(decoded, Mapping) and codec.output.schema is not None:
            check_fields(codec.name, codec.schema, decoded)
        if not codec.lossy:
            again = codec.encode(decoded)
            assert codec.decode(again) == decoded
    try:
        codec.encode(damaged(random, meant))
    except EncodeError as error:
        assert "\n" not in str(error)


@pytest.mark.parametrize("text", [*registered(), *site_layouts(), *TYPICAL])
def test_codecs(text: str) -> None:
    codec = built(text)
    seen: Counter[str] = Counter()

    @given(randoms())
    def law(random: Random) -> None:
        if both_ways(codec):
            obey(codec, random, seen)
        else:
            value = readable(random, codec)
            value = damaged(random, value) if random.randrange(2) else value
            seen["rejected" if agreed(codec, value) is None else "accepted"] += 1

    law()
    assert seen["accepted"], "no input was accepted"
    assert seen["rejected"] or text in EVERYTHING_IS_READ, "no input was rejected"
    refuses = isinstance(codec.steps[-1], LookUp | UidForm) or codec.gives == "text" or codec.lossy
    assert refuses or not seen["not written"], "a value of the schema was refused"
    if both_ways(codec) and not codec.lossy:
        assert seen["written"]


def test_random_layouts() -> None:
    seen: Counter[str] = Counter()

    @given(randoms())
    def law(random: Random) -> None:
        codec = random_layout(random)
        for _ in range(4):
            obey(codec, random, seen)

    law()
    assert seen["accepted"]
    assert seen["rejected"]
    assert not seen["not written"]


def test_random_chains() -> None:
    seen: Counter[str] = Counter()

    @given(randoms())
    def law(random: Random) -> None:
        table = definition(random)
        entries = layout_entries({"random": table})
        codec = entries[0].build()
        text = f"{chain_before(random, table['length'])}/random{chain_behind(random, codec.schema)}"
        chained = built(text, entries)
        assert chained.name == text.replace(",/", "/"), "a chain is called by its written form"
        for _ in range(3):
            obey(chained, random, seen)

    law()
    assert seen["accepted"]
    assert seen["rejected"]
    assert not seen["not written"]


@pytest.mark.parametrize("text", [*registered(), *TYPICAL])
def test_names_build_the_same_codec(text: str) -> None:
    codec = built(text)
    again = built(codec.name)
    assert (again.name, again.input, again.output) == (codec.name, codec.input, codec.output)


@pytest.mark.parametrize("text", [*registered(), *TYPICAL])
def test_the_public_calls_are_the_codecs_own(text: str) -> None:
    codec, random = built(text), Random(text)
    for _ in range(5):
        value = valid(random, codec)
        try:
            encoded = codec.encode(value)
        except (EncodeError, DefinitionError) as error:  # the second: a chain that reads only
            with pytest.raises(type(error)) as caught:
                credkit.encode(codec, value)
            assert str(caught.value) == str(error)
        else:
            assert credkit.encode(codec, value) == encoded
            if codec.decode_obstacle is None:
                assert credkit.inspect(codec, encoded) == codec.inspect(encoded)


@pytest.mark.parametrize("text", [*registered(), *TYPICAL])
def test_values_of_another_form_are_decode_errors(text: str) -> None:
    codec = built(text)
    for value in (None, 7, *([] if codec.takes == "bits" else [b"02F764DD"]), (5, 2), (-1, 4), ["1"], 1.5, object):
        with pytest.raises(DecodeError):
            codec.decode(value)


# ── checks ──────────────────────────────────────────────────────────────────────────────────────


def every_layout() -> list[LayoutCodec]:
    named = [entry.name for entry in catalogue()] + list(site_layouts())
    return [codec for name in named if name not in NEED_ARGUMENTS and isinstance(codec := built(name), LayoutCodec)]


NEED_ARGUMENTS = {entry.name for entry in catalogue() if entry.usual != ("",)}


def report_flips(codec: LayoutCodec, fields: Mapping[str, int]) -> int:
    """Turn every bit that a check judges or covers; that check must say so. How many were turned.

    Limits (a BCD digit, a largest value) are left out: one wrong bit may well stay within them.
    """
    frame = codec.encode(fields)
    turned = 0
    for index, check in enumerate(codec.layout.checks):
        if not isinstance(check, Parity | FixedBits):
            continue
        for place in {*check.at, *check.covers}:
            wrong = Bits(frame.bin[:place] and f"0b{frame.bin[:place]}") + Bits(
                f"0b{'10'[int(frame.bin[place])]}{frame.bin[place + 1 :]}"
            )
            reading = codec.inspect(wrong)
            assert not reading.checks[index].passed, (check.rule, place)
            with pytest.raises(DecodeError):
                codec.decode(wrong)
            turned += 1
    return turned


@pytest.mark.parametrize("codec", every_layout(), ids=str)
def test_a_flipped_checked_bit_is_reported(codec: LayoutCodec) -> None:
    random = Random(26)
    judged = any(isinstance(check, Parity | FixedBits) for check in codec.layout.checks)
    for _ in range(3):
        assert (report_flips(codec, valid(random, codec)) > 0) == judged


def test_a_flipped_checked_bit_is_reported_by_random_layouts() -> None:
    turned = 0

    @given(randoms())
    def law(random: Random) -> None:
        nonlocal turned
        codec = random_layout(random)
        turned += report_flips(codec, valid(random, codec))

    law()
    assert turned > 100


def test_evidence_is_what_random_frames_pass() -> None:
    """A random frame passes a check of n bits of evidence once in 2 ** n: counted over all frames of 16 bits."""
    table = {
        "length": 16,
        "fields": {"digits": {"bits": "0-7", "code": "bcd"}, "number": {"bits": "8-10", "most": 4}},
        "fixed": {"11": "1"},
        "checks": [{"bit": 12, "odd": "0-11"}, {"bits": "13-15", "crc": "0-12", "poly": 3}],
    }
    codec = layout_entries({"all": table})[0].build()
    assert isinstance(codec, LayoutCodec)
    layout = codec.layout
    passed = [0] * len(layout.checks)
    for word in range(1 << 16):
        for index, fault in enumerate(layout.faults(word)):
            passed[index] += not fault
    for check, count in zip(layout.checks, passed, strict=True):
        assert count / (1 << 16) == pytest.approx(2**-check.evidence), check.rule


# ── projections ─────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("text", [text for text in registered() if built(text).is_projection])
def test_projections_cut_once(text: str) -> None:
    """A projection has no inverse; it cuts the same in both directions, and a second cut changes nothing."""
    codec = built(text)
    seen: Counter[str] = Counter()

    @given(randoms())
    def law(random: Random) -> None:
        size = codec.length if codec.takes == "bits" else None
        value = valid(random, codec) + valid(random, codec) if size is None else noise(random, codec)
        cut = agreed(codec, value)
        if cut is None:
            seen["rejected"] += 1
            with pytest.raises(EncodeError):
                codec.encode(value)
            return
        assert codec.encode(value) == cut
        seen["accepted"] += 1
        if text.startswith("slice"):  # bits 2 to 4 of three bits are not there: compared with a plain slice instead
            assert cut == value[2:5]
        else:
            assert codec.decode(cut) == cut

    law()
    assert seen["accepted"]


@pytest.mark.parametrize("text", [text for text in registered() if built(text).is_projection])
def test_projections_make_a_chain_lossy(text: str) -> None:
    front, behind = ("strip", "") if built(text).takes == "text" else ("binary", "")
    assert built(f"{front}/{text}{behind}").lossy
    assert not built(front).lossy


# ── choice ──────────────────────────────────────────────────────────────────────────────────────


def test_choice_obeys_the_laws() -> None:
    codec = choice(built("binary:26/wiegand-26"), built("binary:34/wiegand-34"))
    assert isinstance(codec, Choice)
    seen: Counter[str] = Counter()

    @given(randoms())
    def law(random: Random) -> None:
        option = random.choice(codec.options)
        fields = valid(random, option)
        text = option.encode(fields)
        assert codec.decode(text) == fields
        value = damaged(random, text)
        seen["rejected" if agreed(codec, value) is None else "accepted"] += 1
        seen["accepted"] += agreed(codec, text) is not None

    law()
    assert seen["accepted"]
    assert seen["rejected"]


# ── a site's list ───────────────────────────────────────────────────────────────────────────────


def test_every_number_of_a_list_goes_both_ways() -> None:
    codec = built("template:{number:05d}/map:lockers,number")
    for printed, encoded in LOCKERS.items():
        assert codec.decode(f"{printed:05d}") == {"number": encoded}
        assert codec.encode({"number": encoded}) == f"{printed:05d}"
    with pytest.raises(DecodeError, match="a number of the list lockers"):
        codec.decode("00001")


def test_words_and_bits_are_the_same() -> None:
    """Inside a chain bits travel as a number and a length: leading zeros and no bits at all must survive."""
    for digits in ("", "0", "1", "0001", "0" * 70, "1" * 70):
        bits = Bits(f"0b{digits}") if digits else Bits()
        assert to_word(bits) == (int(digits or "0", 2), len(digits))

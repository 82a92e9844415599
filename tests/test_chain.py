"""Chains: what is refused when they are built, what they say, one-way chains, choices, conversions."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import (
    CredkitError,
    DecodeError,
    DefinitionError,
    EncodeError,
    Field,
    TextField,
    UnknownCodec,
    chain,
    choice,
    conversion,
    convert,
    decode,
    encode,
    inspect,
)
from credkit.core.chains import link
from credkit.core.codec import AnyCodec
from credkit.core.grammar import format_step, parse_chain
from tests.amounts import fewest
from tests.sentences import refusal
from tests.strategies import both_ways, built, randoms, registered, valid

CARD = {"facility": 123, "number": 45678}

# ── refused when built ──────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("text", "mended"),
    [
        (
            "hex:8/wiegand-26",
            "hex:8/right-justified:26/wiegand-26",
        ),
        (
            "hex:8/fields:facility:8,number:16",
            "hex:8/right-justified:24/fields:facility:8,number:16",
        ),
        (
            "strip/wiegand-26",
            "strip/binary/wiegand-26",
        ),
        (
            "hex:8/select:number",
            "hex:8/serial-32/select:number",
        ),
        (
            "strip/select:number",
            "strip/binary/wiegand-26/select:number",
        ),
    ],
)
def test_a_missing_step_is_named(text: str, mended: str) -> None:
    with refusal(DefinitionError) as caught:
        chain(text)
    assert str(caught.value).startswith(f"chain {text}: ")
    assert chain(mended).gives == "fields"


@pytest.mark.parametrize(
    "text",
    [
        "hex:6/wiegand-26",
        "hex:6/right-justified:26",
        "binary:26/reverse-bytes",
        "hex:,colon/wiegand-26",
        "hex:4/keep-low:24",
        "hex:8/hex:8",
        "wiegand-26/hex:8",
        "wiegand-26/wiegand-26",
        "serial-32/select:facility",
        "wiegand-26/select:card=numbr",
        "wiegand-26/select:card=number/offset:number,5",
        "wiegand-26/select:card=number,256=facility",
        "wiegand-26/map:lockers,facilty",
    ],
)
def test_what_can_never_work_is_refused(text: str) -> None:
    with refusal(DefinitionError):
        built(text)


@pytest.mark.parametrize(
    ("text", "kind", "said"),
    [
        ("", DefinitionError, "chain '': step 1 at character 0 is empty"),
        ("hex:8//wiegand-26", DefinitionError, "step 2 at character 6 is empty"),
        ("hex:8/", DefinitionError, "step 2 at character 6 is empty"),
        ("Hex:8", DefinitionError, "step 1 at character 0: 'Hex' is not a codec name"),
        ("hex 8", DefinitionError, "'hex 8' is not a codec name"),
        ("template:{a:03d}/{b:05d}", DefinitionError, "a / in the text of a template is written %2F"),
        ("strip:a%2fb", DefinitionError, "% must be one of %2F, %2C, %25"),
        ("strip:50%", DefinitionError, "% must be one of %2F, %2C, %25"),
        ("hexx:8", UnknownCodec, "no codec is called 'hexx'; did you mean hex?"),
        ("weigand-26", UnknownCodec, "no codec is called 'weigand-26'; did you mean wiegand-26?"),
        ("map:lockers,number", UnknownCodec, "map:TABLE,FIELD needs a list: [tables.TABLE] in a site file"),
        ("choice:a,b", UnknownCodec, "a choice is a list of chains in a site file"),
        ("wiegand-26:8", DefinitionError, "wiegand-26: takes no arguments, not '8'"),
    ],
)
def test_what_is_no_chain(text: str, kind: type[CredkitError], said: str) -> None:
    with pytest.raises(kind) as caught:
        chain(text)
    assert said in str(caught.value)


def test_anything_written_is_a_chain_or_refused() -> None:
    seen = {"built": 0, "refused": 0}
    names = [*registered(), "select:number", "offset:number,5", "slice:0-3", "hex:2", "keep-low:8"]

    @given(randoms())
    def law(random: Random) -> None:
        steps = [random.choice(names) for _ in range(random.randint(1, 4))]
        if random.randrange(4) == 0:
            place = random.randrange(len(steps))
            steps[place] = steps[place].replace(random.choice("0123456789:,-"), random.choice(("", "٣", "%", "/")))
        try:
            codec = built("/".join(steps))
        except CredkitError as error:
            assert "\n" not in str(error)
            seen["refused"] += 1
            return
        seen["built"] += 1
        if both_ways(codec) and not codec.lossy:
            try:
                value = codec.encode(valid(random, codec))
            except EncodeError:
                return
            assert codec.encode(codec.decode(value)) == codec.encode(codec.decode(codec.encode(codec.decode(value))))

    law()
    assert seen["built"] > fewest(10)
    assert seen["refused"] > fewest(10)


@given(st.lists(st.text("ab/,%:", max_size=5), max_size=3))
def test_steps_are_read_as_they_are_written(args: list[str]) -> None:
    while args and not args[-1]:
        args.pop()
    [found] = parse_chain(format_step("strip", *args))
    assert (found.name, list(found.args)) == ("strip", args)


def test_chains_of_chains_are_flat() -> None:
    whole = link([chain("hex:8"), chain("right-justified:26/wiegand-26")])
    assert [each.name for each in whole.steps] == ["hex:8", "right-justified:26", "wiegand-26"]
    assert whole.name == "hex:8/right-justified:26/wiegand-26"
    with refusal(DefinitionError):
        link([])


def test_what_a_chain_takes_and_gives() -> None:
    codec = chain("hex:8/right-justified:26/wiegand-26/select:card=number,site=facility")
    assert (codec.takes, codec.gives, codec.length, codec.lossy) == ("text", "fields", None, False)
    assert codec.schema == {"card": Field(name="card", most=65535), "site": Field(name="site", most=255)}
    offset = chain("binary/wiegand-26/offset:number,20000")
    assert offset.schema["number"] == Field(name="number", least=20000, most=85535)


# ── failures are traced to the text ─────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("text", "value", "place"),
    [
        ("hex:8/right-justified:26/wiegand-26", "00F764DD", (1,)),
        ("hex:8,colon/right-justified:26/wiegand-26", "00:F7:64:DD", (1,)),
        ("strip/hex:8/right-justified:26/wiegand-26", " \t00F764DD\r", (3,)),
        ("hex:8/reverse-bytes/right-justified:26/wiegand-26", "DD64F700", (7,)),
        ("hex:8/invert/right-justified:26/wiegand-26", "FF089B22", (1,)),
        ("decimal:26/wiegand-26", "16213213", tuple(range(8))),
        ("binary:26/wiegand-26/select:card=number,124=facility", "10111101110110010011011101", tuple(range(1, 9))),
        ("keyboard:fr/strip:ID,/hex:8/right-justified:26/wiegand-26", "IDààF-'TD", (8,)),
    ],
)
def test_a_failure_deep_in_a_chain_has_its_place_in_the_text(text: str, value: str, place: tuple[int, ...]) -> None:
    codec = chain(text)
    with refusal(DecodeError) as caught:
        codec.decode(value)
    if not text.startswith("keyboard"):
        assert caught.value.place == place
    else:
        assert caught.value.place


def test_a_chain_keeps_the_reading_of_every_step() -> None:
    reading = inspect("hex:8/right-justified:26/wiegand-26", "02F764DD")
    assert [each.codec for each in reading.steps] == ["hex:8", "right-justified:26", "wiegand-26"]
    assert [check.rule for check in reading.checks] == ["padding", "even-parity", "odd-parity"]
    assert sum(check.evidence for check in reading.checks) == 8.0
    assert reading.origin("facility") == (1, 2, 3)  # bits 7 to 14 of the word
    broken = inspect("hex:8/right-justified:26/wiegand-26", "02F764D")
    assert [each.codec for each in broken.steps] == ["hex:8"]
    assert broken.value is None


# ── chains that serve one way ───────────────────────────────────────────────────────────────────


def test_a_chain_that_reads_only() -> None:
    codec = chain("hex:8/keep-low:24/fields:number:24")
    assert codec.lossy
    assert codec.decode("02F764DD") == codec.decode("FFF764DD") == {"number": 0xF764DD}
    with refusal(DefinitionError):
        codec.encode({"number": 5})


def test_a_chain_that_writes_only() -> None:
    codec = chain("decimal:24/keep-low:24/serial-32")
    assert codec.lossy
    assert codec.encode({"number": 0x01_000005}) == codec.encode({"number": 5}) == "5"
    with refusal(DefinitionError):
        codec.decode("5")
    with refusal(DefinitionError):
        codec.inspect("5")


def test_a_selection_that_leaves_fields_out_reads_only() -> None:
    codec = chain("binary/wiegand-26/select:number")
    assert codec.lossy
    assert codec.decode("10111101110110010011011101") == {"number": 45678}
    with refusal(DefinitionError):
        codec.encode({"number": 45678})


def test_a_demanded_constant_makes_the_same_selection_whole() -> None:
    codec = chain("binary:26/wiegand-26/select:number,123=facility")
    assert not codec.lossy
    assert codec.encode({"number": 45678}) == "10111101110110010011011101"
    with refusal(DecodeError, rule="is-facility"):
        codec.decode("10000000100000000000000010")


# ── choice ──────────────────────────────────────────────────────────────────────────────────────


def pair() -> AnyCodec:
    return choice(chain("binary:26/wiegand-26"), chain("binary:34/wiegand-34"))


def test_a_choice_takes_what_exactly_one_option_takes() -> None:
    codec = pair()
    assert codec.decode("10111101110110010011011101") == CARD
    assert codec.decode("0000000000111101110110010011011100") == CARD
    assert codec.schema == {name: Field(name=name, most=65535) for name in ("facility", "number")}
    assert codec.encode({"facility": 256, "number": 1}) == chain("binary:34/wiegand-34").encode(
        {"facility": 256, "number": 1}
    )


def test_a_choice_never_picks() -> None:
    both = choice(chain("hex:8/serial-32"), chain("decimal:32/serial-32"))
    with refusal(DecodeError, rule="choice", place=()):
        both.decode("00000005")
    with refusal(DecodeError, rule="choice", place=()):
        both.decode("xyz")
    with refusal(EncodeError):
        pair().encode(CARD)
    with refusal(EncodeError):
        pair().encode({"facility": 65536, "number": 1})


def test_frames_that_no_check_tells_apart_are_not_chosen_between() -> None:
    """37 bits with and without a facility code have the same parities: every valid frame fits both."""
    codec = choice(
        chain("wiegand-37-facility/select:number"), chain("wiegand-37"),
    )  # fmt: skip
    frame = chain("wiegand-37").encode({"number": 45678})
    with refusal(DecodeError, rule="choice", place=()):
        codec.decode(frame)


@pytest.mark.parametrize(
    "options",
    [
        ("hex:8",),
        ("hex:8", "serial-32"),
        ("wiegand-26", "serial-32"),
        ("hex:8/serial-32", "decimal:24/keep-low:24/serial-32"),
    ],
)
def test_choices_that_cannot_be(options: tuple[str, ...]) -> None:
    with refusal(DefinitionError):
        choice(*(chain(option) for option in options))


@pytest.mark.parametrize("order", [1, -1])
def test_a_choice_of_digits_or_any_text_takes_any_text(order: int) -> None:
    digits, free = chain("track-2:number"), chain("hex/ndef:number:text-en")
    assert digits.schema == {"number": TextField(name="number", letters="0123456789:<>")}
    assert free.schema == {"number": TextField(name="number")}
    codec = choice(*(chain("strip/" + each.name) for each in (digits, free)[::order]))
    assert codec.schema["number"] == TextField(name="number")
    for text in ("0123", "Kai 7"):
        assert codec.schema["number"].problem(text) is None
    assert codec.encode({"number": "Kai 7"}) == free.encode({"number": "Kai 7"})
    narrow = choice(chain("track-2:number"), chain("track-1:number"))
    assert narrow.schema["number"].problem("kai") is not None


def test_a_choice_in_a_chain() -> None:
    codec = link([chain("strip"), pair(), chain("select:site=facility,card=number")])
    assert codec.decode(" 10111101110110010011011101\r") == {"site": 123, "card": 45678}


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("hex:8/right-justified:26/WIEGAND26", "hex:8/right-justified:26/wiegand-26"),
        ("decimal:16,5/SIMPLE_NUMBER16", "decimal:16,5/number-16"),
    ],
)
def test_names_of_an_open_standard_stand_in_chains(text: str, name: str) -> None:
    """ANSI/ASHRAE 135 Annex P (names of formats)."""
    assert chain(text).name == name
    assert chain(text).schema == chain(name).schema
    assert parse_chain(text)[-1].name == text.rpartition("/")[2]


@pytest.mark.parametrize("name", ["Wiegand26", "wIEGAND26", "_WIEGAND26", "26WIEGAND", "WIEGAND-26", "WIEGAND26_é"])
def test_names_of_mixed_writing_are_none(name: str) -> None:
    with refusal(DefinitionError):
        chain(f"binary/{name}")


# ── conversion ──────────────────────────────────────────────────────────────────────────────────


def test_a_field_that_is_needed_and_missing_is_named_before_the_first_row() -> None:
    with refusal(DefinitionError):
        conversion(chain("decimal:32/serial-32"), chain("binary/wiegand-26"))


def test_surplus_fields_are_left_out_only_where_the_target_says_so() -> None:
    source, target = "binary/wiegand-26", "decimal:16,5/number-16"
    with refusal(DefinitionError):
        conversion(chain(source), chain(target))
    made = conversion(chain(source), chain(f"{target}/select:number"))
    assert made.dropped == ("facility",)
    assert made.lossy
    assert made.convert("10111101110110010011011101") == "45678"


def test_forms_must_meet() -> None:
    with refusal(DefinitionError):
        conversion(chain("hex:8/serial-32"), chain("hex:8"))
    with refusal(DefinitionError):
        conversion(chain("hex:8"), chain("decimal:24"))


def test_one_way_chains_are_refused_on_the_wrong_side() -> None:
    reads, writes = chain("hex:8/keep-low:24/fields:number:24"), chain("decimal:24/keep-low:24/serial-32")
    for source, target in ((writes, reads), (reads, reads)):
        with refusal(DefinitionError):
            conversion(source, target)
    assert conversion(reads, writes).convert("02F764DD") == str(0xF764DD)
    assert conversion(reads, writes).lossy


def test_a_conversion_is_lossy_by_its_source_by_its_target_or_by_what_it_leaves_out() -> None:
    whole, cut = "hex:8/fields:number:32", "hex:8/keep-low:24/fields:number:24"
    shortened, one = "decimal:24/keep-low:24/serial-32", "decimal:16/fields:number:16/select:number"
    for source, target, lossy in (
        (whole, "decimal:32/serial-32", False),
        (cut, "decimal:24/fields:number:24", True),
        (whole, shortened, True),
        ("binary/wiegand-26", one, True),
        ("decimal:16/fields:number:16", one, False),
    ):
        assert conversion(chain(source), chain(target)).lossy == lossy


def test_conversions_never_cut_unless_told() -> None:
    with refusal(EncodeError):
        convert("256,00001", source="split-decimal:16,16/fields:facility:16,number:16", target="binary/wiegand-26")


# ── the verbs ───────────────────────────────────────────────────────────────────────────────────


def test_verbs_take_written_chains_and_codecs() -> None:
    for each in ("hex:8/right-justified:26/wiegand-26", chain("hex:8/right-justified:26/wiegand-26")):
        assert decode(each, "02F764DD") == CARD
        assert encode(each, CARD) == "02F764DD"
        assert inspect(each, "02F764DD").ok
    with refusal(DecodeError, place=()):
        inspect("hex:8", 5)  # type: ignore[call-overload]  # on purpose: a wrong form
    with refusal(EncodeError):
        encode("hex:8/serial-32", 5)  # type: ignore[call-overload]  # on purpose: a wrong form


def test_fields_cannot_be_changed() -> None:
    fields: Any = decode("hex:8/serial-32", "02F764DD")
    with pytest.raises(TypeError):
        fields["number"] = 1


def test_a_chain_has_its_bounds() -> None:
    """Each cause of a failing value is tried at every step: 250 of them took most of a minute."""
    most = "/".join(["hex:8", *["invert"] * 38, "serial-32"])
    assert len(chain(most).steps) == 40
    with refusal(DefinitionError):
        chain(most.replace("invert/", "invert/invert/", 1))
    with refusal(DefinitionError):
        chain("strip:" + "x" * 65_531)

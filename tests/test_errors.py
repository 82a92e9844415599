"""Sentences: account numbers masked, long values shortened, and every codec's sentences with such a number in them."""

from __future__ import annotations

import copy
import functools
import pickle
import re
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from fractions import Fraction
from typing import Any

import pytest
from bitstring import Bits
from hypothesis import given
from hypothesis import strategies as st
from stdnum import luhn

import credkit
from credkit import CredkitError, DecodeError, DefinitionError, EncodeError, UnknownCodec
from credkit.core.sentences import MAX_REPR_CHARACTERS, nearest, redacted_repr
from credkit.explain.diagnosis import describe_next_step, diagnose
from credkit.privacy.accounts import mask_accounts
from credkit.privacy.accountsearch import ISSUERS
from tests.strategies import TYPICAL, built, registered, site_layouts

ACCOUNT = "4114360123456785"  # test number of the WHATWG HTML standard, autofill example


def test_the_test_number_is_one() -> None:
    assert luhn.is_valid(ACCOUNT)


def test_a_name_that_is_offered_is_masked() -> None:
    assert nearest(f"gat {ACCOUNT}", [f"gate {ACCOUNT}"]) == "; did you mean gate 411436******6785?"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (ACCOUNT, "411436******6785"),
        (f"%B{ACCOUNT}^", "%B411436******6785^"),
        (f";{ACCOUNT}=3012101?", ";411436******6785=*******?"),
        ("4114 3601 2345 6785", "4114 36** **** 6785"),
        ("4114-3601-2345-6785", "4114-36**-****-6785"),
        (f"0000{ACCOUNT}", "0000411436******6785"),
        (f"{ACCOUNT} and {ACCOUNT}", "411436******6785 and 411436******6785"),
        ("4114360123456786", "4114360123456786"),  # the check digit is wrong
        ("02F764DD", "02F764DD"),
        ("10111101110110010011011101", "10111101110110010011011101"),
    ],
)
def test_masked(text: str, said: str) -> None:
    assert mask_accounts(text) == said


@pytest.mark.parametrize("beside", [" 301", " 3012101", " 1", "-99"])
def test_digits_beside_an_account_number_do_not_uncover_it(beside: str) -> None:
    assert ACCOUNT not in mask_accounts(ACCOUNT + beside)
    assert ACCOUNT not in mask_accounts(beside[1:] + beside[0] + ACCOUNT)


@given(st.sampled_from(ISSUERS), st.data(), st.text("0123456789", min_size=18, max_size=18))
def test_a_number_is_masked_if_and_only_if_its_check_digit_is_right(
    issuer: tuple[str, str, range], data: st.DataObject, rest: str
) -> None:
    """Luhn by python-stdnum (ISO/IEC 7812-1): of ten last digits one is right."""
    first, last, lengths = issuer
    length = data.draw(st.sampled_from(lengths)) - 1
    body = (str(data.draw(st.integers(int(first), int(last)))) + rest)[:length]
    hidden = [digit for digit in "0123456789" if mask_accounts(body + digit) != body + digit]
    assert hidden == [luhn.calc_check_digit(body)]
    [right] = hidden
    assert mask_accounts(body + right) == body[:6] + "*" * (length + 1 - 10) + body[-3:] + right


def test_published_check_digits_are_those_that_stdnum_finds() -> None:
    """ISO/IEC 7812-1 example 7992739871 → 3; 45 CFR 162: NPI 123456789 with prefix 80840 → 3."""
    assert luhn.calc_check_digit("7992739871") == "3"
    assert luhn.calc_check_digit("80840123456789") == "3"


def test_one_wrong_digit_is_never_masked_and_of_swaps_only_0_and_9() -> None:
    """ISO/IEC 7812-1: every single wrong digit is found, of neighbours swapped only 0 and 9 are missed. Counted."""
    for place in range(6, 16):
        for digit in "0123456789":
            wrong = ACCOUNT[:place] + digit + ACCOUNT[place + 1 :]
            assert (mask_accounts(wrong) != wrong) == (wrong == ACCOUNT)
    missed = set()
    for a in "0123456789":
        for b in "0123456789":
            body = f"41143601{a}{b}34567"
            whole = body + luhn.calc_check_digit(body)
            swapped = whole[:8] + b + a + whole[10:]
            if a != b and mask_accounts(swapped) != swapped:
                missed.add(a + b)
    assert missed == {"09", "90"}


def test_values_are_shortened() -> None:
    for value in ("A" * 500, Bits.from_zeros(500), {"number": 10**300}, 10**300, tuple("A" * 500)):
        text = redacted_repr(value)
        assert len(text) <= MAX_REPR_CHARACTERS + 12
        assert "…" in text
    assert redacted_repr("short") == "'short'"
    assert redacted_repr(10**5000) == "a number of 16610 bits"  # Python itself refuses to print it
    assert redacted_repr({}) == "{}"


def test_control_characters_do_not_reach_a_terminal() -> None:
    assert redacted_repr("\x1b[2J\r\n\ud800") == r"'\x1b[2J\r\n\ud800'"


def test_nearest() -> None:
    assert nearest("decimel", ["hex", "decimal"]) == "; did you mean decimal?"
    assert nearest("xyz", ["hex", "decimal"]) == ""


def test_the_error_tree() -> None:
    for kind, base in (
        (DecodeError, ValueError),
        (EncodeError, ValueError),
        (DefinitionError, ValueError),
        (UnknownCodec, LookupError),
    ):
        assert issubclass(kind, CredkitError)
        assert issubclass(kind, base)


# ── an account number through every codec ───────────────────────────────────────────────────────

BARE = re.compile(r"4114[ -]?3601[ -]?2345[ -]?6785")
TEXTS = (
    ACCOUNT, f"0000{ACCOUNT}", f";{ACCOUNT}=3012101?", "4114 3601 2345 6785", "4114-3601-2345-6785", f"{ACCOUNT},1",
    f"{ACCOUNT} 301", f"x{ACCOUNT}", f"{ACCOUNT}\n", f"ID {ACCOUNT}",
)  # fmt: skip


def sentences(codec: Any, value: Any) -> list[str]:
    """Everything that is said about ``value`` by a codec that decodes it, and about what it decodes to."""
    if codec.decode_obstacle:
        return []
    said = []
    try:
        decoded = codec.decode(value)
    except DecodeError as error:
        said.append(str(error))
    else:
        said += encoding(codec, decoded)
    reading = codec.inspect(value)
    said += [check.sentence() for check in reading.checks]
    said += [note.text for note in reading.notes]
    hints = diagnose(codec, value)
    return [*said, *(hint.text for hint in hints), describe_next_step(hints) or ""]


def encoding(codec: Any, value: Any) -> list[str]:
    try:
        codec.encode(value)
    except CredkitError as error:
        return [str(error)]
    return []


@pytest.mark.parametrize("text", [*registered(), *site_layouts(), *TYPICAL])
def test_no_sentence_holds_an_account_number(text: str) -> None:
    codec = built(text)
    number = int(ACCOUNT)
    said: list[str] = []
    if codec.takes == "text":
        for value in TEXTS:
            said += sentences(codec, value)
    elif codec.takes == "bits":
        for length in {codec.length or 56, 56, 64}:
            said += sentences(codec, Bits(f"0b{number:0{length}b}"))
        said += sentences(codec, Bits(f"0x{ACCOUNT}"))
    else:
        for wrong in (number, ACCOUNT, -1):
            said += sentences(codec, dict.fromkeys(codec.input.schema or ("facility", "number", "card"), wrong))
    if codec.gives == "fields":
        for item in (number, ACCOUNT, f"{ACCOUNT} 301"):
            said += encoding(codec, dict.fromkeys(codec.schema or ("facility", "number", "card"), item))
            said += encoding(codec, {**dict.fromkeys(codec.schema, 0), ACCOUNT: 1})
    elif codec.gives == "text":
        for item in TEXTS:
            said += encoding(codec, item)
        said += encoding(codec, number)
    else:
        for length in (51, 56, 64):
            said += encoding(codec, Bits(f"0b{number:0{length}b}"))
        said += encoding(codec, number)
    assert said, "the codec said nothing"
    for sentence in said:
        assert not BARE.search(sentence), sentence


def test_the_search_for_bare_numbers_would_find_one() -> None:
    assert BARE.search(f"found '{ACCOUNT}'")
    assert BARE.search("found 4114 3601 2345 6785")
    assert not BARE.search(mask_accounts(f"found {ACCOUNT}"))


class Stubborn:
    """An object that cannot be written out."""

    def __str__(self) -> str:
        raise RuntimeError("no")


DEEP: list[Any] = functools.reduce(lambda inner, _: [inner], range(5000), [])


@pytest.mark.parametrize(
    "value", [[10**5000], Fraction(10**5000), Stubborn(), DEEP], ids=["huge", "fraction", "stubborn", "deep"]
)
def test_no_value_of_a_caller_breaks_a_sentence(value: Any) -> None:
    with pytest.raises(DecodeError):
        credkit.decode("hex", value)
    with pytest.raises(EncodeError):
        credkit.encode("binary/wiegand-26", {"facility": value, "number": 1})


@pytest.mark.parametrize(
    ("chain", "value", "front"),
    [
        ("wiegand-26", "02F764DD", "binary/wiegand-26 or hex:8/right-justified:26/wiegand-26"),
        ("serial-32", "02F764DD", "binary/serial-32 or hex:8/serial-32"),
        ("reverse-bytes/serial-32", "02F764DD", "hex/reverse-bytes/serial-32"),
        ("select:number", "45678", "binary/wiegand-26/select:number"),
    ],
)
def test_a_text_for_a_codec_of_bits_is_told_what_belongs_in_front(chain: str, value: str, front: str) -> None:
    for call in (credkit.decode, credkit.inspect):
        with pytest.raises(DecodeError) as caught:
            call(chain, value)
        assert str(caught.value).endswith(f"in front, such as {front}")
    assert credkit.chain(front.split(" or ")[-1])  # what is offered is a chain
    with pytest.raises(DecodeError) as caught:
        credkit.decode(credkit.chain(chain), 5)
    assert "in front" not in str(caught.value)


@pytest.mark.parametrize("text", [None, 5, b"hex", ["hex"]])
def test_what_is_no_chain_is_said_so(text: Any) -> None:
    with pytest.raises(CredkitError, match="text"):
        credkit.chain(text)
    with pytest.raises(CredkitError, match="text"):
        credkit.get(text)
    with pytest.raises(CredkitError, match="text"):
        credkit.convert("1", source=text, target="hex")


@pytest.mark.parametrize("tables", [{"l": {1: -5}}, {"l": {1: "a"}}, {"l": {1: [1]}}, {"l": {True: 1}}, {"l": {}}])
def test_lists_hold_whole_numbers(tables: Any) -> None:
    with pytest.raises(DefinitionError, match="map"):
        credkit.map_entry(tables)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: credkit.map_entry([]), "map: lists by name are needed, not []"),  # type: ignore[arg-type]
        (lambda: credkit.map_entry({"a": [1]}), "map 'a': numbers by printed number are"),  # type: ignore[dict-item]
        (lambda: credkit.memory_entry(None), "a mapping of names to plans is needed, not None"),  # type: ignore[arg-type]
        (lambda: credkit.memory_entry({"p": 5}), "plan 'p' must be a CardPlan"),  # type: ignore[dict-item]
        (lambda: credkit.memory_entry({}, "00FF"), "mapping of plan names to master keys is"),  # type: ignore[arg-type]
        (lambda: credkit.identify(5), "1 to 1000 texts are needed, not 5"),  # type: ignore[arg-type]
        (lambda: credkit.identify(["1", 5]), "1 to 1000 texts are needed, not"),  # type: ignore[list-item]
        (lambda: credkit.identify("1", facility=5), "facility must be a list of whole"),  # type: ignore[arg-type]
        (lambda: credkit.identify("1", known="5"), "known must be a list of whole"),  # type: ignore[arg-type]
        (lambda: credkit.load_plan(5), "load_plan: a path is needed, not 5"),  # type: ignore[arg-type]
    ],
)
def test_an_argument_of_another_type_is_one_sentence(call: Callable[[], Any], said: str) -> None:
    with pytest.raises(DefinitionError) as caught:
        call()
    assert said in str(caught.value)
    assert "00FF" not in str(caught.value)  # it may be a master key


def test_no_sentence_names_an_account_number_wherever_it_stands() -> None:
    wide = credkit.layout_entries({"lim": {"length": 56, "fields": {"number": {"bits": "0-55", "most": 9}}}})
    lists = credkit.map_entry({"l": {1: 2}})
    said = []
    attempts: list[Callable[[], Any]] = [
        lambda: credkit.decode("decimal:56/lim", ACCOUNT, wide),
        lambda: credkit.decode(f"decimal:56/fields:number:56/select:{ACCOUNT}=number,x=number", "5"),
        lambda: credkit.decode(f"decimal:56/fields:number:56/select:{ACCOUNT}=number", "5"),
        lambda: credkit.encode(f"decimal:8/fields:number:8/select:number,x={ACCOUNT}", {"number": 5, "x": 6}),
        lambda: credkit.decode(f"strip:{ACCOUNT}", "x"),
        lambda: credkit.decode(f"template:{ACCOUNT}{{n:d}}", "x"),
        lambda: credkit.map_entry({"l": {int(ACCOUNT): 1, 5: 1}}),
        lambda: credkit.decode("template:{n:016d}/map:l,n", ACCOUNT, [lists]),
        lambda: credkit.layout_entries({"x": {"length": int(ACCOUNT)}}),
        lambda: credkit.layout_entries({"x": {"length": 8, "fields": {ACCOUNT: "0-7"}}}),
    ]
    for attempt in attempts:
        with pytest.raises(CredkitError) as caught:
            attempt()
        said.append(str(caught.value))
    assert all(ACCOUNT not in sentence for sentence in said), said
    assert sum("411436******6785" in sentence for sentence in said) >= 8


REFUSED = [("hex:8", "02F764D"), ("hex:8/right-justified:26/wiegand-26", "02F764DC"), ("track-2", ";12"), ("hex:8", "")]


@pytest.mark.parametrize(("name", "text"), REFUSED)
def test_an_error_survives_pickle_and_copy(name: str, text: str) -> None:
    with pytest.raises(DecodeError) as caught:
        credkit.decode(name, text)
    error = caught.value
    for again in (pickle.loads(pickle.dumps(error)), copy.copy(error), copy.deepcopy(error)):
        assert type(again) is DecodeError
        assert (str(again), again.codec, again.place) == (str(error), error.codec, error.place)
        assert again.check == error.check
    for other in (EncodeError("x"), DefinitionError("x"), UnknownCodec("x")):
        assert str(pickle.loads(pickle.dumps(other))) == "x"


def test_an_error_comes_out_of_a_process_pool() -> None:
    chain, text = REFUSED[1]
    with ProcessPoolExecutor(1) as pool, pytest.raises(DecodeError, match="odd parity over bits 13-24 fails"):
        pool.submit(credkit.decode, chain, text).result(timeout=60)


def test_errors_are_called_by_their_public_names() -> None:
    for error in (CredkitError, DecodeError, EncodeError, DefinitionError, UnknownCodec):
        assert error.__module__ == "credkit"
        assert getattr(credkit, error.__name__) is error

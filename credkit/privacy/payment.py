"""Payment data in readings: whether a value holds an account number or a track, at any step of a chain.

A track need not be seen in what was typed: it may stand in the bits of a stripe, or be typed under
another keyboard layout. So every text of a reading is looked at, the characters that a failed track
consists of, and, where the reading failed, what the value would be if its bits came in another
order, or were the characters of the other width.

Numbers count where they were digits before: of a text, or of four bits each. A number that is
computed from other bits, such as a serial number, is no account number, whatever its digits are.
What a chain cannot read is masked where it looks like a track; only a track that reads well is one.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

from bitstring import Bits

from credkit.catalogue.own import Codecs
from credkit.catalogue.registry import chain, get
from credkit.core.chains import Choice
from credkit.core.codec import AnyCodec
from credkit.core.errors import CredkitError
from credkit.core.reading import AnyReading, Field, Step, TextField
from credkit.privacy.accountroom import ACCOUNT_DIGITS, CLEAR_DIGITS
from credkit.privacy.accounts import holds_account, holds_track, track_numbers
from credkit.tables.layout import Layout
from credkit.tables.notation import Notation

if TYPE_CHECKING:
    from credkit.explain.identification import Match

LONGEST_TYPED = 512  # characters of a text that is looked at as typed under other keyboard layouts
MOST_LOST_ZEROS = 8  # that may be lost before a text
SMALLEST_ACCOUNT_NUMBER = 10 ** (ACCOUNT_DIGITS.start - 1)  # the smallest number that has room for an account number


class PaymentData(NamedTuple):
    """What a value holds: whether an account number, the numbers of its tracks, and whether one reads well."""

    has_account: bool = False
    track_numbers: frozenset[str] = frozenset()
    has_valid_track: bool = False


NO_PAYMENT_DATA = PaymentData()


class _SeenText(NamedTuple):
    """A text of a reading; a ``garbled`` one failed a check."""

    text: str
    garbled: bool = False


def payment_in_decoded(codec: AnyCodec, given: str, reading: AnyReading, more: Iterable[Any] = ()) -> PaymentData:
    """What of payment data ``given`` holds, which ``codec`` read as ``reading``; ``more`` are other values of it.

    >>> codec = chain("strip:;,?/last-digits:16")
    >>> text = ";4114360123456785=3012?"  # the number is that of the WHATWG HTML standard's example
    >>> payment_in_decoded(codec, text, codec.inspect(text))
    PaymentData(has_account=True, track_numbers=frozenset({'4114360123456785'}), has_valid_track=True)
    """
    return _sum_up(_decoded_texts(codec, given, reading, more))


def payment_in_valid(codec: AnyCodec, given: str) -> PaymentData:
    """The same for a value that reads well (or is not read any further), without the explanations: it is quick."""
    return _sum_up(texts_on_the_way(codec, given))


def payment_in_encoded(codec: AnyCodec, output: str) -> PaymentData:
    """What ``output`` holds, which ``codec`` wrote; digits that it computed from bits are no account number.

    >>> number = "4114360123456785"
    >>> [payment_in_encoded(chain(text), number).has_account for text in ("decimal:56", "strip")]
    [False, True]
    """
    bits = any(step.takes == "text" and step.gives == "bits" for step in codec.steps)
    return _sum_up(seen for seen in texts_on_the_way(codec, output) if not (bits and seen.text == output))


def payment_in_reading(reading: AnyReading) -> PaymentData:
    """The same for a reading alone; a number counts if it may have been digits before.

    >>> payment_in_reading(chain("decimal:56/fields:number:56").inspect("4114360123456785")).has_account
    True
    """
    seen = [_SeenText(step.given) for step in reading.steps if isinstance(step.given, str)]
    for step in reading.steps:
        seen += step_texts(step.reading, _step_digit_fields(step))
    return _sum_up(seen)


def payment_in_texts(texts: Iterable[str]) -> PaymentData:
    """What ``texts`` hold.

    >>> payment_in_texts(["02F764DD"]).has_account, payment_in_texts(["4114360123456785"]).has_account
    (False, True)
    """
    return _sum_up(map(_SeenText, texts))


def _sum_up(seen: Iterable[_SeenText]) -> PaymentData:
    found = [each for each in seen if holds_account(each.text)]
    return PaymentData(
        has_account=bool(found), track_numbers=frozenset().union(*(track_numbers(each.text) for each in found)),
        has_valid_track=any(holds_track(each.text) for each in found if not each.garbled),
    )  # fmt: skip


@lru_cache(maxsize=256)
def is_declared(codec: AnyCodec) -> bool:
    """Whether ``codec`` says what its numbers are: a layout of a chip's serial, a bit frame, keypad keys, an animal.

    Fields without a layout, and layouts of decimal digits, say nothing.

    >>> is_declared(chain("decimal:56/uid-a-7")), is_declared(chain("decimal:56/fields:number:56"))
    (True, False)
    """
    if isinstance(codec, Choice):
        return all(map(is_declared, codec.options))
    if any(step.declares for step in codec.steps):
        return True
    layouts = [step for step in codec.steps if step.takes == "bits" and step.gives == "fields"]
    return bool(layouts) and not any(
        _step_has_account_room(step) or step.name.startswith("fields:") for step in layouts
    )


@lru_cache(maxsize=256)
def declares_all(codec: AnyCodec) -> bool:
    """Whether ``codec`` says what its numbers are, and no step before leaves out a part of what was typed.

    >>> declares_all(chain("hex:8/uid-a-4")), declares_all(chain("last-digits:8/hex:8/uid-a-4"))
    (True, False)
    """
    if isinstance(codec, Choice):
        return all(map(declares_all, codec.options))
    return is_declared(codec) and codec.steps[0].gives != "text"


@lru_cache(maxsize=256)
def is_other(codec: AnyCodec) -> bool:
    """Whether ``codec`` declares that the digits of its texts, all of them, are none of a decimal number."""
    if isinstance(codec, Choice):
        return all(map(is_other, codec.options))
    notations = [step.table for step in codec.steps if isinstance(step.table, Notation)]
    return declares_all(codec) and all(table.base != 10 for table in notations)


def texts_on_the_way(codec: AnyCodec, given: str) -> Iterator[_SeenText]:
    """The texts that ``codec`` makes of a text, as far as it decodes; none if its digits are declared to be others."""
    if is_other(codec):
        return
    yield _SeenText(given)
    raw: Any = given
    for step in codec.steps if has_account_room(codec) and not codec.decode_obstacle else ():
        raw = step._decode_raw(raw)
        if raw is None:
            break
        yield from map(_SeenText, value_texts(raw, _digit_fields_of(step)))


def _decoded_texts(codec: AnyCodec, given: str, reading: AnyReading, more: Iterable[Any]) -> Iterator[_SeenText]:
    if reading.ok and is_other(codec):
        return
    yield _SeenText(given)
    if has_account_room(codec):
        yield from _reading_texts(codec, reading)
        if not reading.ok and takes_accounts_from_bits(codec):
            for option in codec.options if isinstance(codec, Choice) else (codec,):
                yield from _reinterpreted_texts(option, given)
            yield from _as_stripes(reading)
    if not reading.ok and ACCOUNT_DIGITS.start <= len(given) <= LONGEST_TYPED and not given.isalnum():
        for keyboard in keyboards():
            yield from _reading_texts(keyboard, keyboard.inspect(given))
    for value in more:
        yield from (_SeenText(text, garbled=True) for text in value_texts(value))


def _as_stripes(reading: AnyReading) -> Iterator[_SeenText]:
    """The texts of bits that could not be read, as characters of a stripe."""
    from credkit.privacy.stripes import stripe_texts  # only for what could not be read

    for step in reading.steps:
        if isinstance(step.given, Bits):
            yield from map(_SeenText._make, stripe_texts(step.given))


def _reinterpreted_texts(codec: AnyCodec, given: str) -> Iterator[_SeenText]:
    """The texts of what could not be read, as other orders of bits have them, or zeros that were lost before it.

    Where checks fail under another order too, a number alone says nothing: chance makes many of them.
    """
    from credkit.explain.diagnosis import order_alternatives  # only for what could not be read

    for option in order_alternatives(codec):
        reading = option.codec.inspect(given)
        seen = _reading_texts(option.codec, reading)
        yield from (each for each in seen if reading.ok or not each.text.isdecimal())
    yield from texts_behind_lost_zeros(codec, given)


def texts_behind_lost_zeros(codec: AnyCodec, given: str) -> Iterator[_SeenText]:
    """The texts of what would decode if zeros were lost before it."""
    for zeros in range(1, MOST_LOST_ZEROS + 1) if given.isalnum() else ():
        yield from texts_on_the_way(codec, "0" * zeros + given)


@lru_cache(maxsize=1)
def keyboards() -> tuple[AnyCodec, ...]:
    """The keyboard layouts under which a text may have been typed."""
    return tuple(chain(f"keyboard:{layout}") for layout in get("keyboard").usual)


def _reading_texts(codec: AnyCodec, reading: AnyReading) -> Iterator[_SeenText]:
    """Every text in a reading, step by step: values, fields, and the characters of its parts."""
    options = codec.options if isinstance(codec, Choice) else (codec,)
    digits = {step.name: _digit_fields_of(step) for option in options for step in option.steps}
    steps = [(step.codec, step.reading) for step in reading.steps] or [(codec.name, reading)]
    garbled = False
    for name, each in steps:
        garbled = garbled or not each.ok  # what is made of it is garbled too
        yield from step_texts(each, digits.get(name, ()), garbled=garbled)


def step_texts(reading: AnyReading, digits: Collection[str], *, garbled: bool = False) -> Iterator[_SeenText]:
    """The texts in what one step finds: its value, its parts, and these side by side."""
    values = [part.value for part in reading.parts]
    texts = [*value_texts(reading.value, digits), *(text for value in values for text in value_texts(value))]
    texts.append("".join(value for value in values if isinstance(value, str)))
    yield from (_SeenText(text, garbled=garbled) for text in texts)


def _step_digit_fields(step: Step) -> Collection[str]:
    """The numbers that a step made of digits; all of them where its codec is a site's own."""
    if not isinstance(step.reading.value, Mapping):
        return ()
    try:
        return _digit_fields_of(chain(step.codec))
    except CredkitError:
        return step.reading.value


def value_texts(value: Any, digits: Collection[str] = ()) -> Iterator[str]:
    """The texts in a value, and its numbers that were ``digits``."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for name, item in value.items():
            if isinstance(item, str):
                yield item
            elif name in digits and item >= SMALLEST_ACCOUNT_NUMBER:
                yield str(item)


@lru_cache(maxsize=1024)
def _digit_fields_of(step: AnyCodec) -> frozenset[str]:
    """The numbers that ``step`` makes of digits: of a text, or of four bits each."""
    if step.gives != "fields":
        return frozenset()
    if isinstance(step.table, Layout):
        return frozenset(field.name for field in step.table.fields if field.bcd)
    return frozenset(step.schema) if step.takes == "text" else frozenset()


@lru_cache(maxsize=256)
def digit_fields(codec: AnyCodec) -> frozenset[str]:
    """The numbers that some step of ``codec`` makes of digits.

    >>> sorted(digit_fields(chain("template:{site:02d}{number:016d}"))), sorted(digit_fields(chain("decimal:56")))
    (['number', 'site'], [])
    """
    options = codec.options if isinstance(codec, Choice) else (codec,)
    return frozenset().union(*(_digit_fields_of(step) for option in options for step in option.steps))


def exposes_account(texts: Iterable[str], match: Match, codecs: Codecs = ()) -> bool:
    """Whether ``match`` shows an account number, or a part of one that ``texts`` have: as a text, or as its digits.

    Its chain may name a site's own ``codecs``.

    >>> from credkit import identify
    >>> texts = ["4114360123456785"]
    >>> {match.chain: exposes_account(texts, match) for group in identify(texts) for match in group.matches[:1]}
    ... # doctest: +ELLIPSIS
    {'hex:16/nfcid2': False, 'decimal:56/uid-a-7': True, ...}
    """
    typed = ["".join(filter(str.isdecimal, text)) for text in texts if holds_account(text)]
    digits = digit_fields(chain(match.chain, codecs))
    for name, item in ((name, item) for value in match.values for name, item in value.items()):
        said = str(item)
        if (isinstance(item, str) or name in digits) and (typed or holds_account(said)):
            return True
        if len(said) > max(CLEAR_DIGITS) and any(said in text for text in typed):
            return True
    return False


@lru_cache(maxsize=256)
def has_account_room(codec: AnyCodec) -> bool:
    """Whether anything that ``codec`` makes of a text may hold an account number.

    >>> has_account_room(chain("hex:14/fields:number:56")), has_account_room(chain("strip:;,?"))
    (False, True)
    """
    if isinstance(codec, Choice):
        return any(map(has_account_room, codec.options))
    return any(map(_step_has_account_room, codec.steps))


@lru_cache(maxsize=256)
def takes_accounts_from_bits(codec: AnyCodec) -> bool:
    """Whether what has room for one is made of bits, and would be another if they came in another order.

    >>> [takes_accounts_from_bits(chain(text)) for text in ("hex:20/bcd", "hex:8/right-justified:26/wiegand-26")]
    [True, False]
    """
    if isinstance(codec, Choice):
        return any(map(takes_accounts_from_bits, codec.options))
    bits = next((place for place, step in enumerate(codec.steps) if step.gives == "bits"), len(codec.steps))
    return any(map(_step_has_account_room, codec.steps[bits:]))


def _step_has_account_room(step: AnyCodec) -> bool:
    rows = step.output.schema
    if step.gives != "fields":
        return step.gives == "text"
    if rows is None or any(isinstance(row, TextField) for row in rows.values()):
        return True
    return any(
        isinstance(row, Field) and name in _digit_fields_of(step) and row.most >= SMALLEST_ACCOUNT_NUMBER
        for name, row in rows.items()
    )

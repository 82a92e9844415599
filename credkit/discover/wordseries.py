"""Word series: the bits that the texts of one reader stand for, card by card, in every notation and order.

A series is one chain from text to bits that reads all of the texts, with the bits that it reads in
each of them. The parts of a text that a template reads, such as two decimal numbers without a
separator, are series too: each part is a field of its own, and is used whole or not at all.

Source: common practice, no source.

>>> [(each.chain, each.length) for form in text_forms(["123,45678"]) for each in ordered_series(form)][:2]
[('split-decimal:8,16', 24), ('split-decimal:8,16/invert', 24)]
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import NamedTuple

from credkit.catalogue.registry import chain
from credkit.core.codec import AnyCodec
from credkit.core.errors import CredkitError
from credkit.core.forms import Word
from credkit.core.grammar import format_step
from credkit.discover.texttemplates import (
    MOST_TEXT_CHARACTERS,
    TextTemplate,
    common_prefix,
    hexadecimal_cost,
)
from credkit.explain.candidates import ORDER_COSTS, split_decimals, usual_codecs
from credkit.tables.layout import Layout, Parity
from credkit.tables.notation import digits_for

ORDERS = {  # what is done to bits, as `ORDER_COSTS` has it, and combinations of two that practice knows
    "": 0.0,
    "reverse-bytes": ORDER_COSTS["reverse-bytes"],
    "reverse-bits": ORDER_COSTS["reverse-bits"],
    "reverse-bits-in-bytes": ORDER_COSTS["reverse-bits-in-bytes"],
    "swap-nibbles": ORDER_COSTS["swap-nibbles"],
    "reverse-bytes/swap-nibbles": ORDER_COSTS["reverse-bytes"] + ORDER_COSTS["swap-nibbles"],
}
BYTE_ORDERS = [order for order in ORDERS if order not in ("", "reverse-bits")]
NUMBER_BITS = (16, 24, 26, 32, 34, 35, 37, 40, 48, 56, 64, 80)  # bits that a decimal number may have
SIGNED_BITS = 32
MOST_NUMBER_SIZES = 4  # sizes that are tried of a decimal number
FEWEST_BINARY_DIGITS = 8
FRAME_COST, FEWEST_PARITIES = 3.0, 2
BYTE_COUNT_COST = 4.0
CHECK_DIGIT_COST, FEWEST_CHECKED_DIGITS = 5.0, 4
KEYBOARD_COST = 5.0
MOST_PADDING_BITS = 32
HEX_STYLES = {":": "colon", "-": "hyphen", " ": "space", ".": "dot"}


class BitSpan(NamedTuple):
    """Bits of a word that are one field: ``start`` is its last bit, counted from the last bit of the word."""

    start: int
    width: int
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WordSeries:
    """A chain from text to bits, and the ``words`` of ``length`` bits that it reads, one for each text.

    ``cost`` says in bits how seldom such a chain is met. ``fields`` are the fields of a frame, or the
    parts of the ``template`` that divides the texts.
    """

    chain: str
    words: tuple[int, ...]
    length: int
    cost: float
    fields: tuple[BitSpan, ...] = ()
    template: TextTemplate | None = None
    check_bits: int = 0  # bits that the checks of a frame would have had to pass by chance

    @property
    def is_template(self) -> bool:
        """Whether the chain gives fields at once, so that no bits can be taken out of them."""
        return self.template is not None


class TextForm(NamedTuple):
    """How one text, or all of them, may be read: the steps, what they cost, and how many bits they give."""

    chain: str
    words: tuple[int, ...]
    length: int
    cost: float
    digits: tuple[str, ...] = ()  # the texts without what stands around the number
    is_open: bool = False  # a decimal number, which has any number of bits


def ordered_series(form: TextForm) -> Iterator[WordSeries]:
    """The bits of a form in every order."""
    for order, words, cost in _ordered(form.words, form.length):
        yield WordSeries(chain=_join(form.chain, order), words=words, length=form.length, cost=form.cost + cost)


def _ordered(
    words: Sequence[int], length: int, orders: Sequence[str] = tuple(ORDERS)
) -> Iterator[tuple[str, tuple[int, ...], float]]:
    """``words`` in every order, plain and inverted, with what that costs."""
    for order in orders:
        if length % 8 and order in BYTE_ORDERS:
            continue
        turned = _through(order, words, length)
        yield order, turned, ORDERS[order]
        inverted = tuple(word ^ ((1 << length) - 1) for word in turned)
        yield _join("invert", order), inverted, ORDERS[order] + ORDER_COSTS["invert"]


def _through(order: str, words: Sequence[int], length: int) -> tuple[int, ...]:
    """``words`` behind the steps of ``order``."""
    return tuple(_turned(order, word, length) for word in words) if order else tuple(words)


@lru_cache(maxsize=4096)
def _turned(order: str, word: int, length: int) -> int:
    """``word`` of ``length`` bits behind the steps of ``order``."""
    turned: int = chain(order)._decode_raw((word, length))[0]
    return turned


def _join(*steps: str) -> str:
    """Steps as one chain; empty ones are left out."""
    return "/".join(filter(None, steps))


# ── notations ───────────────────────────────────────────────────────────────────────────────────


def text_forms(texts: Sequence[str]) -> Iterator[TextForm]:
    """Every notation that reads all of ``texts``, with constant characters around the digits taken off.

    >>> [form.chain for form in text_forms(["0x02F764DD", "0x02F764E1"])]
    ['strip:0x/hex:8']
    """
    found = False
    for front in _fronts(texts):
        if found and not front.is_alternative:
            continue  # what stands around a number is no part of it only where it is no number itself
        opened = False
        for name, extra in _notations(front.texts):
            words = _read_all(name, front.texts)
            if words:
                numbers = tuple(word for word, _ in words)
                is_open = name.startswith("decimal:") and not opened
                opened |= is_open
                found = True
                text = _join(front.chain, name)
                yield TextForm(text, numbers, words[0][1], front.cost + extra, tuple(front.texts), is_open)


class _TextFront(NamedTuple):
    """What may be taken off around the digits, and the texts without it.

    One that ``is_alternative`` is tried even where the whole texts are numbers.
    """

    chain: str
    texts: Sequence[str]
    cost: float
    is_alternative: bool = False


def _fronts(texts: Sequence[str]) -> Iterator[_TextFront]:
    yield _TextFront("", texts, 0.0)
    lengths = set(map(len, texts))
    if len(lengths) == 1 and min(lengths) % 2 == 0 and min(lengths) > 2:
        count = f"{min(lengths) // 2 - 1:02X}"  # the byte that counts the others
        if all(text.startswith(count) for text in texts) and all(re.fullmatch("[0-9A-Fa-f]+", t) for t in texts):
            yield _TextFront(f"strip:{count}", [text[2:] for text in texts], BYTE_COUNT_COST, is_alternative=True)
    head = re.match(r"0x|.*[^0-9A-Fa-f]|", common_prefix(texts), re.DOTALL)
    prefix = head.group() if head else ""
    tail = re.match(r".*[^0-9A-Fa-f]|", common_prefix([text[len(prefix) :][::-1] for text in texts]), re.DOTALL)
    suffix = tail.group()[::-1] if tail else ""
    if (prefix or suffix) and len(prefix) + len(suffix) < min(lengths) and not set("<>") & set(prefix + suffix):
        bare = [text[len(prefix) : len(text) - len(suffix)] for text in texts]
        yield _TextFront(format_step("strip", prefix, suffix), bare, 1.0)
    for name, codec in usual_codecs("text", "text"):
        is_check = name.startswith("check-digit:") and min(lengths) > FEWEST_CHECKED_DIGITS
        if is_check or name.startswith("keyboard:"):
            read = [codec._decode_raw(text) for text in texts]
            if None not in read and read != list(texts):
                yield _TextFront(name, read, CHECK_DIGIT_COST if is_check else KEYBOARD_COST, is_alternative=is_check)


def _notations(texts: Sequence[str]) -> Iterator[tuple[str, float]]:
    """Notations that may read ``texts``, and how seldom each is met."""
    joined, lengths = "".join(texts), set(map(len, texts))
    size, same = max(lengths), len(lengths) == 1
    if not joined or size > MOST_TEXT_CHARACTERS:
        return
    small = ",lower" if re.search("[a-f]", joined) else ""
    is_binary = same and size >= FEWEST_BINARY_DIGITS and not joined.strip("01")
    if is_binary:
        yield f"binary:{size}", 0.0
    if joined.isascii() and joined.isdigit():
        yield from _decimals(texts, 6.0 if is_binary else 1.0)
    if re.fullmatch("-?[0-9]+", texts[0]) and any(text.startswith("-") for text in texts):
        yield f"signed-decimal:{SIGNED_BITS}", 1.0
    if same and not is_binary and re.fullmatch("[0-9A-Fa-f]+", joined):
        yield f"hex:{size}{small}", hexadecimal_cost(joined)
    for sign, style in HEX_STYLES.items():
        if same and sign in texts[0] and re.fullmatch(f"(?:[0-9A-Fa-f]{{2}}{re.escape(sign)})+..", texts[0]):
            yield f"hex:{2 * len(texts[0].split(sign))},{style}{small}", 0.0
    if same and size == len("00000000-0000-0000-0000-000000000000") and texts[0].count("-") == 4:
        yield f"uuid{small.replace(',', ':')}", 0.0
    for name in split_decimals(texts[0]):
        yield name, 1.0


def _decimals(texts: Sequence[str], cost: float) -> Iterator[tuple[str, float]]:
    """Decimal numbers of the smallest sizes that hold all of ``texts``."""
    largest, size = max(map(int, texts)).bit_length(), max(map(len, texts))
    fitting = [bits for bits in NUMBER_BITS if bits >= largest]
    if any(text[0] == "0" for text in texts):  # zeros show how many digits the number has room in
        fitting.sort(key=lambda bits: digits_for(bits) != size)
    for place, bits in enumerate(fitting[:MOST_NUMBER_SIZES]):
        padded = f",{size}" if size > digits_for(bits) else ""  # zeros before it that no number of so many bits needs
        yield f"decimal:{bits}{padded}", cost + place
    if largest < SIGNED_BITS:
        yield f"signed-decimal:{SIGNED_BITS}", cost + 4.0


def _read_all(name: str, texts: Sequence[str]) -> list[Word] | None:
    """What the chain ``name`` reads in each of ``texts``; None where one of them cannot be read."""
    codec = chain(name)
    words: list[Word] = []
    for text in texts:
        word = codec._decode_raw(text)
        if word is None:
            return None
        words.append(word)
    return words


# ── frames ──────────────────────────────────────────────────────────────────────────────────────


@cache
def checked_frames() -> tuple[tuple[AnyCodec, AnyCodec, tuple[BitSpan, ...], int], ...]:
    """The layouts of the catalogue that have parity bits: each with its data bits, its fields, how many checks."""
    found = []
    for name, codec in usual_codecs("bits", "fields"):
        table = codec.table
        parities = sum(isinstance(check, Parity) for check in table.checks) if isinstance(table, Layout) else 0
        if isinstance(table, Layout) and parities >= FEWEST_PARITIES:
            try:
                data = chain(f"data-of:{name}")
            except CredkitError:  # a field in decimal digits
                continue
            spans, start = [], 0
            for field in reversed(table.fields):
                spans.append(BitSpan(start, len(field.places), field.name))
                start += len(field.places)
            found.append((codec, data, tuple(spans), parities))
    return tuple(found)


def frame_series(form: TextForm) -> Iterator[WordSeries]:
    """The data bits of every frame that the texts may hold, in every order of bytes."""
    for order in ("", "invert", "reverse-bits", "invert/reverse-bits", "reverse-bytes"):
        if form.length % 8 and order == "reverse-bytes":
            continue
        turned = _through(order, form.words, form.length)
        for codec, data, spans, checks in checked_frames():
            found = len(form.words) * checks  # bits by which the texts look like such frames
            cost = form.cost + max(0.0, FRAME_COST - found) + ORDER_COSTS[order]
            size = codec.length or 0
            aside = form.length - size
            if not 0 <= aside <= MOST_PADDING_BITS:
                continue
            for step in ("right-justified", "left-justified")[: 2 if aside else 1]:
                alignment = f"{step}:{size}" if aside else ""
                words = _held(data, alignment, turned, form.length)
                if words is None:
                    continue
                held = data.output.lengths[0]
                name = _join(form.chain, order, alignment, data.name)
                extra = cost + (1.0 + (step == "left-justified") if aside else 0.0)
                yield WordSeries(chain=name, words=words, length=held, cost=extra, fields=spans, check_bits=found)
                if held % 8 == 0:
                    for turn, again, more in _ordered(words, held, tuple(ORDERS)[1:5]):
                        if "invert" not in turn:
                            yield WordSeries(chain=_join(name, turn), words=again, length=held, cost=extra + more)


def _held(data: AnyCodec, alignment: str, words: Sequence[int], length: int) -> tuple[int, ...] | None:
    """The data bits of each frame; None where one of ``words`` is no such frame."""
    align = chain(alignment) if alignment else None
    found = []
    for word in words:
        piece: Word | None = align._decode_raw((word, length)) if align else (word, length)
        held = data._decode_raw(piece) if piece else None
        if held is None:
            return None
        found.append(held[0])
    return tuple(found)


def template_series(found: TextTemplate) -> WordSeries:
    """The parts of a template as the fields of a word."""
    fields: list[BitSpan] = []
    words, start = [0] * len(found.parts[0].numbers), 0
    for part in reversed(found.parts):
        fields.append(BitSpan(start, part.bits))
        words = [word | number << start for word, number in zip(words, part.numbers, strict=True)]
        start += part.bits
    names = [f"part{number}" for number in range(1, len(found.parts) + 1)]
    return WordSeries(
        chain=found.step(names), words=tuple(words), length=start, cost=found.cost + 1.0, fields=tuple(fields),
        template=found,
    )  # fmt: skip

"""Numbers in digits.

`hex`, `decimal`, `signed-decimal`, `binary`, `split-decimal` and `uuid` turn what a reader prints
into bits, and bits into what a back end expects. Each refuses every length but its own.

Source: common practice, no source.

>>> build_hex("8").decode("02F764DD").bin
'00000010111101110110010011011101'
>>> build_split("8", "16").decode("123,45678").bin
'011110111011001001101110'
>>> build_hex("8").decode("2F764DD")
Traceback (most recent call last):
credkit.DecodeError: hex:8: the form fails: found '2F764DD', 7 characters, \
expected 8 hexadecimal digits
"""

from __future__ import annotations

from credkit.codecs.arguments import parse_whole_number
from credkit.core.codec import PRACTICE, AnyCodec, Entry, Example
from credkit.core.errors import DefinitionError
from credkit.core.grammar import format_step
from credkit.core.sentences import redacted_repr
from credkit.tables.notation import GROUP_SEPARATORS, SEPARATORS, DigitGroup, Notation, NotationCodec, digits_for

LOWER = "lower"
COMMA = "comma"


def build_hex(digits: str = "", *styles: str) -> AnyCodec:
    """``hex``, ``hex:N``, ``hex:N,STYLE…``: N hexadecimal digits, first digit first.

    Styles: ``lower`` writes a-f (reading takes both); ``colon``, ``hyphen``, ``space`` or ``dot``
    stand between bytes. Without N any number of digits is taken; an odd number is taken too and
    gives 4 bits a digit: only alignment steps pad.
    """
    separator = ""
    for style in styles:
        if style in SEPARATORS and not separator:
            separator = SEPARATORS[style]
        elif style != LOWER or styles.count(style) > 1:
            known = f"{LOWER}, {', '.join(SEPARATORS)}"
            raise DefinitionError(
                f"hex: {redacted_repr(style)} is not a style; styles are {known}, one separator at most"
            )
    groups: tuple[DigitGroup, ...] = ()
    if digits:
        count = parse_whole_number("hex", "the number of digits", digits)
        if separator and count % 2:
            raise DefinitionError(f"hex: {count} digits do not divide into bytes with {separator!r} between")
        groups = (DigitGroup(bits=4 * count, least=count, most=count),)
    notation = Notation(16, groups, byte_separator=separator, is_lower_case=LOWER in styles)
    return NotationCodec.for_notation(format_step("hex", digits, *styles), notation)


def build_binary(digits: str = "") -> AnyCodec:
    """``binary``, ``binary:N``: N binary digits, first bit first; without N any number of them."""
    if not digits:
        return NotationCodec.for_notation(format_step("binary"), Notation(2))
    count = parse_whole_number("binary", "the number of digits", digits)
    return NotationCodec.for_notation(
        format_step("binary", digits), Notation(2, (DigitGroup(bits=count, least=count, most=count),))
    )


def build_decimal(bits: str, digits: str = "") -> AnyCodec:
    """``decimal:B``, ``decimal:B,D``: one decimal number of B bits, in exactly D digits if D is given.

    Without D any number of digits up to the longest is read, so that lost leading zeros do no
    harm, and none are written. With D a shorter text is refused: its zeros were lost on the way.
    """
    size = parse_whole_number("decimal", "the number of bits", bits)
    if not digits:
        group = DigitGroup(bits=size, least=1, most=digits_for(size))
    else:
        count = parse_whole_number("decimal", "the number of digits", digits)
        group = DigitGroup(bits=size, least=count, most=count)
    return NotationCodec.for_notation(format_step("decimal", bits, digits), Notation(10, (group,)))


def build_signed(bits: str) -> AnyCodec:
    """``signed-decimal:B``: the same B bits as a two's complement number, as in a signed database column."""
    size = parse_whole_number("signed-decimal", "the number of bits", bits)
    group = DigitGroup(bits=size, least=1, most=digits_for(size), is_signed=True)
    return NotationCodec.for_notation(format_step("signed-decimal", bits), Notation(10, (group,)))


def build_split(*sizes: str) -> AnyCodec:
    """``split-decimal:B,B…``, ``split-decimal:B,B…,STYLE``: one decimal number a group of bits, a comma between them.

    A style puts another sign between the numbers: ``slash``, ``hyphen``, ``colon``, ``dot``, ``semicolon`` or
    ``space``. Numbers are written with as many digits as their widest value has; fewer are read, since the
    sign says where a number ends.
    """
    style = sizes[-1] if sizes and sizes[-1] in GROUP_SEPARATORS and sizes[-1] != COMMA else COMMA
    counts = sizes if style == COMMA else sizes[:-1]
    if len(counts) < 2:
        raise DefinitionError("split-decimal: at least two sizes are needed, such as split-decimal:8,16")
    if counts[-1].isalpha():
        known = ", ".join(name for name in GROUP_SEPARATORS if name != COMMA)
        raise DefinitionError(
            f"split-decimal: {redacted_repr(counts[-1])} is not a style; a comma needs none, others are {known}"
        )
    groups = []
    for text in counts:
        size = parse_whole_number("split-decimal", "the number of bits", text)
        groups.append(DigitGroup(bits=size, least=1, most=digits_for(size), pad=True))
    return NotationCodec.for_notation(
        format_step("split-decimal", *sizes), Notation(10, tuple(groups), group_separator=GROUP_SEPARATORS[style])
    )


def build_uuid(*styles: str) -> AnyCodec:
    """``uuid``, ``uuid:lower``: 32 hexadecimal digits with hyphens, as 8-4-4-4-12; either case is read."""
    if styles not in ((), (LOWER,)):
        raise DefinitionError(f"uuid: {redacted_repr(','.join(styles))} is not a style; the only one is {LOWER}")
    groups = tuple(DigitGroup(bits=4 * digits, least=digits, most=digits) for digits in (8, 4, 4, 4, 12))
    return NotationCodec.for_notation(
        format_step("uuid", *styles), Notation(16, groups, group_separator="-", is_lower_case=bool(styles))
    )


ENTRIES = (
    Entry(
        name="hex", signature="[N][,STYLE]", title="hexadecimal digits", source=PRACTICE, build=build_hex,
        usual=("", "6", "8", "10", "14", "16"),
        examples=(
            Example(args="8", given="02F764DD", gives="00000010111101110110010011011101"),
            Example(args="4,colon", given="A1:0B", gives="1010000100001011"),
            Example(args="4,lower", given="a10b", gives="1010000100001011"),
        ),
    ),
    Entry(
        name="decimal", signature="B[,D]", title="one decimal number of B bits", source=PRACTICE, build=build_decimal,
        usual=("24", "26", "32", "32,10", "40", "56"),
        examples=(
            Example(args="26", given="49767645", gives="10111101110110010011011101"),
            Example(args="16,5", given="00042", gives="0000000000101010"),
        ),
    ),
    Entry(
        name="signed-decimal", signature="B", title="B bits as a signed decimal number", source=PRACTICE,
        build=build_signed, usual=("32",),
        examples=(Example(args="8", given="-2", gives="11111110"),),
    ),
    Entry(
        name="binary", signature="[N]", title="binary digits", source=PRACTICE, build=build_binary, usual=("",),
        examples=(Example(given="10111", gives="10111"), Example(args="3", given="011", gives="011")),
    ),
    Entry(
        name="split-decimal", signature="B,B…[,STYLE]", title="several decimal numbers, a sign between them",
        source=PRACTICE, build=build_split, usual=("8,16", "16,16"),
        examples=(
            Example(args="8,16", given="123,45678", gives="011110111011001001101110"),
            Example(args="8,16,slash", given="123/45678", gives="011110111011001001101110"),
        ),
    ),
    Entry(
        name="uuid", signature="[lower]", title="a UUID in hexadecimal digits and hyphens, 8-4-4-4-12",
        source="RFC 9562 section 4", build=build_uuid, usual=("",),
        examples=(
            Example(
                args="lower", given="f81d4fae-7dec-11d0-a765-00a0c91e6bf6",
                gives=f"{0xF81D4FAE7DEC11D0A76500A0C91E6BF6:0128b}",
            ),
        ),
    ),
)  # fmt: skip

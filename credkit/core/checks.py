"""Parity, CRC and check characters: pure arithmetic on whole numbers and on texts.

A CRC is linear: each of its bits is a parity over some of the message bits, perhaps inverted. So
a layout needs one operation only, and `crc_rows` turns a CRC into the parities it consists of.
Parity, LRC, CRC and check digits find accidents; none of them is security.
"""

from __future__ import annotations

from collections.abc import Sequence

DIGITS = "0123456789"
ALPHANUMERICS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
CAPITALS = ALPHANUMERICS[10:]
_ORDINALS = bytes((code - 48) % 256 for code in range(256))
_DOUBLED = bytes(2 * d - 9 * (d > 4) if d < 10 else 0 for d in range(256))


def parity(word: int) -> int:
    """1 when ``word`` has an odd number of ones.

    >>> parity(0b1011), parity(0b11)
    (1, 0)
    """
    return word.bit_count() & 1


def crc_rows(
    length: int, *, width: int, poly: int, init: int = 0, xorout: int = 0
) -> list[tuple[tuple[int, ...], int]]:
    """The CRC of ``length`` bits as parities: for each of its bits, the message positions it covers and its inversion.

    Positions count from the first message bit, the CRC's bits from its most significant one. The register takes
    the bits in the order they are sent, most significant bit first; for the reflected one see `Crc.parities`.

    >>> crc_rows(3, width=1, poly=1)  # a CRC of one bit is even parity
    [((0, 1, 2), 0)]
    """
    top, mask = 1 << (width - 1), (1 << width) - 1

    def shifted(register: int) -> int:
        return (register << 1 & mask) ^ (poly if register & top else 0)

    columns, changed, constant = [], poly, init  # ``changed`` is what the last message bit changes
    for _ in range(length):  # each bit before it is shifted once more, the start value once for each bit
        columns.append(changed)
        changed, constant = shifted(changed), shifted(constant)
    columns.reverse()
    return [
        (tuple(i for i, column in enumerate(columns) if column >> bit & 1), (constant ^ xorout) >> bit & 1)
        for bit in range(width - 1, -1, -1)
    ]


def luhn_check_digit(digits: str) -> str:
    """The check digit behind ``digits``: from the right every second one is doubled, beginning with the last.

    It finds every wrong digit; of two neighbours swapped it misses 0 and 9, and it never notices
    digits swapped two places apart. Source: ISO/IEC 7812-1.

    >>> luhn_check_digit("7992739871")
    '3'
    """
    numbers = digits.encode().translate(_ORDINALS)
    total = sum(numbers[-2::-2]) + sum(numbers[-1::-2].translate(_DOUBLED))
    return DIGITS[-total % 10]


def hybrid_check_character(text: str, letters: str = DIGITS) -> str:
    """The check character behind ``text``, of the hybrid system modulus M + 1, M of ISO/IEC 7064.

    M is how many ``letters`` there are: ten for mod 11,10, thirty-six for mod 37,36. It finds
    every wrong character and, but for one pair in M, every swap of two neighbours. The examples
    are those of a general-purpose library of check digits.

    >>> hybrid_check_character("79462"), hybrid_check_character("A12425GABC1234002", ALPHANUMERICS)
    ('3', 'M')
    """
    base = len(letters)
    product = base
    for char in text:
        product = ((product + letters.index(char)) % base or base) * 2 % (base + 1)
    return letters[(1 - product) % base]


def pure_check_character(text: str, letters: str) -> str:
    """The check character behind ``text``, of the pure system modulus M, radix 2 of ISO/IEC 7064.

    M is how many ``letters`` there are, the last of which stands at the end only: ``0`` to ``9`` and ``X`` for
    mod 11,2, letters too and ``*`` for mod 37,2. The example is the ISNI of ISO 27729 (from memory).

    >>> pure_check_character("000000012146438", DIGITS + "X")
    'X'
    """
    total = 0
    for char in text:
        total = (total + letters.index(char)) * 2 % len(letters)
    return letters[(1 - total) % len(letters)]


def mod_97_check_digits(digits: str) -> str:
    """The two check digits behind ``digits``, of the pure system modulus 97, radix 10 of ISO/IEC 7064.

    The number and its check digits leave 1 when divided by 97. The example is that of the standard.

    >>> mod_97_check_digits("794")
    '44'
    """
    rest = 0
    for digit in digits + "00":  # one by one: Python makes no number of very many digits
        rest = (10 * rest + int(digit)) % 97
    return f"{98 - rest:02d}"


def weighted_check_digit(digits: str, weights: Sequence[int]) -> str:
    """The digit that makes the weighted sum a multiple of ten.

    The weights are repeated from the right: the first one belongs to the last digit. Weights that
    share a factor with ten miss some wrong digits. Source of the example: the article number
    4006381333931, weights 3 and 1 (GS1 General Specifications; from memory).

    >>> weighted_check_digit("400638133393", (3, 1))
    '1'
    """
    total = sum(int(digit) * weights[place % len(weights)] for place, digit in enumerate(reversed(digits)))
    return DIGITS[-total % 10]

"""Payment tracks for tests, their bits made by the rules of the standard, and the search for what got out.

The account number is the autofill example of the WHATWG HTML standard; name, expiry, service code and
discretionary data are made up.
"""

from __future__ import annotations

import re

from tests.commandline import ACCOUNT

TRACK_2 = f";{ACCOUNT}=30121010000000000?"
TRACK_1 = f"%B{ACCOUNT}^TERMINAL/TEST^3012101000?"
SECRETS = (ACCOUNT[6:-4], "30121", "TERMINAL", "TEST")


def on_medium(text: str, width: int) -> str:
    """The bits of a track by ISO/IEC 7811-2: least significant bit first, odd parity, the LRC at the end."""
    values = [ord(char) - (0x20 if width == 7 else 0x30) for char in text]
    lrc = 0
    for value in values:
        lrc ^= value
    rows = [f"{value:0{width - 1}b}"[::-1] for value in (*values, lrc)]
    return "".join(f"{row}{1 - row.count('1') % 2}" for row in rows)


def hexadecimal(bits: str) -> str:
    """Bits as hexadecimal digits, zeros behind them."""
    bits += "0" * (-len(bits) % 8)
    return f"{int(bits, 2):0{len(bits) // 4}X}"


def inverted(bits: str) -> str:
    return bits.translate(str.maketrans("01", "10"))


BITS_2 = f"{'0' * 20}{on_medium(TRACK_2, 5)}{'0' * 13}"
BITS_1 = f"{'0' * 20}{on_medium(TRACK_1, 7)}{'0' * 13}"
ROWS = [row for bits in (BITS_1, BITS_2) for row in (bits, bits[::-1], inverted(bits), inverted(bits)[::-1])]


def naked(text: str, number: str = ACCOUNT) -> list[str]:
    """Every run of ten digits of ``number`` that ``text`` has in clear."""
    return [number[at : at + 10] for at in range(len(number) - 9) if number[at : at + 10] in text]


def _positions(line: str) -> bool:
    """Whether a line of a drawing numbers the places: 0 1 2 …, or the tens of them."""
    words = line.split()
    if not line.startswith(" ") or not all(re.fullmatch("[0-9]{1,3}", word) for word in words):
        return "".join(words) in "0123456789" * 9
    numbers = [int(word) for word in words]
    return numbers == sorted(set(numbers)) or "".join(words) in "0123456789" * 9


def leaks(output: str, *given: str) -> list[str]:
    """What of the tracks, or of what was ``given`` (a track in another notation), stands in ``output``.

    Blanks, hyphens and the lines of a drawing do not hide it; rows of positions are left out.
    """
    text = re.sub(r"[\s|-]", "", "".join(line for line in output.splitlines() if not _positions(line)))
    found = [secret for secret in SECRETS if secret in text] + naked(text)
    for row in (*ROWS, *given):
        row = re.sub(r"[\s|-]", "", row)
        size = 50 if re.fullmatch("[01]+", row) else 12
        found += [row[at : at + size] for at in range(0, len(row) - size + 1, 2) if row[at : at + size] in text]
    return [each for each in found if set(each) != {"0"} and set(each) != {"1"}]

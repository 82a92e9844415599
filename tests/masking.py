"""How often ordinary numbers are masked or refused: serials in every presentation, and a site's own worn stripes.

What is asked of them stands in `test_masking`; ``python tests/survey.py masking`` prints the same over more cards.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from random import Random

from bitstring import Bits

from credkit import CredkitError, chain
from credkit.catalogue.api import conversion
from credkit.cli.rows import convert_row
from credkit.cli.values import InputLine
from credkit.explain.presentations import SERIAL_BITS, presentations
from credkit.privacy.accountroom import ACCOUNT_DIGITS
from credkit.privacy.accounts import holds_account
from credkit.privacy.payment import payment_in_decoded
from tests.tracks import on_medium

SERIALS = {32: "uid-a-4", 56: "uid-a-7", 80: "uid-a-10", 64: "uid-15693"}


@dataclass
class Masked:
    """Texts and those that are masked, by presentation: of fewer than 12 characters, and of more."""

    short: Counter[str] = field(default_factory=Counter)
    long: Counter[str] = field(default_factory=Counter)
    masked: Counter[str] = field(default_factory=Counter)

    @property
    def share(self) -> float:
        """Of the texts that have room for an account number, those that look like one."""
        return sum(self.masked[name] for name in self.long) / self.long.total()


def serials(random: Random, size: int, count: int) -> list[Bits]:
    """As many serials, half of them at random and half of a box, one after the other."""
    first = random.getrandbits(size - 1)
    numbers = [random.getrandbits(size) if place % 2 else first + place for place in range(count)]
    return [Bits(uint=number, length=size) for number in numbers]


def masked_serials(count: int, seed: int) -> Masked:
    """``count`` serials of each size in all presentations."""
    random, found = Random(seed), Masked()
    for size in SERIAL_BITS:
        for serial in serials(random, size, count):
            for row in presentations(size):
                try:
                    text = row.encode(serial)
                except CredkitError:  # a number of fewer digits than are left
                    continue
                name = f"{size // 8} bytes: {row.title}"
                (found.short if len(text) < ACCOUNT_DIGITS.start else found.long)[name] += 1
                found.masked[name] += holds_account(text)
    return found


def refused_conversions(count: int, seed: int) -> tuple[int, int]:
    """Conversions of serials from hexadecimal to decimal digits in either order, and those that are refused."""
    random, done, refused = Random(seed), 0, 0
    for size, uid in SERIALS.items():
        for order in ("", "/reverse-bytes"):
            work = conversion(f"hex:{size // 4}/{uid}", f"decimal:{size}{order}/{uid}")
            for serial in serials(random, size, count):
                if chain(uid).inspect(serial).ok:
                    row = convert_row(work, InputLine(serial.hex.upper()), hints=False, explained=False).as_redacted()
                    done += 1
                    refused += row.error is not None
    return done, refused


def worn(bits: str, random: Random, errors: int) -> str:
    """``bits`` with as many of them wrong."""
    wrong = set(random.sample(range(len(bits)), errors))
    return "".join("10"[int(bit)] if place in wrong else bit for place, bit in enumerate(bits))


def worn_stripes(count: int, errors: int, seed: int) -> Counter[str]:
    """Of stripes with ten digits, a separator and seven digits, each with so many wrong bits: masked, and refused."""
    random, found = Random(seed), Counter[str]()
    codec = chain("binary/track-2-bits/track-2:number,rest")
    for _ in range(count):
        text = f";{random.randrange(10**10):010d}={random.randrange(10**7):07d}?"
        bits = worn(f"{'0' * 20}{on_medium(text, 5)}{'0' * 10}", random, errors)
        reading = codec.inspect(bits)
        seen = payment_in_decoded(codec, bits, reading)
        found.update(rows=1, failing=not reading.ok, masked=seen.has_account, refused=seen.has_valid_track)
    return found


def show_masking(count: int, seed: int) -> None:
    """Print all three."""
    found = masked_serials(count, seed)
    short = sum(found.masked[name] for name in found.short if name not in found.long)
    print(f"texts of fewer than {ACCOUNT_DIGITS.start} characters: {found.short.total():,}, masked {short}")
    print(f"longer texts: {found.long.total():,}, masked {found.share:.3%}; most of one presentation:")
    shares = {name: found.masked[name] / texts for name, texts in found.long.items()}
    for name in sorted(shares, key=lambda name: -shares[name])[:5]:
        print(f"  {shares[name]:7.2%}  {name}")
    done, refused = refused_conversions(10 * count, seed)
    print(f"conversions of serials: {done:,}, refused {refused}")
    for errors in (1, 2):
        worn = worn_stripes(3000, errors, seed)
        print(
            f"own stripes with {errors} wrong bits: {worn['rows']:,}, failing {worn['failing']:,}, "
            f"masked {worn['masked']}, files refused {worn['refused']}"
        )

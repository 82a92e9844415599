"""How often an unknown text is identified, how often two texts are related, and how often chance does either.

``python tests/survey.py --serials 2000`` draws serials of 4 and 7 bytes, half of them at random and
half in consecutive boxes, prints each in every presentation, and counts how often the chain that
wrote it is listed, and how often its group is the first: for one card without help, and for three
cards of which one number is known.

``python tests/survey.py chance --pairs 20000`` draws texts of different cards, and counts for every n
how often `relate` claims n bits for two of them, and `identify` for one that means nothing; it should
be no more than twice in 2 ** n. ``python tests/survey.py recall --pairs 20000`` draws two texts of
one card, in two presentations, and counts how often `relate` connects them, by the bits that both have.

``python tests/survey.py masking`` counts how many serials look like payment account numbers in any presentation, and
what becomes of a site's own worn stripes (`tests/masking.py`).

`test_search` and `test_masking` run all of them small.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from time import perf_counter

from bitstring import Bits

from credkit import CredkitError, Fields, chain, convert, identify, relate
from credkit.discover.chainvalues import ChainCandidate
from credkit.explain.identification import MatchGroup
from credkit.explain.presentations import SERIAL_BITS as ALL_SIZES
from credkit.explain.presentations import Presentation, presentations

if not __package__:
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.masking import show_masking

SIZES = (32, 56)


@dataclass
class Tally:
    """Counts by presentation: texts, those whose chain was listed, was first alone, was first with help."""

    texts: Counter[str] = field(default_factory=Counter)
    listed: Counter[str] = field(default_factory=Counter)
    alone: Counter[str] = field(default_factory=Counter)
    helped: Counter[str] = field(default_factory=Counter)
    silent: Counter[str] = field(default_factory=Counter)  # one card carried no evidence at all

    @property
    def share(self) -> float:
        """How often the chain's group was the first, with three cards and a known number."""
        return self.helped.total() / self.texts.total()


def boxes(random: Random, size: int) -> Iterator[list[Bits]]:
    """Three cards, endlessly: by turns at random, and one after the other of a box."""
    while True:
        yield [Bits(uint=random.getrandbits(size), length=size) for _ in range(3)]
        first = random.randrange((1 << size) - 3)
        yield [Bits(uint=first + place, length=size) for place in range(3)]


def has(group: MatchGroup, row: Presentation) -> bool:
    """Whether the chain of a presentation is in a group; a text without letters shows no small ones."""
    names = (f"{row.codec.name}/", f"{row.codec.name.replace(',lower', '')}/")
    return any(match.chain.startswith(names) for match in group.matches)


def survey(serials: int, seed: int = 11) -> Tally:
    """The counts for as many ``serials`` of each size, each in every presentation."""
    tally = Tally()
    for size in SIZES:
        cards = boxes(Random(seed), size)
        for _ in range(serials // len(SIZES)):
            three = next(cards)
            for row in presentations(size):
                look(tally, row, three, f"{size // 8} bytes: {row.title}")
    return tally


def look(tally: Tally, row: Presentation, cards: list[Bits], name: str) -> None:
    """Count what is found for three cards in one presentation."""
    try:
        texts = [row.encode(card) for card in cards]
    except CredkitError:  # a number of fewer digits than are left
        return
    tally.texts[name] += 1
    groups = identify(texts[0])
    tally.listed[name] += any(has(group, row) for group in groups)
    tally.alone[name] += has(groups[0], row)
    tally.silent[name] += groups[0].evidence < 1
    word = row.codec._decode_raw(texts[0])
    assert word is not None
    tally.helped[name] += has(identify(texts, known=[word[0]])[0], row)


# ── relate and identify against chance ──────────────────────────────────────────────────────────

Texts = Iterator[tuple[str, str]]
MAKERS = {32: "", 40: "", 56: "04", 64: "E004", 80: "04"}  # first bytes that cards of one maker share
MOST = 30  # bits that are counted


def written(row: Presentation, serial: Bits) -> str | None:
    """``serial`` in a presentation; None where it has fewer digits than are left."""
    try:
        return row.encode(serial)
    except CredkitError:
        return None


def two_cards(random: Random, serials: Callable[[int], tuple[Bits, Bits]]) -> Texts:
    """Texts of two different cards, each in a presentation drawn at random.

    A pair is left out that may be of one card, since the two cards agree in all that both texts have of them: cards of
    one box do where the last bytes are left out.
    """
    while True:
        rows = presentations(random.choice(ALL_SIZES))
        row, other = random.choice(rows), random.choice(rows)
        size = rows[0].bits
        one, two = serials(size)
        text, text_of_two = written(row, one), written(other, two)
        span = common(row, other, size)
        if text and text_of_two and (one[span] != two[span] or not one[span]) and text_of_two != written(other, one):
            yield text, text_of_two


def unrelated(random: Random) -> Mapping[str, Texts]:
    """Texts that no card has both of, kind by kind."""

    def drawn(size: int) -> tuple[Bits, Bits]:
        return Bits(uint=random.getrandbits(size), length=size), Bits(uint=random.getrandbits(size), length=size)

    def of_one_maker(size: int) -> tuple[Bits, Bits]:
        head = Bits(hex=MAKERS[size])
        one, two = drawn(size - len(head))
        return head + one, head + two

    def neighbours(size: int) -> tuple[Bits, Bits]:
        first = random.randrange((1 << size) - 9)
        return Bits(uint=first, length=size), Bits(uint=first + random.randint(1, 8), length=size)

    def small(size: int) -> tuple[Bits, Bits]:
        bits = random.choice((24, 26))
        one, two = (Bits(uint=random.getrandbits(bits), length=size) for _ in range(2))
        return one, two

    def decimals(width: int = 0) -> Texts:
        while True:
            one, two = (random.randrange(10 ** random.randint(5, 20)) for _ in range(2))
            yield f"{one:0{width}d}", f"{two:0{width}d}"

    def alike() -> Texts:
        while True:
            digits = random.randint(5, 20)
            one, two = (random.randrange(10**digits) for _ in range(2))
            yield f"{one:0{digits}d}", f"{two:0{digits}d}"

    def consecutive() -> Texts:
        while True:
            first, width = random.randrange(10 ** random.randint(5, 20)), random.choice((0, 10))
            yield f"{first:0{width}d}", f"{first + random.randint(1, 8):0{width}d}"

    def hexadecimal() -> Texts:
        while True:
            one, two = (f"{random.getrandbits(4 * n):0{n}X}" for n in random.choices(range(4, 21), k=2))
            yield one, two

    return {
        "serials drawn at random": two_cards(random, drawn),
        "serials of one maker": two_cards(random, of_one_maker),
        "serials of one box": two_cards(random, neighbours),
        "numbers of 24 or 26 bits, filled up": two_cards(random, small),
        "decimals of 5 to 20 digits": decimals(),
        "decimals, filled up to 20 digits": decimals(20),
        "decimals of as many digits": alike(),
        "consecutive decimals": consecutive(),
        "hexadecimal of 4 to 20 digits": hexadecimal(),
    }


def meaningless(random: Random) -> Mapping[str, Iterator[str]]:
    """Texts that mean nothing, kind by kind."""

    def texts(digits: str, least: int, most: int) -> Iterator[str]:
        while True:
            yield "".join(random.choices(digits, k=random.randint(least, most)))

    def decimals() -> Iterator[str]:
        while True:
            yield str(random.randrange(10 ** random.randint(5, 20)))

    return {
        "decimal digits, 5 to 20": texts("0123456789", 5, 20),
        "decimals without zeros before them": decimals(),
        "hexadecimal digits, 4 to 20": texts("0123456789ABCDEF", 4, 20),
        "hexadecimal digits, 8": texts("0123456789ABCDEF", 8, 8),
        "bits, 24 to 80": texts("01", 24, 80),
        "bits, 26": texts("01", 26, 26),
        "bits, 37": texts("01", 37, 37),
    }


@dataclass
class Chance:
    """For one kind of texts: how many were tried, and how many claims of at least n bits there were."""

    tried: int = 0
    claims: Counter[int] = field(default_factory=Counter)

    def count(self, bits: float) -> None:
        """One more, for which ``bits`` are claimed."""
        self.tried += 1
        self.claims.update(range(1, min(MOST, int(bits)) + 1))

    def excess(self, bits: int) -> float:
        """How often there are so many claims, by how often chance may make them: 2 ** -bits."""
        return float(self.claims[bits] / self.tried * 2**bits)

    def improbable(self, bits: int) -> bool:
        """Whether there are more claims than twice in 2 ** bits, by more than four standard deviations."""
        allowed = 2 * self.tried / 2**bits
        return bool(self.claims[bits] > allowed + 4 * allowed**0.5 + 1)


def chance(count: int, seed: int = 11) -> dict[str, Chance]:
    """Claims for ``count`` pairs of every kind that `relate` is given, and as many texts for `identify`."""
    found = {}
    for kind, pairs in unrelated(Random(seed)).items():
        found[f"relate: {kind}"] = tally = Chance()
        for _ in range(count):
            tally.count(max((each.evidence for each in relate(*next(pairs))), default=0))
    for kind, texts in meaningless(Random(seed)).items():
        found[f"identify: {kind}"] = tally = Chance()
        for _ in range(count // 4):
            tally.count(max((group.evidence for group in identify(next(texts))), default=0))
    return found


# ── what is found of one card ───────────────────────────────────────────────────────────────────


@dataclass
class Recall:
    """For pairs that have so many bits of a serial in common: how many were connected, how many rightly first."""

    pairs: int = 0
    found: int = 0
    first: int = 0


def common(row: Presentation, other: Presentation, size: int) -> slice:
    """Which bits of a serial of ``size`` two presentations have in common."""
    starts = [size - each.bits if each.part == "low" else 0 for each in (row, other)]
    stops = [start + each.bits for start, each in zip(starts, (row, other), strict=True)]
    return slice(max(starts), max(max(starts), min(stops)))


def shared(row: Presentation, other: Presentation, size: int) -> int:
    """How many bits of a serial of ``size`` two texts have in common."""
    if row.digits or other.digits:
        whole, cut = (row, other) if other.digits else (other, row)
        return 26 if cut.digits and not whole.digits and whole.part == "all" else 0
    span = common(row, other, size)
    return int(span.stop - span.start)


def holds(found: ChainCandidate, texts: tuple[str, str]) -> bool:
    """Whether a connection also holds between the texts of another card, in all that both have of it."""
    one, other = reversed(texts) if found.is_backward else texts
    try:
        if convert(one, source=found.source, target=found.target) == other:
            return True
        left = chain(found.source).decode(one)
        right = chain(found.target.partition("/select:")[0]).decode(other)  # constants may be others
    except CredkitError:
        return False
    names = set(left) & set(right) if isinstance(left, Fields) and isinstance(right, Fields) else ()
    return bool(names) and all(left[name] == right[name] for name in names)


def recall(count: int, seed: int = 11) -> dict[int, Recall]:
    """What is found of ``count`` pairs of texts of one card, by the bits in common, rounded down to whole bytes."""
    random = Random(seed)
    tallies: dict[int, Recall] = {}
    while count:
        size = random.choice(ALL_SIZES)
        rows = presentations(size)
        row, other = random.choice(rows), random.choice(rows)
        bits = shared(row, other, size)
        if bits < 8:
            continue
        one, two = (Bits(uint=random.getrandbits(size) | 1 << (size - 1), length=size) for _ in range(2))
        left, right, again, others = (written(each, card) for card in (one, two) for each in (row, other))
        if not (left and right and again and others):
            continue
        count -= 1
        tally = tallies.setdefault(min(bits // 8 * 8, 56), Recall())
        found = relate(left, right)
        tally.pairs += 1
        tally.found += bool(found)
        tally.first += bool(found) and holds(found[0], (again, others))
    return dict(sorted(tallies.items()))


def show_chance(count: int, seed: int) -> None:
    """Claims against chance, a row a kind of texts."""
    levels = (4, 6, 8, 10, 12, 14, 16)
    print("claims of at least n bits, by those that chance may make (1.0 is 2 ** -n; at most 2.0)")
    print(f"{'texts':56}{'tried':>8}{'any':>8}{''.join(f'{n:>9}' for n in levels)}")
    for name, tally in chance(count, seed).items():
        share = tally.claims[1] / tally.tried
        figures = "".join(f"{tally.excess(n):9.2f}" for n in levels)
        print(f"{name:56}{tally.tried:8,}{share:8.2%}{figures}")


def show_recall(count: int, seed: int) -> None:
    """What is found of one card, a row a number of bits in common."""
    print("bits in common     pairs   connected   the first connection holds for another card, too")
    for bits, tally in recall(count, seed).items():
        shares = f"{tally.found / tally.pairs:12.1%}{tally.first / tally.pairs:12.1%}"
        print(f"{f'{bits} to {bits + 7}':>14}{tally.pairs:10,}{shares}")


def main(arguments: list[str] | None = None) -> int:
    """Survey and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("mode", nargs="?", choices=("forms", "chance", "recall", "masking"), default="forms")
    parser.add_argument("--serials", type=int, default=200)
    parser.add_argument("--pairs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=11)
    options = parser.parse_args(arguments)
    if options.mode == "masking":
        show_masking(options.serials, options.seed)
        return 0
    if options.mode != "forms":
        (show_chance if options.mode == "chance" else show_recall)(options.pairs, options.seed)
        return 0
    start = perf_counter()
    tally = survey(options.serials, options.seed)
    print(f"{'presentation':62} listed  first of one card  no evidence  first of three, one known")
    for name, count in tally.texts.items():
        shares = (tally.listed, tally.alone, tally.silent, tally.helped)
        print(f"{name:62} {'   '.join(f'{each[name] / count:9.1%}' for each in shares)}")
    total = tally.texts.total()
    listed, alone = tally.listed.total() / total, tally.alone.total() / total
    print(f"{total:,} texts in {perf_counter() - start:.0f} s: the chain was listed for {listed:.2%};")
    print(f"its group was first for {alone:.1%} of single cards, {tally.share:.2%} of three with a known number")
    return 0


if __name__ == "__main__":
    sys.exit(main())

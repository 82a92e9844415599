"""How often an unknown text is identified: serials, in every presentation, one card and three.

``python tests/survey.py --serials 2000`` draws serials of 4 and 7 bytes, half of them at random and
half in consecutive boxes, prints each in every presentation, and counts how often the chain that
wrote it is listed, and how often its group is the first: for one card without help, and for three
cards of which one number is known. `test_search` runs it small.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from random import Random
from time import perf_counter

from bitstring import Bits

from credkit import CredkitError, identify
from credkit.search.identification import Group
from credkit.search.presentations import Presentation, presentations

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


def has(group: Group, row: Presentation) -> bool:
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
        texts = [row.write(card) for card in cards]
    except CredkitError:  # a number of fewer digits than are left
        return
    tally.texts[name] += 1
    groups = identify(texts[0])
    tally.listed[name] += any(has(group, row) for group in groups)
    tally.alone[name] += has(groups[0], row)
    tally.silent[name] += groups[0].evidence < 1
    word = row.codec.attempt(texts[0])
    assert word is not None
    tally.helped[name] += has(identify(texts, known=[word[0]])[0], row)


def main(arguments: list[str] | None = None) -> int:
    """Survey and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--serials", type=int, default=200)
    parser.add_argument("--seed", type=int, default=11)
    options = parser.parse_args(arguments)
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

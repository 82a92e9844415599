"""Spreadsheet damage, judged by column: whether more numbers end in zeros than chance and structure give.

A spreadsheet keeps 15 significant digits of a number (IEEE 754 double precision) and writes zeros
behind them. One number in ten with 16 digits ends in a zero by itself, so a single value proves
nothing; only the distinct texts of a whole column do, since a reader repeats the same card. What the
judgement takes into account:

- **Powers of two are structure, powers of five are evidence.** Cards of one maker, read last byte
  first, have the same lowest bits: all their numbers may be even, and one in five ends in a zero. A
  number ends in T zeros if 2^T and 5^T divide it. Bytes and bits decide the former and tell nothing
  of the latter, so the numbers that 2^T divides are counted, and how many of them 5^T divides.
- **Digits 0 and 1 alone are bits.** Of a frame printed as bits, a zero is worth one bit, not a digit.
- **Texts that no spreadsheet can have rounded are the control**: short ones, those with a leading zero
  (it would have been dropped), and hexadecimal ones. A step of ten or a filler shows in them, too, and
  then the zeros of the long ones are expected.
- **So are zeros of which the near misses are as frequent.** Where the last digit is an issue, most numbers end
  in 0, and of the others most in 1 or 2, hardly any in 7; longer ones end in 10, 20 and 30 as often as in
  00. Rounding has no near misses. Where the others are too few to tell, numbers are at most doubtful.
- **Numbers that several credentials have** are judged by themselves: rounding makes one of many, and of
  those that are duplicates for another reason no more than chance gives end in zeros.
- **Rounding leaves any 15th digit.** Where most zeros begin before it, as in numbers filled up on the right,
  or most 15th digits are the same, as before an issue that is always 0, numbers are at most doubtful. A
  step of ten in numbers that all have 16 digits cannot be told from rounding.
- **Numbers are called damaged where most of their length that end in zeros are beyond chance.** Where a few
  of many were rounded, most of those that end in zeros are whole: they are doubtful at most. Doubtful are
  also those of one credential where those of several are damaged.

Probabilities are upper bounds. Source: W. Hoeffding, Probability inequalities for sums of bounded
random variables (1963), theorem 1; from memory.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import exp, log
from typing import Literal, NamedTuple, TypeAlias

from credkit.core.sentences import format_count, redacted_repr
from credkit.facts.texts import SPREADSHEET_DIGITS, is_rounded

Damage: TypeAlias = Literal["none", "doubtful", "damaged"]

DOUBTFUL_PROBABILITY = 1e-3  # of as many zeros by chance, below which a person has to look
DAMAGED_PROBABILITY = 1e-6
WEAK_PROBABILITY = 0.1  # of other digits as few by chance, below which nothing is called damaged
DAMAGED_EXCESS = 0.5  # of the numbers of a length that end in zeros, beyond chance, for calling them damaged
DOUBTFUL_EXCESS = 0.1  # the same, for doubting them where others of the column are damaged
_STORED = f"stored as a number, of which a spreadsheet keeps {SPREADSHEET_DIGITS} digits"
MOST_TWOS = 18  # powers of two that are told apart: of a number the last 18 digits, which have 64 bits


class TextShape(NamedTuple):
    """What counts of a text: its ``digits``, how often two divides it (``twos``), the zeros at its end.

    ``is_shared``: whether several credentials have it. ``last`` is its last digit, or the 15th if only
    zeros follow. Of a text that no spreadsheet can have rounded, ``digits`` is 0.
    """

    digits: int
    is_binary: bool
    is_shared: bool
    twos: int
    zeros: int
    last: int


def text_shape(text: str, *, is_shared: bool = False) -> TextShape | None:
    """The shape of ``text``; None if it is neither a number nor a long hexadecimal text.

    >>> text_shape("3602879701896390"), text_shape("0602879701896390").digits
    (TextShape(digits=16, is_binary=False, is_shared=False, twos=1, zeros=1, last=9), 0)
    """
    digits = text.removeprefix("-")
    zeros = len(digits) - len(digits.rstrip("0"))
    if not (digits.isascii() and digits.isdecimal()):
        is_hexadecimal = len(text) > SPREADSHEET_DIGITS and text.isascii() and text.isalnum()
        return TextShape(0, False, False, MOST_TWOS, zeros, 0) if is_hexadecimal else None
    is_long = len(digits) > SPREADSHEET_DIGITS and digits[0] != "0"
    number = int(digits[-MOST_TWOS:])
    twos = min((number & -number).bit_length() - 1, MOST_TWOS) if number else MOST_TWOS
    last = digits[SPREADSHEET_DIGITS - 1] if is_long and zeros >= len(digits) - SPREADSHEET_DIGITS else digits[-1]
    return TextShape(
        len(digits) if is_long else 0, not digits.strip("01"), is_shared and is_long, twos, zeros, int(last)
    )  # fmt: skip


class LengthDamage(NamedTuple):
    """The numbers of one length: how many there are, how many end in zeros, how many would by chance."""

    digits: int
    is_binary: bool
    is_shared: bool
    numbers: int
    zero_tails: int
    expected: float
    damage: Damage


@dataclass(frozen=True, kw_only=True)
class ColumnDamage:
    """The verdict on a column, with its counts of distinct texts of more than 15 digits.

    ``probability`` bounds the chance of as many zeros behind the 15th digit in an undamaged column;
    ``structure`` is what speaks against rounding, ``shared`` are the texts that several credentials have, ``stored``
    those that a sheet holds as numbers, of which it keeps 15 digits: they are doubtful at least.
    """

    damage: Damage
    probability: float
    lengths: tuple[LengthDamage, ...] = ()
    structure: str = ""
    shared: Collection[str] = frozenset()
    stored: Collection[str] = frozenset()

    def doubt_stored(self, texts: Collection[str]) -> ColumnDamage:
        """The verdict where a sheet holds these of its texts as numbers of more than 15 digits."""
        if not texts:
            return self
        return replace(self, stored=texts, damage="doubtful" if self.damage == "none" else self.damage)

    def judge(self, text: str) -> Damage:
        """The verdict on one ``text`` of the column: that on its length if it ends in zeros, else ``none``."""
        shape = text_shape(text, is_shared=text in self.shared) if is_rounded(text) else None
        found: Damage = next((each.damage for each in self.lengths if shape and shape[:3] == each[:3]), "none")
        return "doubtful" if found == "none" and text in self.stored else found

    def suspects(self, text: str) -> bool:
        """Whether ``text`` is damaged or doubtful; whoever knows it to be whole need not ask."""
        return self.judge(text) != "none"

    @cached_property
    def concerned(self) -> tuple[LengthDamage, ...]:
        """The lengths that the verdict is about: the damaged or doubtful ones, or all where there is none."""
        return tuple(each for each in self.lengths if each.damage != "none") or self.lengths

    @property
    def numbers(self) -> int:
        """The number of distinct texts of the lengths that the verdict is about."""
        return sum(each.numbers for each in self.concerned)

    @property
    def zero_tails(self) -> int:
        """The number of them that have only zeros behind the 15th digit."""
        return sum(each.zero_tails for each in self.concerned)

    @property
    def expected(self) -> float:
        """The number of them that would have by chance."""
        return sum(each.expected for each in self.concerned)

    @property
    def chance(self) -> str:
        """The counts beside chance, as a clause."""
        if not self.lengths:
            return "no number has more than 15 digits"
        lengths = sorted({each.digits for each in self.concerned})
        span = str(lengths[0]) if len(lengths) == 1 else f"{lengths[0]} to {lengths[-1]}"
        end = "ends" if self.zero_tails == 1 else "end"
        shared = " that several credentials have" if all(each.is_shared for each in self.concerned) else ""
        numbers = f"{format_count(self.numbers, 'different number')} with {span} digits{shared}"
        return (
            f"of {numbers}, {self.zero_tails:,} {end} in zeros behind the 15th digit; "
            f"chance gives {format_expected(self.expected)}"
        )

    @property
    def sentence(self) -> str:
        """The verdict as a sentence: the counts, then the conclusion and what to do."""
        if self.damage == "none":
            return self.chance
        if self.stored and all(each.damage == "none" for each in self.lengths):
            return (
                f"{format_count(len(self.stored), 'different number')} with more than {SPREADSHEET_DIGITS} digits "
                f"{'is' if len(self.stored) == 1 else 'are'} {_STORED}: compare them with their source"
            )
        if self.structure:
            return f"{self.chance}; {self.structure}, which rounding does not leave: compare them with their source"
        if self.damage == "doubtful":
            return f"{self.chance}; a spreadsheet may have rounded some: compare them with their source"
        return f"{self.chance}; a spreadsheet rounded the column: re-export it from the source"

    def describe(self, text: str) -> str:
        """The reason for which ``text``, which is suspected, is not taken as it stands."""
        if text in self.stored and not is_rounded(text):
            return f"{redacted_repr(text)} is {_STORED}"
        doubt = "" if self.judge(text) == "damaged" else " and may be rounded"
        return f"{redacted_repr(text)} has only zeros behind its 15th digit{doubt}: {self.chance}"


@dataclass(slots=True)
class ColumnCounts:
    """The shapes of the distinct texts of a column, counted; counts of parts of a column can be merged.

    Whoever counts passes each distinct text once, over all parts.

    >>> first, second = ColumnCounts(), ColumnCounts()
    >>> first.add("3602879701896390")
    >>> second.add("3602879701896397")
    >>> first.merge(second)
    >>> first.judge().chance
    'of 2 different numbers with 16 digits, 1 ends in zeros behind the 15th digit; chance gives 0.2'
    """

    shapes: Counter[TextShape] = field(default_factory=Counter)

    def add(self, text: str, *, is_shared: bool = False) -> None:
        """Count a text that was not counted before; ``is_shared``: whether several credentials have it."""
        shape = text_shape(text, is_shared=is_shared)
        if shape is not None:
            self.shapes[shape] += 1

    def merge(self, other: ColumnCounts) -> None:
        """Add the counts of another part of the column, which has none of the same texts."""
        self.shapes.update(other.shapes)

    def judge(self, shared: Collection[str] = frozenset()) -> ColumnDamage:
        """The verdict on the column; ``shared`` are the texts that were counted as such."""
        lengths = sorted({shape[:3] for shape in self.shapes if shape.digits})
        tallies = [self._tally(*length) for length in lengths]
        if not tallies:
            return ColumnDamage(damage="none", probability=1.0)
        bounds = [tail_bound(each.eligible, each.zero_tails, each.eligible * each.chance) for each in tallies]
        together = tail_bound(
            sum(each.eligible for each in tallies), sum(each.zero_tails for each in tallies),
            sum(each.eligible * each.chance for each in tallies),
        )  # fmt: skip
        judgements = 1 if len(tallies) == 1 else len(tallies) + 1
        probability = min(1.0, judgements * min(*bounds, together))
        found = [each.judge(probability, bound) for each, bound in zip(tallies, bounds, strict=True)]
        rounded = {(each.digits, each.is_binary) for each in found if each.damage == "damaged"}
        found = [
            each._replace(damage="doubtful") if each.damage == "none" and each[:2] in rounded else each
            for each in found
        ]
        damages = {each.damage for each in found}
        damage: Damage = "damaged" if "damaged" in damages else "doubtful" if "doubtful" in damages else "none"
        structures = [tally.structure for tally, each in zip(tallies, found, strict=True) if each.damage != "none"]
        return ColumnDamage(
            damage=damage, probability=probability, lengths=tuple(found),
            structure=structures[0] if structures and all(structures) else "", shared=shared,
        )  # fmt: skip

    def _tally(self, digits: int, is_binary: bool, is_shared: bool) -> _Tally:
        tail = digits - SPREADSHEET_DIGITS
        mine = Counter({shape: n for shape, n in self.shapes.items() if shape[:3] == (digits, is_binary, is_shared)})
        control = Counter({shape: n for shape, n in self.shapes.items() if shape[:2] == (0, is_binary)})
        eligible = _eligible(mine, tail)
        return _Tally(
            digits=digits, is_binary=is_binary, is_shared=is_shared, numbers=mine.total(), eligible=eligible.total(),
            zero_tails=_ending_in_zeros(mine, tail),
            early=_ending_in_zeros(mine, tail + (4 if is_binary else 1)),
            same=0 if is_binary else max(_last_digits(mine, lambda shape: shape.zeros >= tail).values(), default=0),
            chance=max(
                _chance_of_control(_eligible(control, tail), tail, is_binary), _chance_of_near_misses(mine, tail)
            ),
            two_digits=_bound_of_two_digits(mine, tail),
        )  # fmt: skip


def _eligible(shapes: Counter[TextShape], tail: int) -> Counter[TextShape]:
    """The numbers that may end in ``tail`` zeros as far as two is concerned."""
    twos = min(tail, MOST_TWOS)
    return Counter({shape: count for shape, count in shapes.items() if shape.is_binary or shape.twos >= twos})


def _ending_in_zeros(shapes: Counter[TextShape], zeros: int) -> int:
    return sum(count for shape, count in shapes.items() if shape.zeros >= zeros)


def _chance_of_control(control: Counter[TextShape], tail: int, is_binary: bool) -> float:
    """The chance of ``tail`` zeros where two does not speak against it; of the control if that has more."""
    chance = 2.0**-tail if is_binary else 5.0**-tail
    count, zeros = control.total(), _ending_in_zeros(control, tail)
    return zeros / count if tail_bound(count, zeros, count * chance) <= DOUBTFUL_PROBABILITY else chance


def _chance_of_near_misses(numbers: Counter[TextShape], tail: int) -> float:
    """The chance of ``tail`` zeros beside their near misses, if there are more of those than chance gives.

    A near miss has all the zeros but the first: before them, one in five even digits is a zero. Near misses are
    also those that end in any two other digits.
    """
    if _bound_of_two_digits(numbers, tail) <= DOUBTFUL_PROBABILITY:
        return 1.0
    if tail == 1 or any(shape.is_binary for shape in numbers):
        return 0.0
    others = Counter({shape: count for shape, count in _eligible(numbers, tail).items() if shape.zeros < tail})
    count, near = others.total(), _ending_in_zeros(others, tail - 1)
    is_structure = tail_bound(count, near, count * 5.0 ** (1 - tail)) <= DOUBTFUL_PROBABILITY
    return near / 4 / (near / 4 + count) if is_structure else 0.0


def _bound_of_two_digits(numbers: Counter[TextShape], tail: int) -> float:
    """A bound of the chance that of numbers without the zeros as many end in two digits, as half of them do at most."""
    if any(shape.is_binary for shape in numbers):
        return 1.0
    last = _last_digits(numbers, lambda shape: shape.zeros < tail)
    return tail_bound(last.total(), sum(count for _, count in last.most_common(2)), last.total() / 2)


def _last_digits(shapes: Counter[TextShape], of: Callable[[TextShape], bool]) -> Counter[int]:
    """How many of the numbers with such a shape have each last digit."""
    digits: Counter[int] = Counter()
    for shape in filter(of, shapes):
        digits[shape.last] += shapes[shape]
    return digits


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tally:
    """The counts of one length: ``eligible`` are numbers that may end in zeros, as far as two is concerned."""

    digits: int
    is_binary: bool
    is_shared: bool
    numbers: int
    eligible: int
    zero_tails: int
    early: int  # numbers whose zeros begin before the 15th digit: by chance one in ten, or one in 16 of bits
    same: int  # numbers that end in zeros and have the most common 15th digit
    chance: float
    two_digits: float  # a bound of the chance that as many of the others end in only two digits

    @property
    def structure(self) -> str:
        """What speaks against rounding; empty if nothing does."""
        if 2 * self.early > self.zero_tails:
            return "most have zeros before it, too"
        is_one = tail_bound(self.zero_tails, self.same, self.zero_tails / 4) <= DOUBTFUL_PROBABILITY
        if is_one:
            return "most have the same 15th digit"
        return "most of the others end in one of two digits" if self.two_digits <= WEAK_PROBABILITY else ""

    def judge(self, probability: float, bound: float) -> LengthDamage:
        """The verdict, where ``probability`` bounds the chance of the column, and ``bound`` that of this length."""
        others = self.eligible - self.zero_tails
        whole = others * self.chance / (1 - self.chance) if self.chance < 1 else float(self.zero_tails)
        excess = 1 - whole / self.zero_tails if self.zero_tails else 0.0
        is_certain = probability <= DAMAGED_PROBABILITY
        damage: Damage = "none"
        if is_certain and excess >= DAMAGED_EXCESS and not self.structure:
            damage = "damaged"
        elif probability <= DOUBTFUL_PROBABILITY and (
            excess >= (DOUBTFUL_EXCESS if is_certain else DAMAGED_EXCESS) or bound <= DOUBTFUL_PROBABILITY
        ):
            damage = "doubtful"
        expected = max(self.numbers * (2.0 if self.is_binary else 10.0) ** (SPREADSHEET_DIGITS - self.digits), whole)
        return LengthDamage(
            digits=self.digits, is_binary=self.is_binary, is_shared=self.is_shared, numbers=self.numbers,
            zero_tails=self.zero_tails, expected=expected, damage=damage,
        )  # fmt: skip


def judge_column(texts: Iterable[str], shared: Iterable[str] = ()) -> ColumnDamage:
    """The verdict on a column of ``texts``, each of which counts once; ``shared`` are those of several credentials.

    >>> whole = [str(3602879701890000 + 7 * place) for place in range(1000)]
    >>> judge_column(whole).sentence
    'of 1,000 different numbers with 16 digits, 100 end in zeros behind the 15th digit; chance gives 100'
    >>> rounded = judge_column(text[:15] + "0" for text in whole)
    >>> rounded.damage, rounded.suspects("3602879701890010"), rounded.suspects("3602879701890017")
    ('damaged', True, False)
    """
    counts = ColumnCounts()
    of_several = frozenset(filter(is_rounded, several := set(shared)))
    for text in set(texts):
        counts.add(text, is_shared=text in several)
    return counts.judge(of_several)


def tail_bound(count: int, successes: int, expected: float) -> float:
    """An upper bound of the chance of ``successes`` or more of ``count``, where ``expected`` are expected.

    >>> f"{tail_bound(10, 10, 2.0):.3e}", tail_bound(1000, 100, 100.0)  # 0.2 to the tenth
    ('1.024e-07', 1.0)
    """
    if successes <= expected or not count:
        return 1.0
    if expected <= 0:
        return 0.0
    rate, chance = successes / count, expected / count
    distance = rate * log(rate / chance)
    if rate < 1:
        distance += (1 - rate) * log((1 - rate) / (1 - chance))
    return exp(-count * distance)


def format_expected(number: float) -> str:
    """An expected count, as a sentence names it.

    >>> [format_expected(number) for number in (1234.5, 99.9996, 2.34, 2.0, 0.004)]
    ['1,234', '100', '2.3', '2', 'less than 0.1']
    """
    if number < 0.1:
        return "less than 0.1"
    return f"{number:,.0f}" if number >= 10 else f"{number:.1f}".removesuffix(".0")

"""Check digits of printed numbers: the rule by which the last characters follow from those before them.

The rules that standards name are tried as they are: luhn (ISO/IEC 7812-1) and those of ISO/IEC 7064, mod 11,2,
mod 37,2 and mod 97,10, mod 11,10, mod 27,26 and mod 37,36. Weighted sums modulo 10, 11 and 97 are solved for: each
number is an equation over the integers modulo m in which the weights are unknown.

A claim is calibrated. A number that merely counts up satisfies many an equation: evidence counts only what no single
digit explains, and what was tried is taken off. Numbers in equal steps are all alike modulo a divisor of the step, so
they never speak for a rule that looks at the number's value.

Source: ISO/IEC 7812-1, ISO/IEC 7064; weighted sums are common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import log2
from random import Random

from credkit.core.errors import DefinitionError
from credkit.core.frozen import FieldsOnly
from credkit.core.grammar import format_step
from credkit.core.sentences import format_count, redacted_repr
from credkit.discover.checkrecords import MIN_EVIDENCE_BITS
from credkit.discover.evidence import log2_choose
from credkit.discover.framesamples import DAMAGED_SHARE, MIN_DAMAGED_SAMPLE
from credkit.tables.checkcharacters import RULES, UNWEIGHTED_RULES, CheckCharacter

_SEPARATORS = str.maketrans("", "", " -./")
_COUNTED_NUMBERS = 1000  # numbers at most that count as evidence
_EQUAL_STEPS = 0.75  # of the steps between neighbours that are the same: the numbers count up
_DRAWS = 40  # random subsets for weights, one of which must be without typing errors
_SPARE_EQUATIONS = 4  # of a subset, more than it has unknown weights
_TRIED = log2(16)  # rules and moduli


_LINEAR_RULES = {11: "mod-11-2", 97: "mod-97-10"}  # named rules that are weighted sums, by their modulus
_RULES_OF_VALUE = ("mod-97-10",)  # that look at the number's value
_WEIGHTED = {10: (2, 5), 11: (11,), 97: (97,)}  # moduli that are solved for, and their prime factors


@dataclass(frozen=True, kw_only=True, repr=False)
class CheckDigitRule(FieldsOnly):
    """A rule that the numbers keep: a named one, or a weighted sum.

    ``size`` characters at the end are the check. ``weights`` of a weighted sum belong to the digits before them, the
    last digit's first: their sum and the check together are ``constant`` modulo ``modulus``. ``undetermined`` are the
    weights, by their index, of digits that tell nothing: they never vary, or only together with others. ``evidence``
    counts in bits what could have been otherwise, less what was tried; ``outliers`` are the numbers, by their index,
    that fail.
    """

    rule: str
    size: int
    modulus: int
    evidence: float
    count: int
    weights: tuple[int, ...] = ()
    constant: int = 0
    undetermined: tuple[int, ...] = ()
    outliers: tuple[int, ...] = ()

    def __repr__(self) -> str:
        return f"<CheckDigitRule {self.describe()}>"

    def fails(self, number: str) -> bool:
        """Whether the check of ``number`` is another one, or the number is none of this rule.

        >>> rule = CheckDigitRule(rule="luhn", size=1, modulus=10, evidence=20, count=9)
        >>> rule.fails("7992 7398 713"), rule.fails("7992 7398 714")
        (False, True)
        """
        text = _clean(number)
        if self.rule in UNWEIGHTED_RULES:
            return not _keeps(UNWEIGHTED_RULES[self.rule], text)
        row = _digits(text, self.size, self.modulus)
        if row is None or len(row[0]) > len(self.weights):
            return True
        total = sum(weight * digit for weight, digit in zip(self.weights, row[0], strict=False))
        return (row[1] + total - self.constant) % self.modulus != 0

    @property
    def step(self) -> str:
        """The step of a chain that takes the check character off, or an empty text where there is none.

        >>> CheckDigitRule(rule="mod-10", size=1, modulus=10, evidence=20, count=40, weights=(3, 1, 3, 1, 3)).step
        'check-digit:mod-10,3,1'
        """
        if self.rule not in RULES:
            return ""
        if not self.weights:
            return format_step("check-digit", self.rule)
        known = {place: w for place, w in enumerate(self.weights) if place not in self.undetermined}
        for period in range(1, len(self.weights) + 1):
            repeated = [{w for place, w in known.items() if place % period == i} for i in range(period)]
            if all(len(each) == 1 for each in repeated):
                weights = [each.pop() for each in repeated]
                constant_alone = self.undetermined and period == len(self.weights)
                if self.constant or constant_alone or not all(weights):
                    return ""
                return format_step("check-digit", self.rule, *map(str, weights))
        return ""

    def describe(self) -> str:
        """The rule in a sentence.

        >>> CheckDigitRule(rule="luhn", size=1, modulus=10, evidence=20.4, count=9).describe()
        'luhn: the last character of 9 numbers, 20 bits of evidence'
        """
        of = "the last character" if self.size == 1 else f"the last {self.size} characters"
        weights = ""
        if self.weights:
            listed = ["?" if i in self.undetermined else str(weight) for i, weight in enumerate(self.weights)]
            weights = f" with the weights {', '.join(listed)} from the right and the constant {self.constant}"
        kept = self.count - len(self.outliers)
        numbers = format_count(kept, "number") if not self.outliers else f"{kept} of {self.count} numbers"
        return f"{self.rule}{weights}: {of} of {numbers}, {format_count(round(self.evidence), 'bit')} of evidence"


def check_digits(numbers: Sequence[str]) -> tuple[CheckDigitRule, ...]:
    """The check digit rules that printed numbers keep, the best founded first; none where none is sure.

    Blanks, hyphens, dots and slashes are passed over. Of forty or more numbers one in twenty may be mistyped: these
    are the outliers. Raises `DefinitionError` for what is not a text.

    Badges of Brackwater Terminal:

    >>> from credkit.core.checks import luhn_check_digit
    >>> numbers = [f"{n}{luhn_check_digit(str(n))}" for n in (10417, 22903, 35521, 47116, 58874, 61290, 73345, 80068)]
    >>> check_digits(numbers)[0].describe()
    'luhn: the last character of 8 numbers, 19 bits of evidence'
    >>> check_digits([f"{n}" for n in range(10400, 10500)])
    ()
    """
    if isinstance(numbers, str):
        raise DefinitionError("check_digits: a list of texts is needed, not one text")
    for place, number in enumerate(numbers):
        if not isinstance(number, str):
            raise DefinitionError(f"check_digits: number {place} is {redacted_repr(number)}, expected a text")
    texts = list(dict.fromkeys(map(_clean, numbers)))
    counts_up = _counts_up(texts)
    named = {rule.rule: rule for rule in _named(texts, counts_up=counts_up)}
    weighted = [] if counts_up else [rule for modulus in _WEIGHTED if (rule := _weighted(texts, modulus))]
    for rule in weighted:  # the weights of a named rule are named
        if (name := _LINEAR_RULES.get(rule.modulus)) in named and rule.evidence > named[name].evidence:
            named[name] = replace(named[name], evidence=rule.evidence)
    if weighted and weighted[-1].size > 1:  # of two check digits, one alone often fits a smaller modulus by accident
        weighted = weighted[-1:]
    found = [rule for rule in named.values() if rule.evidence >= MIN_EVIDENCE_BITS]
    found = found or [rule for rule in weighted if rule.evidence >= MIN_EVIDENCE_BITS]
    found.sort(key=lambda rule: -rule.evidence)
    return tuple(_with_outliers(rule, numbers) for rule in found)


def _clean(number: str) -> str:
    return number.translate(_SEPARATORS).upper()


def _with_outliers(rule: CheckDigitRule, numbers: Sequence[str]) -> CheckDigitRule:
    outliers = tuple(place for place, number in enumerate(numbers) if rule.fails(number))
    return replace(rule, count=len(numbers), outliers=outliers)


def _counts_up(texts: Sequence[str]) -> bool:
    """Whether most of the numbers stand in equal steps."""
    values = sorted(int(text) for text in texts if text.isascii() and text.isdigit())
    steps = Counter(b - a for a, b in pairwise(values))
    return bool(steps) and max(steps.values()) >= _EQUAL_STEPS * steps.total()


def _is_enough(kept: int, count: int) -> bool:
    """Whether no more fail than may be mistyped."""
    return kept == count or (count >= MIN_DAMAGED_SAMPLE and count - kept <= DAMAGED_SHARE * count)


# ── named rules ─────────────────────────────────────────────────────────────────────────────────


def _keeps(rule: CheckCharacter, text: str) -> bool:
    body, check = text[: -rule.size], text[-rule.size :]
    return bool(body) and not set(body) - set(rule.letters) and rule.compute(body) == check


def _named(texts: list[str], *, counts_up: bool) -> Iterator[CheckDigitRule]:
    """Each named rule that the numbers keep, whatever that is worth."""
    for name, rule in UNWEIGHTED_RULES.items():
        if name in _RULES_OF_VALUE and counts_up:
            continue
        good = [text for text in texts if _keeps(rule, text)]
        if len(good) < 2 or not _is_enough(len(good), len(texts)):
            continue
        values = [text[: -rule.size] for text in good[:_COUNTED_NUMBERS]]
        size = max(map(len, values))
        unexplained = _unexplained([value.rjust(size) for value in values], range(size))
        evidence = log2(rule.modulus) * (unexplained - 1) - _TRIED - log2_choose(len(texts), len(good))
        yield CheckDigitRule(rule=name, size=rule.size, modulus=rule.modulus, evidence=evidence, count=len(texts))


def _unexplained(rows: Sequence[Sequence[object]], places: Sequence[int]) -> int:
    """How many values the digits at ``places`` have without any one of them: what no single digit explains."""
    if len(places) < 2:
        return 1
    return min(len({tuple(row[i] for i in places if i != left) for row in rows}) for left in places)


# ── weighted sums ───────────────────────────────────────────────────────────────────────────────


def _digits(text: str, size: int, modulus: int) -> tuple[list[int], int] | None:
    """The digits before the check, the last one first, and the check as a number; None where they are none."""
    body, check = text[:-size], text[-size:]
    if modulus == 11 and check == "X":
        check = "10"
    if not (body.isascii() and body.isdigit() and check.isascii() and check.isdigit()):
        return None
    return [int(digit) for digit in reversed(body)], int(check)


def _weighted(texts: list[str], modulus: int) -> CheckDigitRule | None:
    """The weighted sum modulo ``modulus`` that the numbers keep, whatever that is worth, or None."""
    size = 2 if modulus > 36 else 1
    read = [row for text in texts if (row := _digits(text, size, modulus))]
    if len(read) < 2 or not _is_enough(len(read), len(texts)):
        return None
    longest = max(len(digits) for digits, _ in read)
    rows = [([*digits, *[0] * (longest - len(digits))], check) for digits, check in read]
    if len({check for _, check in rows}) < 2:
        return None
    varying = [i for i in range(longest) if len({digits[i] for digits, _ in rows}) > 1]
    solved = _solve_among(rows, varying, modulus)
    if solved is None:
        return None
    weights, constant, undetermined = solved
    good = [row for row in rows if not _is_off(row, weights, constant, modulus)]
    if not _is_enough(len(good), len(texts)):
        return None
    used = [i for i in varying if weights[i]]
    unexplained = _unexplained([digits for digits, _ in good[:_COUNTED_NUMBERS]], used)
    spare = len(good) - len(varying) - 1
    if spare < 2:
        return None
    evidence = log2(modulus) * min(unexplained - 1, spare) - _TRIED - log2_choose(len(texts), len(good))
    return CheckDigitRule(
        rule=f"mod-{modulus}", size=size, modulus=modulus, evidence=evidence, count=len(texts),
        weights=tuple(weights), constant=constant, undetermined=undetermined,
    )  # fmt: skip


def _is_off(row: tuple[list[int], int], weights: Sequence[int], constant: int, modulus: int) -> bool:
    digits, check = row
    total = sum(weight * digit for weight, digit in zip(weights, digits, strict=True))
    return (check + total - constant) % modulus != 0


_Solution = tuple[list[int], int, tuple[int, ...]]


def _solve_among(rows: list[tuple[list[int], int]], varying: list[int], modulus: int) -> _Solution | None:
    """The weights for all rows, or for a random subset of them that one in twenty others at most contradicts."""
    if solved := _solve(rows[:_COUNTED_NUMBERS], varying, modulus):
        return solved
    count = len(varying) + 1 + _SPARE_EQUATIONS
    if len(rows) < max(MIN_DAMAGED_SAMPLE, count):
        return None
    source = Random(0)
    for _ in range(_DRAWS):
        solved = _solve(source.sample(rows, count), varying, modulus)
        if solved:
            kept = [row for row in rows if not _is_off(row, solved[0], solved[1], modulus)]
            if _is_enough(len(kept), len(rows)):
                return _solve(kept[:_COUNTED_NUMBERS], varying, modulus)
    return None


def _solve(rows: list[tuple[list[int], int]], varying: list[int], modulus: int) -> _Solution | None:
    """Weights and constant that all rows keep, and the digits whose weights they leave open; None if there are none."""
    size = len(rows[0][0])
    weights, constant, undetermined = [0] * size, 0, {i for i in range(size) if i not in varying}
    for prime in _WEIGHTED[modulus]:
        solved = _solve_modulo(rows, varying, prime)
        if solved is None:
            return None
        values, open_places = solved
        undetermined |= open_places
        # the one number modulo the whole that has these remainders (Chinese remainder theorem)
        unit = modulus // prime * pow(modulus // prime, -1, prime)
        for place, value in zip((*varying, None), values, strict=True):
            if place is None:
                constant = (constant + unit * value) % modulus
            else:
                weights[place] = (weights[place] + unit * value) % modulus
    return weights, constant, tuple(sorted(undetermined))


def _solve_modulo(
    rows: list[tuple[list[int], int]], varying: list[int], prime: int
) -> tuple[list[int], set[int]] | None:
    """The weight of each varying digit and the constant modulo a prime; digits that depend on those behind them: 0.

    Gaussian elimination of: the sum of weight times digit, less the constant, is less the check.
    """
    unknowns = len(varying) + 1
    pivots: dict[int, list[int]] = {}
    for digits, check in rows:
        row = [*(digits[i] % prime for i in varying), prime - 1, -check % prime]
        row = [row[unknowns - 1], *row[: unknowns - 1], row[unknowns]]  # the constant first: it is never left open
        for column in range(unknowns):
            if not row[column]:
                continue
            if column in pivots:
                factor = row[column]
                row = [(a - factor * b) % prime for a, b in zip(row, pivots[column], strict=True)]
            else:
                inverse = pow(row[column], -1, prime)
                pivots[column] = [value * inverse % prime for value in row]
                break
        else:
            if row[unknowns]:
                return None
    values = _back_substitute(pivots, [0] * unknowns, unknowns)
    open_columns: set[int] = set()
    for column in set(range(1, unknowns)) - set(pivots):  # its digit depends on others: so do their weights on its own
        unit = [int(other == column) for other in range(unknowns)]
        kernel = _back_substitute({top: [*row[:-1], 0] for top, row in pivots.items()}, unit, unknowns)
        open_columns |= {other for other, value in enumerate(kernel) if value % prime}
    values = [value % prime for value in values]
    return [*values[1:], values[0]], {varying[column - 1] for column in open_columns if column}


def _back_substitute(pivots: dict[int, list[int]], values: list[int], unknowns: int) -> list[int]:
    """``values`` with those of the pivots' columns, from the last one on."""
    for column in sorted(pivots, reverse=True):
        row = pivots[column]
        values[column] = row[unknowns] - sum(row[other] * values[other] for other in range(column + 1, unknowns))
    return values

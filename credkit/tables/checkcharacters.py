"""Check characters by name: what the last characters of a number are computed from.

    luhn       decimal digits, every second one doubled              ISO/IEC 7812-1
    mod-11-2   decimal digits; the check may be X                    ISO/IEC 7064
    mod-37-2   decimal digits and capital letters; it may be *       ISO/IEC 7064
    mod-97-10  decimal digits; the check are two                     ISO/IEC 7064
    mod-11-10  decimal digits                                        ISO/IEC 7064
    mod-27-26  capital letters                                       ISO/IEC 7064
    mod-37-36  decimal digits and capital letters                    ISO/IEC 7064
    mod-10     decimal digits with weights, as on article numbers

They find most slips of the pen; a right one does not say that a number was ever issued.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import log2
from typing import Any

from credkit.core.checks import (
    ALPHANUMERICS,
    CAPITALS,
    DIGITS,
    hybrid_check_character,
    luhn_check_digit,
    mod_97_check_digits,
    pure_check_character,
    weighted_check_digit,
)
from credkit.core.errors import DefinitionError
from credkit.core.sentences import nearest, redacted_repr

WEIGHTED_RULE = "mod-10"
_MOST_WEIGHTS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckCharacter:
    """A way to compute ``size`` check characters: from ``letters``, to ``letters`` and ``more_letters``."""

    rule: str
    letters: str
    function: Callable[..., str]
    args: tuple[Any, ...] = ()
    more_letters: str = ""
    size: int = 1
    modulus: int = 10

    def compute(self, text: str) -> str:
        """The check characters behind ``text``."""
        return self.function(text, *self.args)

    @property
    def check_letters(self) -> str:
        """What the check characters are of."""
        return self.letters + self.more_letters

    @property
    def evidence(self) -> float:
        """How many bits right ones are worth."""
        return log2(self.modulus)


def _pure(rule: str, letters: str, last: str, modulus: int) -> CheckCharacter:
    return CheckCharacter(
        rule=rule, letters=letters, function=pure_check_character, args=(letters + last,), more_letters=last,
        modulus=modulus,
    )  # fmt: skip


def _hybrid(rule: str, letters: str) -> CheckCharacter:
    return CheckCharacter(
        rule=rule, letters=letters, function=hybrid_check_character, args=(letters,), modulus=len(letters)
    )


UNWEIGHTED_RULES = {
    each.rule: each
    for each in (
        CheckCharacter(rule="luhn", letters=DIGITS, function=luhn_check_digit),
        _pure("mod-11-2", DIGITS, "X", 11),
        _pure("mod-37-2", ALPHANUMERICS, "*", 37),
        CheckCharacter(rule="mod-97-10", letters=DIGITS, function=mod_97_check_digits, size=2, modulus=97),
        _hybrid("mod-11-10", DIGITS),
        _hybrid("mod-27-26", CAPITALS),
        _hybrid("mod-37-36", ALPHANUMERICS),
    )
}
RULES = (*UNWEIGHTED_RULES, WEIGHTED_RULE)
CONTENT_RULES = tuple(  # one character, of those before it: what an item or a field of a content has room for
    rule
    for rule in RULES
    if rule == WEIGHTED_RULE or (UNWEIGHTED_RULES[rule].size == 1 and not UNWEIGHTED_RULES[rule].more_letters)
)


def build_check_character(
    what: str, rule: object, weights: Sequence[Any] = (), rules: Sequence[str] = RULES
) -> CheckCharacter:
    """The check character called ``rule``, one of ``rules``; ``what`` opens the sentence that refuses.

    >>> build_check_character("item 2", "luhn").compute("7992739871")
    '3'
    >>> build_check_character("item 2", "mod-10")
    Traceback (most recent call last):
    credkit.DefinitionError: item 2: mod-10 needs weights such as 3, 1, the last digit's first
    """
    if rule not in rules:
        raise DefinitionError(
            f"{what}: {redacted_repr(rule)} is not one of {', '.join(rules)}{nearest(str(rule), rules)}"
        )
    if rule != WEIGHTED_RULE:
        if weights:
            raise DefinitionError(f"{what}: {rule} has no weights")
        return UNWEIGHTED_RULES[str(rule)]
    if not weights or len(weights) > _MOST_WEIGHTS:
        raise DefinitionError(f"{what}: mod-10 needs weights such as 3, 1, the last digit's first")
    for weight in weights:
        if isinstance(weight, bool) or not isinstance(weight, int) or not 1 <= weight <= 9:
            raise DefinitionError(f"{what}: {redacted_repr(weight)} is not a weight from 1 to 9")
    return CheckCharacter(rule=WEIGHTED_RULE, letters=DIGITS, function=weighted_check_digit, args=(tuple(weights),))

"""Check characters by name: what one character at the end of a number is computed from.

    luhn       decimal digits, every second one doubled        ISO/IEC 7812-1
    mod-11-10  decimal digits                                  ISO/IEC 7064
    mod-37-36  decimal digits and capital letters              ISO/IEC 7064
    mod-10     decimal digits with weights, as on article numbers

They find most slips of the pen; a right one does not say that a number was ever issued.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import log2
from typing import Any

from credkit.core.checks import ALPHANUMERICS, DIGITS, hybrid_check_character, luhn_check_digit, weighted_check_digit
from credkit.core.errors import DefinitionError
from credkit.core.sentences import nearest, redacted_repr

WEIGHTED_RULE = "mod-10"
_MOST_WEIGHTS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckCharacter:
    """A way to compute a check character: from ``letters``, to one of ``letters``."""

    rule: str
    letters: str
    function: Callable[..., str]
    args: tuple[Any, ...] = ()

    def compute(self, text: str) -> str:
        """The check character behind ``text``."""
        return self.function(text, *self.args)

    @property
    def evidence(self) -> float:
        """How many bits a right one is worth."""
        return log2(len(self.letters))


UNWEIGHTED_RULES = {
    each.rule: each
    for each in (
        CheckCharacter(rule="luhn", letters=DIGITS, function=luhn_check_digit),
        CheckCharacter(rule="mod-11-10", letters=DIGITS, function=hybrid_check_character),
        CheckCharacter(rule="mod-37-36", letters=ALPHANUMERICS, function=hybrid_check_character, args=(ALPHANUMERICS,)),
    )
}
RULES = (*UNWEIGHTED_RULES, WEIGHTED_RULE)


def build_check_character(what: str, rule: object, weights: Sequence[Any] = ()) -> CheckCharacter:
    """The check character called ``rule``; ``what`` opens the sentence that refuses.

    >>> build_check_character("item 2", "luhn").compute("7992739871")
    '3'
    >>> build_check_character("item 2", "mod-10")
    Traceback (most recent call last):
    credkit.DefinitionError: item 2: mod-10 needs weights such as 3, 1, the last digit's first
    """
    if rule not in RULES:
        raise DefinitionError(
            f"{what}: {redacted_repr(rule)} is not one of {', '.join(RULES)}{nearest(str(rule), RULES)}"
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

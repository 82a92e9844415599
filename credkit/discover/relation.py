"""Relation: how two texts of one card, from two readers, are connected.

This is the search for chains with one pair, in both directions: the second text may have bits that the first
lacks. What is constant in one pair may be another constant on the next card, so chains with constants are behind
those without.

Source: common practice, no source.

>>> best, *others = relate("04112233445566", "0860116326")
>>> best.source, best.target, round(best.evidence)
('hex:14/keep-low:32', 'decimal:32,10', 13)
>>> relate("1234567", "7654321")
()
"""

from __future__ import annotations

from dataclasses import replace

from credkit.core.errors import DefinitionError
from credkit.discover.behaviours import agree, answers, probe_texts
from credkit.discover.chains import MIN_EVIDENCE_BITS, chains_both_ways
from credkit.discover.chaintexts import ChainTexts
from credkit.discover.chainvalues import ChainCandidate
from credkit.discover.pairsides import PairSide
from credkit.explain.candidates import BLANKS

WEAK_EVIDENCE_BITS = 3.0  # of a chain that is no claim, but a reason to present more cards


def relate(one: str, other: str) -> tuple[ChainCandidate, ...]:
    """The chains that turn one of two texts of the same card into the other, the likeliest first; none if nothing does.

    A candidate that ``is_backward`` turns ``other`` into ``one``. Raises `DefinitionError` for what is not a text.

    A card of Brackwater Terminal, as the gate and the old clock type it:

    >>> relate("04112233445566", "0860116326")[0]
    <ChainCandidate hex:14/keep-low:32 to decimal:32,10: 13 bits>
    >>> from credkit import convert
    >>> best = relate("04112233445566", "0860116326")[0]
    >>> convert("04112233445566", source=best.source, target=best.target)
    '0860116326'
    >>> relate("45678", "123,45678")[0].is_backward  # the first text lacks the facility code
    True
    """
    for text in (one, other):
        if not isinstance(text, str):
            raise DefinitionError("relate: two texts are needed")
    return _related(one, other, MIN_EVIDENCE_BITS)


def weak_relation(one: str, other: str) -> ChainCandidate | None:
    """The likeliest chain between two texts in which too few bits agree for `relate`; None if chance explains all.

    Two different cards show its ``evidence`` of n bits at most once in 2 ** n pairs. Further pairs decide.

    >>> relate("61B41235", "4661"), weak_relation("61B41235", "4661")
    ((), <ChainCandidate hex:8/keep-low:16 to decimal:16: 6 bits>)
    """
    found = _related(one, other, WEAK_EVIDENCE_BITS)
    return found[0] if found else None


def _related(one: str, other: str, least: float) -> tuple[ChainCandidate, ...]:
    """The chains in either direction with ``least`` bits of evidence, the likeliest first."""
    one, other = one.strip(BLANKS), other.strip(BLANKS)
    if not one or not other:
        return ()
    ahead, back = chains_both_ways(one, other, least=least)
    forward = list(ahead.candidates)
    probes = probe_texts([one], [])
    known = [answers(each.chains[0], probes) for each in forward]
    for each in back.candidates:
        turned = answers(ChainTexts(each.target, each.source), probes)
        if not (any(turned) and any(agree(turned, row) for row in known)):  # else it is said forwards
            forward.append(replace(each, is_backward=True))
    forward.sort(key=lambda each: each.size)
    weights = [2 ** (forward[0].size - each.size) for each in forward]
    return tuple(replace(each, share=weight / sum(weights)) for each, weight in zip(forward, weights, strict=True))


def is_readable(text: str) -> bool:
    """Whether any notation or template reads ``text``.

    >>> is_readable("BT-0017"), is_readable("hello")
    (True, False)
    """
    text = text.strip(BLANKS)
    return bool(text) and bool(PairSide([text]).series)

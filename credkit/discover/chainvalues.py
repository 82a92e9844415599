"""Chain discovery: the value that `credkit.discover.chain` gives."""

from __future__ import annotations

from dataclasses import dataclass

from credkit.catalogue.registry import chain as build_chain
from credkit.core.hooks import draw, redact_text
from credkit.core.sentences import brief, format_count
from credkit.discover.chaintexts import ChainTexts


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class ChainCandidate:
    """Chains that answer the same for every card that was tried: ``chains`` are all of them, the plainest first.

    ``agreement`` are the bits that agree and could have been otherwise, ``cost`` those that the search may have
    found by chance among all chains; ``share`` is how likely the candidate is, if one of them is right. ``size`` is
    how many bits say the chains, constants included: of those that fit, the shortest is the likeliest. One that
    ``is_backward`` turns texts of the second reader into those of the first (`credkit.relate`).
    """

    chains: tuple[ChainTexts, ...]
    agreement: float
    cost: float
    share: float
    size: float
    is_backward: bool = False

    @property
    def source(self) -> str:
        """The chain from a text of the first reader."""
        return self.chains[0].source

    @property
    def target(self) -> str:
        """The chain to a text of the second."""
        return self.chains[0].target

    @property
    def evidence(self) -> float:
        """What speaks for the candidate beyond chance, in bits: unrelated texts show n bits once in 2 ** n times."""
        return self.agreement - self.cost

    def __repr__(self) -> str:
        return f"<ChainCandidate {brief(redact_text(f'{self.source} to {self.target}'))}: {self.evidence:.0f} bits>"


@dataclass(frozen=True, slots=True, kw_only=True)
class MistypedPair:
    """A pair that does not fit what all others show: ``expected`` is what the best candidate gives, if anything."""

    place: int
    first: str
    second: str
    expected: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SeparatingCard:
    """The card that would tell most: one with a ``text`` like this one.

    ``answers`` are what the candidates would give for it, in their order; ``information`` the bits that
    its second text is expected to tell.
    """

    text: str
    answers: tuple[str | None, ...]
    information: float


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class ChainDiscovery:
    """What connects the texts of two readers: the ``candidates``, the best founded first; none if nothing does.

    ``pairs`` is how many different pairs there were, and ``example`` the first that the candidates fit.
    ``is_complete`` says that the search ended before its time did.
    """

    pairs: int
    candidates: tuple[ChainCandidate, ...]
    mistyped: tuple[MistypedPair, ...] = ()
    next_card: SeparatingCard | None = None
    is_complete: bool = True
    example: tuple[str, str] | None = None

    @property
    def chain(self) -> ChainTexts | None:
        """Source and target of the best candidate, ready for `credkit.convert`; None if nothing was found."""
        return self.candidates[0].chains[0] if self.candidates else None

    @property
    def evidence(self) -> float:
        """What speaks for the best candidate beyond chance, in bits."""
        return self.candidates[0].evidence if self.candidates else 0.0

    @property
    def is_certain(self) -> bool:
        """Whether there is one candidate only: all chains that fit answer the same."""
        return len(self.candidates) == 1

    def _repr_svg_(self) -> str | None:
        """How the best candidate reads both texts of the example, for notebooks; None for an account number."""
        if self.example is None:
            return None
        best, (first, second) = self.candidates[0], self.example
        return draw(((build_chain(best.source), first), (build_chain(best.target), second)))

    def __repr__(self) -> str:
        if not self.candidates:
            return f"<ChainDiscovery: nothing found in {format_count(self.pairs, 'pair')}>"
        best = brief(redact_text(f"{self.candidates[0].source} to {self.candidates[0].target}"))
        return f"<ChainDiscovery {best}: {self.evidence:.0f} bits, {format_count(len(self.candidates), 'candidate')}>"

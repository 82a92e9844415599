"""What is found of a site: kinds, readers, and what leaves a reader undecided."""

from __future__ import annotations

from dataclasses import dataclass, replace

from credkit.core.codec import AnyCodec
from credkit.discover.foundlayout import FoundLayout
from credkit.discover.siteregister import build_chain


@dataclass(frozen=True, slots=True)
class FoundKind:
    """A kind of number: the chains that read its values, its key, and how many different values they read.

    ``lost_zeros`` counts the values of digits alone that are shorter than the hexadecimal ones, and read by no chain.
    """

    name: str
    values: tuple[str, ...]
    key: tuple[str, ...]
    read: int
    total: int
    has_issue: bool = False
    is_decided: bool = True
    lost_zeros: int = 0


@dataclass(frozen=True, slots=True)
class FoundReader:
    """A reader: its kind and chains, or why they are undecided.

    ``texts`` counts its different texts (entries, of a stream), ``known`` those that the chains take to registered
    numbers, ``evidence`` the bits beyond chance. ``rivals`` are other behaviours that fit, ``alike`` other chains that
    give the same numbers of all these texts. ``next_card`` is what to measure next. ``change`` is where, among
    the texts that were given, the second of two chains begins, if one follows the other. ``layout`` is the layout of
    the reader's own that was derived from its frames; its chain ends in it, unless it leaves the reader undecided.
    """

    name: str
    kind: str = ""
    chains: tuple[str, ...] = ()
    stream: str = ""
    texts: int = 0
    known: int = 0
    evidence: float = 0.0
    alike: tuple[str, ...] = ()
    rivals: tuple[str, ...] = ()
    reason: str = ""
    next_card: str = ""
    change: int | None = None
    layout: FoundLayout | None = None

    @property
    def codecs(self) -> tuple[AnyCodec, ...]:
        """The chains, built."""
        own = () if self.layout is None else (self.layout.entry,)
        return tuple(build_chain(chain, own) for chain in self.chains)

    @property
    def is_decided(self) -> bool:
        """Whether a chain is proposed."""
        return bool(self.chains)


@dataclass(frozen=True, slots=True)
class SiteDiscovery:
    """What is proposed for a site file; ``is_complete`` says that the time sufficed."""

    kinds: tuple[FoundKind, ...]
    readers: tuple[FoundReader, ...]
    has_register: bool
    is_complete: bool = True

    @property
    def decided(self) -> tuple[FoundReader, ...]:
        """The readers for which a chain is proposed."""
        return tuple(reader for reader in self.readers if reader.is_decided)

    @property
    def layouts(self) -> tuple[FoundLayout, ...]:
        """The layouts that were derived from frames, each once."""
        return tuple(dict.fromkeys(reader.layout for reader in self.readers if reader.layout is not None))

    def __repr__(self) -> str:
        return f"<SiteDiscovery {len(self.decided)} of {len(self.readers)} readers, {len(self.kinds)} kinds>"


def undecided(base: FoundReader, reason: str, rivals: tuple[str, ...]) -> FoundReader:
    """The reader ``base``, undecided for ``reason``; what to measure next depends on whether several chains fit."""
    next_card = (
        f"present a card to {base.name} whose number is known and unlike the others', and compare what each chain gives"
        if rivals
        else f"present cards with known numbers to {base.name}: credkit discover layout FILE finds a layout of its own"
    )
    return replace(base, rivals=rivals, reason=reason, next_card=next_card)

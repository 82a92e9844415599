"""Plain numbers: what is shown of a kind whose numbers only look like payment account numbers.

A site declares ``not_payment`` for such a kind, with a reason. Its numbers, and texts that hold them,
stand unmasked in the files that a crosswalk writes; screens mask them all the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from credkit.accounts import holds_account
from credkit.crosswalk.register import Register
from credkit.crosswalk.sightings import Sighting
from credkit.crosswalk.targets import Written
from credkit.sitemodel import Kind, Site


def remarks(site: Site, register: Register, seen: Sequence[Sighting]) -> Iterator[str]:
    """A sentence for every kind that has numbers which look like account numbers and are shown."""
    for kind in site.kinds.values():
        if kind.not_payment and any(map(holds_account, _texts(kind, register, seen))):
            yield (f"Numbers of kind {kind.name} look like payment account numbers and are shown: {kind.not_payment}")


def _texts(kind: Kind, register: Register, seen: Sequence[Sighting]) -> Iterator[str]:
    yield from (text for card in register.cards if card.kind is kind for text in (card.written, card.row.value))
    yield from (sighting.text for sighting in seen if sighting.reader.kind is kind)


def subjects(site: Site, register: Register, written: Mapping[str, Written]) -> frozenset[str]:
    """What findings may be about and a file may show though it looks like an account number."""
    found = {f"{card.kind.namespace} {card.written}" for card in register.cards if card.kind.not_payment}
    for target in site.targets.values():
        if target.kind.not_payment:
            found |= {f"{target.name} {text}" for text in written[target.name].stored.values()}
    return frozenset(filter(holds_account, found))

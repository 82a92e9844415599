"""Plain numbers: what is shown of a kind whose numbers only look like payment account numbers.

A site declares ``not_payment`` for such a kind, with a reason. Its numbers, and texts that hold them,
stand unmasked in the files that a crosswalk writes; screens mask them all the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import polars as pl

from credkit.core.sentences import format_count
from credkit.crosswalk.register import Register
from credkit.crosswalk.result import Finding
from credkit.crosswalk.sightings import Sighting
from credkit.crosswalk.targets import TargetTexts
from credkit.crosswalk.verdicts import Verdict, count_rows, reading_lines
from credkit.facts.account_suspects import texts_with_room
from credkit.facts.judged_texts import JudgedTexts
from credkit.privacy.accounts import holds_account, mask_accounts
from credkit.site.model import CredentialKind, Site


def find_payment_numbers(site: Site, register: Register, verdicts: Sequence[Verdict]) -> Iterator[Finding]:
    """A finding for every kind whose values or readings look like payment data: what is masked, and what to do."""
    for kind in site.kinds.values():
        held = [card for card in register.others.values() if card.kind is kind and card.holds_account]
        masked = [
            each
            for each in verdicts
            if each.code and each.sighting.reader.kind is kind and _holds_account(each.sighting)
        ]
        cards, rows = len({card.credential for card in held}), count_rows(masked)
        if cards or rows:
            what = " and ".join(
                [f"{format_count(cards, 'credential')} held"] * bool(cards)
                + [f"{format_count(rows, 'unresolved reading')} masked"] * bool(rows)
            )
            yield Finding(
                code="like-payment", subject=kind.name, count=cards + rows,
                text=f"{what}. If they are payment cards, take them out of the files; if not, say so in the site "
                f'file under [kinds.{kind.name}]: not_payment = "what these numbers are"',
                rows=register.lines_of(held).union(reading_lines(site, masked)),
            )  # fmt: skip


def _holds_account(sighting: Sighting) -> bool:
    return sighting.result is not None and sighting.result.payment.has_account


def describe_unmasked(site: Site, register: Register, texts: JudgedTexts) -> Iterator[str]:
    """A sentence for every kind that has numbers which look like account numbers and are shown."""
    for kind in site.kinds.values():
        if kind.not_payment and any(map(holds_account, _texts_of_kind(kind, register, texts))):
            yield (f"Numbers of kind {kind.name} look like payment account numbers and are shown: {kind.not_payment}")


def _texts_of_kind(kind: CredentialKind, register: Register, texts: JudgedTexts) -> Iterator[str]:
    for mine in register.kinds:
        if mine.kind is kind:
            yield from texts_with_room(register.number_texts.gather(mine.places))
            yield from texts_with_room(mine.values)
    mine_among = [number for number, source in enumerate(texts.sources) if source.kind is kind]
    yield from texts.texts.filter(pl.Series(np.isin(texts.source, mine_among)))


def unmasked_subjects(
    site: Site, register: Register, written: Mapping[str, TargetTexts], *, declared: bool
) -> frozenset[str]:  # fmt: skip
    """Subjects of findings that stay unmasked: computed numbers, and ``declared`` ones."""
    secret = np.zeros(len(register), bool)
    secret[[place for place, card in register.others.items() if card.holds_account]] = True
    found = set()
    for mine in register.kinds:
        if declared or not mine.kind.not_payment:
            plain = mine.places[~secret[mine.places]]
            found |= _subjects(mine.kind.namespace, register.forms.gather(plain))
    for target in site.targets.values():
        if declared or not target.kind.not_payment:
            done = written[target.name]
            found |= _subjects(target.name, done.stored.filter(pl.Series(~secret[done.places])).drop_nulls())
    return frozenset(filter(holds_account, found))


def _subjects(name: str, texts: pl.Series) -> set[str]:
    """The subjects of findings about ``texts`` that may look like account numbers."""
    return set(texts_with_room(f"{mask_accounts(name)} " + texts))

"""The numbers of a register and what readers give of them: which columns have them, and which chains read them.

The search is that of ``credkit discover site``. A reader that has too few readings for it gets a chain of the other
readers, if that reads them, and a doubt.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from credkit.core.progress import SILENT, Progress
from credkit.discover import site as search_site
from credkit.discover.sitereaders import NumberSet, fit_chain
from credkit.discover.siteregister import RegisterRow, build_chain, number_of
from credkit.discover.siteresults import FoundKind, FoundReader, SiteDiscovery

TRIED_READERS, TRIED_TEXTS = 8, 150  # of each pair of columns
SHARED_SHARE = 0.6  # of a reader's texts that a chain of other readers must take to registered numbers
POOL = "all readers"
FEWEST_SHARED = 5  # texts of readers that are numbers of a column, where another column has numbers, too


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberColumns:
    """The columns that have the numbers: in the register and in the log; ``known`` texts show that they are the same.

    ``others`` are the other columns of the register that were tried, with what readers give of them.
    """

    value: str
    text: str
    known: int
    texts: int
    others: Mapping[str, int]


def choose_columns(
    values: Mapping[str, Sequence[RegisterRow]], texts: Mapping[str, Mapping[str, Sequence[str]]]
) -> NumberColumns:
    """The columns of register and log that have the same numbers: those of which most texts are registered.

    ``values`` has the rows of the register by column, ``texts`` the texts of each reader by column; both with the
    column first that its header speaks for.
    """
    ranks: dict[tuple[str, str], tuple[int, float, int]] = {}
    for text, readers in texts.items():
        busiest = sorted(readers, key=lambda name: -len(readers[name]))[:TRIED_READERS]
        some = {name: readers[name][:TRIED_TEXTS] for name in busiest}
        if len(busiest) > 1:
            some[POOL] = [each for name in busiest for each in readers[name][: TRIED_TEXTS // len(busiest)]]
        for value, rows in values.items():
            decided = search_site(some, rows, own_layouts=False).decided
            ranks[value, text] = (
                max((reader.known for reader in decided), default=0),
                sum(reader.evidence for reader in decided),
                sum(len(set(each)) for each in some.values()),
            )
    best = max(ranks, key=lambda pair: ranks[pair][:2])  # the first of equals
    return NumberColumns(
        value=best[0], text=best[1], known=ranks[best][0], texts=ranks[best][2],
        others={value: ranks[value, best[1]][0] for value in values if value != best[0]},
    )  # fmt: skip


def find_together(
    values: Mapping[str, Sequence[RegisterRow]], readings: Mapping[str, Sequence[str]], numbers: NumberColumns
) -> tuple[str, ...]:  # fmt: skip
    """The columns of a register that have numbers of different cards, by readers that give one of them and no other.

    Each column is looked at as a kind of its own: two columns that write one number alike leave each reader undecided.
    Columns of which each by itself reads other readers are of different cards, too: the number printed on a card is
    often a part of the number in it, and makes its readers undecided.
    """
    columns = [numbers.value, *(name for name, known in numbers.others.items() if known >= FEWEST_SHARED)]
    if len(columns) == 1:
        return ()
    some = {name: texts[:TRIED_TEXTS] for name, texts in readings.items()}
    given = {reader.kind for reader in _decided(some, {name: values[name] for name in columns})}
    if len(given) == len(columns):
        return tuple(columns)
    alone = {name: _decided(some, {name: values[name]}) for name in columns}
    chosen = given if len(given) > 1 else set[str]()
    for name in sorted(columns, key=lambda name: -max((each.evidence for each in alone[name]), default=0.0)):
        taken = {reader.name for other in chosen for reader in alone[other]}
        if alone[name] and taken.isdisjoint(reader.name for reader in alone[name]):
            chosen.add(name)
    return tuple(name for name in columns if name in chosen) if len(chosen) > 1 else ()


def _decided(
    readings: Mapping[str, Sequence[str]], columns: Mapping[str, Sequence[RegisterRow]]
) -> list[FoundReader]:  # fmt: skip
    """The readers whose chains are decided, where each column of numbers is a kind of its own."""
    rows = [RegisterRow(name, row.value) for name, some in columns.items() for row in some]
    return [
        reader for reader in search_site(readings, rows, own_layouts=False).decided if reader.known >= FEWEST_SHARED
    ]


def search_chains(
    readings: Mapping[str, Sequence[str]], rows: Sequence[RegisterRow], kinds: Iterable[str], *,
    seconds: float | None = None, progress: Progress = SILENT,
) -> SiteDiscovery:  # fmt: skip
    """The ``kinds`` and readers of a site; small readers get the chain of others, with a reason to doubt it."""
    found = search_site(readings, rows, own_layouts=False, seconds=seconds, progress=progress)
    found = _share_chains(found, readings, rows)
    known, read = {kind.name for kind in found.kinds}, {reader.name for reader in found.readers}
    others = [FoundKind(name, (), (), 0, 0, is_decided=False) for name in dict.fromkeys(kinds) if name not in known]
    silent = [FoundReader(name, reason="none of its readings has a text") for name in readings if name not in read]
    return replace(found, kinds=(*found.kinds, *others), readers=(*found.readers, *silent))


def _share_chains(
    found: SiteDiscovery, readings: Mapping[str, Sequence[str]], rows: Sequence[RegisterRow]
) -> SiteDiscovery:
    """What was found, with the chains of others for readers that have too few texts."""
    left = [reader for reader in found.readers if not reader.is_decided]
    if not left:
        return found
    pooled, kinds, doubt = found.decided, found.kinds, "too few texts to decide: this is a chain of other readers"
    if not pooled:
        together = search_site({POOL: [text for texts in readings.values() for text in texts]}, rows, own_layouts=False)
        pooled, kinds = together.decided, together.kinds
        doubt = "too few texts to decide: the texts of all readers together have this chain"
    sets = {kind.name: _number_set(kind, rows) for kind in kinds if kind.values and not kind.has_issue}
    chains = Counter((reader.kind, chain) for reader in pooled for chain in reader.chains if not reader.stream)
    readers = [
        reader if reader.is_decided else _share_chain(reader, readings[reader.name], chains, sets, doubt)
        for reader in found.readers
    ]
    decided = {reader.kind for reader in readers if reader.is_decided}
    return replace(
        found, readers=tuple(readers),
        kinds=tuple(replace(kind, is_decided=kind.is_decided or kind.name in decided) for kind in kinds),
    )  # fmt: skip


def _number_set(kind: FoundKind, rows: Sequence[RegisterRow]) -> NumberSet:
    codecs = [build_chain(chain) for chain in kind.values]
    fields = [codec._decode_raw(row.value) for row in rows if row.kind == kind.name for codec in codecs]
    numbers = [number_of(each, kind.key) for each in fields if each is not None]
    return NumberSet(kind.name, kind.key, frozenset(number for number in numbers if number is not None))


def _share_chain(
    reader: FoundReader, texts: Sequence[str], chains: Mapping[tuple[str, str], int], sets: Mapping[str, NumberSet],
    doubt: str,
) -> FoundReader:  # fmt: skip
    """The reader with the chain of other readers that reads most of its texts; as it is where none or several do."""
    distinct = list(dict.fromkeys(texts))
    fits = [
        fit for kind, chain in chains
        if kind in sets and (fit := fit_chain(chain, sets[kind].key, sets[kind], distinct, 0.0)) is not None
        and len(fit.known) >= SHARED_SHARE * len(distinct)
    ]  # fmt: skip
    if not fits:
        return reader
    best = max(fits, key=lambda fit: len(fit.known))
    if any(len(fit.known) == len(best.known) and fit.numbers != best.numbers for fit in fits):
        return replace(reader, rivals=tuple(fit.chain for fit in fits))
    return replace(
        reader, kind=best.kind, chains=(best.chain,), known=len(best.known), texts=len(distinct),
        evidence=best.evidence, reason=doubt, rivals=(), stream="",
        next_card=f"present more cards with known numbers to {reader.name}",
    )  # fmt: skip

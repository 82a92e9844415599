"""Exports of targets: what a system holds for each person today, and the chain from the register's number to it.

The chains of ``credkit discover chain`` and ``credkit discover site`` are tried on the numbers of the same persons:
what counts is how many texts a chain writes as the export has them.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from credkit.core.chains import Conversion, conversion
from credkit.core.errors import CredkitError
from credkit.core.sentences import format_count
from credkit.discover import chain as search_chain
from credkit.discover import site as search_site
from credkit.discover.siteregister import RegisterRow, build_chain, value_shapes
from credkit.discover.siteresults import FoundKind, SiteDiscovery
from credkit.proposal.cellforms import filled, holds_numbers
from credkit.proposal.columnroles import MOST_NUMBER_COLUMNS, is_name
from credkit.proposal.exporttable import ExportTable
from credkit.proposal.filepair import NumberCells, column_cells
from credkit.proposal.headerwords import score_header
from credkit.proposal.momentcolumns import find_days, find_times

FEWEST_PERSONS, PERSON_SHARE = 5, 0.5  # persons of an export that must be persons of the register
FEWEST_FITS, FIT_SHARE = 5, 0.5  # texts that a chain must write
MOST_PAIRS = 300  # that chains are searched in
MOST_TRIED = 4  # candidates of a search, and chains of a candidate
HELD = "held"
TRUNCATION = "last-digits:"
FEWEST_DIGITS = 3  # that are held of a number: fewer are those of too many cards
LONGEST_NUMBER = 20  # digits of a field
TWO_PART_KEY, TWO_PARTS = ("facility", "number"), ["decimal:24,10/fields:facility:8,number:16"]
_HEX = re.compile("hex:([0-9]{1,2})(?=/|$)")


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldExport:
    """An export of a target: its columns, and the chain that writes its texts from the numbers of a kind.

    ``shared`` of ``persons`` are persons of the register, and the chain writes ``fits`` of the ``pairs`` texts of those
    with one number. ``rivals`` write as many, and others for other numbers. ``truncated`` is set where the
    texts are the last digits of the numbers.
    """

    table: ExportTable
    person: str
    text: str
    shared: int
    persons: int
    kind: str = ""
    chain: str = ""
    fits: int = 0
    pairs: int = 0
    rivals: tuple[str, ...] = ()
    truncated: tuple[int, int] = (0, 0)  # numbers that share their text with others, and all of the kind
    others: tuple[str, ...] = ()  # columns that a chain fits, too, by the same kind

    @property
    def path(self) -> Path:
        """The file."""
        return self.table.path


def find_held(
    tables: Sequence[ExportTable], persons: Sequence[str], cells: Sequence[NumberCells], found: SiteDiscovery,
    seconds: float | None,
) -> list[HeldExport]:  # fmt: skip
    """The exports among ``tables`` that hold persons of the register, with the best chain of each if one fits.

    ``cells`` are the numbers of the register, and ``persons`` who has each of them.
    """
    holders: dict[str, dict[str, set[str]]] = {}
    for person, each in zip(persons, cells, strict=True):
        if person and each.value:
            holders.setdefault(each.kind, {}).setdefault(person, set()).add(each.value)
    known = {person for person in persons if person}
    return [export for table in tables for export in _read_exports(table, known, holders, found, seconds)]


def _read_exports(
    table: ExportTable, known: Collection[str], holders: Mapping[str, Mapping[str, set[str]]], found: SiteDiscovery,
    seconds: float | None,
) -> list[HeldExport]:  # fmt: skip
    """The export with the best chain of each kind that one fits; none where it holds no persons of the register.

    An export without a chain is there once. Several columns of one kind are one target: the others are named with it.
    """
    persons = {name: set(filled(cells)) for name, cells in table.columns.items()}
    shared = {name: len(each & set(known)) for name, each in persons.items()}
    names = [name for name in persons if shared[name] >= max(FEWEST_PERSONS, PERSON_SHARE * len(persons[name]))]
    numbers = _number_columns(table)
    if not names or not numbers:
        return []
    person = max(names, key=lambda name: (score_header(name, "person_id"), shared[name]))
    unfit = HeldExport(table=table, person=person, text="", shared=shared[person], persons=len(persons[person]))
    fitting: dict[str, list[HeldExport]] = {}  # by column, one of each kind
    for text in numbers:
        rows = list(zip(column_cells(table, person), column_cells(table, text), strict=True))
        for kind in found.kinds:
            of_kind = holders.get(kind.name, {})
            pairs = [
                (next(iter(of_kind[who])), has) for who, has in rows if has and len(of_kind.get(who, ())) == 1
            ]  # fmt: skip
            if text != person and kind.values and pairs:
                values = {value for some in of_kind.values() for value in some}
                chains = [chain for each in found.readers if each.kind == kind.name for chain in each.chains]
                fit = _fit(kind, pairs, values, _candidates(kind, pairs, seconds))
                if fit is None or fit[1] < len(pairs):
                    other = _fit(kind, pairs, values, _truncating(kind, chains, pairs))
                    fit = other if other is not None and (fit is None or other[1] > fit[1]) else fit
                if fit is not None:
                    chain, fits, rivals, alike = fit
                    fitting.setdefault(text, []).append(replace(
                        unfit, text=text, kind=kind.name, chain=chain, fits=fits, pairs=len(pairs), rivals=rivals,
                        truncated=(alike, len(values)) if chain.startswith(TRUNCATION) else (0, 0),
                    ))  # fmt: skip
    columns = [max(some, key=lambda each: each.fits) for some in fitting.values()]
    kinds = {kind: [each for each in columns if each.kind == kind] for kind in dict.fromkeys(e.kind for e in columns)}
    best = {kind: max(some, key=lambda each: each.fits) for kind, some in kinds.items()}
    return [
        replace(each, others=tuple(other.text for other in kinds[kind] if other is not each))
        for kind, each in best.items()
    ] or [unfit]


def _number_columns(table: ExportTable) -> list[str]:
    """The columns that may hold what a target has as number."""
    names = [
        name for name, cells in table.columns.items()
        if (holds_numbers(cells) or score_header(name, "text")) and not is_name(table, name)
        and find_days(cells) is None and find_times(cells) is None and filled(cells)
    ]  # fmt: skip
    return sorted(names, key=lambda name: -score_header(name, "text"))[:MOST_NUMBER_COLUMNS]


def _fit(
    kind: FoundKind, pairs: Sequence[tuple[str, str]], values: Collection[str], candidates: Iterable[str]
) -> tuple[str, int, tuple[str, ...], int] | None:  # fmt: skip
    """The chain that writes most texts, how many these are, others that write as many, but not for all values, and how
    many values share their text with others.

    Chains are tried on a sample of the pairs; only the best of the sample are tried on all.
    """
    sample = _sample(pairs)
    some = _read_values(kind, {value for value, _ in sample})
    fits = {chain: _count_fits(_write(kind, chain, some), sample) for chain in candidates}
    fields = _read_values(kind, values)
    best = sorted((chain for chain in fits if fits[chain]), key=lambda chain: -fits[chain])[:MOST_TRIED]
    written = {chain: _write(kind, chain, fields) for chain in best}
    fits = {chain: _count_fits(texts, pairs) for chain, texts in written.items()}
    chosen = max(fits, key=lambda chain: fits[chain], default=None)  # the first of equals
    if chosen is None or fits[chosen] < max(FEWEST_FITS, FIT_SHARE * len(pairs)):
        return None
    rivals = tuple(chain for chain in fits if fits[chain] == fits[chosen] and written[chain] != written[chosen])
    alike = sum(count for count in Counter(written[chosen].values()).values() if count > 1)
    return chosen, fits[chosen], rivals, alike


def _sample(pairs: Sequence[tuple[str, str]]) -> Sequence[tuple[str, str]]:
    return pairs[:: -(-len(pairs) // MOST_PAIRS)]


def _count_fits(texts: Mapping[str, str], pairs: Sequence[tuple[str, str]]) -> int:
    return sum(texts.get(value) == text for value, text in pairs)


def _read_values(kind: FoundKind, values: Collection[str]) -> dict[str, Any]:
    """The fields of each value that a chain of the kind reads."""
    codecs = [build_chain(chain) for chain in kind.values]
    found = {value: next(filter(None, (codec._decode_raw(value) for codec in codecs)), None) for value in values}
    return {value: fields for value, fields in found.items() if fields is not None}


def _write(kind: FoundKind, chain: str, fields: Mapping[str, Any]) -> dict[str, str]:
    """The text that a chain writes of each value, as far as it can."""
    try:
        target: Conversion[Any, Any] = conversion(build_chain(kind.values[0]), build_chain(chain))
    except CredkitError:
        return {}
    found = {}
    for value, each in fields.items():
        with suppress(CredkitError):
            found[value] = target.write(each)
    return found


def _candidates(kind: FoundKind, pairs: Sequence[tuple[str, str]], seconds: float | None) -> Iterator[str]:
    """Chains that may write the texts of pairs: those of both searches, and the card number in digits."""
    pairs = _sample(pairs)
    yield from kind.values
    rows = [RegisterRow(kind.name, value) for value, _ in pairs]
    for reader in search_site({HELD: [text for _, text in pairs]}, rows, own_layouts=False, seconds=seconds).readers:
        yield from (*reader.chains, *reader.alike[:MOST_TRIED])
    for candidate in search_chain(pairs, seconds=seconds).candidates[:MOST_TRIED]:
        for source, target in candidate.chains[:MOST_TRIED]:
            yield target
            yield from (
                f"{target}{value.removeprefix(source)}" for value in kind.values if value.startswith(f"{source}/")
            )
    for shape in value_shapes(RegisterRow(HELD, text) for _, text in pairs):
        yield from (each.chain for each in shape.chains)
    widths = {len(text) for _, text in pairs}
    name = kind.key[-1]
    template = f"template:{{{name}:{f'0{widths.pop()}' if len(widths) == 1 else ''}d}}"
    yield from (template, f"{template}/select:{name}")


def _truncating(kind: FoundKind, chains: Sequence[str], pairs: Sequence[tuple[str, str]]) -> Iterator[str]:
    """Chains that may write texts which are the last digits of the numbers: of their own form, or as one decimal."""
    widths = {len(text) for _, text in pairs if text.isdecimal() and text.isascii()}
    if len(widths) != 1 or not all(text.isdecimal() for _, text in pairs) or (width := widths.pop()) < FEWEST_DIGITS:
        return
    name = kind.key[-1]
    whole = [f"template:{{{name}:0{LONGEST_NUMBER}d}}/select:{name}", *(TWO_PARTS * (kind.key == TWO_PART_KEY))]
    for chain in dict.fromkeys((*kind.values, *map(_to_decimal, (*kind.values, *chains)), *whole)):
        yield f"{TRUNCATION}{width}/{chain}"


def _to_decimal(chain: str) -> str:
    """The chain with decimal digits in place of hexadecimal ones.

    >>> _to_decimal("hex:8/fields:number:32")
    'decimal:32,10/fields:number:32'
    """
    if (match := _HEX.match(chain)) is None or not (bits := 4 * int(match[1])):
        return chain
    return f"decimal:{bits},{len(str((1 << bits) - 1))}{chain[match.end() :]}"


def describe_truncation(export: HeldExport) -> str:
    """What is in doubt about a target that has the last digits of the numbers only; empty where it has all of them."""
    alike, total = export.truncated
    if not total:
        return ""
    return (
        "its texts are only the last digits of the numbers: "
        f"{alike:,} of {format_count(total, 'number')} of the register share theirs with another card"
    )


def describe_unfit(export: HeldExport) -> str:
    """That no chain writes the texts of an export, and what may find one."""
    return (
        f"{export.path.name} is left out: {describe_shared(export)}, but no chain writes its numbers from theirs; "
        "credkit discover chain searches pairs of both"
    )


def describe_shared(export: HeldExport) -> str:
    """How many persons of an export are persons of the register."""
    return f"{export.shared:,} of {format_count(export.persons, 'person')} are persons of the register"

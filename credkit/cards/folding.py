"""Differences as a screen tells them: what is the same of several blocks is said once, with all of them.

    sector 1 block 7 key A: it is another key …
    sector 2 block 11 key A: it is another key …    →    sectors 1-2, key A of each trailer: it is another key …

Source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from credkit.cards.findings import Difference, format_numbers
from credkit.cards.geometry import Geometry


def fold_differences(differences: Iterable[Difference], geometry: Geometry) -> list[str]:
    """One sentence for each thing that differs, in the order in which each is met first.

    >>> from credkit.cards.geometry import build_geometry
    >>> pages = [Difference(kind="not-locked", place=f"page {n}", text="not locked", blocks=(n,)) for n in (4, 5, 6)]
    >>> fold_differences(pages, build_geometry("type2-48"))
    ['pages 4-6: not locked']
    """
    alike: dict[tuple[str, ...] | int, list[Difference]] = {}
    for number, each in enumerate(differences):
        same = (each.kind, each.record, each.detail, each.shared or each.text) if each.blocks else number
        alike.setdefault(same, []).append(each)
    return [sentence for group in alike.values() for sentence in _describe_alike(group, geometry)]


def _describe_alike(alike: Sequence[Difference], geometry: Geometry) -> Iterator[str]:
    first = alike[0]
    if len(alike) == 1:
        yield first.sentence
        return
    blocks = sorted({block for each in alike for block in each.blocks})
    for place in _describe_places(blocks, first.detail, geometry):
        yield f"{place}: {first.shared or first.text}"


def _describe_places(blocks: Sequence[int], detail: str, geometry: Geometry) -> Iterator[str]:
    """Blocks in words, sectors together in which the same blocks are meant."""
    if not geometry.keys:
        yield format_numbers(geometry.unit, blocks) + (f", {detail} of each" if detail else "")
        return
    held: dict[int, list[int]] = {}
    for block in blocks:
        held.setdefault(geometry.sector_of(block), []).append(block)
    alike: dict[tuple[int, ...], list[int]] = {}  # how far from the first block of the sector; nothing for its trailer
    for sector, inside in held.items():
        start = geometry.sectors[sector].start
        spots = () if inside == [geometry.trailer(sector)] else tuple(block - start for block in inside)
        alike.setdefault(spots, []).append(sector)
    for spots, sectors in alike.items():
        if len(sectors) == 1:
            inside = held[sectors[0]]
            each = f" {detail}" if detail and len(inside) == 1 else f", {detail} of each" if detail else ""
            yield f"sector {sectors[0]} {format_numbers('block', inside)}{each}"
        elif not spots:
            trailers = f"{detail} of each trailer" if detail else "the trailer of each"
            yield f"{format_numbers('sector', sectors)}, {trailers}"
        else:
            what = f"{detail} of " if detail else ""
            yield f"{format_numbers('sector', sectors)}, {what}{format_numbers('block', spots)} of each"

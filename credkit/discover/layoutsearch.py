"""The search for a layout: from frames, with or without known numbers, to what can be claimed of their bits.

First the damaged frames are set aside, then the known numbers are placed, then the parity relations of the others are
found, and what is left is named: constant, counting, unknown.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache

from credkit.catalogue.registry import catalogue, chain
from credkit.core.errors import DefinitionError
from credkit.core.fields import is_index
from credkit.core.forms import BitsLike, raw_of, to_bits
from credkit.core.frozen import FrozenMapping
from credkit.core.progress import SILENT, Progress
from credkit.core.sentences import format_count, redacted_repr
from credkit.core.spans import MAX_NUMBER_BITS
from credkit.discover.blockchecks import find_block_checks
from credkit.discover.checkrows import check_rows
from credkit.discover.clock import Clock
from credkit.discover.copies import find_copies
from credkit.discover.evidence import log2_choose
from credkit.discover.fields import find_fields
from credkit.discover.foundlayout import FoundLayout
from credkit.discover.nextcard import find_next_card
from credkit.discover.outliers import MOST_DAMAGED, find_outliers
from credkit.discover.placing import is_sure, search_known, settle_known
from credkit.discover.relations import Relation, Relations, checks_in_order, find_relations
from credkit.tables.layout import LayoutCodec

LONGEST_FRAME = 512  # bits; the regular sets of longer frames are too many
Known = Mapping[str, Sequence[int | None]]
NOTHING_KNOWN: Known = FrozenMapping({})
MOST_BLOCK_FRAMES = 1000  # frames that block checks are looked for in
PHASES = {
    "looking for damaged frames": "samples", "placing known numbers": "numbers", "looking for block checks": "checks",
    "looking for parity relations": "relations",
}  # fmt: skip
MOST_READ = 500  # frames that a catalogued layout must read


def layout(
    frames: Sequence[str | BitsLike],
    *,
    known: Known = NOTHING_KNOWN,
    name: str = "",
    seed: int = 0,
    seconds: float | None = None,
    progress: Progress = SILENT,
) -> FoundLayout:
    """What ``frames`` of one length have in common, as a layout with how sure each part of it is.

    A frame is a text of binary digits or any value of bits. ``known`` gives, for each name, one number a frame, or None
    where it is not known. The same ``seed`` gives the same result, unless the budget of ``seconds`` runs out.
    Raises `DefinitionError` for what is no frame, and for frames of several lengths (see `layouts`).

    Twenty cards of Brackwater Terminal's old pier: even parity, company, number, odd parity.

    >>> def frame(company, number):
    ...     data = f"{company:012b}{number:020b}"
    ...     return f"{data[:16].count('1') % 2}{data}{1 - data[16:].count('1') % 2}"
    >>> numbers = [n * 52391 % 1048576 for n in range(1, 21)]
    >>> found = layout([frame(677, n) for n in numbers], known={"number": numbers})
    >>> found.definition["fields"]["number"], [row["bit"] for row in found.definition["checks"]]
    ('13-32', [0, 33])
    >>> [check.confidence for check in found.checks]
    ['established', 'likely']
    """  # fmt: skip
    found = layouts(frames, known=known, name=name, seed=seed, seconds=seconds, progress=progress)
    if len(found) > 1:
        lengths = ", ".join(str(each.length) for each in found)
        raise DefinitionError(f"the frames have {lengths} bits: discover.layouts analyses each length")
    return found[0]


def layouts(
    frames: Sequence[str | BitsLike],
    *,
    known: Known = NOTHING_KNOWN,
    name: str = "",
    seed: int = 0,
    seconds: float | None = None,
    progress: Progress = SILENT,
) -> tuple[FoundLayout, ...]:
    """As `layout`, for frames of one or several lengths: one result a length, the most frequent first.

    >>> [(each.name, each.is_found) for each in layouts(["0101", "1100", "11111"])]
    [('found-4', False), ('found-5', False)]
    """  # fmt: skip
    words = [_word(place, frame) for place, frame in enumerate(frames)]
    if not words:
        raise DefinitionError("there is no frame to analyse")
    numbers = {column: _numbers(column, values, len(words)) for column, values in known.items()}
    lengths = [length for length, _ in Counter(length for _, length in words).most_common()]
    clock = Clock(seconds, progress, PHASES)
    found = []
    for length in lengths:
        at = [i for i, word in enumerate(words) if word[1] == length]
        part = {column: [values[i] for i in at] for column, values in numbers.items()}
        title = f"{name or 'found'}-{length}" if not name or len(lengths) > 1 else name
        one = _analyse([words[i][0] for i in at], length, part, title, seed, clock)
        found.append(replace(one, outliers=tuple(at[i] for i in one.outliers)))
    return tuple(found)


def _word(place: int, frame: str | BitsLike) -> tuple[int, int]:
    """A frame as a number and its length."""
    if isinstance(frame, str):
        if not frame or set(frame) - {"0", "1"}:
            raise DefinitionError(f"frame {place} is {redacted_repr(frame)}, expected binary digits")
        number, length = int(frame, 2), len(frame)
    else:
        try:
            number, length = raw_of("bits", frame)
        except ValueError as error:
            raise DefinitionError(f"frame {place} is no bits: {error}") from None
    if not 0 < length <= LONGEST_FRAME:
        raise DefinitionError(f"frame {place} has {format_count(length, 'bit')}, expected 1 to {LONGEST_FRAME}")
    return number, length


def _numbers(name: object, values: Sequence[int | None], count: int) -> list[int | None]:
    """The known numbers of one name, checked."""
    if not isinstance(name, str) or not name.isidentifier() or not name.isascii() or name != name.lower():
        raise DefinitionError(
            f"known number {redacted_repr(name)}: a name has small letters, digits and underscores only"
        )
    found = list(values)
    if len(found) != count:
        raise DefinitionError(
            f"known numbers {name}: {len(found)} for {format_count(count, 'frame')}, expected one each"
        )
    for place, number in enumerate(found):
        if number is not None and (not is_index(number) or not 0 <= int(number) < 1 << MAX_NUMBER_BITS):
            raise DefinitionError(f"known numbers {name}: {redacted_repr(number)} for frame {place} is no whole number")
    return [None if number is None else int(number) for number in found]


def _analyse(
    frames: list[int], length: int, known: Mapping[str, list[int | None]], name: str, seed: int, clock: Clock
) -> FoundLayout:
    different = list(dict.fromkeys(frames))
    damaged = find_outliers(different, length, seed=seed, clock=clock)
    bad = {different[i] for i in damaged}
    clean = [frame for frame in different if frame not in bad]
    searched = search_known(known, frames, length, clock)
    data_bits = {place for each in searched.fields if is_sure(each) for place in each.places}
    clock.show("looking for block checks")
    blocks = () if clock.is_over else find_block_checks(clean[:MOST_BLOCK_FRAMES], length)
    broken = {frame for frame in clean for block in blocks if block.fails(frame)}
    if len(bad | broken) <= len(different) * MOST_DAMAGED:
        bad |= broken
        clean = [frame for frame in clean if frame not in broken]
    else:
        blocks = ()
    block_bits = {place for block in blocks for place in block.at}
    copies = find_copies(clean, length, data_bits)
    blocks += tuple(each for each in copies if not block_bits & {*each.at, *each.covers})
    clock.show("looking for parity relations")
    cost = log2_choose(len(different), len(bad)) if bad else 0.0
    for some in (blocks, copies, ()):  # where checks cover each other's bits, simpler ones state the same
        blocks = some
        given = [mask for block in blocks for mask in block.relations]
        check_bits = {place for block in blocks for place in block.at}
        relations = find_relations(clean, length, given=given, data_bits=data_bits | check_bits, cost=cost)
        checks = _layout_checks(relations, data_bits | check_bits)
        if check_rows(checks, blocks, length) is not None:
            break
    check_bits = {place for block in blocks for place in block.at} | {check.cover.bit for check in checks}
    placed = settle_known(searched, relations.constants, check_bits, length)
    fields = find_fields(clean, length, known=placed.fields, constants=relations.constants, check_bits=check_bits)
    possible = tuple(check for check in relations.possible if check.cover.bit not in data_bits)
    found = FoundLayout(
        name=name, length=length, frames=len(frames), different=len(different), rank=relations.rank, fields=fields,
        checks=checks, possible=possible, blocks=blocks, untested=relations.untested,
        outliers=tuple(i for i, frame in enumerate(frames) if frame in bad), unplaced=placed.unplaced,
        constants=relations.constants,
        equivalents=equivalent_layouts(clean, length),
    )  # fmt: skip
    return replace(found, next_card=find_next_card(found))


def _layout_checks(relations: Relations, taken: Collection[int]) -> tuple[Relation, ...]:
    """The claimed relations that a layout can have: each with a bit of its own that nothing else has."""
    ordered = checks_in_order(relations.claimed, relations.length)
    return tuple(check for check in ordered if check.cover.bit not in taken)


def equivalent_layouts(frames: Sequence[int], length: int) -> tuple[str, ...]:
    """The catalogued layouts that have a check and read every frame.

    >>> equivalent_layouts([0b10111101110110010011011101], 26)
    ('wiegand-26',)
    """
    read = [to_bits((frame, length)) for frame in frames[:MOST_READ]]
    return tuple(name for name, codec in _catalogued(length) if all(codec.inspect(bits).ok for bits in read))


@lru_cache
def _catalogued(length: int) -> tuple[tuple[str, LayoutCodec], ...]:
    found = []
    for entry in catalogue():
        if entry.usual == ("",):
            codec = chain(entry.name)
            if isinstance(codec, LayoutCodec) and codec.layout.length == length and codec.layout.checks:
                found.append((entry.name, codec))
    return tuple(found)

"""Layouts of a site's own: derived from the frames of a reader that fits no known layout.

The texts become frames by every notation and order that may be meant; the register's numbers are looked for in them
(`credkit.discover.registerfields`), and what matches are the known numbers of the search for a layout
(`credkit.discover.layoutsearch`). Where no number matches, checks that the frames keep to are a layout as well, but no
chain is proposed with it.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from functools import reduce
from itertools import chain, count
from typing import NamedTuple

from credkit.catalogue.registry import catalogue
from credkit.core.sentences import format_count
from credkit.discover.evidence import ESTABLISHED_BITS, confidence_of
from credkit.discover.foundlayout import FoundLayout
from credkit.discover.layoutsearch import Known, layout
from credkit.discover.registerfields import RegisteredField, find_registered
from credkit.discover.sitereaders import ChainFit, NumberSet, fit_chain
from credkit.discover.siteregister import FRAME_KEY, Number, build_chain
from credkit.discover.siteresults import FoundReader
from credkit.explain.candidates import HEX_STYLES

SHORTEST_FRAME, LONGEST_FRAME = 12, 128  # bits
FEWEST_FRAMES = 12
USUAL_SHARE = 0.9  # of the texts, that are as long as each other, and of the frames that zeros stand beside
FEWEST_KNOWN = 5  # different registered numbers that a layout must give
FEWEST_BITS = 20.0  # of evidence beyond chance, and beyond the places that were tried
KNOWN_SHARE = 0.6  # of a reader's texts that its layout must take to registered numbers
FEWEST_CODES = 12  # facility codes that show which of their bits a check covers
RIVAL_SHARE = 0.6  # of the evidence of the best numbers: those of another kind leave the reader undecided
_OTHER = re.compile("[^a-z0-9]+")


class OwnLayout(NamedTuple):
    """A layout derived from the frames of a reader, the chain to its fields, and the numbers that it gives.

    ``wanted`` and ``fit`` are None where no registered numbers are in the frames beyond doubt; ``missing`` then names
    the part of a number that has no place, if another one has.
    """

    chain: str
    layout: FoundLayout
    wanted: NumberSet | None = None
    fit: ChainFit | None = None
    missing: str = ""
    rivals: tuple[str, ...] = ()


class _Frames(NamedTuple):
    """The frames of texts by one chain, a notation and what is done to its bits: as long as most of them are."""

    head: str
    align: str
    invert: str
    texts: tuple[str, ...] = ()
    words: tuple[int, ...] = ()
    length: int = 0

    @property
    def chain(self) -> str:
        return _join(self.head, self.align, self.invert)


class _Match(NamedTuple):
    """Registered numbers in frames, found by one chain."""

    frames: _Frames
    wanted: NumberSet
    field: RegisteredField


def derive_layout(
    name: str, texts: Sequence[str], sets: Sequence[NumberSet], earlier: Sequence[FoundLayout]
) -> OwnLayout | None:
    """The layout of the frames of a reader called ``name`` from its different texts, or None where nothing is found.

    ``sets`` are the registered numbers that its texts may have, ``earlier`` the layouts of other readers.

    >>> cards = [n**5 % 1048573 for n in range(21, 81)]
    >>> frames = [f"{n.bit_count() % 2}{n:020b}{9:06b}{1 - n % 1024 % 2}" for n in cards]
    >>> own = derive_layout("old pier", frames, [NumberSet("pier", ("number",), frozenset(zip(cards)))], ())
    >>> own.chain, own.fit.kind, len(own.fit.known)
    ('binary/old-pier-28', 'pier', 60)
    """
    variants = [*_variants(texts)]
    for layout_of_another in earlier:
        if (again := _fit_earlier(layout_of_another, variants, sets, texts)) is not None:
            return again
    matches = _matches(variants, sets)
    taken = {each.name for each in earlier}
    if matches:
        best = matches[0]
        own = max(
            (
                _with_numbers(_name(name, aligned, taken), aligned, best, texts)
                for aligned in _aligned(best.frames, texts)
            ),
            key=_weight,
        )
        rivals = [each.wanted.kind for each in matches if each.field.evidence >= RIVAL_SHARE * best.field.evidence]
        others = tuple(dict.fromkeys(kind for kind in rivals if kind != best.wanted.kind))
        return own._replace(rivals=(best.wanted.kind, *others), fit=None) if others else own
    checked = [
        OwnLayout(_join(aligned.chain, found.name), found)
        for frames in variants
        if frames.invert == ""  # odd checks are even ones then
        for aligned in _aligned(frames, texts)
        if _has_checks(found := _search(_name(name, aligned, taken), aligned, {}))
    ]
    plain = [own for own in checked if "/reverse-bytes" not in own.chain]  # an order of bytes is no simpler reversed
    return max(plain or checked, key=_weight, default=None)


def with_layout(base: FoundReader, own: OwnLayout) -> FoundReader:
    """The reader ``base``, which no known layout fits, with the layout of its own: decided where it gives numbers."""
    found = own.layout
    frames = format_count(found.different, "different frame")
    measure = (
        f"present {found.next_card.text}" if found.next_card is not None
        else f"read more cards at {base.name}, of other boxes and sites"
    )  # fmt: skip
    if own.fit is not None:
        codes = {own.fit.numbers[text][0] for text in own.fit.known}
        if own.fit.key == FRAME_KEY and len(codes) < FEWEST_CODES:
            measure = (
                f"present cards of other facility codes: the frames have {format_count(len(codes), 'code')}, which is "
                "too few to show which of their bits a check covers"
            )
        return replace(
            base, kind=own.fit.kind, chains=(own.chain,), known=len(own.fit.known), evidence=own.fit.evidence,
            reason=f"no document has its layout, which is derived from {frames}", rivals=(), next_card=measure,
            layout=found,
        )  # fmt: skip
    if own.rivals:
        reason = f"its frames have the numbers of several kinds: {', '.join(own.rivals)}"
        measure = f"present a card to {base.name} of which it is known whose it is"
    elif own.missing:
        reason = f"its frames have registered numbers, but no place for the {own.missing} beyond doubt"
        measure = f"present a card with another {own.missing} to {base.name}"
    elif own.wanted is not None:
        reason = "its frames have a layout of their own that gives too few registered numbers"
    else:
        reason = (
            f"its frames have a layout of their own, with {_checks(found)}, but no registered numbers beyond chance"
        )
        measure = (
            f"present cards with known numbers to {base.name}, write them beside its frames, and let credkit discover "
            f"layout FILE --chain {own.chain.rpartition('/')[0]} place them"
        )
    return replace(base, reason=reason, next_card=measure, layout=found)


def _checks(found: FoundLayout) -> str:
    return format_count(len(found.checks) + len(found.blocks), "check")


# ── frames ──────────────────────────────────────────────────────────────────────────────────────


def _variants(texts: Sequence[str]) -> Iterator[_Frames]:
    """The frames of the texts by every notation, in each order that no order of a number's bits makes up for."""
    for head, length in _heads(texts):
        for order in ("", "reverse-bytes") if length % 8 == 0 else ("",):
            for invert in ("", "invert"):
                if (frames := _read(_Frames(_join(head, order), "", invert), texts)) is not None:
                    yield frames


def _heads(texts: Sequence[str]) -> Iterator[tuple[str, int]]:
    """The notations in which most texts may be frames, with the bits that they give."""
    size, alike = Counter(map(len, texts)).most_common(1)[0] if texts else (0, 0)
    usual = [text for text in texts if len(text) == size] if alike >= USUAL_SHARE * len(texts) else []
    if usual and sum(set(text) <= {"0", "1"} for text in usual) >= USUAL_SHARE * len(texts):
        yield "binary", size
        return
    for style in ("", "lower", *HEX_STYLES):
        digits = size if style in ("", "lower") else 2 * (size + 1) // 3
        if 4 * digits in range(SHORTEST_FRAME, LONGEST_FRAME + 1) and (style in ("", "lower") or digits % 2 == 0):
            codec = build_chain(f"hex:{digits},{style}" if style else f"hex:{digits}")
            if sum(codec._decode_raw(text) is not None for text in usual) >= USUAL_SHARE * len(texts):
                yield codec.name, 4 * digits
                break
    numbers = sorted(int(text) for text in texts if text.isascii() and text.isdigit() and len(text) < LONGEST_FRAME)
    if numbers and len(numbers) >= USUAL_SHARE * len(texts):
        length = numbers[int(USUAL_SHARE * (len(numbers) - 1))].bit_length()
        width = f",{size}" if usual and len(str((1 << length) - 1)) <= size else ""
        if SHORTEST_FRAME <= length <= LONGEST_FRAME:
            yield f"decimal:{length}{width}", length


def _read(frames: _Frames, texts: Sequence[str]) -> _Frames | None:
    """The different frames of ``texts`` by the chain of ``frames``, if there are enough of one length."""
    codec = build_chain(frames.chain)
    read: dict[int, dict[int, str]] = defaultdict(dict)
    for text in texts:
        word = codec._decode_raw(text)
        if word is not None:
            read[word[1]].setdefault(word[0], text)
    length, found = max(read.items(), key=lambda item: len(item[1]), default=(0, {}))
    if not SHORTEST_FRAME <= length <= LONGEST_FRAME or len(found) < FEWEST_FRAMES:
        return None
    return frames._replace(texts=tuple(found.values()), words=tuple(found), length=length)


def _aligned(frames: _Frames, texts: Sequence[str]) -> Iterator[_Frames]:
    """The frames as they are, and without the zeros that stand before or behind nearly all of them."""
    yield frames
    mask = (1 << frames.length) - 1 if frames.invert else 0
    words = [word ^ mask for word in frames.words]
    usual = int(USUAL_SHARE * (len(words) - 1))
    before = sorted(word.bit_length() for word in words)[usual]
    behind = sorted(((word & -word).bit_length() - 1 if word else frames.length for word in words), reverse=True)[usual]
    for step, length in (("right-justified", before), ("left-justified", frames.length - behind)):
        if SHORTEST_FRAME <= length < frames.length:
            aligned = _read(frames._replace(align=f"{step}:{length}"), texts)
            if aligned is not None:
                yield aligned


def _join(*steps: str) -> str:
    return "/".join(filter(None, steps))


# ── numbers and layouts ─────────────────────────────────────────────────────────────────────────


def _matches(variants: Sequence[_Frames], sets: Sequence[NumberSet]) -> list[_Match]:
    """The stretches of frames that have enough registered numbers beyond chance, the best first."""
    columns = [frozenset(number[-1] for number in wanted.numbers) for wanted in sets]
    found = []
    for frames in variants if sets else ():
        for place, field in find_registered(frames.words, frames.length, columns, len(variants)).items():
            known = {number for number in field.numbers if number is not None}
            if field.evidence >= FEWEST_BITS and len(known) >= FEWEST_KNOWN:
                found.append(_Match(frames, sets[place], field))
    return sorted(found, key=lambda match: -match.field.evidence)


def _with_numbers(name: str, frames: _Frames, match: _Match, texts: Sequence[str]) -> OwnLayout:
    """The layout of ``frames`` with registered numbers as known numbers, and what it gives of all texts."""
    of_text = dict(zip(match.frames.texts, match.field.numbers, strict=True))
    numbers = [of_text.get(text) for text in frames.texts]
    key, known = match.wanted.key, {match.wanted.key[-1]: numbers}
    if key == FRAME_KEY:
        codes: dict[int, set[int]] = defaultdict(set)
        for code, number in match.wanted.numbers:
            codes[number].add(code)
        alone = {number: min(each) for number, each in codes.items() if len(each) == 1}
        known = {key[0]: [None if number is None else alone.get(number) for number in numbers], **known}
    found = _search(name, frames, known)
    sound = [i for i, word in enumerate(frames.words) if _number(found, key, word) in match.wanted.numbers]
    if FEWEST_FRAMES <= len(sound) < len(frames.words):  # the others may be damaged: checks show better without them
        some = frames._replace(words=tuple(frames.words[i] for i in sound))
        again = _search(name, some, {part: [each[i] for i in sound] for part, each in known.items()})
        found = max(found, again, key=lambda each: (len(_placed(each)), _sure_checks(each)))
    text = _join(frames.chain, found.chain.partition("/")[2])
    own = OwnLayout(text, found, match.wanted)
    missing = [part for part in key if part not in _placed(found)]
    if missing:
        return own._replace(missing=missing[0])
    fit = fit_chain(text, key, match.wanted, texts, 0.0, (found.entry,))
    if fit is None or len(fit.known) < max(FEWEST_KNOWN, KNOWN_SHARE * len(texts)):
        return own
    return own._replace(fit=replace(fit, evidence=match.field.evidence))


def _placed(found: FoundLayout) -> set[str]:
    """The names of the known numbers that have a place."""
    return {field.name for field in found.fields if field.kind == "known"}


def _number(found: FoundLayout, key: Sequence[str], word: int) -> Number:
    """The number that the fields of a frame make, whatever its checks say; without those that have no place."""
    parts = []
    for field in found.fields:
        if field.name in key:
            value = reduce(lambda bits, place: bits << 1 | word >> (found.length - 1 - place) & 1, field.places, 0)
            text = f"{value:x}"
            parts.append((field.name, int(text) if field.coding == "bcd" and text.isdecimal() else value))
    return tuple(dict(parts).get(name, -1) for name in key)


def _fit_earlier(
    own: FoundLayout, variants: Sequence[_Frames], sets: Sequence[NumberSet], texts: Sequence[str]
) -> OwnLayout | None:
    """The layout of another reader, if it takes enough of the texts to registered numbers beyond chance."""
    for frames in (aligned for each in variants for aligned in _aligned(each, texts)):
        text = _join(frames.chain, own.chain.partition("/")[2])
        for wanted in sets if frames.length == own.length else ():
            if not {*wanted.key} <= _placed(own):
                continue
            fit = fit_chain(text, wanted.key, wanted, texts, 0.0, (own.entry,))
            enough = max(FEWEST_KNOWN, KNOWN_SHARE * len(texts))
            if fit is not None and len(fit.known) >= enough and fit.evidence >= FEWEST_BITS:
                return OwnLayout(text, own, wanted, fit)
    return None


def _search(name: str, frames: _Frames, known: Known) -> FoundLayout:
    return layout([(word, frames.length) for word in frames.words], known=known, name=name)


def _has_checks(found: FoundLayout) -> bool:
    """Whether the frames have an established check, and no catalogued layout reads them all."""
    bits = _check_evidence(found)
    return bool(bits) and max(bits) >= ESTABLISHED_BITS and not found.equivalents


def _check_evidence(found: FoundLayout) -> list[float]:
    return [*(check.evidence for check in found.checks), *(block.evidence for block in found.blocks)]


def _weight(own: OwnLayout) -> tuple[bool, int, float, int]:
    """What is preferred: numbers, then checks that are claimed, then the usual chain."""
    return own.fit is not None, _sure_checks(own.layout), sum(_check_evidence(own.layout)), -len(own.chain)


def _sure_checks(found: FoundLayout) -> int:
    return sum(confidence_of(bits) == "established" for bits in _check_evidence(found))


def _name(reader: str, frames: _Frames, taken: Collection[str]) -> str:
    """A name for the layout of a reader's frames that no codec and no other layout has."""
    base = _OTHER.sub("-", reader.lower()).strip("-") or "own"
    name = f"{base}-{frames.length}"
    used = {entry.name for entry in catalogue()} | {*taken}
    return next(each for each in chain([name], (f"{name}-{n}" for n in count(2))) if each not in used)

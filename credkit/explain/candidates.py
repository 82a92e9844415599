"""Candidates: the chains that read an unknown text, and what speaks for each of them.

A text is read by every notation that takes it; what that gives is put in every order that practice
knows, and read by every layout of that length. What speaks for a chain is counted in bits: a chain
that leaves n bits free explains a text of m bits as m - n bits better than chance does. Parity,
fixed bits and zeros that need not be zero take freedom away; so ten digits are a weak sign of a
number of 32 bits, and thirteen a strong one. Against a chain speak steps that are seldom needed,
and notes that the value earns; and the more chains might have read the text, the more often one
does by chance (`chance_bits`). Nothing here decides; `credkit.explain.identification` ranks.

Source: common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from math import log2
from random import Random
from typing import Any, TypeAlias

from credkit.catalogue.registry import catalogue, chain
from credkit.core.codec import AnyCodec, Entry
from credkit.core.errors import DefinitionError
from credkit.core.forms import Form, Word, to_bits
from credkit.core.grammar import format_step
from credkit.core.reading import AnyReading, Field, Note
from credkit.explain.presentations import PADDED_DIGIT_COUNTS, SERIAL_BITS, serial_frames
from credkit.tables.notation import GROUP_SEPARATORS, Notation

OwnEntries: TypeAlias = tuple[Entry, ...]  # a site's own codecs
HEX_DIGIT_COUNTS = (4, 6, 7, 8, 9, 10, 12, 14, 16, 18, 20)
DECIMAL_BITS = (16, 24, 26, 32, 34, 37, 40, 48, 56, 64, 80)
HEX_STYLES = ("colon", "hyphen", "space", "dot")
ORDER_COSTS = {  # what is done to bits, and what it costs: how much less often it is needed
    "": 0.0,
    "reverse-bytes": 1.0,
    "reverse-bits": 3.0,
    "invert": 3.0,
    "invert/reverse-bits": 4.0,
    "reverse-bits-in-bytes": 5.0,
    "swap-nibbles": 5.0,
}
WHOLE_BYTES = ("reverse-bytes", "reverse-bits-in-bytes", "swap-nibbles")
USUAL_SPLITS = {24: "fields:facility:8,number:16", 32: "fields:facility:16,number:16"}
BARE_FIELDS = "fields:"
SHORTEST_PADDED_FRAME_BITS = 20  # bits of a frame that is looked for beside zeros
MOST_PADDING_BITS = 32  # zeros that may stand beside a frame
LONGEST_TEXT_BITS = 1024  # bits of a text that are looked at
EXTRA_FIELD_COST = 2.0  # what a field costs beyond two: such frames are seldom met
TRUNCATION_COST = 4.0  # what it costs to suppose that digits are missing
BLANKS = " \t\r\n"
_DIGITS = re.compile("[0-9]+")
_LOWER_CASE = re.compile("[a-f]")
NOTE_LEVEL_EVIDENCE = {"info": 0.0, "care": -1.0, "refuse": -4.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A chain that reads a text.

    ``value`` is what it reads; ``evidence`` the bits by which it explains the text better than chance
    (less than none where the text is shorter than such a value usually is), ``form`` those of them that are one fact
    about a reader, however many cards it reads (digits and bits that it fills up with zeros); ``cost`` what its steps
    cost; ``notes`` what the value earns.
    """

    chain: str
    value: Mapping[str, Any]
    evidence: float
    cost: float
    form: float = 0.0
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class _Tail:
    """Steps behind a notation, with what they cost.

    ``worth`` is what their checks are worth, the same for every value, ``zeros`` those of zero padding;
    ``serial`` says that they are one number in an order of bytes, ``noted`` that a value can earn notes.
    Two that have the same ``test`` take the same values: ``length`` bits of them (those before are zeros),
    and what else they ask.
    """

    text: str
    codec: AnyCodec
    cost: float
    worth: float
    zeros: float
    length: int
    test: tuple[Hashable, ...]
    serial: bool = False
    noted: bool = False

    @classmethod
    def from_steps(cls, text: str, length: int, cost: float, own: OwnEntries, *, serial: bool = False) -> _Tail:
        """The steps written ``text``, behind ``length`` bits."""
        codec, whole = build_chain(text, own), build_chain(f"binary:{length}/{text}", own)
        sample = whole.encode({field.name: field.least for field in codec.schema.values() if isinstance(field, Field)})
        noted = any(getattr(step.table, "remarks", ()) for step in codec.steps)
        alone = serial and len(codec.schema) == 1
        cost += EXTRA_FIELD_COST * max(0, len(codec.schema) - 2)
        test = [
            _input_fingerprint(step)
            for step in codec.steps
            if step.name not in ORDER_COSTS or step is not codec.steps[-1]
        ]
        while test and (test[-1] == ALL_BITS or test[-1] in ORDER_COSTS):
            test.pop()  # an order takes all; what follows decides
        if test and str(test[0]).startswith("right-justified:"):
            length = int(str(test.pop(0)).partition(":")[2])
        judged = tuple(each for each in test if each != ALL_BITS)
        reading = whole.inspect(sample)
        return cls(
            text,
            codec,
            cost,
            checks_evidence(reading),
            checks_evidence(reading, "padding"),
            length,
            judged,
            alone,
            noted,
        )


ALL_BITS = tuple(range(64))


@cache
def _input_fingerprint(step: AnyCodec) -> Hashable:
    """What a step takes: which of 64 words drawn at random, or, where those tell nothing, its name."""
    if step.gives != "fields" and not step.name.startswith("data-of:"):
        return step.name
    length = step.input.lengths[0]
    random = Random(length)
    words = [random.getrandbits(length) for _ in ALL_BITS]
    taken = tuple(place for place, word in enumerate(words) if step._decode_raw((word, length)) is not None)
    return taken or step.name


@dataclass(frozen=True, slots=True)
class _Head:
    """A notation. ``decimal`` says that the text has more or less room than the bits."""

    text: str
    codec: AnyCodec
    decimal: bool = False
    is_truncated: bool = False

    def surplus_bits(self, text: str, length: int) -> float:
        """By how many bits a random text of this form exceeds the ``length`` bits that were read."""
        if self.text.startswith("strip:") and not self.text.startswith("strip:0x"):
            return 8.0  # the byte that counts the others is right
        if self.is_truncated or not self.decimal:
            return 0.0
        return sum(map(len, _DIGITS.findall(text))) * log2(10) - length

    def readable_bits(self, text: str) -> int | None:
        """How many bits it might read in a text of the same form; None where the form is another."""
        for step in self.codec.steps:
            if isinstance(step.table, Notation):
                return (step.table.bits or len(text)) if re.fullmatch(step.table.pattern, text) else None
            if self.text.startswith("strip:") and not self.text.startswith("strip:0x"):
                text = text[2:]  # whether it is the byte that counts the others is what is tried
            elif (text := step._decode_raw(text)) is None:
                return None
        return None


def split_decimals(text: str | None = None) -> tuple[str, ...]:
    """Two decimal numbers as readers print them, 8 and 16 bits or 16 and 16; those whose sign ``text`` has once.

    >>> split_decimals("017/51739")
    ('split-decimal:8,16,slash', 'split-decimal:16,16,slash')
    """
    signs = [name for name, sign in GROUP_SEPARATORS.items() if text is None or text.count(sign) == 1]
    return tuple(
        format_step("split-decimal", sizes, "16", "" if name == "comma" else name)
        for name in signs
        for sizes in ("8", "16")
    )


@cache
def all_heads() -> tuple[_Head, ...]:
    """Every notation that is tried."""
    texts = ["binary", "uuid"]
    for digits in HEX_DIGIT_COUNTS:
        texts.append(f"hex:{digits}")
        if digits % 2 == 0:
            texts += [f"hex:{digits},{style}" for style in HEX_STYLES]
            texts += [f"strip:0x,/hex:{digits}", f"strip:{digits // 2:02X},/hex:{digits}"]
    decimals = ["signed-decimal:32", *split_decimals()]
    for bits in DECIMAL_BITS:
        longest = len(str((1 << bits) - 1))
        decimals += [
            f"decimal:{bits}",
            *(f"decimal:{bits},{width}" for width in PADDED_DIGIT_COUNTS if width >= longest),
        ]
    cuts = [f"last-digits:8/decimal:{size}" for size in SERIAL_BITS]
    return (
        *(_Head(chain(text).name, chain(text)) for text in texts),
        *(_Head(text, chain(text), decimal=True) for text in decimals),
        *(_Head(text, chain(text), is_truncated=True) for text in cuts),
    )


@cache
def tails_for(length: int, own: OwnEntries = ()) -> tuple[_Tail, ...]:
    """Every way from ``length`` bits to fields."""
    ends = dict(_field_steps(length, own))
    found = []
    for order, cost in ORDER_COSTS.items():
        if length % 8 and order in WHOLE_BYTES:
            continue
        for text, extra in ends.items():
            whole = f"{order}/{text}" if order else text
            serial = order in ("", "reverse-bytes") and "/" not in text
            found.append(_Tail.from_steps(whole, length, cost + extra, own, serial=serial))
    for frame, data in serial_frames():
        held = data.output.lengths[0]
        if data.length == length and held % 8 == 0:
            for order in ("", "reverse-bytes", "reverse-bits"):
                for text, extra in _field_steps(held, own):
                    if not order and text in USUAL_SPLITS.values():
                        continue  # as the frame itself has them
                    whole = f"data-of:{frame}/{order}/{text}".replace("//", "/")
                    found.append(_Tail.from_steps(whole, length, 2 + ORDER_COSTS[order] + extra, own))
    return tuple(found)


@cache
def usual_codecs(takes: Form, gives: Form, own: OwnEntries = ()) -> tuple[tuple[str, AnyCodec], ...]:
    """Every codec of the catalogue from one form to another, with the arguments it is usually given.

    A site's ``own`` are tried as they are; one of them takes the place of a codec of the same name.
    """
    found, names = [], {entry.name for entry in own}
    for entry in catalogue():
        for args in entry.usual if entry.name not in names else ():
            codec = chain(f"{entry.name}:{args}" if args else entry.name)
            if (codec.takes, codec.gives) == (takes, gives):
                found.append((codec.name, codec))
    for entry in own:
        try:
            codec = chain(entry.name, own)
        except DefinitionError:  # such as a list of codes, of which a chain names a part
            continue
        if (codec.takes, codec.gives) == (takes, gives) and not codec.decode_obstacle:
            found.append((entry.name, codec))
    return tuple(found)


def build_chain(text: str, own: OwnEntries) -> AnyCodec:
    """The chain written ``text``, with a site's ``own`` codecs where it names any."""
    names = {step.partition(":")[2 * step.startswith("data-of:")] for step in text.split("/")}
    return chain(text, own) if any(entry.name in names for entry in own) else chain(text)


def _field_steps(length: int, own: OwnEntries) -> Iterator[tuple[str, float]]:
    """Layouts of ``length`` bits, those of shorter frames beside zeros, and a bare number."""
    bare = length <= 128
    for name, codec in usual_codecs("bits", "fields", own):
        size = codec.length or 0
        if size == length and not name.startswith(BARE_FIELDS):
            bare = bare and len(codec.schema) > 1  # the layout is that number, and has a name for it
            yield name, 0.0
        elif SHORTEST_PADDED_FRAME_BITS <= size < length <= size + MOST_PADDING_BITS and size % 8:
            yield f"right-justified:{size}/{name}", 1.0
            yield f"left-justified:{size}/{name}", 2.0
    if length in USUAL_SPLITS:
        yield USUAL_SPLITS[length], 1.0
    if bare:
        yield f"{BARE_FIELDS}number:{length}", 2.0


def find_candidates(text: str, like: Sequence[str] = (), own: OwnEntries = ()) -> Iterator[Candidate]:
    """Every chain that reads ``text``, each once; white space and small letters are as in all texts ``like`` it.

    ``own`` are codecs of a site, which are tried beside those of the catalogue.
    """
    texts = (text, *like)
    bare = text.strip(BLANKS)
    front = "strip/" if any(each.strip(BLANKS) != each for each in texts) else ""
    small = any(map(_LOWER_CASE.search, (each.strip(BLANKS).removeprefix("0x") for each in texts)))
    for head in all_heads():
        if head.is_truncated and not (len(bare) == 8 and bare.isascii() and bare.isdigit()):
            continue
        word = head.codec._decode_raw(bare)
        if word is not None and 0 < word[1] <= LONGEST_TEXT_BITS:
            style = {"hex": ",lower", "uuid": ":lower"}.get(head.codec.steps[-1].name.partition(":")[0], "")
            yield from _candidates_behind(f"{front}{head.text}{style if small else ''}", head, bare, word, own)
    yield from _text_candidates(front, bare, own)


def chance_bits(text: str, *, helped: bool, own: OwnEntries = ()) -> float:
    """How many bits chance has in all chains that might speak for a text of this form.

    A chain that costs n bits is given a share of 2 ** -n, so that the usual ones lose least. Chains
    that take the same texts are one. Only those count that can speak for a text: all of them where
    it is ``helped`` by facility codes or numbers that are known.
    """
    bare = text.strip(BLANKS)
    shares: dict[Hashable, float] = {}
    for head in all_heads():
        length = head.readable_bits(bare)
        if not length or length > LONGEST_TEXT_BITS:
            continue
        surplus = head.surplus_bits(bare, length)
        kind = "decimal" if head.text.startswith(("decimal", "signed")) else head.text
        for tail in tails_for(length, own):
            if helped or surplus + tail.worth > 0:
                asked = tail.text if helped else (tail.length, *tail.test)
                cost = tail.cost + TRUNCATION_COST * head.is_truncated
                shares[kind, asked] = max(shares.get((kind, asked), 0.0), 2**-cost)
    return max(0.0, log2(sum(shares.values()))) if shares else 0.0


def _candidates_behind(name: str, head: _Head, text: str, word: Word, own: OwnEntries) -> Iterator[Candidate]:
    """The chains behind ``head`` that read what it gave."""
    surplus = head.surplus_bits(text, word[1])
    for tail in tails_for(word[1], own):
        fields = tail.codec._decode_raw(word) if tail.serial or not head.is_truncated else None
        if fields is not None:
            notes = tail.codec.inspect(to_bits(word)).notes if tail.noted else ()
            yield Candidate(
                chain=f"{name}/{tail.text}", value=fields, evidence=surplus + tail.worth,
                form=surplus + tail.zeros, cost=tail.cost + TRUNCATION_COST * head.is_truncated, notes=notes,
            )  # fmt: skip
    if name.endswith("binary"):
        for step, codec in usual_codecs("bits", "text", own):
            text_read = codec._decode_raw(word)
            if text_read is not None:
                reading = codec.inspect(to_bits(word))
                yield Candidate(
                    chain=f"{name}/{step}", value={"text": text_read}, evidence=checks_evidence(reading), cost=0.0,
                    notes=reading.notes,
                )  # fmt: skip


def _text_candidates(front: str, text: str, own: OwnEntries) -> Iterator[Candidate]:
    """What reads a text to fields at once, such as what stands between the sentinels of a stripe."""
    for name, codec in usual_codecs("text", "fields", own):
        fields = codec._decode_raw(text)
        if fields is not None:
            reading = codec.inspect(text)
            yield Candidate(
                chain=f"{front}{name}", value=fields, evidence=checks_evidence(reading),
                cost=0.0 if reading.checks else 1.0,
                notes=reading.notes,
            )  # fmt: skip


def checks_evidence(reading: AnyReading, rule: str = "") -> float:
    """The bits that the checks of a good reading are worth; those of one ``rule``, if it is given."""
    return float(sum(check.evidence for check in reading.checks if rule in ("", check.rule)))

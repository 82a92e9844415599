"""What a codec says about one value: a reading, with its checks, notes and parts.

A `Reading` never hides a fault and never raises one: a failed check stands in ``checks``, and
whoever wants a value or an error calls ``decode``. Positions count from 0, the first bit sent or
the first character of a text; fields are named.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import log2
from operator import index
from typing import Any, Generic, Literal, TypeAlias, TypeVar

from credkit.core.fields import is_index
from credkit.core.forms import Form
from credkit.core.hooks import draw, redact_text
from credkit.core.origins import Origin, Place, nowhere
from credkit.core.sentences import brief, format_count, redacted_repr
from credkit.core.spans import format_span

Out = TypeVar("Out")
Level = Literal["info", "care", "refuse"]
PRINTABLE_CHARACTERS = 95  # characters of ASCII
MAX_SHOWN_BITS = 40  # bits that a sentence repeats in full

UNIT_NOUNS: dict[Form, str] = {"text": "character", "bits": "bit", "fields": "field"}


def describe_places(form: Form, at: tuple[Place, ...]) -> str:
    """Positions in words.

    >>> describe_places("bits", (1, 2, 3)), describe_places("text", (4,)), describe_places("fields", ("number",))
    ('bits 1-3', 'character 4', 'field number')
    """
    unit = UNIT_NOUNS[form] + ("s" if len(at) != 1 else "")
    numbers = [place for place in at if isinstance(place, int)]
    return f"{unit} {format_span(numbers) if numbers else ', '.join(map(str, at))}"


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Check:
    """One thing that was checked, passed or not.

    ``rule`` is the stable key (``even-parity``); ``claim`` says it in words; ``at`` is what is
    judged and ``covers`` what it is judged by, both positions in the input (of form ``form``) of
    the step ``codec``; ``evidence`` is how many bits a pass is worth: a random value passes with
    probability 2 ** -evidence.

    >>> check = Check(codec="gate", rule="first-digit", claim="the first digit", form="text", at=(0,),
    ...               expected="2", found="3")
    >>> check.passed, check.sentence()
    (False, "gate: the first digit fails: character 0 is '3', expected 2")
    """

    codec: str
    rule: str
    claim: str
    form: Form
    at: tuple[Place, ...] = ()
    covers: tuple[Place, ...] = ()
    expected: object
    found: object
    evidence: float = 0.0

    @property
    def passed(self) -> bool:
        """Whether what was found is what was expected."""
        return self.expected == self.found

    def sentence(self) -> str:
        """The check as one sentence, with codec, rule, place, expected and found."""
        if self.passed:
            return redact_text(f"{self.codec}: {self.claim} holds")
        expected = self.expected if isinstance(self.expected, str) else redacted_repr(self.expected)
        if isinstance(self.expected, tuple):
            expected = " … ".join(map(redacted_repr, self.expected))
        found = (
            self.found
            if self.form == "bits" and isinstance(self.found, str) and len(self.found) <= MAX_SHOWN_BITS
            else redacted_repr(self.found)
        )
        if self.at:
            found = f"{describe_places(self.form, self.at)} {'is' if len(self.at) == 1 else 'are'} {found}"
        elif isinstance(self.found, str) and self.form == "text":
            found = f"found {found}, {len(self.found)} characters"
        else:
            found = f"found {found}"
        return redact_text(f"{self.codec}: {self.claim} fails: {found}, expected {expected}")

    def __repr__(self) -> str:
        return f"<Check {brief(self.sentence())}>"


OVER_LONG = "over-long"  # the kind of a note on a text that is longer than its standard allows


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Note:
    """Something a reader of the value should know that is not a fault of the reading.

    ``level``: ``info``, ``care``, or ``refuse`` (this value must not serve as a credential number).
    """

    kind: str
    level: Level
    text: str
    at: tuple[Place, ...] = ()

    def __repr__(self) -> str:
        return f"<Note {self.kind} ({self.level}): {brief(redact_text(self.text))}>"


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Part:
    """A named stretch of the input, with the value it holds, for drawing."""

    name: str
    at: tuple[Place, ...]
    value: object

    def __repr__(self) -> str:
        return f"<Part {brief(self.name)}: {redacted_repr(self.value)}>"


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Field:
    """One row of a schema: a whole number from ``least`` to ``most``, both included.

    ``digits`` is how many decimal digits it is always written with, leading zeros among them; 0 where nothing says so.

    >>> Field(name="facility", most=255).problem(256)
    'facility is 256, outside 0 to 255'
    """

    name: str
    most: int
    least: int = 0
    digits: int = field(default=0, compare=False)

    def __post_init__(self) -> None:
        for bound in ("least", "most"):
            if is_index(found := getattr(self, bound)):
                object.__setattr__(self, bound, index(found))

    def problem(self, value: object) -> str | None:
        """What is wrong with ``value`` for this field, or None."""
        if isinstance(value, bool) or not isinstance(value, int):
            return f"{self.name} is {redacted_repr(value)}, not a whole number"
        if not self.least <= value <= self.most:
            return f"{self.name} is {redacted_repr(value)}, outside {self.allowed}"
        return None

    @property
    def allowed(self) -> str:
        """What it may be, in words."""
        return f"{redacted_repr(self.least)} to {redacted_repr(self.most)}"

    def __repr__(self) -> str:
        digits = f", digits={self.digits}" if self.digits else ""
        least, most = redacted_repr(self.least), redacted_repr(self.most)
        return f"Field(name={brief(self.name)!r}, least={least}, most={most}{digits})"

    @property
    def room(self) -> float:
        """How many bits it has room for.

        >>> Field(name="facility", most=255).room
        8.0
        """
        return log2(self.most - self.least + 1)


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class TextField:
    """One row of a schema: a text of as many characters as ``lengths`` has, all of them among ``letters``.

    Leading zeros are a part of it. Without ``letters`` any character may stand in it. ``pad`` may
    not end it (begin it, where ``padded`` is ``left``): the text is filled up with it where it stands.

    >>> TextField(name="account", letters="0123456789", lengths=range(1, 20)).problem("12A")
    "account has 'A' as character 2, expected 1 to 19 of 0123456789"
    """

    name: str
    letters: str = ""
    lengths: range = range(1 << 16)
    pad: str = ""
    padded: Literal["left", "right"] = "right"

    def problem(self, value: object) -> str | None:
        """What is wrong with ``value`` for this field, or None."""
        if not isinstance(value, str):
            return f"{self.name} is {redacted_repr(value)}, not a text"
        for place, char in enumerate(value if self.letters else ""):
            if char not in self.letters:
                return f"{self.name} has {redacted_repr(char)} as character {place}, expected {self.allowed}"
        if len(value) not in self.lengths:
            return f"{self.name} is {redacted_repr(value)}, {len(value)} characters, expected {self.allowed}"
        if self.pad and value and value[0 if self.padded == "left" else -1] == self.pad:
            side = "begins" if self.padded == "left" else "ends"
            return f"{self.name} is {redacted_repr(value)}, which {side} with the padding {redacted_repr(self.pad)}"
        return None

    @property
    def allowed(self) -> str:
        """What it may be, in words."""
        first, last = self.lengths[0], self.lengths[-1]
        count = f"{first}" if first == last else f"{first} {'or' if len(self.lengths) == 2 else 'to'} {last}"
        if len(self.lengths) > 2 and self.lengths.step > 1:
            count += f" (in steps of {self.lengths.step})"
        return f"{count} of {self.letters}" if self.letters else f"{count} characters"

    def __repr__(self) -> str:
        return f"<TextField {brief(redact_text(self.name))}: {brief(redact_text(self.allowed))}>"

    @property
    def room(self) -> float:
        """How many bits it has room for at most; without ``letters``, of printable ASCII."""
        return self.lengths[-1] * log2(len(self.letters) or PRINTABLE_CHARACTERS)


SchemaRow = Field | TextField
Schema = Mapping[str, SchemaRow]


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Step:
    """One step of a chain at work: the codec's name, what it was given, what it said."""

    codec: str
    given: Any
    reading: AnyReading

    def __repr__(self) -> str:
        return f"<Step {brief(self.codec)}: {redacted_repr(self.given)} to {redacted_repr(self.reading.value)}>"


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Reading(Generic[Out]):
    """What a codec read: ``value`` (None when it could not be read), and why to believe it.

    ``origin`` takes a place in the value to its places in the input. A chain's reading holds its
    ``steps``, which have the parts; its checks keep the positions of the step that made them.

    >>> from credkit import inspect
    >>> reading = inspect("hex:8/right-justified:26/wiegand-26", "02F764DC")
    >>> reading.value, reading.ok, [check.rule for check in reading.checks if not check.passed]
    (Fields(facility=123, number=45678), False, ['odd-parity'])
    >>> reading.failed.at, reading.trace(reading.failed)  # bit 25 of the frame is in character 7 of the text
    ((25,), (7,))
    """

    value: Out | None
    checks: tuple[Check, ...] = ()
    notes: tuple[Note, ...] = ()
    parts: tuple[Part, ...] = ()
    origin: Origin = field(default=nowhere, compare=False, repr=False)
    steps: tuple[Step, ...] = ()

    @property
    def ok(self) -> bool:
        """Whether every check passed."""
        return all(check.passed for check in self.checks)

    @property
    def failed(self) -> Check | None:
        """The first check that failed, or None."""
        return next((check for check in self.checks if not check.passed), None)

    def trace(self, check: Check) -> tuple[Place, ...]:
        """The places of the original input that ``check`` judges.

        For a codec alone these are ``check.at``; through a chain they are followed back, step by
        step, to the first step's input.
        """
        return self.traced(check, check.at)

    def traced(self, check: Check, at: tuple[Place, ...]) -> tuple[Place, ...]:
        """``at``, places in the input of the step that made ``check``, as places of the original input."""
        made = next(
            (n for n, step in enumerate(self.steps) if any(each is check for each in step.reading.checks)), None
        )
        if made is None:  # a copy of a check
            made = next((n for n, step in enumerate(self.steps) if check in step.reading.checks), 0)
        for earlier in reversed(self.steps[:made]):
            at = tuple(dict.fromkeys(o for place in at for o in earlier.reading.origin(place)))
        return tuple(sorted(at, key=lambda place: (isinstance(place, str), place)))

    def __repr__(self) -> str:
        failed = self.failed
        verdict = f"{brief(failed.codec)}: {failed.rule} fails" if failed else "ok"
        counts = ", ".join(
            format_count(len(found), what)
            for found, what in ((self.checks, "check"), (self.notes, "note"), (self.steps, "step"))
            if found
        )
        return f"<Reading {redacted_repr(self.value)}, {verdict}{f' ({counts})' if counts else ''}>"

    def _repr_svg_(self) -> str | None:
        """The steps as a drawing, for notebooks; account numbers are masked."""
        return draw(self)


AnyReading: TypeAlias = Reading[Any]

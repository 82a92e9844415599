"""Chains: codecs in a row, linked when they are built.

A chain is itself a codec. Building one compares what each step gives with what the next one takes
(forms, lengths, fields) and refuses what can never work, saying what to insert. Between its steps
bits travel as numbers; `inspect` keeps every step's reading, so that a failed check far down the
chain has its place in the original text.

A projection cuts in the direction of travel, so a chain that holds one may serve one way only:
``hex:8/keep-low:24/fields:number:24`` reads, and ``decimal:24/keep-low:24/serial-32`` writes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Generic, NamedTuple, TypeAlias, overload

from bitstring import Bits

from credkit.core.codec import AnyCodec, Codec, In, Out, TableCodec
from credkit.core.contract import checked_encode, checked_inspect, slip_error
from credkit.core.errors import CredkitError, DefinitionError, EncodeError
from credkit.core.forms import BitsLike, from_raw, to_raw
from credkit.core.frozen import FrozenMapping
from credkit.core.origins import Through
from credkit.core.reading import OVER_LONG, AnyReading, Check, Field, Note, Reading, SchemaRow, Step, TextField
from credkit.core.sentences import brief
from credkit.core.shapes import Shape, covering_lengths, describe_lengths, describe_mismatch, single_length

LinkedSteps = tuple[tuple[AnyCodec, ...], str | None]  # the linked steps, and why they do not work in a row


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Chain(TableCodec[In, Out]):
    """Linked steps. ``readers`` decode and ``writers`` encode; they differ only around a projection."""

    readers: tuple[AnyCodec, ...]
    writers: tuple[AnyCodec, ...]
    _decoders: tuple[tuple[AnyCodec, Callable[[Any], Any]], ...] = field(init=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_decoders", tuple((step, step.raw_decoder) for step in self.readers))

    @property
    def steps(self) -> tuple[AnyCodec, ...]:
        """The codecs of the chain, in the order of reading."""
        return self.readers if self.decode_obstacle is None else self.writers

    @property
    def lossy(self) -> bool:
        """Whether a step cuts, so that two values can become one."""
        return any(step.is_projection for step in self.steps)

    def _decode_raw(self, raw: Any) -> Any:
        """What ``decode`` would return, or None; both in the form they travel in."""
        if self.decode_obstacle:
            raise DefinitionError(f"chain {self.name} cannot read: {self.decode_obstacle}")
        step: AnyCodec = self
        try:
            for step, decode in self._decoders:  # noqa: B007 (the step is named where it breaks)
                raw = decode(raw)
                if raw is None:
                    return None
        except CredkitError:
            raise
        except Exception as error:
            raise slip_error(step, "decode", error) from error
        return raw

    def _encode_raw(self, raw: Any) -> Any:
        """``encode``, with values in the form they travel in."""
        if self.encode_obstacle:
            raise DefinitionError(f"chain {self.name} cannot write: {self.encode_obstacle}")
        step: AnyCodec = self
        try:
            for step in reversed(self.writers):
                raw = step._encode_raw(raw)
        except CredkitError:
            raise
        except Exception as error:
            raise slip_error(step, "encode", error) from error
        return raw

    def inspect(self, value: Any) -> AnyReading:
        """Every step's reading, as far as one can be had; the checks of all of them in order."""
        if self.decode_obstacle:
            raise DefinitionError(f"chain {self.name} cannot read: {self.decode_obstacle}")
        done: list[Step] = []
        value = self.check_input(value)
        for step in self.readers:
            reading = checked_inspect(step, value)
            done.append(Step(codec=step.name, given=value, reading=reading))
            value = reading.value
            if value is None:
                break
        readings = [step.reading for step in done]
        return Reading(
            value=value,
            checks=tuple([check for reading in readings for check in reading.checks]),
            notes=tuple([note for reading in readings for note in reading.notes]),
            origin=Through(tuple([reading.origin for reading in readings])),
            steps=tuple(done),
        )


class NotedValue(NamedTuple):
    """A value that was read without a fault, every note on it, and the texts that steps were given on the way."""

    value: Any
    notes: tuple[Note, ...]
    texts: tuple[str, ...]


def noted_value(codec: AnyCodec, raw: Any) -> NotedValue | None:
    """What ``inspect`` reads and notes, without the explanation; None where a check fails.

    ``raw`` is the value in the form it travels in. Only steps that show their notes no other way are inspected.

    >>> from credkit.catalogue.registry import chain
    >>> noted_value(chain("bcd/template:{number:04d}"), (0x1234, 16))
    NotedValue(value=Fields(number=1234), notes=(), texts=('1234',))
    """
    notes: tuple[Note, ...] = ()
    texts = []
    for step in codec.readers if isinstance(codec, Chain) else codec.steps:
        if step.input.form == "text":
            texts.append(raw)
        noted = step._decode_noted(raw)
        if noted is None:
            reading = checked_inspect(step, from_raw(step.takes, raw))
            if not reading.ok:
                return None
            noted = to_raw(step.gives, reading.value), reading.notes
        raw, more = noted
        notes += more
    return NotedValue(from_raw(codec.gives, raw), notes, tuple(texts))


def over_long_notes(codec: AnyCodec, written: Any) -> tuple[Note, ...]:
    """The notes on what ``codec`` wrote that is longer than a standard allows; there are hardly ever any.

    >>> from credkit.codecs.contents import build_track
    >>> codec = build_track(2, "number")
    >>> [len(over_long_notes(codec, codec.encode({"number": "1" * size}))) for size in (37, 38)]
    [0, 1]
    """
    if codec.decode_obstacle or not any(step.limited for step in codec.steps):
        return ()
    found: list[Note] = []
    raw = to_raw(codec.takes, written)
    for step in codec.steps:
        if step.limited:
            found += step.inspect(from_raw(step.takes, raw)).notes
        raw = step._decode_raw(raw)
        if raw is None:
            break
    return tuple(note for note in found if note.kind == OVER_LONG)


def link(codecs: Sequence[AnyCodec]) -> AnyCodec:
    """The chain of ``codecs``, flattened and linked; raises `DefinitionError` if it can never work.

    >>> from credkit.codecs.notations import build_hex
    >>> from credkit.codecs.frames import build_fields
    >>> link([build_hex("6"), build_fields("facility:8", "number:16")]).name
    'hex:6/fields:facility:8,number:16'
    >>> link([build_hex("8"), build_fields("facility:8", "number:16")])
    Traceback (most recent call last):
    credkit.DefinitionError: chain hex:8/fields:facility:8,number:16: fields:facility:8,number:16 \
takes 24 bits, but hex:8 gives 32 bits: right-justified:24 between them?
    """
    steps = tuple(step for codec in codecs for step in codec.steps)
    if not steps:
        raise DefinitionError("a chain needs at least one step")
    if len(steps) == 1:
        return steps[0]
    name = "/".join(step.name for step in steps)
    readers, decode_obstacle = _forward(steps)
    writers, encode_obstacle = _forward(steps, through_cuts=True)
    encode_obstacle = (
        encode_obstacle
        or next((step.encode_obstacle for step in writers if step.encode_obstacle), None)
        or _backward(writers)
    )
    if decode_obstacle and encode_obstacle:
        raise DefinitionError(f"chain {name}: {decode_obstacle}")
    outer = (writers if decode_obstacle else readers)[-1].output
    return Chain(
        name=name, input=steps[0].input, output=outer, readers=readers, writers=writers,
        decode_obstacle=decode_obstacle, encode_obstacle=encode_obstacle,
        drops_extra_fields=steps[-1].drops_extra_fields,
    )  # fmt: skip


def _forward(steps: tuple[AnyCodec, ...], *, through_cuts: bool = False) -> LinkedSteps:
    """Each step as it stands behind the one before; ``through_cuts`` lets what a cut would drop go on."""
    linked = [steps[0]]
    for step in steps[1:]:
        before = linked[-1]
        flowing = _uncut(before) if through_cuts else before.output
        problem = describe_mismatch(flowing, replace(step.input, schema=None))
        if problem:
            return tuple(linked), f"{step.name} takes {_between(before, flowing, step)}"
        try:
            linked.append(step.bind_input(flowing))
        except DefinitionError as error:
            return tuple(linked), f"{step.name} takes {error} behind {before.name}"
        except Exception as error:
            raise slip_error(step, "bind_input", error) from error
    return tuple(linked), None


def _backward(steps: tuple[AnyCodec, ...]) -> str | None:
    """Why encoding can never work, or None."""
    flowing = steps[-1].output
    for index in range(len(steps) - 1, 0, -1):
        step, earlier = steps[index], steps[index - 1]
        flowing = step.input_for(flowing)
        if problem := describe_mismatch(flowing, _uncut(earlier)):
            return f"{earlier.name} writes {problem}, from {step.name}"
    return None


def _uncut(step: AnyCodec) -> Shape:
    """What encoding may hand to ``step``: a cut of bits takes there, too, more than it leaves."""
    return step.input if step.is_projection and step.gives == "bits" else step.output


def _between(before: AnyCodec, flowing: Shape, step: AnyCodec) -> str:
    """What ``step`` takes and ``before`` gives, with what to insert between them."""
    wanted = step.input
    if flowing.form != wanted.form:
        hint = {
            ("text", "bits"): "a notation such as hex:8 or binary",
            ("bits", "fields"): "a layout such as wiegand-26",
            ("text", "fields"): "a notation and a layout, such as binary/wiegand-26,",
        }.get((flowing.form, wanted.form))
        return f"{wanted.form}, but {before.name} gives {flowing.form}" + (f": {hint} between them?" if hint else "")
    have, want = single_length(flowing.lengths), single_length(wanted.lengths)
    text = f"{describe_lengths(wanted.lengths)}, but {before.name} gives {describe_lengths(flowing.lengths)}"
    if have and want and have > want:
        return f"{text}: right-justified:{want} between them?"
    return text


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Choice(Codec[In, Out]):
    """Exactly one of several codecs must fit; never a silent pick.

    It needs code: which table applies depends on the value.
    """

    options: tuple[AnyCodec, ...]

    def inspect(self, value: Any) -> AnyReading:
        """The reading of the one option that fits; a failed check where none or several do."""
        readings = [(option, checked_inspect(option, value)) for option in self.options]
        fitting = [(option, reading) for option, reading in readings if reading.ok]
        if len(fitting) == 1:
            return fitting[0][1]
        names = f" ({' and '.join(option.name for option, _ in fitting)})" if fitting else ""
        check = Check(
            codec=self.name, rule="choice", claim=f"the number of options that fit{names}", form=self.takes,
            expected=1, found=len(fitting),
        )  # fmt: skip
        return Reading(value=None, checks=(check,))

    def encode(self, value: Any) -> Any:
        """What the one option that takes ``value`` writes; raises `EncodeError` where none or several do."""
        written, refusals = [], []
        for option in self.options:
            if why := option.encode_obstacle:
                refusals.append(f"chain {option.name} cannot write: {why}")
                continue
            try:
                written.append((option.name, checked_encode(option, value)))
            except EncodeError as error:
                refusals.append(str(error))
        if len(written) == 1:
            return written[0][1]
        if written:
            raise EncodeError(f"{self.name}: {' and '.join(name for name, _ in written)} both fit; choose one of them")
        raise EncodeError(f"{self.name}: none fits: {'; '.join(refusals)}")


def choice(*options: AnyCodec) -> AnyCodec:
    """The codec of which exactly one of ``options`` must fit.

    All take and give the same form and, for fields, the same names.
    """
    if len(options) < 2:
        raise DefinitionError("choice: at least two options are needed")
    name = f"choice({', '.join(option.name for option in options)})"
    first = options[0]
    for option in options:
        if why := option.decode_obstacle:
            raise DefinitionError(f"{name}: {option.name} cannot read: {why}")
        if (option.takes, option.gives) != (first.takes, first.gives):
            raise DefinitionError(
                f"{name}: {first.name} goes from {first.takes} to {first.gives}, {option.name} from {option.takes} "
                f"to {option.gives}"
            )
        if set(option.schema) != set(first.schema):
            raise DefinitionError(
                f"{name}: {first.name} gives {', '.join(first.schema)}, {option.name} gives {', '.join(option.schema)}"
            )
    schema = None
    if first.gives == "fields":
        schema = FrozenMapping(
            {field: _either(name, [option.schema[field] for option in options]) for field in first.schema}
        )
    return Choice(
        name=name, options=options,
        input=Shape(first.takes, lengths=covering_lengths(*(option.input.lengths for option in options))),
        output=Shape(
            first.gives, lengths=covering_lengths(*(option.output.lengths for option in options)), schema=schema
        ),
        is_projection=any(option.lossy for option in options),
    )  # fmt: skip


def _either(name: str, rows: Sequence[SchemaRow]) -> SchemaRow:
    """The schema row for a value of any of ``rows``, which are all numbers or all texts."""
    numbers = [row for row in rows if isinstance(row, Field)]
    texts = [row for row in rows if isinstance(row, TextField)]
    field = rows[0].name
    if numbers and texts:
        raise DefinitionError(f"{name}: the field {field} is a number in some of them and a text in others")
    if numbers:
        return Field(name=field, least=min(row.least for row in numbers), most=max(row.most for row in numbers))
    letters = "".join(dict.fromkeys("".join(row.letters for row in texts))) if all(row.letters for row in texts) else ""
    return TextField(name=field, letters=letters, lengths=covering_lengths(*(row.lengths for row in texts)))


@dataclass(frozen=True, slots=True, repr=False)
class Conversion(Generic[In, Out]):
    """From what one chain reads to what another writes, both checked against each other when built.

    ``dropped`` names the fields that the source gives and a closing ``select`` of the target leaves out.
    """

    source: Codec[In, Any]
    target: Codec[Out, Any]
    dropped: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return f"<Conversion {brief(self.source.name)[:80]} to {brief(self.target.name)[:80]}>"

    @property
    def lossy(self) -> bool:
        """Whether two values of the source can become one value of the target."""
        return self.source.lossy or self.target.lossy or bool(self.dropped)

    def write(self, value: Any) -> Out:
        """What the target writes for ``value``, which the source has decoded."""
        if self.dropped:
            value = {name: item for name, item in value.items() if name not in self.dropped}
        encoded: Out = checked_encode(self.target, value)
        return encoded

    @overload
    def convert(self, value: In) -> Out: ...
    @overload
    def convert(self: Conversion[Bits, Out], value: BitsLike) -> Out: ...

    def convert(self, value: Any) -> Out:
        """``value`` as the target writes it; raises `DecodeError` or `EncodeError`."""
        return self.write(self.source.decode(value))


AnyConversion: TypeAlias = Conversion[Any, Any]


def conversion(source: Codec[In, Any], target: Codec[Out, Any]) -> Conversion[In, Out]:
    """The conversion from ``source`` to ``target``; raises `DefinitionError` if it can never work."""
    for codec, why, verb in ((source, source.decode_obstacle, "read"), (target, target.encode_obstacle, "write")):
        if why:
            raise DefinitionError(f"chain {codec.name} cannot {verb}: {why}")
    have, want = source.output, target.output
    dropped: tuple[str, ...] = ()
    if have.schema is not None and want.schema is not None:
        missing = [name for name in want.schema if name not in have.schema]
        dropped = tuple(name for name in have.schema if name not in want.schema)
        names = f"target {target.name}", f"source {source.name}"
        if missing:
            raise DefinitionError(
                f"{names[0]} needs {', '.join(missing)}, but {names[1]} gives {', '.join(have.schema)}"
            )
        if dropped and not target.drops_extra_fields:
            raise DefinitionError(
                f"{names[0]} has no {', '.join(dropped)}, which {names[1]} gives: "
                f"/select:{','.join(want.schema)} at the end of the target leaves it out"
            )
    elif problem := describe_mismatch(have, want):
        raise DefinitionError(f"target {target.name} takes {problem}, from source {source.name}")
    return Conversion(source, target, dropped)

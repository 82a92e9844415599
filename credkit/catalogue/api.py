"""The verbs: decode, encode, inspect, convert. A chain may be a string or a `Codec`.

A `Codec` says what it takes and gives, and type checkers hold a call to it; of a written chain they know no more than
that a value is a text, bits or fields. ``codecs`` are a site's own: an `Entry`, a `Codec`, or several of them.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TypeVar, overload

from bitstring import Bits

from credkit.catalogue.own import Codecs, SameObjects, own_items
from credkit.catalogue.registry import Chainlike
from credkit.catalogue.registry import chain as build_chain
from credkit.core.chains import AnyConversion, Conversion
from credkit.core.chains import choice as build_choice
from credkit.core.chains import conversion as build_conversion
from credkit.core.codec import AnyCodec, Codec, In, Out
from credkit.core.contract import checked_encode, checked_inspect
from credkit.core.fields import Value
from credkit.core.forms import Accepted, BitsLike
from credkit.core.reading import AnyReading, Reading

Middle = TypeVar("Middle")  # what a conversion decodes
Target = TypeVar("Target")  # what a conversion encodes: fields of its own


@overload
def decode(chain: str, value: Accepted, codecs: Codecs = ()) -> Value: ...
@overload
def decode(chain: Codec[In, Out], value: In, codecs: Codecs = ()) -> Out: ...
@overload
def decode(chain: Codec[Bits, Out], value: BitsLike, codecs: Codecs = ()) -> Out: ...


def decode(chain: Chainlike, value: object, codecs: Codecs = ()) -> object:
    """What ``value`` means, read through ``chain``; raises `DecodeError` if any check fails.

    ``value`` is a str, bits or a mapping, as the chain takes. Bits are a ``bitstring.Bits``, bytes, or a pair
    ``(number, length)``. The result is a str, a ``bitstring.Bits`` or `Fields`, as the chain gives.

    >>> decode("binary/wiegand-26", "10111101110110010011011101")["number"]
    45678
    >>> decode("wiegand-26", (49767645, 26)), decode("right-justified:26/wiegand-26", b"\\x02\\xf7\\x64\\xdd")
    (Fields(facility=123, number=45678), Fields(facility=123, number=45678))
    >>> decode("binary/wiegand-26", "00111101110110010011011101")
    Traceback (most recent call last):
    credkit.DecodeError: wiegand-26: even parity over bits 1-12 fails: bit 0 is 0, expected 1 \
(character 0 of the text, '0')
    """
    return build_chain(chain, codecs).decode(value)


@overload
def encode(chain: str, value: Accepted, codecs: Codecs = ()) -> Value: ...
@overload
def encode(chain: Codec[In, Out], value: Out, codecs: Codecs = ()) -> In: ...
@overload
def encode(chain: Codec[In, Bits], value: BitsLike, codecs: Codecs = ()) -> In: ...


def encode(chain: Chainlike, value: object, codecs: Codecs = ()) -> object:
    """``value`` (fields, bits or text, as the chain gives) written back through ``chain``.

    Raises `EncodeError` for a field that is missing, unknown or out of range; check bits are computed.

    >>> encode("hex:8/right-justified:26/wiegand-26", {"facility": 123, "number": 45678})
    '02F764DD'
    """
    codec = build_chain(chain, codecs)
    return checked_encode(codec, codec.check_output(value))


@overload
def inspect(chain: str, value: Accepted, codecs: Codecs = ()) -> Reading[Value]: ...
@overload
def inspect(chain: Codec[In, Out], value: In, codecs: Codecs = ()) -> Reading[Out]: ...
@overload
def inspect(chain: Codec[Bits, Out], value: BitsLike, codecs: Codecs = ()) -> Reading[Out]: ...


def inspect(chain: Chainlike, value: object, codecs: Codecs = ()) -> AnyReading:
    """Everything ``chain`` can say about ``value``: fields, checks passed and failed, notes, parts.

    >>> reading = inspect("binary/wiegand-26", "00111101110110010011011101")
    >>> reading.ok, [check.rule for check in reading.checks if not check.passed]
    (False, ['even-parity'])
    """
    codec = build_chain(chain, codecs)
    return checked_inspect(codec, codec.check_input(value))


@lru_cache(maxsize=256)
def _conversion(source: str, target: str) -> AnyConversion:
    return build_conversion(build_chain(source), build_chain(target))


@lru_cache(maxsize=128)  # few, as each keeps its codecs alive
def _conversion_with(source: str, target: str, same: SameObjects) -> AnyConversion:
    return build_conversion(build_chain(source, same.items), build_chain(target, same.items))


def _joined(source: Chainlike, target: Chainlike, codecs: Codecs) -> AnyConversion:
    items = own_items(codecs)
    if isinstance(source, str) and isinstance(target, str):
        return _conversion_with(source, target, SameObjects.of(items)) if items else _conversion(source, target)
    return build_conversion(build_chain(source, items), build_chain(target, items))


@overload
def conversion(source: Codec[In, Middle], target: Codec[Out, Target], codecs: Codecs = ()) -> Conversion[In, Out]: ...
@overload
def conversion(source: Codec[In, Middle], target: str, codecs: Codecs = ()) -> Conversion[In, Value]: ...
@overload
def conversion(source: str, target: Codec[Out, Target], codecs: Codecs = ()) -> Conversion[Accepted, Out]: ...
@overload
def conversion(source: str, target: str, codecs: Codecs = ()) -> Conversion[Accepted, Value]: ...


def conversion(source: Chainlike, target: Chainlike, codecs: Codecs = ()) -> AnyConversion:
    """From what one chain reads to what another writes, checked now and used many times.

    Raises `DefinitionError` when the two can never meet. ``lossy`` says whether two values can become one.

    >>> to_list = conversion("binary/wiegand-26", "decimal:16,5/fields:number:16/select:number")
    >>> to_list.lossy, to_list.convert("10111101110110010011011101")
    (True, '45678')
    """
    return _joined(source, target, codecs)


@overload
def choice(*options: str, codecs: Codecs = ()) -> Codec[Value, Value]: ...
@overload
def choice(*options: str | Codec[In, Out], codecs: Codecs = ()) -> Codec[In, Out]: ...


def choice(*options: Chainlike, codecs: Codecs = ()) -> AnyCodec:
    """The codec of which exactly one of ``options`` must fit: never a silent pick.

    >>> either = choice("binary/wiegand-26", "binary/wiegand-34")
    >>> either.decode("10111101110110010011011101")["number"]
    45678
    """
    items = own_items(codecs)
    return build_choice(*(build_chain(option, items) for option in options))


@overload
def convert(value: In, *, source: Codec[In, Middle], target: Codec[Out, Target], codecs: Codecs = ()) -> Out: ...
@overload
def convert(value: In, *, source: Codec[In, Middle], target: str, codecs: Codecs = ()) -> Value: ...
@overload
def convert(value: Accepted, *, source: str, target: Codec[Out, Target], codecs: Codecs = ()) -> Out: ...
@overload
def convert(value: Accepted, *, source: str, target: str, codecs: Codecs = ()) -> Value: ...
@overload
def convert(
    value: BitsLike, *, source: Codec[Bits, Middle], target: Codec[Out, Target], codecs: Codecs = ()
) -> Out: ...
@overload
def convert(value: BitsLike, *, source: Codec[Bits, Middle], target: str, codecs: Codecs = ()) -> Value: ...


def convert(value: object, *, source: Chainlike, target: Chainlike, codecs: Codecs = ()) -> object:
    """``value``, read through ``source``, as ``target`` writes it.

    Raises `DefinitionError` when the two chains do not meet (a field that the target needs and the
    source lacks), `DecodeError` and `EncodeError` as `decode` and `encode` do.

    >>> convert("8106606", source="decimal:24/fields:facility:8,number:16", target="decimal:26/wiegand-26")
    '49767645'
    """
    return _joined(source, target, codecs).convert(value)

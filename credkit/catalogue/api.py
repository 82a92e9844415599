"""The verbs: decode, encode, inspect, convert. A chain may be a string or a `Codec`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Any

from credkit.catalogue.registry import chain as built
from credkit.core.chains import Conversion
from credkit.core.chains import choice as chosen
from credkit.core.chains import conversion as joined
from credkit.core.codec import AnyCodec, Entry
from credkit.core.contract import checked_inspect
from credkit.core.reading import AnyReading

Chainlike = str | AnyCodec


def decode(chain: Chainlike, value: Any, codecs: Iterable[Entry] = ()) -> Any:
    """What ``value`` means, read through ``chain``; raises `DecodeError` if any check fails.

    ``value`` is a str, a ``bitstring.Bits`` or a mapping, as the chain takes; so is the result.

    >>> decode("binary/wiegand-26", "10111101110110010011011101")["number"]
    45678
    >>> decode("binary/wiegand-26", "00111101110110010011011101")
    Traceback (most recent call last):
    credkit.DecodeError: wiegand-26: even parity over bits 1-12 fails: bit 0 is 0, expected 1 \
(character 0 of the text)
    """
    return built(chain, codecs).decode(value)


def encode(chain: Chainlike, fields: Mapping[str, int] | Any, codecs: Iterable[Entry] = ()) -> Any:
    """``fields`` (or bits, or text, as the chain gives) written back through ``chain``.

    Raises `EncodeError` for a field that is missing, unknown or out of range; check bits are computed.

    >>> encode("hex:8/right-justified:26/wiegand-26", {"facility": 123, "number": 45678})
    '02F764DD'
    """
    return built(chain, codecs).encode(fields)


def inspect(chain: Chainlike, value: Any, codecs: Iterable[Entry] = ()) -> AnyReading:
    """Everything ``chain`` can say about ``value``: fields, checks passed and failed, notes, parts.

    >>> reading = inspect("binary/wiegand-26", "00111101110110010011011101")
    >>> reading.ok, [check.rule for check in reading.checks if not check.passed]
    (False, ['even-parity'])
    """
    codec = built(chain, codecs)
    return checked_inspect(codec, codec.check_input(value))


@lru_cache(maxsize=256)
def _conversion(source: str, target: str) -> Conversion:
    return joined(built(source), built(target))


def conversion(source: Chainlike, target: Chainlike, codecs: Iterable[Entry] = ()) -> Conversion:
    """From what one chain reads to what another writes, checked now and used many times.

    Raises `DefinitionError` when the two can never meet. ``lossy`` says whether two values can become one.

    >>> to_list = conversion("binary/wiegand-26", "decimal:16,5/fields:number:16/select:number")
    >>> to_list.lossy, to_list.convert("10111101110110010011011101")
    (True, '45678')
    """
    codecs = tuple(codecs)
    return joined(built(source, codecs), built(target, codecs))


def choice(*options: Chainlike, codecs: Iterable[Entry] = ()) -> AnyCodec:
    """The codec of which exactly one of ``options`` must fit: never a silent pick.

    >>> either = choice("binary/wiegand-26", "binary/wiegand-34")
    >>> either.decode("10111101110110010011011101")["number"]
    45678
    """
    codecs = tuple(codecs)
    return chosen(*(built(option, codecs) for option in options))


def convert(value: Any, *, source: Chainlike, target: Chainlike, codecs: Iterable[Entry] = ()) -> Any:
    """``value``, read through ``source``, as ``target`` writes it.

    Raises `DefinitionError` when the two chains do not meet (a field that the target needs and the
    source lacks), `DecodeError` and `EncodeError` as `decode` and `encode` do.

    >>> convert("8106606", source="decimal:24/fields:facility:8,number:16", target="decimal:26/wiegand-26")
    '49767645'
    """
    codecs = tuple(codecs)
    if isinstance(source, str) and isinstance(target, str) and not codecs:
        return _conversion(source, target).convert(value)
    return conversion(source, target, codecs).convert(value)

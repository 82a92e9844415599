"""Keys for each card from one master key, and MACs that tie a record to a card's serial number.

Both are made with AES-CMAC alone, and byte by byte as written here, so that anybody with the
master key and a CMAC library can make them again. Numbers are most significant byte first, texts
are UTF-8 as they stand, and ``|`` puts bytes behind each other.

    derived       = CMAC(master, 01 | fixed) | CMAC(master, 02 | fixed) | …, cut to size bytes
    fixed         = label | 00 | context | bits
    bits          = 8 x size, in 4 bytes

    key of a card = derived, where
      label       = "credkit key " | the plan's label
      context     = bytes of the serial (1 byte) | serial | sector (1 byte) | "A" or "B"
      size        = 6

    key of a MAC  = derived, where
      label       = "credkit mac " | the record's label
      context     = bytes of the MAC (1 byte)
      size        = 16
    MAC           = CMAC(key of a MAC, bytes of the serial (1 byte) | serial | data), its first bytes

No label holds 00, so it ends where it seems to; every length but the last one's stands in front.
So two different things never have the same bytes, and no key is the beginning of a longer one.
The counter is one byte before the fixed data: the shortest that the standard knows, enough for
4,080 bytes where a card needs 6, and a form for which there are published vectors. The further
block that revision 1 offers against key control (from memory) is not used: nobody but the holder
of the master key chooses labels and contexts, and the holder can make any key in any case.

What this cannot do. A derived key is as safe as the master key, and as the card's cipher: a broken
legacy cipher gives its keys away, whatever they are. Whoever copies data and serial number to
another card takes the MAC along, and it is right there too. So a MAC shows that the issuer wrote
this for that number, not that this is the card. Who can verify a MAC can also make one.

Source: NIST SP 800-108r1 (KDF in counter mode), NIST SP 800-38B and RFC 4493 (CMAC); the labels
and contexts are credkit's own.

>>> nist = bytes.fromhex("2B7E151628AED2A6ABF7158809CF4F3C")  # a published test value, never a key to use
>>> cmac(nist, b"").hex()
'bb1d6929e95937287fa37d129b756746'
>>> master = MasterKey.from_bytes(nist, "argument of a function")
>>> master
MasterKey(origin='argument of a function')
>>> serial = bytes.fromhex("01020304")
>>> fixed = b"credkit key staff" + b"\\0" + b"\\4" + serial + b"\\1" + b"A" + bytes.fromhex("00000030")
>>> card_key(master, label="staff", serial=serial, sector=1, slot="A") == cmac(nist, b"\\1" + fixed)[:6]
True
>>> card_key(master, label="", serial=serial, sector=1, slot="A")
Traceback (most recent call last):
credkit.DefinitionError: a label of a key is a text of at least one character, not ''
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NoReturn

from credkit.core.errors import DefinitionError, EncodeError
from credkit.core.frozen import FrozenMapping
from credkit.core.sentences import redacted_repr

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.cmac import CMAC

AES_KEY_BYTES = (16, 24, 32)  # bytes of an AES key
SERIAL_BYTES = (4, 7, 8, 10)  # bytes of a serial number
CMAC_BYTES = 16  # bytes that one CMAC gives
COUNTER_BITS = (8, 16, 24, 32)  # bits of a counter: those that NIST's vectors have
LARGEST_DERIVED_BYTES = 255 * CMAC_BYTES  # bytes that a counter of one byte can number
CARD_KEY_BYTES = (6, 32)  # bytes of a card's key, from and to
MAC_BYTES = (4, 16)  # bytes of a MAC, from and to

FOR_KEY, FOR_MAC, FOR_CHECK = "credkit key ", "credkit mac ", "credkit check value"  # what labels begin with

MISSING_EXTRA = "keys and MACs need the extra keys: pip install 'credkit[keys]'"

# Common practice, no source; from memory.
PUBLISHED_KEYS: Final[Mapping[bytes, str]] = FrozenMapping(
    {
        bytes.fromhex(digits): said
        for digits, said in (
            ("FFFFFFFFFFFF", "the factory default"),
            ("000000000000", "all zeros, a default of some issuers"),
            ("A0A1A2A3A4A5", "key A for reading an application directory"),
            ("B0B1B2B3B4B5", "key B as some cards are delivered"),
            ("C0C1C2C3C4C5", "a sample in manuals"),
            ("D0D1D2D3D4D5", "a sample in manuals"),
            ("D3F7D3F7D3F7", "key A for reading NDEF messages"),
            ("AABBCCDDEEFF", "a sample in manuals"),
        )
    }
)


def describe_published_key(key: bytes) -> str | None:
    """What is commonly said of a published default key, or None for any other.

    >>> describe_published_key(bytes.fromhex("FFFFFFFFFFFF")), describe_published_key(bytes.fromhex("2B7E151628AE"))
    ('the factory default', None)
    """
    return PUBLISHED_KEYS.get(bytes(key))


def key_refusal(key: object) -> str:
    """Why ``key`` cannot be used, in words that show nothing of it; empty where it can.

    Whoever raises the sentence first deletes its own ``key``: a traceback may show local variables.
    """
    if not isinstance(key, bytes):
        return f"a key is bytes, not {type(key).__name__}"
    if len(key) not in AES_KEY_BYTES:
        return f"a key has {_format_choices(AES_KEY_BYTES)} bytes, not {len(key)}"
    try:
        import cryptography.hazmat.primitives.cmac  # noqa: F401  # only whoever has keys needs it
    except ImportError:
        return MISSING_EXTRA
    return ""


@dataclass(frozen=True, slots=True, kw_only=True, repr=False, eq=False)
class MasterKey:
    """A key from which others are made. It shows itself to nobody.

    It holds no bytes of the key, only what the library for AES made of them: there is nothing to
    print, and it can be neither copied nor pickled. Two of them are never equal; to see whether
    they are the same key, compare their check values.
    """

    prepared: CMAC
    origin: str

    @classmethod
    def from_bytes(cls, data: bytes, origin: str) -> MasterKey:
        """The master key of these 16, 24 or 32 bytes; ``origin`` says where it came from, for sentences.

        Raises `DefinitionError` for any other size, and where the extra ``keys`` is not installed.
        """
        if problem := key_refusal(data):
            del data
            raise DefinitionError(f"master key from {_with_article(origin)}: {problem}")
        return cls(prepared=_prepare_cmac(data), origin=origin)

    def derive(self, *, label: str, context: bytes, size: int) -> bytes:
        """``size`` bytes for this label and context, as the module's first lines say.

        Labels that begin with ``credkit`` are taken. Raises `DefinitionError` for a label that is
        empty, holds a zero character or cannot be written in UTF-8, and for more than 4,080 bytes.
        """
        _refuse_outside("derived bytes", size, (1, LARGEST_DERIVED_BYTES))
        fixed = _encode_label(label) + b"\0" + context + (8 * size).to_bytes(4, "big")
        return _derive_counted(self.prepared, b"", fixed, size, 1)

    def __repr__(self) -> str:
        return f"MasterKey(origin={self.origin!r})"

    def __reduce__(self) -> NoReturn:
        raise TypeError("a master key is neither copied nor pickled")


def card_key(master: MasterKey, *, label: str, serial: bytes, sector: int, slot: str, size: int = 6) -> bytes:
    """The key A or B of a sector of the card with this serial number.

    Keys of other labels, serial numbers, sectors, slots or sizes are others. It is as safe as the
    master key and the card's cipher: a broken legacy cipher gives it away.

    Raises `EncodeError` for a serial number of another size than 4, 7, 8 or 10 bytes, and
    `DefinitionError` for a sector, slot, size or label that cannot be.
    """
    if slot not in ("A", "B"):
        raise DefinitionError(f"a sector has the keys A and B, not {redacted_repr(slot)}")
    _refuse_outside("the number of a sector", sector, (0, 255))
    _refuse_outside("bytes of a card's key", size, CARD_KEY_BYTES)
    context = _encode_serial(serial) + bytes((sector,)) + slot.encode("ascii")
    return master.derive(label=FOR_KEY + _refuse_empty_label(label), context=context, size=size)


def record_mac(master: MasterKey, *, label: str, serial: bytes, data: bytes, size: int) -> bytes:
    """The MAC of ``size`` bytes that belongs behind ``data`` on the card with this serial number.

    A copy on a card with another serial number is noticed. A copy that also copies the serial
    number is not.

    Raises `EncodeError` for a serial number of another size than 4, 7, 8 or 10 bytes, and
    `DefinitionError` for a size that is not 4 to 16 or a label that cannot be.
    """
    return RecordMacKey.derive(master, label=label, size=size).compute(serial, data)


@dataclass(frozen=True, slots=True, kw_only=True, repr=False, eq=False)
class RecordMacKey:
    """The key that `record_mac` derives for one label, prepared for any number of cards. It shows itself to nobody."""

    prepared: CMAC
    size: int

    @classmethod
    def derive(cls, master: MasterKey, *, label: str, size: int) -> RecordMacKey:
        """The key for MACs of ``size`` bytes; raises `DefinitionError` as `record_mac` does."""
        _refuse_outside("bytes of a MAC", size, MAC_BYTES)
        key = master.derive(label=FOR_MAC + _refuse_empty_label(label), context=bytes((size,)), size=CMAC_BYTES)
        return cls(prepared=_prepare_cmac(key), size=size)

    def compute(self, serial: bytes, data: bytes) -> bytes:
        """The MAC of one record; raises `EncodeError` as `record_mac` does."""
        return _finish_cmac(self.prepared, _encode_serial(serial) + data)[: self.size]

    def __repr__(self) -> str:
        return f"RecordMacKey(size={self.size})"

    def __reduce__(self) -> NoReturn:
        raise TypeError("a key is neither copied nor pickled")


def cmac(key: bytes, data: bytes) -> bytes:
    """The AES-CMAC of ``data``, 16 bytes; raises `DefinitionError` for a key of another size than AES has."""
    if problem := key_refusal(key):
        del key
        raise DefinitionError(f"cmac: {problem}")
    return _finish_cmac(_prepare_cmac(key), data)


def kdf_counter_cmac(key: bytes, fixed: bytes, size: int, counter_bits: int = 8, *, before: bytes = b"") -> bytes:
    """SP 800-108 in counter mode over fixed data that is given whole; ``before`` is what stands before the counter.

    Raises `DefinitionError` for a counter of other than 8, 16, 24 or 32 bits or too short for ``size``,
    and for a key of another size than AES has.
    """
    problem = key_refusal(key) or _counter_refusal(size, counter_bits)
    if problem:
        del key
        raise DefinitionError(f"kdf in counter mode: {problem}")
    return _derive_counted(_prepare_cmac(key), before, fixed, size, counter_bits // 8)


# ── parts ───────────────────────────────────────────────────────────────────────────────────────


def _counter_refusal(size: int, counter_bits: int) -> str:
    """Why a counter of so many bits cannot number the blocks of ``size`` bytes; empty where it can."""
    if counter_bits not in COUNTER_BITS:
        return f"a counter has {_format_choices(COUNTER_BITS)} bits, not {redacted_repr(counter_bits)}"
    most = CMAC_BYTES * ((1 << counter_bits) - 1)
    if not 1 <= size <= most:
        return f"a counter of {counter_bits} bits numbers 1 to {most} bytes, not {redacted_repr(size)}"
    return ""


def _prepare_cmac(key: bytes) -> CMAC:
    """AES-CMAC under ``key``, before any data; `key_refusal` has nothing against the key."""
    from cryptography.hazmat.primitives.ciphers.algorithms import AES
    from cryptography.hazmat.primitives.cmac import CMAC

    return CMAC(AES(key))


def _finish_cmac(prepared: CMAC, data: bytes) -> bytes:
    own = prepared.copy()
    own.update(data)
    return own.finalize()


def _derive_counted(prepared: CMAC, before: bytes, fixed: bytes, size: int, width: int) -> bytes:
    """As many CMACs as ``size`` bytes need, over a counter of ``width`` bytes among the fixed data."""
    rounds = range(1, -(-size // CMAC_BYTES) + 1)
    return b"".join(_finish_cmac(prepared, before + index.to_bytes(width, "big") + fixed) for index in rounds)[:size]


def _encode_serial(serial: bytes) -> bytes:
    """A serial number with its size in front."""
    if len(serial) not in SERIAL_BYTES:
        raise EncodeError(f"a serial number has {_format_choices(SERIAL_BYTES)} bytes, not {len(serial)}")
    return bytes((len(serial),)) + serial


def _refuse_empty_label(label: str) -> str:
    """A label of a caller, which is not empty."""
    if not isinstance(label, str) or not label:
        raise DefinitionError(f"a label of a key is a text of at least one character, not {redacted_repr(label)}")
    return label


def _encode_label(label: str) -> bytes:
    """A label as its bytes, in which no 00 stands: that is where it ends."""
    if "\0" in _refuse_empty_label(label):
        raise DefinitionError(f"a label of a key holds no zero character, and {redacted_repr(label)} does")
    data = label.encode("utf-8", "replace")
    if data.decode("utf-8") != label:
        raise DefinitionError(f"a label of a key is a text that UTF-8 can write, not {redacted_repr(label)}")
    return data


def _refuse_outside(what: str, number: int, least_most: tuple[int, int]) -> None:
    least, most = least_most
    if not isinstance(number, int) or isinstance(number, bool) or not least <= number <= most:
        raise DefinitionError(f"{what}: {least} to {most}, not {redacted_repr(number)}")


def _format_choices(numbers: tuple[int, ...]) -> str:
    return f"{', '.join(map(str, numbers[:-1]))} or {numbers[-1]}"


def _with_article(noun: str) -> str:
    return f"an {noun}" if noun[:1] in set("aeio") else f"a {noun}"

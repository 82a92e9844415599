"""Master keys for tests, and the search for them in what was written.

They were drawn at random for these tests and protect nothing. They stand nowhere else, so that
finding one in a file or on a screen shows a leak.
"""

from __future__ import annotations

import traceback
from base64 import b64encode
from collections.abc import Iterator
from pathlib import Path

from credkit.cards.keys import MasterKey

KEY_16 = bytes.fromhex("9C61E07D3BB84FA2D51637C8F04E92AB")
KEY_24 = bytes.fromhex("E37A90C5146DB82F5B0EF19D68A7C3427F36D18B94CE5A02")
KEY_32 = bytes.fromhex("71D4AE3908F6C25B8D907BE3A6142FC05EF387BA6D49C10E92D83F75AB24E6C1")
KEYS = (KEY_16, KEY_24, KEY_32)
KEY = KEY_16
MASTER = MasterKey.from_bytes(KEY, "argument of a function")
OTHER = MasterKey.from_bytes(KEY_32, "argument of a function")
SHORTEST = 8  # bytes of a key that count as a leak: a sentence that shortens must not pass


def key_file(folder: Path, key: bytes = KEY, mode: int = 0o600) -> Path:
    """A file in ``folder`` that holds ``key`` as hexadecimal digits."""
    path = folder / "master.hex"
    path.write_text(f"{key.hex()}\n", encoding="ascii")
    path.chmod(mode)
    return path


def forms(key: bytes) -> Iterator[bytes]:
    """How the bytes of a key, or of a part of one, could be written; letters of digits small."""
    yield key
    digits = key.hex()
    yield digits.encode()
    for between in " :-_,":
        for width in (2, 4, 8):
            yield between.join(digits[at : at + width] for at in range(0, len(digits), width)).encode()
    for between in (", ", ",", " "):
        yield between.join(map(str, key)).encode()
    yield repr(key)[2:-1].lower().encode()
    yield str(int.from_bytes(key, "big")).encode()
    yield str(int.from_bytes(key, "little")).encode()
    yield key[::-1].hex().encode()
    yield b64encode(key).rstrip(b"=").lower()


def leaks(data: bytes | str, keys: tuple[bytes, ...] = KEYS) -> list[str]:
    """Every stretch of a key that ``data`` holds, in hexadecimal digits."""
    raw = data.encode("utf-8", "surrogatepass") if isinstance(data, str) else data
    small = raw.lower()
    while b"\\\\" in small:  # written within something written
        small = small.replace(b"\\\\", b"\\")
    found = []
    for key in keys:
        for start in range(0, len(key) - SHORTEST + 1):
            part = key[start : start + SHORTEST]
            if part in raw or any(form in small for form in forms(part)):
                found.append(part.hex())
        if any(form in small for form in forms(key)):
            found.append(key.hex())
    return found


def marks(data: bytes) -> bool:
    """Whether ``data`` holds the beginning or the end of a key, as bytes, in digits or in base 64: a quick `leaks`."""
    small = data.lower()
    return any(
        part in data or part.hex().encode() in small or b64encode(part).rstrip(b"=")[:-1].lower() in small
        for key in KEYS
        for part in (key[:SHORTEST], key[-SHORTEST:])
    )


def told(error: BaseException) -> str:
    """All that could be shown of an error: its sentence, its causes, and every frame with its local variables.

    The first frame is that of the test itself, which may know the key.
    """
    pieces = []
    seen: list[BaseException] = []
    pending: list[BaseException | None] = [error]
    while pending:
        each = pending.pop()
        if each is None or each in seen:
            continue
        seen.append(each)
        whole = traceback.TracebackException.from_exception(each, capture_locals=True)
        frames = whole.stack[1:] if each is error else whole.stack
        pieces += [str(each), repr(each), repr(each.args), repr(vars(each))]
        pieces += [f"{frame.name}: {frame.locals}" for frame in frames]
        pending += [each.__cause__, each.__context__]
    return "\n".join(pieces)

"""Encodings in which a byte of a line end may be part of another character: such files are read as UTF-8.

The pieces of a file are cut behind bytes that end lines, before anything is decoded. Where those bytes do not
always end a line, as in UTF-16, the bytes of the file are decoded one after the other, and cut as UTF-8.

Source: RFC 2781 (UTF-16); RFC 3629 (UTF-8).
"""

from __future__ import annotations

import codecs
from pathlib import Path

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.files.bytestreams import ByteStream
from credkit.files.csvfiles import MISSING_MARK

ASCII_TRIAL = (
    '\n\r,;|\t"' + " " * 64 + r"+AGE-~{!!~}\u0061" + "\x1b$B!!\x1b(B"
)  # what some encodings read as something else


def check_encoding(name: str, encoding: str) -> str:
    """The encoding by its usual name; raises `DefinitionError` for what is no text encoding."""
    try:
        usual = codecs.lookup(encoding).name
        " ".encode(encoding)
        codecs.getincrementaldecoder(encoding)
    except (LookupError, ValueError):
        raise DefinitionError(f"{name}: {redacted_repr(encoding)} is not a text encoding that Python knows") from None
    return "utf-8" if usual == "utf-8-sig" else usual


def has_ascii_bytes(encoding: str) -> bool:
    """Whether texts of ASCII are the same bytes in it, so that a line can be cut out before it is decoded.

    >>> has_ascii_bytes("cp1252"), has_ascii_bytes("utf-16")
    (True, False)
    """
    signs = ASCII_TRIAL.encode("ascii")
    try:
        return ASCII_TRIAL.encode(encoding) == signs and signs.decode(encoding) == ASCII_TRIAL
    except UnicodeError:
        return False


class RecodedStream(ByteStream):
    """The bytes of a file as UTF-8, as far as its encoding holds."""

    def __init__(self, path: Path, name: str, encoding: str, *, compressed: bool) -> None:
        super().__init__(path, compressed=compressed)
        self._name, self._encoding = name, encoding
        self._decoder = codecs.getincrementaldecoder(encoding)()
        self._done = 0  # bytes that are decoded

    def read(self, size: int) -> bytes:
        """The next bytes, about ``size`` of them before they are recoded; none at the end."""
        while not self.broken:
            data = super().read(size)
            before = self._decoder.getstate()
            try:
                text = self._decoder.decode(data, final=not data and not self.broken)
            except UnicodeError as error:
                if str(error).endswith(MISSING_MARK):
                    raise DefinitionError(
                        f"{self._name}: no byte order mark at its start, expected one of {self._encoding} "
                        f"(another encoding, such as {self._encoding}-le, can be declared)"
                    ) from None
                self._decoder.setstate(before)
                return self._salvage_text(data)
            self._done += len(data)
            if text or not data:
                return _encode(text)
        return b""

    def read_lines(self) -> bytes:
        """The next bytes; where a line of the file ends shows when they are recoded."""
        return self.read_piece()

    def _salvage_text(self, data: bytes) -> bytes:
        """What comes before the bytes in ``data`` that are not of the encoding."""
        found = []
        for place in range(len(data)):
            try:
                found.append(self._decoder.decode(data[place : place + 1]))
            except UnicodeError as error:
                self.broken = f"the file is not {self._encoding} ({error})"
                if isinstance(error, UnicodeDecodeError):
                    at = self._done + place + 1 - len(error.object) + error.start  # bytes before it may have waited
                    self.broken = f"byte {error.object[error.start]:02X}h at offset {at} is not {self._encoding}"
                return _encode("".join(found))
        self.broken = f"it ends within a character of {self._encoding}"
        return _encode("".join(found))


def _encode(text: str) -> bytes:
    return text.encode("utf-8", "surrogatepass")  # some encodings have halves of pairs: their lines are not UTF-8


def open_stream(path: Path, name: str, encoding: str, *, compressed: bool) -> tuple[ByteStream, str]:
    """The bytes of a file in which ASCII is ASCII, and their encoding: the file's own, or UTF-8."""
    encoding = check_encoding(name, encoding)
    if has_ascii_bytes(encoding):
        return ByteStream(path, compressed=compressed), encoding
    return RecodedStream(path, name, encoding, compressed=compressed), "utf-8"

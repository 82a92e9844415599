"""Master keys: from a file, an environment variable or a prompt, and never from a command line.

A command line can be read by others on the same machine and stays in the history of the shell. In
all three places the key stands as 32, 48 or 64 hexadecimal digits on one line; blanks among them
are ignored, and a second line is refused, since two keys are not one long key. No sentence repeats
what was found there, nor a name that may itself be a key given in the wrong place: what is wrong is
said with its offset.

`check_value` lets two persons see that they hold the same key without showing it.

Source: common practice, no source.

>>> from credkit.cards.keys import MasterKey
>>> nist = bytes.fromhex("2B7E151628AED2A6ABF7158809CF4F3C")  # a published test value, never a key to use
>>> len(check_value(MasterKey.from_bytes(nist, "argument of a function")))
6
>>> master_from_prompt(lambda _: nist.hex())
Traceback (most recent call last):
credkit.DefinitionError: master key: this is a key of an example, which everybody has: draw one at random
>>> master_from_prompt(lambda _: "2B7E 1516")
Traceback (most recent call last):
credkit.DefinitionError: master key: expected 32, 48 or 64 hexadecimal digits, found 8
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Callable
from pathlib import Path
from string import hexdigits

from credkit.cards.keys import AES_KEY_BYTES, CMAC_BYTES, FOR_CHECK, cmac, key_refusal
from credkit.cards.keys import MasterKey as MasterKey  # whoever asks for one finds its type here too
from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr

PUBLISHED_EXAMPLES = (  # NIST SP 800-38B, appendix D: the keys of its examples
    "2b7e151628aed2a6abf7158809cf4f3c",
    "8e73b0f7da0e6452c810f32b809079e562f8ead2522c6b7b",
    "603deb1015ca71be2b73aef0857d77811f352c073b6108d72d9810a30914dff4",
)
LARGEST_KEY_FILE_BYTES = 1024  # bytes of a file: there is room for a key with blanks in it, and for nothing else
OTHERS_MODE_BITS = 0o077  # what group and others may do
PROMPT = "master key (hexadecimal digits, not shown)"
CHECK_VALUE_BYTES = 3  # bytes of a check value
HALF, WHOLE = 16, 32  # hexadecimal digits of the shortest key

_VARIABLE = re.compile("[A-Za-z_][A-Za-z0-9_]*")
_BETWEEN = re.compile(r"0[xX]|[\W_]")


def master_from_file(path: Path | str) -> MasterKey:
    """The master key in a file that only its owner may use.

    Raises `DefinitionError` for a file that is missing, is a link (it can be turned to another file)
    or no plain file, is too big, or that group or others may read or write. On Windows permissions
    are not to be seen in the file's mode and are not checked: there it is up to whoever keeps it.
    """
    path = Path(path)
    named = f"master key file {_show_name(path.name or str(path))}"
    return _parse_master(_read_key_file(path, named), named, "file")


def master_from_environment(name: str) -> MasterKey:
    """The master key in an environment variable; raises `DefinitionError` where it is not set or holds no key.

    Programs that are started from here inherit the variable, and the administrator can read it.
    """
    if not _VARIABLE.fullmatch(name) or may_hold_key(name):
        del name
        raise DefinitionError("the name of an environment variable is needed here, never the key itself")
    named = f"environment variable {redacted_repr(name)}"
    if name not in os.environ:
        raise DefinitionError(f"{named}: it is not set, expected a master key in it")
    return _parse_master(os.environ[name], named, "environment variable")


def master_from_prompt(ask: Callable[[str], str]) -> MasterKey:
    """The master key that a person types; ``ask`` shows a text and returns what was typed, unseen.

    It is asked once: the check value shows whether it was typed rightly. Raises `DefinitionError`
    for what is no key.
    """
    return _parse_master(ask(PROMPT), "master key", "prompt")


def check_value(master: MasterKey) -> str:
    """Six hexadecimal digits that are the same for all who hold this key, and tell nothing else of it.

    They are the first 3 bytes of the CMAC over 16 zero bytes, under a key of 16 bytes that is derived for the
    label "credkit check value" and an empty context (`credkit.cards.keys` says how). Of 16 million wrong keys
    about one has the same.
    """
    key = master.derive(label=FOR_CHECK, context=b"", size=CMAC_BYTES)
    return cmac(key, bytes(CMAC_BYTES))[:CHECK_VALUE_BYTES].hex().upper()


def _parse_master(text: str, named: str, origin: str) -> MasterKey:
    if problem := _master_problem(text):
        del text  # a traceback may show local variables
        raise DefinitionError(f"{named}: {problem}")
    return MasterKey.from_bytes(_to_bytes(text), origin)


def _master_problem(text: str) -> str:
    """Why ``text`` is no master key, in words that show nothing of it; empty where it is one."""
    for offset, character in enumerate(text):
        if character not in hexdigits and not character.isspace():
            return f"the character at offset {offset} is not a hexadecimal digit"
    lines = sum(bool(line.strip()) for line in text.splitlines())
    if lines > 1:
        return f"{lines} lines, expected one: two keys are not one long key"
    count = sum(not character.isspace() for character in text)
    if count not in (2 * size for size in AES_KEY_BYTES):
        return f"expected 32, 48 or 64 hexadecimal digits, found {count or 'none'}"
    data = _to_bytes(text)
    if len(set(data)) == 1 or data.hex() in PUBLISHED_EXAMPLES or data == bytes(range(len(data))):
        return "this is a key of an example, which everybody has: draw one at random"
    return key_refusal(data)


def _to_bytes(text: str) -> bytes:
    return bytes.fromhex("".join(text.split()))


def _read_key_file(path: Path, named: str) -> str:
    """The characters of the file, where nothing is to be said against the file itself."""
    # not through a link, not even one that has just come, and without waiting for whoever writes a pipe
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    problem = "it is a link, expected the file itself"
    try:
        if not path.is_symlink():
            descriptor = os.open(path, flags)
            try:
                problem = _file_problem(os.fstat(descriptor))
                if not problem:
                    return os.read(descriptor, LARGEST_KEY_FILE_BYTES).decode("utf-8-sig", "replace")
            finally:
                os.close(descriptor)
    except OSError as error:
        problem = f"the file cannot be read ({error.strerror})"
    except ValueError:  # a zero character, or half a character
        problem = "its name cannot be that of a file"
    raise DefinitionError(f"{named}: {problem}")


def _file_problem(found: os.stat_result) -> str:
    """What is wrong with a file before it is read."""
    if not stat.S_ISREG(found.st_mode):
        return "it is not a plain file"
    if os.name == "posix" and found.st_mode & OTHERS_MODE_BITS:
        mode = stat.S_IMODE(found.st_mode)
        return f"others than its owner may use it (mode {mode:03o}), expected mode 600 or 400: take their rights away"
    if found.st_size > LARGEST_KEY_FILE_BYTES:
        return f"it has {found.st_size} bytes, expected at most {LARGEST_KEY_FILE_BYTES}: this is not a key"
    return ""


def _show_name(name: str) -> str:
    return "(whose name may itself be a key)" if may_hold_key(name) else redacted_repr(name)


def may_hold_key(name: str, least: int = HALF) -> bool:
    """Whether a name holds ``least`` hexadecimal digits in a row, whatever parts them: it may be a key, or half of one.

    >>> [may_hold_key(name) for name in ("2B7E,1516,28AE,D2A6", "0x2B 0x7E 0x15 0x16 0x28 0xAE 0xD2 0xA6", "key.hex")]
    [True, True, False]
    """
    return re.search(f"[0-9A-Fa-f]{{{least}}}", _BETWEEN.sub("", name)) is not None

"""Stand-ins: what `credkit init` writes for a reader whose chain is not known, and for a system that no file names.

The chain of a reader's stand-in reads no text; a target's stand-in gets the numbers as the register has them.
"""

from __future__ import annotations

from collections.abc import Iterable
from re import fullmatch

from credkit.site.model import Reader, Site

TARGET = "as-registered"
DOUBTED_STATUS = "means as a status: taken for cards not to be used"  # in the comment above a word of the site file
_CHAIN = "template:undecided-"


def write_stand_in(key: Iterable[str]) -> str:
    """The chain of a reader that is not decided, for numbers with this key.

    >>> write_stand_in(["facility", "number"])
    'template:undecided-{facility:d}-{number:d}'
    """
    return f"{_CHAIN}{'-'.join(f'{{{name}:d}}' for name in key)}"


def has_no_chain(reader: Reader) -> bool:
    """Whether every chain of a reader is a stand-in."""
    return all(period.codec.name.startswith(_CHAIN) for period in reader.periods)


def is_stand_in_target(name: str) -> bool:
    """Whether a target has the name of a stand-in.

    >>> is_stand_in_target("as-registered-fob"), is_stand_in_target("gatehouse")
    (True, False)
    """
    return name == TARGET or name.startswith(f"{TARGET}-")


def find_doubted_statuses(site: Site) -> set[str]:
    """The statuses that a word of the site file has by a comment of init alone: nothing explains the word."""
    try:
        lines = site.files[0].read_text(encoding="utf-8").splitlines() if site.files else []
    except OSError:  # a site file that has moved since it was read leaves no comments to look at
        return set()
    found, comment = set[str](), ""
    for line in lines:
        if line.startswith("#"):
            comment += f" {line.removeprefix('#').strip()}"
            continue
        if DOUBTED_STATUS in comment and (meaning := fullmatch(r'.*=\s*"([^"]*)"\s*', line)):
            found.add(meaning[1])
        comment = ""
    return found

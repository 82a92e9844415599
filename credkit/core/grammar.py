"""The written form of a chain.

Steps stand from what was read to what it means, a ``/`` between them. Behind the first ``:`` of a
step stand its arguments, a ``,`` between them. Inside an argument ``/``, ``,`` and ``%`` are
written ``%2F``, ``%2C`` and ``%25``; there are no other escapes, and ``:`` needs none.

    hex:8/right-justified:26/wiegand-26
    split-decimal:8,16/fields:facility:8,number:16
"""

from __future__ import annotations

import re
from typing import NamedTuple

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr

CODEC_NAME = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
STANDARD_NAME = re.compile(r"[A-Z][A-Z0-9_]*")  # as open standards write the names of contents
MAX_STEPS = (
    40  # steps; a chain that is longer was made by a mistake, and causes are tried at every step of one that fails
)
MAX_CHAIN_CHARACTERS = 65536  # characters
_ESCAPES = {"%2F": "/", "%2C": ",", "%25": "%"}
_ESCAPE = re.compile("%(?:2F|2C|25)?")


class StepText(NamedTuple):
    """One step as it stands in a chain."""

    name: str
    args: tuple[str, ...]


def parse_chain(text: str) -> list[StepText]:
    """The steps of a written chain.

    >>> parse_chain("decimal:32,10/strip:a%2Fb")
    [StepText(name='decimal', args=('32', '10')), StepText(name='strip', args=('a/b',))]
    >>> parse_chain("hex:8//wiegand-26")
    Traceback (most recent call last):
    credkit.DefinitionError: chain 'hex:8//wiegand-26': step 2 at character 6 is empty
    """
    if len(text) > MAX_CHAIN_CHARACTERS:
        raise DefinitionError(
            f"chain {redacted_repr(text[:MAX_CHAIN_CHARACTERS])}: {len(text)} characters are more than "
            f"{MAX_CHAIN_CHARACTERS}"
        )
    pieces = text.split("/")
    if len(pieces) > MAX_STEPS:
        raise DefinitionError(f"chain {redacted_repr(text)}: {len(pieces)} steps are more than {MAX_STEPS}")
    steps, at = [], 0
    for number, piece in enumerate(pieces, 1):
        name, colon, rest = piece.partition(":")
        problem = ""
        if not piece:
            problem = " is empty"
        elif not (CODEC_NAME.fullmatch(name) or STANDARD_NAME.fullmatch(name)):
            problem = f": {redacted_repr(name)} is not a codec name (small letters, digits, hyphens)"
            if number > 1 and "{" in text:  # a slash ends a step, in a template too
                problem += "; a / in the text of a template is written %2F"
        elif "%" in _ESCAPE.findall(rest):
            problem = ": % must be one of %2F, %2C, %25 (write %25 for a percent sign)"
        if problem:
            raise DefinitionError(f"chain {redacted_repr(text)}: step {number} at character {at}{problem}")
        args = (_ESCAPE.sub(lambda match: _ESCAPES[match.group()], arg) for arg in rest.split(","))
        steps.append(StepText(name, tuple(args) if colon else ()))
        at += len(piece) + 1
    return steps


def format_step(name: str, *args: str) -> str:
    """One step in written form; empty arguments at the end are left out.

    >>> format_step("decimal", "32", "10"), format_step("hex", ""), format_step("strip", "a/b")
    ('decimal:32,10', 'hex', 'strip:a%2Fb')
    """
    while args and not args[-1]:
        args = args[:-1]
    if not args:
        return name
    escaped = (a.replace("%", "%25").replace("/", "%2F").replace(",", "%2C") for a in args)
    return f"{name}:{','.join(escaped)}"

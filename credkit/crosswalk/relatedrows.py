"""Related rows: what unresolved readings and unreadable values would be, were it not for damage or white space."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from itertools import islice
from typing import NamedTuple

from credkit.bulk.decoded_columns import decode_columns
from credkit.core.codec import AnyCodec
from credkit.core.whitespace import strip_white_space
from credkit.crosswalk.register import Register
from credkit.crosswalk.unresolved import DamagedNumbers
from credkit.crosswalk.verdicts import Verdict, other_issues

UNREADABLE = ("check-failed", "unreadable")  # codes of readings


class RelatedRows(NamedTuple):
    """By lines of unresolved readings: a credential that has the number but for one thing.

    The register has the number of the ``damaged`` ones altered by a spreadsheet, of ``reissued`` ones with another
    issue, of ``spaced`` ones with white space around it. ``spaced_values`` are lines of the register and
    ``spaced_texts`` of readings that can be read without the white space around them.
    """

    damaged: Mapping[int, str]
    reissued: Mapping[int, str]
    spaced: Mapping[int, str]
    spaced_values: Collection[int]
    spaced_texts: Collection[int]


def find_related_rows(register: Register, verdicts: Iterable[Verdict]) -> RelatedRows:
    """The related rows of a register, and of the readings that were judged one by one."""
    numbers = DamagedNumbers(register)
    damaged: dict[int, str] = {}
    reissued: dict[int, str] = {}
    spaced: dict[int, str] = {}
    padded: dict[AnyCodec, list[Verdict]] = defaultdict(list)
    for verdict in verdicts:
        sighting = verdict.sighting
        if verdict.code == "unknown-card" and verdict.number:
            for credential in islice(numbers.credentials_of(sighting, verdict.number), 1):
                damaged |= dict.fromkeys(sighting.lines, credential)
            for card in register.spaced_owners.get(verdict.number, ())[:1]:
                spaced |= dict.fromkeys(sighting.lines, card.credential)
        elif verdict.code == "other-issue":
            for card in other_issues(register, sighting)[:1]:
                reissued |= dict.fromkeys(sighting.lines, card.credential)
        elif verdict.code in UNREADABLE and strip_white_space(sighting.text) != sighting.text:
            padded[sighting.period.codec].append(verdict)
    return RelatedRows(
        damaged=damaged, reissued=reissued, spaced=spaced,
        spaced_values={card.row.line for cards in register.spaced_owners.values() for card in cards},
        spaced_texts=_find_spaced_texts(padded),
    )  # fmt: skip


def _find_spaced_texts(padded: Mapping[AnyCodec, list[Verdict]]) -> set[int]:
    """The lines of readings whose texts their chain decodes without the white space around them."""
    found: set[int] = set()
    for codec, verdicts in padded.items():
        bare = [strip_white_space(verdict.sighting.text) for verdict in verdicts]
        decoded = decode_columns(codec, bare, with_notes=False).ok.tolist()
        found.update(
            line for verdict, ok in zip(verdicts, decoded, strict=True) if ok for line in verdict.sighting.lines
        )
    return found

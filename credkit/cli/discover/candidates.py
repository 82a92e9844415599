"""Candidates for a chain on the screen, for ``credkit discover chain`` and ``credkit relate``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from credkit.cli.output import Console
from credkit.core.sentences import format_count
from credkit.discover.chainvalues import ChainCandidate

MOST_SHOWN = 5  # candidates on a screen, unless --all is given


def show_candidates(door: Console, candidates: Sequence[ChainCandidate], *, everything: bool) -> None:
    """The candidates, the likeliest first: what speaks for each, its chains, and how many more there are."""
    count = len(candidates)
    for number, each in enumerate(candidates if everything else candidates[:MOST_SHOWN], 1):
        door.say()
        share = f", {format_share(each.share)}" if count > 1 else ""
        backward = ", from the second text to the first" if each.is_backward else ""
        door.say(f"{number}. {format_evidence(each)} of evidence{share}{backward}")
        door.say(f"   from  {each.source}", indent="         ")
        door.say(f"   to    {each.target}", indent="         ")
        if everything:
            for texts in each.chains[1:]:
                door.say(f"   same  {texts.source} to {texts.target}", indent="         ")
        elif len(each.chains) > 1 and number == 1:
            door.say(f"   {format_count(len(each.chains) - 1, 'longer way')} to write the same (--all)")
    if not everything and count > MOST_SHOWN:
        door.say()
        door.say(f"{count - MOST_SHOWN} more, less likely: --all")


def format_evidence(each: ChainCandidate) -> str:
    """What speaks for a candidate beyond chance."""
    return f"{each.evidence:.0f} bits"


def format_share(share: float) -> str:
    """A share in percent; never a bare 0 or 100."""
    return "under 1 %" if share < 0.01 else "over 99 %" if share > 0.99 else f"{share * 100:.0f} %"


def to_record(each: ChainCandidate) -> dict[str, Any]:
    """A candidate for ``--json``."""
    return {
        "source": each.source, "target": each.target, "chains": [list(texts) for texts in each.chains],
        "evidence": each.evidence, "agreement": each.agreement, "cost": each.cost, "share": each.share,
    }  # fmt: skip

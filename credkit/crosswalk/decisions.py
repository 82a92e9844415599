"""Decisions: what becomes of a credentials row in a target. One table, read from the top.

The first row of `DECISIONS` with a condition that is true decides the action; the reasons of all true
conditions are given. A condition that is only for active rows is not looked at where the status of the row
does not allow it to be written.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from credkit.crosswalk.linetable import Action


class Doubt(NamedTuple):
    """A condition that is true of a card, by its code in `DECISIONS`, and the sentence that says so."""

    code: str
    reason: str


class Decision(NamedTuple):
    """A row of the table; ``active`` conditions are looked at only where the row is active."""

    code: str
    action: Action
    active: bool
    condition: str


NOT_ACTIVE, NO_TARGET, HELD, HOLDS_OTHER, NOT_HELD = "not-active", "no-target", "held", "holds-other", "not-held"
DECISIONS = (
    Decision("superseded", "none", False, "a more trusted source has a row for its days, or it repeats another row"),
    Decision("unreadable-value", "hold", False, "its value does not have the form that the site file "
             "declares, and no spreadsheet explains why"),
    Decision("spreadsheet-damage", "hold", False, "a spreadsheet altered its value: shortened it, dropped its leading "
             "zeros, or rounded it (more values of the column end in zeros than chance allows)"),
    Decision("maybe-rounded", "hold", False, "more values of its column end in zeros, as it does, than chance gives"),
    Decision("overlap", "hold", False, "another person holds the same card at the same time"),
    Decision("id-of-two-cards", "hold", False, "another person holds a card with its id and another number at the "
             "same time"),
    Decision("near-id", "hold", False, "its person or credential id differs from another only in case, white space or "
             "Unicode form"),
    Decision("duplicate-number", "hold", False, "another credential has its number, and neither is gone"),
    Decision("duplicate-text", "hold", False, "another number would be its text in the target, and neither is gone"),
    Decision(NOT_ACTIVE, "none", False, "its status or its dates do not allow it on the day of judgement"),
    Decision("twin-rows", "hold", True, "another row for its credential, kind, person and days differs, and neither "
             "source counts first"),
    Decision("refused-value", "hold", True, "its value must not serve as a credential number, such as a random serial"),
    Decision("two-active-issues", "hold", True, "its person has another active credential of the kind"),
    Decision("several-holders", "hold", True, "another row of the card counts on the day of judgement, too"),
    Decision("printed-differs", "hold", True, "its printed number is another, and no common offset explains it"),
    Decision("conflict", "hold", True, "a reading contradicts it: the desk expected it, and another number was read; "
             "or its number was read where the desk expected another; or the reads of one presentation disagree"),
    Decision("unwritable", "hold", True, "the target's chain cannot write its number"),
    Decision("column-too-small", "hold", True, "the target's column cannot hold its text"),
    Decision("like-payment", "hold", True, "its number looks like a payment account number"),
    Decision("issue-dropped", "hold", True, "another issue of it was read, and the target leaves the issue out"),
    Decision(NO_TARGET, "none", True, "no target takes its kind"),
    Decision("held-by-other", "hold", True, "the target holds its text for others, and not for its person"),
    Decision("export-damage", "hold", True, "a spreadsheet altered its text in the target's export, as others"),
    Decision(HELD, "keep", True, "the target holds its text for the person"),
    Decision(HOLDS_OTHER, "change", True, "the target holds a text for the person that none of the "
             "person's active cards explains"),
    Decision(NOT_HELD, "add", True, "the target holds no text to change for the person, or has no export"),
)  # fmt: skip
_PLACE = {decision.code: place for place, decision in enumerate(DECISIONS)}
ACTIVE_ONLY = frozenset(decision.code for decision in DECISIONS if decision.active)
WRITTEN = frozenset((HELD, HOLDS_OTHER, NOT_HELD))  # codes of lines that nothing speaks against


def decide(doubts: Iterable[Doubt]) -> tuple[Decision, tuple[str, ...]]:
    """The decision of the first condition in the table, and the reasons of all, in the order of the table.

    >>> decision, reasons = decide([Doubt("not-held", ""), Doubt("overlap", "'P-2' holds it, too")])
    >>> decision.action, decision.code, reasons
    ('hold', 'overlap', ("'P-2' holds it, too",))
    """
    found = sorted(doubts, key=lambda doubt: _PLACE[doubt.code])
    return DECISIONS[_PLACE[found[0].code]], tuple(dict.fromkeys(doubt.reason for doubt in found if doubt.reason))

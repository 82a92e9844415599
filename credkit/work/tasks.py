"""Tasks that several tools have: one cause has the same words wherever it is found."""

from __future__ import annotations

from credkit.work.items import Task

SHARED_TASKS = {
    "inactive-read": Task(
        title="Cards that are not active are still used", security=True,
        act="Find out who uses them: collect the card, or correct its row in the register.",
    ),
    "other-order": Task(
        title="{subject} sends its bits in another order than declared", single=True, sure="likely",
        act="Check how {subject} is set; then write this into the site file, in place of its chain:",
    ),
    "other-chain": Task(
        title="{subject} writes another form than declared", single=True, sure="likely",
        act="Check how {subject} is set; then write this into the site file, in place of its chain:",
    ),
    "re-set": Task(
        title="{subject} was set otherwise for a time", single=True, sure="likely",
        act="Check how {subject} is set; then write this into the site file, in place of its chain:",
    ),
    "fails-since": Task(
        title="{subject} fails from a moment on", single=True,
        act="Ask who changed {subject} then; no chain that was tried explains its texts.",
    ),
    "two-settings": Task(
        title="{subject} sends two forms side by side", single=True, sure="likely",
        act="Two devices may log under this name: give each its own.",
    ),
    "single-facility": Task(
        title="{subject} sends one facility code for all cards", single=True, sure="likely",
        act="Set {subject} to send each card's own, and read the cards again.",
    ),
    "unwritable": Task(
        title="The chain of {subject} cannot write its numbers", single=True,
        act="Choose a chain under [targets.{subject}] that can.",
    ),
    "truncated": Task(
        title="{subject} leaves out what tells cards apart", single=True,
        act="Choose a chain under [targets.{subject}] that keeps the whole number, or replace one card of each pair.",
    ),
    "spreadsheet-damage": Task(
        title="A spreadsheet altered values of {subject}", single=True, sure="likely",
        act="Export these rows again from their source, as text.",
    ),
    "maybe-rounded": Task(
        title="Values that a spreadsheet may have rounded", single=True, sure="possible",
        act="Compare these rows with their source.",
    ),
    "duplicate-number": Task(
        title="One number, several cards", act="Find out which card is real; end or correct the row of the other.",
    ),
    "unreadable-value": Task(
        title="Values without the declared form",
        act="Correct these rows, or declare their form under the value of their kind.",
    ),
    "refused-value": Task(
        title="Numbers that must not serve as a card's",
        act="Read these cards again at a reader that gives a fixed, whole number, or replace them.",
    ),
    "unknown-card": Task(
        title="Cards that no register row has were read",
        act="Find out whose they are: add their rows to the register, or collect them.",
    ),
    "failing": Task(
        title="{subject}: readings that fail",
        act="Look at the reader, its wiring and its chain; likely causes stand in the details.",
    ),
    "no-chain": Task(
        title="{subject}: no chain is written for this reader yet", single=True,
        act="Present cards with known numbers to {subject}, find its chain with credkit discover chain, or its layout "
        "with credkit discover layout, and write it under its table in the site file.",
    ),
    "unexpected-value": Task(
        title="Readings with an unexpected value",
        act="Find out whose cards these are; if they are yours, add the value to expect under their kind.",
    ),
    "incomplete-entry": Task(
        title="{subject}: entries that are not complete",
        act="Write one swipe or entry to a row, and ask people to enter the whole number.",
    ),
}  # fmt: skip

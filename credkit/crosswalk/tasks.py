"""Tasks: what a person does about each code of an exception, a hold or a finding. One literal table.

A task has a title, which names its subject where it has one, and a sentence that says who must do what. Effects of
one cause have one task: `TASK_OF` gives the task of a code, and `ABOUT` by what its items are told apart.
"""

from __future__ import annotations

from typing import Literal

from credkit.work.items import Task

TASKS = {
    "inactive-held": Task(
        title="{subject} still holds cards that are not active", security=True,
        act="Check their recent readings and ask the people, then take them out of {subject}.",
    ),
    "inactive-read": Task(
        title="Cards that are not active are still used", security=True,
        act="Find out who uses them: collect the card, or correct its row in the register.",
    ),
    "other-issue": Task(
        title="Cards of another issue than the register's are used", security=True, sure="likely",
        act="They may be cards that were replaced: collect them, or correct the issue in the register.",
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
    "white-space": Task(
        title="White space around cells of {subject}", single=True,
        act="Take it off at the source, or by the site file:",
    ),
    "column-too-small": Task(
        title="The column of {subject} is too small for its numbers", single=True,
        act="Widen the column, and its type under [targets.{subject}], or choose another chain there.",
    ),
    "unwritable": Task(
        title="The chain of {subject} cannot write its numbers", single=True,
        act="Choose a chain under [targets.{subject}] that can.",
    ),
    "truncated": Task(
        title="{subject} leaves out what tells cards apart", single=True,
        act="Choose a chain under [targets.{subject}] that keeps the whole number, or replace one card of each pair.",
    ),
    "export-damage": Task(
        title="A spreadsheet altered the export of {subject}", single=True, sure="likely",
        act="Export it again, without a spreadsheet.",
    ),
    "spreadsheet-damage": Task(
        title="A spreadsheet altered values of {subject}", single=True, sure="likely",
        act="Export these rows again from their source, as text.",
    ),
    "maybe-rounded": Task(
        title="Values that a spreadsheet may have rounded", single=True, sure="possible",
        act="Compare these rows with their source.",
    ),
    "unexplained": Task(
        title="{subject} holds texts for people whom the register does not explain",
        act="Ask the owner of {subject} whose they are: add their rows to the register, or take them out there.",
    ),
    "duplicate-number": Task(
        title="One number, several cards", act="Find out which card is real; end or correct the row of the other.",
    ),
    "two-active-issues": Task(
        title="Several active cards of one kind for one person", act="End the rows of those that are gone.",
    ),
    "conflict": Task(
        title="Readings contradict the register",
        act="Hold each of these cards to an enrolment reader again, and correct the row that is wrong.",
    ),
    "near-id": Task(
        title="Ids that differ only in case, white space or Unicode form",
        act='Write them alike; if they are different, write near_ids = "accept" under [rules].',
    ),
    "unreadable-value": Task(
        title="Values without the declared form",
        act="Correct these rows, or declare their form under the value of their kind.",
    ),
    "overlap": Task(title="One card, two holders at one time", act="Correct the dates of these rows."),
    "id-of-two-cards": Task(
        title="One credential id, two people with different numbers", act="Correct the ids of these rows.",
    ),
    "several-holders": Task(
        title="One card, several holders on the day of judgement", act="End the assignments that are over.",
    ),
    "twin-rows": Task(
        title="Two rows for one card differ",
        act="Correct one of each pair, or name their sources in order_of_truth under [rules].",
    ),
    "refused-value": Task(
        title="Numbers that must not serve as a card's",
        act="Read these cards again at a reader that gives a fixed, whole number, or replace them.",
    ),
    "printed-differs": Task(
        title="The printed number is not the encoded one", act="Look at these cards, and correct their rows.",
    ),
    "like-payment": Task(
        title="Numbers that look like payment account numbers", sure="possible",
        act="Take payment cards out of the files; if they are none, declare not_payment under their kind.",
    ),
    "unknown-card": Task(
        title="Cards that no register row has were read",
        act="Find out whose they are: add their rows to the register, or collect them.",
    ),
    "failing": Task(
        title="{subject}: readings that fail",
        act="Look at the reader and its wiring; likely causes stand in the details.",
    ),
    "unexpected-value": Task(
        title="Readings with an unexpected value",
        act="Find out whose cards these are; if they are yours, add the value to expect under their kind.",
    ),
    "incomplete-entry": Task(
        title="{subject}: entries that are not complete",
        act="Write one swipe or entry to a row, and ask people to enter the whole number.",
    ),
    "clock": Task(
        title="The clock of {subject} is wrong", single=True, sure="likely",
        act="Set the clock, and check how long it has been wrong.",
    ),
    "unknown-expected": Task(
        title="The desk expected cards that no register row has",
        act="Correct these ids in the readings, or add their rows to the register.",
    ),
    "unknown-source": Task(
        title="Sources that the order of truth does not name",
        act="Correct the source of these rows, or name it in order_of_truth under [rules].",
    ),
    "replaces": Task(
        title="Cards that replace what they cannot replace", act="Correct what these rows replace.",
    ),
}  # fmt: skip
TASK_OF = {  # the task of a code, where it is not called as the code
    "duplicate-text": "truncated",
    "issue-dropped": "truncated",
    "held-by-other": "unexplained",
    "existing-unmatched": "unexplained",
    "check-failed": "failing",
    "unreadable": "failing",
    "refused-note": "refused-value",
}
SETTLED = ("superseded",)  # codes of rows about which nothing is to be done
FACT_TASKS = ("clock", "white-space", "unknown-expected", "unknown-source", "replaces", "like-payment")  # of findings
ABOUT: dict[str, Literal["target", "file", "reader"]] = {  # by what the items of a task are told apart, if they are
    "column-too-small": "target",
    "unwritable": "target",
    "truncated": "target",
    "export-damage": "target",
    "unexplained": "target",
    "inactive-held": "target",
    "spreadsheet-damage": "file",
    "failing": "reader",
    "incomplete-entry": "reader",
    "clock": "reader",
}

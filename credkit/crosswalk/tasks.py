"""Tasks: what a person does about each code of an exception, a hold or a finding. One literal table.

A task has a title, which names its subject where it has one, and a sentence that says who must do what. Effects of
one cause have one task: `TASK_OF` gives the task of a code, and `ABOUT` by what its items are told apart.
"""

from __future__ import annotations

from typing import Literal

from credkit.work.items import Task
from credkit.work.tasks import SHARED_TASKS

TASKS = SHARED_TASKS | {
    "inactive-held": Task(
        title="{subject} still holds cards that are not active", security=True,
        act="Check their recent readings and ask the people, then take them out of {subject}.",
    ),
    "other-issue": Task(
        title="Cards of another issue than the register's are used", security=True, sure="likely",
        act="They may be cards that were replaced: collect them, or correct the issue in the register.",
    ),
    "white-space": Task(
        title="White space around cells of {subject}", single=True,
        act="Take it off at the source, or by the site file:",
    ),
    "guarded": Task(
        title="Numbers of {subject} stand behind an apostrophe", single=True, sure="likely",
        act="It seems to be a file for a spreadsheet: name the table for programs in its place, or export it again.",
    ),
    "column-too-small": Task(
        title="The column of {subject} is too small for its numbers", single=True,
        act="Widen the column, and its type under [targets.{subject}], or choose another chain there.",
    ),
    "export-damage": Task(
        title="A spreadsheet altered the export of {subject}", single=True, sure="likely",
        act="Export it again, without a spreadsheet.",
    ),
    "unexplained": Task(
        title="{subject} holds texts that no card of the register has",
        act="Ask the owner of {subject} whose they are: add their rows to the register, or take them out there.",
    ),
    "number-of-another": Task(
        title="{subject} gives {people} the number of another person's card", security=True,
        act="Find out who carries each card, and take its number out of {subject} for everybody else; if the register "
        "names the wrong person, correct its row.",
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
    "overlap": Task(
        title="One card, several holders at one time",
        act="Correct the dates of these rows: end the assignments that are over.",
    ),
    "id-of-two-cards": Task(
        title="One credential id, two people with different numbers", act="Correct the ids of these rows.",
    ),
    "twin-rows": Task(
        title="Two rows for one card differ",
        act="Correct one of each pair, or name their sources in order_of_truth under [rules].",
    ),
    "printed-differs": Task(
        title="The printed number is not the encoded one", act="Look at these cards, and correct their rows.",
    ),
    "like-payment": Task(
        title="Numbers that look like payment account numbers", sure="possible",
        act="Take payment cards out of the files; if they are none, declare not_payment under their kind.",
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
    "issue-dropped": "other-issue",
    "several-holders": "overlap",
    "held-by-other": "number-of-another",
    "existing-unmatched": "unexplained",
    "check-failed": "failing",
    "unreadable": "failing",
    "refused-note": "refused-value",
}
INACTIVE_TASKS = ("inactive-held", "inactive-read", "other-issue")  # about cards that should open nothing any more
SETTLED = ("superseded",)  # codes of rows about which nothing is to be done
FACT_TASKS = ("clock", "white-space", "unknown-expected", "unknown-source", "replaces", "like-payment")  # of findings
ABOUT: dict[str, Literal["target", "file", "reader"]] = {  # by what the items of a task are told apart, if they are
    "column-too-small": "target",
    "unwritable": "target",
    "truncated": "target",
    "export-damage": "target",
    "unexplained": "target",
    "number-of-another": "target",
    "inactive-held": "target",
    "guarded": "file",
    "spreadsheet-damage": "file",
    "failing": "reader",
    "no-chain": "reader",
    "incomplete-entry": "reader",
    "clock": "reader",
}

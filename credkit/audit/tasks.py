"""Tasks: what a person does about what an audit finds, beside the tasks that other tools have, too."""

from __future__ import annotations

from credkit.work.items import Task
from credkit.work.tasks import SHARED_TASKS

SETTING_TASKS = ("other-order", "other-chain", "re-set", "likely-chain")  # that another chain of the reader would end
TASKS = SHARED_TASKS | {
    "likely-chain": Task(
        title="{subject}: another chain would read most failing readings", single=True, sure="likely",
        act="Check how {subject} is set and wired, and read a card whose number is known:",
    ),
    "strange-reader": Task(
        title="{subject} sends numbers that the register does not have", single=True, sure="possible",
        act="Check how {subject} is set, and whether its cards are in the register; no chain that was tried explains "
        "them.",
    ),
    "others-failing": Task(
        title="Other readers with readings that fail", act="Look at them when those above are done: --details lists "
        "readers.",
    ),
    "unreadable-rows": Task(
        title="Rows of {subject} that are wrong in themselves", single=True,
        act="Correct these rows where they come from, or export them again.",
    ),
    "not-to-end": Task(
        title="{subject} was not read to its end", single=True, act="Export it again: what follows is in no count.",
    ),
    "no-register": Task(
        title="The register was not read, so no card was compared", single=True, act="{subject}",
    ),
    "nothing-checks": Task(
        title="Readings with the right form and nothing to check", single=True,
        act="Compare their numbers with a register: credkit audit --site SITE.",
    ),
}  # fmt: skip

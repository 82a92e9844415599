"""Tasks: what a person does about what a census finds, beside the tasks that other tools have, too."""

from __future__ import annotations

from credkit.work.items import Task
from credkit.work.tasks import SHARED_TASKS

TASKS = SHARED_TASKS | {
    "inactive-twin": Task(
        title="{subject}: cards that are not active pass for active ones", security=True,
        act="Collect them, or reissue the active card of each group: nobody can lock the one without the other.",
    ),
    "truncated-reader": Task(
        title="{subject} leaves out what tells cards apart", single=True, security=True,
        act="Set {subject} to send the whole number, or reissue cards: what one card of a group opens, the others open "
        "too.",
    ),
    "unclear-truncation": Task(
        title="Which part of a number {subject} truncates is not known", single=True, sure="possible",
        act="Declare a chain of {subject} that says which bits or digits it keeps.",
    ),
    "hidden-ranges": Task(
        title="Ranges of {subject} are hidden: its numbers look like payment account numbers", single=True,
        sure="possible",
        act="Take payment cards out of the file; if they are none, declare not_payment under their kind.",
    ),
    "range-full": Task(
        title="Numbers of {subject} run out", single=True,
        act="Plan another facility code or a longer layout: --details compares the layouts.",
    ),
    "no-layout": Task(
        title="No layout of the catalogue holds {subject}", single=True,
        act="Plan fewer cards, or a layout of your own.",
    ),
    "too-few-numbers": Task(
        title="Fewer new numbers than wanted", single=True,
        act="Choose another facility code, or reserve less; the reasons stand under Skipped.",
    ),
}  # fmt: skip

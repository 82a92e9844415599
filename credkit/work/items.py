"""Items of work: what a person does about one cause, whom it concerns, and what ends when it is done."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any, Literal

from credkit.work.filelines import NO_LINES, FileLines

Sure = Literal["certain", "likely", "possible"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What is to be done about a cause; ``{subject}`` may stand in ``title`` and ``act``, ``{people}`` in ``title``.

    A ``single`` task is done once for all its rows, such as an export; another one is done row by row. A task of
    ``security`` stands first.
    """

    title: str
    act: str
    sure: Sure = "certain"
    single: bool = False
    security: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """What ends when an item of work is done: so many of a ``noun``, or ``at_most`` so many, by their code."""

    code: str
    count: int
    noun: Literal["exception", "held line", "card", "row", "reading", "group", "number"]
    at_most: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkItem:
    """What a person has to do about one cause, with all its effects; ``task`` is a key of the tool's tasks.

    ``people``, ``credentials``, ``readings`` and ``readers`` count whom and what it concerns, each once. ``act`` says
    who must do what, ``lines`` are ready for the site file, ``rows`` are those to look at or to send back. ``ends`` is
    what disappears when it is done; what has another cause too stays for that one.
    """

    task: str
    subject: str
    title: str
    act: str
    people: int = 0
    credentials: int = 0
    readings: int = 0
    readers: int = 0
    sure: Sure = "certain"
    evidence: str = ""
    lines: tuple[str, ...] = ()
    rows: FileLines = NO_LINES
    ends: tuple[Effect, ...] = ()


def plain_item(item: WorkItem) -> dict[str, Any]:
    """An item in plain values, for JSON; its rows by file."""
    return asdict(item) | {"rows": item.rows.by_file()}


def sort_items(items: Iterable[WorkItem], tasks: Mapping[str, Task]) -> tuple[WorkItem, ...]:
    """The items in the order of a list: security, lines to paste, the people and readings that one act helps.

    >>> tasks = {"lost": Task(title="", act="", security=True), "clock": Task(title="", act="", single=True)}
    >>> clocks = [WorkItem(task="clock", subject=name, title="", act="", readings=count)
    ...     for name, count in [("yard", 2), ("quay", 30)]]
    >>> lost = WorkItem(task="lost", subject="", title="", act="", readings=1)
    >>> [item.subject for item in sort_items([*clocks, lost], tasks)]
    ['', 'quay', 'yard']
    """

    def rank(item: WorkItem) -> tuple[bool, bool, float, int, float, str, str]:
        task = tasks[item.task]
        acts = 1 if task.single else max(1, item.credentials, item.people)
        helped = item.people if item.lines else item.people / acts
        return (
            not task.security, not item.lines, -helped, -item.people, -item.readings / acts, item.task, item.subject
        )  # fmt: skip

    return tuple(sorted(items, key=rank))

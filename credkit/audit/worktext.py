"""The audit as text, at most 80 columns wide: the verdict in one line, what to do, and the details if wanted."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo

from credkit.audit.sentences import describe_details
from credkit.audit.summary import Audit, RegisterCount
from credkit.audit.tasks import SETTING_TASKS
from credkit.core.sentences import format_count
from credkit.explain.cautions import AUDITED, COPIES, EGRESS, IN_SHORT, PEOPLE
from credkit.privacy.screentexts import wrap_masked
from credkit.work.text import list_work

MOST_SHOWN_ITEMS = 10  # items of work in full on a screen


def audit_text(audit: Audit, zone: tzinfo, *, details: bool = True) -> str:
    """The audit as text: verdict and what to do; with ``details`` all items in full, the counts and all cautions, too.

    Times are by the clocks of ``zone``.
    """
    return "\n".join(_text(audit, zone, details=details)) + "\n"


def _text(audit: Audit, zone: tzinfo, *, details: bool) -> Iterator[str]:
    yield from wrap_masked(describe_verdict(audit))
    site = f" of {audit.site}" if audit.site else ""
    yield from wrap_masked(
        f"Audit of {format_count(len(audit.files), 'file')}{site}: {format_count(audit.rows, 'row')} = "
        f"{audit.good:,} good + {audit.failing:,} failing + {audit.unreadable:,} unreadable"
    )
    if audit.form_only:
        yield from wrap_masked(describe_form_only(audit))
    yield from list_work(audit.work, None if details else MOST_SHOWN_ITEMS)
    if details:
        yield from describe_details(audit, zone)
        yield from ("", "Before you use this")
        for caution in (AUDITED, COPIES, PEOPLE, EGRESS):
            yield from wrap_masked(caution, "- ", "  ")
    else:
        yield from ("", *wrap_masked(IN_SHORT))


def describe_verdict(audit: Audit) -> str:
    """The verdict in one line: readings of active cards, or that pass a check; all others; settings to change."""
    register, rows = audit.register, format_count(audit.rows, "reading")
    if register is not None:
        parts = [f"{register.active:,} of {rows} {_is_or_are(audit.rows)} of active cards", *_name_others(register)]
    else:
        passing = audit.good - audit.form_only
        parts = [f"{passing:,} of {rows} {'passes' if audit.rows == 1 else 'pass'} a check"]
        parts += [f"{audit.form_only:,} with nothing to check"] * bool(audit.form_only)
    parts += [f"{audit.failing:,} {'fails' if audit.failing == 1 else 'fail'}"] * bool(audit.failing)
    parts += [f"{audit.unreadable:,} unreadable"] * bool(audit.unreadable)
    settings = sum(bool(item.lines) and item.task in SETTING_TASKS for item in audit.work)
    parts += [f"{format_count(settings, 'reader setting')} to change"] * bool(settings)
    return ", ".join(parts if audit.work else [*parts, "nothing to do"])


def _is_or_are(count: int) -> str:
    return "is" if count == 1 else "are"


def _name_others(register: RegisterCount) -> Iterator[str]:
    """The good rows that are not of active cards, as clauses."""
    if register.inactive:
        yield f"{register.inactive:,} of cards that are not active"
    if register.unknown:
        yield f"{register.unknown:,} of unknown cards"
    if register.not_compared:
        yield f"{register.not_compared:,} not compared"


def describe_form_only(audit: Audit) -> str:
    """That good rows of chains without a check are right in their form only; what the register has of them.

    >>> from credkit.audit.summary import ReaderCount
    >>> def found(register):
    ...     reader = ReaderCount(
    ...         name="gate", chains=(), rows=9, good=9, failing=0, form_only=9, form_register=register
    ...     )
    ...     return Audit(version="", zone="UTC", files=(), readers=(reader,), blind=())
    >>> describe_form_only(found(RegisterCount(active=7, unknown=2)))
    '9 good rows have the right form and nothing to check; by the register 7 are of active cards, 2 of unknown cards.'
    >>> describe_form_only(found(None))
    '9 good rows have the right form and nothing to check: nothing tells whether they are right.'
    """
    count = f"{format_count(audit.form_only, 'good row')} {'has' if audit.form_only == 1 else 'have'}"
    right, register = f"{count} the right form and nothing to check", audit.form_register
    if register is None:
        return f"{right}: nothing tells whether they are right."
    parts = [f"{register.active:,} {_is_or_are(register.active)} of active cards", *_name_others(register)]
    return f"{right}; by the register {', '.join(parts)}."

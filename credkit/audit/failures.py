"""Failing rows as a file: each with its line, what it says, and why it fails.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from credkit.audit.entries import ONE_ENTRY_RULE
from credkit.audit.plan import AuditPlan, ChainUse
from credkit.audit.row_counts import FailingRow
from credkit.audit.secrets import find_payment
from credkit.core.reading import AnyReading
from credkit.facts.texts import describe_failure
from credkit.files.csvtables import CsvTable, split_rows
from credkit.files.dialects import PLAIN, Dialect
from credkit.files.linerows import RowFault
from credkit.files.outputs import FileOutput
from credkit.files.spreadsheets import open_encoder
from credkit.files.times import to_datetime
from credkit.privacy.accounts import hide_all_but_account_ends, mask_accounts
from credkit.privacy.payment import payment_in_decoded

FAILURE_COLUMNS = ("file", "line", "time", "reader", "text", "chain", "rule", "reason")
FAILURES = CsvTable(columns=FAILURE_COLUMNS, unmasked=FAILURE_COLUMNS)  # account numbers are masked row by row
MOST_REASONS_KEPT = 1 << 16  # different texts whose sentences are kept
UNREADABLE_RULE = "unreadable-row"
FAILURES_MAKER = "list of failing rows"  # what such a file is called


class FailureWriter:
    """The failing rows, written as they are found: plain to the first of ``outputs``, in ``dialect`` to the second."""

    def __init__(self, outputs: Sequence[FileOutput], plan: AuditPlan, dialect: Dialect = PLAIN) -> None:
        self._output, *others = outputs
        self._beside = [(each, open_encoder(FAILURES, dialect, each.staging.scratch)) for each in others]
        self._plan = plan
        self._reasons: dict[tuple[int, str], tuple[str, str]] = {}
        self._output.write(FAILURES.encode_header())
        for output, encoder in self._beside:
            output.write(encoder.start())

    def add(self, name: str, base: int, failing: Iterable[FailingRow], faults: Iterable[RowFault]) -> None:
        """Write rows of the file ``name``; their lines count from ``base``."""
        rows: list[tuple[int, tuple[Any, ...]]] = []
        for each in failing:
            use = self._plan.uses[each.use]
            text, reason = self._reason(use, each)
            time = "" if each.moment is None else to_datetime(each.moment).astimezone(self._plan.clock.zone)
            rows.append(
                (
                    each.line,
                    (time, mask_accounts(self._plan.names[each.reader]), text, use.name, each.rule.rule, reason),
                )
            )
        rows.extend((fault.line, ("", "", "", "", UNREADABLE_RULE, fault.problem)) for fault in faults)
        rows.sort(key=lambda row: row[0])
        name = mask_accounts(name)
        for block in split_rows((name, base + line, *cells) for line, cells in rows):
            self._output.write(FAILURES.encode_columns(block))
            for output, encoder in self._beside:
                with output.explaining_refusals():
                    data = encoder.add(block)
                output.write(data)

    def finish(self) -> None:
        """Write what is left when all rows are there."""
        for output, encoder in self._beside:
            with output.explaining_refusals():
                for piece in encoder.finish():
                    output.write(piece)

    def _reason(self, use: ChainUse, row: FailingRow) -> tuple[str, str]:
        """The text as it may be shown, and why it fails."""
        if row.rule.rule == ONE_ENTRY_RULE:
            return hide_all_but_account_ends(row.text) if find_payment(
                use.codec, row.text
            ).has_account else mask_accounts(row.text), ("its rows do not form exactly one entry without a pause")
        key = use.place, row.text
        found = self._reasons.get(key)
        if found is None:
            if len(self._reasons) >= MOST_REASONS_KEPT:
                self._reasons.clear()
            found = self._reasons[key] = explain_failure(use, row.text, use.codec.inspect(row.text))
        return found


def explain_failure(use: ChainUse, text: str, reading: AnyReading) -> tuple[str, str]:
    """A text that fails as it may be shown, and the sentence that says why; ``reading`` is that of the text."""
    is_secret = not use.not_payment and payment_in_decoded(use.codec, text, reading).has_account
    reason = describe_failure(use.codec, reading, is_secret=is_secret)
    hide = hide_all_but_account_ends if is_secret and reading.failed else mask_accounts
    return text if use.not_payment else hide(text), reason

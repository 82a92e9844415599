"""What can be wrong with a cell of a site's files: the sentence, what many such rows have in common, the cure.

A rule is about a column of a file as it is declared: it names the header that holds the column there, and the pattern
of its dates or times.

Source: ISO 8601 (dates and times).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from functools import partial
from json import dumps

from credkit.core.whitespace import describe_ends
from credkit.files.declaredfiles import CsvFile
from credkit.files.faults import MAX_WORDS, FaultRule
from credkit.files.momentpatterns import likely_patterns
from credkit.files.moments import LOCAL_TIME_HINT, MomentFault

_AGAIN = "Export the column again with"
LONGEST_WORD = 40  # characters of a word that a line for the site file has
_FILLED = ("person_id", "credential_id", "status")  # columns that no row may leave empty
_DAYS = ("valid_from", "valid_until")


@dataclass(frozen=True, slots=True, kw_only=True)
class CredentialRules:
    """The rules for the cells of credentials; those of one for several columns by the column."""

    empty: Mapping[str, FaultRule]
    blank: Mapping[str, FaultRule]
    issue: FaultRule
    days: Mapping[str, FaultRule]
    no_days: Mapping[str, FaultRule]  # days that have the right form, but stand in no calendar
    days_reversed: FaultRule
    kind: FaultRule
    status: FaultRule


def credential_rules(
    file: CsvFile, kinds: Collection[str], statuses: Collection[str]
) -> tuple[CredentialRules, ...]:  # fmt: skip
    """The rules for ``file``, whose kinds and statuses may be these: those of each row that a line may have.

    Rows that take a column from one header have one rule for it: what is wrong with a cell is told once.
    """
    shared: dict[tuple[str, tuple[str, ...]], FaultRule] = {}

    def share(rule: FaultRule) -> FaultRule:
        return shared.setdefault((rule.sentence, tuple(rule.known)), rule)

    return tuple(_row_rules(replace(file, mapping=each), kinds, statuses, share) for each in file.mapping.row_maps)


def _row_rules(
    file: CsvFile, kinds: Collection[str], statuses: Collection[str], share: Callable[[FaultRule], FaultRule]
) -> CredentialRules:  # fmt: skip
    return CredentialRules(
        empty={column: share(_empty(file, column)) for column in _FILLED},
        blank={column: share(_blank(file, column)) for column in _FILLED},
        issue=share(_issue(file)),
        days={column: share(_day(file, column)) for column in _DAYS},
        no_days={column: share(_no_day(file, column)) for column in _DAYS},
        days_reversed=share(
            FaultRule(
                sentence="valid_until {} is before valid_from {}", headline="valid_until is before valid_from",
                cure="Correct one of the two days: both are included.",
            )
        ),
        kind=share(_unknown_kind(file, kinds)),
        status=share(_unknown_status(file, statuses)),
    )  # fmt: skip


def _column(file: CsvFile, column: str) -> str:
    """The name of a column and the header that holds it, as they may stand in a sentence with braces."""
    return f"{column}{_held(file, column)}"


def _escape(text: object) -> str:
    return str(text).replace("{", "{{").replace("}", "}}")


def _empty(file: CsvFile, column: str) -> FaultRule:
    headline = f"{_column(file, column)} is empty"
    return FaultRule(sentence=headline, headline=headline, cure=f"Every row needs its {column}.", column=column)


def _blank(file: CsvFile, column: str) -> FaultRule:
    return FaultRule(
        sentence=f"{_column(file, column)} is {{}}, which is white space only",
        headline=f"{_column(file, column)} is white space only", cure=f"Every row needs its {column}.",
    )  # fmt: skip


def _issue(file: CsvFile) -> FaultRule:
    issue = _column(file, "issue")
    return FaultRule(
        sentence=f"{issue} is {{}}, not a whole number or empty", headline=f"{issue} is not a whole number or empty",
        cure=f"{_AGAIN} whole numbers of at most nine digits: 1, not 1.0.", column="issue",
    )  # fmt: skip


def _day(file: CsvFile, column: str) -> FaultRule:
    pattern, name = file.mapping.date_pattern, _column(file, column)
    form = f"{pattern.sample} ({pattern})" if pattern else "2026-03-31"
    again = f"dates as {pattern}" if pattern else "dates as year, month and day (2026-03-31)"
    return FaultRule(
        sentence=f"{name} is {{}}, not a date such as {_escape(form)}",
        headline=f"{name} is not a date such as {_escape(form)}",
        cure=partial(_advise_pattern, file, f"{_AGAIN} {again}", "date"), column=column,
    )  # fmt: skip


def _no_day(file: CsvFile, column: str) -> FaultRule:
    name, read = _column(file, column), f"(read as {_escape(file.mapping.date_pattern)})"
    return FaultRule(
        sentence=f"{name} {{}} is not a day of the calendar {read}",
        headline=f"{name} is not a day of the calendar {read}",
        cure=partial(_advise_pattern, file, "Correct the day", "date"), column=column,
    )  # fmt: skip


def _advise_pattern(file: CsvFile, otherwise: str, key: str, words: Sequence[str]) -> str:
    """What to do about texts that are no days or times of the pattern: perhaps another pattern reads them all."""
    declared = str((file.mapping.date_pattern if key == "date" else file.mapping.time_pattern) or "")
    found = [str(each) for each in likely_patterns(words, has_time=key == "time") if str(each) != declared]
    what = "declare how they are written" if len(found) == 1 else "declare which of these it is"
    return _offer_lines(file, otherwise, what, [(key, dumps(each)) for each in found])


def _offer_lines(file: CsvFile, otherwise: str, what: str, keys: Sequence[tuple[str, str]]) -> str:
    """What to do, and the keys with values for the site file that would do it, if any: each on a line, to be pasted."""
    lines = [file.write_key(key, value).rpartition(" under ") for key, value in keys]
    if not lines or not lines[0][0]:
        return f"{otherwise}."
    return "\n".join([f"{otherwise}, or {what}, under {lines[0][2]}:", *(line for line, _, _ in lines)])


def _unknown_kind(file: CsvFile, kinds: Collection[str]) -> FaultRule:
    return FaultRule(
        sentence=f"no kind is called {{}} in the site file{_held(file, 'kind')}",
        headline=f"the kind is not in the site file{_held(file, 'kind')}",
        cure=partial(
            _advise_word, file, "kind", "Correct the word", "describe the kind under [kinds.NAME] in the site file"
        ),
        column="kind", known=_known(file, "kind", kinds), counts_words=True,
    )  # fmt: skip


def _unknown_status(file: CsvFile, statuses: Collection[str]) -> FaultRule:
    declared = "none of the words that [rules] of the site file declares as active, inactive or gone"
    return FaultRule(
        sentence=f"status {{}} is {declared}{_held(file, 'status')}",
        headline=f"the status is {declared}{_held(file, 'status')}",
        cure=partial(
            _advise_word, file, "status", "Correct the word", "add it to active, inactive or gone under [rules]"
        ),
        column="status", known=_known(file, "status", statuses), counts_words=True,
    )  # fmt: skip


def built_twice(file: CsvFile) -> FaultRule:
    """The rule for an id that is built for two credentials."""
    template = file.mapping.built.get("credential_id")
    key = file.write_key("credential_id", dumps(f"{template.text}-{{value}}" if template else "", ensure_ascii=False))
    return FaultRule(
        sentence="credential_id {} is built for two different numbers, the first in line {}",
        headline="credential_id is built for two different numbers",
        cure=f"Every card needs an id of its own: add columns that tell the cards apart, such as {key}.",
    )  # fmt: skip


def unknown_reader(readers: Collection[str], file: CsvFile | None = None) -> FaultRule:
    """The rule for a reader that the site file does not have."""
    describe = "describe the reader under [readers.NAME] in the site file"
    return FaultRule(
        sentence=f"no reader is called {{}} in the site file{_held(file, 'reader')}",
        headline=f"the reader is not in the site file{_held(file, 'reader')}",
        cure=partial(_advise_word, file, "reader", "Correct the name", describe),
        column="reader", known=_known(file, "reader", readers), counts_words=True,
    )  # fmt: skip


def _held(file: CsvFile | None, column: str) -> str:
    """Which header holds a column, where it has another name, as it may stand in a sentence with braces."""
    return _escape(file.mapping.describe_headers(column)) if file else ""


def _known(file: CsvFile | None, column: str, words: Collection[str]) -> Collection[str]:
    """The words that may stand in a column: ours, and those that mean one of them."""
    foreign = file.mapping.words.get(column) if file else None
    return [*words, *foreign] if foreign else words


def _advise_word(file: CsvFile | None, column: str, correct: str, describe: str, words: Sequence[str]) -> str:
    """What to do about unknown words: what they mean is left open in the lines, for whoever knows it."""
    foreign = [word for word in words if 0 < len(word) <= LONGEST_WORD and describe_ends(word) is None]
    if file is None or not file.site_key or not foreign or len(words) >= MAX_WORDS:  # so many are no vocabulary
        return f"{correct}, or {describe}."
    keys = [(f"words.{column}.{dumps(word, ensure_ascii=False)}", '"…"') for word in foreign]
    what = "declare what it means" if len(keys) == 1 else "declare what they mean"
    return _offer_lines(file, f"{correct}, {describe}", what, keys)


NUMBERS = {
    column: FaultRule(
        sentence=f"{column} is {{}}, not a whole number", headline=f"{column} is not a whole number",
        cure=f"{_AGAIN} whole numbers of at most 40 digits.", column=column,
    )
    for column in ("printed", "encoded")
}  # fmt: skip
LISTED_TWICE = FaultRule(
    sentence="the printed number {} is in the list twice", headline="a printed number is in the list twice",
    cure="Keep one row of each printed number.",
)  # fmt: skip


def moment_rules(zone: tzinfo, file: CsvFile) -> Mapping[MomentFault, FaultRule]:
    """The rule for each fault of a time of ``file``; ``zone`` is the site's."""
    pattern, held = file.mapping.time_pattern, _held(file, "time")
    form, sample = (_escape(pattern), _escape(pattern.sample)) if pattern else ("", "")
    headlines = {
        MomentFault.NO_TIME: "time is not a time such as 2026-03-31T08:15:00+02:00",
        MomentFault.NO_LOCAL_TIME: "time is not a time such as 2026-03-31T08:15:00",
        MomentFault.OTHER_FORM: f"time is not a time such as {sample} ({form})",
        MomentFault.NO_SUCH_TIME: f"time is not a time of the years 1970 to 2199 (read as {form})",
        MomentFault.HAS_OFFSET: "time has an offset, but the site file declares local times",
        MomentFault.NO_OFFSET: f"time has no offset from UTC ({LOCAL_TIME_HINT})",
        MomentFault.OCCURS_TWICE: f"the local time occurs twice in {zone}: an offset is needed",
        MomentFault.NEVER_OCCURS: f"the local time does not occur in {zone}: an offset is needed",
    }
    offsets = f'{_AGAIN} offsets from UTC (2026-03-31T08:15:00+02:00), and remove time = "local" from the site file.'
    if pattern:
        offsets = f"{_AGAIN} offsets from UTC, and declare them: +hh:mm in time = {dumps(str(pattern))}."
    cures = {
        MomentFault.NO_TIME: f"{_AGAIN} dates and times as 2026-03-31T08:15:00+02:00",
        MomentFault.NO_LOCAL_TIME: f"{_AGAIN} dates and times as 2026-03-31T08:15:00",
        MomentFault.OTHER_FORM: f"{_AGAIN} times as {pattern}",
        MomentFault.NO_SUCH_TIME: "Correct the time",
        MomentFault.HAS_OFFSET: 'Remove time = "local" under [files.readings] if every time has one.',
        MomentFault.NO_OFFSET: f'{_AGAIN} offsets from UTC, or declare time = "local" under [files.readings].',
        MomentFault.OCCURS_TWICE: offsets,
        MomentFault.NEVER_OCCURS: offsets,
    }
    return {
        fault: FaultRule(
            sentence=_time_sentence(fault, file, zone), headline=f"{headlines[fault]}{held}", column="time",
            cure=cure if cure.endswith(".") else partial(_advise_pattern, file, cure, "time"),
        )
        for fault, cure in cures.items()
    }  # fmt: skip


def _time_sentence(fault: MomentFault, file: CsvFile, zone: tzinfo) -> str:
    """The sentence about a time of ``file``, with braces for the text."""
    pattern = file.mapping.time_pattern
    filled = fault.replace("{hint}", LOCAL_TIME_HINT).replace("{zone}", str(zone))
    if pattern:
        filled = filled.replace("{form}", _escape(pattern)).replace("{sample}", _escape(pattern.sample))
    return f"{filled}{_held(file, 'time')}"

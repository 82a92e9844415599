"""Faults in the rows of files: every kind at once, each with its count, its first lines and what to do.

Whoever reads rows hands each wrong one to `FileFaults`, reads on, and lets it `refuse` at the end. One fault in one
row is the sentence ``credentials.csv line 3: …``. Of more there is a line for each file, then its faults, the most
frequent first:

    credentials.csv: 2 kinds of fault in 3,000 rows
    - 3,000 rows: valid_from is not a date such as 2026-03-31
        such as '31.3.2026', '1.4.2026', '2.4.2026'
        lines 2-21 and 2,980 more
        Export the column again with dates as year, month and day.
    - line 7: status 'actve' is none of the words …; did you mean active?

However many rows are wrong, a fault takes a few counters, twenty lines and twenty words.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from credkit.core.errors import DefinitionError
from credkit.core.sentences import describe_rows, format_count, nearest, redacted_repr
from credkit.core.whitespace import describe_ends, strip_white_space
from credkit.files.csvfiles import read_rows
from credkit.files.declaredfiles import CsvFile, FormFault, WrongCell
from credkit.files.headers import HeaderFaults
from credkit.files.tablefoot import TableFoot

MAX_LINES = 20  # lines of a fault that are named
MAX_KINDS = 10  # kinds of fault of a file that are described
MAX_WORDS = 20  # words of a rule whose rows are counted apart
MAX_SAMPLES = 3  # words that stand for many
FOOT_ADVICE = "totals, notes and empty cells below a table are no rows: delete them, or export without them"
ITEM = "    "  # before what belongs to a fault


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FaultRule:
    """A way in which a row can be wrong; each reading of a file makes its rules once, and they are told by identity.

    ``sentence`` is about one row, with braces for its words (such as a cell), which ``quote`` writes; ``headline``
    is about many rows with different words. ``column`` is where the first word stands, ``known`` what it may be.
    ``counts_words``: the rows of each word are counted apart. ``cure`` says what to do, perhaps of the words.
    """

    sentence: str
    headline: str
    cure: str | Callable[[Sequence[Any]], str] = ""
    column: str = ""
    known: Collection[str] = ()
    counts_words: bool = False
    quote: Callable[[Any], str] = redacted_repr

    def describe(self, words: tuple[Any, ...], file: CsvFile | None = None) -> str:
        """The sentence about one row; what takes white space off in the site file, if a ``file`` is given."""
        return f"{self.sentence.format(*map(self.quote, words))}{self.hint(words, file)}"

    def hint(self, words: tuple[Any, ...], file: CsvFile | None = None) -> str:
        """A clause about white space around the first word, and one that offers a known word like it."""
        ends, bare = self.white_space(words), strip_white_space(str(words[0])) if words else ""
        offer = nearest(bare, self.known) if self.known and bare not in self.known else ""
        if not ends:
            return offer
        return f"; it has {ends}{f': {file.describe_stripping(self.column)}' if file else ''}{offer}"

    def white_space(self, words: tuple[Any, ...]) -> str:
        """Which white space stands around the first word, a cell of the column; nothing without any."""
        return (describe_ends(words[0]) or "") if self.column and words else ""

    def is_white_space_only(self, words: tuple[Any, ...]) -> bool:
        """Whether nothing is wrong with a word but white space around it, as far as can be said."""
        return bool(self.white_space(words)) and (not self.known or strip_white_space(words[0]) in self.known)

    def describe_cure(self, words: Iterable[tuple[Any, ...]]) -> str:
        """What to do about rows with these words; further lines are for the site file."""
        return self.cure if isinstance(self.cure, str) else self.cure([each[0] for each in words])

    def format_words(self, words: tuple[Any, ...]) -> str:
        """The words of one row, below a headline."""
        return " and ".join(map(self.quote, words))


class FaultOccurrence(NamedTuple):
    """What is wrong with a row: a rule, and the words that break it."""

    rule: FaultRule
    words: tuple[Any, ...] = ()


@dataclass(slots=True)
class _Tally:
    """How many rows there are, and the first lines."""

    count: int = 0
    lines: list[int] = field(default_factory=list)

    def add(self, lines: Sequence[int], count: int) -> None:
        self.count += count
        self.lines.extend(lines[: MAX_LINES - len(self.lines)])

    def format_rows(self) -> str:
        return format_count(self.count, "row")

    def format_lines(self) -> str:
        """Where the rows are: runs of neighbours as one."""
        runs: list[list[int]] = []
        for line in self.lines:
            if runs and line == runs[-1][1] + 1:
                runs[-1][1] = line
            else:
                runs.append([line, line])
        spans = ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in runs)
        rest = self.count - len(self.lines)
        return f"line{'s' * (len(self.lines) > 1)} {spans}{f' and {rest:,} more' if rest else ''}"


@dataclass(slots=True)
class _RuleTally:
    """The rows that break one rule, together and by their words."""

    total: _Tally = field(default_factory=_Tally)
    words: dict[tuple[Any, ...], _Tally] = field(default_factory=dict)
    others: int = 0  # rows with words that are not among these

    def add(self, words: tuple[Any, ...], lines: Sequence[int], count: int) -> None:
        self.total.add(lines, count)
        if words in self.words:
            self.words[words].add(lines, count)
        elif len(self.words) < MAX_WORDS:
            self.words[words] = _Tally()
            self.words[words].add(lines, count)
        else:
            self.others += count


class FileFaults:
    """What is wrong with the rows of some files, until it is refused as one error.

    >>> from pathlib import Path
    >>> rule = FaultRule(sentence="status {} is unknown", headline="the status is unknown", known=("active",))
    >>> file, faults = CsvFile(path=Path("a.csv"), name="a.csv"), FileFaults()
    >>> faults.add(file, 3, [FaultOccurrence(rule, ("actve",))])
    >>> faults.refuse()
    Traceback (most recent call last):
    credkit.DefinitionError: a.csv line 3: status 'actve' is unknown; did you mean active?
    """

    def __init__(self) -> None:
        self._files: dict[CsvFile, _FileTally] = {}
        self._feet: dict[CsvFile, TableFoot] = {}
        self._current: _FileTally | None = None  # of the file that is being read

    def __bool__(self) -> bool:
        return bool(self._files)

    def add(self, file: CsvFile, line: int, faults: Iterable[FaultOccurrence]) -> None:
        """Note all faults of the row on this line, but for those of columns that the file lacks."""
        missing = self._tally(file).missing
        if counted := [fault for fault in faults if fault.rule.column not in missing]:
            self.add_rows(file, 1)
            self._tally(file).foot.note_fault(line)
            for fault in counted:
                self.count(file, fault, (line,), 1)

    def add_rows(self, file: CsvFile, rows: int) -> None:
        """Note that so many more rows of ``file`` have faults; the faults are for `count`."""
        self._tally(file).rows += rows

    def count(self, file: CsvFile, fault: FaultOccurrence, lines: Sequence[int], count: int) -> None:
        """Note a fault that ``count`` more rows of ``file`` have, with the first of their lines, in order."""
        self._tally(file).rules.setdefault(fault.rule, _RuleTally()).add(fault.words, lines, count)

    def end(self, file: CsvFile, error: DefinitionError) -> None:
        """Note that ``file`` cannot be read on."""
        self._tally(file).end = str(error)

    def rows(
        self, file: CsvFile, columns: Sequence[str], optional: Collection[str] = ()
    ) -> Iterator[tuple[int, list[str]]]:  # fmt: skip
        """The rows of ``file`` that have as many cells as its header, up to where it cannot be read on.

        Where the header is wrong, the columns that it has are still looked at: faults of the others are not noted.
        Where the encoding or delimiter is wrong, the rows are given once more, in the form that may be meant.
        """
        quoted = redacted_repr(file.delimiter)
        advice = "" if file.is_workbook else f" (a cell that holds {quoted} needs quotes around it)"
        wrong: dict[bool, FaultRule] = {}
        cell_rules: dict[str, FaultRule] = {}
        required = set(columns) - set(optional)
        is_useless = False
        foot = self._feet.setdefault(file, TableFoot())

        def note_width(line: int, cells: int, expected: int) -> None:
            has_more = cells > expected
            foot.note_row(line, cells)
            rule = wrong.setdefault(has_more, _width_rule(expected, advice * has_more, has_more=has_more))
            self.add(file, line, [FaultOccurrence(rule, (cells,))])

        def note_header(faults: HeaderFaults) -> None:
            nonlocal is_useless
            self._tally(file).header, is_useless = faults, faults.missing >= required

        def note_cells(line: int, cells: Sequence[WrongCell]) -> None:
            rules = [cell_rules.setdefault(cell.problem, _cell_rule(cell)) for cell in cells]
            words = [(cell.word,) if cell.word else () for cell in cells]
            self.add(file, line, map(FaultOccurrence, rules, words))

        tried = [file]
        while True:
            try:
                for row in read_rows(
                    tried[-1], columns, optional=optional, on_wrong_header=note_header, on_wrong_width=note_width,
                    on_wrong_cells=note_cells,
                ):  # fmt: skip
                    if is_useless:
                        break
                    foot.note_row(file.mapping.line_of(row[0]), sum(map(bool, row[1])))
                    yield row
                if is_useless and len(tried) > 1:
                    self._tally(file).forget()  # that form is not the file's, either
            except FormFault as error:
                if error.likely is not None and error.likely not in tried:
                    self._tally(file).restart(error)
                    tried.append(error.likely)
                    continue
                self.end(file, error)
            except DefinitionError as error:
                self.end(file, error)
            return

    def refuse(self) -> None:
        """Raise the one error about all that was noted; nothing if there is nothing."""
        files = dict.fromkeys(tuple(tally.describe()) for tally in self._files.values())  # two targets may share one
        if lines := [line for file in files for line in file]:
            raise DefinitionError(lines[0], details=lines[1:])

    def _tally(self, file: CsvFile) -> _FileTally:
        if self._current is None or self._current.file is not file:
            self._current = self._files.setdefault(file, _FileTally(file, self._feet.get(file)))
        return self._current


@contextmanager
def collect_faults(faults: FileFaults | None) -> Iterator[FileFaults]:
    """``faults``, or new ones, which are refused at the end."""
    found = FileFaults() if faults is None else faults
    yield found
    if faults is None:
        found.refuse()


def _cell_rule(cell: WrongCell) -> FaultRule:
    problem = cell.problem.replace("{", "{{").replace("}", "}}")
    return FaultRule(
        sentence=f"{problem}: {{}}" if cell.word else problem, headline=problem, cure=cell.cure, counts_words=True
    )


def _width_rule(expected: int, advice: str, *, has_more: bool) -> FaultRule:
    return FaultRule(
        sentence=f"the row has {{}}, expected {expected}{advice}",
        headline=f"the row has {'more' if has_more else 'fewer'} cells than its header, {expected}{advice}",
        quote=lambda cells: format_count(cells, "cell"), counts_words=True,
    )  # fmt: skip


class _FileTally:
    """What is wrong with one file."""

    def __init__(self, file: CsvFile, foot: TableFoot | None) -> None:
        self.file, self.foot = file, foot or TableFoot()
        self.form_faults: list[FormFault] = []
        self.header: HeaderFaults | None = None
        self.rows = 0
        self.rules: dict[FaultRule, _RuleTally] = {}
        self.end = ""

    def restart(self, error: FormFault) -> None:
        """Note that the file is looked at again from its start, in another form."""
        self.form_faults.append(error)
        self.forget()

    def forget(self) -> None:
        """Forget what was found in a form that is not the file's."""
        self.header, self.rows, self.rules = None, 0, {}
        self.foot.clear()

    @property
    def missing(self) -> frozenset[str]:
        """The columns that the file lacks, as far as that is a fault."""
        return self.header.missing if self.header else frozenset()

    def describe(self) -> Iterator[str]:
        """The lines about this file."""
        yield from map(str, self.form_faults)
        if self.form_faults and (self.header or self.rows or self.end):
            likely = self.form_faults[-1].likely or self.file
            yield f"{self.file.name}, read as {likely.describe_form()}:"
        if self.header:
            yield from self.header.describe(self.file)
        if self.rows == 1 == len(self.rules):
            ((rule, tally),) = self.rules.items()
            (words,), (line,) = tally.words, tally.total.lines
            foot = f"; {FOOT_ADVICE}" if self.foot.find_lines() else ""
            yield f"{self.file.name} line {line}: {rule.describe(words, self.file)}{foot}"
        elif self.rows:
            kinds = format_count(len(self.rules), "kind")
            yield f"{self.file.name}: {kinds} of fault in {format_count(self.rows, 'row')}"
            ranked = sorted(self.rules.items(), key=lambda each: _rank(each[1].total))
            for rule, tally in ranked[:MAX_KINDS]:
                yield from self._describe_rule(rule, tally)
            if (more := len(ranked) - MAX_KINDS) > 0:
                yield f"- and {format_count(more, 'more kind')} of fault"
            yield from self._describe_blanks()
            if lines := self.foot.find_lines():
                few = "line of the file fills" if len(lines) == 1 else f"{len(lines)} lines of the file fill"
                yield f"- the last {few} fewer cells than the rows above ({describe_rows(lines)}): {FOOT_ADVICE}"
        if self.end:
            yield f"{self.end}{'; no row behind it was checked' if self.rows else ''}"

    def _describe_rule(self, rule: FaultRule, tally: _RuleTally) -> Iterator[str]:
        total, ranked = tally.total, sorted(tally.words.items(), key=lambda each: _rank(each[1]))
        if total.count == 1:
            yield f"- {total.format_lines()}: {rule.describe(ranked[0][0], self.file if self.rows == 1 else None)}"
        elif len(ranked) == 1:
            yield f"- {total.format_rows()}: {rule.describe(ranked[0][0])}"
            yield f"{ITEM}{total.format_lines()}"
        else:
            yield f"- {total.format_rows()}: {rule.headline}"
            if rule.counts_words:
                for words, each in ranked:
                    where = f"{each.format_rows()}, {each.format_lines()}" if each.count > 1 else each.format_lines()
                    yield f"{ITEM}{rule.format_words(words)}: {where}{rule.hint(words)}"
                if tally.others:
                    yield f"{ITEM}other words: {format_count(tally.others, 'row')}"
            else:
                samples = list(tally.words)[:MAX_SAMPLES]
                yield f"{ITEM}such as {', '.join(map(rule.format_words, samples))}"
                yield f"{ITEM}{total.format_lines()}"
        if rule.cure and not all(map(rule.is_white_space_only, tally.words)):
            cure, *lines = rule.describe_cure(words for words, _ in ranked).split("\n")
            yield from (f"{ITEM}{cure}", *(f"{ITEM}{ITEM}{line}" for line in lines))

    def _describe_blanks(self) -> Iterator[str]:
        """What to do about white space around cells that are at fault."""
        columns = [rule.column for rule, tally in self.rules.items() if any(map(rule.white_space, tally.words))]
        if columns and self.rows > 1:
            all_of_many = () if len(columns) > 1 else columns
            where = f"cells of {', '.join(columns)}"
            yield f"- white space stands around {where}: {self.file.describe_stripping(*all_of_many)}"


def _rank(tally: _Tally) -> tuple[int, int]:
    """The order of faults: many rows first, then by their first line."""
    return -tally.count, tally.lines[0]

"""Dates and times in columns: the pattern that reads the cells, and others that read them as well.

Source: ISO 8601 (dates and times).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise

from credkit.core.whitespace import strip_white_space
from credkit.files.momentpatterns import MomentPattern, likely_patterns
from credkit.files.moments import MomentFault, find_moment

READ_SHARE = 0.8  # of the filled cells that a pattern must read
SAMPLED_CELLS = 400  # that patterns are looked for in
OFFSET, LOCAL, ISO_DAYS = "offset", "local", ""  # what a site file calls ISO 8601: times with and without offset, days
_CLOCK = re.compile(r"[0-9]{1,2}[:h.][0-9]{2}([:m.][0-9]{2}([.,][0-9]{1,6})?)?( ?[AaPp][Mm])?")
_DATED = re.compile(  # how a day begins
    r"[0-9]{1,4}[./-][0-9]{1,2}[./-][0-9]{1,4}|[0-9]{8}(?![0-9])"
    r"|[0-9]{1,4}[-./ ]{0,2}[^\W\d_]{3,}\.?[-./ ]?[0-9]{1,4}|[^\W\d_]{3,}\.? [0-9]{1,2},? [0-9]{4}"
)
_ISO_DAY = re.compile("[0-9]{4}-[0-9]{2}-[0-9]{2}")


@dataclass(frozen=True, slots=True, kw_only=True)
class MomentForm:
    """How a column writes days or times: as the site file names it, and other patterns that read as many cells.

    ``read`` of ``total`` filled cells have the form; ``others`` are the texts that do not, with their counts.
    """

    pattern: str
    rivals: tuple[str, ...]
    read: int
    total: int
    others: Counter[str]

    @property
    def evidence(self) -> str:
        """The count, in one phrase."""
        names = {OFFSET: "times as ISO 8601 with an offset", LOCAL: "times as ISO 8601 without an offset",
                 ISO_DAYS: "days as ISO 8601"}  # fmt: skip
        return f"{self.read:,} of {self.total:,} cells are {names.get(self.pattern, self.pattern)}"


def find_days(cells: Iterable[str]) -> MomentForm | None:
    """How cells write days; None where most are none.

    >>> find_days(["31.12.2026", "1.2.2026", "offen"]) is None
    True
    >>> form = find_days(["01/02/2026", "03/04/2026"])
    >>> form.pattern, form.rivals
    ('DD/MM/YYYY', ('MM/DD/YYYY',))
    """
    return _find(cells, has_time=False)


def find_times(cells: Iterable[str]) -> MomentForm | None:
    """How cells write times; None where most are none.

    >>> find_times(["14.03.2026 08:15:00"]).pattern, find_times(["2026-03-14T08:15:00+01:00"]).pattern
    ('DD.MM.YYYY hh:mm:ss', 'offset')
    """
    return _find(cells, has_time=True)


def holds_clock(cells: Sequence[str]) -> bool:
    """Whether most cells are times of day without a date.

    >>> holds_clock(["08:15:00", "9:10:11"]), holds_clock(["08:15", "gate"])
    (True, False)
    """
    some = [text for text in map(strip_white_space, cells) if text]
    return bool(some) and sum(_CLOCK.fullmatch(text) is not None for text in some) >= READ_SHARE * len(some)


def _find(cells: Iterable[str], *, has_time: bool) -> MomentForm | None:
    counts = Counter(text for text in map(strip_white_space, cells) if text)
    texts = [text for text in counts if any(map(str.isdigit, text))]
    if not texts or len(texts) * 2 < len(counts):
        return None
    some = texts[:: -(-len(texts) // SAMPLED_CELLS)]
    if sum(_DATED.match(text) is not None for text in some) < READ_SHARE * len(some):
        return None
    best: list[MomentForm] = []
    for name, reads in _candidates(some, has_time):
        others = Counter({text: count for text, count in counts.items() if not reads(text)})
        total = counts.total()
        best.append(MomentForm(pattern=name, rivals=(), read=total - others.total(), total=total, others=others))
    if not best or (most := max(form.read for form in best)) < READ_SHARE * counts.total():
        return None
    first, *rest = [form for form in best if form.read == most]
    rivals = tuple(form.pattern for form in rest if _day_order(form.pattern) != _day_order(first.pattern))
    return MomentForm(pattern=first.pattern, rivals=rivals, read=first.read, total=first.total, others=first.others)


def _candidates(some: Sequence[str], has_time: bool) -> list[tuple[str, Callable[[str], bool]]]:
    """The forms that read a sample, without the few texts in it that none reads."""
    if not has_time and sum(_ISO_DAY.fullmatch(text) is not None for text in some) >= READ_SHARE * len(some):
        return [(ISO_DAYS, lambda text: _ISO_DAY.fullmatch(text) is not None)]
    if has_time:
        for name, is_local in ((OFFSET, False), (LOCAL, True)):
            reads = [not isinstance(find_moment(text, UTC, local=is_local), MomentFault) for text in some]
            if sum(reads) >= READ_SHARE * len(some):
                return [(name, _iso_reader(is_local=is_local))]
    patterns = likely_patterns(some, has_time=has_time)
    if not patterns:
        patterns = likely_patterns([text for text in some if likely_patterns([text], has_time=has_time)],
                                   has_time=has_time)  # fmt: skip
    return [(str(pattern), pattern.is_moment) for pattern in patterns]


def _iso_reader(*, is_local: bool) -> Callable[[str], bool]:
    return lambda text: not isinstance(find_moment(text, UTC, local=is_local), MomentFault)


def _day_order(pattern: str) -> str:
    return "".join(letter for letter in "".join(dict.fromkeys(pattern)) if letter in "YMD")


def count_reversals(cells: Sequence[str], pattern: str) -> int:
    """How often times go against the order of the rows, which may be rising or falling.

    >>> count_reversals(["01.02.2026 08:00", "02.02.2026 08:00"], "DD.MM.YYYY hh:mm")
    0
    """
    moments = [moment for moment in (to_moment(text, pattern) for text in cells) if moment is not None]
    falls = sum(later < earlier for earlier, later in pairwise(moments))
    rises = sum(later > earlier for earlier, later in pairwise(moments))
    return min(falls, rises)


def to_moment(text: str, pattern: str) -> datetime | None:
    """The time that a cell writes, without its offset; None where it has another form.

    >>> to_moment("31.03.2026", "DD.MM.YYYY").isoformat()
    '2026-03-31T00:00:00'
    """
    text = strip_white_space(text)
    iso = text.replace(",", ".") if pattern in (OFFSET, LOCAL, ISO_DAYS) else MomentPattern(pattern).to_iso(text)
    try:
        return datetime.fromisoformat(iso).replace(tzinfo=None) if iso else None
    except ValueError:
        return None

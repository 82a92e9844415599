"""Causes: what would explain most of the texts of a reader that cannot be read.

Each different text is diagnosed by itself; what counts is the cause that explains the most of
them, and every other one that explains as many. A proposal: nothing is read with it.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Sequence

from credkit.core.codec import AnyCodec
from credkit.core.sentences import format_count
from credkit.crosswalk.result import Finding
from credkit.crosswalk.sightings import Sighting
from credkit.crosswalk.verdicts import Verdict, count_rows, describe_readings, reading_lines
from credkit.explain.diagnosis import KEYBOARD_CAUSE, diagnose
from credkit.facts.texts import branches
from credkit.site.model import Site

DIAGNOSED = ("check-failed", "unreadable")  # codes of readings
MOST_TEXTS_DIAGNOSED = 60  # different texts of one reader and rule that are diagnosed
WHITE_SPACE_CAUSE = "white space stands around it"


def find_failures(
    site: Site, codec: AnyCodec, subject: str, verdicts: Sequence[Verdict], explained: Collection[Sighting],
    settings: Sequence[Finding],
) -> list[Finding]:  # fmt: skip
    """One finding for each code and rule that texts of a reader fail; its ``settings`` have ``explained`` some."""
    groups: dict[tuple[str, str], list[Verdict]] = defaultdict(list)
    for verdict in verdicts:
        if verdict.code in DIAGNOSED and verdict.sighting.result:
            groups[verdict.code, verdict.sighting.result.rule].append(verdict)
    found = []
    for (code, rule), group in groups.items():
        texts = list(dict.fromkeys(verdict.sighting.text for verdict in group))
        them = f"{describe_readings(group)}, {format_count(len(texts), 'different text')}"
        text = f"rule {rule}: {them}; {_describe_causes(site, codec, group, explained, settings)}"
        rows = reading_lines(site, group)
        found.append(Finding(code=code, subject=subject, count=count_rows(group), text=text, rows=rows))
    return found


def describe_explained(
    verdicts: Iterable[Verdict], explained: Collection[Sighting], findings: Iterable[Finding]
) -> str:
    """How many rows of unresolved readings the ``findings`` on their reader's setting explain; empty for none."""
    count = count_rows(verdict for verdict in verdicts if verdict.sighting in explained)
    codes = dict.fromkeys(finding.code for finding in findings)
    named = f"finding{'s' * (len(codes) > 1)} {' and '.join(codes)} explain{'s' * (len(codes) == 1)}"
    return f"the {named} {format_count(count, 'row')}" if count else ""


def _describe_causes(
    site: Site, codec: AnyCodec, verdicts: Sequence[Verdict], explained: Collection[Sighting],
    settings: Sequence[Finding],
) -> str:  # fmt: skip
    """What would explain failing readings: how the reader is set, and the causes of the others."""
    others = [verdict for verdict in verdicts if verdict.sighting not in explained]
    setting = describe_explained(verdicts, explained, settings)
    if not others:
        return setting
    causes = _describe_text_causes(site, codec, list(dict.fromkeys(verdict.sighting.text for verdict in others)))
    return f"{setting}; of the others: {causes}" if setting else causes


def _describe_text_causes(site: Site, codec: AnyCodec, texts: Sequence[str]) -> str:
    """The causes that would explain most of ``texts``, with the cure where there is one."""
    sample = texts[:: -(-len(texts) // MOST_TEXTS_DIAGNOSED)]
    counts = Counter(words for text in sample for words in _causes(codec, text))
    if not counts:
        return "no simple cause explains these texts"
    most = max(counts.values())
    best = [words for words, count in counts.items() if count == most]
    which = "sampled" if len(sample) < len(texts) else "different"
    cure = f": {site.readings.describe_stripping('text')}" if best == [WHITE_SPACE_CAUSE] else ""
    return f"likely cause in {most} of {len(sample)} {which} texts: {', or '.join(best)}{cure}"


def _causes(codec: AnyCodec, text: str) -> list[str]:
    """The causes that would explain ``text``, each once; a keyboard layout with the chain that reads it."""
    hints = [hint for branch in branches(codec) for hint in diagnose(branch, text)]
    chains = (f" ({hint.chain})" if hint.cause == KEYBOARD_CAUSE else "" for hint in hints)
    return list(dict.fromkeys(f"{hint.summary}{chain}" for hint, chain in zip(hints, chains, strict=True)))

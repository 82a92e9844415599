"""Causes: what would explain most of the texts of a reader that cannot be read.

Each different text is diagnosed by itself; what counts is the cause that explains the most of
them, and every other one that explains as many. A proposal: nothing is read with it.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence

from credkit.core.codec import AnyCodec
from credkit.core.sentences import format_count
from credkit.crosswalk.result import Finding
from credkit.crosswalk.texts import branches
from credkit.crosswalk.verdicts import Verdict, count_rows, describe_readings, reading_lines
from credkit.explain.diagnosis import KEYBOARD_CAUSE, Hint, diagnose
from credkit.site.model import Site

DIAGNOSED = ("check-failed", "unreadable")  # codes of readings
MOST_TEXTS_DIAGNOSED = 60  # different texts of one reader and rule that are diagnosed
_GENERAL_CAUSES = {  # for causes whose own text names a place in one value
    "flipped-bit": "one bit is flipped",
    "shifted": "the frame is shifted by one bit",
    "extra-bit": "there is one bit too many",
    "lost-bit": "one bit is lost",
    "run-together": "two reads run together",
    "lost-zeros": "leading zeros are lost",
    "extra-character": "there is one character too many",
}


def find_failures(site: Site, codec: AnyCodec, subject: str, verdicts: Sequence[Verdict]) -> list[Finding]:
    """One finding for each code and rule that texts of a reader fail."""
    groups: dict[tuple[str, str], list[Verdict]] = defaultdict(list)
    for verdict in verdicts:
        if verdict.code in DIAGNOSED and verdict.sighting.result:
            groups[verdict.code, verdict.sighting.result.rule].append(verdict)
    found = []
    for (code, rule), group in groups.items():
        texts = list(dict.fromkeys(verdict.sighting.text for verdict in group))
        them = f"{describe_readings(group)}, {format_count(len(texts), 'different text')}"
        text = f"rule {rule}: {them}; {_describe_causes(codec, texts)}"
        rows = reading_lines(site, group)
        found.append(Finding(code=code, subject=subject, count=count_rows(group), text=text, rows=rows))
    return found


def _describe_causes(codec: AnyCodec, texts: Sequence[str]) -> str:
    """The causes that would explain most of ``texts``."""
    sample = texts[:: -(-len(texts) // MOST_TEXTS_DIAGNOSED)]
    counts = Counter(words for text in sample for words in _causes(codec, text))
    if not counts:
        return "no simple cause explains these texts"
    most = max(counts.values())
    best = [words for words, count in counts.items() if count == most]
    which = "sampled" if len(sample) < len(texts) else "different"
    return f"likely cause in {most} of {len(sample)} {which} texts: {', or '.join(best)}"


def _causes(codec: AnyCodec, text: str) -> list[str]:
    """The causes that would explain ``text``, each once."""
    hints = [hint for branch in branches(codec) for hint in diagnose(branch, text)]
    return list(dict.fromkeys(map(_describe_hint, hints)))


def _describe_hint(hint: Hint) -> str:
    """A hint in words that fit any value; a keyboard layout with the chain that reads it."""
    words = _GENERAL_CAUSES.get(hint.cause) or hint.text.partition(": ")[0]
    return f"{words} ({hint.chain})" if hint.cause == KEYBOARD_CAUSE else words

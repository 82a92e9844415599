"""What was not checked: said in sentences, with numbers where there are any."""

from __future__ import annotations

from collections.abc import Iterator

from credkit.audit.causes import MOST_READERS_DIAGNOSED, MOST_TEXTS_DIAGNOSED
from credkit.audit.sentences import NO_CHANGE, describe_scope
from credkit.audit.summary import Audit
from credkit.core.sentences import format_count
from credkit.report.words import join_names


def unchecked(audit: Audit) -> Iterator[str]:
    """The limits of this audit, a sentence each."""
    verb = "was" if len(audit.columns) == 1 else "were"
    yield f"Other columns: of each file only {join_names(audit.columns)} {verb} read."
    if audit.unreadable:
        yield f"{format_count(audit.unreadable, 'unreadable row')}: what they would have said is not known."
    yield from (f"{file.ended}." for file in audit.files if file.ended)
    changed = [file.name for file in audit.files if file.digest == ""]
    if changed:
        yield f"The bytes that were counted of {join_names(changed)}: changed while being read, so there is no digest."
    silent = [reader.name for reader in audit.readers if not reader.rows]
    if silent:
        readers = format_count(len(silent), "reader")
        yield f"{readers} of the site file without a row in these files: {join_names(silent)}."
    bare = [chain for chain in audit.chains if not chain.checked and chain.rows]
    if bare:
        rows = format_count(sum(chain.rows for chain in bare), "row")
        names = join_names([chain.name for chain in bare])
        yield f"{rows} by chains without any check ({names}): whatever has the right form passes."
    lossy = [chain for chain in audit.chains if chain.lossy and chain.rows]
    if lossy:
        yield (
            f"{format_count(sum(chain.rows for chain in lossy), 'row')} read by chains that leave something out "
            f"({join_names([chain.name for chain in lossy])}): different numbers may become duplicates."
        )
    if any(reader.counts.starts for reader in audit.readers):
        yield f"Short outages: {NO_CHANGE[0].lower()}{NO_CHANGE[1:]}"
    if not any(reader.counts.starts for reader in audit.readers):
        yield "Times: there is no column of times, so nothing is said about when, and about repeated rows."
    if any(reader.only_here is None for reader in audit.readers):
        yield "Which numbers one reader alone read: there were too many different ones to tell."
    yield (
        f"Causes are diagnosed for the {MOST_READERS_DIAGNOSED} readers that fail most often, in "
        f"{MOST_TEXTS_DIAGNOSED} different failing texts each; they are proposals, and nothing was changed."
    )
    register = "" if audit.register else " No register was read here."
    yield f"{describe_scope(audit)}, with credkit crosswalk SITE --out DIRECTORY.{register}"
    if audit.register and audit.register.not_compared:
        rows = format_count(audit.register.not_compared, "good row")
        yield f"{rows} by chains that truncate: their numbers are not those of cards, and were not compared."
    yield "Readers, cables, controllers, their clocks and the doors themselves: only the data they left."
    yield "Whether rows are missing: a digest pins the files as they were given, not how they came to be."

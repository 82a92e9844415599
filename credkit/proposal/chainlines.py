"""The lines of a site file on its kinds and readers: chains with their evidence, and a stand-in where none is decided.

A stand-in is a chain that reads no text: the crosswalk then has each row of an undecided reader as unreadable, and
decides nothing by it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path

from credkit.core.sentences import format_count, redacted_repr
from credkit.discover.siteregister import NUMBER_KEY, build_chain
from credkit.discover.siteresults import FoundKind, FoundReader, SiteDiscovery
from credkit.discover.sitetoml import describe_lost_zeros, key_toml, kind_lines, quote_toml, reader_lines
from credkit.proposal.cellforms import describe_cells
from credkit.proposal.exporttable import relative_path
from credkit.proposal.filelines import write_file_keys, write_others, write_strip
from credkit.proposal.heldfiles import HeldExport, describe_shared, describe_truncation
from credkit.proposal.printednumbers import printed_chain
from credkit.proposal.sitelines import LOOK, SiteLines
from credkit.site.standins import TARGET, write_stand_in

NO_TARGET = (
    "no file names the system that the numbers are for: until you write its chain here, it gets them as the register "
    "has them"
)
MOST_RIVALS = 4


def write_chains(
    lines: SiteLines, found: SiteDiscovery, printed: Sequence[str], kinds: Sequence[str], values: Sequence[str],
    times: Mapping[str, Sequence[str]],
) -> None:  # fmt: skip
    """The kinds, then the readers; ``printed``, ``kinds`` and ``values`` are the cells of the register's rows."""
    keys = {}
    for kind in found.kinds:
        keys[kind.name] = kind.key or NUMBER_KEY
        chain = printed_chain(kind, kinds, values, printed) if printed and kind.values else None
        lines.raw([*_kind_lines(lines, kind, found), *([f"printed = {quote_toml(chain)}"] if chain else [])])
    for reader in found.readers:
        if reader.is_decided:
            if reader.reason:
                lines.doubts.append(f"readers.{key_toml(reader.name)}.chain: {reader.reason}")
            lines.raw(
                line.replace("# DOUBT: ", f"# {LOOK}")
                for line in reader_lines(reader, times.get(reader.name, ()), has_register=True)
            )
        else:
            lines.raw(_undecided_reader(lines, reader, found, keys))


def write_held(lines: SiteLines, exports: Mapping[str, HeldExport], folder: Path) -> None:
    """The targets that exports are of, by their names."""
    for name, export in exports.items():
        lines.table("targets", name)
        lines.key("kind", export.kind)
        others = export.pairs - export.fits
        lines.key(
            "chain", export.chain, f"it writes {export.fits:,} of {format_count(export.pairs, 'text')} of "
            f"{export.path.name} from the numbers of the same persons",
            *(f"as many by {chain}" for chain in export.rivals[:MOST_RIVALS]),
            doubt="; ".join(filter(None, (
                describe_truncation(export),
                f"chains fit {', '.join(map(redacted_repr, export.others))}, too: is it the right column?"
                * bool(export.others),
                "several chains fit, and write other texts for other cards" * bool(export.rivals),
                f"{format_count(others, 'text is', 'texts are')} of other cards, or written otherwise" * bool(others),
            ))),
        )  # fmt: skip
        lines.key("column", "text", "or the type of its column: text(N), int32, int64 or uint32")
        table = export.table
        lines.table("targets", name, "existing")
        write_file_keys(lines, table, relative_path(export.path, folder))
        write_strip(lines, table, {"person_id": (export.person,), "text": (export.text,)})
        write_others(lines, table, {export.person, export.text})
        lines.table("targets", name, "existing", "columns")
        lines.key("person_id", export.person, describe_shared(export))
        lines.key("text", export.text, describe_cells(table.columns[export.text]))


def write_targets(lines: SiteLines, found: SiteDiscovery, named: Collection[str] = ()) -> None:
    """A target for each kind whose numbers readers give: until it is named, it wants them as the register has them."""
    kinds = [kind for kind in found.kinds if kind.is_decided and kind.values and not kind.has_issue]
    kinds = [kind for kind in kinds if kind.name not in named and build_chain(kind.values[0]).encode_obstacle is None]
    for kind in kinds:
        lines.table("targets", TARGET if len(found.kinds) == 1 else f"{TARGET}-{kind.name}")
        lines.comment(f"{LOOK}{NO_TARGET}")
        lines.key("kind", kind.name)
        lines.key("chain", kind.values[0])
        lines.key("column", "text")
    if kinds:
        lines.doubts.append(f"targets: {NO_TARGET}")


def _kind_lines(lines: SiteLines, kind: FoundKind, found: SiteDiscovery) -> Iterator[str]:
    where = f"kinds.{key_toml(kind.name)}.value"
    if kind.values:
        if not kind.is_decided:
            lines.doubts.append(f"{where}: no reader gives these numbers, so nothing shows what the values mean")
        if kind.read < kind.total:
            rest = format_count(kind.total - kind.read, "value")
            lines.doubts.append(f"{where}: {rest} of {kind.total:,} not read by it: held until corrected")
        if kind.lost_zeros:
            lines.doubts.append(f"{where}: {describe_lost_zeros(kind)}")
        yield from (
            line.replace("# UNDECIDED: ", f"# {LOOK}").replace("# DOUBT: ", f"# {LOOK}")
            for line in kind_lines(kind, found)
        )
        return
    what = f"no chain reads the {format_count(kind.total, 'value')}" if kind.total else "there is no value"
    reason = f"{what} of this kind: a stand-in that reads nothing"
    lines.doubts.append(f"{where}: {reason}")
    yield f"# {LOOK}{reason}"
    yield f"[kinds.{key_toml(kind.name)}]"
    yield f"value = {quote_toml(write_stand_in(NUMBER_KEY))}"
    yield 'key = ["number"]'


def _undecided_reader(
    lines: SiteLines, reader: FoundReader, found: SiteDiscovery, keys: Mapping[str, tuple[str, ...]]
) -> Iterator[str]:
    """A reader without a chain: a stand-in, with what may be meant and what to do next."""
    reason = reader.reason
    lines.doubts.append(f"readers.{key_toml(reader.name)}.chain: undecided: {reason}")
    kind = reader.kind or found.kinds[0].name
    yield f"# {LOOK}undecided: {reason}; a stand-in that reads nothing"
    for chain in reader.rivals[:MOST_RIVALS]:
        yield f"#   may be {chain}"
    if reader.next_card:
        yield f"# Next: {reader.next_card}."
    yield f"[readers.{key_toml(reader.name)}]"
    yield f"kind = {quote_toml(kind)}"
    yield f"chain = {quote_toml(write_stand_in(keys[kind]))}"

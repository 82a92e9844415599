"""A site file from what was found: each line with its evidence, and what is undecided as a comment."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from json import dumps

from credkit.core.sentences import format_count
from credkit.discover.foundlayout import FoundLayout
from credkit.discover.layouttoml import layout_toml
from credkit.discover.siteresults import FoundKind, FoundReader, SiteDiscovery

MOST_ALIKE = 2  # chains that give the same numbers of all texts, named beside the one that is proposed
MOST_RIVALS = 4
_BARE = re.compile("[A-Za-z0-9_-]+")


def site_toml(
    found: SiteDiscovery, *, name: str, as_of: date, time_zone: str = "Etc/UTC", has_local_times: bool = False,
    credentials: str = "credentials.csv", readings: str = "readings.csv",
    times: Mapping[str, Sequence[str]] | None = None,
) -> str:  # fmt: skip
    """The site file that ``found`` proposes; ``times`` has those of each reader's texts, as offsets are written.

    Layouts that were derived are named by their files (`layout_file`), which stand beside it.

    >>> from credkit.discover import site
    >>> texts = [f"{n * n * 7919 % 4294967296:08X}" for n in range(1000, 1200)]
    >>> found = site({"gate": texts}, [("serial", str(int(text, 16)), "") for text in texts])
    >>> print(site_toml(found, name="Brackwater", as_of=date(2026, 11, 30)).partition("[readers.gate]")[2].strip())
    kind = "serial"
    chain = "hex:8/serial-32"
    """
    lines = [
        "# Proposed by credkit discover site. Check each line before you rely on it.",
        "",
        "[site]",
        f"name = {quote_toml(name)}",
        f"time_zone = {quote_toml(time_zone)}  # not in the captures: write the site's own",
        f"as_of = {as_of.isoformat()}  # the day for which the register is true: check",
        "",
        "[files.credentials]",
        f"path = {quote_toml(credentials)}" + ("" if found.has_register else "  # there was no register: write it"),
        "",
        "[files.readings]",
        f"path = {quote_toml(readings)}",
        *(['time = "local"'] if has_local_times else []),
    ]
    for kind in found.kinds:
        lines += ["", *kind_lines(kind, found)]
    for reader in found.readers:
        lines += ["", *reader_lines(reader, (times or {}).get(reader.name, ()), has_register=found.has_register)]
    used = {reader.layout for reader in found.decided}
    for own in found.layouts:
        if own in used:
            lines += [
                "",
                f"# Also in {layout_file(own)}, for credkit explain --layouts.",
                *layout_toml(own).splitlines(),
            ]
    return "\n".join(map(escape_line, lines)) + "\n"


def layout_file(own: FoundLayout) -> str:
    """The name of the file of a layout, beside the site file."""
    return f"{own.name}.toml"


def describe_evidence(reader: FoundReader, *, has_register: bool) -> str:
    """What a reader's chain rests on, in one phrase.

    >>> describe_evidence(FoundReader("gate", "card", ("binary/wiegand-26",), "", 50, 48, 210.4), has_register=True)
    '48 of 50 different texts are registered numbers, 210 bits beyond chance'
    """
    what = "entries" if reader.stream else "texts"
    are = "are registered numbers" if has_register else "are read"
    return f"{reader.known} of {reader.texts} different {what} {are}, {reader.evidence:.0f} bits beyond chance"


def kind_lines(kind: FoundKind, found: SiteDiscovery) -> Iterator[str]:
    """The lines of a kind, with what they rest on; comments only where no chain reads its values."""
    if not kind.values:
        yield f"# UNDECIDED: no chain reads the {format_count(kind.total, 'value')} of this kind."
        yield f"# [kinds.{key_toml(kind.name)}]"
        return
    if kind.total:
        yield f"# {kind.read} of {kind.total} different values are read."
    elif not found.has_register:
        yield "# There was no register: write here how its values are written."
    if kind.lost_zeros:
        yield f"# DOUBT: {describe_lost_zeros(kind)}."
    if not kind.is_decided:
        yield "# UNDECIDED: no reader gives these numbers, so that nothing shows what the values mean."
    yield f"[kinds.{key_toml(kind.name)}]"
    yield f"value = {_chains(kind.values)}"
    if kind.has_issue:
        yield 'issue = "issue"'
    yield f"key = [{', '.join(map(quote_toml, kind.key))}]"


def describe_lost_zeros(kind: FoundKind) -> str:
    """What a spreadsheet seems to have done to values of a kind, and what to do.

    >>> describe_lost_zeros(FoundKind("card", (), (), 277, 300, lost_zeros=23))
    'leading zeros lost: 23 values are shorter, digits alone, as a spreadsheet leaves them: re-export from the source'
    """
    what = format_count(kind.lost_zeros, "value is", "values are")
    return f"leading zeros lost: {what} shorter, digits alone, as a spreadsheet leaves them: re-export from the source"


def reader_lines(reader: FoundReader, times: Sequence[str], *, has_register: bool) -> Iterator[str]:
    """The lines of a reader, with what they rest on; comments only where nothing is decided."""
    if not reader.is_decided:
        yield f"# UNDECIDED: {reader.name}: {reader.reason}."
        for chain in reader.rivals[:MOST_RIVALS]:
            yield f"#   may be {chain}"
        yield f"# Next: {reader.next_card}."
        if reader.layout is not None:
            yield f"# The layout is in {layout_file(reader.layout)}."
        yield f"# [readers.{key_toml(reader.name)}]"
        return
    yield f"# {describe_evidence(reader, has_register=has_register)}."
    for chain in reader.alike[:MOST_ALIKE]:
        yield f"# The same numbers of all these texts: {chain}"
    if len(reader.alike) > MOST_ALIKE:
        yield f"# and {format_count(len(reader.alike) - MOST_ALIKE, 'other chain')}."
    for chain in reader.rivals[:MOST_RIVALS]:
        yield f"# {'Not told apart from it' if reader.reason else 'Of the rest UNDECIDED, it may be'}: {chain}"
    if reader.reason:
        yield f"# DOUBT: {reader.reason}. Next: {reader.next_card}."
    if len(reader.chains) > 1:
        what = "was set to another chain" if reader.change is not None else "gives texts of several chains"
        yield f"# It {what}: is that so?"
    yield f"[readers.{key_toml(reader.name)}]"
    yield f"kind = {quote_toml(reader.kind)}"
    if reader.stream:
        yield f"stream = {quote_toml(reader.stream)}"
    if reader.change is None or len(times) <= reader.change:
        yield f"chain = {_chains(reader.chains)}"
        return
    moment = times[reader.change]
    for chain, bound in zip(reader.chains, ("until", "from"), strict=True):
        yield ""
        yield f"[[readers.{key_toml(reader.name)}.periods]]"
        yield f"chain = {quote_toml(chain)}"
        yield f"{bound} = {moment}"


def _chains(chains: Sequence[str]) -> str:
    return quote_toml(chains[0]) if len(chains) == 1 else f"[{', '.join(map(quote_toml, chains))}]"


def key_toml(name: str) -> str:
    """A name as a key of TOML: in quotation marks where it needs them.

    >>> key_toml("east-gate"), key_toml("Tor Ost")
    ('east-gate', '"Tor Ost"')
    """
    return name if _BARE.fullmatch(name) else quote_toml(name)


def escape_line(line: str) -> str:
    """A line without control characters, which neither a comment nor a text of TOML may have."""
    return "".join(char if char.isprintable() else f"\\u{ord(char):04x}" for char in line)


def quote_toml(text: str) -> str:
    """A text as TOML writes it."""
    return dumps(text, ensure_ascii=False)

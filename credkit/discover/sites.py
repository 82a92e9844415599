"""Sites from captures: the kinds, readers and chains of a site file, proposed reader by reader.

With a register, a chain is proposed where it gives registered numbers beyond chance, and no other behaviour does nearly
as well. The readers decide how the register's values are meant, as far as the values leave it open. Without one, only
checks that could have failed decide (`credkit.explain.identification`), and readers that give the same numbers as one
that is decided. A reader that fits no known layout gets one of its own, where its frames show it
(`credkit.discover.ownlayouts`). All else is undecided, with what to measure next.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from math import log2
from typing import NamedTuple

from credkit.core.progress import SILENT, Progress
from credkit.discover.clock import Clock
from credkit.discover.ownlayouts import derive_layout, with_layout
from credkit.discover.sitereaders import ChainFit, NumberSet, ReaderTexts, chance_evidence, fit_chain, group_alike
from credkit.discover.siteregister import FRAME_KEY, NUMBER_KEY, RegisterRow, build_chain, value_shapes
from credkit.discover.siteresults import FoundKind, FoundReader, SiteDiscovery, undecided
from credkit.discover.sitesearch import FEWEST_BITS, FEWEST_KNOWN, KNOWN_SHARE, RIVAL_SHARE, RegisterSearch
from credkit.explain.candidates import find_candidates
from credkit.explain.identification import identify

PHASES = {"searching for chains": "readers", "deciding on kinds": "readers", "deriving layouts": "readers"}
IDENTIFIED_TEXTS = 30  # that identification is tried on
SHARED_SHARE = 0.2  # of a reader's texts, that must be cards of another reader's texts
UNDAMAGED_SHARE = 0.85  # of such a sample, that a chain must read
MOST_PARTS = 6  # of a sample, each without other texts
DOUBT = "other chains pass the same checks; the most usual one is proposed"
NO_CHECK = "nothing found: no check decides, and no decided reader gives the same numbers"


def site(
    readings: Mapping[str, Sequence[str]], register: Iterable[RegisterRow | tuple[str, str, str]] = (), *,
    own_layouts: bool = True, seconds: float | None = None, progress: Progress = SILENT,
) -> SiteDiscovery:  # fmt: skip
    """The kinds, readers and chains of a site, from the texts of each reader in the order of time.

    ``register`` has the kind, value and issue of each credential. A reader that fits no known layout gets one that is
    derived from its frames, if ``own_layouts`` are wanted. The same texts give the same result, unless the
    seconds run out: then the readers that are left are undecided.

    >>> gate = [f"{n * 7919 % 4294967296:08X}" for n in range(1000, 900000, 9001)]
    >>> found = site({"gate": gate}, [("serial", str(int(text, 16)), "") for text in gate])
    >>> found
    <SiteDiscovery 1 of 1 readers, 1 kinds>
    >>> found.readers[0].chains
    ('hex:8/serial-32',)
    """
    clock = Clock(seconds, progress, PHASES)
    rows = [RegisterRow(*row) for row in register]
    texts = {name: ReaderTexts(each) for name, each in readings.items() if each}
    if not rows:
        return _without_register(texts, clock, own_layouts=own_layouts)
    return RegisterSearch(value_shapes(rows), rows, readings, texts, clock, own_layouts=own_layouts).run()


def _without_register(texts: Mapping[str, ReaderTexts], clock: Clock, *, own_layouts: bool) -> SiteDiscovery:
    """What checks alone decide, and which other readers give the same numbers."""
    identified: dict[str, _Identified] = {}
    for done, (name, reader) in enumerate(texts.items()):
        clock.show("searching for chains", done, len(texts))
        if not clock.is_over and (known := _identify(reader)) is not None:
            identified[name] = known
    sets = [NumberSet(name, each.fit.key, frozenset(each.fit.numbers.values())) for name, each in identified.items()]
    kinds: dict[str, str] = {}
    for wanted in sets:  # readers that share numbers beyond chance are of one kind
        same = [
            other.kind
            for other in sets
            if other.kind in kinds and other.key == wanted.key
            and chance_evidence({*(other.numbers & wanted.numbers)}, other.numbers) >= FEWEST_BITS
        ]  # fmt: skip
        kinds[wanted.kind] = kinds[same[0]] if same else f"kind-{len({*kinds.values()}) + 1}"
    found = []
    for done, (name, reader) in enumerate(texts.items()):
        clock.show("deciding on kinds", done, len(texts))
        base = FoundReader(name, stream=reader.stream, texts=len(reader.texts))
        if name in identified:
            fit, rivals = identified[name].fit, identified[name].rivals
            doubt = undecided(base, DOUBT, rivals) if rivals else base
            found.append(replace(doubt, kind=kinds[name], chains=(fit.chain,), known=len(fit.numbers),
                                 evidence=fit.evidence))  # fmt: skip
            continue
        fits = [] if clock.is_over else _shared(reader, sets)
        first = fits[0] if fits else None
        if first is None:
            base = undecided(base, NO_CHECK, ())
            try_layout = own_layouts and not reader.stream and not clock.is_over
            own = derive_layout(name, reader.texts, (), ()) if try_layout else None
            found.append(base if own is None else with_layout(base, own))
            continue
        equal = tuple(
            each.chain for each in fits[1:]
            if len(each.known) >= RIVAL_SHARE * len(first.known) and kinds[each.kind] == kinds[first.kind]
            and any(each.numbers[text] != first.numbers[text] for text in first.known & each.known)
        )  # fmt: skip
        if equal:
            found.append(undecided(base, "several chains fit equally", (first.chain, *equal)))
        else:
            found.append(replace(base, kind=kinds[first.kind], chains=(first.chain,), known=len(first.known),
                                 evidence=first.evidence, alike=first.alike))  # fmt: skip
    names = {kinds[name]: each.fit for name, each in reversed(identified.items())}
    found_kinds = [FoundKind(kind, (fit.chain,), fit.key, 0, 0) for kind, fit in sorted(names.items())]
    return SiteDiscovery(tuple(found_kinds), tuple(found), False, not clock.is_over)


class _Identified(NamedTuple):
    """The usual chain of a reader whose checks fit, and others that fit as well and give other numbers."""

    fit: ChainFit
    rivals: tuple[str, ...]


def _identify(reader: ReaderTexts) -> _Identified | None:
    """The chain that checks speak for, if it reads most texts of a reader."""
    sample = reader.texts[:: max(1, -(-len(reader.texts) // IDENTIFIED_TEXTS))]
    groups = max(
        map(identify, _undamaged(sample)), key=lambda groups: groups[0].evidence if groups else 0.0, default=()
    )
    if not groups or groups[0].evidence < FEWEST_BITS:
        return None
    chains = [match.chain for group in groups if 2 * group.evidence >= groups[0].evidence for match in group.matches]
    fits = []
    for chain in chains:
        codec = build_chain(chain)
        if codec.gives == "fields" and "/data-of:" not in chain:  # which has the numbers of its frame
            key = FRAME_KEY if codec.schema.keys() >= {*FRAME_KEY} else NUMBER_KEY
            fit = fit_chain(chain, key, NumberSet("", key, frozenset()), reader.texts, 0.0)
            fits += [fit] if fit is not None and len(fit.numbers) >= KNOWN_SHARE * len(reader.texts) else []
    if not fits:
        return None
    rivals = tuple(dict.fromkeys(each.chain for each in fits[1:] if each.numbers != fits[0].numbers))
    return _Identified(replace(fits[0], evidence=groups[0].evidence), rivals)


def _undamaged(sample: Sequence[str]) -> Sequence[Sequence[str]]:
    """The sample, and what is left of it without the few texts that a chain does not read: they may be damaged."""
    read: dict[str, list[str]] = defaultdict(list)
    for text in sample if len(sample) >= FEWEST_KNOWN else ():
        for chain in {candidate.chain for candidate in find_candidates(text)}:
            read[chain].append(text)
    least = max(FEWEST_KNOWN, UNDAMAGED_SHARE * len(sample))
    parts = Counter(tuple(texts) for texts in read.values() if len(texts) >= least)
    return sorted(parts, key=lambda texts: (-len(texts), texts))[:MOST_PARTS]


def _shared(reader: ReaderTexts, sets: Sequence[NumberSet]) -> list[ChainFit]:
    """The chains by which a reader gives numbers of readers that are decided, beyond chance."""
    votes: dict[tuple[int, str], float] = {}
    tried = set()
    for chain, key, number, cost in reader.candidates(reader.texts):
        tried.add(chain)
        for place, wanted in enumerate(sets):
            if wanted.key == key and number in wanted.numbers:
                votes[place, chain] = min(cost, votes.get((place, chain), cost))
    fits = [fit_chain(chain, sets[place].key, sets[place], reader.texts, cost)
            for (place, chain), cost in votes.items()]  # fmt: skip
    good = [
        each
        for each in fits
        if each is not None
        and len(each.known) >= FEWEST_KNOWN
        and each.evidence - log2(len(tried)) >= FEWEST_BITS
        and len(each.known) >= SHARED_SHARE * len(reader.texts)
    ]
    return group_alike(good)

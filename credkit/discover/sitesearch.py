"""The search for a site's kinds and chains with a register: which chains give its numbers beyond chance."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from math import log2

from credkit.core.errors import CredkitError
from credkit.discover.clock import Clock
from credkit.discover.ownlayouts import derive_layout, with_layout
from credkit.discover.sitereaders import (
    ChainFit,
    NumberSet,
    ReaderTexts,
    chance_evidence,
    fit_chain,
    group_alike,
    template_cost,
    text_chains,
)
from credkit.discover.siteregister import (
    NUMBER_KEY,
    Number,
    RegisterRow,
    ValueChain,
    ValueShape,
    build_chain,
    number_of,
    shortened_shapes,
)
from credkit.discover.siteresults import FoundKind, FoundReader, SiteDiscovery, undecided

FEWEST_KNOWN = 5  # different registered numbers that a chain must give
FEWEST_BITS = 20.0  # of evidence beyond chance, and beyond the chains that were tried
KNOWN_SHARE = 0.6  # of a reader's texts that the proposed chains must explain together
RIVAL_SHARE = 0.6  # of what the best chain explains: another behaviour that explains as much leaves it undecided
PART_SHARE = 0.05  # of a reader's texts, for a second chain after a change
MOST_CHAINS = 3  # of one reader
MOST_SURVIVORS = 24  # chains of the sample that are tried on all texts
ORDER_SHARE = 0.98  # of the texts, that must lie on their side of a change
SEVERAL = "several chains fit equally"
NOTHING = "no chain gives registered numbers beyond chance"


class RegisterSearch:
    """One search with a register."""

    def __init__(
        self, shapes: Sequence[ValueShape], rows: Sequence[RegisterRow], readings: Mapping[str, Sequence[str]],
        texts: Mapping[str, ReaderTexts], clock: Clock, *, own_layouts: bool = True,
    ) -> None:  # fmt: skip
        self.shapes, self.rows, self.readings, self.texts, self.clock = shapes, rows, readings, texts, clock
        self.own_layouts = own_layouts
        self.known: dict[tuple[int, int], frozenset[Number]] = {}
        self.index: dict[tuple[tuple[str, ...], Number], list[tuple[int, int]]] = defaultdict(list)
        for place, shape in enumerate(shapes):
            for number, value in enumerate(shape.chains):
                self.known[place, number] = frozenset(value.numbers.values())
                for each in self.known[place, number]:
                    self.index[value.key, each].append((place, number))
        self.chosen: dict[int, ValueChain] = {}
        self.shortened = shortened_shapes(shapes)
        self.whole: dict[tuple[str, Number], set[Number]] = defaultdict(set)  # numbers of plain digits, by kind
        self.hits: dict[str, dict[tuple[int, int], dict[str, set[Number]]]] = {}
        self.costs: dict[str, float] = {}
        self.tried: dict[str, int] = {}

    def run(self) -> SiteDiscovery:
        """Search all readers, decide how the values are meant, and judge each reader."""
        votes: dict[int, dict[int, float]] = defaultdict(lambda: defaultdict(float))
        for done, (name, reader) in enumerate(self.texts.items()):
            self.clock.show("searching for chains", done, len(self.texts))
            if self.clock.is_over:
                break
            self._search(name, reader)
            for (place, number), hits in self.hits[name].items():
                most = max(hits.values(), key=len)
                bits = chance_evidence(most, self.known[place, number]) - log2(self.tried[name])
                if bits >= FEWEST_BITS and len(most) >= FEWEST_KNOWN:
                    votes[place][number] += len(most)
        for place, counts in votes.items():
            best = max(counts.values())
            number = min(number for number, count in counts.items() if count == best)
            self.chosen[place] = self.shapes[place].chains[number]
        self.sets = self._number_sets()
        found = []
        for done, (name, reader) in enumerate(self.texts.items()):
            self.clock.show("deciding on kinds", done, len(self.texts))
            over = self.clock.is_over or name not in self.hits
            found.append(
                FoundReader(name, texts=len(reader.texts), reason="the time ran out") if over
                else self._judge(name, reader)
            )  # fmt: skip
        if self.own_layouts:
            found = self._with_own_layouts(found, {*votes})
        kinds = self._kinds(found)
        keys = {kind.name: kind.key for kind in kinds}
        found = [_with_key(each, keys) for each in found]
        return SiteDiscovery(kinds, tuple(found), True, not self.clock.is_over)

    def _search(self, name: str, reader: ReaderTexts) -> None:
        """Count, by value chain, how many sampled texts each chain takes to numbers of it."""
        hits: dict[tuple[int, int], dict[str, set[Number]]] = defaultdict(lambda: defaultdict(set))
        tried = set()
        for chain, key, number, cost in reader.candidates(reader.texts):
            tried.add(chain)
            for place in self.index.get((key, number), ()):
                hits[place][chain].add(number)
                self.costs[chain] = min(cost, self.costs.get(chain, cost))
        self.hits[name], self.tried[name] = hits, max(1, len(tried))

    def _number_sets(self) -> list[NumberSet]:
        """The registered numbers of each kind, by key: those of the shapes that the readers decided."""
        issues: dict[tuple[str, Number], set[str]] = defaultdict(set)
        values = {(shape.kind, value): place for place, shape in enumerate(self.shapes) for value in shape.values}
        sets: dict[tuple[str, tuple[str, ...]], set[Number]] = defaultdict(set)
        widths: dict[str, Counter[int]] = defaultdict(Counter)
        for place, shape in enumerate(self.shapes):
            plain = next((each for each in shape.chains if each.chain.startswith("template:{number:")), None)
            if shape.width and plain:
                widths[shape.kind][shape.width] += len(shape.values)
            chain = self.chosen.get(place)
            if chain is None and plain is not None and place not in self.shortened:
                chain = self.chosen[place] = plain
            if chain is not None:
                sets[shape.kind, chain.key].update(chain.numbers.values())
            if plain is not None and plain is not chain and place not in self.shortened:
                sets[shape.kind, NUMBER_KEY].update(plain.numbers.values())
                for text, number in chain.numbers.items() if chain is not None else ():
                    if text in plain.numbers:
                        self.whole[shape.kind, plain.numbers[text]].add(number)
        for row in self.rows:
            at = values.get((row.kind, row.value))
            for chain in () if at is None or not row.issue else self.shapes[at].chains:
                if chain.key == NUMBER_KEY and row.value in chain.numbers:
                    issues[row.kind, chain.numbers[row.value]].add(row.issue)
        return [
            NumberSet(
                kind, key, frozenset(numbers), widths[kind].most_common(1)[0][0] if widths[kind] else 0,
                {number: frozenset(each) for (name, number), each in issues.items() if name == kind},
            )
            for (kind, key), numbers in sets.items()
        ]  # fmt: skip

    def _fits(self, name: str, reader: ReaderTexts, texts: Sequence[str]) -> list[ChainFit]:
        """Every behaviour on ``texts``, the best first."""
        votes: dict[tuple[str, tuple[str, ...]], Counter[str]] = defaultdict(Counter)
        for chain, key, number, cost in reader.candidates(texts):
            for wanted in self.sets:
                if wanted.key == key and number in wanted.numbers:
                    votes[wanted.kind, key][chain] += 1
                    self.costs[chain] = min(cost, self.costs.get(chain, cost))
        fits = []
        for wanted in self.sets:
            chains = [chain for chain, _ in votes[wanted.kind, wanted.key].most_common(MOST_SURVIVORS)]
            fits += [fit_chain(chain, wanted.key, wanted, texts, self.costs[chain]) for chain in chains]
            for chain in text_chains(texts, wanted):
                key = (*NUMBER_KEY, "issue") if "{issue:" in chain else NUMBER_KEY
                fits.append(fit_chain(chain, key, wanted, texts, template_cost(chain)))
        return group_alike([each for each in fits if each is not None and each.known])

    def _judge(self, name: str, reader: ReaderTexts) -> FoundReader:
        """What is proposed for one reader."""
        found = self._cover(name, reader)
        if not found.is_decided and not reader.stream and reader.join_swipes(self.readings[name]):
            again = self._cover(name, reader)
            return again if again.is_decided else found
        return found

    def _cover(self, name: str, reader: ReaderTexts) -> FoundReader:
        left, taken = list(reader.texts), list[ChainFit]()
        rivals: tuple[str, ...] = ()
        while left and len(taken) < MOST_CHAINS:
            fits = self._fits(name, reader, left)
            fits = [each for each in fits if self._is_beyond_chance(name, each)]
            fits = [each for each in fits if not any(self._has_fields_in(each, other) for other in fits)]
            if not fits:
                break
            first = fits[0]
            if taken and len(first.known) < PART_SHARE * len(reader.texts):
                break
            rivals = tuple(
                each.chain for each in fits[1:]
                if len(each.known & first.known) >= RIVAL_SHARE * len(first.known) and differs(each, first)
            )  # fmt: skip
            if rivals or (taken and (first.kind, first.key) != (taken[0].kind, taken[0].key)):
                rivals = (first.chain, *rivals)
                break
            taken.append(first)
            left = [text for text in left if text not in first.numbers]
        known = sum(len(each.known) for each in taken)
        base = FoundReader(name, stream=reader.stream, texts=len(reader.texts), known=known)
        if rivals and not taken:
            return undecided(base, SEVERAL, rivals)
        if not taken or known < KNOWN_SHARE * len(reader.texts):
            reason = NOTHING if not taken else (
                f"the likeliest chain explains only {known} of {len(reader.texts)} texts"
            )  # fmt: skip
            return undecided(base, reason, tuple(each.chain for each in taken))
        change = None
        if len(taken) == 2 and not reader.stream:
            taken, change = _in_order(self.readings[name], taken)
        return FoundReader(
            name, taken[0].kind, tuple(each.chain for each in taken), reader.stream, len(reader.texts), known,
            sum(each.evidence for each in taken), taken[0].alike, rivals, change=change,
        )  # fmt: skip

    def _with_own_layouts(self, readers: Sequence[FoundReader], voted: set[int]) -> list[FoundReader]:
        """The readers, those that fit no known layout with one of their own, if their frames have one.

        The shapes that are ``voted`` have the chains that other readers decided.
        """
        found: list[FoundReader] = []
        for done, reader in enumerate(readers):
            self.clock.show("deriving layouts", done, len(readers))
            is_open = not reader.is_decided and reader.reason != SEVERAL and not reader.stream
            if is_open and not self.clock.is_over:
                options = {
                    (place, number): NumberSet(shape.kind, value.key, self.known[place, number])
                    for place, shape in enumerate(self.shapes) if place not in voted
                    for number, value in enumerate(shape.chains) if value is not self.chosen.get(place)
                }  # fmt: skip
                earlier = SiteDiscovery((), tuple(found), True).layouts
                texts = list(dict.fromkeys(self.readings[reader.name]))  # those of a stream that failed are swipes
                own = derive_layout(reader.name, texts, [*self.sets, *options.values()], earlier)
                if own is not None and (own.fit is not None or reader.reason == NOTHING):
                    reader = with_layout(reader, own)
                    for (place, number), wanted in options.items():
                        if reader.is_decided and wanted is own.wanted:
                            voted.add(place)
                            self.chosen[place] = self.shapes[place].chains[number]
                            self.sets = self._number_sets()
            found.append(reader)
        return found

    def _is_beyond_chance(self, name: str, fit: ChainFit) -> bool:
        """Whether a chain gives enough registered numbers, even as one of all that were tried."""
        return len(fit.known) >= FEWEST_KNOWN and fit.evidence - log2(self.tried[name]) >= FEWEST_BITS

    def _has_fields_in(self, digits: ChainFit, other: ChainFit) -> bool:
        """Whether one chain reads as plain digits what another reads to the fields of the same registered values."""
        return (
            digits.key == NUMBER_KEY != other.key and digits.kind == other.kind and digits.known <= other.known
            and all(other.numbers[text] in self.whole[digits.kind, digits.numbers[text]] for text in digits.known)
        )  # fmt: skip

    def _kinds(self, readers: Sequence[FoundReader]) -> tuple[FoundKind, ...]:
        found = []
        for kind in dict.fromkeys(shape.kind for shape in self.shapes):
            own = [each for each in readers if each.kind == kind and each.is_decided]
            issue = any("{issue:" in chain for each in own for chain in each.chains)
            shapes = [(place, shape) for place, shape in enumerate(self.shapes) if shape.kind == kind]
            total = len({row.value for row in self.rows if row.kind == kind})
            keys = Counter[tuple[str, ...]]()
            for place, shape in shapes:
                if place in self.chosen:
                    keys[self.chosen[place].key] += len(shape.values)
            if not keys:
                found.append(FoundKind(kind, (), (), 0, total, is_decided=False))
                continue
            key = keys.most_common(1)[0][0]
            chosen = [self.chosen[place] for place, _ in shapes if place in self.chosen]
            chosen.sort(key=lambda each: -len(each.numbers))  # targets get the first of them
            chosen = [each for each in chosen if each.key == key and len(each.numbers) >= PART_SHARE * total]
            lengths = {codec.steps[-1].length for each in own if each.layout is None for codec in each.codecs}
            found.append(
                FoundKind(
                    kind,
                    tuple(dict.fromkeys(_as_decimal(each, lengths) for each in chosen)),
                    (*key, "issue") if issue else key,
                    sum(len(each.numbers) for each in chosen),
                    total,
                    issue,
                    bool(own),
                    sum(
                        len(shape.values)
                        for place, shape in shapes
                        if place in self.shortened and place not in self.chosen
                    ),
                )
            )
        return tuple(found)


def _as_decimal(value: ValueChain, lengths: Iterable[int | None]) -> str:
    """The chain of plain digits as a decimal number of as many bits as its readers give, where it is one.

    Decimal numbers of one width keep the zeros in front of them.
    """
    width = len(next(iter(value.numbers)))
    head, _, rest = value.chain.partition("/")
    names: list[str] = []
    if value.key == NUMBER_KEY and value.chain.startswith("template:{number:0"):
        names += (f"decimal:{length},{width}/fields:number:{length}" for length in sorted(filter(None, lengths)))
    elif head.startswith("decimal:") and any(text.startswith("0") for text in value.numbers):
        names.append(f"{head},{width}/{rest}")
    for name in names:
        try:
            codec = build_chain(name)
        except CredkitError:
            continue
        if all(number_of(codec._decode_raw(text) or {}, value.key) == number for text, number in value.numbers.items()):
            return name
    return value.chain


def _with_key(reader: FoundReader, keys: Mapping[str, tuple[str, ...]]) -> FoundReader:
    """The reader, undecided if its chains lack a field that its kind's numbers have."""
    wanted = keys.get(reader.kind, ())
    for codec in reader.codecs:
        missing = [name for name in wanted if name not in codec.schema]
        if missing:
            reason = f"its texts have no {missing[0]}, which a number of {reader.kind} needs"
            return undecided(replace(reader, kind="", chains=(), change=None), reason, reader.chains)
    return reader


def _in_order(texts: Sequence[str], fits: Sequence[ChainFit]) -> tuple[list[ChainFit], int | None]:
    """Two chains in the order of time, and where the second begins; None where they alternate."""
    first, second = fits
    marks = [
        (place, text in second.known)
        for place, text in enumerate(texts)
        if (text in first.known) != (text in second.known)
    ]
    total, before = sum(mark for _, mark in marks), 0
    best, where, is_swapped = -1, 0, False
    for count, (place, mark) in enumerate(marks):  # those before are of one chain, this one and the rest of the other
        right = (count - before) + (total - before)
        for score, swapped in ((right, False), (len(marks) - right, True)):
            if count and score > best:
                best, where, is_swapped = score, place, swapped
        before += mark
    if best < ORDER_SHARE * len(marks):
        return [first, second], None
    return ([second, first] if is_swapped else [first, second]), where


def differs(one: ChainFit, other: ChainFit) -> bool:
    """Whether two chains give different numbers of a text that both read as registered, or are of different kinds."""
    if (one.kind, one.key) != (other.kind, other.key):
        return True
    return any(one.numbers[text] != other.numbers[text] for text in one.known & other.known)

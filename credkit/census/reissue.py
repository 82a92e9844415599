"""Reissue: the smallest set of cards that removes every duplicate when they get new numbers.

Of a group of duplicates all cards but one must be reissued: the smallest set is a minimum vertex cover of a union of
cliques. A card whose neighbours are all in one of its groups can stay, and the others of that group are reissued; that
alone decides most populations. The rest is searched completely where it is small, and bounded from both sides where it
is not.

A card that cannot be reissued (it is gone or lost) leaves no choice: all its duplicates are reissued. No reissue
separates two such cards, so they are not counted.

Source: general arithmetic (vertex cover; a vertex whose neighbours are a clique is never needed).

>>> cover([(1, 2, 3), (3, 4)])
Cover(cards=frozenset({2, 3}), least=2)
>>> cover([(1, 2)], fixed={2})
Cover(cards=frozenset({1}), least=1)
"""

from __future__ import annotations

from collections import Counter, defaultdict, deque
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain

MOST_CARDS_SEARCHED = 40  # cards of a part that hangs together, for which the smallest set is searched


@dataclass(frozen=True, slots=True, kw_only=True)
class Cover:
    """Cards to reissue; no set of fewer than ``least`` removes all duplicates."""

    cards: frozenset[int]
    least: int

    @property
    def exact(self) -> bool:
        """Whether it is certain that no smaller set will do."""
        return len(self.cards) == self.least


def cover(groups: Iterable[Iterable[int]], fixed: Collection[int] = (), most: int = MOST_CARDS_SEARCHED) -> Cover:
    """The cards to reissue so that no two of one group are left; those that are ``fixed`` cannot be.

    The order of the groups changes nothing; of cards that are alike, the first ones stay.
    """
    fixed = frozenset(fixed)
    sets = [set(group) for group in sorted(sorted(group) for group in groups)]
    taken = {card for group in sets if not fixed.isdisjoint(group) for card in group - fixed if len(group) > 1}
    left = [group - taken for group in sets if fixed.isdisjoint(group)]
    often = Counter(chain.from_iterable(left))
    alone = [all(often[card] == 1 for card in group) for group in left]
    taken |= {card for group, single in zip(left, alone, strict=True) if single for card in sorted(group)[1:]}
    graph = _Groups(group for group, single in zip(left, alone, strict=True) if not single)
    taken |= graph.reduce()
    least = len(taken)
    for part in graph.parts():
        if len(part.where) <= most:
            found = part.search()
            least += len(found)
        else:
            found = part.greedy()
            least += part.bound()
        taken |= found
    return Cover(cards=frozenset(taken), least=least)


class _Groups:
    """Groups of duplicates, and for each card the groups it is in."""

    def __init__(self, groups: Iterable[set[int]]) -> None:
        self.groups: dict[int, set[int]] = {place: group for place, group in enumerate(groups) if len(group) > 1}
        self.where: dict[int, set[int]] = defaultdict(set)
        for place, group in self.groups.items():
            for card in group:
                self.where[card].add(place)

    def reduce(self) -> set[int]:
        """Take out every card that must go beside one that can stay; the cards that must go."""
        taken: set[int] = set()
        queue = deque(sorted(self.where))
        while queue:
            card = queue.popleft()
            places = self.where.get(card)
            if not places:
                continue
            around = max((self.groups[place] for place in places), key=len)
            if all(self.groups[place] <= around for place in places):
                going = around - {card}
                taken |= going
                queue.extend(sorted(self.remove(going)))
        return taken

    def remove(self, cards: Collection[int]) -> set[int]:
        """Take ``cards`` out of all groups; the cards whose groups became smaller."""
        touched = {place for card in cards for place in self.where.pop(card)}
        found: set[int] = set()
        for place in touched:
            group = self.groups[place]
            group.difference_update(cards)
            found |= group
            if len(group) < 2:
                for card in group:
                    self.where[card].discard(place)
                del self.groups[place]
        for card in [card for card in found if not self.where[card]]:
            del self.where[card]
        return {card for card in found if card in self.where}

    def parts(self) -> Iterator[_Groups]:
        """The parts that hang together, each by itself."""
        seen: set[int] = set()
        for first in sorted(self.where):
            if first in seen:
                continue
            cards, places, todo = {first}, set[int](), [first]
            while todo:
                for place in self.where[todo.pop()] - places:
                    places.add(place)
                    more = self.groups[place] - cards
                    cards |= more
                    todo.extend(more)
            seen |= cards
            yield _Groups(set(self.groups[place]) for place in sorted(places))

    def search(self) -> set[int]:
        """The smallest set that removes all duplicates, by trying."""
        cards = sorted(self.where)
        bit = {card: 1 << place for place, card in enumerate(cards)}
        near = [self.near(card, bit) for card in cards]
        staying = _largest_independent((1 << len(cards)) - 1, tuple(near))
        return {card for card in cards if not staying & bit[card]}

    def near(self, card: int, bit: dict[int, int]) -> int:
        """The neighbours of a card, as bits."""
        others = {other for place in self.where[card] for other in self.groups[place]} - {card}
        return sum(bit[other] for other in others)

    def greedy(self) -> set[int]:
        """A set that removes all duplicates: the cards with the fewest neighbours stay."""
        size = {card: sum(len(self.groups[place]) for place in places) for card, places in self.where.items()}
        going: set[int] = set()
        for card in sorted(size, key=lambda card: (size[card], card)):
            if card not in going:
                going |= {other for place in self.where[card] for other in self.groups[place] if other != card}
        return going

    def bound(self) -> int:
        """The least number of cards to reissue: of groups that share no card, all but one each."""
        used: set[int] = set()
        least = 0
        for group in sorted(self.groups.values(), key=len, reverse=True):
            fresh = group - used
            if len(fresh) > 1:
                used |= fresh
                least += len(fresh) - 1
        return least


@lru_cache(maxsize=1 << 16)
def _largest_independent(left: int, near: Sequence[int]) -> int:
    """The most of the cards ``left`` (bits) of which no two are neighbours."""
    if not left:
        return 0
    degrees = [((near[place] & left).bit_count(), place) for place in _bit_places(left)]
    degree, place = min(degrees)
    if degree <= 1:  # it can stay whatever else does
        return 1 << place | _largest_independent(left & ~(near[place] | 1 << place), near)
    _, place = max(degrees)
    with_it = 1 << place | _largest_independent(left & ~(near[place] | 1 << place), near)
    without = _largest_independent(left & ~(1 << place), near)
    return with_it if with_it.bit_count() >= without.bit_count() else without


def _bit_places(bits: int) -> Iterator[int]:
    while bits:
        low = bits & -bits
        yield low.bit_length() - 1
        bits ^= low

"""Other chains: what a reader may emit instead of what is declared.

Five sources, the likeliest first: its own chain with the bits in another order; or typed under another keyboard
layout; the chains of the other readers of
its kind; the chains by which the kind's values and printed numbers are written; and what a search over every notation
and layout makes of a few texts, as far as known numbers come out of it. A chain that truncates is no candidate, and
each must give the fields that make the number.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Container, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

from credkit.catalogue.registry import chain, get
from credkit.core.chains import link
from credkit.core.codec import AnyCodec
from credkit.core.errors import DefinitionError
from credkit.core.fields import Item
from credkit.explain.candidates import ORDER_COSTS, all_heads, find_candidates
from credkit.explain.diagnosis import KEYBOARD_CAUSE, order_alternatives
from credkit.facts.texts import branches
from credkit.site.model import CredentialKind

FEWEST_SAMPLES_READ = 2  # sampled texts that a chain of the search must read as known numbers


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OtherChain:
    """A chain that a reader may emit; ``text`` completes "… if".

    ``cause`` names the order that it has the bits in, or ``keyboard``, if it is the reader's own chain but for that.
    ``tried`` is how many chains were tried that are as likely as it or likelier; ``searched`` says that the site has
    it nowhere.
    """

    codec: AnyCodec
    text: str
    cause: str = ""
    tried: int = 1
    searched: bool = False


def usual_chains(declared: AnyCodec, kind: CredentialKind, others: Iterable[AnyCodec]) -> tuple[OtherChain, ...]:
    """A reader's declared chain in other orders and keyboard layouts, the chains of ``others``, those of the kind."""
    own = branches(declared)
    orders = [order for branch in own for order in order_alternatives(branch)]
    found = {
        order.codec.name: OtherChain(codec=order.codec, text=order.text, cause=order.cause, tried=len(orders))
        for order in orders
    }
    for branch in own:
        for layout in get("keyboard").usual if branch.takes == "text" else ():
            typed = link([chain(f"keyboard:{layout}"), branch])
            words = f"they were typed under the keyboard layout {layout}"
            found[typed.name] = OtherChain(codec=typed, text=words, cause=KEYBOARD_CAUSE, tried=len(found) + 1)
    files = [kind.value, *([kind.printed] if kind.printed else [])]
    for codec in (branch for each in (*others, *files) for branch in branches(each)):
        if codec.name not in found and all(codec.name != branch.name for branch in own) and can_give(kind, codec):
            found[codec.name] = _named(codec, len(found) + 1)
    return tuple(found.values())


def can_give(kind: CredentialKind, codec: AnyCodec) -> bool:
    """Whether ``codec`` reads texts to numbers of ``kind``, and truncates none."""
    return (
        codec.takes == "text" and not codec.lossy and not codec.decode_obstacle and codec.schema.keys() >= {*kind.key}
    )


def search_chains(
    texts: Sequence[str], kind: CredentialKind, chains: Sequence[AnyCodec], known: Container[tuple[Item, ...]],
    tried: int,
) -> tuple[tuple[OtherChain, ...], int]:  # fmt: skip
    """The chains that read sampled ``texts`` as ``known`` numbers of ``kind``, usual ones first; how many were tried.

    ``chains`` have layouts of the site; ``tried`` is how many chains were tried before.
    """
    hits: Counter[str] = Counter()
    codecs: dict[str, AnyCodec] = {}
    costs: dict[str, float] = {}
    seen: set[str] = set()
    endings = {ending.name: ending for codec in chains for branch in branches(codec) for ending in _endings(branch)}
    for text in texts:
        for codec, cost in _reading_chains(text, kind, tuple(endings.values())):
            seen.add(codec.name)
            fields = codec._decode_raw(text)
            if fields is not None and fields.keys() >= {*kind.key} and kind.number_in(fields) in known:
                hits[codec.name] += 1
                codecs[codec.name] = codec
                costs[codec.name] = min(cost, costs.get(codec.name, cost))
    least = min(FEWEST_SAMPLES_READ, len(texts))
    names = [name for name, count in hits.items() if count >= least and can_give(kind, codecs[name])]
    names.sort(key=lambda name: (-hits[name], costs[name], name.count("/"), len(name), name))
    tried += len(seen)
    return tuple(_named(codecs[name], tried, searched=True) for name in names), tried


def _named(codec: AnyCodec, tried: int, *, searched: bool = False) -> OtherChain:
    return OtherChain(codec=codec, text=f"the chain is {codec.name}", tried=tried, searched=searched)


def _endings(codec: AnyCodec) -> Iterator[AnyCodec]:
    """The part of a chain from bits to fields, if it has one."""
    for place, step in enumerate(codec.steps):
        if step.takes == "bits" and step.gives == "fields":
            yield link(codec.steps[place:])


def _reading_chains(text: str, kind: CredentialKind, endings: tuple[AnyCodec, ...]) -> Iterator[tuple[AnyCodec, float]]:
    """Chains that may read ``text``, with what their steps cost: those to ``endings``, then all that practice knows."""
    small = ",lower" if any("a" <= sign <= "f" for sign in text) else ""
    for head in all_heads():
        name = f"{head.text}{small}" if small and head.codec.steps[-1].name.startswith("hex:") else head.text
        codec = chain(name)
        word = None if codec.lossy else codec._decode_raw(text)
        if word is None:
            continue
        for order, cost in ORDER_COSTS.items():
            for ending in endings:
                for found in _linked(name, word[1], order, ending):
                    yield found, cost
    for candidate in find_candidates(text):
        if candidate.value.keys() >= {*kind.key}:
            yield chain(candidate.chain), candidate.cost


@lru_cache(maxsize=4096)
def _linked(head: str, length: int, order: str, ending: AnyCodec) -> tuple[AnyCodec, ...]:
    """The chains from a notation of ``length`` bits over an order to an ending; zeros may stand before or behind."""
    steps = [chain(name) for name in (head, order) if name]
    room = ending.input.lengths
    between = [] if room is None else [
        chain(f"{side}-justified:{room[0]}") for side in ("right", "left") if room[0] < length
    ]  # fmt: skip
    found = []
    for filled in [[], *([each] for each in between)]:
        for order_last in (False, True) if filled and order else (False,):
            middle = [steps[0], *filled, *steps[1:]] if order_last else [*steps, *filled]
            try:
                found.append(link([*middle, ending]))
            except DefinitionError:
                continue
    return tuple(found)

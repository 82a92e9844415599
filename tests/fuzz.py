"""Throw random and damaged values at every codec: ``python tests/fuzz.py --count 1000000``.

Every registered codec with its usual arguments, a site's layouts, random layouts and contents, and typical chains
decode and encode values of which about half are right and the others have a few faults. Nothing but
a `CredkitError` may come out, ``inspect`` may not raise at all and must agree with ``decode``, what
was encoded must read back, and every codec must have seen inputs that it took and inputs that it
refused. A failure prints how to see it again.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from pathlib import Path
from random import Random
from typing import Any

if not __package__:
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from credkit import CredkitError, DecodeError, EncodeError, content_entries, layout_entries
from credkit.core.codec import AnyCodec
from tests.contentstrategies import content_definition
from tests.strategies import both_ways, built, damaged, definition, fuzzed, noise, readable, valid

EVERYTHING_IS_READ = ("strip",)  # it takes white space off any text
RANDOM_LAYOUTS = 20


class Broken(Exception):
    """A law that a codec broke."""


def codecs(seed: int) -> dict[str, AnyCodec]:
    """What is fuzzed, by written name."""
    random = Random(seed)
    layouts = {f"layout-{i}": definition(random) for i in range(RANDOM_LAYOUTS)}
    contents = {f"content-{i}": content_definition(random) for i in range(RANDOM_LAYOUTS)}
    found = {text: built(text) for text in fuzzed()}
    made = (*layout_entries(layouts), *content_entries(contents))
    return found | {entry.name: entry.build() for entry in made}


def case(codec: AnyCodec, random: Random, seen: Counter[str]) -> None:
    """One input decoded and inspected, one set of fields (or bits, or a text) encoded."""
    written: Any = None
    writes = both_ways(codec)
    if writes:
        meant = valid(random, codec)
        if random.random() < 0.3:
            meant = damaged(random, meant)
        try:
            written = codec.encode(meant)
            seen["written"] += 1
        except EncodeError:
            seen["not written"] += 1
    else:
        written = readable(random, codec)
    value = noise(random, codec) if written is None or random.random() < 0.2 else written
    if random.random() < 0.5:
        value = damaged(random, value)
    reading = codec.inspect(value)
    try:
        decoded = codec.decode(value)
    except DecodeError as error:
        seen["rejected"] += 1
        if reading.ok or error.check != reading.failed:
            raise Broken(f"decode refuses {value!r}, inspect says {reading}") from error
        return
    seen["accepted"] += 1
    if not reading.ok or reading.value != decoded:
        raise Broken(f"decode takes {value!r} as {decoded!r}, inspect says {reading}")
    if writes and not codec.lossy and codec.decode(codec.encode(decoded)) != decoded:
        raise Broken(f"{value!r} is read as {decoded!r}, but not when it is written and read again")


def fuzz(count: int, seed: int = 0) -> Counter[str]:
    """Run ``count`` cases, shared among the codecs in turn; raises `Broken` for whatever is wrong."""
    total: Counter[str] = Counter()
    everything = codecs(seed)
    each, more = divmod(count, len(everything))
    for index, (name, codec) in enumerate(everything.items()):
        seen: Counter[str] = Counter()
        random = Random(f"{seed} {name}")
        for done in range(each + (index < more)):
            try:
                case(codec, random, seen)
            except Exception as error:
                kind = "escaped from" if not isinstance(error, Broken | CredkitError) else "is wrong in"
                raise Broken(f"{type(error).__name__} {kind} {name}, seed {seed}, case {done}: {error}") from error
        for kind in ("accepted", "rejected"):
            if not seen[kind] and each >= 100 and not (kind == "rejected" and name in EVERYTHING_IS_READ):
                raise Broken(f"{name}: of {seen.total()} inputs none was {kind}")
        total += seen
    total["codecs"] = len(everything)
    return total


def main() -> int:
    parser = argparse.ArgumentParser(description="Throw random and damaged values at every codec.")
    parser.add_argument("--count", type=int, default=100_000, help="how many cases, shared among the codecs")
    parser.add_argument("--seed", type=int, default=0, help="another seed, other values")
    options = parser.parse_args()
    start = time.perf_counter()
    try:
        seen = fuzz(options.count, options.seed)
    except Broken as error:
        print(error, file=sys.stderr)
        return 1
    seconds = time.perf_counter() - start
    print(
        f"{options.count:,} cases through {seen['codecs']} codecs and chains: {seen['accepted']:,} read, "
        f"{seen['rejected']:,} refused; {seen['written']:,} written, {seen['not written']:,} refused; "
        f"nothing but CredkitError came out ({seconds:.0f} s, {options.count / seconds:,.0f} a second)"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())

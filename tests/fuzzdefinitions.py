"""Throw damaged definitions at credkit: ``python tests/fuzzdefinitions.py --count 50000``.

Layouts, contents, site files, plan files and chains that are right have a few faults put into them: a
value of another type, one that is far too large, a key that is missing, twice there or misspelt, a
character that is garbled. Nothing but a `CredkitError` may come out, with a sentence of fewer than 500
characters. What is taken is used: a codec reads and writes a few values. A failure prints how to see
it again.
"""

from __future__ import annotations

import argparse
import sys
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from copy import deepcopy
from datetime import UTC, date, datetime
from functools import lru_cache
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple

if not __package__:
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import credkit
from credkit import CredkitError, chain, content_entries, layout_entries, load_plan
from credkit.core.codec import AnyCodec
from credkit.site.description import load_site, site_entries
from tests.brackwater import SITE
from tests.contentstrategies import content_definition
from tests.strategies import TRAPS, damaged, definition, fuzzed, noise

BOUND = 500  # characters of a sentence
SOURCES = Path(credkit.__file__).parent
LARGEST = 60_000  # characters that a word becomes at most
CHAINS = fuzzed()
WORDS = (
    "", "0", "1-8", "0-65535", "0-99999", "9-1", "0-7,16-23", "7-0", "a", "é", "\0", "\ud7ff", "😀", "x" * 600,
    "1" * 5000, "1_0", "٣", "../..", "a/b" * 300, "{n:d}", "{" * 700, "%2F", "hex:8", "hex:" + "9" * 5000,
    "text(8)", "int32", "text(" + "9" * 5000 + ")", "Europe/Amsterdam", "-" * 600, "4114360123456785",
    "wiegand-26", "0-9A-Z", "luhn", "\t\r\n", "field\u2028", "name" * 5000,
)  # fmt: skip
PLAIN: tuple[Callable[[Random], Any], ...] = (
    lambda random: random.choice((0, 1, -1, 2, 7, 8, 26, 255, 65535, 65536, 1 << 31, 1 << 63, 1 << 64, -(1 << 63))),
    lambda random: 10 ** random.choice((20, 300, 4000, 5000, 20_000)),  # Python prints 4,300 digits
    lambda random: random.choice((True, False)),
    lambda random: random.choice((0.5, -0.0, 1e308, float("inf"), float("nan"))),
    lambda random: random.choice((date(2026, 3, 31), datetime(2026, 3, 31), datetime(1, 1, 1, tzinfo=UTC))),
    lambda random: random.choice(WORDS),
    lambda random: "".join(random.choices(TRAPS.replace("\ud800", ""), k=random.choice((1, 3, 20, 600)))),
    lambda random: random.choice(([], {}, [[]], [{}], {"": {}}, [0], ["0-1"], {"a": 1}, [1, "a", None][:2])),
    lambda random: {f"key{number}": number for number in range(random.choice((3, 700)))},
    lambda random: [random.choice(WORDS)] * random.choice((2, 20)),
    lambda random: [random.choice(("", "0", "1-8", "number", "hex:8"))] * 600,
)


class Broken(Exception):
    """What came out although it must not."""


class Kind(NamedTuple):
    """A kind of definition: a damaged one drawn at random, and how it is put to use."""

    draw: Callable[[Random], Any]
    use: Callable[[Random, Any], None]


# ── what is wrong ───────────────────────────────────────────────────────────────────────────────


def places(value: Any) -> Iterator[tuple[Any, Any]]:
    """Every container in ``value`` with every key in it."""
    if isinstance(value, dict | list):
        for key in list(value) if isinstance(value, dict) else range(len(value)):
            yield value, key
            yield from places(value[key])


def mutated(random: Random, original: Mapping[str, Any]) -> dict[str, Any]:
    """``original`` with one to three faults."""
    found = deepcopy(dict(original))
    for _ in range(random.choice((1, 1, 1, 2, 3))):
        where = list(places(found))
        if not where:
            return found
        inside, key = random.choice(where)
        other, there = random.choice(where)
        how = random.randrange(8)
        if how < 3:
            inside[key] = random.choice(PLAIN)(random)
        elif how == 3:
            del inside[key]
        elif how == 4:
            inside[key] = deepcopy(other[there])
        elif how == 5 and isinstance(inside, dict):
            inside[misspelt(random, str(key))] = inside.pop(key)
        elif how == 6 and isinstance(inside, list):
            inside.extend([deepcopy(inside[key])] * random.choice((1, 2, 600)))
        elif isinstance(inside[key], str):
            inside[key] = misspelt(random, inside[key])
        elif isinstance(inside[key], int):
            inside[key] += random.choice((-1, 1, 1 << 20))
        else:
            inside[key] = random.choice(PLAIN)(random)
    return found


def misspelt(random: Random, text: str) -> str:
    """``text`` with one garbled, lost or added character, or a word from elsewhere in it, or far too long."""
    at = random.randrange(len(text) + 1)
    return random.choice(
        (
            text[:at] + random.choice(TRAPS.replace("\ud800", "")) + text[at + 1 :],
            text[:at] + text[at + 1 :],
            text[:at] + random.choice(WORDS) + text[at:],
            text[at:] + text[:at],
            text.upper(),
            text * (LARGEST // (len(text) or 1)),
        )
    )


def toml(value: Any) -> str:
    """``value`` in TOML, on one line."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{quoted(str(key))} = {toml(each)}" for key, each in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, date):  # and datetime
        return value.isoformat()
    if isinstance(value, int) and value >> 64 > 0:
        return hex(value)  # which may be of any length
    return repr(value)


def quoted(text: str) -> str:
    """A basic string of TOML 1.0."""
    return '"' + "".join(c if c.isprintable() and c not in '"\\' else f"\\U{ord(c):08X}" for c in text) + '"'


def file_text(random: Random, original: str) -> str:
    """A TOML file with faults: in its structure, in its characters, or in both."""
    how = random.random()
    text = original if how < 0.3 else "\n".join(f"{quoted(k)} = {toml(v)}" for k, v in _table(random, original))
    if how < 0.4:
        lines = text.split("\n")
        for _ in range(random.choice((1, 2, 5))):
            at = random.randrange(len(lines))
            lines[at] = random.choice((misspelt(random, lines[at]), random.choice(lines), ""))
        text = "\n".join(lines)
    return text


def _table(random: Random, original: str) -> list[tuple[str, Any]]:
    return list(mutated(random, _parsed(original)).items())


@lru_cache(maxsize=16)
def _parsed(original: str) -> dict[str, Any]:
    return tomllib.loads(original)


# ── what is made of it ──────────────────────────────────────────────────────────────────────────


def used(random: Random, codec: AnyCodec) -> None:
    """A few values through ``codec``, the right ones among them."""
    for _ in range(3):
        value = noise(random, codec)
        try:
            decoded = codec.decode(damaged(random, value) if random.random() < 0.5 else value)
            codec.encode(damaged(random, decoded) if random.random() < 0.5 else decoded)
        except CredkitError as error:
            bounded(error)


def bounded(error: CredkitError) -> int:
    """How long the sentence is; raises `Broken` where that is too long."""
    size = len(str(error))
    if size >= BOUND:
        raise Broken(f"a sentence of {size} characters: {str(error)[:200]}")
    return size


def _shipped(folder: str) -> list[dict[str, Any]]:
    files = sorted((SOURCES / "codecs" / folder).glob("*.toml"))
    return [table for file in files for table in tomllib.loads(file.read_text(encoding="utf-8")).values()]


def kinds(folder: Path) -> dict[str, Kind]:
    """The kinds of definitions; files are written to ``folder``."""
    layouts, contents = _shipped("layouts"), _shipped("contents")
    plan = (SOURCES / "demo" / "staff-plan.toml").read_text(encoding="utf-8")
    site = (SOURCES / "demo" / "site.toml").read_text(encoding="utf-8")
    more = '[tables.lockers]\npath = "lockers.csv"\n[plans.staff]\nfile = "plan.toml"\n'
    exports = Path(__file__).with_name("exports")
    mapped = [path.read_text(encoding="utf-8") for path in sorted(exports.glob("*/site.toml"))]
    sites = (site, SITE, f"{site}\n{more}", f"{SITE}\n{more}", *mapped)
    plans = (plan, Path(__file__).with_name("plans").joinpath("staff.toml").read_text(encoding="utf-8"))
    (folder / "plan.toml").write_text(plan, encoding="utf-8")
    (folder / "lockers.csv").write_text("from,to\n1,2\n", encoding="utf-8")
    file = folder / "mutated.toml"

    def layout(random: Random) -> Any:
        return mutated(random, random.choice(layouts) if random.random() < 0.5 else definition(random))

    def content(random: Random) -> Any:
        return mutated(random, random.choice(contents) if random.random() < 0.5 else content_definition(random))

    def use_site(random: Random, text: str) -> None:
        file.write_text(text, encoding="utf-8", newline="")
        for entry in site_entries(file):
            if not entry.signature:
                used(random, entry.build())
        load_site(file)

    def use_plan(random: Random, text: str) -> None:
        file.write_text(text, encoding="utf-8", newline="")
        load_plan(file)

    def chained(random: Random) -> str:
        steps = [step for _ in range(random.choice((1, 2, 3))) for step in random.choice(CHAINS).split("/")]
        text = "/".join(steps if random.random() < 0.5 else random.choice(CHAINS).split("/"))
        for _ in range(random.choice((1, 1, 2))):
            text = misspelt(random, text)
        return text

    def use_entries(make: Callable[..., Any]) -> Callable[[Random, Any], None]:
        def use(random: Random, table: Any) -> None:
            for entry in make({"gate": table}):
                used(random, entry.build())

        return use

    return {
        "layout": Kind(layout, use_entries(layout_entries)),
        "content": Kind(content, use_entries(content_entries)),
        "site": Kind(lambda random: file_text(random, random.choice(sites)), use_site),
        "plan": Kind(lambda random: file_text(random, random.choice(plans)), use_plan),
        "chain": Kind(chained, lambda random, text: used(random, chain(text))),
    }


def fuzz(kind: Kind, name: str, count: int, seed: int = 0, first: int = 0) -> Counter[str]:
    """``count`` definitions of one kind; raises `Broken` for whatever is wrong, with its number."""
    seen: Counter[str] = Counter()
    for number in range(first, first + count):
        random = Random(f"{seed} {name} {number}")
        drawn = kind.draw(random)
        try:
            kind.use(random, drawn)
            seen["taken"] += 1
        except CredkitError as error:
            seen["refused"] += 1
            seen["longest"] = max(seen["longest"], bounded(error))
        except Exception as error:
            what = "" if isinstance(error, Broken) else f"{type(error).__name__} escaped: "
            raise Broken(f"{name} {number}, seed {seed}: {what}{str(error)[:200]}") from error
    return seen


def main() -> int:
    parser = argparse.ArgumentParser(description="Throw damaged definitions at credkit.")
    parser.add_argument("--count", type=int, default=5_000, help="how many of each kind")
    parser.add_argument("--first", type=int, default=0, help="the number of the first, to see a failure again")
    parser.add_argument("--seed", type=int, default=0, help="another seed, other faults")
    parser.add_argument("--kind", action="append", help="only this kind; may be repeated")
    options = parser.parse_args()
    with TemporaryDirectory() as folder:
        for name, kind in kinds(Path(folder)).items():
            if options.kind and name not in options.kind:
                continue
            start = time.perf_counter()
            try:
                seen = fuzz(kind, name, options.count, options.seed, options.first)
            except Broken as error:
                print(error, file=sys.stderr)
                return 1
            print(
                f"{options.count:,} definitions of the kind {name}: {seen['taken']:,} taken, {seen['refused']:,} "
                f"refused, the longest sentence has {seen['longest']} characters ({time.perf_counter() - start:.0f} s)",
                flush=True,
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())

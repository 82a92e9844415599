"""Access conditions of a sector: what each key may do, from words to access bytes and back.

Each data group of a sector and its trailer have three condition bits, C1 C2 C3. Two truth tables
say what the keys A and B may do then. The bits stand in the trailer's bytes 6 to 8, once plain and
once inverted; where the copies disagree the card locks the sector for good, so the bytes are
never written by hand. The tables say, too, what is dangerous about a choice.

    read A or B, write B                  a data group: 100
    keys B, access B                      a trailer: 011; keys and access bits are written with B

Source: common practice, no source (the tables are in many chip data sheets).

>>> access = Access.from_policy("read A or B, write B; trailer: keys B, access B")
>>> access.bytes.hex(), access.conditions
('787788', (4, 4, 4, 3))
>>> print(Access.from_bytes(bytes.fromhex("08778f")).groups[0].description)
read A or B, write B, increment B, decrement A or B
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, fields
from functools import cache

from credkit.catalogue.registry import chain
from credkit.core.errors import DefinitionError
from credkit.core.forms import to_bits, to_word
from credkit.core.sentences import nearest, redacted_repr

GROUP_NAMES = ("block 0", "block 1", "block 2", "trailer")
WIDE_GROUP_NAMES = ("blocks 0-4", "blocks 5-9", "blocks 10-14", "trailer")
ACCESS_CODEC = "sector-access"  # the layout of the three bytes
_KEYS_BY_WORDS = {"a": "A", "b": "B", "a or b": "AB", "b or a": "AB", "never": "", "nobody": ""}
_WORDS_BY_KEYS = {"A": "A", "B": "B", "AB": "A or B", "": "never"}


@dataclass(frozen=True, slots=True)
class DataRule:
    """Which keys may do what with a data group: ``A``, ``B``, ``AB`` or none."""

    read: str
    write: str
    increment: str
    decrement: str  # and transfer and restore

    @property
    def description(self) -> str:
        """What may be done, with which key.

        >>> DATA_RULES[2].description, DATA_RULES[7].description
        ('read A or B', 'nothing, with any key')
        """
        said = ((each.name, getattr(self, each.name)) for each in fields(self))
        return ", ".join(f"{verb} {_WORDS_BY_KEYS[keys]}" for verb, keys in said if keys) or "nothing, with any key"

    def without(self, key: str) -> DataRule:
        """The rule where ``key`` is worth nothing."""
        return DataRule(*(getattr(self, each.name).replace(key, "") for each in fields(self)))


@dataclass(frozen=True, slots=True)
class TrailerRule:
    """Which keys may read and write what is in a trailer; key A can never be read."""

    write_key_a: str
    read_access: str
    write_access: str
    read_key_b: str
    write_key_b: str

    @property
    def description(self) -> str:
        """What may be done, with which key.

        >>> TRAILER_RULES[3].description
        'set key A: B, read access: A or B, set access: B, set key B: B'
        """
        names = ("set key A", "read access", "set access", "read key B", "set key B")
        said = zip(names, (getattr(self, each.name) for each in fields(self)), strict=True)
        return ", ".join(f"{name}: {_WORDS_BY_KEYS[keys]}" for name, keys in said if keys)


DATA_RULES = (  # by C1 C2 C3 as a number
    DataRule("AB", "AB", "AB", "AB"),
    DataRule("AB", "", "", "AB"),
    DataRule("AB", "", "", ""),
    DataRule("B", "B", "", ""),
    DataRule("AB", "B", "", ""),
    DataRule("B", "", "", ""),
    DataRule("AB", "B", "B", "AB"),
    DataRule("", "", "", ""),
)
TRAILER_RULES = (
    TrailerRule("A", "A", "", "A", "A"),
    TrailerRule("A", "A", "A", "A", "A"),
    TrailerRule("", "A", "", "A", ""),
    TrailerRule("B", "AB", "B", "", "B"),
    TrailerRule("B", "AB", "", "", "B"),
    TrailerRule("", "AB", "B", "", ""),
    TrailerRule("", "AB", "", "", ""),
    TrailerRule("", "AB", "", "", ""),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AccessDanger:
    """What a choice of conditions can do to a card. ``kind`` is a stable key, ``group`` 0 to 3."""

    kind: str
    group: int
    text: str


@dataclass(frozen=True, slots=True)
class Access:
    """The four conditions of a sector: three data groups, then the trailer."""

    conditions: tuple[int, int, int, int]

    @classmethod
    def from_bytes(cls, data: bytes) -> Access:
        """The conditions in the bytes 6 to 8; raises `DecodeError` where the inverted copies disagree."""
        value = chain(ACCESS_CODEC).decode(to_bits((int.from_bytes(data, "big"), 8 * len(data))))
        first, second, third, trailer = value.values()
        return cls((first, second, third, trailer))

    @classmethod
    def from_policy(cls, text: str) -> Access:
        """The conditions that a policy in words asks for; raises `DefinitionError` for what no card can do.

        >>> policy = "block 1: read B, write never; read A or B, write never; trailer: keys never, access never"
        >>> Access.from_policy(policy)
        Access(conditions=(2, 5, 2, 6))
        """
        return cls(_parse_policy(text))

    @property
    def bytes(self) -> bytes:
        """The bytes 6 to 8 of the trailer."""
        return _encode_conditions(self.conditions)

    @property
    def groups(self) -> tuple[DataRule, DataRule, DataRule]:
        """The rules of the three data groups."""
        first, second, third = (DATA_RULES[condition] for condition in self.conditions[:3])
        return first, second, third

    @property
    def trailer(self) -> TrailerRule:
        """The rule of the trailer."""
        return TRAILER_RULES[self.conditions[3]]

    @property
    def key_b(self) -> bool:
        """Whether key B authenticates: a key that can be read is data, and worth nothing as a key."""
        return not self.trailer.read_key_b

    def rule(self, group: int) -> DataRule:
        """What can really be done with a data group: nothing with a key B that can be read."""
        return self.groups[group] if self.key_b else self.groups[group].without("B")

    def dangers(self) -> Iterator[AccessDanger]:
        """What these conditions can do to a card."""
        trailer = self.trailer
        if not trailer.write_access:
            yield AccessDanger(
                kind="fixed-for-good", group=3, text="nobody can ever change these access conditions again"
            )
        if not self.key_b:
            text = "key B can be read, so it authenticates nothing: only key A counts"
            yield AccessDanger(kind="key-b-readable", group=3, text=text)
        later = f", unless somebody changes the access conditions with {_WORDS_BY_KEYS[trailer.write_access]}"
        ever, until = ("", later) if trailer.write_access else ("ever ", ", and that cannot be undone")
        if not trailer.write_key_a and not trailer.write_key_b:
            text = f"nobody can {ever}change the keys again, even when they leak{later if trailer.write_access else ''}"
            yield AccessDanger(kind="fixed-keys", group=3, text=text)
        for group in range(3):
            rule, said = self.rule(group), self.groups[group]
            if rule == DataRule("", "", "", ""):
                text = f"nobody can {ever}read or write this group{until}"
                yield AccessDanger(kind="locked", group=group, text=text)
                continue
            if not self.key_b and rule != said:
                text = "what is said of key B is worth nothing here: " + rule.description
                yield AccessDanger(kind="key-b-worthless", group=group, text=text)
            if rule.decrement and not rule.increment:
                text = f"a value here can be decremented but never recharged{until}"
                yield AccessDanger(kind="no-recharge", group=group, text=text)
            elif not rule.write:
                yield AccessDanger(kind="read-only", group=group, text=f"nobody can {ever}write this group{until}")


@cache
def _encode_conditions(conditions: tuple[int, int, int, int]) -> bytes:
    """The access bytes; there are 4,096 of them at most."""
    codec = chain(ACCESS_CODEC)
    word, length = to_word(codec.encode(dict(zip(codec.schema, conditions, strict=True))))
    return word.to_bytes(length // 8, "big")


def data_condition(read: str, write: str, increment: str | None = None, decrement: str | None = None) -> int:
    """The condition under which just these keys may read and write; raises `DefinitionError` where there is none.

    Without a word on ``increment`` and ``decrement``, the condition that allows the least.

    >>> data_condition("AB", "B"), data_condition("AB", "B", "B", "AB"), data_condition("AB", "")
    (4, 6, 2)
    >>> data_condition("A", "B")
    Traceback (most recent call last):
    credkit.DefinitionError: no access condition means read A, write B; there are: \
read A or B, write B (100); read B, write B (011); read A or B (010)
    """
    wanted = DataRule(read, write, increment or "", decrement or "")
    free = increment is None and decrement is None
    fitting = [
        number
        for number, rule in enumerate(DATA_RULES)
        if (rule.read, rule.write) == (read, write)
        and (free or (rule.increment, rule.decrement) == (wanted.increment, wanted.decrement))
    ]
    if fitting:
        return min(fitting, key=lambda number: len(DATA_RULES[number].increment + DATA_RULES[number].decrement))
    near = sorted(range(8), key=lambda number: _count_differences(DATA_RULES[number], wanted))[:3]
    said = "; ".join(f"{DATA_RULES[number].description} ({number:03b})" for number in near)
    raise DefinitionError(f"no access condition means {wanted.description}; there are: {said}")


def trailer_condition(keys: str, access: str) -> int:
    """The condition under which ``keys`` write both keys, and ``access`` the access bits; key B unreadable if possible.

    >>> trailer_condition("B", "B"), trailer_condition("", ""), trailer_condition("A", "A")
    (3, 6, 1)
    >>> trailer_condition("A", "B")
    Traceback (most recent call last):
    credkit.DefinitionError: no access condition means keys A, access B; there are: keys A, access never (000); \
keys A, access A (001); keys never, access never (110); keys B, access B (011); keys B, access never (100); \
keys never, access B (101)
    """
    found: dict[tuple[str, str], int] = {}
    for number, rule in enumerate(TRAILER_RULES):
        before = found.get((rule.write_key_b, rule.write_access))
        if before is None or (TRAILER_RULES[before].read_key_b and not rule.read_key_b):
            found[rule.write_key_b, rule.write_access] = number
    if (keys, access) in found:
        return found[keys, access]
    said = "; ".join(
        f"keys {_WORDS_BY_KEYS[k]}, access {_WORDS_BY_KEYS[a]} ({number:03b})" for (k, a), number in found.items()
    )
    raise DefinitionError(
        f"no access condition means keys {_WORDS_BY_KEYS[keys]}, access {_WORDS_BY_KEYS[access]}; there are: {said}"
    )


def _count_differences(rule: DataRule, wanted: DataRule) -> int:
    pairs = ((getattr(rule, each.name), getattr(wanted, each.name)) for each in fields(DataRule))
    return sum(weight * len(set(a) ^ set(b)) for weight, (a, b) in zip((2, 3, 1, 1), pairs, strict=True))


_GROUP = re.compile(
    r"(?:blocks? (?P<first>[0-9]{1,2})(?:-(?P<last>[0-9]{1,2}))?|(?P<trailer>trailer))\s*:", re.IGNORECASE
)
_VERBS = ("read", "write", "increment", "decrement")
_TRAILER_PART_WORDS = {"keys": "keys", "access": "access bits"}


def _parse_policy(text: str) -> tuple[int, int, int, int]:
    """The conditions of a policy: clauses parted by ``;``, each for a block, or for all that have none."""
    given: dict[int, int] = {}
    rest: int | None = None
    for clause in filter(None, (part.strip() for part in text.split(";"))):
        match = _GROUP.match(clause)
        if match and match["trailer"]:
            groups: Sequence[int] = (3,)
        elif match:
            groups = _parse_groups(int(match["first"]), int(match["last"] or match["first"]), clause)
        else:
            groups = ()
        body = clause[match.end() :] if match else clause
        if groups == (3,):
            said = _parse_verbs(body, _TRAILER_PART_WORDS, needed=_TRAILER_PART_WORDS)
            condition = trailer_condition(said["keys"], said["access"])
        else:
            said = _parse_verbs(body, _VERBS, needed=_VERBS[:2])
            condition = data_condition(said["read"], said["write"], said.get("increment"), said.get("decrement"))
        for group in groups:
            if group in given:
                raise DefinitionError(f"the policy speaks twice of {GROUP_NAMES[group]}")
            given[group] = condition
        if not groups:
            if rest is not None:
                raise DefinitionError("the policy speaks twice of all other blocks")
            rest = condition
    if 3 not in given:
        raise DefinitionError("the policy says nothing of the trailer, such as 'trailer: keys B, access B'")
    missing = [group for group in range(3) if group not in given]
    if missing and rest is None:
        raise DefinitionError(f"the policy says nothing of {', '.join(GROUP_NAMES[group] for group in missing)}")
    conditions = [given.get(group, rest or 0) for group in range(4)]
    return conditions[0], conditions[1], conditions[2], conditions[3]


def _parse_groups(first: int, last: int, clause: str) -> Sequence[int]:
    """The groups of a range of blocks; in a sector of 16 blocks, five blocks are one group."""
    if last <= 2 and first <= last:
        return range(first, last + 1)
    if first % 5 == 0 and last % 5 == 4 and first < last <= 14:
        return range(first // 5, last // 5 + 1)
    hint = "; the last block of a sector is its trailer" if first == last and first in (3, 15) else ""
    raise DefinitionError(
        f"{redacted_repr(clause.partition(':')[0])} is no group of blocks: they are "
        f"0, 1 and 2, or 0-4, 5-9 and 10-14{hint}"
    )


def _parse_verbs(body: str, verbs: Collection[str], needed: Collection[str]) -> dict[str, str]:
    """What a clause says of each verb; what is ``needed`` is never left to a default, which might be for good."""
    found: dict[str, str] = {}
    for part in body.split(","):
        verb, _, keys = " ".join(part.split()).partition(" ")
        verb = verb.lower()
        if verb not in verbs:
            raise DefinitionError(
                f"{redacted_repr(part.strip())} does not begin with {', '.join(verbs)}{nearest(verb, verbs)}"
            )
        if keys.lower() not in _KEYS_BY_WORDS:
            raise DefinitionError(f"{redacted_repr(part.strip())}: {verb} is for A, B, A or B, or never")
        if verb in found:
            raise DefinitionError(f"{redacted_repr(body.strip())} says {verb} twice")
        found[verb] = _KEYS_BY_WORDS[keys.lower()]
    for verb in needed:
        if verb not in found:
            what = verb if verb in _VERBS else f"change the {_TRAILER_PART_WORDS[verb]}"
            raise DefinitionError(
                f"{redacted_repr(body.strip())} does not say who may {what}: '{verb} never' if nobody may"
            )
    return found

"""Sentences: how a value enters one, shortened and redacted.

Values enter the sentences of errors and screens through `redacted_repr`, and through nothing else.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from itertools import islice
from typing import Any

from bitstring import Bits

from credkit.core.hooks import redact_text, redact_texts

MAX_REPR_CHARACTERS = 48  # characters of a value that a sentence repeats
MAX_SENTENCE_CHARACTERS = 480  # characters of a whole sentence; its start says where, its end often what to do
MAX_BRIEF_CHARACTERS = 120  # characters of a name or text in a repr
MOST_VALUES_NAMED = 6  # values that one sentence names
MOST_LINES_NAMED = 5  # lines that one sentence names
MAX_PRINTED_NUMBER_BITS = 4096  # bits of a number that is written out at all


def shorten_sentence(sentence: str) -> str:
    """``sentence``, and of one that is longer than any should be its start and its end.

    >>> len(shorten_sentence("gate " * 10_000)), shorten_sentence("gate 7")
    (480, 'gate 7')
    """
    if len(sentence) <= MAX_SENTENCE_CHARACTERS:
        return sentence
    return f"{sentence[: MAX_SENTENCE_CHARACTERS - 123]} … {sentence[-120:]}"


def redacted_repr(value: object) -> str:
    """``value`` as it may stand in a sentence: quoted, shortened, account numbers masked.

    >>> values = "02F764DD", Bits("0b1011"), {"facility": 1}, 4114360123456785
    >>> tuple(map(redacted_repr, values))
    ("'02F764DD'", '1011', 'facility=1', '411436******6785')
    """
    if isinstance(value, tuple):
        value = "".join(map(_plain, value))
    if isinstance(value, str):
        text = repr(redact_text(value))
    elif isinstance(value, Bits):
        text = value.bin
    elif isinstance(value, Mapping):
        text = redact_text(" ".join(f"{name}={item}" for name, item in _pairs(value))) or "{}"
    else:
        text = redact_text(_plain(value))
    if len(text) <= MAX_REPR_CHARACTERS:
        return text
    return f"{text[: MAX_REPR_CHARACTERS - 12]}…{text[-6:]}" + (
        "" if isinstance(value, str) else f" ({len(text)} long)"
    )


def brief(text: str) -> str:
    """``text``, and of a long one its start and its end, for a repr.

    >>> brief("hex:8/wiegand-26"), len(brief("gate " * 10_000))
    ('hex:8/wiegand-26', 120)
    """
    return text if len(text) <= MAX_BRIEF_CHARACTERS else f"{text[: MAX_BRIEF_CHARACTERS - 41]}…{text[-40:]}"


def format_count(number: int, noun: str, nouns: str = "") -> str:
    """``number`` with its noun, in the plural unless it is one.

    >>> format_count(1, "check"), format_count(1200, "row"), format_count(2, "entry", "entries")
    ('1 check', '1,200 rows', '2 entries')
    """
    return f"{number:,} {noun if number == 1 else nouns or f'{noun}s'}"


def quote(text: str) -> str:
    """A number that credkit made, as it may stand in a sentence: quoted and shortened, never masked.

    >>> quote("4114360123456785")
    "'4114360123456785'"
    """
    return repr(text) if len(text) <= MAX_REPR_CHARACTERS else f"{text[: MAX_REPR_CHARACTERS - 12]!r}…{text[-6:]}"


def _pairs(fields: Mapping[Any, Any]) -> Iterator[tuple[Any, str]]:
    """The fields as texts; beside a private number no other text is shown."""
    names = [name for name, item in fields.items() if isinstance(item, str)]
    texts = dict(zip(names, redact_texts([fields[name] for name in names]), strict=True)) if names else {}
    for name, item in fields.items():
        yield name, texts[name] if name in texts else _plain(item)


def _plain(value: object) -> str:
    if isinstance(value, int) and value.bit_length() > MAX_PRINTED_NUMBER_BITS:
        return f"a number of {value.bit_length()} bits"  # Python refuses to print very long ones
    try:
        return str(value)
    except Exception:  # whatever the object of a caller does: a sentence about it must still be possible
        return f"a {type(value).__name__} that cannot be written out"


def nearest(word: str, known: Iterable[str]) -> str:
    """A clause that offers the known word spelled most like ``word``, account numbers masked, or nothing.

    >>> nearest("weigand-26", ["hex", "wiegand-26"])
    '; did you mean wiegand-26?'
    >>> nearest("zzz", ["hex"])
    ''
    """
    close = nearest_word(word, known)
    return "" if close is None else f"; did you mean {redact_text(close)}?"


def nearest_word(word: str, known: Iterable[str], *, least: float = 0.6) -> str | None:
    """The known word spelled most like ``word``, if one is ``least`` like it (1 is the same word).

    >>> nearest_word("weigand-26", ["hex", "wiegand-26"])
    'wiegand-26'
    """
    from difflib import get_close_matches  # only when something is misspelt

    if len(word) > MAX_SENTENCE_CHARACTERS:  # nothing is called so
        return None
    spelt = {name.lower(): name for name in known}
    close = get_close_matches(word.lower(), spelt, n=1, cutoff=least)
    return spelt[close[0]] if close else None


def join_values(values: Iterable[str], last: str = "and", quote: Callable[[str], str] = redacted_repr) -> str:
    """Values in a sentence; of many, the first few and how many more there are.

    >>> join_values(["C-1", "C-2", "C-3"]), join_values(["C-1"]), join_values(map(str, range(9)))
    ("'C-1', 'C-2' and 'C-3'", "'C-1'", "'0', '1', '2', '3', '4' and 4 more")
    """
    values = values if isinstance(values, Collection) else list(values)
    return _join_first(values, len(values), last, quote)


def join_others(values: Sequence[str], own: str) -> str:
    """The different ``values`` but one's own, in a sentence, however many they are.

    >>> join_others(["C-1", "C-2", "C-3"], "C-2")
    "'C-1' and 'C-3'"
    """
    return _join_first((value for value in values if value != own), len(values) - 1, "and")


def _join_first(values: Iterable[str], count: int, last: str, quote: Callable[[str], str] = redacted_repr) -> str:
    texts = [
        quote(value)
        for value in islice(values, MOST_VALUES_NAMED if count <= MOST_VALUES_NAMED else MOST_VALUES_NAMED - 1)
    ]
    if count > MOST_VALUES_NAMED:
        texts.append(f"{count - MOST_VALUES_NAMED + 1:,} more")
    return f"{', '.join(texts[:-1])} {last} {texts[-1]}" if len(texts) > 1 else "".join(texts)


def describe_rows(lines: Iterable[int], name: Callable[[int], str] = str) -> str:
    """The rows of a file, by their lines, in a sentence; of many, the first few, each as ``name`` has it.

    >>> describe_rows([7]), describe_rows([9, 7]), describe_rows(range(2, 900))
    ('line 7', 'lines 7 and 9', 'lines 2, 3, 4, 5, 6 and 893 more')
    """
    first = sorted(lines)
    named = list(map(name, first[:MOST_LINES_NAMED]))
    if len(first) > MOST_LINES_NAMED:
        named.append(f"{len(first) - MOST_LINES_NAMED:,} more")
    return f"line{'s' * (len(first) > 1)} " + (
        f"{', '.join(named[:-1])} and {named[-1]}" if len(named) > 1 else named[0]
    )

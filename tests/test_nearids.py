"""White space around cells and near misses of ids: named, stripped where a site says so, never guessed."""

from __future__ import annotations

import sys
import unicodedata
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit.core.whitespace import WHITE_SPACE, ZERO_WIDTH, describe_ends, strip_white_space
from credkit.site.nearids import did_you_mean, find_near_misses, group_ids, near_key
from tests.amounts import amounts

# Zs, Zl and Zp of the Unicode character database, the controls that its property White_Space has, and some of Cf.
BLANKS = st.sampled_from(
    " \t\n\r\v\f\x1c\x85\u00a0\u1680\u2003\u2028\u202f\u3000\u00ad\u200b\u200d\u200e\u202a\u2060\ufeff"
)
TEXTS = st.text(st.characters(codec="utf-8"), max_size=12)
IDS = st.text(st.sampled_from("PpＰ-‐1１2 \u00a0\u200bÉée\u0301ßsſK\u212a"), max_size=5)
FORMS: tuple[Callable[[str], str], ...] = (
    *(lambda text, form=form: unicodedata.normalize(form, text) for form in ("NFC", "NFD", "NFKC", "NFKD")),
    str.casefold,
    str.lower,
    lambda text: f"\ufeff {text}\u00a0\t",
    lambda text: text.replace(" ", "  \u00a0"),
    lambda text: "\u200b".join(text),
)  # fmt: skip


@given(text=TEXTS, before=st.text(BLANKS, max_size=3), after=st.text(BLANKS, max_size=3))
def test_white_space_around_a_text_is_taken_off_and_nothing_else(text: str, before: str, after: str) -> None:
    bare = strip_white_space(before + text + after)
    assert bare == strip_white_space(text)
    assert bare in text
    assert bare == bare.strip()
    assert not {*bare[:1], *bare[-1:]} & set(WHITE_SPACE)
    assert (describe_ends(text) is None) == (bare == text)


def test_what_str_strip_takes_off_is_white_space() -> None:
    spaces = {each for each in map(chr, range(sys.maxunicode + 1)) if each.isspace()}
    assert set(WHITE_SPACE) == spaces | set(ZERO_WIDTH)
    # Of the Unicode character database: what has no width is of the category Cf, and no white space.
    assert all(unicodedata.category(each) == "Cf" for each in ZERO_WIDTH)
    assert not spaces & set(ZERO_WIDTH)


@pytest.mark.parametrize(
    ("text", "ends"),
    [
        ("A", None), ("", None), ("A B", None), ("A ", "a space at its end"),
        ("\ufeffA", "a byte order mark at its start"), ("A\u00a0", "a no-break space at its end"),
        ("\u2003A\t\t", "an em space at its start and 2 tabs at its end"),
        ("A \u200b", "a space and a zero width space at its end"),
        (" \t \t \tA", "6 characters of white space at its start"),
        ("\x1cA", "a control character U+001C at its start"), ("\n", "only white space (a line feed)"),
    ],
)  # fmt: skip
def test_white_space_is_named(text: str, ends: str | None) -> None:
    assert describe_ends(text) == ends


@given(text=TEXTS, change=st.sampled_from(FORMS))
def test_case_spacing_and_form_make_no_difference_to_a_near_key(text: str, change: Callable[[str], str]) -> None:
    key = near_key(text)
    assert near_key(change(text)) == key == near_key(key)


@amounts("step", quick=53, whole=1)
def test_every_character_has_the_near_key_of_its_other_forms(step: int) -> None:
    """Of every character of Unicode that is assigned; surrogates, private and unassigned ones have no other forms.

    Capital letters are left out where they are those of another letter, too (ı).
    """
    for each in map(chr, range(0, sys.maxunicode + 1, step)):
        if unicodedata.category(each) not in ("Cs", "Co", "Cn"):
            key = near_key(each)
            assert near_key(key) == key
            assert all(near_key(change(each)) == key for change in FORMS)


@pytest.mark.parametrize(("one", "other"), [("P-1", "P-01"), ("P-1", "P1"), ("P-1", "P-2"), ("E", "É"), ("0", "O")])
def test_other_differences_are_kept(one: str, other: str) -> None:
    assert near_key(one) != near_key(other)


@given(ids=st.lists(IDS, max_size=12))
def test_near_misses_are_those_with_the_same_near_key(ids: list[str]) -> None:
    found = find_near_misses(ids)
    for each in ids:
        others = {other for other in ids if other != each and near_key(other) == near_key(each)}
        assert set(found.get(each, ())) == others
        assert len(found.get(each, ())) == len(others)
    assert set(found) <= set(ids)
    assert find_near_misses(reversed(ids)).keys() == found.keys()


@given(text=IDS, ids=st.lists(IDS, max_size=8))
def test_only_a_near_miss_of_an_unknown_id_is_offered_another(text: str, ids: list[str]) -> None:
    near = [each for each in dict.fromkeys(ids) if near_key(each) == near_key(text)]
    clause = did_you_mean(text, group_ids(ids))
    assert bool(clause) == (bool(near) and text not in near)
    assert all(repr(each) in clause for each in near[:3] if clause)


def test_many_near_misses_are_counted() -> None:
    ids = ["p-1", "P-1 ", " P-1", "P-1\t", "p-1 "]
    assert did_you_mean("P-1", group_ids(ids)) == "; did you mean 'p-1' or 'P-1 ' or ' P-1' or 2 others?"

"""How much a test tries: a little in the quick run, all of it in the surveys (``pytest -m "survey or law"``)."""

from __future__ import annotations

import pytest
from hypothesis import settings

QUICK, WHOLE = 40, 100  # examples of each law; `tests.conftest` makes a profile of hypothesis of each


def amounts(name: str, *, quick: int, whole: int) -> pytest.MarkDecorator:
    """The argument ``name`` of a test: ``quick`` in the quick run, ``whole`` in the surveys."""
    some = pytest.param(quick, marks=pytest.mark.brief)
    return pytest.mark.parametrize(name, [some, pytest.param(whole, marks=pytest.mark.survey)])


def fewest(whole: int) -> int:
    """How often a law must have seen a case that it sees ``whole`` times or more in the surveys."""
    return max(1, whole * settings().max_examples // WHOLE)


def examples(whole: int) -> settings:
    """How many examples a law tries that does not try as many as the others: ``whole`` of them in the surveys."""
    return settings(max_examples=max(1, whole * settings().max_examples // WHOLE), deadline=None)

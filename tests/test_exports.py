"""Exports beside the register as columns: what they say is what each card and row would be told alone."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date
from decimal import Decimal
from random import Random

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit.crosswalk.cards import Card
from credkit.crosswalk.decisions import HELD, NOT_HELD, Doubt
from credkit.crosswalk.exports import TargetExport
from credkit.facts.statuses import ACTIVE
from credkit.site.frames import tabulate_export
from credkit.site.model import Site
from credkit.site.rows import Assignment, ExportRow
from tests.amounts import examples
from tests.brackwater import made

PEOPLE = ("P-1", "P-2", "P-3", "p-1", "P-2 ", "\uff30-3", "POOL", "VISITOR")
NUMBERS = ("7", "07", "0007", "-0", "-012", "12", "0012", "09007199254740993", "9007199254740993", "9007199254740990")
TEXTS = (*NUMBERS, "9.00720E+15", "9,0072E+15", "AB-7", "", "0\u0667", *(f"{number:05d}" for number in range(60, 66)))
SPOILED = (  # what spreadsheets make of a number, by Python's own format of doubles
    lambda text: text,
    lambda text: str(int(text)),
    lambda text: f"{Decimal(format(float(text), '.15g')):f}",
    lambda text: f"{float(text):.5E}",
)
MADE = made()
SITES = [
    replace(site, targets={"gatehouse": replace(site.targets["gatehouse"], column=column)})
    for site in (
        replace(MADE, rules=replace(MADE.rules, pools=())),
        replace(MADE, rules=replace(MADE.rules, pools=("POOL",))),
    )
    for column in (site.targets["gatehouse"].column, replace(site.targets["gatehouse"].column, declaration="int64"))
]


def drawn(site: Site, dice: Random) -> tuple[list[ExportRow], dict[Card, str]]:
    """The rows of a small export, and the cards of a small register with their texts."""
    target = site.targets["gatehouse"]
    cards: dict[Card, str] = {}
    texts: dict[str, str] = {}  # of credentials, which several people may have
    rows: list[tuple[str, str]] = []
    spoil = dice.choice(SPOILED)
    people = dice.sample(PEOPLE, dice.randrange(1, len(PEOPLE)))
    for line in range(2, 2 + dice.randrange(12)):
        row = Assignment(
            line=line, person=dice.choice(people), credential=f"C-{dice.randrange(6)}", kind="card", value="",
            status=dice.choice(("active", "active", "lost", "returned")),
            valid_from=dice.choice((None, date(2026, 1, dice.randrange(1, 4)))),
        )  # fmt: skip
        long = f"{dice.randrange(10**9):0{dice.randrange(1, 13)}d}{dice.choice(('', '12345678'))}"
        text = dice.choice((long, dice.choice(TEXTS), texts.setdefault(row.credential, long)))
        card = Card(
            place=len(cards), row=row, kind=target.kind, state=row.status, active_days=None, fields=None, number=None
        )
        cards[card] = target.column.as_stored(text)
        spoiled = spoil(text) if text.isascii() and text.removeprefix("-").isdecimal() else text
        rows += [(row.person, spoiled if dice.random() < 0.9 else text)] * dice.randrange(3)
    rows += [(dice.choice(people), dice.choice(TEXTS)) for _ in range(dice.randrange(8))]
    dice.shuffle(rows)
    return [ExportRow(line=line, person=person, text=text) for line, (person, text) in enumerate(rows, 2)], cards


def matched(site: Site, rows: list[ExportRow], cards: dict[Card, str]) -> TargetExport:
    """The export beside the cards."""
    kept = list(cards)
    return TargetExport(
        site, site.targets["gatehouse"],
        tabulate_export(rows),
        pl.DataFrame(
            {
                "place": range(len(kept)), "person": [card.row.person for card in kept],
                "credential": [card.credential for card in kept], "stored": list(cards.values()),
                "active": [card.state == ACTIVE for card in kept],
                "valid_from": [card.row.valid_from for card in kept],
            },
            {
                "place": pl.Int64, "person": pl.String, "credential": pl.String, "stored": pl.String,
                "active": pl.Boolean, "valid_from": pl.Date,
            },
        ),
        kept.__getitem__,
    )  # fmt: skip


@given(st.integers(0, 1 << 32), st.sampled_from(SITES))
@examples(400)
def test_the_columns_say_what_each_card_is_told(seed: int, site: Site) -> None:
    """Beside the doubt of every card: who has which text, counted here by sets."""
    rows, cards = drawn(site, Random(seed))
    export = matched(site, rows, cards)
    held = {(row.person, site.targets["gatehouse"].column.as_stored(row.text)) for row in rows}
    doubts = [export.doubt(card, text) for card, text in cards.items()]
    own = [(card.row.person, text) in held for card, text in cards.items()]
    assert export.holds_own.tolist() == [doubt == Doubt(HELD, "") for doubt in doubts] == own
    assert export.is_absent.tolist() == [doubt == Doubt(NOT_HELD, "") for doubt in doubts]
    texts = {text for _, text in held}
    assert not any(absent and text in texts for absent, text in zip(export.is_absent, cards.values(), strict=True))


def test_the_draw_has_every_doubt() -> None:
    """The law above would say little if nothing else than plain cards were drawn."""
    seen: Counter[str] = Counter()
    site = SITES[2]  # a column of texts, and a pool
    for seed in range(200):
        rows, cards = drawn(site, Random(seed))
        export = matched(site, rows, cards)
        doubts = [export.doubt(card, text) for card, text in cards.items()]
        seen.update(doubt.code if doubt.reason else f"plainly {doubt.code}" for doubt in doubts)
    expected = {"plainly held", "held", "held-by-other", "export-damage", "holds-other", "plainly not-held"}
    assert {code for code, count in seen.items() if count >= 3} >= expected


@given(st.integers(0, 1 << 32), st.sampled_from(SITES))
@examples(200)
def test_every_row_of_an_export_is_explained_or_shown(seed: int, site: Site) -> None:
    rows, cards = drawn(site, Random(seed))
    export = matched(site, rows, cards)
    explained, exceptions = export.match_rows()
    assert sorted([*explained, *(each.line for each in exceptions)]) == [row.line for row in rows]
    active = {(card.row.person, text) for card, text in cards.items() if card.state == ACTIVE}
    owned = {(card.row.person, text) for card, text in cards.items()}
    by_line = {row.line: (row.person, site.targets["gatehouse"].column.as_stored(row.text)) for row in rows}
    assert set(explained) >= {line for line, holding in by_line.items() if holding in active}
    for each in exceptions:
        assert (each.code == "inactive-held") == (by_line[each.line] in owned)
        assert export.holds_inactive(*by_line[each.line]) == (each.code == "inactive-held")


@pytest.mark.parametrize("count", [0, 1, 9, 10, 11, 2000])
def test_what_a_target_holds_for_a_person_is_named_up_to_ten(count: int) -> None:
    site = SITES[0]
    held = [ExportRow(line=2 + place, person="POOL", text=f"T-{place // 2}") for place in range(2 * count)]
    export = matched(site, [*held, ExportRow(line=9999, person="P-1", text="7")], {})
    more = {11: "; and 1 more", 2000: "; and 1,990 more"}.get(count, "")
    pool = "; ".join(f"T-{place}" for place in range(min(count, 10))) + more
    assert export.present_texts(pl.Series(["P-1", "POOL", "nobody", "P-1"])).to_list() == ["7", pool, "", "7"]

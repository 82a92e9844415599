"""The census, figure by figure, against plain counting over small populations that hypothesis draws."""

from __future__ import annotations

import random
from collections.abc import Callable
from itertools import combinations, permutations
from math import inf
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit.catalogue.registry import catalogue
from credkit.census import AllocationRequest, census, census_text
from credkit.census.allocation import MOST_BADGES_WANTED
from credkit.census.layout_plans import facility_layouts, plan_layouts
from credkit.census.reissue import cover
from credkit.census.result import Census, Place
from credkit.core.errors import DefinitionError
from credkit.crosswalk import Crosswalk
from credkit.demo import Demo
from credkit.facts.chances import expected_pairs
from credkit.site import load_site
from tests.amounts import examples
from tests.populations import SITE, Counted, Row, number, row, site

VALUES = {
    "card": ["01200001", "01200002", "12-1", "12-1025", "04000001", "04000004", "x", "12-"],
    "serial": ["5", str(5 + (1 << 24)), str(5 + (2 << 24)), "6", "70000", "-1"],
    "phone": ["5", "6", "70000", "4294967296"],
    "stripe": ["000001", "000002", "1"],
    "badge": ["0001", "0065", "0129", "0002"],
}


@st.composite
def rows(draw: st.DrawFn) -> Row:
    kind = draw(st.sampled_from([*VALUES]))
    return row(
        f"C-{draw(st.integers(0, 8))}", draw(st.sampled_from(VALUES[kind])), kind=kind,
        person_id=draw(st.sampled_from(["P-1", "P-2", "POOL"])),
        issue=draw(st.sampled_from(["", "1", "2"])) if kind == "stripe" else "",
        status=draw(st.sampled_from(["active", "active", "active", "lost", "returned"])),
        valid_from=draw(st.sampled_from(["", "", "2026-01-01", "2026-04-30"])),
        valid_until=draw(st.sampled_from(["", "", "2026-03-31", "2026-05-01"])),
        source=draw(st.sampled_from(["west", "west", "east", ""])),
    )  # fmt: skip


def sound(each: Row) -> bool:
    """Whether a row's days are in order: the file itself would be refused."""
    return not (each["valid_from"] and each["valid_until"]) or each["valid_from"] <= each["valid_until"]


populations = st.lists(rows().filter(sound), min_size=0, max_size=14)


def counted(result: Census, what: str, where: str) -> set[frozenset[str]]:
    return {
        frozenset(member.credential for member in group.members)
        for group in result.groups
        if (group.what, group.place) == (what, where)
    }


@given(populations)
@examples(150)
def test_every_figure_is_that_of_plain_counting(drawn: list[Row]) -> None:
    with TemporaryDirectory() as home:
        result = census(site(Path(home), drawn))
    plain = Counted(drawn)
    counts = result.counts
    read = [place for place in range(len(drawn)) if place not in plain.late | plain.unread]
    assert (counts.rows, counts.superseded, counts.unreadable) == (len(drawn), len(plain.late), len(plain.unread))
    assert counts.rows == counts.read + counts.superseded + counts.unreadable
    assert counts.read == len(read)
    assert counts.gone == sum(drawn[place]["status"] == "returned" for place in read)
    assert counts.active == sum(plain.state(place) == "active" for place in read)
    assert [each.line - 2 for each in result.unreadable] == sorted(plain.unread)
    every = []
    places: dict[tuple[str, str], Place] = {(each.what, each.name): each for each in result.places}
    for where, groups in plain.groups.items():
        place = places[where]
        found = plain.duplicates(*where)
        every += found
        assert counted(result, *where) == {plain.ids(group) for group in found}
        assert place.cards == len(plain.ids(plain.held(place for group in groups.values() for place in group)))
        assert place.groups == len(found)
        assert place.several_active == sum(len(plain.active(group)) > 1 for group in found)
        in_groups = [place for group in found for place in group]
        assert place.active == len(plain.active(in_groups))
        assert place.inactive == len(plain.ids(in_groups) - plain.active(in_groups))
        assert place.pairs == sum(len([*combinations(plain.ids(group), 2)]) for group in found)
        assert place.reissue_least == place.reissue_most == plain.reissue(found)
        if where[0] != "number":
            assert place.merged == sum(len({number(drawn[place]) for place in group}) > 1 for group in found)
    assert set(places) - set(plain.groups) <= {
        (each.what, each.name) for each in result.places if each.cards == 0 and each.groups == 0
    }
    assert result.reissue.least == len(result.reissue.cards) == plain.reissue(every)
    gone = {card.credential for card in result.reissue.cards}
    in_any = [place for group in every for place in group]
    able = plain.ids(place for place in in_any if plain.state(place) in ("active", "not yet valid"))
    for group in every:
        for pair in combinations(plain.ids(group), 2):
            assert not gone.isdisjoint(pair) or able.isdisjoint(pair)
    assert result.found == bool(every or plain.unread)
    assert max(map(len, census_text(result).splitlines())) <= 80


@given(populations)
@examples(60)
def test_readers_see_both_halves(drawn: list[Row]) -> None:
    """A reader is asked with whole numbers: of its namespace, in its range, cut as it cuts."""
    with TemporaryDirectory() as home:
        result = census(site(Path(home), drawn))
    plain = Counted(drawn)
    able: dict[str, tuple[str, Callable[[tuple[int, ...]], bool]]] = {
        "gate": ("harbour", lambda key: key[0] < 256 and key[1] < 65536), "east-only": ("harbour", lambda key: True),
        "office": ("chip", lambda key: True), "cut": ("chip", lambda key: True),
        "small": ("chip", lambda key: key[0] < 65536), "stub": ("badge", lambda key: True),
    }  # fmt: skip
    keys = {(p, where): key for where, groups in plain.groups.items() for key, g in groups.items() for p in g}
    for group in result.groups:
        mine = [p for p in range(len(drawn)) if any(member.line == p + 2 for member in group.members)]
        if group.what == "number":
            key = keys[mine[0], ("number", group.place)]
            assert set(group.readers) == {
                name for name, (space, fits) in able.items() if space == group.place and fits(key)
            }
        elif group.what == "target":
            kind = drawn[mine[0]]["kind"]
            cut = {"card": "east-only", "serial": "cut"}.get(kind)
            seen = {cut} if cut and _alike(plain, cut, mine, keys) else set()
            assert set(group.readers) == seen
        else:
            assert group.readers == (group.place,)
    for sight in result.readers:
        assert sight.same_number == sum(c.what == "number" and sight.reader in c.readers for c in result.groups)
        assert sight.own_truncation == sum(c.what == "reader" and c.place == sight.reader for c in result.groups)


def _alike(plain: Counted, reader: str, mine: list[int], keys: dict[tuple[int, tuple[str, str]], object]) -> bool:
    """Whether ``reader`` gives one number for two of the rows that are of different credentials."""
    ids = plain.rows
    return any(
        keys[a, ("reader", reader)] == keys[b, ("reader", reader)]
        and ids[a]["credential_id"] != ids[b]["credential_id"]
        for a, b in combinations(mine, 2)
    )


# ── the smallest set of cards to reissue ────────────────────────────────────────────────────────


@given(st.data())
@examples(100)
def test_which_cards_are_reissued_does_not_depend_on_the_order_of_the_rows(data: st.DataObject) -> None:
    drawn = data.draw(populations)
    other = data.draw(st.permutations(drawn) | st.just(drawn[::-1]))
    with TemporaryDirectory() as home:
        told = [census(site(Path(home), each)).reissue for each in (drawn, other)]
    cards = [
        sorted((each.credential, each.person, each.kind, each.number, each.state) for each in reissue.cards)
        for reissue in told
    ]
    assert cards[0] == cards[1]
    assert told[0].least == told[1].least


def test_the_order_of_the_groups_changes_neither_the_set_nor_its_bound() -> None:
    """Six cards in a ring, of which nothing decides: three pairs without a common card, or two, can be met first."""
    ring = [(1, 2), (2, 3), (3, 4), (4, 5), (5, 6), (6, 1)]
    told = {cover(each, most=most) for each in permutations(ring) for most in (40, 0)}
    assert {(len(found.cards), found.least) for found in told} == {(3, 3)}
    assert len({cover([pair[::-1] for pair in each]) for each in (ring, ring[::-1])}) == 1
    assert len({cover(each, most=0) for each in permutations(ring)}) == 1


def smallest(groups: list[list[int]], fixed: set[int]) -> int:
    """The size of the smallest set, by trying every set."""
    cards = sorted({card for group in groups for card in group} - fixed)
    edges = {pair for group in groups for pair in combinations(sorted(set(group)), 2) if not fixed.issuperset(pair)}
    return next(
        size
        for size in range(len(cards) + 1)
        for chosen in combinations(cards, size)
        if all(not set(chosen).isdisjoint(pair) for pair in edges)
    )


@given(st.lists(st.lists(st.integers(0, 9), max_size=5), max_size=8), st.sets(st.integers(0, 9), max_size=3))
@examples(300)
def test_the_smallest_set_is_that_of_an_exhaustive_search(groups: list[list[int]], fixed: set[int]) -> None:
    best = smallest(groups, fixed)
    found = cover(groups, fixed)
    assert found.exact
    assert len(found.cards) == best
    assert not found.cards & fixed
    for group in groups:
        for pair in combinations(set(group), 2):
            assert not found.cards.isdisjoint(pair) or fixed.issuperset(pair)
    bounded = cover(groups, fixed, most=0)  # nothing is searched: both bounds still hold
    assert bounded.least <= best <= len(bounded.cards)


@pytest.mark.parametrize(
    "groups",
    [
        [[2, 5], [6, 7], [2, 5, 8], [2, 6, 7], [4, 8], [4, 5, 8]],
        [[3, 8], [0, 1, 2, 6], [0, 2], [1, 4, 8], [0, 2, 4, 6], [0, 2, 6, 7], [6, 7]],
    ],
)
def test_cards_whose_groups_lie_within_one_of_them_are_decided_without_a_search(groups: list[list[int]]) -> None:
    found = cover(groups, most=0)
    assert found.exact
    assert found.least == smallest(groups, set())


@pytest.mark.parametrize("seed", range(6))
def test_large_parts_are_bounded_and_small_ones_exact(seed: int) -> None:
    draw = random.Random(seed)
    groups = [draw.sample(range(36), draw.choice([2, 2, 3])) for _ in range(50)]
    exact, bounded = cover(groups), cover(groups, most=10)
    assert exact.exact
    assert bounded.least <= len(exact.cards) <= len(bounded.cards)
    assert len(exact.cards) == smallest(groups, set()) if len(exact.cards) < 5 else True
    wide = cover([draw.sample(range(400), 3) for _ in range(500)])
    assert 0 < wide.least <= len(wide.cards)
    assert not wide.exact


@pytest.mark.parametrize("seed", range(40))
def test_what_nothing_decides_is_searched(seed: int) -> None:
    """Pairs among twelve cards, so many that no card stays of itself."""
    draw = random.Random(seed)
    pairs = [draw.sample(range(12), 2) for _ in range(draw.choice([16, 20, 24]))]
    found = cover(pairs)
    assert found.exact
    assert len(found.cards) == smallest(pairs, set())


@pytest.mark.parametrize("size", range(2, 9))
def test_of_a_group_all_but_one_go(size: int) -> None:
    assert len(cover([range(size)]).cards) == size - 1
    assert len(cover([range(size), range(size)]).cards) == size - 1


def test_a_ring_needs_half_of_it() -> None:
    """A ring of n cards, each a duplicate of the next: n/2, rounded up (general arithmetic)."""
    for size in range(4, 13):
        assert len(cover([[place, (place + 1) % size] for place in range(size)]).cards) == -(-size // 2)


# ── chance ──────────────────────────────────────────────────────────────────────────────────────


def test_pairs_stand_beside_what_chance_would_do(tmp_path: Path) -> None:
    """The birthday problem, general arithmetic: of n numbers of b bits, n(n-1)/2 / 2^b pairs are alike."""
    drawn = [row(f"S-{n}", str(n + (n << 24)), kind="serial") for n in range(100)]
    places = {(each.what, each.name): each for each in census(site(tmp_path, drawn)).places}
    serial, target = places["number", "chip"], places["target", "turnstile"]
    assert (serial.bits, target.bits) == (32, 24)  # those that the truncation leaves, however few digits these have
    assert serial.expected_pairs is not None
    assert target.expected_pairs is not None
    assert abs(serial.expected_pairs - 4950 / 2**32) < 1e-12
    assert abs(target.expected_pairs - 4950 / 2**24) < 1e-12


def test_a_million_serials_of_32_bits() -> None:
    """116.4 expected pairs of 1,000,000 cards of 32 bits: general arithmetic, recomputed."""
    assert round(expected_pairs(1_000_000, 32), 1) == 116.4
    assert expected_pairs(1_000_000, inf) == 0


# ── ranges and plans ────────────────────────────────────────────────────────────────────────────


@given(st.lists(st.tuples(st.sampled_from([12, 40]), st.integers(0, 30)), min_size=1, max_size=25))
@examples(60)
def test_ranges_are_those_of_plain_counting(issued: list[tuple[int, int]]) -> None:
    drawn = [row(f"C-{n}", f"{f}-{k}", status="returned") for n, (f, k) in enumerate(issued)]
    with TemporaryDirectory() as home:
        result = census(site(Path(home), drawn))
    assert [each.facility for each in result.ranges] == sorted({facility for facility, _ in issued})
    for each in result.ranges:
        used = {k for facility, k in issued if facility == each.facility}
        flags = [k in used for k in range(min(used), max(used) + 1)]
        runs = sum(flag and not before for flag, before in zip(flags, [False, *flags], strict=False))
        gap = max(map(len, "".join(" x"[flag] for flag in flags).split("x")))
        assert (each.used, each.first, each.last, each.runs, each.gap) == (len(used), min(used), max(used), runs, gap)
        assert each.free == 65536 - len(used)  # the gate reads 16 bits
        assert each.density == len(used) / len(flags)
        assert each.gaps == runs - 1
        stretches = [s for s in result.spans if s.facility == each.facility]
        assert [n for s in stretches for n in range(s.first, s.last + 1)] == [*range(65536)]
        assert {n for s in stretches if s.used for n in range(s.first, s.last + 1)} == used


@pytest.mark.parametrize("cards", [0, 1, 52_428, 52_429, 13_421_772, 13_421_773, 10**9, 2**62])
def test_the_smallest_plan_is_that_of_counting(cards: int) -> None:
    """Capacities are 2 to the bits of the fields: 26 bits hold 2^24 numbers (SIA AC-01), 1.25 times 13,421,772."""
    planned = plan_layouts("harbour", cards, 25)
    assert planned.needed * 4 in range(cards * 5, cards * 5 + 4)
    lengths = {}
    for each in planned.plans:
        assert each.facilities == -(-planned.needed // 2**each.number_bits)
        assert each.fits == (planned.needed <= 2 ** (each.number_bits + each.facility_bits))
        lengths[each.length] = each.fits
    best = [each for each in planned.plans if each.smallest]
    assert [each.length for each in best] == [min(size for size, fits in lengths.items() if fits)]


def test_a_plan_that_nothing_holds() -> None:
    planned = plan_layouts("harbour", 2**64, 0)
    assert not any(each.smallest for each in planned.plans[:-1])
    assert not any(each.fits for each in plan_layouts("harbour", 2**64, 1).plans)


def test_the_layouts_are_those_with_a_facility_code_and_a_number() -> None:
    named = {entry.name for entry in catalogue() if {"facility", "number"} == _fields(entry.name)}
    assert {name for name, *_ in facility_layouts()} == named
    assert {"wiegand-26", "wiegand-37-facility"} <= named


def _fields(name: str) -> set[str]:
    from credkit.catalogue.registry import get
    from credkit.core.codec import Codec

    entry = get(name)
    if entry.usual != ("",):
        return set()
    codec = entry.build()
    assert isinstance(codec, Codec)
    return set(codec.schema) if codec.takes == "bits" else set()


# ── new numbers ─────────────────────────────────────────────────────────────────────────────────

ISSUED = [
    row("C-1", "12-1"), row("C-2", "12-2", status="lost"), row("C-3", "12-3", status="returned"),
    row("C-4", "12-4", person_id="POOL"), row("C-5", "40-6"), row("C-6", "12-8", valid_until="2026-01-01"),
    row("C-7", "12-9", source="east"), row("C-7", "12-10"),
]  # fmt: skip


def test_new_numbers_are_safe_and_say_what_was_passed_over(tmp_path: Path) -> None:
    """6 has the text of 40-6 in the canteen (10 bits are left); the gatehouse holds 12-11 for somebody."""
    export = [("P-9", str(12 << 16 | 11))]
    wanted = AllocationRequest(count=4, facility=12, reserved=[(13, 14)])
    found = census(site(tmp_path, ISSUED, SITE.replace(EAST_ONLY, ""), export), wanted=wanted).allocation
    assert found is not None
    assert [badge.number for badge in found.badges] == [5, 7, 12, 15]
    assert [(each.first, each.last, each.reason) for each in found.skipped] == [
        (0, 0, "number 0 is not given out"), (1, 1, "issued"), (2, 2, "issued, lost"), (3, 3, "issued, returned"),
        (4, 4, "issued to a pool"), (6, 6, "target canteen would have the same text for another card"),
        (8, 8, "issued, expired"), (9, 9, "issued in a superseded row"), (10, 10, "issued"),
        (11, 11, "target gatehouse holds its text today"), (13, 14, "reserved"),
    ]  # fmt: skip
    assert found.badges[0].value == "01200005"
    assert found.badges[0].texts == {"gatehouse": str(12 << 16 | 5), "canteen": "5"}
    assert found.remarks == ()


EAST_ONLY = """[readers.east-only]
kind = "card"
chain = "hex:6/fields:facility:8,number:16/select:number,facility=12"
"""


@given(populations, st.integers(1, 6), st.sampled_from([12, 40]))
@examples(60)
def test_new_numbers_are_those_of_plain_search(drawn: list[Row], count: int, facility: int) -> None:
    with TemporaryDirectory() as home:
        found = census(site(Path(home), drawn), wanted=AllocationRequest(count=count, facility=facility)).allocation
    assert found is not None
    plain = Counted(drawn)
    held = [key for key, group in plain.groups.get(("number", "harbour"), {}).items() if plain.held(group)]
    ever = {number(each) for each in drawn if each["kind"] == "card"}
    texts, seen, free = {k % 1024 for _, k in held}, {k for _, k in held}, []
    for each in range(1, 65536):
        if (facility, each) not in ever and each % 1024 not in texts and each not in seen:
            free.append(each)
            texts.add(each % 1024)
        if len(free) == count:
            break
    assert [badge.number for badge in found.badges] == free
    passed = {n for s in found.skipped for n in range(s.first, s.last + 1)}
    assert passed == set(range(free[-1])) - set(free)
    assert bool(found.remarks) == any(drawn[place]["kind"] == "card" for place in plain.unread)


def test_numbers_that_no_card_can_have_do_not_hide_the_others(tmp_path: Path) -> None:
    """One value beyond 64 bits: the numbers of the whole namespace are compared as texts."""
    drawn = [row("C-1", "12-1"), row("C-2", "12-99999999999999999999"), row("C-3", "12-3"), row("C-4", "01200003")]
    result = census(site(tmp_path, drawn), wanted=AllocationRequest(count=2, facility=12))
    assert [group.text for group in result.groups if group.what == "number"] == ["12-3"]
    assert result.allocation is not None
    assert [badge.number for badge in result.allocation.badges] == [2, 4]
    assert [(each.used, each.first, each.last) for each in result.ranges] == [(2, 1, 3)]


def test_of_several_chains_exactly_one_must_fit(tmp_path: Path) -> None:
    """Four digits are a number with zeros in front, and a number of any length: which of them, nobody says."""
    toml = SITE.replace('"template:{number:04d}"', '["template:{number:04d}", "template:{number:d}"]')
    drawn = [row("C-1", "0065", kind="badge"), row("C-2", "65", kind="badge"), row("C-3", "x", kind="badge")]
    result = census(site(tmp_path, drawn, toml))
    assert [(each.line, each.code) for each in result.unreadable] == [(2, "unreadable-value"), (4, "unreadable-value")]
    assert result.counts.read == 1


def test_a_target_that_keeps_little_runs_out(tmp_path: Path) -> None:
    """The canteen keeps ten bits: 1,023 numbers but 0, and what two cards have already."""
    found = census(
        site(tmp_path, [row("C-1", "12-1"), row("C-2", "40-0")]), wanted=AllocationRequest(count=2000, facility=12)
    )
    assert found.allocation is not None
    assert [badge.number for badge in found.allocation.badges] == [*range(2, 1024)]
    assert "only 1,022 of 2,000" in found.allocation.remarks[0]
    assert found.found


def test_readers_bound_new_numbers(tmp_path: Path) -> None:
    """Six bits of a badge reach the stub, so that 64 numbers are apart there."""
    found = census(
        site(tmp_path, [row("B-1", "0065", kind="badge")]), wanted=AllocationRequest(count=100, kind="badge")
    )
    assert found.allocation is not None
    assert [badge.number for badge in found.allocation.badges] == [*range(2, 65)]
    assert {each.reason for each in found.allocation.skipped} >= {
        "issued",
        "reader stub would take it for another card",
    }


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        (AllocationRequest(count=1, facility=300), "facility 300 is not expected of card, only 12, 40"),
        (AllocationRequest(count=1, facility=57), "facility 57 is not expected of card, only 12, 40"),
        (AllocationRequest(count=1, facility=12, kind="crad"), "no kind is called 'crad'; did you mean card?"),
        (
            AllocationRequest(count=1, facility=12, kind="badge"),
            "the number of a 'badge' is not a facility code and a number",
        ),
        (
            AllocationRequest(count=1),
            "serial, phone, stripe, badge have a number without a facility code: choose one with --kind",
        ),
        (AllocationRequest(count=0, facility=12), "0 is not a count from 1 to"),
        (AllocationRequest(count=MOST_BADGES_WANTED + 1, facility=12), "is not a count from 1 to"),
    ],
)
def test_new_numbers_that_cannot_be_asked_for(tmp_path: Path, wanted: AllocationRequest, said: str) -> None:
    with pytest.raises(DefinitionError, match=said.replace("(", r"\(")):
        census(site(tmp_path, ISSUED), wanted=wanted)


def test_values_that_must_not_serve_are_not_given_out(tmp_path: Path) -> None:
    """Of a serial that begins with 08 the register says that it must not serve."""
    toml = SITE.replace('"0-7", values = [8]', '"24-31", values = [3]')
    found = census(site(tmp_path, [], toml), wanted=AllocationRequest(count=3, kind="serial")).allocation
    assert found is not None
    assert [badge.number for badge in found.badges] == [1, 2, 4]
    assert [each.reason for each in found.skipped][1:] == ["its value must not serve"]


# ── beside the crosswalk ────────────────────────────────────────────────────────────────────────


def test_the_demo_has_the_duplicates_that_its_crosswalk_finds(demo: Demo, demo_crosswalk: Crosswalk) -> None:
    """Two programs over one register: the crosswalk goes card by card, the census by columns."""
    walked, result = demo_crosswalk, census(load_site(demo.site))
    assert {group.form for group in result.groups if group.what == "number"} == {
        finding.subject.partition(" ")[2] for finding in walked.findings if finding.code == "duplicate-number"
    }
    texts = {f"{group.place} {group.text}" for group in result.groups if group.what == "target"}
    assert texts == {finding.subject for finding in walked.findings if finding.code == "duplicate-text"}
    assert texts
    rows = {str(title[0]): title for title in walked.summary[0].rows}
    assert rows["credentials.csv"][1] == result.counts.rows
    readable = ("overlap", "id-of-two-cards")
    codes = {each.line for each in walked.exceptions if each.file == "credentials.csv" and each.code not in readable}
    unread = {each.line for each in result.unreadable}
    assert unread <= codes
    assert len(codes - unread) == result.counts.superseded

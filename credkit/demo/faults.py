"""What is wrong in the registers and in the export: one function a fault."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from datetime import date

from credkit.demo.harbours import CUT, SIGNED, Serials, box_of_frames, draw_issue_day
from credkit.demo.world import EAST, GATEHOUSE, HARBOUR, LOCKER, POOL, SERIAL, WEST, DemoCard, World

CREDENTIALS = "credentials.csv"


def clashing_numbers(world: World) -> None:
    """East and West both gave out some numbers with the facility code 40."""
    holders: dict[tuple[int, int], set[str]] = defaultdict(set)
    for card in world.cards:
        if card.counts and card.numbers.get(HARBOUR, {}).get("facility") == 40:
            holders[card.frame["facility"], card.frame["number"]].add(card.id)
    for (facility, number), ids in holders.items():
        if len(ids) > 1:
            subject = f"harbour {facility:03d}{number:05d}"  # as East's rows have it; West's stand behind them
            world.plant("duplicate-number", subject, len(ids), f"{' and '.join(sorted(ids))} have one number")


def printed_with_offset(world: World) -> None:
    """One box was printed with numbers that are 20000 more than what the cards say."""
    for frame, _ in zip(box_of_frames(12, 5201), range(40), strict=False):
        card = DemoCard(
            id=f"E-12-{frame['number']}", person=world.person(), source=EAST, since=draw_issue_day(world), offset=20000,
            numbers={HARBOUR: frame},
        )  # fmt: skip
        world.issue(card, walks=True)
    world.plant("printed-differs", HARBOUR, 40, "a box of 40 is printed with 20000 more than it says")


def two_active_issues(world: World) -> None:
    """Six people got a new card, and the old one was never taken out of the register."""
    old, new = box_of_frames(12, 5001), box_of_frames(12, 8101)
    for _ in range(6):
        person, first, second = world.person(), next(old), next(new)
        before = DemoCard(
            id=f"E-12-{first['number']}",
            person=person,
            source=EAST,
            since=draw_issue_day(world),
            numbers={HARBOUR: first},
        )
        after = DemoCard(
            id=f"E-12-{second['number']}", person=person, source=EAST, since=date(2026, 2, 9), issue=2,
            replaces=before.id, numbers={HARBOUR: second},
        )  # fmt: skip
        world.issue(before)
        world.issue(after, walks=True)
        world.plant("two-active-issues", f"{person} {HARBOUR}", 2, f"{before.id} and {after.id} are both active")


def two_holders(world: World) -> None:
    """Three cards were handed on without an end of the first assignment."""
    frames = box_of_frames(12, 5101)
    for _ in range(3):
        frame = next(frames)
        card = DemoCard(
            id=f"E-12-{frame['number']}", person=world.person(), source=EAST, since=draw_issue_day(world),
            numbers={HARBOUR: frame},
        )  # fmt: skip
        world.issue(card, codes={HARBOUR: "overlap"})
        world.issue(replace(card, person=world.person(), since=date(2026, 2, 2)), codes={HARBOUR: "overlap"})
        world.plant("overlap", card.id, 2, "two people hold it at one time")


def registers_disagree(world: World) -> None:
    """West's register counts first. East copied eight of its rows with a wrong number, three before a loss."""
    own = [
        card for card in world.walking if card.source == WEST and card.numbers.get(HARBOUR, {}).get("facility") == 57
    ]
    wrong = box_of_frames(57, 45001)
    for card in world.dice.some(own, 8):
        copy = replace(card, source=EAST, numbers={HARBOUR: next(wrong)})
        world.assign(copy, HARBOUR, world.value(copy, HARBOUR), "superseded")
    lost = box_of_frames(57, 46001)
    for number in range(3):
        card = DemoCard(
            id=f"W-9{number + 1:03d}", person=world.person(), source=WEST, since=draw_issue_day(world), status="lost",
            numbers={HARBOUR: next(lost)},
        )  # fmt: skip
        world.issue(card)
        copy = replace(card, source=EAST, status="active")
        world.assign(copy, HARBOUR, world.value(copy, HARBOUR), "superseded")
    world.plant("superseded", CREDENTIALS, 11, "eight rows of East have a wrong number, three do not know of a loss")


def damaged_cells(world: World, serials: Serials) -> None:
    """A spreadsheet took 13 texts for numbers: nine lost their leading zeros, four were written like 3.05E+09."""
    frames = box_of_frames(12, 5301)
    for place in range(13):
        if place < 9:
            card = _east_row(world, HARBOUR, next(frames))
            value = world.value(card, HARBOUR).lstrip("0")
        else:
            card = _east_row(world, SERIAL, serials.draw(10**9))
            value = f"{int(world.value(card, SERIAL)):.2E}"
        kind = next(iter(card.numbers))
        world.assign(card, kind, value, "spreadsheet-damage")


def mistyped_cells(world: World) -> None:
    """In four numbers a letter stands for a digit."""
    frames = box_of_frames(12, 5401)
    for _ in range(4):
        card = _east_row(world, HARBOUR, next(frames))
        world.assign(card, HARBOUR, world.value(card, HARBOUR).replace("0", "O", 1), "unreadable-value")


def _east_row(world: World, kind: str, number: dict[str, int]) -> DemoCard:
    """A card of a row that is no good; it is not among the cards."""
    *_, last = number.values()
    return DemoCard(
        id=f"E-X-{last}", person=world.person(), source=EAST, since=draw_issue_day(world), numbers={kind: number}
    )


def alike_in_three_bytes(world: World, serials: Serials) -> None:
    """Six pairs of serial numbers that differ in their first byte only, which the turnstile drops."""
    _make_duplicates(world, serials, "turnstile", "bytes", 1 << 24, 6)


def alike_in_eight_digits(world: World, serials: Serials) -> None:
    """Three pairs of serial numbers with the same last eight digits, which are all the canteen keeps."""
    _make_duplicates(world, serials, "canteen", "digits", 10**8, 3)


def _make_duplicates(world: World, serials: Serials, target: str, tail: str, step: int, pairs: int) -> None:
    """Pairs of cards whose numbers differ by a multiple of ``step``."""
    for _ in range(pairs):
        first = serials.draw()
        twins = range(first["uid"] + step, 1 << 32, step)
        second = next(number for number in twins if serials.fits(number, ignoring=tail))
        ids = []
        for numbers in (first, serials.take(second)):
            card = DemoCard(
                id=f"W-S-{numbers['uid']}", person=world.person(), source=WEST, since=draw_issue_day(world),
                numbers={SERIAL: numbers},
            )  # fmt: skip
            world.issue(card, walks=True)
            ids.append(card.id)
        text = world.target(target, first)
        world.plant("duplicate-text", f"{target} {text}", 2, f"{ids[0]} and {ids[1]} would both be {text} there")


def labels_cut(world: World, serials: Serials) -> None:
    """Five labels have a longer serial number, and the desk's reader stopped at the first level when they were issued.

    What it gave, and what West's register has, is the cascade tag and the first three of their
    bytes: a manufacturer's code and two more.
    """
    done = 0
    while done < 5:
        number = CUT << 24 | (1 + world.dice.below(0x7F)) << 16 | world.dice.below(1 << 16)
        if not serials.unlike(number):
            continue
        card = DemoCard(
            id=f"W-C-{done + 1}", person=world.person(), source=WEST, since=date(2026, 3, 2 + done),
            numbers={SERIAL: serials.take(number)},
        )  # fmt: skip
        world.issue(card)
        done += 1
    world.plant("refused-value", SERIAL, done, f"{done} numbers of the register begin with the cascade tag")


def column_too_small(world: World) -> None:
    """Payroll's column is signed: it ends where half of the serial numbers begin."""
    wide = [card for card in world.cards if SERIAL in card.numbers and card.serial >= SIGNED]
    world.plant("column-too-small", "payroll", len(wide), f"{len(wide)} serial numbers are {SIGNED} or more")


def unwritable(world: World) -> None:
    """The locker doors keep 19 bits, and some numbers have more."""
    wide = [card for card in world.cards if LOCKER in card.numbers and card.numbers[LOCKER]["number"] >= 1 << 19]
    world.plant("unwritable", "locker-doors", len(wide), f"{len(wide)} locker numbers are {1 << 19} or more")


def lost_and_ordered_again(world: World) -> None:
    """The number of a card that is lost, and so may turn up, was ordered again for somebody else."""
    frame = next(box_of_frames(12, 5901))
    since = draw_issue_day(world)
    lost = DemoCard(
        id="E-12-5901", person=world.person(), source=EAST, since=since, until=date(2025, 12, 1), status="lost",
        numbers={HARBOUR: frame},
    )  # fmt: skip
    world.issue(lost)
    again = replace(lost, id="E-12-5901-B", person=world.person(), since=date(2026, 1, 12), until=None, status="active")
    world.issue(again, walks=True)
    world.plant("duplicate-number", "harbour 01205901", 2, f"{lost.id} is lost, and {again.id} has its number")


def export(world: World) -> None:
    """The gatehouse holds most people's numbers, some of them those of old cards."""
    doubtful = {row.card.id for row in world.assignments if row.code == "overlap"}
    before = {card.id: card for card in world.cards}
    for card in world.cards:
        if HARBOUR not in card.numbers or not card.counts or card.id in doubtful:
            continue
        if card.person == POOL or world.dice.chance(75):
            late = card.replaces and before[card.replaces].status == "lost" and world.dice.chance(40)
            held = before[card.replaces] if late else card
            world.hold(card.person, world.target(GATEHOUSE, held.frame), "inactive-held" if late else None)
    lost = sum(row.code == "inactive-held" for row in world.held)
    world.plant("inactive-held", "gatehouse", lost, f"for {lost} people it still holds the number of a lost card")


def held_without_a_reason(world: World) -> None:
    """The gatehouse also holds twelve numbers that no register knows, and four under a former holder's name."""
    frames = box_of_frames(12, 7501)
    for number in range(12):
        world.hold(f"X-{number + 1:02d}", world.target(GATEHOUSE, next(frames)), "existing-unmatched")
    handed_on = box_of_frames(12, 5601)
    for number in range(4):
        frame = next(handed_on)
        card = DemoCard(
            id=f"E-12-{frame['number']}", person=world.person(), source=EAST, since=date(2026, 2, 16),
            numbers={HARBOUR: frame},
        )  # fmt: skip
        world.issue(card, walks=True)
        world.hold(f"X-{number + 21:02d}", world.target(GATEHOUSE, frame), "existing-unmatched")
    world.plant(
        "held-by-other", GATEHOUSE, 4, "four numbers are somebody else's cards, but the gatehouse has them already"
    )
    world.plant("existing-unmatched", GATEHOUSE, 16, "twelve numbers of no register, four of a former holder")

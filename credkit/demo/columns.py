"""What spreadsheets did to whole columns, and what only looks like it: one function a column."""

from __future__ import annotations

from credkit.demo.faults import CREDENTIALS
from credkit.demo.harbours import draw_issue_day
from credkit.demo.world import CREW, EAST, HAULIER, LOCKER, TUG, WEST, DemoCard, World

LAUNDRY = "laundry"
ROUNDED, WHOLE = 90, 30  # hauliers' cards before and after the register was opened in a spreadsheet
ROUND = 6  # tug crews' cards


def export_without_zeros(world: World) -> None:
    """The laundry holds everybody's locker number, but its export went through a spreadsheet, which dropped zeros."""
    count = 0
    for card in world.cards:
        if LOCKER in card.numbers:
            world.hold(card.person, world.target(LAUNDRY, card.numbers[LOCKER]).lstrip("0"), None, target=LAUNDRY)
            count += 1
    world.plant("export-damage", LAUNDRY, count, f"{count} texts of eight digits are without their leading zeros")


def sixteen_digits(world: World) -> None:
    """Crews' cards in 16 digits, none of them damaged: one in ten ends in 0 by chance. Sixty are read."""
    numbers: set[int] = set()
    cards = []
    for place, holder in enumerate(_holders(world, EAST, 200), 1):
        card = DemoCard(
            id=f"C-{place:03d}", person=holder, source=EAST, since=draw_issue_day(world),
            numbers={CREW: _draw_uid(world, 0x04, numbers)},
        )  # fmt: skip
        cards.append(world.issue(card))
    for card in cards[:60]:
        world.reads_well("gangway", world.any_time(), card)


def seventeen_digits(world: World) -> None:
    """Hauliers' cards in 17 digits: a spreadsheet kept 15 of them of the first ninety. The others are read."""
    numbers: set[int] = set()
    for place, holder in enumerate(_holders(world, WEST, ROUNDED + WHOLE), 1):
        number = _draw_uid(world, 0x24 + world.dice.below(0x5B), numbers)
        card = DemoCard(
            id=f"H-{place:03d}", person=holder, source=WEST, since=draw_issue_day(world), numbers={HAULIER: number}
        )
        if place > ROUNDED:
            world.issue(card)
            if place % 3:
                world.reads_well("truck-lane", world.any_time(), card)
        else:
            value = world.value(card, HAULIER)
            world.assign(card, HAULIER, f"{value[:15]}00", "spreadsheet-damage")
    damaged = sum(row.code == "spreadsheet-damage" for row in world.assignments)
    world.plant(
        "spreadsheet-damage", CREDENTIALS, damaged,
        f"{ROUNDED} numbers of 17 digits kept 15 of them, nine lost leading zeros, four were written like 3.05E+09",
    )  # fmt: skip


def six_round_numbers(world: World) -> None:
    """Tug crews' cards: six numbers of 16 digits, all of which end in 0, as chance has it very seldom."""
    numbers: set[int] = set()
    holders = iter(_holders(world, EAST, ROUND))
    while len(numbers) < ROUND:
        number = _draw_uid(world, 0x04, set())
        if number["uid"] % 10 == 0 and number["uid"] not in numbers:
            numbers.add(number["uid"])
            card = DemoCard(
                id=f"T-{len(numbers)}", person=next(holders), source=EAST, since=draw_issue_day(world),
                numbers={TUG: number},
            )  # fmt: skip
            world.issue(card)
    world.plant(
        "maybe-rounded", TUG, ROUND, f"all {ROUND} numbers end in 0, and no reading shows whether they are whole"
    )


def _holders(world: World, source: str, count: int) -> list[str]:
    """People of a register who have a card of its own in use."""
    people = dict.fromkeys(card.person for card in world.walking if card.source == source)
    return world.dice.some(list(people), count)


def _draw_uid(world: World, first: int, used: set[int]) -> dict[str, int]:
    """A serial number of seven bytes that begins with a manufacturer's code; its last two digits are not both 0.

    The fourth byte is no cascade tag. Source: ISO/IEC 14443-3 (serial numbers), ISO/IEC 7816-6 (manufacturers).
    """
    while True:
        number = first << 48 | world.dice.below(1 << 24) << 24 | world.dice.below(1 << 24)
        if number not in used and number % 100 and number >> 24 & 0xFF != 0x88:
            used.add(number)
            return {"uid": number}

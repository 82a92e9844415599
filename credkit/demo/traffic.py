"""The month's readings as they should be: gates, yard, quay, office, desk and lockers."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta

from bitstring import Bits

from credkit.demo.harbours import LOSS
from credkit.demo.world import AS_OF, HARBOUR, LOCKER, SERIAL, DemoCard, World, moment

CLEAR, ENTER, GARBLED = 10, 11, 15
SECONDS_HELD = 70  # cards that the desk reads as it should
BEFORE_TURN, AFTER_TURN = (1, 19), (22, 31)  # the quay's lines were inverted on the days between


def two_numbers(world: World) -> list[DemoCard]:
    """The cards with two numbers that are in use."""
    return [card for card in world.walking if len(card.numbers) == 2]


def walkers(world: World) -> Mapping[str, list[DemoCard]]:
    """Who is read at the readers of a kind. Of some two-number cards one number is never read there."""
    shy = world.dice.some(two_numbers(world), 100)
    unread = {HARBOUR: {card.id for card in shy[:40]}, SERIAL: {card.id for card in shy[40:]}}
    return {
        kind: [card for card in world.walking if kind in card.numbers and card.id not in ids]
        for kind, ids in unread.items()
    }


def everyday_reads(world: World, cards: Mapping[str, list[DemoCard]]) -> None:
    """Most of the month."""
    for reader, kind, reads in (
        ("east-gate", HARBOUR, 3400),
        ("west-gate", HARBOUR, 3200),
        ("yard", HARBOUR, 2500),
        ("office", SERIAL, 1400),
    ):
        for _ in range(reads):
            world.reads_well(reader, world.any_time(), world.dice.one(cards[kind]))
    for first, last in (BEFORE_TURN, AFTER_TURN):
        for _ in range(900):
            world.reads_well("quay", world.any_time(first, last), world.dice.one(cards[HARBOUR]))


def around_the_reset(world: World, cards: Mapping[str, list[DemoCard]]) -> None:
    """The last reads before the yard was re-set, stamped after it by a clock that is fast, and the first after it."""
    noon = moment(14, 12 * 3600)
    for seconds in (-150, -60, -1, 0, 60):
        world.reads_well("yard", noon + timedelta(seconds=seconds), world.dice.one(cards[HARBOUR]))


def contractors_until_the_last_day(world: World) -> None:
    """Cards that run out on the 15th are good until that evening."""
    for card in world.cards:
        if card.until == date(2026, 3, 15):
            world.reads_well("east-gate", world.any_time(2, 14), card)
            world.reads_well("west-gate", moment(15, 20 * 3600 + world.dice.below(3600)), card)


def until_the_loss(world: World) -> None:
    """Cards that were lost in the month were good until the end of their last day."""
    for card in world.cards:
        if card.status == "lost" and card.until == LOSS:
            world.reads_well("yard", world.any_time(2, LOSS.day - 1), card)
            world.reads_well("yard", world.any_time(LOSS.day, LOSS.day), card)


def round_numbers(world: World) -> None:
    """A card whose frame ends in zeros: as digits it looks as if a spreadsheet had rounded it, and is whole."""
    for card in world.cards:
        if card.counts and card.numbers.get(HARBOUR) == {"facility": 57, "number": 30 * 1024}:
            world.reads_well("quay", world.any_time(*BEFORE_TURN), card)


def visitors(world: World) -> None:
    """Visitor cards are read whoever has them at the time."""
    for card in world.cards:
        if card.id.startswith("V-"):
            first, last = max(card.since, date(2026, 3, 1)), card.until or AS_OF
            for _ in range(5):
                world.reads_well("east-gate", world.any_time(first.day, last.day), card)


def desk(world: World) -> None:
    """Cards with two numbers, held once to the desk's two readers; for half of them the desk says whose it is."""
    for number, card in enumerate(world.dice.some(two_numbers(world), SECONDS_HELD), 1):
        present_card(world, number, world.any_time(), card, card, expected="" if number % 2 else card.id)


def present_card(
    world: World, number: int, when: datetime, frame: DemoCard, serial: DemoCard, *, expected: str = ""
) -> None:
    """One card held once; what it gives are the frame of ``frame`` and the serial number of ``serial``."""
    group = f"D-{number:03d}"
    for reader, card, kind, later in (("desk-frame", frame, HARBOUR, 0), ("desk-serial", serial, SERIAL, 1)):
        at = when + timedelta(seconds=later)
        if frame is serial:
            world.reads_well(reader, at, card, group, expected)
        else:
            text = world.encode(world.chain_at(reader, at), card.numbers[kind])
            world.read(reader, at, text, "conflict", group, expected)
            world.seen.add(card.number(kind))


def at_the_lockers(world: World) -> None:
    """Locker numbers, typed, several a day."""
    holders = [card for card in world.cards if LOCKER in card.numbers]
    for day in range(1, 32):
        for hour in range(6, 18, 3):
            card = world.dice.one(holders)
            world.seen.add(card.number(LOCKER))
            when = moment(day, hour * 3600 + world.dice.below(3600))
            keys(world, when, [*digits(world, card), ENTER])


def digits(world: World, card: DemoCard) -> list[int]:
    """The keys of a locker number."""
    return [int(digit) for digit in world.value(card, LOCKER)]


def keys(world: World, when: datetime, pressed: list[int], code: str | None = None) -> None:
    """Keys pressed one after the other, a burst each."""
    for place, key in enumerate(pressed):
        world.read("lockers", when + timedelta(seconds=place), world.encode("hex:1", Bits(uint=key, length=4)), code)

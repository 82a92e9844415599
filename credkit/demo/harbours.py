"""The two harbours before anything goes wrong: their people, their boxes of cards, their habits.

Cards come in boxes of consecutive numbers. Both harbours had cards with the facility code 40, and
their boxes overlap.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from itertools import count, islice

from credkit.demo.world import EAST, HARBOUR, LOCKER, POOL, SERIAL, WEST, DemoCard, World

LOSS = date(2026, 3, 10)  # the last good day of the cards that were lost in the month
SIGNED = 1 << 31  # the first number that a signed column of 32 bits cannot hold
RANDOM, CUT = 0x08, 0x88  # first bytes of ISO/IEC 14443-3: drawn anew each time; the cascade tag


def box_of_frames(facility: int, first: int) -> Iterator[dict[str, int]]:
    """Frames of consecutive cards."""
    return ({"facility": facility, "number": number} for number in count(first))


def draw_issue_day(world: World) -> date:
    """A day on which a card could have been handed out, well before the month."""
    return date(2023, 1, 2) + timedelta(days=world.dice.below(800))


def east_card(world: World, number: int, *, person: str = "", source: str = EAST, replaces: str = "") -> DemoCard:
    """A card of East with the facility code 12, not yet in a register; its holder is new, if nobody is named."""
    return DemoCard(
        id=f"E-12-{number}", person=person or world.person(), source=source, since=draw_issue_day(world),
        replaces=replaces, numbers={HARBOUR: {"facility": 12, "number": number}},
    )  # fmt: skip


class Serials:
    """Chip serial numbers of four bytes, drawn so that no two are alike by accident.

    No two share their low 24 bits, their last eight digits, or one's bytes with the other's
    reversed. None begins with a byte that no fixed serial number begins with; none ends with one
    either, because the ferry sends the last byte first.
    """

    def __init__(self, world: World) -> None:
        self._dice = world.dice
        self.used: set[int] = set()
        self._tails: set[tuple[str, int]] = set()

    def fits(self, number: int, ignoring: str = "") -> bool:
        """Whether ``number`` may be a whole serial that stays, and is unlike all others, but for ``ignoring``."""
        return {number >> 24, number & 255}.isdisjoint((RANDOM, CUT)) and self.unlike(number, ignoring)

    def unlike(self, number: int, ignoring: str = "") -> bool:
        """Whether ``number`` is unlike all others, but for the likeness that ``ignoring`` names."""
        turned = int.from_bytes(number.to_bytes(4, "big"), "little")
        alike = [tail for tail in self.tails(number) if tail in self._tails and tail[0] != ignoring]
        return not alike and turned not in self.used | {number}

    @staticmethod
    def tails(number: int) -> tuple[tuple[str, int], ...]:
        """What a lossy target keeps of a number."""
        return ("bytes", number % (1 << 24)), ("digits", number % 10**8)

    def take(self, number: int) -> dict[str, int]:
        """Use ``number``."""
        self.used.add(number)
        self._tails.update(self.tails(number))
        return {"uid": number}

    def draw(self, least: int = 1, most: int = SIGNED - 1) -> dict[str, int]:
        """A new number from ``least`` to ``most``."""
        while not self.fits(number := least + self._dice.below(most - least + 1)):
            pass
        return self.take(number)


def east_harbour(world: World) -> None:
    """East: 1,000 people with the facility code 12, 350 with 40. One in eight stays away all month."""
    for facility, first, people in ((12, 1001, 1000), (40, 20000, 350)):
        frames = box_of_frames(facility, first)
        for number in range(people):
            card = DemoCard(
                id=f"E-{facility}-{first + number}", person=world.person(), source=EAST, since=draw_issue_day(world),
                numbers={HARBOUR: next(frames)},
            )  # fmt: skip
            world.issue(card, walks=not world.dice.chance(12))


def west_harbour(world: World, serials: Serials) -> None:
    """West: frames with 40 and 57, then 500 cards with two numbers, then 200 with a serial number only."""
    clash, own = box_of_frames(40, 20325), box_of_frames(57, 30001)
    for number in range(1600):
        numbers = {}
        if number < 1400:
            numbers[HARBOUR] = next(clash if number < 350 else own)
        if number >= 900:
            numbers[SERIAL] = serials.draw(SIGNED, 2 * SIGNED - 1) if number >= 1300 else serials.draw()
        card = DemoCard(
            id=f"W-{number + 1:04d}", person=world.person(), source=WEST, since=draw_issue_day(world), numbers=numbers
        )
        world.issue(card, walks=not world.dice.chance(12))


def lost_and_reissued(world: World) -> None:
    """Sixty people lost a card in the winter, and four in the month; all got a new one."""
    old, new = box_of_frames(12, 4001), box_of_frames(12, 8001)
    for place in range(64):
        lost = LOSS if place >= 60 else date(2025, 11, 1) + timedelta(days=world.dice.below(90))
        person, before, after = world.person(), next(old), next(new)
        gone = DemoCard(
            id=f"E-12-{before['number']}", person=person, source=EAST, since=draw_issue_day(world), until=lost,
            status="lost",
            numbers={HARBOUR: before},
        )  # fmt: skip
        card = DemoCard(
            id=f"E-12-{after['number']}", person=person, source=EAST, since=lost + timedelta(days=1), issue=2,
            replaces=gone.id, numbers={HARBOUR: after},
        )  # fmt: skip
        world.issue(gone)
        world.issue(card, walks=lost < LOSS)


def returned_and_used_again(world: World) -> None:
    """Forty cards came back; five of their numbers were ordered again and are somebody else's now."""
    frames = list(islice(box_of_frames(12, 6001), 40))
    for place, frame in enumerate(frames):
        back = date(2025, 6, 1) + timedelta(days=world.dice.below(200))
        world.issue(
            DemoCard(
                id=f"E-12-{6001 + place}", person=world.person(), source=EAST, since=draw_issue_day(world), until=back,
                status="returned", numbers={HARBOUR: frame},
            )
        )  # fmt: skip
    for frame in world.dice.some(frames, 5):
        again = DemoCard(
            id=f"E-12-{frame['number']}-B", person=world.person(), source=EAST, since=date(2026, 2, 1),
            numbers={HARBOUR: frame},
        )  # fmt: skip
        world.issue(again, walks=True)


def contractors(world: World) -> None:
    """Cards that run out: thirty before the month, twenty on the 15th; ten begin after it."""
    frames = box_of_frames(12, 6501)
    spans = [
        (date(2025, 9, 1), date(2026, 2, 28), 30),
        (date(2025, 9, 1), date(2026, 3, 15), 20),
        (date(2026, 4, 1), date(2026, 12, 31), 10),
    ]
    for since, until, people in spans:
        for _ in range(people):
            frame = next(frames)
            world.issue(
                DemoCard(
                    id=f"E-12-{frame['number']}", person=world.person(), source=EAST, since=since, until=until,
                    numbers={HARBOUR: frame},
                )
            )  # fmt: skip


def visitor_pool(world: World) -> None:
    """Twelve visitor cards; each was somebody's for a few days, three times.

    Six of them are the pool's again after that, in the register; six never ceased to be.
    """
    frames = box_of_frames(12, 9001)
    for number in range(12):
        frame, day = next(frames), date(2026, 3, 1)
        id = f"V-{number + 1:02d}"
        for visit in range(3):
            last = day + timedelta(days=world.dice.below(6) + 1)
            world.issue(
                DemoCard(
                    id=id, person=f"VIS-{number * 3 + visit + 1:02d}", source=EAST, since=day, until=last,
                    numbers={HARBOUR: frame},
                )
            )  # fmt: skip
            day = last + timedelta(days=1)
        world.issue(
            DemoCard(
                id=id,
                person=POOL,
                source=EAST,
                since=day if number < 6 else draw_issue_day(world),
                numbers={HARBOUR: frame},
            )
        )


def lockers(world: World) -> None:
    """A hundred and fifty people of East also have a number for the lockers, which they type."""
    east = [card for card in world.walking if card.source == EAST]
    for number, card in enumerate(world.dice.some(east, 150)):
        locker = DemoCard(
            id=f"L-{number + 1:03d}", person=card.person, source=EAST, since=draw_issue_day(world),
            numbers={LOCKER: {"number": 10507 + 4729 * number}},
        )  # fmt: skip
        world.issue(locker)

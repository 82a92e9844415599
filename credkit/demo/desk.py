"""What the desk typed and what its readers gave: one function a fault."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from credkit.demo.harbours import box_of_frames, draw_issue_day, east_card
from credkit.demo.noise import READINGS
from credkit.demo.world import EAST, HARBOUR, POOL, DemoCard, World, moment


def ids_nobody_has(world: World) -> None:
    """The desk typed four card ids that do not exist, and another three in lower case."""
    for place in range(7):
        card = world.issue(east_card(world, 9251 + place))
        typed = f"E-12-{card.frame['number']}0" if place < 4 else card.id.lower()
        world.reads_well("desk-frame", world.any_time(), card, expected=typed)
    world.plant("unknown-expected", READINGS, 7, "four ids have a digit too many, three are in lower case")


def numbers_nobody_has(world: World) -> None:
    """The desk expected three cards, and each gave a number that nobody has."""
    frames = box_of_frames(12, 7301)
    for place in range(3):
        card = world.issue(east_card(world, 9261 + place))
        _read_instead(world, card, replace(card, numbers={HARBOUR: next(frames)}))
        world.plant("conflict", card.id, 1, f"the desk expected {card.id} and read a number that nobody has")


def superseded_numbers(world: World) -> None:
    """The desk expected two cards of West, and each gave the number that only East's copy of the register has."""
    disputed = {plant.subject for plant in world.plants if plant.code == "conflict"}
    copies = [row.card for row in world.assignments if row.code == "superseded" and row.card.status == "active"]
    own = {card.id: card for card in world.walking}
    wrong = [copy for copy in copies if copy.id in own and copy.id not in disputed]
    for copy in wrong[:2]:
        _read_instead(world, own[copy.id], copy)
        world.plant("conflict", copy.id, 1, f"the desk expected {copy.id} and read a number that is superseded")
    world.plant("unknown-card", "desk-frame", 5, "five numbers of no row that counts, where a card was expected")


def _read_instead(world: World, expected: DemoCard, given: DemoCard) -> None:
    """A reading at the desk of the number of ``given``, which the desk took for ``expected``."""
    when = world.any_time()
    text = world.encode(world.chain_at("desk-frame", when), given.frame)
    world.read("desk-frame", when, text, "unknown-card", "", expected.id)


def still_lent(world: World) -> None:
    """A visitor has one more pool card on the day of judgement, and the pool never ceased to have it."""
    frame = next(box_of_frames(12, 9101))
    lent = DemoCard(
        id="V-13", person="VIS-37", source=EAST, since=date(2026, 3, 28), until=date(2026, 4, 3),
        numbers={HARBOUR: frame},
    )  # fmt: skip
    world.issue(lent)
    world.issue(replace(lent, person=POOL, since=draw_issue_day(world), until=None))
    world.reads_well("east-gate", moment(30, 9 * 3600), lent)
    world.plant("several-holders", lent.id, 2, f"{lent.id} is the pool's and a visitor's on the day of judgement")

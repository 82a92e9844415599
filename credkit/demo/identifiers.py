"""Ids that name nobody, somebody twice or somebody else: one function a fault of the registers."""

from __future__ import annotations

import unicodedata
from dataclasses import replace

from credkit.demo.faults import CREDENTIALS
from credkit.demo.harbours import Serials, box_of_frames, draw_issue_day, east_card
from credkit.demo.world import EAST, HARBOUR, LOCKER, SERIAL, WEST, DemoCard, World

NO_SOURCE = "East-Register"  # as two rows write the source that the order of truth calls east-register


def near_ids(world: World, serials: Serials) -> None:
    """Four people of East have a label of West under an id that differs in case, a space or its Unicode form.

    The last one is a contractor's: East writes a letter and its dots as one character, West as two.
    """
    firm = unicodedata.normalize("NFC", "MÜNDUNG-07")
    people = [world.person(), world.person(), world.person(), firm]
    others = [people[0].lower(), people[1].lower(), f"{people[2]} ", unicodedata.normalize("NFD", firm)]
    for place, (person, other) in enumerate(zip(people, others, strict=True)):
        world.issue(east_card(world, 9201 + place, person=person))
        world.issue(
            DemoCard(
                id=f"W-N-{place + 1}", person=other, source=WEST, since=draw_issue_day(world),
                numbers={SERIAL: serials.draw()},
            )
        )  # fmt: skip
    world.plant("white-space", "person_id", 1, f"a space stands behind {people[2]} in West's register")
    world.plant("near-id", "person_id", 8, f"{', '.join(people)} of East are {', '.join(others)} in West's register")


def source_without_a_rank(world: World) -> None:
    """Two rows name their source otherwise than the order of truth does."""
    for number in (9211, 9212):
        world.issue(east_card(world, number, source=NO_SOURCE))
    world.plant(
        "unknown-source", NO_SOURCE, 2, f"two rows come from {NO_SOURCE}, which the order of truth has as {EAST}"
    )


def white_space(world: World) -> None:
    """Behind five numbers of East stands a space, and six lines of the office begin with one."""
    for number in range(9221, 9226):
        card = east_card(world, number)
        world.assign(card, HARBOUR, f"{world.value(card, HARBOUR)} ", "unreadable-value")
    labels = [card for card in world.walking if SERIAL in card.numbers]
    for card in world.dice.some(labels, 6):
        when = world.any_time()
        text = world.encode(world.chain_at("office", when), card.numbers[SERIAL])
        world.read("office", when, f" {text}", "unreadable")
    world.plant("unreadable", "office", 6, "six texts begin with a space")


def unreadable_values(world: World) -> None:
    """All values of the registers that do not have their form, whatever is wrong with them."""
    count = sum(row.code == "unreadable-value" for row in world.assignments)
    world.plant(
        "unreadable-value", CREDENTIALS, count, "a letter for a digit in four numbers, a space behind the others"
    )


def twin_rows(world: World) -> None:
    """West's register has two rows for each of four cards, with different numbers. Both numbers are read."""
    first, second = box_of_frames(57, 47001), box_of_frames(57, 47101)
    for place in range(4):
        card = DemoCard(
            id=f"W-92{place + 1:02d}", person=world.person(), source=WEST, since=draw_issue_day(world),
            numbers={HARBOUR: next(first)},
        )  # fmt: skip
        for twin in (card, replace(card, numbers={HARBOUR: next(second)})):
            world.issue(twin)
            world.reads_well("west-gate", world.any_time(), twin)
    world.plant("twin-rows", HARBOUR, 8, "two rows of West give each of four cards different numbers")


def one_id_two_cards(world: World) -> None:
    """Two ids of East were given out twice, on cards with different numbers, to different people. All are read."""
    for number in (9231, 9233):
        card = east_card(world, number)
        again = replace(east_card(world, number + 1), id=card.id)
        for each in (card, again):
            world.issue(each, codes={HARBOUR: "id-of-two-cards"})
            world.reads_well("east-gate", world.any_time(), each)
        world.plant("id-of-two-cards", card.id, 2, f"{card.id} is the id of two cards of two people")


def replaces_in_vain(world: World) -> None:
    """Four cards replace what they cannot: a card of no register, themselves, another person's, another kind's."""
    locker = world.dice.one([card for card in world.cards if LOCKER in card.numbers])
    other = world.dice.one([card for card in world.walking if card.id.startswith("E-12-1")])
    for number, replaced, problem in (
        (9241, "E-12-0999", "an unknown credential"),
        (9242, "E-12-9242", "itself"),
        (9243, other.id, "another person's credential"),
        (9244, locker.id, "a credential of another kind"),
    ):
        card = world.issue(east_card(world, number, replaces=replaced))
        world.plant("replaces", problem, 1, f"{card.id} replaces {replaced}")

"""West's stripes: who has one, where they are swiped, and what is wrong with them.

West had a number and an issue on a stripe. The merge put a label with a chip's serial number on the
back of some of these cards, so that one card carries two credentials.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

from bitstring import Bits

from credkit.demo.harbours import draw_issue_day
from credkit.demo.world import SERIAL, STRIPE, WEST, DemoCard, World, moment

LEAD = 20  # zeros before a track, at least
ZEROS = "0" * 9  # more than any two characters of a track have in a row
PILOTS, PILOTS_DAY = "pilots", 17  # where a reader types, and the first day of its new computer
BEFORE, INVERTED, AFTER = (1, 25), (26, 27), (28, 31)  # days of the kiosk: its lines were inverted on two of them


def west_stripes(world: World) -> list[DemoCard]:
    """Three hundred people have a stripe, 120 of them with a label on the back. One in eight stays away all month.

    Fifteen lost a card in the winter and have the second issue of their number. West's register
    still has six of the lost cards; of the other nine it kept nothing.
    """
    west = [card for card in world.cards if card.source == WEST and len(card.numbers) == 1]
    without = [card for card in west if SERIAL not in card.numbers]
    labelled = [card for card in west if SERIAL in card.numbers]
    people = [card.person for card in (*without[720:900], *labelled[:120])]
    used = []
    for place, person in enumerate(people):
        number, since = 4001 + place, draw_issue_day(world)
        if place >= 15:
            card = _card(world, person, number, since)
        else:
            lost = date(2025, 11, 1) + timedelta(days=world.dice.below(90))
            before = _card(world, person, number, since, until=lost, status="lost") if place < 6 else None
            card = _card(world, person, number, lost + timedelta(days=1), issue=2, replaces=before.id if before else "")
        if not world.dice.chance(12):
            used.append(card)
    return used


def _card(
    world: World, person: str, number: int, since: date, *, issue: int = 1, until: date | None = None,
    status: str = "active", replaces: str = "",
) -> DemoCard:  # fmt: skip
    return world.issue(
        DemoCard(
            id=f"W-T-{number}{'-B' * (issue > 1)}", person=person, source=WEST, since=since, until=until, issue=issue,
            status=status, replaces=replaces, numbers={STRIPE: {"number": number, "issue": issue}},
        )
    )  # fmt: skip


def lost_and_replaced_alike(world: World) -> None:
    """The car park leaves the issue out, so that a lost card and the one that replaces it are one text there."""
    for card in world.cards:
        if STRIPE in card.numbers and card.replaces:
            text = world.target("car-park", card.numbers[STRIPE])
            world.plant("duplicate-text", f"car-park {text}", 2, f"{card.replaces} and {card.id} would both be {text}")


def swiped(world: World, cards: list[DemoCard]) -> None:
    """Swipes at the kiosk and at the time clock; of those at the kiosk one in five goes the other way."""
    for days, count in ((BEFORE, 210), (AFTER, 30)):
        for _ in range(count):
            card, when = world.dice.one(cards), world.any_time(*days)
            row = pad_track(world, track_bits(world, card))
            _seen(world, "kiosk", when, row[::-1] if world.dice.chance(20) else row, card)
    for _ in range(80):
        card, when = world.dice.one(cards), world.any_time()
        _seen(world, "time-clock", when, format_hex_row(world, pad_track(world, track_bits(world, card))), card)


def track_bits(world: World, card: DemoCard) -> str:
    """The bits of a card's stripe, as binary digits."""
    return world.encode(world.chain_at("kiosk", moment(1, 0)), card.numbers[STRIPE])


def pad_track(world: World, bits: str) -> str:
    """A track with the zeros around it: their number is the swiping hand's."""
    return "0" * (LEAD + world.dice.below(8)) + bits + "0" * (LEAD + world.dice.below(8))


def format_hex_row(world: World, row: str) -> str:
    """A row of the time clock: zeros at the end fill the last digit up."""
    row += "0" * (-len(row) % 4)
    return world.encode(world.site["readers"]["time-clock"]["stream"].removeprefix("swipes:"), Bits(f"0b{row}"))


def _seen(world: World, reader: str, when: datetime, text: str, card: DemoCard) -> None:
    world.seen.add(card.number(STRIPE))
    world.read(reader, when, text)


def both_faces(world: World, cards: list[DemoCard]) -> None:
    """Sixty cards whose stripe and label the desk reads together; of some it says which stripe or label it expects.

    One was given a label that is in the register under somebody else.
    """
    labels = {card.person: card for card in world.cards if SERIAL in card.numbers and card.counts}
    faces = [(card, labels[card.person]) for card in cards if card.person in labels]
    drawn = world.dice.some(faces, 62)
    for place, (stripe, label) in enumerate(drawn[:60]):
        said = (stripe.id, ""), ("", label.id), ("", ""), ("", "")
        _presented(world, place + 1, stripe, label, said[place % 4], None)
    (stripe, _), (_, label) = drawn[60:]
    _presented(world, 61, stripe, label, ("", ""), "conflict")
    for card in (stripe, label):
        world.plant("conflict", card.id, 1, f"the stripe of {stripe.id} is on the card with the label of {label.id}")


def _presented(
    world: World, number: int, stripe: DemoCard, label: DemoCard, expected: tuple[str, str], code: str | None
) -> None:  # fmt: skip
    when = world.any_time()
    for place, (reader, card, kind) in enumerate((("desk-stripe", stripe, STRIPE), ("desk-serial", label, SERIAL))):
        text = world.encode(world.chain_at(reader, when), card.numbers[kind])
        world.seen.add(card.number(kind))
        world.read(reader, when + timedelta(seconds=place), text, code, f"F-{number:03d}", expected[place])


def old_issues(world: World) -> None:
    """Cards that were lost and replaced are swiped again: some that the register has as lost, some that it forgot."""
    striped = [card for card in world.cards if STRIPE in card.numbers]
    lost = [card for card in striped if card.status == "lost"]
    for card in lost[:3]:
        reads = 2 + world.dice.below(3)
        for _ in range(reads):
            world.read("kiosk", world.any_time(*BEFORE), pad_track(world, track_bits(world, card)), "inactive-read")
        world.plant("inactive-read", card.id, reads, f"{card.id} is lost and was read {reads} times")
    forgotten = [card for card in striped if card.issue == 2 and not card.replaces]
    for place in range(12):
        before = replace(forgotten[place % 5], numbers={STRIPE: {**forgotten[place % 5].numbers[STRIPE], "issue": 1}})
        world.read("kiosk", world.any_time(*BEFORE), pad_track(world, track_bits(world, before)), "other-issue")
    world.plant("issue-dropped", "car-park", 5, "five cards of which an earlier issue was read, which it would let in")
    world.plant("other-issue", "kiosk", 12, "five cards of which only the second issue is in the register")


def wrong_bits(world: World, cards: list[DemoCard]) -> None:
    """Eight swipes at the kiosk have one wrong bit between the sentinels; none that parts the track in two."""
    done = 0
    while done < 8:
        bits = track_bits(world, world.dice.one(cards))
        at = 5 + world.dice.below(60)
        wrong = f"{bits[:at]}{1 - int(bits[at])}{bits[at + 1 :]}"
        if ZEROS not in wrong:
            world.read("kiosk", world.any_time(*BEFORE), pad_track(world, wrong), "check-failed")
            done += 1
    world.plant("check-failed", "kiosk", done, f"{done} tracks have one wrong bit")


def cut_short(world: World, cards: list[DemoCard]) -> None:
    """Four swipes at the kiosk end before the end sentinel; none that could begin at its other end."""
    done = 0
    while done < 4:
        bits = track_bits(world, world.dice.one(cards))[: 12 + world.dice.below(50)]
        if not bits.rstrip("0").endswith("01011"):
            world.read("kiosk", world.any_time(*BEFORE), "0" * LEAD + bits, "check-failed")
            done += 1
    world.plant("check-failed", "kiosk", done, f"{done} tracks have no end")


def inverted_lines(world: World, cards: list[DemoCard]) -> None:
    """For two days the kiosk's lines were inverted."""
    for _ in range(12):
        row = pad_track(world, track_bits(world, world.dice.one(cards)))
        text = row.translate(str.maketrans("01", "10"))
        world.read("kiosk", world.any_time(*INVERTED), text, "check-failed")
    world.plant("check-failed", "kiosk", 12, "all 12 swipes of two days were inverted")
    world.plant("re-set", "kiosk", 12, "12 swipes are of known cards, with every bit inverted")


def not_one_swipe(world: World, cards: list[DemoCard]) -> None:
    """The time clock wrote two swipes in a row five times, and on three evenings zeros behind the last swipe."""
    for _ in range(5):
        row = "".join(pad_track(world, track_bits(world, world.dice.one(cards))) for _ in range(2))
        world.read("time-clock", world.any_time(), format_hex_row(world, row), "incomplete-entry")
    for day in (4, 11, 18):
        card, evening = world.dice.one(cards), moment(day, 21 * 3600)
        _seen(world, "time-clock", evening, format_hex_row(world, pad_track(world, track_bits(world, card))), card)
        world.read("time-clock", evening + timedelta(seconds=20), format_hex_row(world, "0" * 64), "incomplete-entry")
    world.plant("incomplete-entry", "time-clock", 8, "five rows have two swipes, three have none")


def typed_by_hand(world: World, cards: list[DemoCard]) -> None:
    """Four stripes that could not be read were typed at the desk, each with one wrong digit."""
    for card in world.dice.some(cards, 4):
        when, at = world.any_time(), 3 + world.dice.below(6)
        text = world.encode(world.chain_at("desk-stripe", when), card.numbers[STRIPE])
        wrong = (int(text[at]) + 1 + world.dice.below(9)) % 10
        world.read("desk-stripe", when, f"{text[:at]}{wrong}{text[at + 1 :]}", "check-failed")
    world.plant("check-failed", "desk-stripe", 4, "four numbers were typed with one wrong digit")


def another_keyboard(world: World, cards: list[DemoCard]) -> None:
    """The pilots' reader types like a keyboard. From the 17th on its computer was one set to the Danish layout.

    There ``;`` arrives as æ, ``=`` is a dead acute accent and ``?`` arrives as _.
    """
    chain = world.chain_at(PILOTS, moment(1, 0))
    cards = [card for card in cards if card.number(STRIPE) in world.seen]
    for _ in range(26):
        card, when = world.dice.one(cards), world.any_time(1, PILOTS_DAY - 1)
        _seen(world, PILOTS, when, world.encode(chain, card.numbers[STRIPE]), card)
    for _ in range(32):
        text = world.encode(f"keyboard:dk/{chain}", world.dice.one(cards).numbers[STRIPE])
        world.read(PILOTS, world.any_time(PILOTS_DAY), text, "unreadable")
    world.plant("re-set", PILOTS, 32, "from the 17th on 32 swipes are of known cards, under the Danish layout")
    world.plant("unreadable", PILOTS, 32, "32 swipes were typed at a computer that is set to the Danish layout")


def bank_cards(world: World) -> None:
    """Twice the desk typed the number of a visitor's bank card instead of a stripe's: a made-up one, with zeros."""
    for _ in range(2):
        world.read("desk-stripe", world.any_time(), "4000000000000002", "unreadable")
    world.plant("unreadable", "desk-stripe", 2, "two numbers typed at the desk are none of a stripe")
    world.plant("like-payment", "staff-stripe", 2, "a made-up number of a bank card was typed twice")

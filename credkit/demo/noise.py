"""What is wrong in the month's readings: one function a fault."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from bitstring import Bits

from credkit.demo.harbours import CUT, LOSS, RANDOM, Serials, box_of_frames
from credkit.demo.traffic import CLEAR, ENTER, GARBLED, SECONDS_HELD, digits, keys, present_card, two_numbers
from credkit.demo.world import AS_OF, HARBOUR, LOCKER, SERIAL, DemoCard, World, moment

READINGS = "readings.csv"
COUNTED_CODES = (None, "refused-note")  # codes of reads whose number is a card's, or is refused as one
FRAME, QUAY = "wiegand-26", "binary/wiegand-26"
Cards = Mapping[str, list[DemoCard]]


def encode_frame(world: World, card: DemoCard) -> Bits:
    """The bits that a card sends."""
    bits: Bits = world.codec(FRAME).encode(card.frame)
    return bits


def looks_rounded(text: str) -> bool:
    """Whether a text that was never near a spreadsheet looks like a number that one has rounded."""
    return text.isdecimal() and len(text) > 15 and not text[15:].strip("0")


def flipped_bits(world: World, cards: Cards) -> None:
    """Noise at the east gate turns over one bit of 48 frames."""
    halves = [0, 0]
    for _ in range(48):
        at = world.dice.below(26)
        halves[at // 13] += 1
        bits = encode_frame(world, world.dice.one(cards[HARBOUR])) ^ Bits(uint=1 << (25 - at), length=26)
        world.read("east-gate", world.any_time(), world.encode("hex:8/right-justified:26", bits), "check-failed")
    for half, count in zip(("first", "second"), halves, strict=True):
        world.plant("check-failed", "east-gate", count, f"one bit turned over in the {half} half of {count} frames")


def lost_bits(world: World, cards: Cards) -> None:
    """A loose wire at the quay loses one bit of 17 frames."""
    done = 0
    while done < 17:
        bits, at = encode_frame(world, world.dice.one(cards[HARBOUR])), world.dice.below(26)
        left = bits[:at] + bits[at + 1 :]
        text = world.encode("binary", left)
        if not looks_rounded(text):
            world.read("quay", world.any_time(1, 19), text, "check-failed")
            done += 1
    world.plant("check-failed", "quay", done, f"{done} frames lost a bit")


def inverted_lines(world: World, cards: Cards) -> None:
    """For two days the quay's lines were inverted."""
    done = 0
    while done < 110:
        text = world.encode(f"binary/invert/{FRAME}", world.dice.one(cards[HARBOUR]).frame)
        if not looks_rounded(text):
            world.read("quay", world.any_time(20, 21), text, "check-failed")
            done += 1
    world.plant("check-failed", "quay", done, f"all {done} frames of two days were inverted")
    world.plant("re-set", "quay", done, f"{done} frames are of known cards, with every bit inverted")


def cut_short(world: World, cards: Cards) -> None:
    """Three lines of the east gate begin in the middle; none is left that zeros before it would make whole."""
    chain, done = world.chain_at("east-gate", moment(1, 0)), 0
    while done < 3:
        text = world.encode(chain, world.dice.one(cards[HARBOUR]).frame)[3:]
        if not world.codec(chain).inspect(text.zfill(8)).ok:
            world.read("east-gate", world.any_time(), text, "unreadable")
            done += 1
    world.plant("unreadable", "east-gate", done, "three texts lack their first three digits")


def from_no_register(world: World, serials: Serials) -> None:
    """Cards that no register knows, at three readers."""
    frames = box_of_frames(12, 7001)
    for reader, count in (("east-gate", 20), ("west-gate", 15), ("office", 6)):
        for _ in range(count):
            when = world.any_time()
            number = serials.draw() if reader == "office" else next(frames)
            world.read(reader, when, world.encode(world.chain_at(reader, when), number), "unknown-card")
        world.plant("unknown-card", reader, count, f"{count} reads of cards in no register")


def from_another_port(world: World) -> None:
    """Cards of some other port, with a facility code that Brackwater never had."""
    frames = box_of_frames(200, 611)
    for _ in range(11):
        when = world.any_time()
        text = world.encode(world.chain_at("east-gate", when), next(frames))
        world.read("east-gate", when, text, "unexpected-value")
    world.plant("unexpected-value", "east-gate", 11, "eleven reads with the facility code 200")


def phones(world: World) -> None:
    """Phones held to the office reader: each time a serial number that begins with 08."""
    for _ in range(9):
        when = world.any_time()
        number = RANDOM << 24 | world.dice.below(1 << 24)
        text = world.encode(world.chain_at("office", when), {"uid": number})
        world.read("office", when, text, "refused-note")
    world.plant("refused-note", "office", 9, "nine reads of random serial numbers")


def labels_cut(world: World) -> None:
    """The desk reads the labels of which it cut the serial numbers, each on the day of its issue and once more."""
    cut = [card for card in world.cards if SERIAL in card.numbers and card.serial >> 24 == CUT]
    for card in cut:
        for first, last in ((card.since.day, card.since.day), (card.since.day + 1, AS_OF.day)):
            when = world.any_time(first, last)
            text = world.encode(world.chain_at("desk-serial", when), card.numbers[SERIAL])
            world.read("desk-serial", when, text, "refused-note")
            world.seen.add(card.number(SERIAL))
    world.plant("refused-note", "desk-serial", 2 * len(cut), f"{len(cut)} labels gave a part of a longer serial number")


def wrong_byte_order(world: World, serials: Serials, cards: Cards) -> None:
    """The ferry's reader sends the last byte first."""
    turned = "decimal:32,10/reverse-bytes/uid-a-4"
    for place in range(640):
        number = world.dice.one(cards[SERIAL]).numbers[SERIAL] if place < 612 else serials.draw()
        world.read("ferry", world.any_time(), world.encode(turned, number), "unknown-card")
    world.plant("other-order", "ferry", 612, "612 of 640 reads are of known cards, with the last byte first")
    world.plant("unknown-card", "ferry", 640, "nothing the ferry sends is known as it stands")


def one_facility_code(world: World, cards: Cards) -> None:
    """The crane's reader sends 12 as the facility code of every card."""
    mine = [card for card in cards[HARBOUR] if card.frame["facility"] == 12]
    others = [card for card in cards[HARBOUR] if card.frame["facility"] == 57]
    for _ in range(420):
        world.reads_well("crane", world.any_time(), world.dice.one(mine))
    for _ in range(180):
        when = world.any_time()
        frame = {**world.dice.one(others).frame, "facility": 12}
        world.read("crane", when, world.encode(world.chain_at("crane", when), frame), "unknown-card")
    world.plant("single-facility", "crane", 180, "every card is sent with the facility code 12")
    world.plant("unknown-card", "crane", 180, "180 reads of cards with 57 came as 12")


def damaged_rows(world: World, cards: Cards) -> None:
    """A spreadsheet was used on a part of the readings."""
    zeros = [card for card in cards[HARBOUR] if _at_west_gate(world, card).startswith("0")]
    for _ in range(14):
        text = _at_west_gate(world, world.dice.one(zeros)).lstrip("0")
        world.read("west-gate", world.any_time(), text, "spreadsheet-damage")
    for _ in range(6):
        text = world.encode("binary", encode_frame(world, world.dice.one(cards[HARBOUR])))
        world.read("quay", world.any_time(1, 19), f"{int(text):.5E}", "spreadsheet-damage")
    known = {card.number(HARBOUR)[1] for card in world.cards if HARBOUR in card.numbers}
    left = {True: 2, False: 3}  # by whether what is left of a frame reads as one all the same
    while any(left.values()):
        text = world.encode("binary", encode_frame(world, world.dice.one(cards[HARBOUR])))[:15] + "0" * 11
        reading = world.codec(QUAY).inspect(text)
        fields = reading.value or {}
        if text[0] == "1" and left[reading.ok] and tuple(fields.values()) not in known:
            world.read("quay", world.any_time(1, 19), text, "spreadsheet-damage")
            left[reading.ok] -= 1


def rounded_lines(world: World, cards: Cards) -> None:
    """Thirty more lines of the quay, or some more, kept 15 digits: four different ones, so that its column shows it.

    One line in 2,000 has so many zeros by chance, and a line that is read again is no more evidence.
    """
    known = {card.number(HARBOUR)[1] for card in world.cards if HARBOUR in card.numbers}
    done = 0
    different: set[str] = set()
    while done < 30 or len(different) < 4:
        text = world.encode("binary", encode_frame(world, world.dice.one(cards[HARBOUR])))[:15] + "0" * 11
        fields = world.codec(QUAY).inspect(text).value or {}
        if text[0] == "1" and tuple(fields.values()) not in known:
            world.read("quay", world.any_time(1, 19), text, "spreadsheet-damage")
            different.add(text)
            done += 1
    damaged = sum(read.code == "spreadsheet-damage" for read in world.reads)
    world.plant(
        "spreadsheet-damage", READINGS, damaged,
        f"14 lost their zeros, six were rounded to five places, {done + 5} to 15 digits",
    )  # fmt: skip


def _at_west_gate(world: World, card: DemoCard) -> str:
    return world.encode(world.chain_at("west-gate", moment(1, 0)), card.frame)


def out_of_force(world: World) -> None:
    """Lost cards, one not yet valid and some that ran out before the month are read all the same."""
    reissued = {card.replaces for card in world.cards}
    lost = [card for card in world.cards if card.status == "lost" and card.until != LOSS and card.id in reissued]
    found = [card for card in world.cards if card.status == "lost" and card.until == LOSS]
    over = [card for card in world.cards if card.until == date(2026, 2, 28)]
    soon = [card for card in world.cards if card.since > AS_OF]
    for cards, count, why in (
        (lost, 3, "lost"), (found, 1, "lost in the month"), (over, 4, "expired"), (soon, 1, "not yet valid")
    ):  # fmt: skip
        for card in world.dice.some(cards, count):
            reads = 2 + world.dice.below(3)
            for _ in range(reads):
                when = world.any_time(LOSS.day + 1)
                world.read("west-gate", when, _at_west_gate(world, card), "inactive-read")
            world.plant("inactive-read", card.id, reads, f"{card.id} is {why} and was read {reads} times")


def swapped_serials(world: World) -> None:
    """The register has the serial numbers of two cards the wrong way round; the desk reads both cards."""
    one, other = world.dice.some(two_numbers(world), 2)
    for number, (frame, serial) in enumerate(((one, other), (other, one)), SECONDS_HELD + 1):
        present_card(world, number, world.any_time(), frame, serial)
        world.plant("conflict", frame.id, 2, f"the card of {frame.id} gives the serial number of {serial.id}")


def swapped_cards(world: World, cards: Cards) -> None:
    """Two pairs of colleagues hold each other's cards: the desk expects one and reads the other."""
    drawn = world.dice.some([card for card in cards[HARBOUR] if card.frame["facility"] == 12], 4)
    for one, other in (drawn[:2], drawn[2:]):
        for said, card in ((one, other), (other, one)):
            when = world.any_time()
            text = world.encode(world.chain_at("desk-frame", when), card.frame)
            world.read("desk-frame", when, text, "conflict", "", said.id)
            world.seen.add(card.number(HARBOUR))
            world.plant("conflict", said.id, 1, f"the desk expected {said.id} and read {card.id}")


def broken_off(world: World) -> None:
    """At the lockers four numbers were cleared, one came garbled and the last was never entered."""
    holders = [card for card in world.cards if LOCKER in card.numbers]
    cut = [digits(world, world.dice.one(holders))[: 1 + world.dice.below(5)] for _ in range(6)]
    entries = [(day, [*typed, CLEAR]) for day, typed in zip((3, 9, 16, 24), cut, strict=False)]
    entries += [(27, [*cut[4], GARBLED, ENTER]), (31, cut[5])]
    for day, pressed in entries:
        keys(world, moment(day, 20 * 3600), pressed, "incomplete-entry")
    bursts = sum(len(pressed) for _, pressed in entries)
    world.plant("incomplete-entry", "lockers", bursts, f"{len(entries)} numbers, {bursts} keys, were not entered whole")


def nobodys_numbers(world: World) -> None:
    """Three numbers were typed that nobody has; they begin with 9, and those of the register stop before."""
    for day in (5, 12, 19):
        pressed = [9, *(world.dice.below(10) for _ in range(5)), ENTER]
        keys(world, moment(day, 19 * 3600), pressed, "unknown-card")
    world.plant("unknown-card", "lockers", 21, "three numbers that nobody has were typed, seven keys each")


def noted_serials(world: World) -> None:
    """One serial number in eight begins with a reserved (x8) or shared byte (xF), by chance; others on purpose."""
    numbers = {card.serial for card in world.cards if SERIAL in card.numbers}
    readers = {name: table["chain"] for name, table in world.site["readers"].items() if table["kind"] == SERIAL}
    texts = {
        (readers[read.reader], read.text)
        for read in world.reads
        if read.reader in readers and read.code in COUNTED_CODES
    }
    numbers.update(world.codec(chain).decode(text)["uid"] for chain, text in texts)
    count = sum(number >> 24 & 15 in (8, 15) for number in numbers)
    world.plant("noted-numbers", SERIAL, count, f"the first bytes of {count} of {len(numbers)} end in 8 or F")


def never_seen(world: World) -> None:
    """Of each kind some cards in force were read nowhere all month; they prove nothing."""
    for kind in world.site["kinds"]:
        cards = {
            card.id for card in _cards_in_force(world) if kind in card.numbers and card.number(kind) not in world.seen
        }
        world.plant("never-seen", kind, len(cards), f"{len(cards)} cards in force were read nowhere")


def half_seen(world: World) -> None:
    """Some two-number cards were read by one kind of reader only."""
    count = sum(
        len({card.number(kind) in world.seen for kind in card.numbers}) == 2
        for card in _cards_in_force(world)
        if len(card.numbers) == 2
    )
    world.plant("half-seen", f"{HARBOUR} {SERIAL}", count, f"{count} cards with two numbers showed one of them")


def _cards_in_force(world: World) -> list[DemoCard]:
    """The cards that somebody holds on the day of judgement; not those that two people hold."""
    doubtful = {row.card.id for row in world.assignments if row.code == "overlap"}
    return [card for card in world.cards if card.counts and card.id not in doubtful]

"""What the site file does not know of readers: a clock without its time, a silent re-set, another form all along."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from credkit.demo.world import HARBOUR, DemoCard, DemoRead, World, moment

POWER_FAILURE = moment(11, 4 * 3600)  # the weighbridge's clock began anew, and was put right two days later
DAYS_WITHOUT_TIME = (11, 12)
CLOCK_START = datetime(2000, 1, 1, tzinfo=UTC)  # where it begins
RE_SET = moment(17, 10 * 3600 + 40 * 60)  # the slipway's reader
AFTER_RE_SET = "hex:8/right-justified:26/wiegand-26"  # what it wrote from then on, as the east gate does
Cards = Mapping[str, list[DemoCard]]


def clock_without_time(world: World, cards: Cards) -> None:
    """The weighbridge, where a power failure set the clock back to 2000 for two days."""
    lost = 0
    for day in range(1, 32):
        for _ in range(15 if day in DAYS_WITHOUT_TIME else 4):
            when, card = world.any_time(day, day), world.dice.one(cards[HARBOUR])
            if day not in DAYS_WITHOUT_TIME:
                world.reads_well("weighbridge", when, card)
                continue
            stamp = (CLOCK_START + (when - POWER_FAILURE)).astimezone(when.tzinfo)
            text = world.encode(world.chain_at("weighbridge", when), card.frame)
            world.seen.add(card.number(HARBOUR))
            world.reads.append(DemoRead(stamp=stamp, reader="weighbridge", text=text, code=None))
            lost += 1
    world.plant("clock", "weighbridge", lost, f"{lost} reads of two days are stamped 2000")


def silent_reset(world: World, cards: Cards) -> None:
    """The slipway's reader wrote decimal digits until it was re-set, and hexadecimal ones from then on.

    Texts in which no letter stands are left out: a few would still be numbers, of other cards.
    """
    for _ in range(130):
        when = world.any_time(1, 17)
        if when < RE_SET:
            world.reads_well("slipway", when, world.dice.one(cards[HARBOUR]))
    after = 0
    while after < 110:
        when, card = world.any_time(17, 31), world.dice.one(cards[HARBOUR])
        text = world.encode(AFTER_RE_SET, card.frame)
        if when >= RE_SET and not text.isdecimal():
            world.read("slipway", when, text, "unreadable")
            after += 1
    world.plant("re-set", "slipway", after, f"from 17 March, 10:40, {after} texts are hexadecimal")
    world.plant("unreadable", "slipway", after, f"none of {after} texts has the form of the site file")


def another_form(world: World, cards: Cards) -> None:
    """The linkspan writes as the yard does since its re-set; the site file says that it writes as the yard did.

    Texts in which no letter stands are left out: they fail another rule.
    """
    done = 0
    while done < 60:
        text = world.encode(world.chain_at("yard", RE_SET), world.dice.one(cards[HARBOUR]).frame)
        if not text.isdecimal():
            world.read("linkspan", world.any_time(), text, "unreadable")
            done += 1
    world.plant("other-chain", "linkspan", done, f"{done} texts of six hexadecimal digits")
    world.plant("unreadable", "linkspan", done, f"none of {done} texts has the form of the site file")

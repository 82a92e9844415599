"""A month of readings of a site as a port operator has it: all families of readers, and what goes wrong with them.

Everything follows from the register, the number of rows and a seed. The rows are made and written a part of the month
at a time; the reason why a row must be an exception is known for each of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from benchmarks.port_register import (
    GATES,
    LOCKER_NUMBERS,
    LOCKERS,
    REFUSED_BYTES,
    STRANGE_FACILITY,
    STRANGERS,
    WEST_GATES,
    Register,
    digits,
)  # fmt: skip

Numbers = NDArray[Any]
START, DAYS = 1_772_319_600, 31  # 1 March 2026 in Amsterdam
RESET = 1_773_486_000  # 14 March, noon: the pier's reader was re-set
BEHIND = 26 * 365 * 86_400 + 7 * 86_400  # seconds by which the weir's clock is behind
YARD_FAST = 200
PART = 1_000_000  # rows that are made at once
KEYS = 7  # six digits, and the key that ends or clears them
SHARES = {
    "west": 0.10, "quay": 0.05, "weir": 0.01, "yard": 0.08, "pier": 0.08, "office": 0.08, "lobby": 0.06,
    "canteen": 0.06, "mess": 0.04, "ferry": 0.02, "kiosk": 0.03, "pilots": 0.04, "time-clock": 0.01, "desk": 0.03,
    "lockers": 0.04,
}  # fmt: skip
Noise = Mapping[str, float]
FRAMES: Noise = {
    "unknown-card": 0.015, "check-failed": 0.012, "inactive-read": 0.012, "unexpected-value": 0.007,
    "unreadable": 0.005,
}  # fmt: skip
ZEROS: Noise = {**FRAMES, "spreadsheet-damage": 0.02}
PLAIN_FRAMES: Noise = {"unknown-card": 0.02, "inactive-read": 0.015, "unexpected-value": 0.007, "unreadable": 0.005}
SERIALS: Noise = {"unknown-card": 0.02, "inactive-read": 0.015, "refused-note": 0.01, "unreadable": 0.005}
STRIPES: Noise = {
    "unknown-card": 0.01, "inactive-read": 0.015, "other-issue": 0.02, "check-failed": 0.01, "unreadable": 0.005,
}  # fmt: skip
SWIPES: Noise = {"unknown-card": 0.01, "inactive-read": 0.015, "other-issue": 0.02}
ENTRIES: Noise = {"incomplete-entry": 0.03, "unknown-card": 0.02, "inactive-read": 0.02}
CLEAR, ENTER = 10, 11
RANDOM = 0x08  # the first byte of a random serial number (ISO/IEC 14443-3)
UNREADABLE = "NO READ"
CONFLICTS = 0.02  # of the cards held to the desk
EXPECTED = 0.8


def write_readings(folder: Path, register: Register, readings: int, dice: np.random.Generator) -> pl.DataFrame:
    """Write so many rows of readings.csv; how many rows each reader has of each code ("" for resolved rows)."""
    maker = _Month(register, dice)
    parts = -(-readings // PART)
    counts = []
    with (folder / "readings.csv").open("wb") as file:
        for part in range(parts):
            rows = readings * (part + 1) // parts - readings * part // parts
            span = DAYS * 86_400 // parts
            table = maker.make(rows, START + part * span, span)
            counts.append(table.group_by("reader", "code").len("rows"))
            stamp = pl.from_epoch("seconds").dt.replace_time_zone("UTC").dt.convert_time_zone("Europe/Amsterdam")
            table.sort("seconds").select(
                stamp.dt.to_string("%Y-%m-%dT%H:%M:%S%:z").alias("time"), "reader", "text", "presentation", "expected"
            ).write_csv(file, include_header=not part)
    return pl.concat(counts).group_by("reader", "code").agg(pl.sum("rows")).sort("reader", "code")


def format_hex(numbers: Numbers) -> pl.Series:
    """Eight digits each."""
    text = numbers.astype(">u4").tobytes().hex().upper()
    return pl.Series(np.frombuffer(text.encode(), "S8").astype(str))


def format_bits(bits: Numbers) -> pl.Series:
    """A row of bits each, as binary digits."""
    text = (bits.astype(np.uint8) + ord("0")).tobytes()
    return pl.Series(np.frombuffer(text, f"S{bits.shape[1]}").astype(str))


def format_decimal(numbers: Numbers, width: int) -> pl.Series:
    """Decimal digits with zeros in front."""
    return pl.DataFrame({"number": numbers}).select(digits("number", width)).to_series()


def swap_bytes(numbers: Numbers) -> Numbers:
    """32-bit numbers, last byte first."""
    return numbers.astype(np.uint32).byteswap().astype(np.int64)


def frame_words(facility: Numbers, number: Numbers) -> Numbers:
    """26 bits: even parity over the first twelve, odd parity over the others (SIA AC-01)."""
    data = facility << 16 | number
    even = np.bitwise_count(data >> 12) & 1
    odd = ~np.bitwise_count(data & 0xFFF) & 1
    return np.asarray(even.astype(np.int64) << 25 | data << 1 | odd.astype(np.int64))


def unpack(words: Numbers, length: int) -> Numbers:
    """The bits of each word, first one first."""
    return np.asarray(words[:, None] >> np.arange(length - 1, -1, -1) & 1)


def track_digits(number: Numbers, issue: Numbers) -> Numbers:
    """The characters of the staff stripe as numbers: ``;57``, eight digits, their check digit by ISO/IEC 7812-1,
    ``=``, the issue and ``?``."""
    places = number[:, None] // 10 ** np.arange(7, -1, -1) % 10
    double = 2 * places[:, 1::2]
    total = places[:, ::2].sum(1) + (double // 10 + double % 10).sum(1)
    row = np.empty((len(number), 16), np.int64)
    row[:, :3] = (11, 5, 7)
    row[:, 3:11] = places
    row[:, 11] = -total % 10
    row[:, 12] = 13
    row[:, 13:15] = issue[:, None] // np.array([10, 1]) % 10
    row[:, 15] = 15
    return row


def track_bits(characters: Numbers) -> Numbers:
    """The bits of track 2 by ISO/IEC 7811-2: four bits, least significant first, odd parity; the LRC at the end."""
    lrc = np.bitwise_xor.reduce(characters, axis=1)
    data = np.concatenate([characters, lrc[:, None]], axis=1)
    bits = data[:, :, None] >> np.arange(4) & 1
    odd = 1 - bits.sum(2, keepdims=True) % 2
    return np.concatenate([bits, odd], axis=2).reshape(len(data), -1)


def format_track(characters: Numbers) -> pl.Series:
    """The characters of a track as a keyboard types them, without the LRC."""
    text = (characters + ord("0")).astype(np.uint8).tobytes()
    return pl.Series(np.frombuffer(text, f"S{characters.shape[1]}").astype(str))


def format_nibbles(bits: Numbers) -> pl.Series:
    """Bits in hexadecimal digits, four each."""
    digit = bits.reshape(len(bits), -1, 4) @ np.array([8, 4, 2, 1])
    text = np.frombuffer(b"0123456789ABCDEF", np.uint8)[digit].tobytes()
    return pl.Series(np.frombuffer(text, f"S{digit.shape[1]}").astype(str))


class _Month:
    """Draws readings of a register's numbers."""

    def __init__(self, register: Register, dice: np.random.Generator) -> None:
        self.dice = dice
        self.cards = register.numbers("card", active=True)
        self.lapsed_cards = register.numbers("card", active=False)
        self.serials = register.numbers("serial", active=True)
        self.lapsed_serials = register.numbers("serial", active=False)
        self.stripes = register.numbers("stripe", active=True)
        self.lapsed_stripes = register.numbers("stripe", active=False)
        self.old_stripes = register.old_stripes.with_columns(issue=1)
        self.lockers = register.numbers("locker", active=True)
        self.lapsed_lockers = register.numbers("locker", active=False)
        self.desk_frames = register.numbers("card", active=True, prefix="W-")
        self.desk_serials = register.numbers("serial", active=True, prefix="W-")
        known = register.table.filter(pl.col("kind") == "serial")["number"].to_numpy()
        drawn = np.setdiff1d(dice.integers(0x10 << 24, 0x80 << 24, 500), np.concatenate([known, swap_bytes(known)]))
        self.strangers = drawn[~np.isin(drawn & 0xFF, REFUSED_BYTES)]
        self.presentations = 0

    def make(self, rows: int, start: int, span: int) -> pl.DataFrame:
        """So many readings, from ``start`` on, in ``span`` seconds, with the code of each."""
        self.start, self.span = start, span
        count = {name: int(rows * share) for name, share in SHARES.items()}
        tables = [
            self._frames(_spread("west", WEST_GATES, count["west"]), ZEROS),
            self._frames(["quay"] * count["quay"], FRAMES),
            self._frames(["weir"] * count["weir"], {}),
            self._frames(["yard"] * count["yard"], PLAIN_FRAMES),
            self._frames(["pier"] * count["pier"], PLAIN_FRAMES),
            *(self._serials(name, count[name]) for name in ("office", "lobby", "canteen", "mess", "ferry")),
            self._stripes("kiosk", count["kiosk"], STRIPES),
            self._stripes("pilots", count["pilots"], STRIPES),
            self._stripes("time-clock", count["time-clock"], SWIPES),
            self._desk(count["desk"] // 2),
            *(self._lockers(f"lockers-{place}", count["lockers"] // LOCKERS // KEYS) for place in range(LOCKERS)),
        ]
        rest = rows - sum(table.height for table in tables)
        return pl.concat([*tables, self._frames(_spread("gate", GATES, rest), FRAMES)])

    def _codes(self, count: int, noise: Noise) -> Numbers:
        """For each reading the code of its exception; "" for most."""
        chances = [1 - sum(noise.values()), *noise.values()]
        return np.array(["", *noise])[self.dice.choice(len(chances), count, p=chances)]

    def _seconds(self, count: int) -> Numbers:
        return self.start + self.dice.integers(0, self.span, count)

    def _some(self, table: pl.DataFrame, count: int) -> pl.DataFrame:
        return table[self.dice.integers(0, table.height, count)]

    def _draw(self, active: pl.DataFrame, lapsed: pl.DataFrame, codes: Numbers) -> pl.DataFrame:
        """The credential of each reading: one that is in force, but for those of lapsed ones."""
        good, bad = self._some(active, len(codes)), self._some(lapsed, len(codes))
        place = np.where(codes == "inactive-read", len(codes), 0) + np.arange(len(codes))
        return pl.concat([good, bad])[place]

    def _frames(self, names: Sequence[str], noise: Noise) -> pl.DataFrame:
        """Readings of cards at the readers ``names``, which write them alike."""
        count, dice = len(names), self.dice
        codes, seconds, reader = (
            self._codes(count, noise),
            self._seconds(count),
            names[0].split("-")[0] if names else "",
        )
        held = self._draw(self.cards, self.lapsed_cards, codes)
        facility, number = held["facility"].to_numpy().copy(), held["number"].to_numpy().copy()
        stranger = codes == "unknown-card"
        number[stranger] = STRANGERS[0] + dice.integers(0, len(STRANGERS), int(stranger.sum()))
        facility[codes == "unexpected-value"] = STRANGE_FACILITY
        words = frame_words(facility, number)
        words ^= np.where(codes == "check-failed", 1 << dice.integers(0, 26, count), 0)
        if reader == "west":
            text = format_decimal(words, 8)
            codes[(codes == "spreadsheet-damage") & (words >= 10**7)] = ""  # no zero to be lost
            text = pl.select(
                pl.when(pl.Series(codes == "spreadsheet-damage")).then(text.str.strip_chars_start("0")).otherwise(text)
            ).to_series()
        elif reader == "quay":
            text = format_bits(unpack(words, 26))
        elif reader == "yard":
            text = format_decimal(facility, 3) + "," + format_decimal(number, 5)
            seconds = seconds + YARD_FAST
        elif reader == "pier":
            data = facility << 16 | number
            late = pl.Series(seconds >= RESET)
            text = pl.select(
                pl.when(late).then(format_hex(data).str.tail(6)).otherwise(format_decimal(data, 8))
            ).to_series()
        else:
            text = format_hex(words)
            seconds = seconds - BEHIND if reader == "weir" else seconds
        return _table(seconds, names, text, codes)

    def _serials(self, name: str, count: int) -> pl.DataFrame:
        """Readings of serial numbers, by readers that write either byte first."""
        codes = self._codes(count, SERIALS if name != "ferry" else {"unknown-card": 0.05})
        uid = self._draw(self.serials, self.lapsed_serials, codes)["number"].to_numpy().copy()
        stranger, phone = codes == "unknown-card", codes == "refused-note"
        uid[stranger] = self.dice.choice(self.strangers, int(stranger.sum()))
        uid[phone] = RANDOM << 24 | uid[phone] & 0xFFFFFF
        if name in ("lobby", "mess", "ferry"):
            uid = swap_bytes(uid)
        if name == "ferry":
            codes = np.full(count, "unknown-card", "U13")
            codes[np.isin(uid, self.serials["number"])] = ""  # turned round, a number may be another card's
            codes[np.isin(uid, self.lapsed_serials["number"])] = "inactive-read"
        text = format_decimal(uid, 10) if name in ("canteen", "mess", "ferry") else format_hex(uid)
        return _table(self._seconds(count), [name] * count, text, codes)

    def _stripes(self, name: str, count: int, noise: Noise) -> pl.DataFrame:
        """Swipes: the bits of a track in digits or in hex, or its characters."""
        codes, dice = self._codes(count, noise), self.dice
        held = self._draw(self.stripes, self.lapsed_stripes, codes)
        old = pl.Series(codes == "other-issue")
        other = self._some(self.old_stripes, count)
        number = pl.select(pl.when(old).then(other["number"]).otherwise(held["number"])).to_series().to_numpy().copy()
        issue = pl.select(pl.when(old).then(other["issue"]).otherwise(held["issue"])).to_series().to_numpy()
        number[codes == "unknown-card"] += 90_000_000
        characters = track_digits(number, issue)
        wrong = codes == "check-failed"
        if name == "pilots":
            characters[wrong, 11] = (characters[wrong, 11] + 1) % 10
            text = format_track(characters)
        else:
            bits = track_bits(characters)
            bits[wrong, 15 + dice.integers(0, 40, int(wrong.sum()))] ^= 1  # in one of the eight digits
            lead = 20 if name == "kiosk" else 22  # zeros before a swipe; 22 + 85 + 21 is a multiple of 4
            bits = np.pad(bits, ((0, 0), (lead, 21)))
            text = format_bits(bits) if name == "kiosk" else format_nibbles(bits)
        return _table(self._seconds(count), [name] * count, text, codes)

    def _desk(self, count: int) -> pl.DataFrame:
        """Cards with two numbers held to both readers of the desk; a few times another card than it expects."""
        dice = self.dice
        seconds = self._seconds(count)
        place = dice.integers(0, self.desk_frames.height, count)
        frames, serials = self.desk_frames[place], self.desk_serials[place]
        names = pl.select(pl.format("D-{}", self.presentations + pl.int_range(count))).to_series()
        self.presentations += count
        wrong = dice.random(count) < CONFLICTS
        other = self.desk_frames[np.where(wrong, (place + 1) % self.desk_frames.height, place)]["id"]
        says = pl.Series(wrong | (dice.random(count) < EXPECTED))
        expected = pl.select(pl.when(says).then(other)).to_series()
        codes = np.where(wrong, "conflict", "")
        words = format_hex(frame_words(frames["facility"].to_numpy(), frames["number"].to_numpy()))
        uids = format_hex(serials["number"].to_numpy()).str.to_lowercase()
        return pl.concat([
            _table(seconds, ["desk-frame"] * count, words, codes, names, expected),
            _table(seconds + 1, ["desk-serial"] * count, uids, codes, names, expected),
        ])  # fmt: skip

    def _lockers(self, name: str, count: int) -> pl.DataFrame:
        """Numbers that are typed, a row a key; some are cleared at the end, some are nobody's."""
        codes = self._codes(count, ENTRIES)
        number = self._draw(self.lockers, self.lapsed_lockers, codes)["number"].to_numpy().copy()
        stranger = codes == "unknown-card"
        number[stranger] = LOCKER_NUMBERS + number[stranger] % (10**6 - LOCKER_NUMBERS)
        keys = np.empty((count, KEYS), np.int64)
        keys[:, :6] = number[:, None] // 10 ** np.arange(5, -1, -1) % 10
        keys[:, 6] = np.where(codes == "incomplete-entry", CLEAR, ENTER)
        each = self.span // max(count, 1)  # no two entries overlap
        begun = self.start + np.arange(count) * each
        seconds = (begun[:, None] + np.arange(KEYS)).reshape(-1)
        text = pl.Series(np.array(list("0123456789AB"))[keys.reshape(-1)])
        return _table(seconds, [name] * len(seconds), text, np.repeat(codes, KEYS))


def _spread(name: str, readers: int, count: int) -> list[str]:
    """So many names, those of all readers in turn."""
    return [f"{name}-{place % readers}" for place in range(count)]


def _table(
    seconds: Numbers, readers: Sequence[str], text: pl.Series, codes: Numbers, presentation: pl.Series | None = None,
    expected: pl.Series | None = None,
) -> pl.DataFrame:  # fmt: skip
    told = pl.Series(codes)
    return pl.DataFrame({
        "seconds": seconds, "reader": pl.Series(readers, dtype=pl.String),
        "text": pl.select(pl.when(told == "unreadable").then(pl.lit(UNREADABLE)).otherwise(text)).to_series(),
        "presentation": presentation, "expected": expected, "code": told,
    }, schema_overrides={"presentation": pl.String, "expected": pl.String, "code": pl.String})  # fmt: skip

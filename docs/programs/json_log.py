"""A log of decoded cards, one JSON object a line; account numbers never stand in it in full."""

import json
import sys
from typing import TextIO

import credkit

READER = credkit.chain("hex:8/right-justified:26/wiegand-26", takes="text", gives="fields")


def log(text: str, stream: TextIO) -> None:
    """Write what one text decodes to, or which check failed at which characters."""
    reading = READER.inspect(text)
    row: dict[str, object] = {"ok": reading.ok}
    if reading.ok and reading.value is not None:
        row["fields"] = dict(reading.value)
    if check := reading.failed:
        row |= {"codec": check.codec, "rule": check.rule, "at": reading.trace(check), "why": check.sentence()}
    stream.write(json.dumps(row) + "\n")


def main() -> None:
    """A good card, one with a wrong bit, one that lost its first digit, and a bank card at the wrong reader."""
    for text in ("02F764DD", "02F764DC", "2F764DD", ";4114360123456785=3012?"):  # the number of the WHATWG's example
        log(text, sys.stdout)


if __name__ == "__main__":
    main()

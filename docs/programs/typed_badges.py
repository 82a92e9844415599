"""Typed chains: mypy knows what goes in and what comes out, down to the names of the fields."""

from typing import TypedDict

import credkit


class Badge(TypedDict):
    """The fields of a frame as this program means them; checked against the chain when the chain is built."""

    facility: int
    number: int


READER = credkit.chain("hex:8/right-justified:26/wiegand-26", takes="text", gives=Badge)
BACK_END = credkit.chain("template:{facility:03d}{number:05d}", takes="text", gives=Badge)
TO_BACK_END = credkit.conversion(READER, BACK_END)  # a Conversion[str, str]


def next_free(text: str) -> str:
    """The text for the card after the one that was read."""
    badge = READER.decode(text)
    return BACK_END.encode({"facility": badge["facility"], "number": badge["number"] + 1})
    # READER.decode(7), badge["card"], badge["number"] + "1" and encode({"number": 1}) are errors of mypy


def main() -> None:
    """What is stated about a chain is checked when it is built."""
    print(next_free("02F764DD"), TO_BACK_END.convert("02F764DD"))
    try:
        credkit.chain("hex:8/right-justified:26", takes="text", gives=Badge)
    except credkit.DefinitionError as error:
        print(error)


if __name__ == "__main__":
    main()

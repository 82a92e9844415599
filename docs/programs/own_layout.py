"""A layout that only Brackwater Terminal has, in Python: site, number, two parity bits."""

import credkit

GATE = credkit.layout_entry(
    "pier-29",
    length=29,
    title="29 bits: site, number, two parity bits",
    fields={"site": (1, 5), "number": {"bits": range(6, 28), "most": 3_999_999}},
    checks=[{"bit": 0, "even": "1-13"}, {"bit": 28, "odd": "14-27"}],
    remarks=[{"field": "site", "values": [0], "level": "care", "text": "site 0: a card from before the merger"}],
    examples=[{"bits": "00011100000010110010011011101", "fields": {"site": 7, "number": 45678}}],
)
READER = credkit.chain("hex:8/right-justified:29/pier-29", codecs=GATE, takes="text", gives="fields")


def main() -> None:
    """A card is read and written; a wrong bit and a layout that cannot be are refused with their places."""
    card = READER.decode("038164DD")
    print(card, READER.encode(card))
    print(READER.inspect("000164DC").notes)
    try:
        READER.decode("038164DC")
    except credkit.DecodeError as error:
        print(error)
    try:
        credkit.layout_entry("pier-29", length=29, fields={"site": (1, 5), "number": (5, 27)})
    except credkit.DefinitionError as error:
        print(error)


if __name__ == "__main__":
    main()

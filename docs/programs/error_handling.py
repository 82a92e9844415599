"""Every way to be wrong has one error class, and each error says where."""

import credkit

READER = "hex:8/right-justified:26/wiegand-26"


def explain(text: str) -> str:
    """What a person at the desk is told about a text that does not decode."""
    try:
        return f"card {credkit.decode(READER, text)}"
    except credkit.DecodeError as error:  # a value: it cannot be read, or a check on it fails
        rule = error.check.rule if error.check else "form"
        return f"{error.codec}, {rule}, at characters {error.place}: {error}"


def main() -> None:
    """DecodeError, EncodeError, DefinitionError and UnknownCodec; CredkitError is all of them."""
    for text in ("02F764DD", "02F764DC", "02F764D", "02F764DG"):
        print(explain(text))
    try:
        credkit.encode(READER, {"facility": 256, "number": 1})
    except credkit.EncodeError as error:  # fields: one is missing, unknown or out of range
        print(error)
    try:
        credkit.chain("hex:8/wiegand-26")
    except credkit.DefinitionError as error:  # a chain, a layout or a table, whatever is read with it
        print(error)
    try:
        credkit.chain("hex:8/weigand-26")
    except credkit.UnknownCodec as error:  # a name
        print(error)
    try:
        credkit.decode("hex:8/right-justified:26/wiegand-34", "02F764DD")
    except credkit.CredkitError as error:  # any of them
        print(type(error).__name__)


if __name__ == "__main__":
    main()

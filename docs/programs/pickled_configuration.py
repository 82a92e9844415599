"""A configuration that is made once, kept in a file, and compared with the one in use before it takes over."""

import pickle
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import credkit
from credkit import Codec, FieldMapping


@dataclass(frozen=True)
class Gate:
    """What one reader of Brackwater Terminal emits."""

    name: str
    reader: Codec[str, FieldMapping]


def configured(reader: str) -> tuple[Gate, ...]:
    """The gates as the site describes them."""
    lockers = credkit.map_entry({"lockers": {101: 9001, 102: 9002}})
    return (
        Gate("north", credkit.chain(reader, takes="text", gives="fields")),
        Gate(
            "lockers",
            credkit.chain("decimal:16/fields:number:16/map:lockers,number", lockers, takes="text", gives="fields"),
        ),
    )


def main() -> None:
    """Chains are equal by what they do, so a configuration that has not changed is left alone.

    Unpickle files of your own only: a pickle from somebody else can run any program.
    """
    gates = configured("hex:8/right-justified:26/wiegand-26")
    with tempfile.TemporaryDirectory() as folder:
        kept = Path(folder) / "gates.pickle"
        kept.write_bytes(pickle.dumps(gates))
        again: tuple[Gate, ...] = pickle.loads(kept.read_bytes())
    print("unchanged:", again == configured("hex:8/right-justified:26/wiegand-26"))
    print("changed:", again == configured("hex:8/reverse-bytes/right-justified:26/wiegand-26"))
    print(again[0].reader.decode("02F764DD"), again[1].reader.encode({"number": 9002}))
    print(len({again[0], gates[0], replace(gates[0], name="south")}), "different gates;", again[0].reader)


if __name__ == "__main__":
    main()

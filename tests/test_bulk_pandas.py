"""Results go back beside the pandas frame they came from: its index stays, its columns are never guessed at.

The outside judge is pandas itself, which aligns what is assigned to a frame by the index.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
import pytest

import credkit
from credkit.bulk import Bulk
from credkit.core.errors import DefinitionError

GATE = "hex:8/right-justified:26/wiegand-26"
TO_LIST = "split-decimal:8,16/fields:facility:8,number:16"
NUMBERS = [45678, 7, 45678, 9, 12345]


def captures() -> Any:
    """Five captures of which a filter leaves two, with the numbers that stand in them."""
    frame = pd.DataFrame({"facility": [123] * 5, "number": NUMBERS}, dtype="UInt64", index=[*"abcde"])
    frame["raw"] = Bulk(credkit.chain(GATE)).encode(frame[["facility", "number"]]).values
    return frame[[False, True, False, False, True]]


RESULTS: dict[str, Callable[[Bulk, Any], Any]] = {
    "inspect": lambda gate, frame: gate.inspect(frame.raw),
    "decode": lambda gate, frame: gate.decode(frame.raw),
    "encode": lambda gate, frame: gate.encode(frame[["facility", "number"]]),
    "encode_or_null": lambda gate, frame: gate.encode_or_null(frame[["facility", "number"]]),
    "encode of a mapping": lambda gate, frame: gate.encode({"facility": [123, 123], "number": frame.number}),
    "convert": lambda _, frame: credkit.bulk.conversion(GATE, TO_LIST).convert(frame.raw),
    "convert_or_null": lambda _, frame: credkit.bulk.conversion(GATE, TO_LIST).convert_or_null(frame.raw),
}


@pytest.mark.parametrize("way", RESULTS)
def test_a_table_has_the_index_of_the_frame_it_came_from(way: str) -> None:
    frame = captures()
    table = RESULTS[way](credkit.bulk.compile(GATE), frame).to_pandas()
    assert table.index.tolist() == ["b", "e"]
    texts = [f"123,{number:05}" for number in (7, 12345)] if way.startswith("convert") else frame.raw.tolist()
    wanted = [7, 12345] if "number" in table else texts
    assigned = frame.assign(back=table.iloc[:, -1])
    assert assigned.back.tolist() == wanted


def test_other_columns_have_an_index_of_their_own() -> None:
    gate = credkit.bulk.compile(GATE)
    texts = captures().raw.tolist()
    for column in (texts, tuple(texts), pd.array(texts), pd.Index(texts), captures().raw.to_numpy()):
        assert gate.decode(column).to_pandas().index.tolist() == [0, 1]


def test_columns_with_different_indexes_are_refused() -> None:
    gate = credkit.bulk.compile(GATE)
    first, second = pd.Series([1, 2], index=[0, 1]), pd.Series([1, 2], index=[1, 0])
    with pytest.raises(DefinitionError, match="the columns facility and number have different indexes: align them, or"):
        gate.encode({"facility": first, "number": second})
    table = gate.encode({"facility": first, "number": second.reset_index(drop=True)}).to_pandas()
    assert table.text.tolist() == [gate.codec.encode({"facility": each, "number": each}) for each in (1, 2)]

"""Tables of Arrow and pandas, nulls where a row fails."""

import pandas as pd
import pyarrow as pa

import credkit

gate = credkit.bulk.compile("hex:8/right-justified:26/wiegand-26")
raw = pd.Series(["02F764DD", None, "02F764DC"], index=["north", "quay", "south"])

table = gate.inspect(raw).to_pandas()
assert table["number"].dtype == "UInt64"
assert table["number"].isna().tolist() == [False, True, True]
assert table.index.equals(raw.index)

arrow = gate.inspect(pa.array(["02F764DD", None, "02F764DC"])).to_arrow()
assert arrow.column("number").to_pylist() == [45678, None, None]

written = gate.encode_or_null(table)
assert written.values == ["02F764DD", None, None]
print(gate.inspect(raw))

"""Words of a controller in numpy: what decodes, which rows fail which check, and back."""

import numpy as np

import credkit
from credkit import DecodeError

gate = credkit.bulk.compile("wiegand-26")
words = np.array([0x2F764DD, 0x2F764DC, -1], np.int64)

found = gate.inspect(words)
numbers = found.fields["number"]  # a masked array over the memory of the column
assert numbers.tolist() == [45678, None, None]
assert found.ok.tolist() == [True, False, False]
assert found.unchecked_fields["number"].tolist() == [45678, 45678, None]
for rule in found.rules:
    rows = np.flatnonzero(found.failures[rule])
    if len(rows):
        print(rule.codec, rule.rule, rows.tolist())

try:
    gate.decode(words)
except DecodeError as error:
    print(error.row, error)

cards = gate.decode(words[:1])
assert gate.encode(cards.fields).values.tolist() == [0x2F764DD]

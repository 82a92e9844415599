"""Chains for many rows: arrays and columns in, one column a field and a mask for every check out.

Needs the extra ``audit`` (numpy; polars for columns of texts).

>>> import numpy as np
>>> import credkit.bulk
>>> gate = credkit.bulk.compile("wiegand-26")
>>> found = gate.decode(np.array([0x2F764DD, 0x2F764DC], np.uint64))
>>> found.fields["facility"].tolist(), found.fields["number"].tolist(), found.ok.tolist()
([123, 123], [45678, 45678], [True, False])
>>> [rule.rule for rule in found.rules], found.first.tolist()
(['even-parity', 'odd-parity'], [-1, 1])
>>> [hex(word) for word in gate.encode({"facility": [123], "number": [45678]}).values.tolist()]
['0x2f764dd']
"""

from __future__ import annotations

try:
    import numpy  # noqa: F401  # what all of this package stands on
except ModuleNotFoundError:
    needed = "credkit.bulk needs the extra audit: pip install 'credkit[audit]'"
    raise ModuleNotFoundError(needed, name="numpy") from None

from credkit.bulk.block import Earned, Rule
from credkit.bulk.compiled import Bulk, Decoded, Encoded
from credkit.catalogue.own import Codecs
from credkit.catalogue.registry import chain
from credkit.core.codec import AnyCodec

__all__ = ["Bulk", "Decoded", "Earned", "Encoded", "Rule", "compile"]


def compile(codec: AnyCodec | str, codecs: Codecs = ()) -> Bulk:
    """The bulk form of a chain, written or built; ``codecs`` are a site's own entries."""
    return Bulk(chain(codec, codecs))

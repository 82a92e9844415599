"""Chains for many rows: arrays and columns in, one column a field and a mask for every check out.

Needs the extra ``site`` (numpy and polars). `decode` raises for the first row that fails, `inspect` for none.

>>> import numpy as np
>>> import credkit
>>> gate = credkit.bulk.compile("wiegand-26")
>>> gate.decode(np.array([0x2F764DD], np.uint64)).fields["number"].tolist()
[45678]
>>> found = gate.inspect(np.array([0x2F764DD, 0x2F764DC], np.uint64))
>>> found
Inspected(2 rows, 1 ok, fields: facility number, failures: wiegand-26 odd-parity 1)
>>> found.fields["number"].tolist(), found.ok.tolist(), found.first_failed_rule.tolist()
([45678, None], [True, False], [-1, 1])
>>> [hex(word) for word in gate.encode({"facility": [123], "number": [45678]}).values.tolist()]
['0x2f764dd']
"""

from __future__ import annotations

from credkit.core.extras import needs_site_extra

with needs_site_extra("credkit.bulk"):
    import numpy  # noqa: F401  # the base of this package, as is polars
    import polars  # noqa: F401

from credkit.bulk.compiled import Bulk, BulkConversion
from credkit.bulk.results import Decoded, Encoded, Inspected
from credkit.bulk.rowblock import NoteKind, Rule
from credkit.catalogue import api
from credkit.catalogue.own import Codecs
from credkit.catalogue.registry import Chainlike, chain

__all__ = ["Bulk", "BulkConversion", "Decoded", "Encoded", "Inspected", "NoteKind", "Rule", "compile", "conversion"]


def compile(codec: Chainlike, codecs: Codecs = ()) -> Bulk:
    """The bulk form of a chain, written or built; ``codecs`` are a site's own entries.

    >>> compile("hex:8/right-justified:26/wiegand-26").encode({"facility": [123], "number": [45678]}).values
    ['02F764DD']
    """
    return Bulk(chain(codec, codecs))


def conversion(source: Chainlike, target: Chainlike, codecs: Codecs = ()) -> BulkConversion:
    """The bulk form of `credkit.conversion`: from what one chain decodes to what another encodes.

    >>> to_list = conversion("hex:8/right-justified:26/wiegand-26", "split-decimal:8,16/fields:facility:8,number:16")
    >>> to_list.convert(["02F764DD"]).values
    ['123,45678']
    >>> to_list.convert_or_null(["02F764DD", "02F764DC", None]).values
    ['123,45678', None, None]
    """
    return BulkConversion(api.conversion(source, target, codecs))

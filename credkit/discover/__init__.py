"""Discovery: from samples of an undocumented format to what they have in common, and how sure one can be.

>>> from credkit import discover
>>> frames = [f"{n:016b}{n.bit_count() % 2}" for n in range(7, 65536, 1301)]
>>> found = discover.layout(frames)
>>> found.chain, found.checks[0].cover.bit, found.checks[0].confidence
('binary/found-17', 16, 'established')
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from credkit.discover.blockchecks import find_block_checks as find_block_checks
    from credkit.discover.chains import chain as chain
    from credkit.discover.checkdigits import check_digits as check_digits
    from credkit.discover.crcrecovery import common_starts as common_starts
    from credkit.discover.layoutsearch import layout as layout
    from credkit.discover.layoutsearch import layouts as layouts
    from credkit.discover.sites import site as site

_HOMES = {  # each call is loaded when it is first used
    "chain": "chains", "check_digits": "checkdigits", "common_starts": "crcrecovery",
    "find_block_checks": "blockchecks", "layout": "layoutsearch", "layouts": "layoutsearch",
    "site": "sites",
}  # fmt: skip


if not TYPE_CHECKING:

    def __getattr__(name: str) -> Any:
        if name in _HOMES:
            value = getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
            globals()[name] = value
            return value
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(_HOMES)

"""The crosswalk: every reading resolved to a credential, every credential to what a target should hold.

`crosswalk` takes a site (and rows, if they are not those of its files) and returns a `Crosswalk`;
`write_outputs` writes it. Whatever cannot be decided goes to a person, with its reason.
"""

from credkit.crosswalk.outputs import write_outputs
from credkit.crosswalk.result import Crosswalk, CrosswalkLine, Exceptional, Finding, SummaryTable
from credkit.crosswalk.summary import summary_text
from credkit.crosswalk.walk import crosswalk

__all__ = [
    "Crosswalk",
    "CrosswalkLine",
    "Exceptional",
    "Finding",
    "SummaryTable",
    "crosswalk",
    "summary_text",
    "write_outputs",
]

"""A site file proposed from exports: how they are written, what their columns hold, which chains fit.

Nothing is decided silently: each line has its evidence beside it, and each doubt is named.
"""

from __future__ import annotations

from credkit.proposal.pipeline import SiteProposal, propose_site
from credkit.proposal.samplesite import sample_site

__all__ = ["SiteProposal", "propose_site", "sample_site"]

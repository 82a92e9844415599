"""Search: what an unknown text may be, and how two texts of one card are connected."""

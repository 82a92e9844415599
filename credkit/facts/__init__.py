"""Facts: what texts, columns and rows say by themselves, for the crosswalk and the census alike."""

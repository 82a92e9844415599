"""Discovery: from samples of an undocumented format to what they have in common, and how sure one can be."""

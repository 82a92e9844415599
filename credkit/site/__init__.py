"""A site: its description, what it is, and the rows of its files."""

from credkit.site.description import load_rows, load_site

__all__ = ["load_rows", "load_site"]

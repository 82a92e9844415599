"""The file that ``--layouts`` names: codecs of a site's own, for one run."""

from __future__ import annotations

import tomllib
from pathlib import Path

from credkit import content_entries, layout_entries
from credkit.core.codec import Entry
from credkit.core.errors import DefinitionError
from credkit.files.regularfiles import read_regular


def file_entries(path: Path) -> tuple[Entry, ...]:
    """The catalogue rows of a TOML file of layouts, or of a site file; `DefinitionError` names the file."""
    try:
        content = tomllib.loads(read_regular(path).decode("utf-8-sig"))
        if not content.keys().isdisjoint(("site", "plans", "tables")):  # a whole site file, or a part of one
            from credkit.site.description import site_entries

            return site_entries(path)
        if "layouts" not in content and "contents" not in content:
            return layout_entries(content)
        found = layout_entries(content.get("layouts", {}))  # a site file has them in tables of their own
        return (*found, *content_entries(content.get("contents", {}), beside=found))
    except UnicodeDecodeError as error:
        raise DefinitionError(f"{path}: byte {error.start} is not UTF-8") from None
    except DefinitionError as error:
        raise DefinitionError(f"{path}: {error.args[0]}", details=error.details) from None
    except (ValueError, RecursionError) as error:
        raise DefinitionError(f"{path}: {error}") from None

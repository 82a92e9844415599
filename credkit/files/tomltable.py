"""TOML files that define something: read as a table whose every refusal names the file and the key.

Source: TOML 1.0.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

from credkit.core.errors import DefinitionError
from credkit.files.regularfiles import read_regular
from credkit.tables.schema import SchemaTable


def read_toml(path: Path, keys: tuple[str, ...]) -> SchemaTable:
    """The file ``path`` as a table with these keys; raises `DefinitionError` with file and place."""
    try:
        content = tomllib.loads(read_regular(path).decode("utf-8").removeprefix("\ufeff"))
    except OSError as error:
        raise DefinitionError(f"{path.name}: the file cannot be read ({error.strerror})") from None
    except UnicodeDecodeError as error:
        raise DefinitionError(f"{path.name}: byte at offset {error.start} is not utf-8, which TOML needs") from None
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise DefinitionError(f"{path.name}: the file is not TOML: {error}") from None
    return SchemaTable(path.name, "", content, keys)

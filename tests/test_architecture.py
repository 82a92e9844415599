"""The shape of the package: imports run one way, exports hold together, the catalogue is complete, files are short."""

from __future__ import annotations

import ast
import pydoc
import re
import subprocess
import sys
import tomllib
from collections import Counter
from collections.abc import Iterator
from importlib import import_module
from inspect import isfunction
from pathlib import Path
from typing import Any

import pytest
from bitstring import Bits

import credkit
from credkit import chain
from credkit.catalogue.index import INDEX
from credkit.catalogue.registry import FAMILIES, UNSUPPORTED, catalogue, full_index, get
from credkit.core.codec import Entry, Example
from credkit.tables.layout import LayoutCodec

ROOT = Path(credkit.__file__).parent
LONGEST = 450  # lines

# Section by section, what may import what: only upwards. Packages count as one, and have no circles inside.
ORDER = (
    "core", "tables", "codecs", "catalogue", "bulk", "streams", "explain", "discover", "privacy", "files", "cards",
    "site", "proposal", "facts", "work", "crosswalk", "census", "audit", "report", "demo", "cli", "__main__",
)  # fmt: skip
BESIDE = ("crosswalk", "census", "audit")  # tools on the same facts: none of them needs another
CORE = ORDER[: ORDER.index("catalogue") + 1]
MAKES_EXAMPLES = ("demo",)  # the made-up site is data: it must say what its cards are


def modules() -> dict[str, ast.Module]:
    """Every module by its dotted name below credkit; a package by its own name."""
    found = {}
    for file in sorted(ROOT.rglob("*.py")):
        parts = file.relative_to(ROOT).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        found[name] = ast.parse(file.read_text(encoding="utf-8"))
    return found


MODULES = modules()


def imported(name: str) -> set[str]:
    """The modules of credkit that a module imports, in functions and for type checkers, too; public names by home."""
    homes = {public: home for home, publics in credkit._HOMES.items() for public in publics}
    found = set()
    for node in ast.walk(MODULES[name]):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name}: imports are absolute"
            whole = (node.module or "").split(".")
            if whole[0] != "credkit":
                continue
            base = ".".join(whole[1:])
            for alias in node.names:
                below = f"{base}.{alias.name}".lstrip(".")
                if not base and alias.name in homes:
                    found.add(homes[alias.name])
                elif below in MODULES:
                    found.add(below)
                else:
                    found.add(base)
        elif isinstance(node, ast.Import):
            found |= {".".join(a.name.split(".")[1:]) for a in node.names if a.name.split(".")[0] == "credkit"}
    return found - {"", name}


# ── imports ─────────────────────────────────────────────────────────────────────────────────────


def test_every_module_has_its_place_in_the_order() -> None:
    assert {name.split(".")[0] for name in MODULES} - {""} <= set(ORDER)
    assert len(set(ORDER)) == len(ORDER)


@pytest.mark.parametrize("name", [name for name in MODULES if name])
def test_imports_run_one_way(name: str) -> None:
    home = name.split(".")[0]
    for other in imported(name):
        place = other.split(".")[0]
        if place != home:
            assert ORDER.index(place) < ORDER.index(home), f"{name} imports {other}"
            assert not {place, home} <= set(BESIDE), f"{name} imports {other}: what both need belongs in facts"


def test_packages_have_no_circles() -> None:
    done: set[str] = set()

    def visit(name: str, path: tuple[str, ...]) -> None:
        assert name not in path, f"a circle: {' → '.join((*path, name))}"
        if name not in done:
            for other in imported(name):
                # commands are loaded by the package that lists them, and use it: not when modules are loaded
                if not (name.startswith("cli.") and other == "cli"):
                    visit(other, (*path, name))
            done.add(name)

    for name in MODULES:
        if name:
            visit(name, ())
    assert len(done) > 20


def test_imports_are_seen() -> None:
    """The test above would be empty if nothing were found: three imports that are known."""
    assert {"core.codec", "core.checks", "core.reading"} <= imported("tables.layout")
    assert {"core.chains", "catalogue.registry"} <= imported("explain.diagnosis")
    assert "codecs.frames" in imported("site.description"), "a public name counts as its home"


def tools() -> list[str]:
    return [n for n in MODULES if n and n.split(".")[0] not in (*CORE, *MAKES_EXAMPLES)]


@pytest.mark.parametrize("name", tools())
def test_tools_import_no_codec_module(name: str) -> None:
    """They take chains and readings; `layout_entries` and `map_entry` make a site's own rows and are public."""
    for node in ast.walk(MODULES[name]):
        if isinstance(node, ast.ImportFrom):
            assert not (node.module or "").startswith("credkit.codecs"), f"{name} imports {node.module}"


FORMATS = {entry.name for entry in catalogue() if entry.usual == ("",) and isinstance(chain(entry.name), LayoutCodec)}


@pytest.mark.parametrize("name", tools())
def test_tools_name_no_format(name: str) -> None:
    """No chain in their code holds one; sentences (they have blanks) and docstrings may show one."""
    for text, line in constants(MODULES[name]):
        if " " not in text:
            steps = {piece.split(":")[0] for piece in text.split("/")}
            assert not steps & FORMATS, f"{name}, line {line}: {text}"


def constants(tree: ast.Module) -> Iterator[tuple[str, int]]:
    docs = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
            yield node.value, node.lineno


def test_formats_are_found_where_they_are_named() -> None:
    assert {"wiegand-26", "serial-32", "gsa-75"} <= FORMATS
    named = [text for name in MODULES if name.startswith("demo") for text, _ in constants(MODULES[name])]
    assert any("wiegand-26" in text for text in named)


def test_the_root_holds_packages_only() -> None:
    there = {path.name for path in ROOT.iterdir() if path.name != "__pycache__"}
    assert there == {"__init__.py", "__main__.py", "py.typed", *ORDER[: ORDER.index("__main__")]}


# ── exports ─────────────────────────────────────────────────────────────────────────────────────


def test_exports_hold_together() -> None:
    """The table of homes and what the type checker is told are the same names; ``__all__`` has the calls among them."""
    homed = [name for names in credkit._HOMES.values() for name in names]
    assert credkit.__all__ == sorted(name for name in homed if isfunction(getattr(credkit, name)))
    assert credkit.__doc__
    assert not [name for name in homed if not re.search(rf"\b{name}\b", credkit.__doc__)]
    assert len(set(homed)) == len(homed)
    told: dict[str, str] = {}
    for node in ast.walk(MODULES[""]):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("credkit.") and node.col_offset:
            home = (node.module or "").removeprefix("credkit.")
            told |= {alias.name: home for alias in node.names}
            exported = {alias.name for alias in node.names if alias.asname == alias.name}
            assert exported == {alias.name for alias in node.names} - set(credkit.__all__)
    assert told == {name: home for home, names in credkit._HOMES.items() for name in names}


def test_the_version_is_that_of_the_project() -> None:
    project = tomllib.loads((ROOT.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert credkit.__version__ == project["version"]


def test_every_public_name_is_there() -> None:
    for name in (name for names in credkit._HOMES.values() for name in names):
        value = getattr(credkit, name)
        assert value.__doc__, name
        assert name in dir(credkit)
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        _ = credkit.nothing  # type: ignore[attr-defined]  # mypy knows that, too


def test_help_is_one_page_of_calls() -> None:
    page = pydoc.plain(pydoc.render_doc(credkit))
    assert page.count("\n") < 330
    assert all(f"\n    {name}(" in page for name in credkit.__all__)
    assert not [word for word in ("__getattr__", "_HOMES", "hooks", "_redact") if word in page]


def test_importing_credkit_is_light() -> None:
    heavy = ("bitstring", "construct", "click", "crcmod", "tomllib", "credkit.catalogue.registry")
    code = f"import sys, credkit; print([name for name in {heavy!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


# ── the catalogue ───────────────────────────────────────────────────────────────────────────────


def test_the_index_is_what_the_catalogue_has() -> None:
    assert full_index() == INDEX, "run python docs/generate.py"
    assert [row.name for row in INDEX] == [entry.name for entry in catalogue()]
    for row in INDEX:
        home = f"credkit.codecs.{row.family}"
        entry = get(row.name)
        assert (entry.title, entry.signature, entry.aliases) == (row.title, row.signature, row.aliases)
        assert entry in import_module(home).ENTRIES or entry in import_module(home).file_entries(row.file)
    files = {path.stem for path in (ROOT / "codecs").glob("*.py")} - {"__init__", "arguments"}
    assert files == set(FAMILIES)


def test_a_family_is_loaded_when_a_chain_names_it() -> None:
    code = (
        "import sys, credkit; credkit.chain('hex:8/reverse-bytes'); print([n for n in sys.modules if 'codecs.' in n])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = ["credkit.codecs.arguments", "credkit.codecs.notations", "credkit.codecs.orders"]
    assert sorted(ast.literal_eval(done.stdout)) == loaded


def test_names_are_unique() -> None:
    count = Counter(name for entry in catalogue() for name in (entry.name, *entry.aliases))
    assert max(count.values()) == 1, count.most_common(1)
    assert not set(count) & set(UNSUPPORTED)


@pytest.mark.parametrize("entry", catalogue(), ids=lambda entry: entry.name)
def test_entries_are_complete(entry: Entry) -> None:
    assert entry.title
    assert entry.source
    assert entry.examples
    for args in entry.usual:
        assert chain(f"{entry.name}:{args}" if args else entry.name).name


def value(form: str, text: str) -> Any:
    """A value as examples write it."""
    if form == "bits":
        return Bits(f"0b{text}")
    if form == "fields":
        pairs = (pair.partition("=") for pair in text.split())
        return {name: item.strip("'") if item.startswith("'") else int(item) for name, _, item in pairs}
    return text


EXAMPLES = [(entry, example) for entry in catalogue() for example in entry.examples]
NOT_WRITTEN_THE_SAME = {"strip": "white space that is taken off is gone"}


@pytest.mark.parametrize(("entry", "example"), EXAMPLES, ids=[f"{e.name}:{x.args}" for e, x in EXAMPLES])
def test_examples_hold_both_ways(entry: Entry, example: Example) -> None:
    codec = chain(f"{entry.name}:{example.args}" if example.args else entry.name)
    inner, outer = value(codec.takes, example.given), value(codec.gives, example.gives)
    assert codec.decode(inner) == outer
    if codec.is_projection:
        return
    if codec.name in NOT_WRITTEN_THE_SAME:
        assert codec.decode(codec.encode(outer)) == outer
    else:
        assert codec.encode(outer) == inner


# ── files ───────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("file", sorted(ROOT.rglob("*.py")), ids=lambda file: str(file.relative_to(ROOT)))
def test_files_are_short_and_say_what_they_are(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    assert text.count("\n") <= LONGEST
    assert file.name != "utils.py"
    first = (ast.get_docstring(ast.parse(text)) or "").split("\n")[0]
    assert first.endswith("."), f"a first line that names the module, not {first!r}"


@pytest.mark.parametrize("name", [name for name in MODULES if name.split(".")[0] in CORE])
def test_values_are_frozen(name: str) -> None:
    for node in ast.walk(MODULES[name]):
        if isinstance(node, ast.ClassDef):
            for decorator in node.decorator_list:
                text = ast.unparse(decorator)
                if text.startswith("dataclass"):
                    assert "frozen=True" in text, f"{name}: {node.name}"


@pytest.mark.parametrize("name", CORE)
def test_the_core_prints_nothing_and_keeps_nothing(name: str) -> None:
    for module, tree in MODULES.items():
        if module.split(".")[0] == name:
            calls = [node.func for node in ast.walk(tree) if isinstance(node, ast.Call)]
            assert not [call for call in calls if isinstance(call, ast.Name) and call.id in ("print", "input", "open")]
            assert not [node for node in ast.walk(tree) if isinstance(node, ast.Global)]

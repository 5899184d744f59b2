"""The house: what each room may import, read from the code itself, types included."""

from __future__ import annotations

import ast
import dataclasses
import graphlib
import importlib
import inspect
import re
import subprocess
import sys
import tomllib
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
#: Rooms from the ground up: a room may import rooms before it, and itself.
ORDER = [
    ["words"],
    ["models"],
    ["data"],
    ["survey", "simulation"],
    ["fish"],
    ["estimates"],
    ["options"],
    ["catch_rates"],
    ["released"],
    ["outlook"],
    ["planning"],
    ["bulletin"],
    ["wording"],
    ["publishing"],
    ["documents"],
    ["cli"],
    ["dashboard"],
]
LAYER = {room: at for at, rooms in enumerate(ORDER) for room in rooms}
FILES = sorted(path for top in ("analytics", "dashboard") for path in (ROOT / top).rglob("*.py"))
#: As many files as there are: a new one asks whether it belongs into one that is there.
MOST_FILES, MOST_LINES_A_FILE, MOST_LINES_A_FUNCTION = 324, 500, 60
#: Modules of a room that other rooms may import from: its door.
MOST_DOORS = 8


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


NAMES = {module_name(path): path for path in FILES}


@cache
def parsed(path: Path) -> ast.Module:
    """Return the syntax of a file, read once for all tests."""
    return ast.parse(path.read_text())


@cache
def imports(path: Path) -> frozenset[str]:
    """Return the modules that a file imports, those for types alone included."""
    found: set[str] = set()
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {
                whole if (whole := f"{node.module}.{name.name}") in NAMES else node.module
                for name in node.names
            }
    return frozenset(found)


def room(module: str) -> str | None:
    top, *rest = module.split(".")
    if top == "dashboard":
        return "dashboard"
    if top != "analytics" or not rest:
        return None
    return rest[0] if rest[0] in LAYER else "words"


def wrong_arrows(module: str, found: set[str]) -> set[str]:
    """Return the imports that point up, or sideways into a room of the same layer."""
    mine = room(module)
    return {
        name
        for name in found
        if (theirs := room(name)) not in (None, mine) and LAYER[theirs] >= LAYER[mine]
    }


@pytest.mark.parametrize("module", NAMES)
def test_arrows_never_point_up(module):
    if room(module) is not None:
        assert not wrong_arrows(module, imports(NAMES[module]))


def test_a_wrong_arrow_would_be_seen(tmp_path):
    wrong = tmp_path / "wrong.py"
    wrong.write_text("def f():\n    from analytics.survey import domain_totals\n")
    assert wrong_arrows("analytics.data.schema", imports(wrong))
    assert not wrong_arrows("analytics.fish.marks", imports(wrong))
    assert wrong_arrows("analytics.simulation.write", imports(wrong))


def circle(graph: dict[str, set[str]]) -> list[str]:
    """Return a circle of modules that import each other; empty where there is none."""
    try:
        graphlib.TopologicalSorter(graph).prepare()
    except graphlib.CycleError as error:
        return list(error.args[1])
    return []


def test_no_circle():
    assert not circle({name: imports(path) - {name} for name, path in NAMES.items()})


def test_a_circle_would_be_seen():
    assert circle({"a": {"b"}, "b": {"c"}, "c": {"a"}})


@pytest.mark.parametrize("module", [name for name in NAMES if room(name) != "dashboard"])
def test_analytics_knows_no_screen(module):
    assert not {name.split(".")[0] for name in imports(NAMES[module])} & {"streamlit", "plotly"}


@pytest.mark.parametrize("module", NAMES)
def test_models_alone_import_statsmodels(module):
    wanted = {"statsmodels", "patsy"} & {name.split(".")[0] for name in imports(NAMES[module])}
    assert not wanted or room(module) == "models"


#: What pages may read of the room of bulletins: those that are kept, never the making of one.
READ_BY_PAGES = {
    "analytics.bulletin",
    "analytics.bulletin.archive",
    "analytics.bulletin.notes",
    "analytics.bulletin.step_record",
}


@pytest.mark.parametrize("module", [name for name in NAMES if room(name) == "dashboard"])
def test_pages_estimate_nothing(module):
    names = imports(NAMES[module])
    assert not {name.split(".")[0] for name in names} & {"scipy", "statsmodels", "duckdb"}
    assert not {room(name) for name in names} & {"survey", "fish", "estimates", "cli"}
    assert {name for name in names if room(name) == "bulletin"} <= READ_BY_PAGES
    if module.startswith("dashboard.charts"):
        assert "streamlit" not in {name.split(".")[0] for name in names}


def test_reading_bulletins_stays_light():
    code = (
        "import sys, analytics.bulletin.archive; "
        "heavy = {'scipy', 'statsmodels', 'duckdb', 'deltalake'} & set(sys.modules); "
        "sys.exit(', '.join(sorted(heavy)) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert done.returncode == 0, done.stderr


def test_files_have_no_long_tail():
    lines = {name: len(path.read_text().splitlines()) for name, path in NAMES.items()}
    assert {name: n for name, n in lines.items() if n > MOST_LINES_A_FILE} == {}
    assert len(FILES) <= MOST_FILES, "put it into a module that is there, or merge two small ones"


def lines_of(function: ast.FunctionDef) -> int:
    """Return the lines of a function without its docstring."""
    first, last = function.lineno, function.end_lineno or function.lineno
    said = function.body[0]
    documented = ast.get_docstring(function) is not None
    return last - first + 1 - documented * ((said.end_lineno or 0) - said.lineno + 1)


def test_functions_have_no_long_tail():
    long = {
        f"{name}.{node.name}": lines_of(node)
        for name, path in NAMES.items()
        for node in ast.walk(parsed(path))
        if isinstance(node, ast.FunctionDef) and lines_of(node) > MOST_LINES_A_FUNCTION
    }
    assert long == {}


def documented(kind: type) -> set[str]:
    """Return the names in the section Parameters of a class's docstring."""
    _, _, section = (inspect.getdoc(kind) or "").partition("Parameters\n----------\n")
    section = re.split(r"\n\w+\n-+\n", section)[0]
    heads = re.findall(r"^([a-z_][\w, ]*?)(?: :.*)?$", section, flags=re.MULTILINE)
    return {name.strip() for head in heads for name in head.split(",")}


def test_docstrings_name_the_fields_there_are():
    kinds = {
        kind
        for name in NAMES
        if name.startswith("analytics.") and not name.endswith("__main__")
        for kind in vars(importlib.import_module(name)).values()
        if inspect.isclass(kind) and dataclasses.is_dataclass(kind) and kind.__module__ in NAMES
    }
    assert len(kinds) > 100
    stale = {
        kind: documented(kind) - {one.name for one in dataclasses.fields(kind)} for kind in kinds
    }
    assert {str(kind): names for kind, names in stale.items() if names} == {}


def programs() -> list[Path]:
    """Return the files of tests that the documents name as ``python -m``."""
    documents = [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "tests/bench/README.md"]
    documents += (ROOT / "analytics" / "docs").glob("*.md")
    named = {
        name
        for one in documents
        for name in re.findall(r"python -m (tests[\w.]*)", one.read_text())
    }
    places = [ROOT.joinpath(*name.split(".")) for name in sorted(named)]
    return [one / "__main__.py" if one.is_dir() else one.with_suffix(".py") for one in places]


@pytest.mark.parametrize("path", programs(), ids=lambda path: path.stem)
def test_programs_of_the_documents_explain_themselves(path):
    """With ``--help`` they say what they do, and do not do it."""
    assert "ArgumentParser" in {
        node.attr for node in ast.walk(parsed(path)) if isinstance(node, ast.Attribute)
    }


def doors() -> dict[str, set[str]]:
    """Return, by room, the modules that other rooms import from."""
    found: dict[str, set[str]] = {}
    for module, path in NAMES.items():
        for name in imports(path) & set(NAMES):
            theirs = room(name)
            if theirs not in (None, "words", room(module)):
                found.setdefault(theirs, set()).add(name)
    return found


def test_doors_are_narrow():
    wide = {name: len(found) for name, found in doors().items()}
    assert {name: n for name, n in wide.items() if n > MOST_DOORS} == {}


def test_every_package_is_listed_for_the_build():
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
    packages = {name for name, path in NAMES.items() if path.name == "__init__.py"}
    assert set(listed) == packages

"""The arrows between the rooms: what each may import, read from the code itself."""

from __future__ import annotations

import ast
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
#: A room may import rooms to its left, and itself.
ORDER = ["words", "data", "survey", "models", "fish", "season", "bulletin", "cli"]
MODULES = sorted((ROOT / "analytics").rglob("*.py"))
PAGES = sorted((ROOT / "dashboard").rglob("*.py"))


def imports(path: Path) -> set[str]:
    """Return the modules a file imports when it runs; those for types alone do not count."""
    tree = ast.parse(path.read_text())
    skipped: set[ast.AST] = set()
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            skipped |= {inner for one in node.body for inner in ast.walk(one)}
        if node in skipped:
            continue
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} | {f"{node.module}.{name.name}" for name in node.names}
    return found


def room(module: str) -> str | None:
    parts = module.split(".")
    if parts[0] != "analytics" or len(parts) == 1:
        return None
    if parts[1] == "cli" or parts[1] in ORDER:
        return parts[1]
    return "words" if (ROOT / "analytics" / f"{parts[1]}.py").exists() else None


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_arrows_never_point_back(path):
    if path == ROOT / "analytics" / "__init__.py":
        return
    mine = ORDER.index(room(module_name(path)) or "words")
    wrong = {name for name in imports(path) if (r := room(name)) and ORDER.index(r) > mine}
    assert not wrong


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_analytics_knows_no_screen(path):
    assert not {name.split(".")[0] for name in imports(path)} & {"streamlit", "plotly", "dashboard"}


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_models_alone_import_statsmodels(path):
    wanted = {"statsmodels", "patsy"} & {name.split(".")[0] for name in imports(path)}
    assert not wanted or room(module_name(path)) == "models"


def estimating(names: set[str]) -> set[str]:
    """Return the modules of the bulletin room that a page may not import: all but the shelf."""
    room = "analytics.bulletin"
    of_bulletin = {name for name in names if name == room or name.startswith(f"{room}.")}
    return {name for name in of_bulletin if name.split(".")[2:3] != ["shelf"]} - {room}


def test_a_page_that_makes_bulletins_would_be_seen(tmp_path):
    page = tmp_path / "page.py"
    page.write_text(
        "from analytics.bulletin import shelf, weekly\n"
        "from analytics.bulletin.archive import load\n"
        "import analytics.bulletin.build\n"
    )
    assert estimating(imports(page)) == {"analytics.estimates.estimate", "analytics.bulletin.build"}


@pytest.mark.parametrize("path", PAGES, ids=module_name)
def test_pages_estimate_nothing(path):
    names = imports(path)
    assert not {name.split(".")[0] for name in names} & {"scipy", "statsmodels", "duckdb"}
    rooms = {room(name) for name in names}
    assert not rooms & {"survey", "fish", "cli"}
    assert not estimating(names)
    if "charts" in path.parts:
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


def test_a_wrong_arrow_would_be_seen(tmp_path):
    wrong = tmp_path / "wrong.py"
    wrong.write_text("from analytics.survey import totals\nimport streamlit as st\n")
    assert {"analytics.survey.domain_totals", "streamlit"} <= imports(wrong)
    assert room("analytics.survey.domain_totals") == "survey"
    assert ORDER.index("survey") > ORDER.index("data")


def test_files_have_no_long_tail():
    long = {
        module_name(path): lines
        for path in [*MODULES, *PAGES]
        if (lines := len(path.read_text().splitlines())) > 320
    }
    assert not long


def test_every_package_is_listed_for_the_build():
    listed = set(
        tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
    )
    found = {
        ".".join(path.parent.relative_to(ROOT).parts)
        for folder in ("analytics", "dashboard")
        for path in (ROOT / folder).rglob("__init__.py")
    }
    assert listed == found

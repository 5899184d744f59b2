"""The public names: listed, typed, documented, and their examples run as they stand."""

import ast
import dataclasses
import doctest
import inspect
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import analytics
from analytics.cli.result_commands import estimate as command
from analytics.estimates.estimate import estimate_snapshot
from analytics.settings import EstimationSettings
from tests.field_week import sampled_week, write_week

ROOT = Path(__file__).parents[2]
INTERFACE = (ROOT / "analytics" / "docs" / "interface.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()


def blocks_of(text):
    """Return the Python of a document, block by block."""
    return re.findall(r"```python\n(.*?)```", text, flags=re.DOTALL)


BLOCKS = blocks_of(INTERFACE)
#: Libraries of data: none is needed to say how a command is used.
HEAVY = {
    "numpy",
    "pandas",
    "pyarrow",
    "scipy",
    "duckdb",
    "deltalake",
    "statsmodels",
    "streamlit",
} | {"pydantic"}


@pytest.fixture
def field_folder(tmp_path, monkeypatch):
    """Work where a folder ``week05`` lies."""
    write_week(sampled_week(), tmp_path / "week05")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def faults_of(name, docstring):
    """Return how many examples a docstring has, and how many do not give what it says."""
    module = sys.modules[getattr(analytics, name).__module__]
    test = doctest.DocTestParser().get_doctest(docstring, dict(vars(module)), name, None, 0)
    return len(test.examples), doctest.DocTestRunner(verbose=False).run(test).failed


@pytest.mark.parametrize("name", analytics.__all__)
@pytest.mark.usefixtures("field_folder")
def test_examples_of_public_names_give_what_they_say(name):
    examples, failed = faults_of(name, inspect.getdoc(getattr(analytics, name)))
    assert examples
    assert not failed


@pytest.mark.usefixtures("field_folder")
def test_an_example_that_says_something_else_is_seen(capsys):
    text = inspect.getdoc(analytics.import_files).replace("(1, 6)", "(1, 7)")
    assert faults_of("import_files", text)[1] == 1
    assert "(1, 7)" in capsys.readouterr().out


@pytest.mark.usefixtures("field_folder")
def test_the_interface_page_runs_as_it_stands():
    rng = np.random.default_rng(3)
    trips = pd.DataFrame({"angler_hours": rng.uniform(2, 9, 400), "area": list("ABCD") * 100})
    trips["week"] = np.repeat(["2031-W02", "2031-W03"], 200)
    trips["encounters"] = rng.negative_binomial(2, 2 / (2 + trips["angler_hours"]))
    days = trips[["area", "week"]].assign(fish=rng.integers(1, 12, 400))
    days["sublegal"] = rng.binomial(days["fish"], rng.beta(3, 2, 400))
    names = {"trips": trips, "site_days": days}
    for block in BLOCKS:
        exec(block, names)
    assert len(names["rows"])
    assert len(names["strata"])
    assert names["counts"].converged
    assert names["shares"].converged


def test_the_interface_page_names_every_public_name():
    imported = {
        alias.name
        for block in BLOCKS
        for node in ast.walk(ast.parse(block))
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert imported == set(analytics.__all__)
    assert (ROOT / "analytics" / "py.typed").is_file()


def test_the_first_hour_runs_as_it_stands(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    names = {}
    for block in blocks_of(DEVELOPERS):
        exec(block, names)
    said = capsys.readouterr().out.splitlines()
    # The figure of the kernel is that of the row, and the sentence has the week of the line.
    assert names["totals"].total[0, 0] == names["row"]["estimate"]
    assert said[-1].startswith("In week 2031-W02")


def test_every_setting_is_an_argument_of_the_estimate_and_an_option_of_its_command():
    settings = {one.name for one in dataclasses.fields(EstimationSettings)}
    for function in (EstimationSettings.of, analytics.estimate, estimate_snapshot):
        assert settings <= set(inspect.signature(function).parameters)
    assert settings <= {one.name for one in command.params}


def test_an_unknown_name_is_no_attribute():
    with pytest.raises(AttributeError):
        _ = analytics.no_such_name


def loaded_by(*words):
    """Return the heavy libraries that a command loads before it ends."""
    code = (
        "import atexit, sys; from analytics.cli import main; "
        f"atexit.register(lambda: print(*({HEAVY!r} & set(sys.modules)), file=sys.stderr)); "
        f"main({list(words)!r})"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    return done.stdout, set(done.stderr.split()) & HEAVY


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["estimate", "--help"]])
def test_help_loads_no_heavy_library(words):
    said, heavy = loaded_by(*words)
    assert said
    assert heavy == set()


def test_a_command_that_reads_data_loads_them(field_folder):
    store, week = str(field_folder / "store"), str(field_folder / "week05")
    assert {"pyarrow", "duckdb"} <= loaded_by("import", week, "--store", store)[1]


def test_a_bulletin_loads_no_library_of_distributions():
    """They take as long to load as all the rest together; scipy.special has what is needed."""
    code = "import sys, analytics.bulletin.build; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not {"scipy.stats", "scipy.optimize", "statsmodels"} & set(done.stdout.split())

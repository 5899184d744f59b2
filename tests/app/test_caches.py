"""No cached function takes a frame or a table: Streamlit hashes big ones by a sample."""

from __future__ import annotations

import ast
from importlib.util import find_spec
from pathlib import Path

import pytest

SAFE = {"str", "int", "float", "bool", "Path", "str | None", "int | None", "tuple[str, ...]"}
ROOT = Path(find_spec("dashboard").origin).parent


def cached_functions(source: str) -> list[tuple[str, bool, list[str]]]:
    """Return name, whether it is bounded, and annotations of the cached functions of a module."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        for decorator in node.decorator_list:
            words = ast.unparse(decorator)
            if "cache" in words:
                arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
                kinds = [
                    ast.unparse(one.annotation) if one.annotation else "?" for one in arguments
                ]
                loose = [one for one in (node.args.vararg, node.args.kwarg) if one]
                is_bounded = "max_entries=" in words or "maxsize=" in words
                found.append((node.name, is_bounded, kinds + ["?"] * len(loose)))
    return found


def faults(source: str) -> list[str]:
    """Return what is wrong with the cached functions of a module."""
    wrong = []
    for name, is_bounded, kinds in cached_functions(source):
        wrong += [f"{name} takes {kind}" for kind in kinds if kind not in SAFE]
        wrong += [] if is_bounded else [f"{name} is not bounded"]
    return wrong


@pytest.mark.parametrize("path", sorted(ROOT.rglob("*.py")), ids=lambda path: path.name)
def test_caches_are_keyed_by_plain_values_and_bounded(path):
    assert faults(path.read_text()) == []


def test_there_are_caches_to_look_at():
    assert len(cached_functions((ROOT / "data.py").read_text())) == 6


@pytest.mark.parametrize(
    "source",
    [
        "@st.cache_data(max_entries=2)\ndef f(frame: pd.DataFrame): ...",
        "@st.cache_resource(max_entries=2)\ndef f(rows): ...",
        "@st.cache_data\ndef f(name: str): ...",
        "@cache\ndef f(name: str): ...",
        "@st.cache_data(max_entries=2)\ndef f(*frames): ...",
    ],
)
def test_the_guard_sees_what_it_should(source):
    assert faults(source)

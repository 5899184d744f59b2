"""No code reads a sentence, and sentences are made where people read them."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from analytics import codes
from analytics.bulletin.archive import TABLE_SCHEMAS
from analytics.bulletin.build import bulletin_of
from tests.unit.test_bulletin import two_weeks

ROOT = Path(__file__).parents[2]
#: Columns and fields that hold codes.
CODED = {
    "method",
    "previous_method",
    "reason",
    "rule",
    "note",
    "methods",
    "missing",
    "assumption",
} | {*("seen", "advice")}
PARSERS = {
    *("startswith", "endswith", "removeprefix", "removesuffix", "split", "partition"),
    *("rpartition", "rsplit", "find", "index", "replace"),
}
#: What people read is made in the commands, on the pages and in documents, in findings and
#: refusals, and by the report of an option file.
MAKERS = (
    *("analytics/cli", "analytics/codes.py", "dashboard", "analytics/options"),
    *("analytics/wording", "analytics/documents"),
    "analytics/survey/coverage.py",
    *("analytics/data/store/cluster.py", "analytics/whole_files.py"),
)


def source_files() -> list[Path]:
    found = [*(ROOT / "analytics").rglob("*.py"), *(ROOT / "dashboard").rglob("*.py")]
    return [path for path in found if "cli" not in path.relative_to(ROOT).parts]


def is_coded(node: ast.expr) -> bool:
    """Return whether an expression is a field or column of codes."""
    if isinstance(node, ast.BoolOp):
        return any(map(is_coded, node.values))
    if isinstance(node, ast.Subscript):
        return isinstance(node.slice, ast.Constant) and node.slice.value in CODED
    if isinstance(node, ast.Call):
        is_get = isinstance(node.func, ast.Attribute) and node.func.attr == "get"
        return is_get and isinstance(node.args[0], ast.Constant) and node.args[0].value in CODED
    return isinstance(node, ast.Attribute) and node.attr in CODED


def parsed_sentences(source: str) -> list[int]:
    """Return the lines that take a cell of codes apart as text."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            takes_apart = node.func.attr in PARSERS and is_coded(node.func.value)
            is_regex = ast.unparse(node.func).startswith("re.") and any(map(is_coded, node.args))
            if takes_apart or is_regex:
                found.append(node.lineno)
        if isinstance(node, ast.Compare):
            within = any(isinstance(one, ast.In | ast.NotIn) for one in node.ops)
            if within and any(map(is_coded, node.comparators)):
                found.append(node.lineno)
    return found


@pytest.mark.parametrize("path", source_files(), ids=lambda path: path.relative_to(ROOT).as_posix())
def test_no_code_reads_a_sentence(path: Path) -> None:
    assert parsed_sentences(path.read_text()) == []


@pytest.mark.parametrize(
    "planted",
    [
        'row["method"].split("; ")[-1]',
        '(row["reason"] or "").startswith("no fish")',
        'row.method.rpartition("; ")[2]',
        're.search("without (.*)", row.method)',
        '"of kept" in (line["reason"] or "")',
        'line.get("rule").endswith("borrowed")',
        'one["seen"].startswith(f"{area} ")',
    ],
)
def test_a_planted_reading_of_a_sentence_is_found(planted: str) -> None:
    assert parsed_sentences(planted) == [1]


def test_sentences_are_made_where_people_read_them() -> None:
    makers = {
        path.relative_to(ROOT).as_posix()
        for path in source_files()
        if {"sentence", "sentences"} & imported_from_codes(path)
    }
    assert {one for one in makers if not one.startswith(MAKERS)} == set()


def imported_from_codes(path: Path) -> set[str]:
    return {
        name.name
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.ImportFrom) and node.module == "analytics.codes"
        for name in node.names
    }


def test_every_code_written_stands_in_the_registry_with_its_arguments() -> None:
    wrong = []
    for path in source_files():
        for node in ast.walk(ast.parse(path.read_text())):
            if not (isinstance(node, ast.Call) and ast.unparse(node.func) == "coded"):
                continue
            first = node.args[0] if node.args else None
            if isinstance(first, ast.Constant):
                given = {word.arg for word in node.keywords}
                known = first.value in codes.registry()
                if not known or given != codes.arguments_of(first.value):
                    wrong.append((path.name, node.lineno, first.value))
    assert wrong == []


#: Columns of a bulletin that hold codes alone; `method` of these tables is a fishing method.
ONLY_CODES = (
    *("method", "previous_method", "reason", "rule", "note"),
    *("case", "purpose", "evidence", "direction", "words"),
)
BY_FISHING_METHOD = ("deaths", "method_mix_deaths", "draws")


def test_every_code_of_a_made_bulletin_has_a_sentence() -> None:
    bulletin = bulletin_of(two_weeks())
    found = set()
    for name, schema in TABLE_SCHEMAS.items():
        for column in set(ONLY_CODES) & set(schema.names):
            if column == "method" and name in BY_FISHING_METHOD:
                continue
            for cell in set(bulletin.table(name)[column].to_pylist()):
                found |= {(name, column, one) for one in codes.parse(cell)}
    assert {one for one in found if isinstance(one[2], str)} == set()
    names = {one.name for _, _, one in found}
    assert "two_stage_total" in names
    for _, _, one in found:
        words = codes.sentence(one)
        assert words.strip()
        assert "{" not in words
        assert words.count("(") == words.count(")")
    assert len(names) > 20


@pytest.mark.parametrize(
    ("boats", "words"), [("7.0", "7.0 boats"), (1, "1 boat"), (1200, "1,200 boats")]
)
def test_a_mean_is_written_as_the_number_it_is(boats, words):
    cell = codes.coded("days_missed", n=3, n_days=419, boats=boats, others="8.4")
    assert f"{words} a day" in codes.sentences(cell)

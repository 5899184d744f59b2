"""Simulate at the size of a commit, or at full size, and keep the figures of a full run.

python -m tests.simulation                    as on every commit; prints the figures
python -m tests.simulation --full             before a release; renews analytics/docs/validation.md
python -m tests.simulation --full classes     one of them; the rows of the others stay
"""

from __future__ import annotations

import argparse
import os
import re
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests import sizes

if TYPE_CHECKING:
    from collections.abc import Sequence

HERE = Path(__file__).parent
DOCUMENT = HERE.parents[1] / "analytics" / "docs" / "validation.md"
#: What is simulated or made in many copies, by name.
FILES = {path.stem.removeprefix("test_"): path for path in sorted(HERE.glob("test_*.py"))} | {
    "store_kills": HERE.parent / "properties" / "test_store_kills.py",
    "cluster": HERE.parent / "unit" / "test_cluster.py",
    "composition_table": HERE.parent / "unit" / "test_composition_table.py",
    "demo_store": HERE.parent / "unit" / "test_demo_store.py",
    "rate_pages": HERE.parent / "app" / "test_rate_pages.py",
    "released_page": HERE.parent / "app" / "test_released_page.py",
    **{
        f"{name}_laws": HERE.parent / "properties" / f"test_{stem}.py"
        for name, stem in {
            "survey": "survey_laws",
            "basis": "basis_laws",
            "scenario": "scenario_laws",
            "history": "store_history",
            "intake": "store_intake",
            "publication": "publication_laws",
        }.items()
    },
}
HEAD = "| simulation | date | seed | command | figure |\n|---|---|---|---|---|\n"
TABLE = re.compile(rf"{re.escape(HEAD)}((?:\|.*\n)*)")
SHORT_HEAD = "| outside its goal | reached | goal |\n|---|---|---|\n"
SHORT = re.compile(rf"{re.escape(SHORT_HEAD)}((?:\|.*\n)*)")
WORDS_HEAD = (
    "| fishery | changes from week to week | words | of the wrong sign |\n|---|---|---|---|\n"
)
WORDS = re.compile(rf"{re.escape(WORDS_HEAD)}((?:\|.*\n)*)")
#: Fishery and level, changes, % with a word and % of the words of the wrong sign.
WORDS_OF_ONE = re.compile(
    r"\| intervals: ([\w-]+, [\w-]+), change of \w+ .* of (\d+) hold the truth, "
    r"([\d.]+)% have a word, ([\d.]+)% of the words"
)


@dataclass(frozen=True)
class Goal:
    """The bounds, in %, of a number that the figures of some simulations give."""

    names: tuple[str, ...]
    number: re.Pattern[str]
    low: float
    high: float

    def miss(self, name: str, figure: str) -> tuple[float, str, str] | None:
        """Return by how many points a figure lies outside, it and the goal; None where it holds."""
        found = self.number.match(figure) if name in self.names else None
        value = float(found[1]) if found else self.low
        beyond = max(self.low - value, value - self.high)
        of = f"{self.low:g}–{self.high:g} %" if self.low else f"at most {self.high:g} %"
        return (round(beyond, 6), f"{value:g} %", of) if beyond > 0 else None


#: Goals: 95 % intervals, what lies to a side, words of the wrong sign, 80 % and 95 % of an outlook.
GOALS = {
    "hold the truth": Goal(
        ("intervals", "marked_share"), re.compile(r"([\d.]+)%[^;]*? hold the truth"), 93, 97
    ),
    "lie below the truth": Goal(
        ("intervals",), re.compile(r"[^;]*? hold the truth, ([\d.]+)% below"), 1.5, 4
    ),
    "lie above the truth": Goal(
        ("intervals",), re.compile(r"[^;]*?% below and ([\d.]+)% above"), 1.5, 4
    ),
    "words of the wrong sign": Goal(
        ("intervals",), re.compile(r"[^;]*have a word, ([\d.]+)% of the words"), 0, 5
    ),
    "80 %": Goal(("outlook",), re.compile(r"total held in ([\d.]+)% at 80%"), 76, 84),
    "95 %": Goal(("outlook",), re.compile(r"total held in .* ([\d.]+)% at 95%"), 92, 98),
}


class Figures:
    """A plugin of pytest that keeps what tests record, by the file they stand in."""

    def __init__(self) -> None:
        self.of: dict[str, dict[str, str]] = {}
        self.seeds: dict[str, str] = {}

    def pytest_collection_modifyitems(self, items: Sequence[pytest.Item]) -> None:
        """Take the seed of each file."""
        for item in items:
            seed = getattr(getattr(item, "module", None), "SEED", "in the file")
            self.seeds[item.path.stem.removeprefix("test_")] = str(seed)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Take the figures of a test that has ended."""
        name = Path(report.nodeid.partition("::")[0]).stem.removeprefix("test_")
        self.of.setdefault(name, {}).update((k, str(v)) for k, v in report.user_properties)


def rows_of(figures: Figures, *, day: str, command: str) -> list[str]:
    """Return the table's rows, one a figure."""
    return [
        f"| {name}: {what} | {day} | {figures.seeds[name]} | `{command} {name}` | {figure} |"
        for name, found in sorted(figures.of.items())
        for what, figure in found.items()
    ]


def renewed(document: str, rows: Sequence[str]) -> str:
    """Return a document whose table has `rows` in place of older ones of the same simulations."""
    names = {row.removeprefix("| ").partition(":")[0] for row in rows}
    table = _table(document, TABLE, HEAD)
    kept = [
        row
        for row in table[1].splitlines()
        if row.removeprefix("| ").partition(":")[0] not in names
    ]
    body = "".join(f"{row}\n" for row in sorted([*kept, *rows], key=_name))
    return document[: table.start()] + HEAD + body + document[table.end() :]


def with_shortfalls(document: str) -> str:
    """Return a document whose table of what falls short follows from its table of figures."""
    table, short = _table(document, TABLE, HEAD), _table(document, SHORT, SHORT_HEAD)
    missed = []
    for row in table[1].splitlines():
        what, *_, figure = (cell.strip() for cell in row.strip("| ").split(" | "))
        name = what.partition(":")[0]
        for goal, one in GOALS.items():
            found = one.miss(name, figure)
            if found:
                missed.append((-found[0], f"| {what}: {goal} | {found[1]} | {found[2]} |\n"))
    body = "".join(line for _, line in sorted(missed))
    return document[: short.start()] + SHORT_HEAD + body + document[short.end() :]


def with_words(document: str) -> str:
    """Return a document whose table of words, all quantities together, follows from its figures."""
    table, words = _table(document, TABLE, HEAD), _table(document, WORDS, WORDS_HEAD)
    sums: dict[str, list[float]] = {}
    for found in filter(None, map(WORDS_OF_ONE.match, table[1].splitlines())):
        n, said = int(found[2]), round(int(found[2]) * float(found[3]) / 100)
        one = (n, said, round(said * float(found[4]) / 100))
        for where in (found[1], f"all, {found[1].partition(', ')[2]}"):
            sums[where] = [a + b for a, b in zip(sums.get(where, (0, 0, 0)), one, strict=True)]
    body = "".join(
        f"| {where} | {n:,.0f} | {said:,.0f} | {wrong:,.0f}, {100 * wrong / max(said, 1):.1f} % |\n"
        for where, (n, said, wrong) in sorted(sums.items())
    )
    return document[: words.start()] + WORDS_HEAD + body + document[words.end() :]


def _table(document: str, pattern: re.Pattern[str], head: str) -> re.Match[str]:
    found = pattern.search(document)
    if found is None:
        raise ValueError(f"no table with the header {head.splitlines()[0]}")
    return found


def _name(row: str) -> str:
    return row.partition(":")[0]


def main() -> int:
    """Run the simulations that were asked for; return the exit status of pytest."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--full", action="store_true", help="at full size; keep the figures")
    parser.add_argument("name", nargs="*", choices=[[], *FILES], metavar="NAME")
    given = parser.parse_args()
    if given.full and not sizes.IS_FULL:
        # The sizes are read as modules are loaded, and processes of a pool load them anew.
        os.environ[sizes.VARIABLE] = "full"
        os.execv(sys.executable, [sys.executable, "-m", "tests.simulation", *sys.argv[1:]])
    figures = Figures()
    paths = [str(FILES[name]) for name in given.name or FILES]
    status = int(pytest.main(["-q", *paths], plugins=[figures]))
    command = "python -m tests.simulation" + " --full" * given.full
    rows = rows_of(figures, day=f"{datetime.now(UTC):%Y-%m-%d}", command=command)
    print(HEAD + "\n".join(rows))
    if status == 0 and given.full:
        DOCUMENT.write_text(with_words(with_shortfalls(renewed(DOCUMENT.read_text(), rows))))
    return status


if __name__ == "__main__":
    sys.exit(main())

"""Bulletins as processes beside a bare group-by of the interviews: the demo, large seasons."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow.compute as pc
import pyarrow.parquet as pq

from analytics.cli.demo_store import DEMO_FOLDER, history
from analytics.data.schema import TABLES
from tests.bench.big_tables import big_seasons, site_days_of, write_tables
from tests.bench.commands import blackmouth, group_by
from tests.bench.processes import run_command
from tests.bench.runs import Part, Run, in_turns
from tests.bench.start import IMPORTS

if TYPE_CHECKING:
    from collections.abc import Callable

    import pyarrow as pa


def part(*, n_interviews: int, turns: int, n_seasons: int = 1) -> Part:
    """Measure the newest bulletin of seasons of so many interviews; of the demo where it is 0."""
    with tempfile.TemporaryDirectory() as place:
        if n_interviews:
            return _of_seasons(Path(place), n_seasons, n_interviews, turns)
        return _of_demo(Path(place), turns)


def _of_seasons(folder: Path, n_seasons: int, n_interviews: int, turns: int) -> Part:
    n_site_days = site_days_of(n_interviews)
    tables = big_seasons(n_seasons, n_interviews=n_interviews, n_site_days=n_site_days)
    write_tables(tables, folder / "tables", ending="parquet")
    del tables
    for turn in range(turns):
        blackmouth("import", str(folder / "tables"), "--store", str(folder / f"store{turn}"))
    seasons = "" if n_seasons == 1 else f"{n_seasons} seasons of "
    name = f"bulletin, {seasons}{n_interviews:,} interviews"
    steps = {
        "bare group-by in DuckDB (baseline)": lambda _: group_by(
            folder / "tables" / "interviews.parquet"
        ),
        name: lambda turn: blackmouth("bulletin", "--store", str(folder / f"store{turn}")),
    }
    sizes = f"{seasons}{n_interviews:,} interviews in {n_site_days:,} site-days"
    return Part("bulletins", sizes, in_turns(steps, turns=turns), own=(name,))


def _of_demo(folder: Path, turns: int) -> Part:
    tables = {path.stem: pq.read_table(path) for path in sorted(DEMO_FOLDER.glob("*.parquet"))}
    week = dict(history(tables)[-1].tables)
    write_tables(week, folder / "week", ending="parquet")
    write_tables(tables | _without(tables, week), folder / "before", ending="parquet")

    def first(turn: int) -> Run:
        store = ("--store", str(folder / f"store{turn}"))
        blackmouth("import", str(folder / "before"), *store)
        return blackmouth("bulletin", *store)

    def week_added(turn: int) -> Run:
        store = ("--store", str(folder / f"store{turn}"))
        blackmouth("import", str(folder / "week"), *store)
        return blackmouth("bulletin", *store)

    steps: dict[str, Callable[[int], Run]] = {
        "bare group-by in DuckDB (baseline)": lambda _: group_by(
            DEMO_FOLDER / "interviews.parquet"
        ),
        "imports of the libraries": lambda _: run_command([sys.executable, "-c", IMPORTS]),
        "bulletin of the demo, the first": first,
        "bulletin of the demo, a week added": week_added,
    }
    sizes = f"the demo: {tables['interviews'].num_rows:,} interviews of six seasons"
    return Part("bulletins", sizes, in_turns(steps, turns=turns), own=tuple(steps)[2:])


def _without(tables: dict[str, pa.Table], week: dict[str, pa.Table]) -> dict[str, pa.Table]:
    """Return the tables that a week has rows of, without these."""
    found = {}
    for name, rows in week.items():
        key = TABLES[name].key[0]
        mine = pc.is_in(tables[name][key], value_set=rows[key].combine_chunks())
        found[name] = tables[name].filter(pc.invert(mine))
    return found

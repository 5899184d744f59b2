"""Whole commands as processes, beside a bare group-by of the same interviews."""

from __future__ import annotations

import sys
import tempfile
from functools import partial
from pathlib import Path

from tests.bench.big_tables import big_tables, site_days_of, write_tables
from tests.bench.processes import run_command
from tests.bench.runs import Part, Run, in_turns

GROUP_BY = """
import duckdb
duckdb.sql('''
    SELECT sample_id, area, count(*), sum(kept), sum(released_sublegal), sum(anglers * hours_fished)
    FROM read_parquet('{path}') GROUP BY sample_id, area
''').fetchall()
"""


def blackmouth(*words: str) -> Run:
    """Run one command of the program."""
    return run_command([sys.executable, "-m", "analytics.cli", *words])


def group_by(path: Path) -> Run:
    """Read and group the interviews of a Parquet file and nothing else."""
    return run_command([sys.executable, "-c", GROUP_BY.format(path=path)])


def part(*, n_interviews: int, turns: int) -> Part:
    """Measure import, estimate and bulletin on one large season; every turn has its own store."""
    n_site_days = site_days_of(n_interviews)
    tables = big_tables(n_interviews=n_interviews, n_site_days=n_site_days)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for ending in ("csv", "parquet"):
            write_tables(tables, folder / ending, ending=ending)

        def store(turn: int, ending: str = "csv") -> tuple[str, str]:
            return "--store", str(folder / f"{ending}{turn}")

        def load(turn: int, ending: str) -> Run:
            return blackmouth("import", str(folder / ending), *store(turn, ending))

        def estimate(turn: int, by: str) -> Run:
            rows = str(folder / "rows.csv")
            return blackmouth("estimate", *store(turn), "--by", by, "--out", rows)

        steps = {
            "bare group-by in DuckDB (baseline)": lambda _: group_by(
                folder / "parquet" / "interviews.parquet"
            ),
            "import, csv": partial(load, ending="csv"),
            "import, parquet": partial(load, ending="parquet"),
            "estimate by area,week": partial(estimate, by="area,week"),
            "estimate by season": partial(estimate, by="season"),
            "bulletin": lambda turn: blackmouth("bulletin", *store(turn)),
        }
        runs = in_turns(steps, turns=turns)
    sizes = f"{n_interviews:,} interviews in {n_site_days:,} site-days, each command a process"
    return Part("commands", sizes, runs, own=tuple(steps)[1:])

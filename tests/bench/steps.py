"""Steps of the estimate on a large season beside DuckDB's group-by of the same files."""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from analytics.data.store import Store
from tests.bench.big_tables import big_tables, site_days_of
from tests.bench.commands import blackmouth
from tests.bench.processes import apart, run_command
from tests.bench.runs import Part, Run

LABELS = {
    "same sums": "group-by in DuckDB: the sums, squares and products of the reduction (baseline)",
    "sums": "group-by in DuckDB: counts and sums alone",
    "reduction": "reduction",
    "estimate": "estimate by area,week, store to rows",
}
_NOTE = (
    "Seconds inside one process; peak memory is that of a process with nothing but the group-by, "
    "and of the command `estimate`."
)


def part(*, n_interviews: int, turns: int) -> Part:
    """Measure one size; the season is stored first, unmeasured."""
    n_site_days = site_days_of(n_interviews)
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "store"
        Store(store).add(big_tables(n_interviews=n_interviews, n_site_days=n_site_days))
        said = apart("tests.bench.in_process", str(store), str(turns))
        code = f"import duckdb\nduckdb.sql({said['same sums query']!r}).to_arrow_table()"
        peak = {
            "same sums": run_command([sys.executable, "-c", code]).peak,
            "estimate": blackmouth(
                "estimate", "--store", str(store), "--out", str(Path(folder) / "rows.csv")
            ).peak,
        }
    runs = {
        label: [replace(Run(*took), peak=peak.get(step, float("nan"))) for took in said[step]]
        for step, label in LABELS.items()
    }
    sizes = f"{n_interviews:,} interviews in {n_site_days:,} site-days, in one store"
    own = (LABELS["reduction"], LABELS["estimate"])
    return Part(f"steps, {n_interviews:,}", sizes, runs, own, _NOTE)

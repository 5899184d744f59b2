"""The start of the program: its help and a tiny estimate, beside bare imports of its libraries."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.bench.big_tables import big_tables, write_tables
from tests.bench.commands import blackmouth
from tests.bench.processes import run_command
from tests.bench.runs import Part, in_turns

IMPORTS = "import duckdb, pyarrow, pandas"
N_INTERVIEWS, N_SITE_DAYS = 200, 20


def part(*, turns: int) -> Part:
    """Measure the help and an estimate by season; the imports are the baseline."""
    with tempfile.TemporaryDirectory() as place:
        folder, store = Path(place) / "week", ("--store", str(Path(place) / "store"))
        tables = big_tables(n_interviews=N_INTERVIEWS, n_site_days=N_SITE_DAYS)
        write_tables(tables, folder)
        blackmouth("import", str(folder), *store)
        rows = str(Path(place) / "rows.csv")
        steps = {
            f"{IMPORTS} (baseline)": lambda _: run_command([sys.executable, "-c", IMPORTS]),
            "--help": lambda _: blackmouth("--help"),
            "estimate by season": lambda _: blackmouth(
                "estimate", *store, "--by", "season", "--out", rows
            ),
            "estimate by area,week": lambda _: blackmouth("estimate", *store, "--out", rows),
        }
        runs = in_turns(steps, turns=turns)
    sizes = f"{N_INTERVIEWS} interviews in {N_SITE_DAYS} site-days, each command a process"
    return Part("start", sizes, runs, own=tuple(steps)[1:])

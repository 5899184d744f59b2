"""Steps of the estimate at two sizes: against DuckDB's group-by, and how time and memory grow."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from analytics.data.store import Store
from tests.bench.big_tables import big_tables
from tests.bench.processes import Measured, measure


@dataclass(frozen=True, slots=True)
class Scale:
    """One size of season.

    Parameters
    ----------
    n_interviews, n_site_days : int
    wall, processor : dict of str to float
        Seconds of the quickest run of each step of `tests.bench.steps`, by either clock.
    whole : Measured
        The command ``estimate`` as a process, for its peak memory.
    """

    n_interviews: int
    n_site_days: int
    wall: dict[str, float]
    processor: dict[str, float]
    whole: Measured


def at_scale(*, n_interviews: int, n_site_days: int, runs: int) -> Scale:
    """Measure one size; the season is stored first, unmeasured."""
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "store"
        Store(store).add(big_tables(n_interviews=n_interviews, n_site_days=n_site_days))
        steps = [sys.executable, "-m", "tests.bench.steps", str(store), str(runs)]
        said = subprocess.run(steps, check=True, stdout=subprocess.PIPE, text=True).stdout
        words = ["estimate", "--store", str(store), "--out", str(Path(folder) / "rows.csv")]
        whole = measure("estimate", [[sys.executable, "-m", "analytics.cli", *words]])
    took = json.loads(said.splitlines()[-1])
    wall, processor = (
        {name: min(run[clock] for run in runs) for name, runs in took.items()} for clock in (0, 1)
    )
    return Scale(n_interviews, n_site_days, wall, processor, whole)


def tables(scales: list[Scale]) -> list[str]:
    """Return the sizes as lines of Markdown: a table by each clock, and the peak memory."""
    lines = []
    for clock, words in (("processor", "processor seconds, all threads"), ("wall", "wall seconds")):
        lines += [*_table(scales, clock, words), ""]
    peaks = "; ".join(f"{one.whole.peak_mib:,.0f} at {one.n_interviews:,}" for one in scales)
    return [*lines, f"Peak memory of the whole command, MiB: {peaks}."]


def _table(scales: list[Scale], clock: str, words: str) -> list[str]:
    seconds = [getattr(one, clock) for one in scales]
    small, large = seconds[0], seconds[-1]
    heads = [f"{one.n_interviews:,} interviews" for one in scales]
    lines = [
        f"| {words} | {' | '.join(heads)} | times as long | × sums | × same sums |",
        "|---" * (len(scales) + 4) + "|",
    ]
    names = {
        "sums": "DuckDB's group-by: counts and sums alone",
        "same sums": "DuckDB's group-by: the sums, squares and products of the reduction",
        "reduction": "reduction",
        "estimate": "whole estimate by area,week, store to rows",
    }
    for step, label in names.items():
        times = " | ".join(f"{one[step]:.3f}" for one in seconds)
        lines.append(
            f"| {label} | {times} | {large[step] / small[step]:.1f} "
            f"| {large[step] / large['sums']:.1f} | {large[step] / large['same sums']:.1f} |"
        )
    return lines

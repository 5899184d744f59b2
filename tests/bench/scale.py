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
    quickest : dict of str to float
        Seconds of the quickest run of each step of `tests.bench.steps`.
    whole : Measured
        The command ``estimate`` as a process, for its peak memory.
    """

    n_interviews: int
    n_site_days: int
    quickest: dict[str, float]
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
    seconds = json.loads(said.splitlines()[-1])
    quickest = {name: min(runs) for name, runs in seconds.items()}
    return Scale(n_interviews, n_site_days, quickest, whole)


def table(scales: list[Scale]) -> list[str]:
    """Return the sizes as lines of a Markdown table, the first beside the last."""
    small, large = scales[0], scales[-1]
    heads = [f"{one.n_interviews:,} interviews, s" for one in scales]
    lines = [
        f"| step | {' | '.join(heads)} | times as long | × sums | × same sums |",
        "|---" * (len(scales) + 4) + "|",
    ]
    names = {
        "sums": "DuckDB's group-by: counts and sums alone",
        "same sums": "DuckDB's group-by: the sums, squares and products of the reduction",
        "reduction": "reduction",
        "estimate": "whole estimate by area,week, store to rows",
    }
    for step, words in names.items():
        times = " | ".join(f"{one.quickest[step]:.3f}" for one in scales)
        last = large.quickest
        lines.append(
            f"| {words} | {times} | {last[step] / small.quickest[step]:.1f} "
            f"| {last[step] / last['sums']:.1f} | {last[step] / last['same sums']:.1f} |"
        )
    peaks = " | ".join(f"{one.whole.peak_mib:,.0f}" for one in scales)
    lines.append(f"| peak memory of the whole command, MiB | {peaks} | | | |")
    return lines

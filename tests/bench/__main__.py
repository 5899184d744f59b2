"""Time and peak memory of whole commands, as ratios to a baseline measured in the same run.

``python -m tests.bench`` prints a Markdown table. The baseline is DuckDB's bare group-by of the
same interviews to site-day and area, in a process of its own.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from tests.bench.big_tables import big_tables, write_tables

GROUP_BY = """
import duckdb
duckdb.sql('''
    SELECT sample_id, area, count(*), sum(kept), sum(released_sublegal), sum(anglers * hours_fished)
    FROM read_parquet('{path}') GROUP BY sample_id, area
''').fetchall()
"""


@dataclass(frozen=True, slots=True)
class Measured:
    """One command: wall seconds of each run, and the largest peak memory in MiB."""

    name: str
    seconds: tuple[float, ...]
    peak_mib: float

    @property
    def median(self) -> float:
        """Median wall time, seconds."""
        return statistics.median(self.seconds)


def measure(name: str, commands: list[list[str]]) -> Measured:
    """Run commands one after the other and measure each as a whole process."""
    seconds, peaks = [], []
    for command in commands:
        start = time.perf_counter()
        child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        _, status, usage = os.wait4(child.pid, 0)
        seconds.append(time.perf_counter() - start)
        peaks.append(usage.ru_maxrss / 1024)
        if status:
            raise SystemExit(f"{name} failed: {(child.stderr.read() if child.stderr else b'')!r}")
        if child.stderr:
            child.stderr.close()
        child.returncode = 0
    return Measured(name, tuple(seconds), max(peaks))


def run(*, n_interviews: int, n_site_days: int, runs: int) -> list[Measured]:
    """Measure the baseline, import and estimate on one large season."""
    command = [sys.executable, "-m", "analytics.cli"]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        tables = big_tables(n_interviews=n_interviews, n_site_days=n_site_days)
        write_tables(tables, folder / "csv")
        write_tables(tables, folder / "parquet", ending="parquet")
        code = GROUP_BY.format(path=folder / "parquet" / "interviews.parquet")
        stores = [str(folder / f"store{number}") for number in range(2 * runs)]

        def estimates(by: str) -> list[list[str]]:
            out = str(folder / "rows.csv")
            words = ["estimate", "--store", stores[0], "--by", by, "--out", out]
            return [[*command, *words]] * runs

        return [
            measure("DuckDB's bare group-by (baseline)", [[sys.executable, "-c", code]] * runs),
            *(
                measure(
                    f"import, {ending}",
                    [
                        [*command, "import", str(folder / ending), "--store", store]
                        for store in kept
                    ],
                )
                for ending, kept in (("csv", stores[:runs]), ("parquet", stores[runs:]))
            ),
            measure("estimate by area,week", estimates("area,week")),
            measure("estimate by season", estimates("season")),
            measure(
                "bulletin", [[*command, "bulletin", "--store", store] for store in stores[:runs]]
            ),
        ]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--interviews", type=int, default=100_000)
    parser.add_argument("--site-days", type=int, default=10_000)
    parser.add_argument("--runs", type=int, default=3)
    given = parser.parse_args()
    measured = run(n_interviews=given.interviews, n_site_days=given.site_days, runs=given.runs)
    baseline = measured[0]
    print(f"{given.interviews:,} interviews in {given.site_days:,} site-days, {given.runs} runs\n")
    print("| whole command | median s | × baseline | peak MiB | × baseline |")
    print("|---|---|---|---|---|")
    for one in measured:
        print(
            f"| {one.name} | {one.median:.2f} | {one.median / baseline.median:.1f} "
            f"| {one.peak_mib:,.0f} | {one.peak_mib / baseline.peak_mib:.1f} |"
        )


if __name__ == "__main__":
    main()

"""The reduction and the whole weekly estimate beside DuckDB's group-by of the same files.

Everything is timed inside one process, in turns, by the wall and by the processor. On a busy
machine only the second is fair: the wall counts what other processes take.

* **sums**: a bare group-by to site-day and area fished, with the count and the sum of every number
  the estimates use and nothing else: no squares, no cross-products, no codes, no filter;
* **same sums**: a bare group-by with the very sums, squares and cross-products of the reduction;
* **reduction**: `analytics.survey.reduce.Reduction`, as it runs within the estimate;
* **estimate**: from the store on disk to the frame of result rows by area and week.

``python -m tests.bench.steps STORE`` prints the seconds of every run, wall and processor, as JSON.
"""

from __future__ import annotations

import json
import re
import sys
import time
from pathlib import Path
from typing import Any

import duckdb

from analytics.bulletin.weekly import estimate
from analytics.data.store import Store
from analytics.survey.reduce import Reduction
from analytics.survey.sums import Sums

NUMBERS = (
    "anglers",
    "anglers * hours_fished",
    "kept",
    "released_legal",
    "released_sublegal",
    "released_unknown",
    "kept_marked",
    "released_legal_marked",
    "released_sublegal_marked",
)
_JOINS = "JOIN units USING (sample_id) JOIN areas USING (area) "
_CODES = "SELECT units.unit, areas.code AS area"


#: Wall and processor seconds.
Took = tuple[float, float]


class Clock:
    """Wall and processor seconds since it was made; the processor's are those of all threads."""

    def __init__(self) -> None:
        self._start = (time.perf_counter(), time.process_time())

    def read(self) -> Took:
        """Return the seconds so far."""
        wall, processor = self._start
        return time.perf_counter() - wall, time.process_time() - processor


class Watch:
    """Notes how long reductions take, and what they ask for, while an estimate runs."""

    def __init__(self) -> None:
        self.took: Took = (0.0, 0.0)
        self.query = ""

    def __enter__(self) -> Watch:
        self._made, self._written = Reduction.__init__, Sums.query

        def made(reduction: Reduction, *args: Any, **more: Any) -> None:
            clock = Clock()
            self._made(reduction, *args, **more)
            wall, processor = clock.read()
            self.took = (self.took[0] + wall, self.took[1] + processor)

        def written(sums: Sums) -> str:
            self.query = self._written(sums)
            return self.query

        Reduction.__init__, Sums.query = made, written  # type: ignore[method-assign]
        return self

    def __exit__(self, *what: object) -> None:
        Reduction.__init__, Sums.query = self._made, self._written  # type: ignore[method-assign]


def bare_sums(files: list[str]) -> str:
    """Return the group-by with the sums alone."""
    sums = ", ".join(f"sum({number})" for number in NUMBERS)
    return (
        f"SELECT sample_id, area, count(*), {sums} FROM read_parquet({files!r}) "
        "GROUP BY sample_id, area"
    )


def same_sums(query: str, files: list[str]) -> str:
    """Return the query of a reduction without its codes: a group-by of the files themselves."""
    if _JOINS not in query or _CODES not in query:
        raise SystemExit(f"the query of the reduction reads otherwise than expected: {query}")
    bare = query.replace(_JOINS, "").replace(_CODES, "SELECT sample_id, area")
    bare = re.sub(r"\bunit\b", "sample_id", bare)
    return bare.replace("FROM interviews", f"FROM read_parquet({files!r}) AS interviews")


def time_of(query: str) -> Took:
    """Return the time of a query from files to an Arrow table, in a connection of its own."""
    with duckdb.connect() as connection:
        clock = Clock()
        connection.sql(query).to_arrow_table()
        return clock.read()


def measure(store: Path, *, runs: int) -> dict[str, list[Took]]:
    """Return the seconds of each step, run after run."""
    files = [str(file) for file in sorted((store / "interviews").glob("*.parquet"))]
    seconds: dict[str, list[Took]] = {
        name: [] for name in ("sums", "same sums", "reduction", "estimate")
    }
    for _ in range(runs):
        seconds["sums"].append(time_of(bare_sums(files)))
        with Watch() as watch:
            clock = Clock()
            rows = estimate(Store(store), by=("area", "week"))
            seconds["estimate"].append(clock.read())
        if rows["estimate"].notna().sum() == 0:
            raise SystemExit("the estimate has no value: nothing was measured")
        seconds["reduction"].append(watch.took)
        seconds["same sums"].append(time_of(same_sums(watch.query, files)))
    return seconds


if __name__ == "__main__":
    print(json.dumps(measure(Path(sys.argv[1]), runs=int(sys.argv[2]))))

"""The reduction and the whole weekly estimate beside DuckDB's group-by of the same files.

Everything is timed inside one process, in turns; a first turn, in which code is loaded, does not
count.

* **sums**: a bare group-by to site-day and area fished, with the count and the sum of every number
  the estimates use and nothing else: no squares, no cross-products, no codes, no filter;
* **same sums**: a bare group-by with the very sums, squares and cross-products of the reduction;
* **reduction**: `analytics.survey.reduction.Reduction`, as it runs within the estimate;
* **estimate**: from the store on disk to the frame of result rows by area and week.

``python -m tests.bench.in_process STORE TURNS`` prints the seconds of every turn, wall and
processor, as JSON, and the query of the same sums.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import Any

import duckdb

from analytics.data.store import Store
from analytics.estimates.estimate import estimate
from analytics.survey.reduction import Reduction, SumQuery
from tests.bench.runs import Clock, Run, in_turns

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


class Watch:
    """Notes how long reductions take, and what they ask for, while an estimate runs."""

    def __init__(self) -> None:
        self.took = Run(0.0, 0.0)
        self.query = ""

    def __enter__(self) -> Watch:
        self._made, self._written = Reduction.__init__, SumQuery.query

        def made(reduction: Reduction, *args: Any, **more: Any) -> None:
            clock = Clock()
            self._made(reduction, *args, **more)
            took, so_far = clock.read(), self.took
            self.took = Run(so_far.wall + took.wall, so_far.processor + took.processor)

        def written(sums: SumQuery) -> str:
            self.query = self._written(sums)
            return self.query

        Reduction.__init__, SumQuery.query = made, written  # type: ignore[method-assign]
        return self

    def __exit__(self, *what: object) -> None:
        Reduction.__init__, SumQuery.query = self._made, self._written  # type: ignore[method-assign]


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


def time_of(query: str) -> Run:
    """Return the time of a query from files to an Arrow table, in a connection of its own."""
    with duckdb.connect() as connection:
        clock = Clock()
        connection.sql(query).to_arrow_table()
        return clock.read()


def measure(store: Path, *, turns: int) -> dict[str, Any]:
    """Return wall and processor seconds of each step, turn after turn, and the query compared."""
    files = [str(file) for file in sorted((store / "interviews").glob("*.parquet"))]
    watch = Watch()

    def timed(_: int) -> Run:
        watch.took = Run(0.0, 0.0)
        with watch:
            clock = Clock()
            rows = estimate(Store(store), by=("area", "week"))
            took = clock.read()
        if rows["estimate"].notna().sum() == 0:
            raise SystemExit("the estimate has no value: nothing was measured")
        return took

    runs = in_turns(
        {
            "sums": lambda _: time_of(bare_sums(files)),
            "estimate": timed,
            "reduction": lambda _: watch.took,
            "same sums": lambda _: time_of(same_sums(watch.query, files)),
        },
        turns=turns + 1,
    )
    took = {step: [(one.wall, one.processor) for one in done[1:]] for step, done in runs.items()}
    return took | {"same sums query": same_sums(watch.query, files)}


if __name__ == "__main__":
    print(json.dumps(measure(Path(sys.argv[1]), turns=int(sys.argv[2]))))

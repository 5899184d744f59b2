"""The estimate in one process beside the same with its interviews summed by two workers.

``python -m tests.bench.cluster STORE SMALL ADDRESS TURNS`` measures a store, once the code is
loaded by a small one, with a scheduler that runs.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics import Store, import_files
from analytics.data.store import connected
from analytics.estimates.estimate import estimate
from tests.bench.imports import write_folder
from tests.bench.processes import apart, forget_peak, peak_mib
from tests.bench.runs import Clock, Part, Run, in_turns
from tests.clusters import processes

if TYPE_CHECKING:
    import pandas as pd

HERE, FAR = "estimate in one process (baseline)", "with two workers, all processes"
ITSELF, WORKERS = "of these, the process itself", "of these, the workers"
_NOTE = "The scheduler runs besides. Peak memory is of the process, and of the larger worker."


def part(*, n_interviews: int, turns: int) -> Part:
    """Measure one size; the season is stored first, unmeasured.

    Raises
    ------
    SystemExit
        If the answers are not equal to 1e-10.
    """
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "store"
        n_site_days = store_of(store, n_interviews)
        small = Path(folder) / "small"
        store_of(small, 20_000)
        with processes(Path(folder), n_workers=2) as found:
            words = (str(store), str(small), found.address, str(turns))
            said = apart("tests.bench.cluster", *words)
    runs = {step: [Run(*took) for took in said[step]] for step in (HERE, FAR, ITSELF, WORKERS)}
    sizes = f"{n_interviews:,} interviews in {n_site_days:,} site-days, two workers of one thread"
    return Part(f"cluster, {n_interviews:,}", sizes, runs, (FAR, ITSELF), _NOTE)


def store_of(path: Path, n_interviews: int) -> int:
    """Store a season of any size, read from files part by part; return its number of site-days."""
    with tempfile.TemporaryDirectory() as folder:
        n_site_days = write_folder(Path(folder), n_interviews, "parquet")
        import_files(Store(path), folder)
    return n_site_days


def measure(store: Path, small: Path, address: str, *, turns: int) -> dict[str, Any]:
    """Return wall, processor and peak of each step, turn after turn; a small one loads code."""
    answers: dict[str, pd.DataFrame] = {}
    with connected(address) as workers:
        client = workers._client
        estimate(Store(small, workers=workers))

        def here(_: int) -> Run:
            forget_peak()
            clock = Clock()
            answers[HERE] = estimate(Store(store))
            took = clock.read()
            return Run(took.wall, took.processor, peak_mib())

        def itself(_: int) -> Run:
            client.run(forget_peak)
            forget_peak()
            before = sum(client.run(time.process_time).values())
            clock = Clock()
            answers[FAR] = estimate(Store(store, workers=workers))
            took = clock.read()
            spent = sum(client.run(time.process_time).values()) - before
            far.append(Run(took.wall, took.processor + spent))
            apart_from.append(Run(took.wall, spent, max(client.run(peak_mib).values())))
            return Run(took.wall, took.processor, peak_mib())

        far: list[Run] = []
        apart_from: list[Run] = []
        runs = in_turns({HERE: here, ITSELF: itself}, turns=turns)
    require_equal(answers[FAR], answers[HERE])
    runs |= {FAR: far, WORKERS: apart_from}
    return {
        step: [(one.wall, one.processor, one.peak) for one in done] for step, done in runs.items()
    }


def require_equal(far: pd.DataFrame, near: pd.DataFrame) -> None:
    """Stop where a number differs by more than 1e-10 of itself, or a word differs."""
    for name in near:
        if str(near[name].dtype) in ("float64", "double[pyarrow]"):
            pair = (one[name].to_numpy(dtype=float, na_value=np.nan) for one in (far, near))
            np.testing.assert_allclose(*pair, rtol=1e-10, atol=0, err_msg=str(name))
        elif not far[name].equals(near[name]):
            raise SystemExit(f"not equal: {name}")


if __name__ == "__main__":
    here, small, at, n = sys.argv[1:]
    print(json.dumps(measure(Path(here), Path(small), at, turns=int(n))))

"""The same negative binomial regression by this program and by statsmodels' dense one.

``python -m tests.bench.models WAY PATH`` fits the interviews of a Parquet file in its own process
and prints seconds, memory and answers as one line of JSON; ``python -m tests.bench --only models``
runs every way in turns and compares. All start from the frame in memory and end with estimates and
standard errors.
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import gc
import json
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import statsmodels.api as sm

from analytics.models.counts import fit_counts

N_AREAS, N_WEEKS = 13, 26
#: Largest difference of a coefficient or of the dispersion between two ways.
EQUAL = 1e-6
WAYS = {
    "own": "this program",
    "newton": "statsmodels, dense, by Newton's steps",
    "default": "statsmodels, dense, by its default search (BFGS)",
}


@dataclass(frozen=True, slots=True)
class Fitted:
    """One way of fitting: the quickest of its runs.

    Parameters
    ----------
    seconds, processor : float
        By the wall, and of all threads of the processor.
    grown, peak : float
        Largest memory of the process, MiB: over what it held before the fit, and in all.
    params : ndarray of float
        Coefficients, then the dispersion.
    """

    seconds: float
    processor: float
    grown: float
    peak: float
    params: np.ndarray


def interviews(n: int, *, seed: int = 8) -> pd.DataFrame:
    """Return n boat trips: area, week, angler-hours in quarters of an hour a boat, and fish."""
    rng = np.random.default_rng(seed)
    area, week = rng.integers(0, N_AREAS, n), rng.integers(0, N_WEEKS, n)
    hours = rng.integers(4, 37, n) / 4 * rng.integers(1, 5, n)
    rate = np.exp(-2.5 + 0.1 * (area - 6) + 0.5 * np.sin(week / 4))
    return pd.DataFrame(
        {
            "area": np.char.add("A", np.char.zfill(area.astype(str), 2)),
            "week": np.char.add("W", np.char.zfill(week.astype(str), 2)),
            "angler_hours": hours,
            "fish": rng.poisson(rate * hours * rng.gamma(1.2, 1 / 1.2, n)),
        }
    )


def own(frame: pd.DataFrame) -> np.ndarray:
    """Return coefficients and dispersion by this program."""
    terms = ["area", "week"]
    fit = fit_counts(frame, response="fish", exposure="angler_hours", terms=terms)
    return np.append(fit.coefficients["estimate"], fit.dispersion)


def dense(frame: pd.DataFrame, **search: Any) -> Any:
    """Return the fit of statsmodels on a dense matrix."""
    columns = pd.get_dummies(frame[["area", "week"]], drop_first=True, dtype=float)
    columns.insert(0, "intercept", 1.0)
    offset = np.log(frame["angler_hours"].to_numpy())
    model = sm.NegativeBinomial(frame["fish"].to_numpy(), columns.to_numpy(), offset=offset)
    return model.fit(maxiter=1000, disp=0, **search)


def fitted(way: str, frame: pd.DataFrame) -> Any:
    """Return the answer of one way: parameters, or a fit of statsmodels."""
    if way == "own":
        return own(frame)
    return dense(frame, method="newton", tol=1e-10) if way == "newton" else dense(frame)


def measured(way: str, path: Path) -> dict[str, Any]:
    """Fit in this process and return what it took; the code is loaded by a small fit before."""
    fitted(way, interviews(5000))
    frame = pd.read_parquet(path)
    _forget()
    before, start, clock = _peak(), time.perf_counter(), time.process_time()
    found = fitted(way, frame)
    seconds, processor = time.perf_counter() - start, time.process_time() - clock
    peak = _peak()
    if way == "default":
        # It stops short of six digits; steps that nobody times take it to the top.
        polish = {"method": "newton", "maxiter": 50, "tol": 1e-10, "disp": 0}
        found = found.model.fit(start_params=found.params, **polish)
    params = found if way == "own" else found.params
    return {
        "seconds": seconds,
        "processor": processor,
        "grown": peak - before,
        "peak": peak,
        "params": np.asarray(params).tolist(),
    }


def compare(*, n: int, ways: tuple[str, ...], runs: int) -> dict[str, Fitted]:
    """Return every way on the same rows, each run a process of its own, taken in turns.

    Raises
    ------
    SystemExit
        If a way fails, or two answers differ by more than `EQUAL`.
    """
    found: dict[str, list[Fitted]] = {way: [] for way in ways}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "interviews.parquet"
        interviews(n).to_parquet(path)
        for _ in range(runs):
            for way in ways:
                found[way].append(_apart(way, path))
    best = {way: min(runs, key=lambda one: one.seconds) for way, runs in found.items()}
    for way, one in best.items():
        off = _off(best[ways[0]], one)
        if not off < EQUAL:
            raise SystemExit(f"{WAYS[way]}: not equal: off by {off:.2g}")
    return best


def table(n: int, found: dict[str, Fitted]) -> list[str]:
    """Return the ways as lines of a Markdown table."""
    lines = [
        f"| NB2 fit, {n:,} interviews | wall s | times as long | processor s | times as long "
        "| memory of the fit, MiB | times as much | whole process, MiB | largest difference |",
        "|---" * 9 + "|",
    ]
    first = next(iter(found.values()))
    for way, one in found.items():
        more = one.grown / max(first.grown, 0.1)
        off = "" if one is first else f"{_off(first, one):.0e}"
        lines.append(
            f"| {WAYS[way]} | {one.seconds:.2f} | {one.seconds / first.seconds:.1f} "
            f"| {one.processor:.2f} | {one.processor / first.processor:.1f} "
            f"| {one.grown:,.0f} | {more:.1f} | {one.peak:,.0f} | {off} |"
        )
    return lines


def _off(one: Fitted, other: Fitted) -> float:
    return float(np.abs(one.params - other.params).max())


def _apart(way: str, path: Path) -> Fitted:
    command = [sys.executable, "-m", "tests.bench.models", way, str(path)]
    said = subprocess.run(command, check=False, capture_output=True, text=True)
    if said.returncode:
        raise SystemExit(f"{WAYS[way]} failed: {said.stderr[-2000:]}")
    one = json.loads(said.stdout.splitlines()[-1])
    return Fitted(**(one | {"params": np.array(one["params"])}))


def _forget() -> None:
    """Give back memory that nothing holds, and have Linux count the peak anew."""
    gc.collect()
    pa.default_memory_pool().release_unused()
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
        Path("/proc/self/clear_refs").write_text("5")


def _peak() -> float:
    """Return the largest memory of this process, MiB."""
    try:
        lines = Path("/proc/self/status").read_text().splitlines()
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    # Not ru_maxrss here: it begins at the peak of the process that started this one.
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024


def main() -> None:
    """Print what one way took."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("way", choices=tuple(WAYS))
    parser.add_argument("path", type=Path)
    given = parser.parse_args()
    print(json.dumps(measured(given.way, given.path)))


if __name__ == "__main__":
    main()

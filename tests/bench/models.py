"""The same negative binomial regression by this program and by statsmodels' dense one.

``python -m tests.bench.models WAY PATH`` fits the interviews of a Parquet file in its own process
and prints seconds, memory and answers as one line of JSON. All start from the frame in memory and
end with estimates and standard errors.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import statsmodels.api as sm

from analytics.models.count_regression import fit_counts
from tests.bench.processes import apart, forget_peak, peak_mib
from tests.bench.runs import Clock, Part, Run, in_turns

N_AREAS, N_WEEKS = 13, 26
#: Largest difference of a coefficient or of the dispersion between two ways.
EQUAL = 1e-6
WAYS = {
    "dense": "statsmodels, dense, by Newton's steps (baseline)",
    "own": "this program",
}


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


def dense(frame: pd.DataFrame) -> np.ndarray:
    """Return the same from statsmodels on a dense matrix, by Newton's steps."""
    columns = pd.get_dummies(frame[["area", "week"]], drop_first=True, dtype=float)
    columns.insert(0, "intercept", 1.0)
    offset = np.log(frame["angler_hours"].to_numpy())
    model = sm.NegativeBinomial(frame["fish"].to_numpy(), columns.to_numpy(), offset=offset)
    return np.asarray(model.fit(method="newton", maxiter=1000, tol=1e-10, disp=0).params)


def measured(way: str, path: Path) -> dict[str, Any]:
    """Fit in this process and return what it took; the code is loaded by a small fit before."""
    fit = {"own": own, "dense": dense}[way]
    fit(interviews(5000))
    frame = pd.read_parquet(path)
    forget_peak()
    before, clock = peak_mib(), Clock()
    params = fit(frame)
    took, grown = clock.read(), peak_mib() - before
    return {"run": (took.wall, took.processor, grown), "params": params.tolist()}


def part(*, n_interviews: int, turns: int) -> Part:
    """Fit the same rows in every way, each run a process of its own.

    Raises
    ------
    SystemExit
        If two answers differ by more than `EQUAL`.
    """
    params: dict[str, np.ndarray] = {}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "interviews.parquet"
        interviews(n_interviews).to_parquet(path)

        def step(way: str, _: int) -> Run:
            said = apart("tests.bench.models", way, str(path))
            params[way] = np.array(said["params"])
            return Run(*said["run"])

        runs = in_turns({label: partial(step, way) for way, label in WAYS.items()}, turns=turns)
    off = float(np.abs(params["own"] - params["dense"]).max())
    if not off < EQUAL:
        raise SystemExit(f"answers are not equal: off by {off:.2g}")
    note = f"Memory is what the process grew by. Largest difference of an answer: {off:.0e}."
    sizes = f"Negative binomial, {n_interviews:,} interviews, {N_AREAS} areas and {N_WEEKS} weeks"
    return Part("models", sizes, runs, (WAYS["own"],), note)


def main() -> None:
    """Print what one way took."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("way", choices=tuple(WAYS))
    parser.add_argument("path", type=Path)
    given = parser.parse_args()
    print(json.dumps(measured(given.way, given.path)))


if __name__ == "__main__":
    main()

"""Simulate seasons of known truth, estimate each, and sum up how the estimates did."""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import lru_cache, partial
from multiprocessing import get_context
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.stats import binom

from analytics.data.snapshot import Snapshot
from analytics.estimates.estimate import estimate_snapshot
from analytics.simulation.fishery import (
    AS_REPORTED,
    Population,
    season_truth,
    simulate_population,
    truth_rows,
)
from analytics.simulation.reference_tables import Frame, reference_tables, season_frame
from analytics.simulation.sampling import SampleOptions, draw_sample
from analytics.simulation.scenario import demo_sound
from tests.small_sound import small_sound

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pyarrow as pa

    from analytics.simulation.scenario import Sound

SEASON = "2030-31"
SOUNDS = {"demo": demo_sound, "small": small_sound}
QUANTITIES = (
    "angler_hours",
    "kept_fish",
    "released_sublegal_fish",
    "encounter_fish",
    "sublegal_prop",
)

#: Columns of the result rows that are looked at.
RESULT = ("area", "week", "quantity", "estimate", "se", "ci_low", "ci_high", "df", "status")

#: Two to four site-days a stratum as in the demo; days that were missed are there but rare.
SAMPLE = SampleOptions(units_low=2, units_high=4, missed_prop=0.005)


@lru_cache(maxsize=2)
def place(name: str) -> tuple[Sound, Frame, dict[str, pa.Table]]:
    """Build once what every simulated season of a sound shares."""
    sound = SOUNDS[name]()
    sound = replace(sound, seasons=(sound.season(SEASON),))
    return sound, season_frame(sound, SEASON), reference_tables(sound)


def one_season(name: str, seed: int, number: int, by: tuple[str, ...]) -> pd.DataFrame:
    """Simulate a fresh season, sample it, estimate it: its result rows, each with its truth."""
    sound, frame, reference = place(name)
    rng = np.random.default_rng([seed, number])
    population = simulate_population(sound, frame, rng=rng)
    sample = draw_sample(sound, population, rng=rng, options=SAMPLE)
    snapshot = Snapshot.of({**reference, **sample.tables})
    rows = estimate_snapshot(snapshot, season=SEASON, by=by, level=0.95)
    return _with_truth(rows[list(RESULT)], sound, population, by)


def _with_truth(
    rows: pd.DataFrame, sound: Sound, population: Population, by: tuple[str, ...]
) -> pd.DataFrame:
    if by == ("season",):
        known = season_truth(population)
        return rows[rows["quantity"].isin(known)].assign(truth=rows["quantity"].map(known))
    truth = truth_rows(sound, population)
    truth = truth[truth["basis"] == AS_REPORTED].rename(columns={"value": "truth"})
    for column in ("area", "week"):
        truth = truth[truth[column].notna() == (column in by)]
    keys = [*by, "quantity"]
    return rows.merge(truth[[*keys, "truth"]], on=keys, validate="1:1")


def _several(name: str, seed: int, numbers: range, by: tuple[str, ...]) -> pd.DataFrame:
    return pd.concat([one_season(name, seed, number, by) for number in numbers])


def simulate(
    *,
    n_seasons: int,
    seed: int,
    name: str = "demo",
    by: tuple[str, ...] = ("season",),
    processes: int = 1,
) -> pd.DataFrame:
    """Return the rows of every season; the same rows whatever the number of processes."""
    return in_processes(partial(_several, name, seed, by=by), n_seasons, processes)


def in_processes(
    several: Callable[[range], pd.DataFrame], n_seasons: int, processes: int
) -> pd.DataFrame:
    """Return the rows of all seasons, the work shared between processes."""
    if processes == 1:
        return several(range(n_seasons))
    parts = [range(start, n_seasons, processes) for start in range(processes)]
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        return pd.concat(pool.map(several, parts))


def summary(rows: pd.DataFrame, quantities: Sequence[str] = QUANTITIES) -> pd.DataFrame:
    """Return how the intervals and the estimates did, one row a quantity.

    ``held_prop`` is the share of intervals that hold the truth, ``low_prop`` and ``high_prop`` of
    those that lie wholly below and above it; ``none_prop`` the share of rows without an interval,
    which count in nothing else; ``bias_prop`` the mean error over the mean truth with its Monte
    Carlo error; ``pse`` the median proportional standard error; ``se_ratio`` the root mean
    squared SE over that of the errors.
    """
    return pd.DataFrame([_of_quantity(rows, name) for name in quantities])


def _of_quantity(rows: pd.DataFrame, name: str) -> dict[str, object]:
    all_rows = rows[(rows["quantity"] == name) & rows["truth"].notna()]
    mine = all_rows[all_rows["ci_low"].notna()]
    error = mine["estimate"] - mine["truth"]
    held = (mine["ci_low"] <= mine["truth"]) & (mine["truth"] <= mine["ci_high"])
    return {
        "quantity": name,
        "rows": len(mine),
        "held_prop": held.mean(),
        "low_prop": (mine["ci_high"] < mine["truth"]).mean(),
        "high_prop": (mine["ci_low"] > mine["truth"]).mean(),
        "none_prop": 1 - len(mine) / len(all_rows),
        "bias_prop": error.mean() / mine["truth"].mean(),
        "bias_se": error.std(ddof=1) / np.sqrt(len(mine)) / mine["truth"].mean(),
        "pse": (mine["se"] / mine["estimate"]).median(),
        "se_ratio": np.sqrt((mine["se"] ** 2).mean() / (error**2).mean()),
    }


def shrunk(rows: pd.DataFrame, factor: float) -> pd.DataFrame:
    """Return totals' rows as they would be if their standard errors were `factor` of themselves."""
    narrow = rows.copy()
    for end in ("ci_low", "ci_high"):
        narrow[end] = rows["estimate"] * (rows[end] / rows["estimate"]) ** factor
    return narrow


def told(row: pd.Series) -> str:
    """Return in words how the intervals and the estimates of one quantity did."""
    return (
        f"{row['held_prop']:.1%} of {row['rows']:,.0f} intervals hold the truth, mean error "
        f"{row['bias_prop']:+.2%} (± {row['bias_se']:.2%}), SE ÷ true spread {row['se_ratio']:.2f}"
    )


def binomial_bounds(n: int, *, prop: float = 0.95, alpha: float = 0.002) -> tuple[float, float]:
    """Return shares between which `n` fair intervals fall with probability ``1 - alpha``."""
    low, high = binom.ppf([alpha / 2, 1 - alpha / 2], n, prop) / n
    return float(low), float(high)


def default_processes() -> int:
    """Return two processes at the most: the machine may be shared, as by workers of pytest."""
    return 1 if "PYTEST_XDIST_WORKER" in os.environ else min(2, os.cpu_count() or 1)

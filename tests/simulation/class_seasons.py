"""Simulated seasons with test fishing: encounters by class on both bases, beside what happened."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.data.snapshot import Snapshot
from analytics.estimates.estimate import result_rows
from analytics.estimates.season_survey import prepare_survey
from analytics.fish.mark_composition import CLASSES
from analytics.settings import EstimationSettings, FishBasis
from analytics.simulation.fishery import TRUE, season_truth, simulate_population
from analytics.simulation.measured_fish import fish_table
from analytics.simulation.sampling import draw_sample
from tests.simulation.seasons import SAMPLE, SEASON, in_processes, place

if TYPE_CHECKING:
    from collections.abc import Sequence

COLUMNS = ["quantity", "estimate", "se", "ci_low", "ci_high", "df", "method"]
BASES = ("sampled", "reported")


def class_season(name: str, seed: int, number: int) -> pd.DataFrame:
    """Simulate a fresh season with its test fishing; the classes on both bases, each with truth."""
    sound, frame, reference = place(name)
    rng = np.random.default_rng([seed, number])
    population = simulate_population(sound, frame, rng=rng)
    sample = draw_sample(sound, population, rng=rng, options=SAMPLE)
    fish = fish_table(sound, population, sample, rng=rng)
    snapshot = Snapshot.of({**reference, **sample.tables, "fish": fish})
    known = season_truth(population, basis=TRUE)
    parts = []
    design = None
    for basis in BASES:
        settings = EstimationSettings(basis=FishBasis(basis))
        season = prepare_survey(snapshot, season=SEASON, settings=settings, design=design)
        design = season.design
        rows = pd.DataFrame(list(result_rows(season, by=("season",), level=0.95)))
        rows = rows[rows["quantity"].isin(CLASSES)][COLUMNS]
        parts.append(rows.assign(basis=basis, truth=rows["quantity"].map(known)))
    return pd.concat(parts)


def _several(name: str, seed: int, numbers: Sequence[int]) -> pd.DataFrame:
    return pd.concat([class_season(name, seed, number) for number in numbers])


def simulate_classes(
    *, n_seasons: int, seed: int, name: str = "demo", processes: int = 1
) -> pd.DataFrame:
    """Return the rows of every season; the same rows whatever the number of processes."""
    return in_processes(partial(_several, name, seed), n_seasons, processes)

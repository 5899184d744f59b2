"""Days with boats and no interview, busy days more often: totals stay right, intervals hold."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pytest

from analytics.data.snapshot import Snapshot
from analytics.estimates.estimate import estimate_snapshot
from analytics.simulation.fishery import simulate_population
from analytics.simulation.sampling import SampleOptions, draw_sample
from analytics.simulation.truth import season_truth
from analytics.survey import design
from tests.simulation import seasons
from tests.sizes import n_sized, slack

if TYPE_CHECKING:
    from analytics.simulation.sampling import Sample

SEED, N_SEASONS, N_BROKEN = 41, n_sized(40, 800), n_sized(40, 200)
#: Shares of site-days with boats on which nobody was interviewed.
SHARES = (0.05, 0.1, 0.2)
QUANTITIES = ("angler_hours", "kept_fish", "released_sublegal_fish", "encounter_fish")
LOW, HIGH = seasons.binomial_bounds(N_SEASONS)


def lost(sample: Sample, share: float, rng: np.random.Generator) -> dict[str, pa.Table]:
    """Return the sample without the interviews of some days; a busy day is missed twice as often.

    Busy is over the median of the days with boats.
    """
    days = sample.tables["site_days"]
    boats = days["boats_returned"].to_numpy()
    times = np.where(boats > np.median(boats[boats > 0]), 2.0, 1.0) * (boats > 0)
    missed = rng.random(len(boats)) < share * times * np.count_nonzero(boats) / times.sum()
    kept = pa.array(np.array(days["sample_id"].to_pylist(), dtype=object)[~missed], pa.string())
    interviews = sample.tables["interviews"]
    met = interviews.filter(pc.is_in(interviews["sample_id"], value_set=kept))
    return {"site_days": days, "interviews": met}


def one_season(number: int, shares: tuple[float, ...]) -> pd.DataFrame:
    """Return a season's rows at each share of missed days, with their truth."""
    sound, frame, reference = seasons.place("small")
    rng = np.random.default_rng([SEED, number])
    population = simulate_population(sound, frame, rng=rng)
    options = SampleOptions(units_low=2, units_high=4)
    sample = draw_sample(sound, population, rng=rng, options=options)
    truth, found = season_truth(population), []
    for share in shares:
        tables = lost(sample, share, rng)
        rows = estimate_snapshot(
            Snapshot.of({**reference, **tables}), season=seasons.SEASON, by=("season",)
        )
        rows = rows[rows["quantity"].isin(QUANTITIES)]
        found.append(rows.assign(truth=rows["quantity"].map(truth), share=share))
    return pd.concat(found)


def several(numbers: range, shares: tuple[float, ...] = SHARES) -> pd.DataFrame:
    return pd.concat([one_season(number, shares) for number in numbers])


@pytest.fixture(scope="module")
def rows():
    processes = seasons.default_processes()
    return seasons.in_processes(partial(several, shares=SHARES), N_SEASONS, processes)


@pytest.fixture(scope="module")
def tables(rows):
    return {
        share: seasons.summary(rows[rows["share"] == share], QUANTITIES).set_index("quantity")
        for share in SHARES
    }


def is_unbiased(row) -> bool:
    return abs(row["bias_prop"]) < 3.5 * row["bias_se"]


@pytest.mark.parametrize("share", SHARES)
@pytest.mark.parametrize("quantity", QUANTITIES)
def test_totals_are_right_and_intervals_hold(tables, quantity, share, record_property):
    row = tables[share].loc[quantity]
    record_property(f"{quantity}, {share:.0%} of days missed", seasons.told(row))
    assert is_unbiased(row)
    assert LOW <= row["held_prop"] <= HIGH
    assert abs(row["se_ratio"] - 1) < slack(N_SEASONS, errors=3.2)


def test_days_that_leave_the_sample_would_be_seen(monkeypatch, record_property):
    """Planted: the missed days leave the sample, as before."""
    responses = design._responses

    def left_out(of, interviewed, *, refuses):
        return responses(of, interviewed, refuses=refuses or True)

    monkeypatch.setattr(design, "_responses", left_out)
    broken = seasons.summary(several(range(N_BROKEN), (0.2,)), QUANTITIES)
    record_property("days left out, 20%", f"mean error {broken['bias_prop'].mean():+.2%}")
    assert not any(is_unbiased(row) for _, row in broken.iterrows())

"""Days with boats and no interview, busy days more often: totals stay right, intervals hold.

Each season is compared with itself, all days met: what is left is the work of the missed days.
"""

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
from analytics.simulation.fishery import season_truth, simulate_population
from analytics.simulation.sampling import SampleOptions, draw_sample
from analytics.survey import design
from tests.simulation import seasons
from tests.sizes import IS_FULL, n_sized

if TYPE_CHECKING:
    from analytics.simulation.sampling import Sample

SEED, N_SEASONS, N_BROKEN = 41, n_sized(24, 200), n_sized(24, 60)
#: Shares of site-days with boats on which nobody was interviewed.
SHARES = (0.0, 0.05, 0.1, 0.2) if IS_FULL else (0.0, 0.2)
#: Share at which a fault shows in every total within few seasons.
MANY = 0.4
QUANTITIES = ("angler_hours", "kept_fish", "released_sublegal_fish", "encounter_fish")


def lost(
    sample: Sample, stratum: np.ndarray, share: float, rng: np.random.Generator
) -> dict[str, pa.Table]:
    """Return the sample without the interviews of some days; a busy day is missed twice as often.

    Busy is over the median of the days with boats. Where a stratum would keep no interview, one of
    its days is met after all: without any there is no mean per boat, and totals stay as they were.
    """
    days = sample.tables["site_days"]
    boats = days["boats_returned"].to_numpy()
    times = np.where(boats > np.median(boats[boats > 0]), 2.0, 1.0) * (boats > 0)
    missed = rng.random(len(boats)) < share * times * np.count_nonzero(boats) / times.sum()
    lot = np.where(boats > 0, rng.random(len(boats)), np.inf)
    for one in np.setdiff1d(stratum[missed], stratum[(boats > 0) & ~missed]):
        mine = np.flatnonzero(stratum == one)
        missed[mine[np.argmin(lot[mine])]] = False
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
        tables = lost(sample, frame.stratum[sample.units], share, rng)
        rows = estimate_snapshot(
            Snapshot.of({**reference, **tables}), season=seasons.SEASON, by=("season",)
        )
        rows = rows[rows["quantity"].isin(QUANTITIES)]
        found.append(rows.assign(truth=rows["quantity"].map(truth), share=share, number=number))
    return pd.concat(found)


def several(numbers: range, shares: tuple[float, ...] = SHARES) -> pd.DataFrame:
    return pd.concat([one_season(number, shares) for number in numbers])


@pytest.fixture(scope="module")
def rows():
    processes = seasons.default_processes()
    return seasons.in_processes(partial(several, shares=(*SHARES, MANY)), N_SEASONS, processes)


def against_all_met(rows: pd.DataFrame, quantity: str, share: float) -> pd.DataFrame:
    """Return of each season what missed days change: error over the truth, interval holds."""
    mine = rows[rows["quantity"] == quantity].set_index("number")
    held = (mine["ci_low"] <= mine["truth"]) & (mine["truth"] <= mine["ci_high"])
    mine = mine.assign(held=held.astype(float))
    lost, all_met = (mine[mine["share"] == one] for one in (share, 0.0))
    change = (lost["estimate"] - all_met["estimate"]) / all_met["truth"]
    return pd.DataFrame({"estimate": change, "held": lost["held"] - all_met["held"]})


def is_unbiased(found: pd.DataFrame) -> bool:
    return abs(found["estimate"].mean()) < 3 * found["estimate"].sem()


@pytest.mark.parametrize("share", SHARES[1:])
@pytest.mark.parametrize("quantity", QUANTITIES)
def test_totals_are_those_of_all_days_and_intervals_hold_as_often(
    rows, quantity, share, record_property
):
    found = against_all_met(rows, quantity, share)
    mean, sem = found.mean(), found.sem()
    of_share = rows[rows["share"] == share]
    words = seasons.told(seasons.summary(of_share, (quantity,)).iloc[0])
    record_property(
        f"{quantity}, {share:.0%} of days missed",
        f"{mean['estimate']:+.2%} (± {sem['estimate']:.2%}) against all days met; intervals hold "
        f"{mean['held']:+.1%} (± {sem['held']:.1%}); {words}",
    )
    assert is_unbiased(found)
    assert mean["held"] > -3.5 * max(sem["held"], 1 / N_SEASONS)


def test_days_that_leave_the_sample_would_be_seen(rows, monkeypatch, record_property):
    """Planted: the missed days leave the sample, as before; it shows in every total."""
    responses = design._responses

    def left_out(of, interviewed, *, refuses):
        return responses(of, interviewed, refuses=refuses or True)

    met = rows[rows["number"] < N_BROKEN]
    monkeypatch.setattr(design, "_responses", left_out)
    broken = pd.concat([met[met["share"] == 0], several(range(N_BROKEN), (MANY,))])
    for name in QUANTITIES:
        right, wrong = (against_all_met(one, name, MANY)["estimate"] for one in (met, broken))
        record_property(
            f"{name}, {MANY:.0%} of {N_BROKEN} seasons' days left out",
            f"{wrong.mean():+.2%} (± {wrong.sem():.2%}) against all days met; taken as missed "
            f"{right.mean():+.2%} (± {right.sem():.2%})",
        )
        assert abs(right.mean()) < 3 * right.sem()
        assert wrong.mean() < -3 * wrong.sem()

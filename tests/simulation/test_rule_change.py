"""Seasons projected from their middle under a change of rules: do the intervals hold the truth?

Every boat of a season is known, so the truth under other rules is a sum over the same boats: one
area is closed early, the other opens at weekends only with a daily limit of one, and anglers go on
after it. All of the way is walked: sample, survey, draws so far and to come, options on them.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd
import pytest

from analytics.bulletin.prepare import prepare
from analytics.bulletin.standing.baseline import ground_of
from analytics.season.option import Change, Option
from analytics.season.weigh import weigh
from tests.simulation import rule_seasons as rules
from tests.simulation.seasons import binomial_bounds, default_processes, in_processes

N_SEASONS, N_DRAWS, SEED = 200, 400, 61
QUANTITIES = ("angler_trips", "kept_fish", "encounter_fish", "total_deaths_fish")
CHANGED = "Close and cut"


def the_change():
    close = rules.DAYS[7 * rules.CLOSE_WEEK].astype(object)
    return Option(
        CHANGED,
        (
            Change(areas=rules.AREAS[:1], close=close),
            Change(areas=rules.AREAS[1:], weekdays="67", daily_limit_fish=1),
        ),
    )


def one_season(number):
    """Return the answers for one season beside its truth, one row a quantity and option."""
    rng = np.random.default_rng([SEED, number])
    boats = rules.simulate_boats(rng)
    snapshot = rules.sampled(boats, rng)
    season = prepare(snapshot, season=rules.SEASON)
    ground = ground_of(snapshot, season, {}, n_draws=N_DRAWS, seed=number, past=())
    found = weigh(ground.baseline, [the_change()], ()).figures.to_pandas()
    found = found[found["area"].isna() & found["quantity"].isin(QUANTITIES)]
    today, changed = rules.truths(boats)
    truth = np.where(found["option"] == CHANGED, found["quantity"].map(changed), 0.0)
    truth = np.where(found["option"] == CHANGED, truth, found["quantity"].map(today))
    off = found["quantity"].map(changed) - found["quantity"].map(today)
    return found.assign(truth=truth, off=np.where(found["option"] == CHANGED, off, 0.0))


def several(numbers):
    return pd.concat([one_season(number) for number in numbers])


@pytest.fixture(scope="module")
def rows():
    return in_processes(partial(several), N_SEASONS, default_processes())


def held(rows, *, truth="truth", low="ci_low", high="ci_high"):
    inside = (rows[low] <= rows[truth]) & (rows[truth] <= rows[high])
    return inside.groupby(rows["quantity"]).mean()


def check(share):
    """The intervals of 95 % hold in 90 to 98 % of seasons: bounds that chance leaves in 99.8 %."""
    low, _ = binomial_bounds(N_SEASONS, prop=0.9)
    _, high = binomial_bounds(N_SEASONS, prop=0.98)
    assert len(share) == len(QUANTITIES)
    assert share.between(low, high).all(), share


def test_seasons_under_other_rules_hold_their_truth(rows):
    check(held(rows[rows["option"] == CHANGED]))


def test_seasons_under_todays_rules_hold_their_truth(rows):
    check(held(rows[rows["option"] != CHANGED]))


def test_differences_hold_their_truth(rows):
    mine = rows[rows["option"] == CHANGED]
    check(held(mine, truth="off", low="difference_low", high="difference_high"))


def test_projections_are_not_far_off_on_the_whole(rows):
    ratio = np.log(rows["estimate"] / rows["truth"]).groupby([rows["option"], rows["quantity"]])
    error = ratio.std() / np.sqrt(N_SEASONS)
    # A mean of lognormal draws lies over the middle of a season's possible ends.
    assert (ratio.mean().abs() < 0.08 + 3 * error).all(), ratio.mean()


def test_the_change_is_felt(rows):
    mine = rows[rows["option"] == CHANGED].groupby("quantity")[["off", "difference"]].mean()
    assert (mine["off"] < 0).all()
    assert (mine["difference"] / mine["off"]).between(0.85, 1.2).all(), mine

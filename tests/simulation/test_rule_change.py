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

from analytics.estimates.season_survey import prepare_survey
from analytics.options.compare import compare_options
from analytics.options.option import Change, Option
from analytics.outlook.projection import project_from
from tests.simulation import rule_seasons as rules
from tests.simulation.seasons import binomial_bounds, default_processes, in_processes
from tests.sizes import IS_FULL, n_sized

N_SEASONS, N_DRAWS, SEED = n_sized(40, 200), 400, 61
#: Confidence level of intervals, and the least and most of seasons that they may truly hold. Those
#: of 80 % tell intervals that are too wide, of which those of 95 % cannot say much.
TRUE_SHARES = {0.95: (0.9, 0.98), 0.8: (0.72, 0.88)}
#: Exact binomial bounds (5 % outside) of so many seasons at these shares.
COUNTS = {0.95: (171, 199), 0.8: (131, 185)} if IS_FULL else {0.95: (32, 40), 0.8: (23, 39)}
QUANTITIES = ("angler_trips", "kept_fish", "encounter_fish", "total_deaths_fish")
CHANGED = "Close and cut"
ENDS = ["ci_low", "ci_high"]


def the_change():
    close = rules.DAYS[7 * rules.CLOSE_WEEK].astype(object)
    return Option(
        CHANGED,
        (
            Change(areas=rules.AREAS[:1], close_from=close),
            Change(areas=rules.AREAS[1:], open_weekdays="67", daily_limit_fish=1),
        ),
    )


def one_season(number):
    """Return the answers for one season beside its truth, one row a quantity and option."""
    rng = np.random.default_rng([SEED, number])
    boats = rules.simulate_boats(rng)
    snapshot = rules.sampled(boats, rng)
    season = prepare_survey(snapshot, season=rules.SEASON)
    result = project_from(season, {}, n_draws=N_DRAWS, seed=number, past=())
    answers = [
        compare_options(result.baseline, [the_change()], (), level=level).figures.to_pandas()
        for level in COUNTS
    ]
    found = pd.concat(answers, ignore_index=True)
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


def check(rows, **columns):
    """Intervals of each level hold as many seasons as chance leaves, neither less nor more."""
    for level, (least, most) in COUNTS.items():
        share = held(rows[rows["ci_level"] == level], **columns)
        assert len(share) == len(QUANTITIES)
        count = (share * N_SEASONS).round()
        assert count.between(least, most).all(), (level, share)


def times_as_wide(rows, factor):
    ends = {name: rows["estimate"] + factor * (rows[name] - rows["estimate"]) for name in ENDS}
    return rows.assign(**ends)


def test_the_bounds_are_those_of_the_binomial():
    for level, (least, most) in TRUE_SHARES.items():
        low, _ = binomial_bounds(N_SEASONS, prop=least, alpha=0.05)
        _, high = binomial_bounds(N_SEASONS, prop=most, alpha=0.05)
        assert COUNTS[level] == (round(low * N_SEASONS), round(high * N_SEASONS))


def test_seasons_under_other_rules_hold_their_truth(rows, record_property):
    for name, share in shares(rows[rows["option"] == CHANGED]).items():
        record_property(f"{name} under the change", share)
    check(rows[rows["option"] == CHANGED])


def shares(rows, **columns):
    """Return in words, by quantity, how many intervals of each level hold the truth."""
    levels = {level: held(rows[rows["ci_level"] == level], **columns) for level in COUNTS}
    return {
        name: ", ".join(f"{of[name]:.1%} at {level:.0%}" for level, of in levels.items())
        for name in QUANTITIES
    }


def test_seasons_under_todays_rules_hold_their_truth(rows, record_property):
    for name, share in shares(rows[rows["option"] != CHANGED]).items():
        record_property(f"{name} under today's rules", share)
    check(rows[rows["option"] != CHANGED])


def test_differences_hold_their_truth(rows, record_property):
    mine = rows[rows["option"] == CHANGED]
    columns = {"truth": "off", "low": "difference_low", "high": "difference_high"}
    for name, share in shares(mine, **columns).items():
        record_property(f"difference of {name}", share)
    check(mine, **columns)


@pytest.mark.parametrize("factor", [0.6, 1.7] if IS_FULL else [0.4, 3])
def test_intervals_too_narrow_or_too_wide_are_told(rows, factor):
    mine = times_as_wide(rows[rows["option"] == CHANGED], factor)
    with pytest.raises(AssertionError, match=r"angler_trips"):
        check(mine)


def test_projections_are_not_far_off_on_the_whole(rows):
    rows = rows[rows["ci_level"] == min(COUNTS)]
    ratio = np.log(rows["estimate"] / rows["truth"]).groupby([rows["option"], rows["quantity"]])
    error = ratio.std() / np.sqrt(N_SEASONS)
    # A mean of lognormal draws lies over the middle of a season's possible ends.
    assert (ratio.mean().abs() < 0.08 + 3 * error).all(), ratio.mean()


def test_the_change_is_felt(rows):
    mine = rows[rows["option"] == CHANGED].groupby("quantity")[["off", "difference"]].mean()
    assert (mine["off"] < 0).all()
    assert (mine["difference"] / mine["off"]).between(0.85, 1.2).all(), mine

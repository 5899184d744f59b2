"""A sample of site-days chooses the model that all trips choose, in nearly every season."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analytics.catch_rates import model_selection
from analytics.catch_rates.model_selection import chosen, evaluate_candidates, sampled
from analytics.catch_rates.standardised_levels import levels_of
from analytics.catch_rates.trips import fitted
from tests.sizes import n_sized

SEED = 17
#: Seasons, trips in each, and how many the sample may have.
SEASONS, TRIPS, MOST = n_sized(6, 40), n_sized(9_000, 90_000), n_sized(3_000, 30_000)
N_AREAS, N_WEEKS, N_SITES = 4, 16, 24


def season(rng, *, sites, moon):
    """Return trips whose rate has sites that differ by an sd of `sites` and a slope in the moon."""
    day = rng.integers(0, N_WEEKS * 7, TRIPS // 25)
    site = rng.integers(0, N_SITES, len(day))
    of = np.sort(rng.integers(0, len(day), TRIPS))
    area = (site % N_AREAS)[of]
    method, party = rng.integers(0, 2, TRIPS), rng.integers(1, 5, TRIPS)
    lit = (1 - np.cos(2 * np.pi * day / 29.5)) / 2
    hours = np.round(rng.uniform(1, 8, TRIPS), 1) * party
    log_rate = (
        -1.2
        + 0.3 * area
        + 0.02 * (day[of] // 7)
        - 0.3 * method
        + rng.normal(0, sites, N_SITES)[site[of]]
        + moon * lit[of]
        + rng.normal(0, 0.15, len(day))[of]
    )
    mean = np.exp(log_rate) * hours
    fish = rng.poisson(mean * rng.gamma(1.5, 1 / 1.5, TRIPS))
    date = pd.Timestamp("2031-01-06") + pd.to_timedelta(day[of], unit="D")
    return pd.DataFrame(
        {
            "interview_id": [f"i{n}" for n in range(TRIPS)],
            "sample_id": [f"d{n}" for n in of],
            "area": [f"A{n}" for n in area],
            "landing_area": [f"A{n}" for n in area],
            "site": [f"s{n:02d}" for n in site[of]],
            "date": date,
            "week": [f"2031-W{n + 2:02d}" for n in day[of] // 7],
            "week_number": (day[of] // 7).astype(float),
            "method": np.array(["jig", "troll"])[method],
            "day_group": np.where(day[of] % 7 > 4, "2", "1"),
            "party": party.astype(float),
            "kept": rng.binomial(fish, 0.1),
            "sublegal": rng.binomial(fish, 0.7),
            "encounters": fish,
            "angler_hours": hours.astype(float),
            "moon": lit[of],
            "daylight_hours": 9.0,
            "tide_range_m": np.nan,
        }
    )


@pytest.fixture(scope="module")
def outcome():
    """Return for every season the choice of all trips and of the sample, and moves of the index."""
    rng, names, moves = np.random.default_rng(SEED), [], []
    truths = [(0.0, 0.0), (0.25, 0.0), (0.0, 0.5), (0.25, 0.5)]
    with pytest.MonkeyPatch.context() as patch:
        for number in range(SEASONS):
            sites, moon = truths[number % len(truths)]
            data = fitted(season(rng, sites=sites, moon=moon), "encounters")
            patch.setattr(model_selection, "MOST_COMPARED", len(data.frame))
            every = chosen(evaluate_candidates(data))
            some = chosen(evaluate_candidates(sampled(data, MOST)))
            names.append((every.name, some.name))
            moves.append(0.0 if every.name == some.name else _moved(data, every, some))
    return names, np.array(moves)


def _moved(data, every, some):
    """Return the mean move of the index by the other choice, in its standard errors."""
    both = [
        levels_of(data, terms=one.candidate.terms, family=one.candidate.family, mix=data.frame)
        for one in (every, some)
    ]
    change = (both[0].value - both[0].value.mean()) - (both[1].value - both[1].value.mean())
    return float(np.median(np.abs(change) / np.sqrt(np.diag(both[0].cov))))


def test_the_sample_chooses_what_all_trips_choose(outcome, record_property):
    names, moves = outcome
    alike = np.mean([one == other for one, other in names])
    record_property(
        f"{TRIPS:,} trips or {MOST:,}",
        f"the same model in {alike:.0%} of {SEASONS} seasons; the index moved by "
        f"{moves.mean():.3f} standard errors on average",
    )
    assert alike >= n_sized(4, 38) / SEASONS


def test_choices_differ_between_seasons(outcome):
    # A rule that takes one model whatever the trips are would agree with itself, too.
    assert len({every for every, _ in outcome[0]}) > 1


def test_a_sample_of_whole_site_days_is_the_same_each_time():
    data = fitted(season(np.random.default_rng(1), sites=0.2, moon=0.0), "encounters")
    one, other = sampled(data, MOST), sampled(data, MOST)
    pd.testing.assert_frame_equal(one.frame, other.frame)
    assert 0.9 * MOST < len(one.frame) <= MOST
    kept = data.frame["sample_id"].isin(set(one.frame["sample_id"]))
    assert kept.sum() == len(one.frame)
    assert sampled(data, len(data.frame)) is data

"""The sampler draws the stated design: equal chances, without replacement, unbiased."""

from __future__ import annotations

import time
from collections import Counter
from itertools import combinations

import numpy as np
import pyarrow.compute as pc
import pytest

from analytics.simulation.fishery import simulate_population
from analytics.simulation.reference_tables import season_frame
from analytics.simulation.sampling import (
    SampleOptions,
    draw_boats,
    draw_sample,
    draw_units,
    rank_within,
)
from analytics.simulation.scenario import demo_sound
from tests.small_sound import small_sound

SOUND = small_sound()
FRAME = season_frame(SOUND, "2030-31")


@pytest.fixture(scope="module")
def season():
    return simulate_population(SOUND, FRAME, rng=np.random.default_rng(3))


def test_every_pair_of_five_units_is_equally_likely():
    rng = np.random.default_rng(11)
    group = np.array([0, 1, 0, 1, 0, 0, 1, 0])
    members = np.flatnonzero(group == 0)
    draws = Counter(
        tuple(np.flatnonzero((rank_within(group, rng) < 2) & (group == 0))) for _ in range(6000)
    )
    assert set(draws) == set(combinations(members, 2))
    expected = 6000 / 10
    chi_square = sum((count - expected) ** 2 / expected for count in draws.values())
    assert chi_square < 27.88  # 99.9 % point of chi-square with 9 degrees of freedom


def test_ranks_are_a_permutation_within_each_group():
    group = np.array([2, 2, 0, 2, 0, 1])
    rank = rank_within(group, np.random.default_rng(1))
    for value in range(3):
        assert sorted(rank[group == value]) == list(range((group == value).sum()))


class TestUnits:
    def test_the_number_in_a_stratum_keeps_to_its_range(self, season):
        units = draw_units(season, rng=np.random.default_rng(1), options=SampleOptions())
        n_frame = np.bincount(FRAME.stratum)
        n = np.bincount(FRAME.stratum[units], minlength=len(n_frame))
        assert ((n >= np.minimum(2, n_frame)) & (n <= np.minimum(3, n_frame))).all()
        assert len(set(n)) > 1

    def test_thin_and_empty_strata_come_when_asked(self, season):
        options = SampleOptions(one_unit_prop=0.3, no_unit_prop=0.2)
        units = draw_units(season, rng=np.random.default_rng(1), options=options)
        n = np.bincount(FRAME.stratum[units], minlength=len(FRAME.stratum_group))
        assert {0, 1, 2, 3} <= set(n)

    def test_a_season_in_progress_stops_at_its_week(self, season):
        units = draw_units(
            season, rng=np.random.default_rng(1), options=SampleOptions(), through="2030-W48"
        )
        assert max(FRAME.week[FRAME.day[units]].tolist()) == "2030-W48"


@pytest.fixture(scope="module")
def sample(season):
    options = SampleOptions(capacity=5, missed_prop=0.1)
    return draw_sample(SOUND, season, rng=np.random.default_rng(5), options=options)


class TestTables:
    def test_keys_are_unique_and_interviews_hang_on_site_days(self, sample):
        days, talks = sample.tables["site_days"], sample.tables["interviews"]
        assert pc.count_distinct(days["sample_id"]).as_py() == days.num_rows
        assert pc.count_distinct(talks["interview_id"]).as_py() == talks.num_rows
        assert pc.all(pc.is_in(talks["sample_id"], days["sample_id"])).as_py()

    def test_no_more_interviews_than_boats_or_than_one_sampler_can_do(self, sample):
        days = sample.tables["site_days"].to_pandas().set_index("sample_id")
        counts = sample.tables["interviews"].to_pandas().groupby("sample_id").size()
        expected = days["boats_returned"].clip(upper=5).reindex(counts.index)
        assert (counts == expected).all()

    def test_some_days_with_boats_were_missed_and_days_without_boats_are_there(self, sample):
        days = sample.tables["site_days"].to_pandas()
        seen = days["sample_id"].isin(sample.tables["interviews"]["sample_id"].to_pandas())
        assert (days["boats_returned"] == 0).any()
        missed = (~seen & (days["boats_returned"] > 0)).mean()
        assert 0.02 < missed < 0.2

    def test_marks_that_were_not_read_are_empty_together(self, sample):
        talks = sample.tables["interviews"].to_pandas()
        unread = talks[["kept_marked", "released_legal_marked", "released_sublegal_marked"]].isna()
        assert (unread.all(axis=1) == unread.any(axis=1)).all()
        assert 0.02 < unread.all(axis=1).mean() < 0.2

    def test_interviews_tell_what_was_reported(self, sample, season):
        told = sample.tables["interviews"]["released_sublegal"].to_numpy()
        assert (told == season.reported.sublegal[sample.trips]).all()


def unit_totals(season, units, trips):
    """Expand the told sublegal releases of the boats asked to all boats of each site-day."""
    n_units = len(FRAME.site)
    boats = np.bincount(season.trips.unit, minlength=n_units)
    asked = np.bincount(season.trips.unit[trips], minlength=n_units)
    told = np.bincount(
        season.trips.unit[trips], season.reported.sublegal[trips].astype(float), minlength=n_units
    )
    return (boats * told / np.maximum(asked, 1))[units]


def expand(season, units, trips):
    """Estimate the season's sublegal releases by plain expansion at both stages."""
    n_frame = np.bincount(FRAME.stratum)
    n = np.bincount(FRAME.stratum[units], minlength=len(n_frame))
    weight = (n_frame / np.maximum(n, 1))[FRAME.stratum[units]]
    return (unit_totals(season, units, trips) * weight).sum()


def expand_without_strata(season, units, trips):
    """Do it wrongly: weekends are sampled harder than weekdays and this forgets it."""
    return unit_totals(season, units, trips).sum() * len(FRAME.site) / len(units)


def monte_carlo(season, *, draws, expander):
    rng = np.random.default_rng(21)
    found = []
    for _ in range(draws):
        units = draw_units(season, rng=rng, options=SampleOptions(units_low=1))
        found.append(expander(season, units, draw_boats(season, units, rng=rng, capacity=4)))
    truth = season.reported.sublegal.sum()
    error = np.mean(found) - truth
    return error / (np.std(found, ddof=1) / np.sqrt(draws))


def test_expansion_from_the_sampler_is_unbiased(season):
    assert abs(monte_carlo(season, draws=1500, expander=expand)) < 3.3


def test_the_check_of_bias_sees_an_estimator_that_forgets_the_strata(season):
    assert abs(monte_carlo(season, draws=300, expander=expand_without_strata)) > 10


def test_a_season_of_the_demo_is_sampled_in_well_under_a_tenth_of_a_second():
    sound = demo_sound()
    population = simulate_population(
        sound, season_frame(sound, "2030-31"), rng=np.random.default_rng(1)
    )

    def seconds(seed):
        start = time.perf_counter()
        draw_sample(sound, population, rng=np.random.default_rng(seed))
        return time.perf_counter() - start

    assert min(seconds(seed) for seed in range(3)) < 0.1

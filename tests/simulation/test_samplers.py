"""The samplers of the other designs draw what they say, and what is not sampled is known."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
from scipy.stats import chi2

from analytics.simulation.fishery import season_truth, simulate_population, truth_rows
from analytics.simulation.reference_tables import reference_tables, season_frame
from tests.simulation.samplers import (
    ConvenienceOptions,
    CountOptions,
    DayOptions,
    boats_fishing,
    draw_convenience_sample,
    draw_day_site_sample,
    draw_day_sites,
    draw_probabilities,
    random_counts_table,
    simulate_unlisted_landings,
)
from tests.small_sound import small_sound

SOUND = small_sound()
FRAME = season_frame(SOUND, "2030-31")


@pytest.fixture(scope="module")
def season():
    return simulate_population(SOUND, FRAME, rng=np.random.default_rng(3))


@pytest.fixture(scope="module")
def unlisted(season):
    return simulate_unlisted_landings(SOUND, season, rng=np.random.default_rng(4), day_spread=0.3)


def successive(p, k):
    """Return the probability of every set of k sites drawn one after the other."""
    found = Counter()
    for order in permutations(range(len(p)), k):
        chance, left = 1.0, 1.0
        for site in order:
            chance *= p[site] / left
            left -= p[site]
        found[frozenset(order)] += chance
    return found


class TestDaySite:
    @pytest.mark.parametrize("k", [1, 2])
    def test_sites_come_by_successive_drawing(self, season, k):
        rng = np.random.default_rng(8)
        p = draw_probabilities(SOUND, season)
        seen, expected = Counter(), Counter()
        for _ in range(40):
            units = draw_day_sites(SOUND, season, rng=rng, options=DayOptions(sites=k))
            home = FRAME.stratum[units] * len(FRAME.dates) + FRAME.day[units]
            for day in np.unique(home):
                mine = units[home == day]
                area = SOUND.ramps[FRAME.site[mine[0]]].area
                seen[area, frozenset(FRAME.site[mine].tolist())] += 1
        for area in SOUND.area_ids:
            sites = [code for code, ramp in enumerate(SOUND.ramps) if ramp.area == area]
            share = [p[FRAME.site == code][0] for code in sites]
            n = sum(count for (where, _), count in seen.items() if where == area)
            for chosen, chance in successive(share, k).items():
                expected[area, frozenset(sites[one] for one in chosen)] = n * chance
        assert set(seen) == set(expected)
        distance = sum((seen[one] - expected[one]) ** 2 / expected[one] for one in expected)
        assert distance < chi2.ppf(0.999, len(expected) - len(SOUND.areas))

    def test_days_of_a_stratum_are_equally_likely_and_as_many_as_asked(self, season):
        rng = np.random.default_rng(5)
        stratum = np.bincount(FRAME.stratum).argmax()
        in_frame = np.unique(FRAME.day[FRAME.stratum == stratum])
        assert len(in_frame) > 2
        draws = Counter()
        for _ in range(600):
            options = DayOptions(days_low=1, days_high=1)
            units = draw_day_sites(SOUND, season, rng=rng, options=options)
            (day,) = np.unique(FRAME.day[units[FRAME.stratum[units] == stratum]])
            draws[int(day)] += 1
        mean = 600 / len(in_frame)
        distance = sum((draws[int(day)] - mean) ** 2 / mean for day in in_frame)
        assert distance < chi2.ppf(0.999, len(in_frame) - 1)

    def test_certain_groups_are_taken_whole(self, season):
        options = DayOptions(days_low=1, days_high=1, certain_groups=(1,))
        units = draw_day_sites(SOUND, season, rng=np.random.default_rng(5), options=options)
        certain = FRAME.stratum_group[FRAME.stratum] == 1
        assert set(FRAME.day[units][certain[units]]) == set(FRAME.day[certain])

    def test_the_rows_carry_probabilities_that_add_up_to_one(self, season):
        options = DayOptions(days_low=9, days_high=9, sites=9)  # everything
        sample = draw_day_site_sample(SOUND, season, rng=np.random.default_rng(1), options=options)
        rows = sample.tables["site_days"].to_pandas()
        assert len(rows) == len(FRAME.site)
        area = rows["site"].map({ramp.site: ramp.area for ramp in SOUND.ramps})
        whole = rows.groupby([area, "date"])["draw_probability"].sum()
        assert whole.to_numpy() == pytest.approx(1.0)

    def test_an_opening_says_its_design(self):
        areas = tuple(
            replace(area, openings=tuple(replace(o, design="day_site") for o in area.openings))
            for area in SOUND.areas
        )
        rows = reference_tables(replace(SOUND, areas=areas))["seasons"].to_pandas()
        assert set(rows["design"]) == {"day_site"}


class TestConvenience:
    def test_interviews_carry_site_and_date_and_no_site_day(self, season):
        sample = draw_convenience_sample(SOUND, season, rng=np.random.default_rng(2))
        assert set(sample.tables) == {"interviews"}
        rows = sample.tables["interviews"].to_pandas()
        assert rows["sample_id"].isna().all()
        assert rows[["site", "date"]].notna().all(axis=None)
        assert rows["interview_id"].is_unique
        site = np.array([ramp.site for ramp in SOUND.ramps])[FRAME.site]
        unit = season.trips.unit[sample.trips]
        assert (rows["site"] == site[unit]).all()
        assert (rows["date"].to_numpy("M8[D]") == FRAME.dates[FRAME.day[unit]]).all()

    def test_every_boat_is_as_likely_to_be_asked(self, season):
        options = ConvenienceOptions(site_day_prop=0.5, boat_prop=0.5)
        asked = np.zeros(len(season.trips.unit))
        rng = np.random.default_rng(2)
        for _ in range(200):
            asked[draw_convenience_sample(SOUND, season, rng=rng, options=options).trips] += 1
        crowd = np.bincount(season.trips.unit)[season.trips.unit]
        busy = crowd > np.median(crowd)
        assert asked[busy].mean() == pytest.approx(50, rel=0.05)
        assert asked[~busy].mean() == pytest.approx(50, rel=0.05)


class TestAllBoats:
    def test_the_truth_counts_boats_that_land_elsewhere(self, season, unlisted):
        every = season_truth(season, boats=unlisted.boats)
        assert every["boat_trips"] == len(unlisted.trip)
        kept = season.reported.kept[unlisted.trip].sum()
        assert every["kept_fish"] == kept > season_truth(season)["kept_fish"]
        rows = truth_rows(SOUND, season, boats=unlisted.boats)
        mine = rows[rows["area"].isna() & rows["week"].isna() & (rows["basis"] == "as_reported")]
        assert dict(zip(mine["quantity"], mine["value"], strict=True)) == pytest.approx(every)

    def test_one_boat_a_trip_is_the_plain_truth(self, season):
        ones = np.ones(len(season.trips.unit), dtype=np.int64)
        assert season_truth(season, boats=ones) == season_truth(season)

    def test_the_share_that_lands_at_listed_ramps_is_near_what_was_set(self, season, unlisted):
        fleet = unlisted.fleet
        assert fleet.listed.sum() == len(season.trips.unit)
        assert fleet.unlisted.sum() == len(unlisted.trip) - len(season.trips.unit)
        share = fleet.listed.sum(axis=1) / (fleet.listed + fleet.unlisted).sum(axis=1)
        expected = [area.listed_prop for area in SOUND.areas]
        assert share == pytest.approx(expected, abs=0.04)


def mean_error(season, unlisted, options, n=4000):
    """Return counted minus true boat-hours of one day over the error of their mean."""
    rng = np.random.default_rng(9)
    area, day = np.unravel_index(unlisted.fleet.listed.argmax(), FRAME.is_open.shape)
    minute = rng.integers(round(60 * options.first_hour), round(60 * options.last_hour), n)
    seen = boats_fishing(
        season, unlisted, area=np.full(n, area), day=np.full(n, day), hour=(minute + 0.5) / 60
    )
    hours = seen * options.hours
    of_day = (season.trips.area == area) & (FRAME.day[season.trips.unit] == day)
    truth = (season.true.hours * unlisted.boats)[of_day].sum()
    return (hours.mean() - truth) / (hours.std(ddof=1) / np.sqrt(n))


class TestCounts:
    def test_nobody_fishes_outside_the_fishing_day(self, season, unlisted):
        options = CountOptions()
        end = unlisted.start_hour + season.true.hours[unlisted.trip]
        assert options.first_hour <= unlisted.start_hour.min()
        assert end.max() <= options.last_hour

    def test_counts_at_random_moments_are_unbiased_for_boat_hours(self, season, unlisted):
        assert abs(mean_error(season, unlisted, CountOptions())) < 3.3

    def test_counts_of_a_shorter_day_miss_boat_hours(self, season, unlisted):
        short = CountOptions(first_hour=8.0, last_hour=16.0)
        assert mean_error(season, unlisted, short) < -5

    def test_days_and_counts_are_as_many_as_asked(self, season, unlisted):
        table = random_counts_table(
            SOUND, season, unlisted, rng=np.random.default_rng(1), options=CountOptions()
        )
        rows = table.to_pandas()
        assert rows["count_id"].is_unique
        assert (rows.groupby(["area", "date"]).size() == 3).all()
        assert rows["boats"].max() > 5
        codes = {area: code for code, area in enumerate(SOUND.area_ids)}
        first = FRAME.dates[0]
        day = (rows["date"].to_numpy("M8[D]") - first).astype(int)
        assert FRAME.is_open[rows["area"].map(codes), day].all()

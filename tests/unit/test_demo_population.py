"""The simulated seasons hold to the stated design and to the facts of the trade."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from analytics.quantities import QUANTITIES
from analytics.simulation.fishery import (
    AS_REPORTED,
    TRUE,
    season_truth,
    simulate_population,
    trend_rows,
    truth_rows,
)
from analytics.simulation.reference_tables import season_frame
from analytics.simulation.scenario import demo_sound
from tests.small_sound import small_sound

SOUND = demo_sound()
FRAME = season_frame(SOUND, "2034-35")


@pytest.fixture(scope="module")
def season():
    return simulate_population(SOUND, FRAME, rng=np.random.default_rng(7))


def met(catch):
    return catch.kept + catch.legal + catch.sublegal


class TestFrame:
    def test_a_split_season_is_closed_in_the_middle(self):
        sor = SOUND.area_ids.index("SOR")
        days = FRAME.dates[FRAME.is_open[sor]]
        assert days.min() == np.datetime64("2034-11-01")
        assert days.max() == np.datetime64("2035-04-30")
        january = (days >= np.datetime64("2035-01-01")) & (days < np.datetime64("2035-02-01"))
        assert not january.any()

    def test_closed_weekdays_are_never_in_the_frame(self):
        dru = SOUND.area_ids.index("DRU")
        weekdays = {day.isoweekday() for day in FRAME.dates[FRAME.is_open[dru]].astype(object)}
        assert weekdays == {4, 5, 6, 7}

    def test_every_ramp_has_every_open_day_of_its_area_once(self):
        pairs = FRAME.site * len(FRAME.dates) + FRAME.day
        assert len(np.unique(pairs)) == len(pairs)
        home = [SOUND.area_ids.index(ramp.area) for ramp in SOUND.ramps]
        assert len(pairs) == sum(int(FRAME.is_open[area].sum()) for area in home)

    def test_a_holiday_is_fished_like_a_weekend_and_lies_in_its_group(self):
        day = int(np.flatnonzero(FRAME.dates == np.datetime64("2034-12-25"))[0])  # a Monday
        assert FRAME.kind[day] == 2
        assert set(FRAME.stratum_group[FRAME.stratum[FRAME.day == day]]) == {1}

    def test_the_limit_changes_within_a_split_season(self):
        sor = SOUND.area_ids.index("SOR")
        assert set(FRAME.daily_limit[sor][FRAME.is_open[sor]]) == {1, 2}


class TestTrips:
    def test_nobody_fishes_a_closed_area(self, season):
        day = FRAME.day[season.trips.unit]
        assert FRAME.is_open[season.trips.area, day].all()

    def test_most_boats_fish_at_home_and_some_next_door(self, season):
        home = np.array([SOUND.area_ids.index(ramp.area) for ramp in SOUND.ramps])
        away = (home[FRAME.site[season.trips.unit]] != season.trips.area).mean()
        assert 0.03 < away < 0.25

    def test_weekends_draw_more_boats_and_storms_keep_them_in(self, season):
        boats = np.bincount(season.trips.unit, minlength=len(FRAME.site))
        weekend = FRAME.kind[FRAME.day] == 2
        calm = season.water.calm[FRAME.day] > SOUND.habits.storm_effort
        assert boats[weekend & calm].mean() > 2 * boats[~weekend & calm].mean()
        assert boats[~calm].mean() < 0.2 * boats[calm].mean()
        assert (boats[~calm] == 0).mean() > 0.4

    def test_trips_last_three_to_eight_hours_with_one_to_four_anglers(self, season):
        assert set(season.trips.anglers) == {1, 2, 3, 4}
        low, high = np.quantile(season.true.hours, [0.01, 0.99])
        assert 2.7 < low < high < 8.5


class TestCatch:
    def test_many_more_sublegal_than_legal_fish_in_most_areas(self, season):
        true, area = season.true, season.trips.area
        sublegal = np.bincount(area, true.sublegal)
        legal = np.bincount(area, true.kept + true.legal)
        assert (sublegal > 2 * legal).sum() >= 4
        assert (sublegal > legal).all()

    def test_catch_is_overdispersed(self, season):
        fish = met(season.true)
        for area in range(len(SOUND.areas)):
            mine = fish[season.trips.area == area]
            assert mine.var() > 2 * mine.mean()

    def test_nobody_keeps_more_than_the_limit(self, season):
        day = FRAME.day[season.trips.unit]
        limit = season.trips.anglers * FRAME.daily_limit[season.trips.area, day]
        assert (season.true.kept <= limit).all()
        assert (season.true.kept == limit).any()

    def test_unmarked_fish_are_rarely_kept_where_only_marked_may_be(self, season):
        day = FRAME.day[season.trips.unit]
        ruled = FRAME.mark_selective[season.trips.area, day]
        unmarked = season.true.kept - season.true.kept_marked
        assert 0 < unmarked[ruled].sum() < 0.02 * season.true.kept[ruled].sum()
        assert unmarked[~ruled].sum() > 0.2 * season.true.kept[~ruled].sum()

    @pytest.mark.parametrize("kind", ["true", "reported"])
    def test_marked_fish_are_a_part_of_their_class(self, season, kind):
        catch = getattr(season, kind)
        for name in ("kept", "legal", "sublegal"):
            marked, whole = getattr(catch, f"{name}_marked"), getattr(catch, name)
            assert ((marked >= 0) & (marked <= whole)).all(), name

    def test_deaths_are_near_their_rates(self, season):
        true, habits = season.true, SOUND.habits
        deep = np.array(habits.method_deep_prop)[season.trips.method]
        by_size = (
            (true.legal, habits.legal_wound_death_prop, habits.legal_death_prop),
            (true.sublegal, habits.sublegal_wound_death_prop, habits.sublegal_death_prop),
        )
        expected = sum(
            (fish * ((1 - deep) * wound[0] + deep * wound[1])).sum() for fish, wound, _ in by_size
        )
        assert season.release_deaths.sum() == pytest.approx(expected, rel=0.03)
        rule_of_thumb = sum(fish.sum() * any_wound for fish, _, any_wound in by_size)
        assert season.release_deaths.sum() == pytest.approx(rule_of_thumb, rel=0.1)
        drop_off = habits.drop_off_prop * met(true).sum()
        assert season.drop_off_deaths.sum() == pytest.approx(drop_off, rel=0.05)


class TestReports:
    def test_told_releases_are_heaped_on_fives(self, season):
        told, true = season.reported.sublegal, season.true.sublegal
        assert (told[told >= 4] % 5 == 0).mean() > 0.5
        assert (true[true >= 4] % 5 == 0).mean() < 0.3

    def test_told_releases_run_high_by_about_what_was_set(self, season):
        told = season.reported
        ratio = (told.legal + told.sublegal + told.unknown).sum() / (
            season.true.legal + season.true.sublegal
        ).sum()
        assert ratio == pytest.approx(1 + SOUND.habits.over_report_prop, abs=0.02)

    def test_kept_fish_are_seen_not_told(self, season):
        assert (season.reported.kept == season.true.kept).all()

    def test_the_marked_share_survives_the_telling(self, season):
        told, true = season.reported, season.true
        shares = [c.sublegal_marked.sum() / c.sublegal.sum() for c in (told, true)]
        assert shares[0] == pytest.approx(shares[1], abs=0.01)


class TestTruth:
    @pytest.mark.parametrize("basis", [TRUE, AS_REPORTED])
    def test_totals_add_up_over_areas_and_weeks(self, season, basis):
        rows = truth_rows(SOUND, season)
        mine = rows[(rows["basis"] == basis) & (rows["quantity"] == "encounter_fish")]
        whole = mine[mine["area"].isna() & mine["week"].isna()]["value"].item()
        for by_area, by_week in ((True, False), (False, True), (True, True)):
            part = mine[(mine["area"].notna() == by_area) & (mine["week"].notna() == by_week)]
            assert part["value"].sum() == pytest.approx(whole)

    @pytest.mark.parametrize("basis", [TRUE, AS_REPORTED])
    def test_the_quick_truth_is_the_long_one(self, season, basis):
        rows = truth_rows(SOUND, season)
        mine = rows[(rows["basis"] == basis) & rows["area"].isna() & rows["week"].isna()]
        long = dict(zip(mine["quantity"], mine["value"], strict=True))
        assert season_truth(season, basis=basis) == pytest.approx(long)

    def test_a_quantity_without_a_truth_is_refused(self, season, monkeypatch):
        added = replace(QUANTITIES["kept_per_angler_trip"], name="boats_per_hour")
        monkeypatch.setitem(QUANTITIES, added.name, added)
        with pytest.raises(LookupError, match="boats_per_hour"):
            truth_rows(SOUND, season)

    def test_a_season_in_progress_counts_its_weeks_so_far(self, season):
        rows = truth_rows(SOUND, season, through="2034-W50")
        assert rows["week"].dropna().max() == "2034-W50"
        assert set(rows["through"]) == {"2034-W50"}

    def test_a_count_by_hand(self, season):
        vel = SOUND.area_ids.index("VEL")
        mine = (season.trips.area == vel) & (FRAME.week[FRAME.day[season.trips.unit]] == "2034-W48")
        rows = truth_rows(SOUND, season)
        row = rows[
            (rows["area"] == "VEL")
            & (rows["week"] == "2034-W48")
            & (rows["basis"] == TRUE)
            & (rows["quantity"] == "sublegal_prop")
        ]
        by_hand = season.true.sublegal[mine].sum() / met(season.true)[mine].sum()
        assert row["value"].item() == pytest.approx(by_hand)

    def test_the_season_in_progress_has_pulses_to_see(self):
        frame = season_frame(SOUND, "2035-36")
        population = simulate_population(SOUND, frame, rng=np.random.default_rng([1, 2035]))
        trend = trend_rows(SOUND, population)
        vel = trend[(trend["area"] == "VEL") & (trend["week"] <= "2036-W05")]
        rate = vel["expected_encounters_per_angler_hour"]
        assert rate.max() > 1.8 * rate.min()


def test_a_season_is_simulated_in_well_under_a_third_of_a_second():
    best = min(_seconds(seed) for seed in range(3))
    assert best < 0.3


def _seconds(seed: int) -> float:
    start = time.perf_counter()
    simulate_population(SOUND, FRAME, rng=np.random.default_rng(seed))
    return time.perf_counter() - start


def test_the_small_sound_has_the_features_of_the_large_one():
    small = small_sound()
    openings = [opening for area in small.areas for opening in area.openings]
    assert any(len(area.openings) > 1 for area in small.areas)
    assert any(opening.weekdays != "1234567" for opening in openings)
    assert any(opening.mark_selective for opening in openings)
    assert any(area.neighbours for area in small.areas)

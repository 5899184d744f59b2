"""Effort and catch rates of the weeks to come, from weekly figures made by hand."""

from __future__ import annotations

import dataclasses
import datetime as dt
from unittest import mock

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from analytics.catch_rates.schemas import INDEX_SCHEMA, SEASONAL_PATTERN_SCHEMA
from analytics.codes import coded, section_of
from analytics.data.calendar import open_days
from analytics.data.snapshot import Snapshot
from analytics.estimates.estimate import LEVELS, result_rows
from analytics.estimates.season_survey import prepare_survey, survey_through
from analytics.outlook import seasonal_pattern
from analytics.outlook.backtest import CUTS, METHODS, MODEL, PROJECTED, SeasonTotals, backtest
from analytics.outlook.days_ahead import effort_ahead, rates_ahead, shares_ahead
from analytics.outlook.parts_to_date import joint_parts
from analytics.outlook.projection import project_season, project_weekly, weeks_ahead
from analytics.outlook.season_days import DayEffects, Weather, day_effects
from analytics.outlook.seasonal_pattern import (
    LEVEL_SE,
    PERSISTENCE,
    Figures,
    joint_correlation,
    level_paths,
    pattern_of,
)
from analytics.outlook.to_date_draws import to_date_draws
from analytics.outlook.weekly_series import RATE, SHARE, TRIPS, WeeklySeries, past_weekly, with_none
from analytics.settings import EstimationSettings, FishBasis
from analytics.weeks import days_from, week_of_days
from tests.simulation import rule_seasons as made

WEEKS = tuple(f"2041-W{week:02d}" for week in range(2, 10))
AHEAD = tuple(f"2041-W{week:02d}" for week in range(10, 14))
DAYS = days_from(dt.date(2041, 3, 4), 28)
N = 3000
FAIR = Weather(0, 0, 0, 0, 0.0)


def days_of(n_areas, *, noise=0.0, weather=FAIR, log_se=0.0):
    kind = np.tile([0, 0, 0, 0, 0, 1, 1], (n_areas, 1))
    weight = np.where(kind == 1, 1.75, 0.7)
    return DayEffects(
        weight=weight,
        kind=kind,
        log_se=np.full((n_areas, 7), log_se),
        day_cv2=np.full(n_areas, noise),
        weather=weather,
        unfishable={},
        holidays=frozenset(),
        has_boats=np.ones(n_areas, dtype=bool),
    )


def weekly_of_hand(trips, rate=None, share=None, *, season="2040-41", weeks=WEEKS, **given):
    """Return weekly figures of areas A, B, ...: all days open, small errors."""
    trips = np.atleast_2d(np.asarray(trips, dtype=float))
    a, t = trips.shape
    figure = {
        TRIPS: trips,
        RATE: np.full((a, t), 2.0) if rate is None else np.atleast_2d(rate),
        SHARE: np.full((a, t), 0.6) if share is None else np.atleast_2d(share),
    }
    variance = {name: np.where(np.isfinite(one), 0.01, np.nan) for name, one in figure.items()}
    made = {
        "season": season,
        "areas": tuple("ABCDEF"[:a]),
        "weeks": tuple(weeks),
        "figure": figure,
        "variance": variance,
        "weighted_open_days": np.where(np.isfinite(trips), 7.0, 0.0),
        "fishable_share": np.ones((a, t)),
        "days": days_of(a),
    }
    return WeeklySeries(**(made | given))


def total(trips, cv=0.1, seed=2):
    mean = np.nansum(np.atleast_2d(trips), axis=1)
    noise = np.random.default_rng(seed).normal(-(cv**2) / 2, cv, (N, len(mean)))
    return mean * np.exp(noise)


def effort_of(now, past=(), *, trips=None, days=DAYS, seed=3):
    drawn = total(now.figure[TRIPS]) if trips is None else trips
    rng = np.random.default_rng(seed)
    return effort_ahead(now, past, drawn, days=days, ahead=AHEAD, rng=rng), drawn


# --- days -----------------------------------------------------------------------------------


def site_day_snapshot(boats, *, holidays=()):
    """Return a season of one area, two ramps, four weeks; `boats(ramp, day)` returned."""
    dates = [one.astype(object) for one in np.datetime64("2040-11-05") + np.arange(28)]
    rows = [
        {"sample_id": f"{ramp}-{n}", "site": f"R{ramp}", "date": day, "boats_returned": count}
        for n, day in enumerate(dates)
        for ramp in range(2)
        if (count := boats(ramp, n)) is not None
    ]
    opening = {"season": "2040-41", "open_date": dates[0], "close_date": dates[-1]}
    tables = {
        "areas": [{"area": one, "area_name": one} for one in "AB"],
        "sites": [{"site": f"R{ramp}", "site_name": "", "area": "A"} for ramp in range(2)],
        "seasons": [opening | {"area": one} for one in "AB"],
        "site_days": rows,
        "holidays": [{"date": one, "holiday": "feast"} for one in holidays],
    }
    return Snapshot.of({name: pa.Table.from_pylist(rows) for name, rows in tables.items() if rows})


def found_days(snapshot):
    days = open_days(snapshot["seasons"], snapshot["holidays"])
    return day_effects(snapshot, days, season="2040-41", areas=("A", "B"))


def test_weekdays_weigh_as_boats_of_one_ramp_say():
    """Weekends bring 2.5 times the boats; one ramp is seen on weekdays, the larger more often."""

    def boats(ramp, n):
        usual = (4, 10)[ramp] * (2.5 if n % 7 >= 5 else 1.0)
        return None if ramp == 0 and n % 7 in (1, 6) else int(usual)

    days = found_days(site_day_snapshot(boats))
    assert days.weight[0, 5] / days.weight[0, 0] == pytest.approx(2.5, rel=1e-3)
    assert days.weight.mean(axis=1) == pytest.approx([1.0, 1.0])
    assert days.has_boats.tolist() == [True, False]
    assert days.weight[1] == pytest.approx(days.weight[0])
    assert days.day_cv2 == pytest.approx([0.0, 0.0], abs=1e-6)
    assert (days.weather.n_dates, days.weather.n_unfishable) == (28, 0)


def test_days_lost_to_weather_are_counted_and_kept_out_of_the_rest():
    lost = (3, 4, 12)

    def boats(ramp, n):
        usual = 10 * (2 if n % 7 >= 5 else 1)
        return 1 if n in lost else usual

    days = found_days(site_day_snapshot(boats))
    assert (days.weather.n_dates, days.weather.n_unfishable) == (28, 3)
    assert (days.weather.n_after, days.weather.n_again) == (3, 1)
    assert days.weather.share == pytest.approx(6 / (2 * (10 + 10 + 20)), rel=1e-3)
    assert days.weight[0, 6] / days.weight[0, 2] == pytest.approx(2.0, rel=1e-3)
    # Two of five weekdays of 10 in a week whose usual sum is 90; a Saturday of 20 in the next.
    assert days.unfishable[0, "2040-W45"] == pytest.approx(20 / 90, rel=1e-3)
    assert days.unfishable[0, "2040-W46"] == pytest.approx(20 / 90, rel=1e-3)
    assert days.unfishable[0, "2040-W47"] == 0


def test_a_holiday_is_a_sunday():
    feast = dt.date(2040, 11, 14)

    def boats(ramp, n):
        return 20 if n % 7 >= 5 or n == 9 else 10

    days = found_days(site_day_snapshot(boats, holidays=[feast]))
    assert days.weight[0, 6] / days.weight[0, 1] == pytest.approx(2.0, rel=1e-3)
    assert days.digit(np.array([feast], dtype="datetime64[D]")).tolist() == [6]


def test_a_week_of_none_is_half_the_least_of_its_area():
    value, variance = with_none(
        np.array([[4.0, 0.0, 2.0, np.nan], [0.0, 0.0, 0.0, 0.0]]), np.full((2, 4), 0.02)
    )
    assert np.exp(value[0, :3]) == pytest.approx([4.0, 1.0, 2.0])
    assert np.isnan(value[0, 3]) and np.isnan(value[1]).all()
    assert variance[0, :3].tolist() == [0.02, 1.0, 0.02]


# --- past seasons ---------------------------------------------------------------------------


def figures(value, *, year=2041, first=2):
    value = np.atleast_2d(np.asarray(value, dtype=float))
    weeks = tuple(f"{year}-W{first + n:02d}" for n in range(value.shape[1]))
    known = np.isfinite(value)
    return Figures(tuple("AB"[: len(value)]), weeks, value, np.where(known, 1e-4, np.nan), known)


def test_the_usual_course_is_the_mean_of_past_seasons():
    one, other = np.linspace(0, 1.1, 12), np.linspace(1, 1.55, 12)
    course = pattern_of(
        [figures(one, year=2039), figures(other, year=2040)], areas=("A",), first="2041-W02"
    )
    along = course.along(0, ["2041-W04", "2041-W05", "2041-W08"])
    assert along[1:] - along[0] == pytest.approx([0.075, 0.3], abs=0.02)
    # The slopes differ by 0.05 a week and season.
    changed = np.sqrt(course.growth[1:5])
    assert (np.diff(changed) > 0).all()
    assert changed[3] == pytest.approx(4 * 0.05 / np.sqrt(2), rel=0.25)


def test_a_season_that_began_late_bends_no_course():
    """One season is higher throughout and lacks the first weeks."""
    late = np.where(np.arange(12) < 4, np.nan, 2.0)
    past = [figures(np.zeros(12), year=2038), figures(np.zeros(12), year=2039), figures(late)]
    course = pattern_of(past, areas=("A",), first="2041-W02")
    along = course.along(0, [f"2041-W{week:02d}" for week in range(2, 14)])
    assert np.ptp(along) < 0.02


@pytest.mark.parametrize(("last", "first"), [(1.0, 3.0), (1.0, np.nan), (np.nan, 3.0)])
def test_week_53_and_the_first_of_the_next_year_count_both(last, first):
    weeks = ("2032-W50", "2032-W51", "2032-W52", "2032-W53", "2033-W01", "2033-W02", "2033-W03")
    value = np.array([[0.0, 0.0, 0.0, last, first, 0.0, 0.0]])
    known = np.isfinite(value)
    variance = np.where(known, 0.04, np.nan)
    long = Figures(("A",), weeks, value, variance, np.ones_like(known))
    with mock.patch.object(seasonal_pattern, "_pattern") as made:
        pattern_of([long], areas=("A",), first="2041-W02")
    anchor, means, variances = made.call_args.args
    at = (1 - anchor) % seasonal_pattern.YEAR
    assert means[0, 0, at] == np.nanmean([last, first])
    assert variances[0, 0, at] == pytest.approx(0.04 / np.isfinite([last, first]).sum())
    assert np.isfinite(means).sum() == 6


def test_seasons_alike_depart_little():
    past = [figures(np.sin(np.arange(12)), year=2030 + n) for n in range(4)]
    course = pattern_of(past, areas=("A",), first="2041-W02")
    along = course.along(0, ["2041-W05", "2041-W09"])
    assert along[1] - along[0] == pytest.approx(np.sin(7) - np.sin(3), abs=0.05)
    assert np.sqrt(course.growth[4]) < 0.05


def test_without_past_seasons_a_level_moves_within_bounds_and_keeps_its_mean():
    course = pattern_of([], areas=("A",), first="2041-W02")
    assert (course.along(0, AHEAD) == 0).all()
    now = figures(np.random.default_rng(1).normal(0, 0.6, 8))
    found = level_paths(now, course, AHEAD, n_draws=40_000, rng=np.random.default_rng(2)).draws
    moved = found[:, 0, 8:] - found[:, 0, 7, None]
    bound = LEVEL_SE**2 * (1 - PERSISTENCE ** np.arange(1, 5))
    assert (moved.var(axis=0) < 1.03 * bound).all()
    assert moved.var(axis=0)[-1] > 0.8 * bound[-1]
    # A martingale on the natural scale.
    error = np.exp(moved).std(axis=0) / 200
    assert (np.abs(np.exp(moved).mean(axis=0) - 1) < 4 * error).all()


def departing(n, rng, *, kept, step=0.2, error=0.05, n_weeks=16):
    """Return seasons whose departures keep a part of themselves from week to week."""
    made = []
    for number in range(n):
        off = np.zeros(n_weeks)
        for week in range(1, n_weeks):
            off[week] = kept * off[week - 1] + rng.normal(0, step)
        value = off + rng.normal(0, 0.3) + rng.normal(0, error, n_weeks)
        made.append(known_figures(value, error**2, year=2030 + number))
    return made


def known_figures(value, variance, *, year=2041):
    one = figures(value, year=year)
    return dataclasses.replace(one, variance=np.full_like(one.value, variance))


@pytest.mark.parametrize(("kept", "least", "most"), [(0.6, 0.4, 0.85), (1.0, 0.9, 1.1)])
def test_departures_come_back_as_past_seasons_did(kept, least, most):
    past = departing(12, np.random.default_rng(11), kept=kept)
    course = pattern_of(past, areas=("A",), first="2041-W02")
    now = known_figures(np.append(np.zeros(7), 1.0) + course.along(0, WEEKS), 1e-4)
    found = level_paths(now, course, AHEAD, n_draws=20_000, rng=np.random.default_rng(2)).draws
    left = (found[:, 0] - course.along(0, [*WEEKS, *AHEAD])).mean(axis=0)
    first = (left[8] - left[:7].mean()) / (left[7] - left[:7].mean())
    assert least < first < most


def test_two_figures_that_move_together_are_drawn_so():
    rng = np.random.default_rng(4)
    one = departing(12, rng, kept=0.9, error=0.01)
    other = [
        known_figures(-0.8 * mine.value[0] + rng.normal(0, 0.02, 16), 1e-4, year=2030 + number)
        for number, mine in enumerate(one)
    ]
    first, second = (pattern_of(each, areas=("A",), first="2041-W02") for each in (one, other))
    found = joint_correlation(first, second)
    assert -1 < found < -0.6
    assert joint_correlation(first, pattern_of([], areas=("A",), first="2041-W02")) == 0
    now = known_figures(np.zeros(8), 1e-4)
    given = {"n_draws": 8000, "rng": rng}
    paths = level_paths(now, first, AHEAD, **given)
    beside = level_paths(now, second, AHEAD, **given, moves_with=paths.normal, correlation=found)
    moved = [each.draws[:, 0, 11] - each.draws[:, 0, 7] for each in (paths, beside)]
    assert np.corrcoef(*moved)[0, 1] == pytest.approx(found, abs=0.1)


def test_a_season_sampled_in_half_its_weeks_tells_no_course():
    value = np.where(np.arange(12) % 2, np.nan, 1.0)
    one = figures(value)
    half = Figures(one.areas, one.weeks, one.value, one.variance, np.ones((1, 12), dtype=bool))
    course = pattern_of([half, half], areas=("A",), first="2041-W02")
    assert np.isnan(course.level).all() and not course.is_known


def test_standing_is_how_far_this_season_lies_above_the_usual():
    past = [figures([np.zeros(8), np.ones(8)], year=2039), figures([np.zeros(8), np.ones(8)])]
    course = pattern_of(past, areas=("A", "B"), first="2041-W02")
    standing, n = course.season_anomaly(figures([np.full(8, 0.3), np.full(8, np.nan)]))
    assert standing == pytest.approx(0.3, abs=0.01)
    assert n == 1


# --- effort ---------------------------------------------------------------------------------


def test_a_level_season_goes_on_as_it_was():
    now = weekly_of_hand([[70.0] * 8, [140.0] * 8])
    found, drawn = effort_of(now)
    assert found.so_far.sum(axis=2) == pytest.approx(drawn)
    by_week = found.effort.reshape(N, 2, 4, 7).sum(axis=3)
    assert np.median(by_week, axis=0) == pytest.approx(np.outer([70, 140], np.ones(4)), rel=0.1)
    weekday, saturday = found.effort[:, 0, 1].mean(), found.effort[:, 0, 5].mean()
    assert saturday / weekday == pytest.approx(2.5, rel=0.02)
    spread = np.log(by_week).std(axis=0)
    assert (np.diff(spread, axis=1) > 0).all()


def test_the_error_of_the_total_is_that_of_what_is_to_come():
    now = weekly_of_hand([70.0] * 8)
    drawn = total(now.figure[TRIPS])
    one, _ = effort_of(now, trips=drawn)
    two, _ = effort_of(now, trips=2 * drawn)
    assert two.effort == pytest.approx(2 * one.effort, rel=1e-5)
    assert np.corrcoef(one.effort[:, 0, 0], drawn[:, 0])[0, 1] > 0.3


def test_days_vary_about_a_mean_that_stays():
    now = weekly_of_hand([70.0] * 8)
    plain, drawn = effort_of(now)
    noisy, _ = effort_of(dataclasses.replace(now, days=days_of(1, noise=0.5)), trips=drawn)
    assert noisy.effort.sum(axis=2).mean() == pytest.approx(
        plain.effort.sum(axis=2).mean(), rel=0.02
    )
    assert noisy.effort[:, 0, 0].std() > 2 * plain.effort[:, 0, 0].std()


def test_weather_takes_whole_days_from_all_areas_and_was_in_the_total():
    weather = Weather(n_dates=400, n_unfishable=80, n_after=80, n_again=60, share=0.0)
    days = days_of(2, weather=weather)
    now = weekly_of_hand([[70.0] * 8, [70.0] * 8], days=days, fishable_share=np.full((2, 8), 0.8))
    found, _ = effort_of(now)
    lost = found.effort == 0
    assert (lost[:, 0] == lost[:, 1]).all()
    assert lost.mean() == pytest.approx(0.2, abs=0.02)
    after = lost[:, 0, 1:][lost[:, 0, :-1]].mean()
    assert after == pytest.approx(0.75, abs=0.03)
    # A fair day has more than the mean; a week is as it was.
    assert np.median(found.effort[:, 0, 0][~lost[:, 0, 0]]) == pytest.approx(7 / 0.8, rel=0.1)
    assert found.effort.sum(axis=2).mean() == pytest.approx(4 * 70, rel=0.08)


def test_an_area_not_open_yet_has_past_seasons_level_at_this_seasons_standing():
    nan = [np.nan] * 8
    past = [
        weekly_of_hand(
            [[100.0] * 12, [40.0] * 12],
            season=f"{year}-x",
            weeks=[f"{year}-W{w:02d}" for w in range(2, 14)],
        )
        for year in (2038, 2039, 2040)
    ]
    now = weekly_of_hand([[150.0] * 8, nan], areas=("A", "B"))
    found, _ = effort_of(now, past)
    weeks = found.effort[:, 1].reshape(N, 4, 7).sum(axis=2)
    assert np.median(weeks, axis=0) == pytest.approx([60.0] * 4, rel=0.1)
    assert coded("effort_of_past", areas=["B"]) in found.assumed


def test_an_area_that_nobody_knows_has_no_outlook():
    now = weekly_of_hand([[150.0] * 8, [np.nan] * 8])
    found, _ = effort_of(now)
    assert np.isnan(found.effort[:, 1]).all() and np.isfinite(found.effort[:, 0]).all()
    assert coded("effort_not_known", areas=["B"]) in found.assumed


def test_an_open_area_without_a_trip_stays_without():
    now = weekly_of_hand([[150.0] * 8, [0.0] * 8])
    found, _ = effort_of(now)
    assert (found.effort[:, 1] == 0).all()
    assert coded("no_trips_expected", areas=["B"]) in found.assumed


def test_an_area_closed_for_weeks_goes_on_from_where_it_was():
    now = weekly_of_hand([70.0] * 3 + [np.nan] * 5)
    found, _ = effort_of(now)
    weeks = found.effort[:, 0].reshape(N, 4, 7).sum(axis=2)
    assert np.median(weeks[:, 0]) == pytest.approx(70.0, rel=0.15)
    steady, _ = effort_of(weekly_of_hand([70.0] * 8))
    before = steady.effort[:, 0].reshape(N, 4, 7).sum(axis=2)
    assert np.log(weeks[:, 0]).std() > 1.3 * np.log(before[:, 0]).std()


def test_one_week_of_data_is_wide_and_says_so():
    now = weekly_of_hand([[70.0]], weeks=WEEKS[-1:])
    found, _ = effort_of(now)
    weeks = found.effort[:, 0].reshape(N, 4, 7).sum(axis=2)
    steady, _ = effort_of(weekly_of_hand([70.0] * 8))
    before = steady.effort[:, 0].reshape(N, 4, 7).sum(axis=2)
    assert np.log(weeks[:, -1]).std() > 1.2 * np.log(before[:, -1]).std()
    assert coded("no_slope", areas=["A"], weeks=3) in found.assumed


# --- rates ----------------------------------------------------------------------------------


def rates_of(now, *, tables=None, met=None, past=(), seed=4):
    effort, trips = effort_of(now)
    usual = np.nansum(now.figure[TRIPS] * now.figure[RATE], axis=1)
    met = trips / trips.mean(axis=0) * usual if met is None else met
    rng = np.random.default_rng(seed)
    given = {"met": met, "effort": effort, "ahead": AHEAD, "rng": rng}
    return rates_ahead(now, past, tables or {}, trips=trips, **given), effort, met


def test_the_weeks_so_far_hold_the_draws_encounters():
    rate = np.linspace(1.0, 2.0, 8)
    now = weekly_of_hand([70.0] * 8, rate[None])
    found, effort, met = rates_of(now)
    held = (found.draws[:, :, :8] * effort.so_far).sum(axis=2)
    assert held == pytest.approx(met)
    assert np.median(found.draws[:, 0, 8]) == pytest.approx(2.05, rel=0.1)


def index_table(values, *, log_se=0.05, response="encounters", reason=""):
    rows = [
        {
            "season": "2040-41",
            "area": "A",
            "week": week,
            "response": response,
            "index": value,
            "log_se": None if value is None else log_se,
            "reason": reason if value is None else "",
        }
        for week, value in zip(WEEKS, values, strict=True)
    ]
    return pa.Table.from_pylist(rows, schema=INDEX_SCHEMA)


def test_an_area_without_a_trip_takes_nothing_from_the_projection_of_the_others():
    nan = [np.nan] * 8
    now = weekly_of_hand([[150.0] * 8, [0.0] * 8], [[2.0] * 8, nan], [[0.6] * 8, nan])
    found, effort, met = rates_of(now, met=np.tile([2400.0, 0.0], (N, 1)))
    assert effort.is_none.tolist() == [False, True]
    assert not any("rate_not_known" in one or "rate_of_past" in one for one in found.assumed)
    to_date = {"angler_trips": total([[1200.0], [0.0]]), "encounter_fish": met}
    to_date["released_sublegal_fish"] = 0.6 * met
    rng = np.random.default_rng(6)
    ahead = project_weekly(now, [], to_date, {}, days=DAYS, weeks=AHEAD, rng=rng)
    assert (ahead.effort[:, 1] == 0).all() and (ahead.rate[:, 1] == 0).all()
    assert np.isfinite(ahead.effort).all() and np.isfinite(ahead.sublegal).all()


def test_the_course_is_that_of_the_index_and_its_scale_is_of_no_matter():
    now = weekly_of_hand([70.0] * 8, np.full((1, 8), 2.0))
    rising = np.exp(np.linspace(0, 0.7, 8))
    found, _, _ = rates_of(now, tables={"index": index_table(rising)})
    other, _, _ = rates_of(now, tables={"index": index_table(10 * rising)})
    assert np.median(found.draws[:, 0, 7]) == pytest.approx(
        2 * rising[-1] / rising.mean(), rel=0.05
    )
    assert np.log(other.draws) == pytest.approx(np.log(found.draws), abs=1e-3)
    none = index_table([*rising[:-1], None], reason="no_fish_in_trips(trips=7)")
    empty, _, _ = rates_of(now, tables={"index": none})
    assert np.median(empty.draws[:, 0, 8]) < np.median(found.draws[:, 0, 8])


def test_past_seasons_index_bends_the_course():
    """The index always doubles from the ninth week of the season on."""
    weeks = [f"W{w:02d}" for w in range(2, 14)]
    rows = [
        {
            "season": f"{year}-x",
            "area": "A",
            "week": f"{year}-{week}",
            "index": 1.0 if n < 8 else 2.0,
            "share": 0.5,
        }
        for year in (2038, 2039, 2040)
        for n, week in enumerate(weeks)
    ]
    past = [
        weekly_of_hand([[70.0] * 12], season=f"{year}-x", weeks=[f"{year}-{w}" for w in weeks])
        for year in (2038, 2039, 2040)
    ]
    tables = {
        "index": index_table([1.0] * 8),
        "seasonal_pattern": pa.Table.from_pylist(rows, schema=SEASONAL_PATTERN_SCHEMA),
    }
    now = weekly_of_hand([70.0] * 8)
    found, _, _ = rates_of(now, tables=tables, past=past)
    plain, _, _ = rates_of(now, tables={"index": index_table([1.0] * 8)})
    ratio = np.median(found.draws[:, 0, 9:], axis=0) / np.median(plain.draws[:, 0, 9:], axis=0)
    assert (ratio > 1.5).all() and (ratio < 2.2).all()


def test_an_area_without_a_fish_expects_none():
    now = weekly_of_hand([[70.0] * 8], np.zeros((1, 8)))
    found, _, _ = rates_of(now, met=np.zeros((N, 1)))
    assert (found.draws == 0).all()
    assert coded("no_fish_expected", areas=["A"]) in found.assumed


def shares_of(now, tables=None, *, share=0.6, met=1000.0, past=(), seed=5):
    effort, trips = effort_of(now)
    met = np.full(trips.shape, met)
    return shares_ahead(
        now,
        past,
        tables or {},
        sublegal=share * met,
        met=met,
        so_far=effort.so_far,
        ahead=AHEAD,
        rng=np.random.default_rng(seed),
    )


def test_the_sublegal_share_stays_between_its_ends():
    now = weekly_of_hand([70.0] * 8)
    found = shares_of(now, {"index": index_table([0.6] * 8, response="sublegal")})
    assert np.median(found.draws[:, 0, 8:], axis=0) == pytest.approx([0.6] * 4, abs=0.02)
    assert ((found.draws > 0) & (found.draws < 1)).all()
    falling = 1 / (1 + np.exp(np.linspace(-1, 1, 8)))
    fell = shares_of(now, {"index": index_table(falling, response="sublegal")})
    assert np.median(fell.draws[:, 0, 9]) < 0.45
    all_of_them = shares_of(now, share=1.0)
    assert (all_of_them.draws == 1).all()


def test_an_area_without_encounters_takes_past_seasons_share():
    past = [weekly_of_hand([70.0] * 8, share=np.full((1, 8), one)) for one in (0.79, 0.8, 0.81)]
    found = shares_of(weekly_of_hand([70.0] * 8), share=0.0, met=0.0, past=past)
    assert np.median(found.draws[:, 0, 8:]) == pytest.approx(0.8, abs=0.01)


# --- the whole way --------------------------------------------------------------------------


def test_weeks_ahead_are_every_week_over_a_year_of_53():
    assert weeks_ahead("2032-W52", ["2033-W02"]) == ("2032-W53", "2033-W01", "2033-W02")
    assert weeks_ahead("2033-W02", ["2033-W02"]) == ()
    assert weeks_ahead("2033-W02", []) == ()


@pytest.fixture(scope="module")
def sampled():
    rng = np.random.default_rng(8)
    snapshot = made.sampled(made.simulate_boats(rng), rng)
    season = prepare_survey(snapshot, season=made.SEASON)
    return snapshot, season, to_date_draws(season, rng=rng, n_draws=300)


def test_ahead_of_a_sampled_season(sampled):
    _, season, to_date = sampled
    days = made.DAYS[7 * made.N_TOLD :]
    weeks = tuple(dict.fromkeys(week_of_days(days)))
    rng = np.random.default_rng(1)
    found = project_season(season, to_date, {}, days=days, weeks=weeks, rng=rng)
    assert found.effort.shape == (300, 2, len(days))
    assert found.rate.shape == found.sublegal.shape == (300, 2, len(weeks))
    for one in (found.effort, found.rate, found.sublegal):
        assert one.dtype == np.float32 and np.isfinite(one).all() and (one >= 0).all()
    assert (found.sublegal < 1).all()
    sections = {f"Assumptions: {one}" for one in ("effort", "catch rate", "sublegal share")}
    assert set(map(section_of, found.assumed)) == sections
    again = np.random.default_rng(1)
    same = project_season(season, to_date, {}, days=days, weeks=weeks, rng=again)
    assert (same.effort == found.effort).all() and (same.rate == found.rate).all()


def test_a_season_that_is_over_has_nothing_ahead(sampled):
    _, season, to_date = sampled
    none = np.zeros(0, dtype="datetime64[D]")
    rng = np.random.default_rng(1)
    found = project_season(season, to_date, {}, days=none, weeks=(), rng=rng)
    assert found.effort.shape == found.rate.shape == found.sublegal.shape == (300, 2, 0)


def two_seasons(*, later=1.0):
    """Return a snapshot of two seasons; in the first, weeks after its middle told `later` times."""
    rng = np.random.default_rng(12)
    one = made.sampled(made.simulate_boats(rng), rng)
    kept = one["interviews"].to_pandas()
    days = one["site_days"].to_pandas()
    half = days["date"] >= made.DAYS[28].astype(object)
    late = kept["sample_id"].isin(days.loc[half, "sample_id"])
    kept.loc[late, "released_sublegal"] = (kept.loc[late, "released_sublegal"] * later).astype(int)
    shift = pd.Timedelta(weeks=52)
    tables = {name: one[name] for name in one.tables}
    for name, dates, keys in (
        ("seasons", ["open_date", "close_date"], ["season"]),
        ("site_days", ["date"], ["sample_id"]),
        ("interviews", ["date"], ["interview_id", "sample_id"]),
    ):
        first = kept if name == "interviews" else one[name].to_pandas()
        if name == "seasons":
            first["close_date"] = made.DAYS[7 * made.N_TOLD - 1].astype(object)
        second = one[name].to_pandas()
        for column in dates:
            second[column] = (pd.to_datetime(second[column]) + shift).dt.date
        for column in keys:
            second[column] = "next " + second[column]
        both = pd.concat([first, second])
        tables[name] = pa.Table.from_pandas(both, preserve_index=False)
    return Snapshot.of(tables)


@pytest.mark.parametrize("week", [1, 3, 6])
def test_a_week_before_from_the_sums_of_the_season_is_as_from_its_rows(sampled, week):
    snapshot, _, _ = sampled
    settings = EstimationSettings(basis=FishBasis.REPORTED)
    whole = prepare_survey(snapshot, season=made.SEASON, settings=settings)
    through = whole.design.weeks[week]
    quick = survey_through(whole, through)
    assert quick.whole is whole
    plain = prepare_survey(snapshot, season=made.SEASON, through=through, settings=settings)
    for by in LEVELS:
        rows, wanted = (list(result_rows(one, by=by, level=0.95)) for one in (quick, plain))
        assert repr(rows) == repr(wanted)
    assert len(wanted) and any(row["estimate"] for row in wanted)
    # Further sums that are asked of it come from the season's own, too.
    one, other = joint_parts(quick), joint_parts(plain)
    np.testing.assert_array_equal(one.total, other.total)
    np.testing.assert_array_equal(one.cov, other.cov)


def test_a_backtest_knows_only_what_was_known_then():
    rows = {}
    for later in (1.0, 3.0):
        snapshot = two_seasons(later=later)
        season = prepare_survey(snapshot, season="next " + made.SEASON)
        past = past_weekly(snapshot, season=season.design.season)
        rows[later] = backtest(season, past, n_draws=100).rows
    one, other = rows[1.0], rows[3.0]
    assert {row["season"] for row in one} == {made.SEASON}
    assert len(one) == len(CUTS) * len(PROJECTED) * 3
    cuts = sorted({row["through"] for row in one})
    for row, changed in zip(one, other, strict=True):
        # The intervals hold the error of the final estimate too, and so do scores.
        known = (
            "through",
            "area",
            "quantity",
            "projected_by",
            "to_date",
            "projected_total",
            "reason",
        )
        if row["through"] != cuts[-1]:
            assert [row[name] for name in known] == [changed[name] for name in known]
        if row["quantity"] == "encounter_fish":
            assert changed["final"] > row["final"]
    assert all(row["low_95"] <= row["low_80"] <= row["high_80"] <= row["high_95"] for row in one)
    # One past season has no other: neither the plain rule nor a mixture is to be had.
    assert {row["projected_by"] for row in one} == {MODEL}
    assert all(row["crps"] > 0 and row["interval_score_80"] > 0 for row in one)


def test_a_past_season_is_projected_from_the_others_and_scored_beside_the_plain_rule():
    snapshot = seasons_alike(4)
    season = prepare_survey(snapshot, season="3 " + made.SEASON)
    past = past_weekly(snapshot, season=season.design.season)
    found = backtest(season, past, n_draws=100)
    methods = {}
    for row in found.rows:
        key = tuple(row[name] for name in ("season", "through", "quantity", "area"))
        methods.setdefault(key, []).append(row["projected_by"])
    assert len({key[0] for key in methods}) == 3
    assert all(tuple(each) == METHODS for each in methods.values())
    assert found.errors.model.shape == (3, len(CUTS) * len(PROJECTED))
    assert np.isfinite(found.errors.model).all() and np.isfinite(found.errors.plain).all()
    assert 0.7 <= found.width <= 1.5
    # What came by three quarters of the open days is more than by a quarter.
    totals = found.past[0]
    assert 0 < totals.at((None, "kept_fish"), 0.25) < totals.at((None, "kept_fish"), 0.75) < 1
    assert totals.at((None, "kept_fish"), 1.0) == pytest.approx(1)
    assert np.isnan(totals.at((None, "no such"), 0.5))


def test_shares_come_by_open_days():
    totals = SeasonTotals(
        "one", {None: np.array([0.2, 0.2, 1.0])}, {(None, "kept_fish"): np.array([0.5, 0.5, 1.0])}
    )
    assert totals.at((None, "kept_fish"), 0.1) == pytest.approx(0.25)
    assert totals.at((None, "kept_fish"), 0.6) == pytest.approx(0.75)


def seasons_alike(n):
    """Return a snapshot of some seasons of the same fishery, one a year."""
    tables = {}
    for number in range(n):
        rng = np.random.default_rng([14, number])
        one = made.sampled(made.simulate_boats(rng), rng)
        shift = pd.Timedelta(weeks=52 * number)
        for name, dates, keys in (
            ("seasons", ["open_date", "close_date"], ["season"]),
            ("site_days", ["date"], ["sample_id"]),
            ("interviews", ["date"], ["interview_id", "sample_id"]),
        ):
            mine = one[name].to_pandas()
            for column in dates:
                mine[column] = (pd.to_datetime(mine[column]) + shift).dt.date
            for column in keys:
                mine[column] = f"{number} " + mine[column]
            if name == "seasons" and number < n - 1:
                mine["close_date"] = (
                    pd.to_datetime(made.DAYS[7 * made.N_TOLD - 1].astype(object)) + shift
                ).date()
            tables.setdefault(name, []).append(mine)
    every = {name: one[name] for name in one.tables}
    for name, parts in tables.items():
        every[name] = pa.Table.from_pandas(pd.concat(parts), preserve_index=False)
    return Snapshot.of(every)


def test_past_weekly_reads_only_seasons_before():
    snapshot = two_seasons()
    assert past_weekly(snapshot, season=made.SEASON) == []
    found = past_weekly(snapshot, season="next " + made.SEASON)
    assert [one.season for one in found] == [made.SEASON]
    assert np.isfinite(found[0].figure[TRIPS]).all()

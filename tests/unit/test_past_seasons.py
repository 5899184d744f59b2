"""Past seasons beside this one: at one mix of how was fished, and summed over the same weeks."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pandas as pd
import pytest

from analytics.catch_rates import seasonal_timing
from analytics.catch_rates.build import rate_tables
from analytics.catch_rates.index import AreaIndex
from analytics.catch_rates.seasonal_timing import (
    SeasonIndex,
    season_indices,
    strength_rows,
    timing_rows,
)
from analytics.catch_rates.standardised_levels import Series, comparable_seasons, lacking
from analytics.codes import coded, has_code, parse
from analytics.estimates.season_survey import prepare_survey
from analytics.survey.build import seasons_before
from tests.tables import MONDAY, SiteDay, interview, survey

WEEKS = 6
#: Encounters per angler-hour: trolling is three times as good as jigging.
RATES = {"trolling": 0.9, "jigging": 0.3}
BEFORE = dt.timedelta(days=364)


def opening(season, start):
    last = start + dt.timedelta(days=7 * WEEKS - 1)
    return {"season": season, "area": "A", "open_date": start, "close_date": last}


def days_of(rng, start, methods, *, fish=1.0):
    """Return four site-days a week of 30 boats each, of some methods in turn."""
    found = []
    for day in range(4 * WEEKS):
        told = []
        for boat in range(30):
            method = methods[boat % len(methods)]
            hours = float(rng.integers(3, 7))
            met = int(rng.poisson(fish * RATES.get(method, 0.6) * hours))
            told.append(interview(hours_fished=hours, kept=met, method=method))
        date = start + dt.timedelta(days=7 * (day // 4) + day % 4)
        found.append(SiteDay(30, told, date=date))
    return found


def strength_over(methods_before, methods_now, *, fish=1.0):
    """Return the last week's strength over two past seasons, this one with `fish` times as many."""
    rng = np.random.default_rng(12)
    labels = {"2028-29": 2, "2029-30": 1, "2030-31": 0}
    days, opens = [], []
    for label, back in labels.items():
        start = MONDAY - back * BEFORE
        opens.append(opening(label, start))
        is_current_season = back == 0
        methods = methods_now if is_current_season else methods_before
        days += days_of(rng, start, methods, fish=fish if is_current_season else 1.0)
    snapshot = survey(days, seasons=opens)
    tables = rate_tables(prepare_survey(snapshot, season="2030-31"), level=0.95)
    strength = tables["run_strength"].to_pandas()
    return strength[strength["area"].isna()].iloc[-1]


@pytest.mark.parametrize(
    ("before", "now"),
    [
        (("trolling",), ("trolling", "jigging")),
        (("jigging",), ("trolling", "jigging", "jigging")),
        (("trolling", "jigging"), ("jigging",)),
        (("trolling", "jigging"), ("trolling", "jigging")),
    ],
)
def test_strength_is_of_fish_and_not_of_methods(before, now):
    # Without a common mix the first would read 1/1.5, the second 1.7.
    last = strength_over(before, now)
    assert last["ratio"] == pytest.approx(1.0, abs=0.12)
    assert has_code(last["note"], "fitted_together") == bool(set(now) - set(before))


def test_a_method_that_none_can_be_held_against_is_said():
    last = strength_over(("not said",), ("trolling", "jigging"))
    found = {one.name: dict(one.arguments) for one in parse(last["note"])}
    assert found["level_never_beside"]["factor"] == ("method",)
    assert found["level_never_beside"]["levels"] == ("not said",)
    assert "method jigging" in found["fitted_together"]["levels"]


def trips(*rows):
    return pd.DataFrame(rows, columns=["area", "week", "method", "angler_hours", "party"])


def test_levels_are_linked_through_others():
    now = trips(("A", "W2", "a", 9.0, 1.0), ("A", "W2", "b", 1.0, 2.0))
    before = trips(("A", "W1", "b", 1.0, 1.0), ("A", "W1", "c", 1.0, 1.0), ("B", "W1", "d", 1, 1.0))
    (one, other), note = comparable_seasons(before, now, ["method"])
    assert one["method"].tolist() == ["b", "c", "a"]
    assert other["method"].tolist() == ["a", "b"]
    assert note == coded("level_never_beside", factor="method", levels=["d"], base="a")
    assert lacking(before, now, ["method", "party"]) == ["method a", "change of party"]
    assert lacking(now, before, ["party"]) == []


def test_refused_joint_fit_leaves_seasons_apart_and_says_so(monkeypatch):
    really = seasonal_timing.area_index

    def refused(data, model, *, mix, weeks, weight):
        if data.frame["week"].max() > "2030-W20" > data.frame["week"].min():
            return AreaIndex(data.response, tuple(weeks), {}, None, "no top was found")
        return really(data, model, mix=mix, weeks=weeks, weight=weight)

    monkeypatch.setattr(seasonal_timing, "area_index", refused)
    last = strength_over(("trolling",), ("trolling", "jigging"))
    assert last["note"] == "at_own_mix(levels=method jigging); no top was found"
    assert last["ratio"] < 0.8


def index_of(season, values, *, start="2031-01-06", is_current_season=False, se=0.0):
    """Return a season of one area with an index in every week from a Monday on."""
    n = len(values)
    mondays = pd.date_range(start, periods=n, freq="7D")
    weeks = tuple(f"{year}-W{week:02d}" for year, week, _ in (day.isocalendar() for day in mondays))
    series = {None: Series(np.log(values), se**2 * np.eye(n))}
    index = AreaIndex("encounters", weeks, series, None)
    return SeasonIndex(
        season, mondays[0], index, {None: weeks}, is_current_season=is_current_season
    )


def test_strength_is_the_ratio_of_sums_over_weeks_that_both_have():
    # Means of logs would say 1: this season has its fish in one good week.
    now = index_of("now", [1.0, 4.0, 0.25], is_current_season=True, se=0.1)
    before = [
        index_of("one", [1.0, 1.0, 1.0], start="2030-01-07"),
        index_of("two", [2.0, 2.0, np.nan], start="2029-01-08"),
    ]
    rows = strength_rows([*before, now], level=0.95)
    assert rows[0]["ratio"] == pytest.approx(1 / math.sqrt(2))
    assert rows[1]["ratio"] == pytest.approx(math.sqrt(5 / 2 * 5 / 4))
    assert rows[2]["ratio"] == pytest.approx(math.sqrt(5.25 / 3 * 5 / 4))
    # One week: the error of its log beside the spread of the two seasons over each other.
    half = math.log(rows[0]["ci_high"] / rows[0]["ratio"])
    assert half == pytest.approx(12.7062 * math.sqrt(0.01 + (math.log(2) ** 2 / 2) / 2), rel=1e-4)


def test_strength_without_an_error_of_the_index_is_no_ratio():
    now = index_of("now", [1.0, 2.0], is_current_season=True, se=np.nan)
    rows = strength_rows([index_of("a", [1, 1.0]), index_of("b", [1, 1.0]), now], level=0.95)
    assert {row["reason"] for row in rows} == {"index_without_error"}


def test_dates_of_the_index_have_an_error_where_it_has_one():
    values = np.exp(-((np.arange(12) - 5.0) ** 2) / 8)
    for se, known in ((0.2, True), (0.0, False), (np.nan, False)):
        timing, dates = timing_rows(index_of("past", values, se=se))
        assert {row["curve"] for row in dates} == {"index", "normal", "logistic"}
        assert all((row["se_days"] is not None) == known for row in dates)
        assert all((row["log_se"] is not None) == known for row in timing)
    # The same draws each time: a bulletin made again is the same.
    first, again = (timing_rows(index_of("past", values, se=0.2))[1] for _ in range(2))
    assert first == again


def test_trips_of_past_seasons_are_read_once_of_a_snapshot(monkeypatch):
    rng = np.random.default_rng(2)
    start = MONDAY - BEFORE
    days = [*days_of(rng, start, ("trolling",)), *days_of(rng, MONDAY, ("trolling",))]
    snapshot = survey(days, seasons=[opening("2029-30", start), opening("2030-31", MONDAY)])
    asked = []
    really = seasonal_timing.model_rows
    monkeypatch.setattr(
        seasonal_timing, "model_rows", lambda *a, **k: asked.append(k) or really(*a, **k)
    )
    now = AreaIndex("encounters", ("2031-W02",), {}, None)
    mix = really(snapshot, season="2030-31", through="2031-W02")
    for _ in range(2):
        season_indices(snapshot, now, None, season="2030-31", mix=mix, weight={"A": 1.0})
    assert [one["season"] for one in asked] == ["2029-30"]


def test_a_season_open_beside_one_or_of_other_areas_is_no_past_season():
    def season(name, area, start, n_days=28):
        last = start + dt.timedelta(days=n_days - 1)
        return {"season": name, "area": area, "open_date": start, "close_date": last}

    sites = {"r1": "A", "r2": "B"}
    seasons = [
        season("old", "A", MONDAY - BEFORE),
        season("old elsewhere", "B", MONDAY - BEFORE),
        season("beside", "B", MONDAY),
        season("now", "A", MONDAY + dt.timedelta(days=7)),
        season("later", "A", MONDAY + BEFORE),
        season("later", "B", MONDAY + BEFORE),
    ]
    days = [
        SiteDay(2, [interview(), interview()], date=day["open_date"], site=site)
        for day in seasons
        for site in sites
        if sites[site] == day["area"]
    ]
    snapshot = survey(days, sites=sites, seasons=seasons)
    assert seasons_before(snapshot, "now") == ["old"]
    assert seasons_before(snapshot, "beside") == ["old elsewhere"]
    assert set(seasons_before(snapshot, "later")) == {"old", "old elsewhere", "beside", "now"}
    assert seasons_before(snapshot, "none") == []

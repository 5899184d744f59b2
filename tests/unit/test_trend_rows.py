"""Rows of the trend: closed weeks, weeks to come, areas without an index."""

from __future__ import annotations

import datetime as dt

import numpy as np

from analytics.catch_rates.build import rate_tables
from analytics.catch_rates.index import trend_rows
from analytics.catch_rates.standardised_levels import Series
from analytics.estimates.season_survey import prepare_survey
from tests.tables import MONDAY, SiteDay, interview, survey

WEEKS = tuple(f"2031-W{week:02d}" for week in range(2, 12))


def rows_of(values, *, open_weeks=WEEKS, cov=None):
    known = np.isfinite(values)
    cov = np.diag(np.where(known, 0.01, 0.0)) if cov is None else cov
    series = Series(np.asarray(values, float), cov)
    return trend_rows(series, WEEKS, is_share=False, level=0.95, names={}, open_weeks=open_weeks)


def test_closed_week_has_a_level_that_runs_on_and_no_word():
    values = 0.2 * np.arange(10.0)
    values[[6, 9]] = np.nan
    rows = rows_of(values, open_weeks=[*WEEKS[:6], *WEEKS[7:9]])
    for at in (6, 9):
        row = rows[at]
        assert row["is_closed"]
        assert (row["direction"], row["reason"]) == ("not_known", "closed")
        assert row["level"] > 0
        assert not {"prob_increase_4_weeks", "change_4_weeks"} & set(row)
    assert rows[8]["direction"] == "rising"
    assert [row["is_closed"] for row in rows[:6]] == [False] * 6


def test_open_week_that_was_not_sampled_keeps_its_word():
    values = 0.2 * np.arange(10.0)
    values[8] = np.nan
    rows = rows_of(values)
    assert (rows[8]["direction"], rows[8]["reason"], rows[8]["is_closed"]) == ("rising", "", False)


def test_figures_met_in_a_closed_week_still_tell_a_change():
    rows = rows_of(0.2 * np.arange(10.0), open_weeks=WEEKS[:9])
    assert (rows[9]["direction"], rows[9]["is_closed"]) == ("rising", True)


def test_weeks_to_come_say_why_no_change_is_told_and_whether_they_are_open():
    rows = rows_of(np.zeros(10), open_weeks=[*WEEKS, "2031-W12", "2031-W13"])
    ahead = rows[10:]
    assert [row["week"] for row in ahead] == ["2031-W12", "2031-W13", "2031-W14"]
    assert [row["is_closed"] for row in ahead] == [False, False, True]
    to_come = "still_to_come"
    assert [row["reason"] for row in ahead] == [to_come, to_come, "closed"]
    assert all(row["direction"] == "not_known" for row in ahead)
    assert all(row["is_closed"] is None for row in rows_of(np.zeros(10), open_weeks=None))


def test_an_error_that_weeks_share_makes_no_change_less_sure():
    values, own = 0.06 * np.arange(10.0), np.eye(10) * 0.01
    alone, shared = rows_of(values, cov=own), rows_of(values, cov=own + 0.5)
    assert abs(alone[9]["prob_increase_4_weeks"] - shared[9]["prob_increase_4_weeks"]) < 1e-3
    assert shared[9]["ci_high"] / shared[9]["ci_low"] > 3 * alone[9]["ci_high"] / alone[9]["ci_low"]


def test_area_without_a_trip_has_a_row_that_says_so():
    rng = np.random.default_rng(4)
    days = []
    for day in range(5 * 7):
        if day % 7 < 4:
            told = [
                interview(hours_fished=4.0, kept=int(met), released_sublegal=1)
                for met in rng.poisson(2.0, 6)
            ]
            days.append(SiteDay(6, told, date=MONDAY + dt.timedelta(days=day)))
    season = {"season": "2030-31", "open_date": MONDAY}
    ends = {"A": MONDAY + dt.timedelta(days=27), "B": MONDAY + dt.timedelta(days=41)}
    opens = [season | {"area": area, "close_date": end} for area, end in ends.items()]
    days = [day for day in days if day.date <= ends["A"]]
    snapshot = survey(days, sites={"r1": "A", "r2": "B"}, seasons=opens)
    prepared = prepare_survey(snapshot, season="2030-31", through="2031-W06")
    trend = rate_tables(prepared, level=0.95)["trend"].to_pandas()
    mine = trend[trend["area"] == "B"].set_index("response")
    assert set(mine.index) == {"encounters", "kept", "sublegal"}
    assert set(mine["direction"]) == {"not_known"}
    assert mine["reason"]["kept"] == "no_complete_trip"
    assert mine["reason"]["sublegal"] == "no_complete_trip_with_fish"
    assert not mine["is_closed"].any()
    last = trend[(trend["area"] == "A") & (trend["week"] == "2031-W06") & ~trend["is_projected"]]
    assert set(last["reason"]) == {"closed"}
    assert len(last) == 3

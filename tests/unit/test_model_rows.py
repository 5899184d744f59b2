"""The rows of the regressions: which trips count, and what stands beside each."""

from __future__ import annotations

import datetime as dt
import math

import pandas as pd
import pyarrow as pa
import pytest

from analytics.catch_rates.trips import base_terms, fitted, model_rows
from analytics.data.schema import TABLES
from analytics.data.snapshot import Snapshot
from tests.tables import MONDAY, SiteDay, interview, survey

SEASON, THROUGH = "2030-31", "2031-W20"


def rows_of(days, **given):
    return model_rows(survey(days, **given), season=SEASON, through=THROUGH)


def test_one_row_a_trip_with_its_week_group_and_fish():
    day = SiteDay(
        2,
        [
            interview(anglers=2, hours_fished=3.5, kept=1, released_legal=2, method="jigging"),
            interview(released_sublegal=4, released_unknown=None),
        ],
        date=MONDAY + dt.timedelta(days=12),  # Saturday of the second week
    )
    rows = rows_of([SiteDay(0, []), day])
    assert rows["angler_hours"].tolist() == [7.0, 1.0]
    assert rows["encounters"].tolist() == [3, 4]
    assert rows["kept"].tolist() == [1, 0]
    assert rows["sublegal"].tolist() == [0, 4]
    assert rows["method"].tolist() == ["jigging", "not reported"]
    assert rows["party"].tolist() == [2.0, 1.0]
    assert rows["week"].tolist() == ["2031-W03"] * 2
    assert rows["week_number"].tolist() == [1.0, 1.0]
    assert rows["day_group"].tolist() == ["2", "2"]
    assert len(set(rows["sample_id"])) == 1
    assert rows["date"].eq(pd.Timestamp("2031-01-18")).all()


@pytest.mark.parametrize(
    "given",
    [
        {"trip_complete": False},
        {"hours_fished": None},
        {"hours_fished": 0.0},
        {"anglers": None},
        {"kept": None},
        {"released_legal": None},
        {"released_sublegal": None},
        {"area": None},
    ],
    ids=str,
)
def test_a_trip_without_a_number_or_not_over_is_left_out(given):
    rows = rows_of([SiteDay(2, [interview(kept=1), interview(**given)])])
    assert rows["kept"].tolist() == [1]


def test_only_trips_of_the_season_and_through_the_week():
    days = [
        SiteDay(1, [interview(kept=week)], date=MONDAY + dt.timedelta(weeks=week))
        for week in range(4)
    ]
    snapshot = survey(days)
    assert model_rows(snapshot, season=SEASON, through="2031-W03")["kept"].tolist() == [0, 1]
    assert model_rows(snapshot, season="2031-32", through=THROUGH).empty


def test_day_groups_are_those_of_the_landing_area_and_not_of_the_one_fished():
    opens = [
        {
            "season": SEASON,
            "area": area,
            "open_date": MONDAY,
            "close_date": MONDAY + dt.timedelta(days=13),
            "day_groups": groups,
        }
        for area, groups in (("A", "1234|567"), ("B", "12345|67"))
    ]
    friday = MONDAY + dt.timedelta(days=4)
    days = [
        SiteDay(1, [interview(area="B")], site="r1", date=friday),
        SiteDay(1, [interview(area="A")], site="r2", date=friday),
    ]
    rows = rows_of(days, sites={"r1": "A", "r2": "B"}, seasons=opens).set_index("site")
    assert rows["day_group"].to_dict() == {"r1": "2", "r2": "1"}
    assert rows["area"].to_dict() == {"r1": "B", "r2": "A"}


def test_moon_is_dark_at_a_new_moon_and_full_half_a_month_later():
    # New moon of 2031-01-23, full moon of 2031-02-07 (from memory; the phase is whole days).
    days = [SiteDay(1, [interview()], date=dt.date(2031, 1, 23))]
    days += [SiteDay(1, [interview()], date=dt.date(2031, 2, 7))]
    lit = rows_of(days)["moon"].tolist()
    assert lit[0] < 0.05
    assert lit[1] > 0.95


def test_without_a_latitude_there_is_no_daylight_and_no_term_of_it():
    rows = rows_of([SiteDay(1, [interview(kept=1)])])
    assert math.isnan(rows["daylight_hours"].iloc[0])


def test_levels_without_a_fish_join_the_first_that_has_some():
    frame = pd.DataFrame(
        {
            "area": ["A"] * 6,
            "week": ["2031-W02"] * 4 + ["2031-W03"] * 2,
            "week_number": [0.0] * 4 + [1.0] * 2,
            "method": ["angling", "jigging", "trolling", "jigging", "jigging", "trolling"],
            "day_group": ["1"] * 6,
            "site": ["r1"] * 6,
            "party": [1.0, 2.0, 1.0, 2.0, 1.0, 2.0],
            "encounters": [0, 3, 1, 0, 0, 0],
            "kept": [0, 1, 0, 0, 0, 0],
            "sublegal": [0, 2, 1, 0, 0, 0],
        }
    )
    met = fitted(frame, "encounters")
    assert met.joined["method"] == {"angling": "jigging"}
    words = "no_fish_in_trips(trips=2)"
    assert met.reasons == {("A", "2031-W03"): words, (None, "2031-W03"): words}
    assert met.joining == "level_joined(factor=method, levels=angling, base=jigging)"
    assert met.none == ""
    assert len(met.frame) == 6
    assert fitted(frame, "kept").joined["method"] == {"angling": "jigging", "trolling": "jigging"}
    share = fitted(frame, "sublegal")
    # Of boats that met fish alone; trolling brought sublegal fish only.
    assert share.frame["encounters"].tolist() == [3, 1]
    assert share.joined["method"] == {"trolling": "jigging"}
    none = fitted(frame.assign(encounters=0, kept=0, sublegal=0), "encounters")
    assert none.none == "no_fish_in_trips(trips=6)"
    assert base_terms(met.frame) == ("week_number", "method", "party")


def test_the_tide_is_that_of_the_site_day():
    snapshot = survey([SiteDay(1, [interview()]), SiteDay(1, [interview()], date=MONDAY)])
    days = snapshot["site_days"]
    place = days.schema.get_field_index("tide_range_m")
    tides = days.set_column(place, "tide_range_m", pa.array([2.5, None], pa.float64()))
    rows = model_rows(
        Snapshot.of({name: snapshot[name] for name in TABLES} | {"site_days": tides}),
        season=SEASON,
        through=THROUGH,
    )
    by_day = rows.set_index("sample_id")["tide_range_m"]
    assert by_day[days["sample_id"][0].as_py()] == 2.5
    assert by_day.isna().sum() == 1

"""ISO weeks and days, checked against the standard library's calendar."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from analytics.errors import UsageError
from analytics.weeks import (
    days_from,
    iso_week,
    week_end,
    week_number,
    week_of,
    week_of_days,
    week_start,
    weekday_of,
    weeks_after,
    weeks_between,
)

# Three turns of a year: into week 1, out of week 53, out of week 52.
DAYS = [
    start + timedelta(days=n)
    for start in (date(2030, 12, 20), date(2032, 12, 20), date(2033, 12, 20))
    for n in range(28)
]


def test_one_week_a_day_whatever_the_shape_of_the_days():
    expected = ["{}-W{:02d}".format(*day.isocalendar()) for day in DAYS]
    assert {"2031-W01", "2032-W53", "2033-W52"} <= set(expected)
    assert [week_of(day) for day in DAYS] == expected
    assert week_of_days(np.array(DAYS, dtype="datetime64[D]")) == expected
    assert iso_week(pd.Series(pd.to_datetime(DAYS))).tolist() == expected


def test_a_week_holds_its_monday_and_its_sunday():
    for day in DAYS:
        week = week_of(day)
        assert week_start(week).date() == day - timedelta(days=day.weekday())
        assert week_end(week) == day + timedelta(days=6 - day.weekday())


def test_weeks_that_follow_count_on_over_the_end_of_a_year():
    weeks = weeks_between("2032-W51", "2033-W02")
    assert weeks == ("2032-W51", "2032-W52", "2032-W53", "2033-W01", "2033-W02")
    assert np.diff([week_number(week) for week in weeks]).tolist() == [1, 1, 1, 1]
    assert weeks_after("2032-W51", 4) == weeks[1:]
    assert weeks_between("2033-W02", "2033-W02") == ("2033-W02",)
    assert weeks_between("2033-W02", "2033-W01") == ()


def test_days_carry_their_unit():
    days = days_from(date(2032, 2, 28), 3)
    assert days.dtype == np.dtype("datetime64[D]")
    assert days.tolist() == [date(2032, 2, 28), date(2032, 2, 29), date(2032, 3, 1)]
    assert days_from(date(2032, 2, 28), 0).dtype == days.dtype
    everyday = np.array(DAYS, dtype="datetime64[D]")
    assert weekday_of(everyday).tolist() == [day.isoweekday() for day in DAYS]


@pytest.mark.parametrize("week", ["2031-W00", "2031-W53", "2031-5", "2031-W05 ", ""])
def test_what_is_no_week_is_refused(week):
    with pytest.raises(UsageError, match="ISO week"):
        week_start(week)

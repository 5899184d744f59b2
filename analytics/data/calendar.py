"""The calendar of a season: open days, ISO weeks and day groups, and the frame that follows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.data.schema import TABLES

if TYPE_CHECKING:
    import pyarrow as pa

SUNDAY = 7


def iso_week(dates: pd.Series) -> pd.Series:
    """Return the ISO 8601 week of each day, written ``2031-W05``.

    Parameters
    ----------
    dates : pandas.Series of datetime64, shape (n,)

    Returns
    -------
    pandas.Series of str, shape (n,)
    """
    parts = dates.dt.isocalendar()
    year = parts["year"].astype("int64").astype("str")
    week = parts["week"].astype("int64").astype("str").str.zfill(2)
    return year + "-W" + week


def week_start(week: str) -> pd.Timestamp:
    """Return the Monday of an ISO week written ``2031-W05``."""
    return pd.Timestamp.fromisocalendar(int(week[:4]), int(week[6:]), 1)


def open_days(seasons: pa.Table, holidays: pa.Table) -> pd.DataFrame:
    """Return every open day of every area.

    Parameters
    ----------
    seasons, holidays : pyarrow.Table
        In their schemas.

    Returns
    -------
    pandas.DataFrame
        ``season, area, date, weekday, week, day_group, design``, one row an open day;
        `day_group` is the index of the group in `day_groups`, -1 where no group holds the day.
        A holiday belongs to the group of day 7 but is open only if its own weekday is.
    """
    rows = seasons.to_pandas()
    defaults = {column.name: column.default for column in TABLES["seasons"].columns}
    for name in ("open_weekdays", "day_groups", "design"):
        rows[name] = rows[name].fillna(defaults[name])
    rows["date"] = [
        pd.date_range(opens, closes)
        for opens, closes in zip(rows["open_date"], rows["close_date"], strict=True)
    ]
    days = rows.explode("date").dropna(subset=["date"])
    days["date"] = pd.to_datetime(days["date"])
    days["weekday"] = days["date"].dt.isocalendar()["day"].astype("int64")
    is_open = [
        str(weekday) in weekdays
        for weekday, weekdays in zip(days["weekday"], days["open_weekdays"], strict=True)
    ]
    days = days[np.array(is_open, dtype=bool)]
    holiday_dates = pd.to_datetime(holidays["date"].to_pandas())
    grouped_as = days["weekday"].mask(days["date"].isin(holiday_dates), SUNDAY)
    days["day_group"] = [
        _group_of(weekday, groups)
        for weekday, groups in zip(grouped_as, days["day_groups"], strict=True)
    ]
    days["week"] = iso_week(days["date"])
    columns = ["season", "area", "date", "weekday", "week", "day_group", "design"]
    return days[columns].reset_index(drop=True)


def _group_of(weekday: int, groups: str) -> int:
    for index, digits in enumerate(groups.split("|")):
        if str(weekday) in digits:
            return index
    return -1

"""The calendar of a season: open days, day groups, hours of daylight; and trips on its days."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.data.schema import TABLES
from analytics.errors import UsageError
from analytics.weeks import iso_week

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pyarrow as pa

    from analytics.data.query import Relation, Source
    from analytics.data.snapshot import Snapshot

SUNDAY = 7
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def open_days(seasons: pa.Table, holidays: pa.Table) -> pd.DataFrame:
    """Return every open day of every area.

    Parameters
    ----------
    seasons, holidays : pyarrow.Table
        In their schemas.

    Returns
    -------
    pandas.DataFrame
        ``season, area, date, weekday, week, day_group, group_digits, design``, one row an open
        day; `day_group` is the index of the group in `day_groups` and `group_digits` its weekday
        digits, -1 and empty where no group holds the day.
        A holiday belongs to the group of day 7 but is open only if its own weekday is.
    """
    rows, named = seasons.to_pandas(), holidays.to_pandas()
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
    holiday_dates = pd.to_datetime(named["date"])
    grouped_as = days["weekday"].mask(days["date"].isin(holiday_dates), SUNDAY)
    found = [
        _group_of(weekday, groups)
        for weekday, groups in zip(grouped_as, days["day_groups"], strict=True)
    ]
    days["day_group"] = [index for index, _ in found]
    days["group_digits"] = [digits for _, digits in found]
    days["week"] = iso_week(days["date"])
    columns = ["season", "area", "date", "weekday", "week", "day_group", "group_digits", "design"]
    listed: pd.DataFrame = days[columns]
    return listed.reset_index(drop=True)


def daylight_hours(latitude: float, day: pd.Timestamp) -> float:
    """Return the hours from sunrise to sunset at a latitude in degrees.

    Raises
    ------
    UsageError
        Where the sun does not rise or set that day.
    """
    from astral import Observer  # noqa: PLC0415 - only effort from counts asks for it
    from astral.sun import daylight  # noqa: PLC0415

    try:
        # At longitude 0 sunrise and sunset fall on the same day of universal time.
        rise, fall = daylight(Observer(latitude, 0.0), day.date())
    except ValueError:
        raise UsageError(
            f"on {day:%Y-%m-%d} the sun does not rise and set at latitude {latitude:g}: state the "
            "hours of the fishing day"
        ) from None
    return (fall - rise).total_seconds() / 3600


def weekday_words(digits: str, names: Sequence[str] = _WEEKDAYS) -> str:
    """Return weekday digits as words, runs joined: ``12345`` gives ``Mon–Fri``.

    `names` are those of the seven days from Monday on. What is no weekday digit is left out: rows
    under check may hold anything.
    """
    runs: list[list[int]] = []
    for day in sorted({int(digit) for digit in digits if digit in "1234567"}):
        if runs and day == runs[-1][-1] + 1:
            runs[-1].append(day)
        else:
            runs.append([day])
    ends = [(names[run[0] - 1], names[run[-1] - 1]) for run in runs]
    return ", ".join(first if first == last else f"{first}–{last}" for first, last in ends)


def _group_of(weekday: int, groups: str) -> tuple[int, str]:
    for index, digits in enumerate(groups.split("|")):
        if str(weekday) in digits:
            return index, digits
    return -1, ""


# The days of a run, and its trips in their place and day: made once for a snapshot.

#: Interviews with ``at_site, on_day`` and, of their site-day, ``is_sampled, tide_range_m``.
_TRIPS = """
SELECT i.*, coalesce(d.site, i.site) AS at_site, coalesce(d.date, i.date) AS on_day,
    d.sample_id IS NOT NULL AS is_sampled, d.tide_range_m
FROM interviews i LEFT JOIN site_days d ON d.sample_id = i.sample_id
"""
#: Trips on a day in an opening of their landing area: ``landing_area, season, design``, too.
_LANDED_TRIPS = """
SELECT t.*, s.area AS landing_area, q.season, q.design
FROM trips t JOIN sites s ON s.site = t.at_site
JOIN seasons q ON q.area = s.area AND t.on_day BETWEEN q.open_date AND q.close_date
"""


def season_days(
    snapshot: Snapshot, season: str | None = None, through: str | None = None
) -> pd.DataFrame:
    """Return the open days of a snapshot, made at their first use.

    Parameters
    ----------
    snapshot : Snapshot
    season : str, optional
        Of one season only.
    through : str, optional
        Last ISO week.

    Returns
    -------
    pandas.DataFrame
        As `open_days`.
    """
    days: pd.DataFrame = snapshot.once(
        "calendar", lambda: open_days(snapshot["seasons"], snapshot["holidays"])
    )
    if season is not None:
        days = days[days["season"] == season]
    if through is not None:
        days = days[days["week"] <= through]
    return days.copy()


def trip_tables(snapshot: Snapshot, *, interviews: Source | None = None) -> dict[str, Relation]:
    """Return what a query needs to place trips: tables, and the views over them.

    Parameters
    ----------
    snapshot : Snapshot
    interviews : pyarrow.Table or ParquetRows, optional
        In the place of those of the snapshot.

    Returns
    -------
    dict of str to (pyarrow.Table or ParquetRows or str)
        ``interviews, site_days, sites, seasons`` and the views ``trips`` and ``landed_trips``.
    """
    tables: dict[str, Relation] = {
        name: snapshot[name] for name in ("site_days", "sites", "seasons")
    }
    tables["interviews"] = snapshot.source("interviews") if interviews is None else interviews
    return tables | {"trips": _TRIPS, "landed_trips": _LANDED_TRIPS}

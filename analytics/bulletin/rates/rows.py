"""The rows of the regressions: one a complete boat trip that was interviewed."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from astral import moon

from analytics.data import sql
from analytics.data.calendar import daylight_hours, open_days
from analytics.errors import WrongUse
from analytics.weeks import iso_week, week_number

if TYPE_CHECKING:
    from analytics.data.snapshot import Snapshot

#: A factor's level where the form says nothing.
NOT_TOLD = "not told"
#: Days between two new moons, in the reckoning of the phase.
_LUNATION = 28.0
#: Trips that landed in an opening of the season and gave every number. Interviews without a
#: site-day count where their landing area is one of convenience, as in the survey.
_TRIPS = """
WITH placed AS (
    SELECT i.*, coalesce(d.site, i.site) AS at_site, coalesce(d.date, i.date) AS on_day,
           d.sample_id IS NOT NULL AS is_drawn, d.tide_range_m
    FROM interviews i
    LEFT JOIN (SELECT sample_id, site, date, tide_range_m FROM site_days) d
    ON d.sample_id = i.sample_id)
SELECT p.interview_id, coalesce(p.sample_id, concat(p.at_site, ' ', p.on_day)) AS sample_id,
       p.area, s.area AS landing_area, p.at_site AS site, CAST(p.on_day AS TIMESTAMP) AS date,
       coalesce(p.method, $not_told) AS method, CAST(p.anglers AS DOUBLE) AS party,
       CAST(p.kept AS BIGINT) AS kept, CAST(p.released_sublegal AS BIGINT) AS sublegal,
       CAST(p.kept + p.released_legal + p.released_sublegal + coalesce(p.released_unknown, 0)
            AS BIGINT) AS encounters,
       CAST(p.anglers * p.hours_fished AS DOUBLE) AS angler_hours, p.tide_range_m
FROM placed p JOIN sites s ON s.site = p.at_site
WHERE coalesce(p.trip_complete, true) AND p.area IS NOT NULL AND p.anglers * p.hours_fished > 0
  AND p.kept + p.released_legal + p.released_sublegal IS NOT NULL
  AND EXISTS (SELECT 1 FROM seasons q
              WHERE q.season = $season AND q.area = s.area
                AND p.on_day BETWEEN q.open_date AND q.close_date
                AND (p.is_drawn OR q.design = 'opportunistic'))
ORDER BY p.interview_id
"""


def model_rows(snapshot: Snapshot, *, season: str, through: str) -> pd.DataFrame:
    """Return the trips of a season through a week, as the regressions take them.

    Parameters
    ----------
    snapshot : Snapshot
    season : str
    through : str
        Last ISO week.

    Returns
    -------
    pandas.DataFrame
        One row a complete trip with every number given and some effort, by `interview_id`:
        ``interview_id, sample_id`` (the site-day, in words where none was drawn), ``area``
        (fished), ``landing_area, site, date, method, party`` (anglers), ``kept, sublegal``,
        ``encounters, angler_hours, week, week_number`` (0 in the season's first open week),
        ``day_group`` (its place among the area's groups from 1, or ``none``), ``daylight_hours``
        (NaN where no site has a latitude), ``moon`` (lit part of the disc) and ``tide_range_m``
        (NaN where the site-day does not tell it).
    """
    tables: dict[str, sql.Source] = {
        name: snapshot[name] for name in ("site_days", "sites", "seasons")
    }
    tables["interviews"] = snapshot.source("interviews")
    found = sql.run(_TRIPS, tables, {"season": season, "not_told": NOT_TOLD}).to_pandas()
    found["date"] = pd.to_datetime(found["date"])
    found["week"] = iso_week(found["date"])
    found = found[found["week"] <= through].reset_index(drop=True)
    days = open_days(snapshot["seasons"], snapshot["holidays"])
    days = days[days["season"] == season]
    found["week_number"] = week_numbers(found["week"], first=days["week"].min())
    found["day_group"] = _day_groups(found, days)
    return _sky(found, snapshot["sites"]["latitude"].to_pandas())


def week_numbers(weeks: pd.Series, *, first: str) -> pd.Series:
    """Return whole weeks since a first one, as floats, closures counted."""
    if weeks.empty:
        return weeks.astype(np.float64)
    number = {week: week_number(week) - week_number(first) for week in weeks.unique()}
    return weeks.map(number).astype(np.float64)


def _day_groups(rows: pd.DataFrame, days: pd.DataFrame) -> pd.Series:
    listed = days.drop_duplicates(["area", "date"])[["area", "date", "day_group"]]
    listed = listed.rename(columns={"area": "landing_area"})
    listed["date"] = listed["date"].astype(rows["date"].dtype)
    joined = rows[["landing_area", "date"]].merge(listed, on=["landing_area", "date"], how="left")
    number = joined["day_group"].fillna(-1).astype(np.int64)
    words: pd.Series = (number + 1).astype(str).mask(number < 0, "none")
    return words


def _sky(rows: pd.DataFrame, latitudes: pd.Series) -> pd.DataFrame:
    """Return the rows with hours of daylight and the lit part of the moon, once for each day."""
    days = rows["date"].drop_duplicates()
    latitude = float(latitudes.mean())
    light = {day: _daylight(latitude, day) for day in days}
    lit = {
        day: (1 - math.cos(2 * math.pi * moon.phase(day.date()) / _LUNATION)) / 2 for day in days
    }
    return rows.assign(
        daylight_hours=rows["date"].map(light).astype(np.float64),
        moon=rows["date"].map(lit).astype(np.float64),
    )


def _daylight(latitude: float, day: pd.Timestamp) -> float:
    if math.isnan(latitude):
        return math.nan
    try:
        return daylight_hours(latitude, day)
    except WrongUse:
        return math.nan

"""The calendar of a season: open days, day groups, hours of daylight; and trips on its days."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow.compute as pc

from analytics.data.schema import TABLES
from analytics.errors import UsageError
from analytics.weeks import days_from, iso_week, weekday_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pyarrow as pa

    from analytics.data.query import Relation, Source
    from analytics.data.snapshot import Snapshot

SUNDAY = 7
_WEEK = range(1, SUNDAY + 1)
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def with_weekdays(openings: pa.Table) -> pa.Table:
    """Return openings with the default of their open weekdays where none are given."""
    default = next(one.default for one in TABLES["seasons"].columns if one.name == "open_weekdays")
    at = openings.schema.get_field_index("open_weekdays")
    filled = pc.fill_null(openings["open_weekdays"], default)
    return openings.set_column(at, openings.schema.field(at), filled)


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
    pairs = zip(rows["open_date"], rows["close_date"], strict=True)
    each = [days_from(first, max((last - first).days + 1, 0)) for first, last in pairs]
    date = np.concatenate([np.empty(0, "datetime64[D]"), *each])
    row, weekday = np.repeat(np.arange(len(rows)), list(map(len, each))), weekday_of(date)
    is_named = np.isin(date, named["date"].to_numpy("datetime64[D]"))
    # What a row says of each weekday is looked at once.
    opened = [[str(one) in words for one in _WEEK] for words in rows["open_weekdays"]]
    groups = [[_group_of(one, words) for one in _WEEK] for words in rows["day_groups"]]
    keep = np.array(opened, dtype=bool).reshape(-1, SUNDAY)[row, weekday - 1]
    row, weekday, date, is_named = (one[keep] for one in (row, weekday, date, is_named))
    grouped_as = np.where(is_named, SUNDAY, weekday)
    found = [groups[at][one - 1] for at, one in zip(row.tolist(), grouped_as.tolist(), strict=True)]
    days = rows.iloc[row].assign(
        date=date.astype("datetime64[s]"),
        weekday=weekday,
        day_group=np.array([index for index, _ in found], dtype=np.int64),
        group_digits=pd.array([digits for _, digits in found], dtype="str"),
    )
    days["week"] = iso_week(days["date"])
    columns = ["season", "area", "date", "weekday", "week", "day_group", "group_digits", "design"]
    listed: pd.DataFrame = days[columns]
    return listed.reset_index(drop=True)


@lru_cache(maxsize=10_000)
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

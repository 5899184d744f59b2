"""From a sound's settings to its reference tables and to the frame of one season."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.data.calendar import open_days
from analytics.data.schema import TABLES
from analytics.weeks import days_from, week_of_days, weekday_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.arrays import Bools, Ints
    from analytics.simulation.scenario import Opening, Season, Sound

_FRIDAY = 5


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """Every (ramp, open day) of one season: U units, D calendar days, A areas.

    By unit, shape (U,): index of its ramp, day and stratum (landing area × ISO week × day group);
    by stratum, (H,): its day group. By calendar day from the first open day to the last, (D,):
    `dates`, ISO `week`, `week_index` (weeks since the first), `kind` (0 weekday, 1 Friday, 2
    weekend or holiday). By area and day, (A, D): `is_open`, `mark_selective`, and `daily_limit`,
    the Chinook an angler may keep (0 where closed).
    """

    season: str
    site: Ints
    day: Ints
    stratum: Ints
    stratum_group: Ints
    dates: NDArray[np.datetime64]
    week: NDArray[np.str_]
    week_index: Ints
    kind: Ints
    is_open: Bools
    mark_selective: Bools
    daily_limit: Ints

    @property
    def weeks(self) -> list[str]:
        """The ISO weeks of the season, in order."""
        return [str(week) for week in np.unique(self.week)]


def reference_tables(sound: Sound) -> dict[str, pa.Table]:
    """Return areas, sites, seasons and holidays of a sound, in the schemas of their tables."""
    areas = [{"area": area.area, "area_name": area.name} for area in sound.areas]
    sites = [
        {
            "site": ramp.site,
            "site_name": ramp.name,
            "area": ramp.area,
            "longitude": ramp.longitude,
            "latitude": ramp.latitude,
            "draw_weight": ramp.weekend_boats,
        }
        for ramp in sound.ramps
    ]
    seasons = [
        _opening_row(sound, season, area.area, opening)
        for season in sound.seasons
        for area in sound.areas
        for opening in area.openings
    ]
    holidays = [row for season in sound.seasons for row in _holidays(season.year)]
    rows: dict[str, list[dict[str, Any]]] = {
        "areas": areas,
        "sites": sites,
        "seasons": seasons,
        "holidays": holidays,
    }
    return {name: table_of(name, found) for name, found in rows.items()}


def table_of(name: str, rows: list[dict[str, Any]]) -> pa.Table:
    """Return rows of one input table in its Arrow schema; a missing key is null."""
    return pa.Table.from_pylist(rows, schema=TABLES[name].arrow_schema)


def season_frame(sound: Sound, season: str) -> Frame:
    """Build the frame of one season from the same calendar that the estimators use."""
    tables = reference_tables(sound)
    mine = tables["seasons"].filter(pc.equal(tables["seasons"]["season"], season))
    days = open_days(mine, tables["holidays"])
    first, last = days["date"].min(), days["date"].max()
    dates = days_from(first.date(), (last - first).days + 1)
    days["day"] = (days["date"] - first).dt.days
    codes = {ramp.site: index for index, ramp in enumerate(sound.ramps)}
    ramps = tables["sites"].to_pandas()[["site", "area"]]
    units = days.merge(ramps, on="area").sort_values(["day", "site"], kind="stable")
    groups = units.groupby(["area", "week", "day_group"])
    return Frame(
        season=season,
        site=np.asarray(units["site"].map(codes), dtype=np.int64),
        day=units["day"].to_numpy(np.int64),
        stratum=np.asarray(groups.ngroup(), dtype=np.int64),
        stratum_group=groups["day_group"].first().to_numpy(np.int64),
        dates=dates,
        week=np.array(week_of_days(dates)),
        week_index=_week_index(dates),
        kind=_kinds(dates, tables["holidays"]),
        **_rules(sound, mine, days, len(dates)),
    )


def _opening_row(sound: Sound, season: Season, area: str, opening: Opening) -> dict[str, Any]:
    return {
        "season": season.season,
        "area": area,
        "open_date": _on(season.year, opening.start),
        "close_date": _on(season.year, opening.end),
        "open_weekdays": opening.weekdays,
        "day_groups": opening.day_groups,
        "design": opening.design,
        "min_length_mm": sound.min_length_mm,
        "daily_limit_fish": opening.daily_limit_fish,
        "mark_selective": opening.mark_selective,
    }


def _on(year: int, month_day: tuple[int, int]) -> date:
    month, day = month_day
    return date(year if month >= 7 else year + 1, month, day)


def _holidays(year: int) -> list[dict[str, Any]]:
    """Return the invented sound's four holidays of one season."""
    november, february = date(year, 11, 1), date(year + 1, 2, 1)
    fourth_thursday = november + timedelta(days=(3 - november.weekday()) % 7 + 21)
    third_monday = february + timedelta(days=-february.weekday() % 7 + 14)
    return [
        {"date": fourth_thursday, "holiday": "Late-autumn holiday"},
        {"date": date(year, 12, 25), "holiday": "Midwinter holiday"},
        {"date": date(year + 1, 1, 1), "holiday": "New year"},
        {"date": third_monday, "holiday": "Late-winter holiday"},
    ]


def _week_index(dates: NDArray[np.datetime64]) -> Ints:
    monday = dates[0] - np.timedelta64(dates[0].astype(object).weekday(), "D")
    since: Ints = (dates - monday).astype(np.int64)
    return since // 7


def _kinds(dates: NDArray[np.datetime64], holidays: pa.Table) -> Ints:
    weekday = weekday_of(dates)
    festive = np.isin(dates, holidays["date"].to_numpy().astype("M8[D]"))
    return np.where((weekday > _FRIDAY) | festive, 2, np.where(weekday == _FRIDAY, 1, 0))


def _rules(sound: Sound, seasons: pa.Table, days: Any, n_days: int) -> dict[str, NDArray[Any]]:
    """Return what is open, limited and mark-selective by area and day."""
    shape = (len(sound.areas), n_days)
    is_open, selective = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    limit = np.zeros(shape, dtype=np.int64)
    codes = {area: index for index, area in enumerate(sound.area_ids)}
    is_open[days["area"].map(codes), days["day"]] = True
    first = days["date"].min().date()
    for row in seasons.to_pylist():
        area = codes[row["area"]]
        stretch = slice((row["open_date"] - first).days, (row["close_date"] - first).days + 1)
        limit[area, stretch] = row["daily_limit_fish"]
        selective[area, stretch] = row["mark_selective"]
    return {
        "is_open": is_open,
        "mark_selective": selective & is_open,
        "daily_limit": limit * is_open,
    }

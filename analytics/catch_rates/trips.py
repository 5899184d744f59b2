"""The rows of the regressions: one a complete boat trip that was interviewed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from astral import moon

from analytics.codes import coded, join_codes
from analytics.data import query
from analytics.data.calendar import daylight_hours, season_days, trip_tables
from analytics.errors import UsageError
from analytics.weeks import iso_week, week_number

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analytics.data.snapshot import Snapshot


#: A factor's level where the form says nothing.
NOT_REPORTED = "not reported"
#: Days between two new moons, by the formula of the phase.
_LUNATION = 28.0
#: Trips that landed in an opening of the season and gave every number. Interviews without a
#: site-day count where their landing area is one of convenience, as in the survey.
_COMPLETE_TRIPS = """
SELECT interview_id, coalesce(sample_id, concat(at_site, ' ', on_day)) AS sample_id,
    area, landing_area, at_site AS site, CAST(on_day AS TIMESTAMP) AS date,
    coalesce(method, $not_reported) AS method, CAST(anglers AS DOUBLE) AS party,
    CAST(kept AS BIGINT) AS kept, CAST(released_sublegal AS BIGINT) AS sublegal,
    CAST(kept + released_legal + released_sublegal + coalesce(released_unknown, 0)
        AS BIGINT) AS encounters,
    CAST(anglers * hours_fished AS DOUBLE) AS angler_hours, tide_range_m
FROM landed_trips
WHERE season = $season AND (is_sampled OR design = 'opportunistic')
    AND coalesce(trip_complete, true) AND area IS NOT NULL AND anglers * hours_fished > 0
    AND kept + released_legal + released_sublegal IS NOT NULL
ORDER BY interview_id
"""


def model_rows(
    snapshot: Snapshot, *, season: str, through: str, has_daylight: bool = True
) -> pd.DataFrame:
    """Return the trips of a season through a week, as the regressions take them.

    One row a complete trip with every number given and some effort, by `interview_id`:
    ``interview_id, sample_id`` (the site-day, in words where none was sampled), ``area`` (fished),
    ``landing_area, site, date, method, party`` (anglers), ``kept, sublegal``, ``encounters,
    angler_hours, week, week_number`` (0 in the season's first open week), ``day_group`` (its place
    among the area's groups from 1, or ``none``), ``daylight_hours`` (NaN where no site has a
    latitude), ``moon`` (lit part of the disc) and ``tide_range_m`` (NaN where not known).
    `has_daylight`: whether its hours are worked out; a level of every area and week holds them.
    """
    given = {"season": season, "not_reported": NOT_REPORTED}
    found = query.run(_COMPLETE_TRIPS, trip_tables(snapshot), given).to_pandas()
    found["date"] = pd.to_datetime(found["date"])
    found["week"] = iso_week(found["date"])
    found = found[found["week"] <= through].reset_index(drop=True)
    days = season_days(snapshot, season)
    found["week_number"] = week_numbers(found["week"], first=days["week"].min())
    found["day_group"] = _day_groups(found, days)
    latitude = float(snapshot["sites"]["latitude"].to_pandas().mean())
    return _sky(found, latitude if has_daylight else math.nan)


def week_numbers(weeks: pd.Series, *, first: str) -> pd.Series:
    """Return weeks since a first one, as floats, closures counted."""
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


def _sky(rows: pd.DataFrame, latitude: float) -> pd.DataFrame:
    """Return the rows with hours of daylight and the lit part of the moon, once for each day."""
    days = rows["date"].drop_duplicates()
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
    except UsageError:
        return math.nan


# What a regression of one response is fitted to: its trips, its terms, and what was left out.

#: Responses: the first two per angler-hour, the last a share of encounters.
RESPONSES = ("encounters", "kept", "sublegal")
SHARE, TRIALS, EXPOSURE, CLUSTER = "sublegal", "encounters", "angler_hours", "sample_id"
UNITS = dict.fromkeys(RESPONSES, "fish per angler-hour") | {SHARE: "1"}
#: Factors beside area and week.
FACTORS = ("method", "day_group", "site")
#: Terms beside them where no candidate says otherwise.
USUAL = ("method", "day_group", "party")
#: Every term that can stand beside a level.
BESIDE = (*FACTORS, "party", "moon", "tide_range_m")
CELL = "area_week"


@dataclass(frozen=True, slots=True, eq=False)
class ResponseTrips:
    """Trips of one response, with `CELL`; levels of factors without a fish joined to another.

    - `reasons`: code for an area and week (None: all areas) without a fish, or with fish of one
      kind.
    - `joined`: by factor: levels and what they were joined to.
    - `none`: code why nothing at all can be modelled; empty where something can.
    """

    response: str
    frame: pd.DataFrame
    reasons: Mapping[tuple[str | None, str | None], str]
    joined: Mapping[str, Mapping[str, str]]
    none: str = ""

    @property
    def is_share(self) -> bool:
        """Whether the response is a share."""
        return self.response == SHARE

    @property
    def joining(self) -> str:
        """Which levels were joined, as codes; empty where none was."""
        return join_codes(
            coded("level_joined", factor=factor, levels=levels, base=next(iter(levels.values())))
            for factor, levels in self.joined.items()
            if levels
        )


def fitted(rows: pd.DataFrame, response: str) -> ResponseTrips:
    """Return the trips of `model_rows` for one response, those of a share that met a fish."""
    frame = rows.assign(**{CELL: rows["area"] + " " + rows["week"]})
    if response == SHARE:
        frame = frame[frame[TRIALS] > 0]
    reasons = _reasons(frame, response)
    none = _none(frame, response)
    joined: dict[str, dict[str, str]] = {}
    for factor in FACTORS:
        joined[factor] = {} if none else _joined(frame, factor, response)
        frame = frame.assign(**{factor: frame[factor].replace(joined[factor])})
    return ResponseTrips(response, frame, reasons, joined, none)


def _reasons(frame: pd.DataFrame, response: str) -> dict[tuple[str | None, str | None], str]:
    """Return what is to be said of areas and weeks, and of weeks, with no fish or one kind."""
    found: dict[tuple[str | None, str | None], str] = {}
    for by in (["area", "week"], ["week"]):
        for key, *sums in _sums(frame, by, response).itertuples():
            if said := _reason(response, *map(int, sums)):
                found[key if isinstance(key, tuple) else (None, key)] = said
    return found


def _reason(response: str, fish: int, met: int, trips: int) -> str:
    """Return what is to be said of trips without a fish, or with fish of one kind; else empty."""
    if response == SHARE and fish in (0, met):
        return coded("all_sublegal" if fish else "none_sublegal", n=met)
    return "" if fish else coded("no_fish_in_trips", trips=trips)


def no_trip(response: str) -> str:
    """Return the code that no trip says anything of a response."""
    return coded("no_complete_trip_with_fish" if response == SHARE else "no_complete_trip")


def _none(frame: pd.DataFrame, response: str) -> str:
    """Return why no level of any area and week can be given."""
    if frame.empty:
        return no_trip(response)
    return _reason(response, int(frame[response].sum()), int(frame[TRIALS].sum()), len(frame))


def base_terms(frame: pd.DataFrame) -> tuple[str, ...]:
    """Return the usual terms: areas, a smooth of the week, and how was fished."""
    return (*smooth_terms(frame), *(name for name in USUAL if varies(frame, name)))


def smooth_terms(frame: pd.DataFrame) -> tuple[str, ...]:
    """Return areas and a smooth of the week, with a slope of each area's own, as weeks allow."""
    n_weeks = frame["week_number"].nunique()
    n_areas = frame["area"].nunique() if "area" in frame else 1
    terms = ["area"] if n_areas > 1 else []
    size = min(5, n_weeks - 2)
    if size >= 2:
        terms.append(f"week_number~{size}")
        if n_areas > 1 and n_weeks >= 8:
            terms.append("area:week_number")
    elif n_weeks > 1:
        terms.append("week_number")
    return tuple(terms)


def terms_over(terms: tuple[str, ...], frame: pd.DataFrame) -> tuple[str, ...]:
    """Return the terms that fewer weeks can bear: smooth sized anew, columns that vary."""
    is_smooth = [one.startswith(("area", "week_number")) for one in terms]
    has_slopes = any(one.startswith("area:") for one in terms)
    smooth = [one for one in smooth_terms(frame) if has_slopes or not one.startswith("area:")]
    others = (one for one, skip in zip(terms, is_smooth, strict=True) if not skip)
    return (*smooth, *(one for one in others if varies(frame, one)))


def varies(frame: pd.DataFrame, name: str) -> bool:
    """Return whether a column is given in every row and has two values or more."""
    column = frame[name]
    return bool(column.notna().all() and len(column.unique()) > 1)


def beside(frame: pd.DataFrame, terms: tuple[str, ...]) -> tuple[str, ...]:
    """Return the terms that stay beside a level of every area and week (it holds daylight)."""
    return tuple(one for one in BESIDE if one in terms and varies(frame, one))


def _joined(frame: pd.DataFrame, factor: str, response: str) -> dict[str, str]:
    """Return the levels of a factor that no effect can be given of, each with what it joins."""
    sums = _sums(frame, [factor], response)
    empty = sums["fish"] == 0
    if response == SHARE:
        empty |= sums["fish"] == sums["met"]
    if empty.all() or not empty.any():
        return {}
    levels = np.array(sums.index, dtype=object)
    base = str(levels[~empty.to_numpy()][0])
    return {str(level): base for level in levels[empty.to_numpy()]}


def _sums(frame: pd.DataFrame, by: list[str], response: str) -> pd.DataFrame:
    """Return fish, encounters and trips of every level, in sorting order."""
    factors = [pd.factorize(frame[name], sort=True) for name in by]
    shape = [len(levels) for _, levels in factors]
    place = np.ravel_multi_index([codes for codes, _ in factors], shape)
    trips = np.bincount(place, minlength=math.prod(shape))
    there = np.flatnonzero(trips)
    columns = {"fish": response, "met": TRIALS}
    sums = {name: np.bincount(place, frame[one].to_numpy())[there] for name, one in columns.items()}
    at = np.unravel_index(there, shape)
    known = [levels[codes] for (_, levels), codes in zip(factors, at, strict=True)]
    index = known[0] if len(by) == 1 else pd.MultiIndex.from_arrays(known)
    return pd.DataFrame(sums | {"trips": trips[there]}, index=index)

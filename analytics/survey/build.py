"""Build the design of a season from its calendar and its site-days."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa

from analytics.data import query
from analytics.data.calendar import season_days, weekday_words
from analytics.errors import DataRejected, UsageError
from analytics.survey.design import DAY_SITE, Design, Strata
from analytics.survey.estimators import CONVENIENCE, clusters_of, convenience_interviews
from analytics.survey.sampling_frame import (
    calendar_frame,
    draw_sites,
    inclusion,
    join_frames,
    match_stated,
    prorate,
    require_open,
    site_weights,
)
from analytics.weeks import iso_week, week_start

if TYPE_CHECKING:
    from analytics.arrays import Floats, Ints
    from analytics.data.snapshot import Snapshot


#: Areas fished where no boat lands: asked only if there are any, since most areas have a ramp.
_FISHED = (
    "SELECT DISTINCT area FROM interviews SEMI JOIN days USING (sample_id) "
    "WHERE area NOT IN (SELECT area FROM landing)"
)
_SAMPLED = (
    "SELECT DISTINCT s.area, d.date FROM site_days d JOIN sites s USING (site) "
    "WHERE d.boats_returned IS NOT NULL"
)


def seasons_with_data(snapshot: Snapshot) -> list[str]:
    """Return the seasons that have a site-day with a boat count or an interview, oldest first."""
    days = season_days(snapshot)
    tables = {name: snapshot[name] for name in ("site_days", "sites")}
    sampled = query.run(_SAMPLED, tables).to_pandas()
    sampled["date"] = pd.to_datetime(sampled["date"])
    sampled = sampled.merge(days, on=["area", "date"])
    if days["design"].eq(CONVENIENCE).any():
        sampled = pd.concat([sampled, clusters_of(convenience_interviews(snapshot))])
    named = sampled if len(sampled) else days
    first = named.groupby("season")["date"].min().sort_values(kind="stable")
    return [str(season) for season in first.index]


def seasons_before(snapshot: Snapshot, season: str) -> list[str]:
    """Return the past seasons with data of one's areas, oldest first; none where it has no data.

    One that is open beside it, or that shares no area with it, is no past season of it.
    """
    known = seasons_with_data(snapshot)
    before = known[: known.index(season)] if season in known else []
    opened = {
        name: days.groupby("area")["date"].agg(["min", "max"])
        for name, days in season_days(snapshot).groupby("season")
    }
    return [one for one in before if _is_past(opened[one], opened[season])]


def _is_past(one: pd.DataFrame, other: pd.DataFrame) -> bool:
    """Whether a season was over in the areas of another, of which it has one, as they opened.

    Each with the first and last open day, ``min`` and ``max``, of its areas.
    """
    areas = one.index.intersection(other.index)
    return bool(len(areas) and (one.loc[areas, "max"] < other.loc[areas, "min"]).all())


@dataclass(frozen=True, slots=True, eq=False)
class _SeasonRows:
    """What the designs of a season through any week are made of.

    - `days`: its open days. `sampled`: its site-days, those on closed days without a day group.
    - `frame`: units of the calendar, as from `calendar_frame`, but for areas of convenience.
    - `areas`: those open, sampled or fished.
    """

    days: pd.DataFrame
    sampled: pd.DataFrame
    frame: pd.DataFrame
    areas: frozenset[str]


def _season_rows(snapshot: Snapshot, season: str) -> _SeasonRows:
    return snapshot.once(("season rows", season), lambda: _rows_of(snapshot, season))


def _rows_of(snapshot: Snapshot, season: str) -> _SeasonRows:
    openings = snapshot["seasons"].to_pandas()
    openings = openings[openings["season"] == season]
    days = season_days(snapshot, season)
    located = snapshot.once("located site-days", lambda: _site_days(snapshot))
    groups = days[["area", "date", "day_group"]].drop_duplicates()
    sampled = _of_season(located, openings).merge(groups, on=["area", "date"], how="left")
    frame = calendar_frame(days[~days["design"].eq(CONVENIENCE)], snapshot)
    return _SeasonRows(days, sampled, frame, _area_codes(snapshot, openings, sampled))


def build_design(
    snapshot: Snapshot, *, season: str, through: str | None = None, met: pa.Table | None = None
) -> Design:
    """Build the design of a season from the calendar and the sampled site-days.

    The default stratum is landing area × ISO week × day group and its frame is every (site, open
    date) of it. Where the site-days of an area and season carry ``stratum`` or ``frame_site_days``,
    that area's frame is what they say and the calendar adds no stratum to it.

    Parameters
    ----------
    snapshot : Snapshot
        Input tables.
    season : str
        A season of the `seasons` table.
    through : str, optional
        Last ISO week; by default the last one with a site-day whose boats were counted, or where
        there is none with an interview of convenience.
    met : pyarrow.Table, optional
        Interviews of convenience, as from `analytics.survey.estimators.convenience_interviews`.

    Raises
    ------
    UsageError
        If the season is unknown, or has no site-day with a boat count up to `through`.
    DataRejected
        If a site-day lies on a day when its area is closed, or a part of the site-days of an area
        carries its stratum or frame.
    """
    seasons = set(snapshot["seasons"]["season"].to_pylist())
    if season not in seasons:
        known = ", ".join(sorted(seasons)) or "none"
        raise UsageError(f"no season {season!r} in the store; there are: {known}")
    rows = _season_rows(snapshot, season)
    clusters = clusters_of(met) if met else rows.sampled.iloc[:0]
    counted = rows.sampled.loc[rows.sampled["boats_returned"].notna(), "week"]
    seen = counted if len(counted) else clusters["week"]
    if seen.empty:
        raise UsageError(
            f"season {season} has no site-day whose boats were counted; import site_days with "
            "boats_returned first"
        )
    through = through or str(seen.max())
    _require_through(through, season, first=seen.min(), last=rows.days["week"].max())
    fished = set(met["area"].to_pylist()) if met else set()
    return _assemble(snapshot, season, through, rows=rows, fished=fished)


def week_frame(snapshot: Snapshot, *, season: str, week: str) -> pd.DataFrame:
    """Return the strata of a week by the calendar, areas of convenience left out.

    Returns
    -------
    pandas.DataFrame
        ``area, day_group, design, n_frame, weekdays, dates, sites, draw_probability``, by area and
        day group: open dates in order; sites, and their single-draw probabilities, which sum to 1.
    """
    days = season_days(snapshot, season)
    days = days[(days["week"] == week) & ~days["design"].eq(CONVENIENCE)]
    frame = calendar_frame(days, snapshot)
    keys = ["area", "day_group", "design"]
    dates = {key: sorted(rows) for key, rows in days.groupby(keys)["date"]}
    weights = site_weights(snapshot)
    frame["weekdays"] = [weekday_words(digits) for digits in frame["digits"]]
    frame["dates"] = [
        tuple(day.date() for day in dates[tuple(key)]) for key in frame[keys].to_numpy().tolist()
    ]
    sites = [sorted(weights[area].items()) for area in frame["area"]]
    frame["sites"] = [tuple(name for name, _ in some) for some in sites]
    frame["draw_probability"] = [
        tuple(weight / sum(one for _, one in some) for _, weight in some) for some in sites
    ]
    found: pd.DataFrame = frame.drop(columns=["week", "digits", "label"])
    return found.sort_values(keys, kind="stable", ignore_index=True)


def sampled_by_week(snapshot: Snapshot, *, season: str) -> pd.DataFrame:
    """Return ``area, week, day_group, date, site, boats_returned`` of counted site-days."""
    sampled = _season_rows(snapshot, season).sampled
    counted = sampled[sampled["boats_returned"].notna() & sampled["day_group"].notna()]
    found: pd.DataFrame = counted[["area", "week", "day_group", "date", "site", "boats_returned"]]
    return found


def _require_through(through: str, season: str, *, first: str, last: str) -> None:
    week_start(through)
    if through < first:
        raise UsageError(
            f"season {season} has no sampled site-day through {through}; its first is in {first}"
        )
    if through > max(last, first):
        raise UsageError(f"through {through}: the last open week of season {season} is {last}")


#: Site-days with the single-draw probability of their plan where they give none. An inclusion
#: probability is that of a whole sample: no weight follows from it without the joint ones.
_VISITS = ("site_days", "planned_site_days")
_VISITED = (
    "SELECT d.* REPLACE (coalesce(d.draw_probability, p.draw_probability) AS draw_probability) "
    "FROM site_days d LEFT JOIN planned_site_days p "
    "ON p.sample_id = d.sample_id AND p.site = d.site AND p.date = d.date"
)


def _site_days(snapshot: Snapshot) -> pd.DataFrame:
    """Return the site-days with the landing area and week of each."""
    rows = query.run(_VISITED, {name: snapshot[name] for name in _VISITS}).to_pandas()
    rows["date"] = pd.to_datetime(rows["date"])
    rows["week"] = iso_week(rows["date"])
    sites = snapshot["sites"].to_pandas()[["site", "area"]]
    located: pd.DataFrame = rows.merge(sites, on="site", how="left")
    return located.sort_values("sample_id", kind="stable")


def _of_season(sampled: pd.DataFrame, openings: pd.DataFrame) -> pd.DataFrame:
    """Return the site-days in an opening of their landing area, with its design."""
    mine = openings[["area", "open_date", "close_date", "design"]]
    joined = sampled.reset_index(drop=True).reset_index(names="_row").merge(mine, on="area")
    inside = (joined["date"] >= pd.to_datetime(joined["open_date"])) & (
        joined["date"] <= pd.to_datetime(joined["close_date"])
    )
    found = joined[inside].drop_duplicates("_row").sort_values("_row", kind="stable")
    found["design"] = found["design"].fillna("site_day")
    kept: pd.DataFrame = found.drop(columns=["_row", "open_date", "close_date"])
    return kept


def _assemble(
    snapshot: Snapshot, season: str, through: str, *, rows: _SeasonRows, fished: set[str]
) -> Design:
    days, sampled = rows.days[rows.days["week"] <= through], rows.sampled
    areas = tuple(sorted(rows.areas | fished))
    kept = sampled[~sampled["design"].eq(CONVENIENCE)]
    is_met = days["design"].eq(CONVENIENCE)
    stated_areas = _stated_areas(kept)
    calendar = rows.frame[rows.frame["week"] <= through]
    kept_so_far = kept[kept["week"] <= through]
    sampled = sampled[sampled["week"] <= through]
    if stated_areas:
        frame, units_of = _with_stated(
            snapshot, through, rows=rows, kept=kept, calendar=calendar, stated_areas=stated_areas
        )
    else:
        require_open(kept_so_far)
        frame, units_of = join_frames(calendar, kept_so_far, kept.iloc[:0])
    seen = (one["week"].unique() for one in (days, sampled, units_of))
    weeks = tuple(sorted(set().union(*seen)))
    units, site_days = draw_sites(units_of, _codes(units_of["week"], weeks), snapshot)
    grid = _cells_of(areas, weeks, days, sampled)
    drawn = _cells_of(areas, weeks, days[~is_met], kept_so_far)
    return Design(
        season=season,
        through=through,
        areas=areas,
        weeks=weeks,
        grid=grid,
        strata=_strata(frame, areas, weeks),
        units=units,
        site_days=site_days,
        no_design=grid - drawn,
        part_drawn=drawn & _cells_of(areas, weeks, days[is_met], sampled.iloc[:0]),
    )


def _with_stated(
    snapshot: Snapshot,
    through: str,
    *,
    rows: _SeasonRows,
    kept: pd.DataFrame,
    calendar: pd.DataFrame,
    stated_areas: set[str],
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return strata and site-days as `join_frames`, some areas with strata of the user."""
    last = max([through, *kept.loc[kept["boats_returned"].notna(), "week"]])
    # A stratum of the user may run on after `through`: all its units inform its variance.
    kept = kept[kept["area"].isin(stated_areas) | (kept["week"] <= through)]
    kept = kept.assign(day_group=kept["day_group"].where(kept["week"] <= through))
    is_stated = kept["area"].isin(stated_areas)
    on_calendar = kept[~is_stated]
    require_open(on_calendar)
    by_user = match_stated(kept[is_stated], calendar)
    past = prorate(by_user, rows.days, snapshot["sites"].to_pandas(), last)
    by_user = by_user.assign(n_frame=past, is_prorated=past < by_user["n_frame"])
    begins = by_user.groupby(["area", "label"])["week"].transform("min")
    calendar = calendar[~calendar["area"].isin(stated_areas)]
    return join_frames(calendar, on_calendar, by_user[begins <= through])


def _stated_areas(sampled: pd.DataFrame) -> set[str]:
    """Return the areas whose site-days carry their stratum or frame, all of them.

    Raises `DataRejected` where a part does: the calendar's other strata would be dropped.
    """
    stated = sampled["stratum"].notna() | sampled["frame_site_days"].notna()
    areas = set(sampled.loc[stated, "area"])
    others = sampled.loc[~stated & sampled["area"].isin(areas), "sample_id"]
    if len(others):
        some = ", ".join(others.head(5)) + (", …" if len(others) > 5 else "")
        raise DataRejected(
            f"{len(others)} site-days give neither stratum nor frame_site_days where others of "
            f"their area and season do: {some}; allowed: all of them or none; fill them in on "
            "every row"
        )
    return areas


def _cells_of(
    areas: tuple[str, ...], weeks: tuple[str, ...], days: pd.DataFrame, sampled: pd.DataFrame
) -> frozenset[tuple[int, int]]:
    """Return the codes (area, week) of open days and of site-days."""
    some = [
        _codes(r["area"], areas) * len(weeks) + _codes(r["week"], weeks) for r in (days, sampled)
    ]
    cells = np.unique(np.concatenate(some))
    return frozenset(divmod(cell, len(weeks)) for cell in cells.tolist())


def _area_codes(
    snapshot: Snapshot, openings: pd.DataFrame, sampled: pd.DataFrame
) -> frozenset[str]:
    landing = frozenset({*openings["area"], *sampled["area"].unique()})
    tables: dict[str, query.Source] = {"interviews": snapshot.source("interviews")}
    named = query.run("SELECT DISTINCT area FROM interviews WHERE area IS NOT NULL", tables)
    if landing.issuperset(named["area"].to_pylist()):
        return landing
    tables |= {
        "days": pa.table({"sample_id": pa.array(sampled["sample_id"], pa.string())}),
        "landing": pa.table({"area": pa.array(sorted(landing), pa.string())}),
    }
    return landing.union(query.run(_FISHED, tables)["area"].to_pylist())


def _strata(frame: pd.DataFrame, areas: tuple[str, ...], weeks: tuple[str, ...]) -> Strata:
    return Strata(
        label=tuple(frame["label"]),
        landing_area=_codes(frame["area"], areas),
        week=_codes(frame["week"], weeks),
        group=frame["day_group"].to_numpy(np.int64),
        n_frame=frame["n_frame"].to_numpy(np.float64),
        of_days=frame["design"].eq(DAY_SITE).to_numpy(dtype=bool),
        is_prorated=frame["is_prorated"].to_numpy(dtype=bool),
    )


def _codes(values: pd.Series, words: tuple[str, ...]) -> Ints:
    number, seen = pd.factorize(values)
    code = {word: place for place, word in enumerate(words)}
    return np.array([code[value] for value in seen], dtype=np.int64)[number]


def inclusion_of_sites(single: Floats, *, n_drawn: int) -> Floats:
    """Return the probability that each site of a day is among `n_drawn` drawn, shape (k,).

    Parameters
    ----------
    single : array, shape (k,)
        Single-draw probabilities, all over 0, that sum to 1.
    n_drawn : int
    """
    if n_drawn >= len(single):
        return np.ones(len(single))
    if n_drawn == 1:
        return single
    return inclusion(single, np.zeros(0), n_drawn=n_drawn)[0]

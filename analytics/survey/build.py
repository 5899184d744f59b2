"""Build the design of a season: from its site-days, and from boats counted on the water."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa

from analytics.arrays import Columns
from analytics.data import query
from analytics.data.calendar import daylight_hours, season_days, weekday_words
from analytics.errors import DataRejected, UsageError
from analytics.survey.design import (
    SITE_RULES,
    Design,
    SiteDays,
    SiteRule,
    Strata,
    StratumTreatment,
    Units,
    treat_thin_strata,
)
from analytics.survey.estimators import CONVENIENCE, clusters_of, convenience_interviews
from analytics.survey.site_selection import DAY_SITE, draw_sites
from analytics.survey.stated_frames import prorate
from analytics.survey.unit_totals import UnitTotals
from analytics.weeks import iso_week, week_start

if TYPE_CHECKING:
    from analytics.arrays import Floats, Ints
    from analytics.data.snapshot import Snapshot


# Frames of strata, counted from the calendar or stated by the user, and their units.

#: What makes a stratum of the calendar.
CELL = ["area", "week", "day_group", "design"]


def calendar_frame(days: pd.DataFrame, snapshot: Snapshot) -> pd.DataFrame:
    """Count the units of landing area × week × day group: (site, open date), or open dates."""
    sites = snapshot["sites"].to_pandas()
    n_sites = days["area"].map(sites.groupby("area").size()).fillna(0).astype("int64")
    units = days.assign(n_units=n_sites.where(days["design"] != "day_site", n_sites.clip(upper=1)))
    units = units[units["n_units"] > 0]
    cells = units.groupby(CELL, as_index=False)
    frame = cells.agg(n_frame=("n_units", "sum"), digits=("group_digits", "first"))
    frame["label"] = [
        f"{week} {weekday_words(digits)}"
        for week, digits in zip(frame["week"], frame["digits"], strict=True)
    ]
    return frame


def match_calendar(sampled: pd.DataFrame, days: pd.DataFrame) -> pd.DataFrame:
    """Give each site-day of a calendar frame its day group.

    Raises `DataRejected` if one lies on a day when its area is closed.
    """
    units = sampled.merge(days[["area", "date", "day_group"]], on=["area", "date"], how="left")
    closed = units[units["day_group"].isna()]
    if len(closed):
        first = closed.iloc[0]
        raise DataRejected(
            f"{len(closed)} site-days lie on days when their area is closed, the first "
            f"{first['sample_id']!r} on {first['date']:%Y-%m-%d} in {first['area']}; "
            "correct the site-day or the season's opening"
        )
    return units


def match_stated(sampled: pd.DataFrame, days: pd.DataFrame, snapshot: Snapshot) -> pd.DataFrame:
    """Give each site-day of a user-stated frame its stratum label and frame size."""
    units = sampled.merge(
        days[["area", "date", "day_group"]].drop_duplicates(), on=["area", "date"], how="left"
    )
    default = (
        units["week"] + " group " + units["day_group"].fillna(-1).astype("int64").astype("str")
    )
    units["label"] = units["stratum"].fillna(default)
    stated = units.groupby(["area", "label"])["frame_site_days"].transform("max")
    calendar = calendar_frame(days, snapshot).set_index(CELL)["n_frame"]
    units["n_frame"] = stated.astype("float64")
    for _, part in units[units["n_frame"].isna()].groupby(["area", "label"]):
        cells = pd.MultiIndex.from_frame(part[CELL].drop_duplicates())
        units.loc[part.index, "n_frame"] = float(calendar.reindex(cells).sum(skipna=False))
    return units


def join_frames(
    calendar: pd.DataFrame, on_calendar: pd.DataFrame, by_user: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the strata of both kinds, numbered, and the site-days with their numbers."""
    stated = by_user.groupby(["area", "label"], as_index=False).agg(
        week=("week", "min"),
        n_frame=("n_frame", "first"),
        design=("design", "first"),
        is_prorated=("is_prorated", "first"),
    )
    calendar = calendar.assign(is_prorated=False)
    frame = pd.concat([calendar, stated.assign(day_group=0)], ignore_index=True)
    frame["stratum_code"] = np.arange(len(frame))
    first = on_calendar.merge(frame.iloc[: len(calendar)][[*CELL, "stratum_code"]], on=CELL)
    keys = ["area", "label"]
    second = by_user.merge(frame.iloc[len(calendar) :][[*keys, "stratum_code"]], on=keys)
    rows = pd.concat([first, second], ignore_index=True)
    return frame, rows.sort_values("sample_id", kind="stable")


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
    openings = snapshot["seasons"].to_pandas()
    if season not in set(openings["season"]):
        known = ", ".join(sorted(set(openings["season"]))) or "none"
        raise UsageError(f"no season {season!r} in the store; there are: {known}")
    sampled = _of_season(_site_days(snapshot), openings, season)
    clusters = clusters_of(met) if met else sampled.iloc[:0]
    counted = sampled.loc[sampled["boats_returned"].notna(), "week"]
    seen = counted if len(counted) else clusters["week"]
    if seen.empty:
        raise UsageError(
            f"season {season} has no site-day whose boats were counted; import site_days with "
            "boats_returned first"
        )
    days = season_days(snapshot, season)
    through = through or str(seen.max())
    _require_through(through, season, first=seen.min(), last=days["week"].max())
    fished = set(met["area"].to_pylist()) if met else set()
    return _assemble(snapshot, season, through, days=days, sampled=sampled, fished=fished)


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


def _of_season(sampled: pd.DataFrame, openings: pd.DataFrame, season: str) -> pd.DataFrame:
    """Return the site-days in an opening of their landing area this season, with its design."""
    columns = ["area", "open_date", "close_date", "design"]
    mine = openings.loc[openings["season"] == season, columns]
    joined = sampled.reset_index(drop=True).reset_index(names="_row").merge(mine, on="area")
    inside = (joined["date"] >= pd.to_datetime(joined["open_date"])) & (
        joined["date"] <= pd.to_datetime(joined["close_date"])
    )
    found = joined[inside].drop_duplicates("_row").sort_values("_row", kind="stable")
    found["design"] = found["design"].fillna("site_day")
    kept: pd.DataFrame = found.drop(columns=["_row", "open_date", "close_date"])
    return kept


def _assemble(
    snapshot: Snapshot,
    season: str,
    through: str,
    *,
    days: pd.DataFrame,
    sampled: pd.DataFrame,
    fished: set[str],
) -> Design:
    whole, days = days, days[days["week"] <= through]
    openings = snapshot["seasons"].to_pandas()
    openings = openings[openings["season"] == season]
    areas = tuple(sorted({*_area_codes(snapshot, openings, sampled), *fished}))
    kept = sampled[~sampled["design"].eq(CONVENIENCE)]
    days_kept = days[~days["design"].eq(CONVENIENCE)]
    stated_areas = _stated_areas(kept)
    last = max([through, *kept.loc[kept["boats_returned"].notna(), "week"]])
    # A stratum of the user may run on after `through`: all its units inform its variance.
    kept = kept[kept["area"].isin(stated_areas) | (kept["week"] <= through)]
    sampled = sampled[sampled["week"] <= through]
    calendar = calendar_frame(days_kept[~days_kept["area"].isin(stated_areas)], snapshot)
    on_calendar = match_calendar(kept[~kept["area"].isin(stated_areas)], days_kept)
    by_user = match_stated(kept[kept["area"].isin(stated_areas)], days_kept, snapshot)
    past = prorate(by_user, whole, snapshot["sites"].to_pandas(), last)
    by_user = by_user.assign(n_frame=past, is_prorated=past < by_user["n_frame"])
    begins = by_user.groupby(["area", "label"])["week"].transform("min")
    frame, rows = join_frames(calendar, on_calendar, by_user[begins <= through])
    seen = (one["week"].unique() for one in (days, sampled, rows))
    weeks = tuple(sorted(set().union(*seen)))
    units, site_days = draw_sites(rows, _codes(rows["week"], weeks), snapshot)
    grid = _cells_of(areas, weeks, days, sampled)
    return Design(
        season=season,
        through=through,
        areas=areas,
        weeks=weeks,
        grid=grid,
        strata=_strata(frame, areas, weeks),
        units=units,
        site_days=site_days,
        no_design=grid - _cells_of(areas, weeks, days_kept, kept[kept["week"] <= through]),
    )


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
    columns = ["area", "week"]
    cells = pd.concat([days[columns], sampled[columns]]).drop_duplicates()
    pairs = zip(_codes(cells["area"], areas), _codes(cells["week"], weeks), strict=True)
    return frozenset((int(area), int(week)) for area, week in pairs)


def _area_codes(
    snapshot: Snapshot, openings: pd.DataFrame, sampled: pd.DataFrame
) -> tuple[str, ...]:
    landing = {*openings["area"], *sampled["area"].unique()}
    tables: dict[str, query.Source] = {"interviews": snapshot.source("interviews")}
    named = query.run("SELECT DISTINCT area FROM interviews WHERE area IS NOT NULL", tables)
    if landing.issuperset(named["area"].to_pylist()):
        return tuple(sorted(landing))
    tables |= {
        "days": pa.table({"sample_id": pa.array(sampled["sample_id"], pa.string())}),
        "landing": pa.table({"area": pa.array(sorted(landing), pa.string())}),
    }
    return tuple(sorted(landing.union(query.run(_FISHED, tables)["area"].to_pylist())))


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


# Effort from boats counted on the water: random instantaneous counts become boat-hours.

#: Hours of a fishing day that a user may state.
LONGEST_DAY = 24.0


@dataclass(frozen=True, slots=True, eq=False)
class Counted:
    """Counted days of a season.

    - `design`: its areas are those fished, its units (area, day), its codes those of the
      interviews' design; strata are area × ISO week × day group with open days as their frame.
    - `cells`: boat-hours of each counted day with the variance between its counts.
    - `days`: ``area, date, boat_hours`` of each unit.
    - `day_hours`: length of the fishing day, h; None where it is from sunrise to sunset.
    """

    design: Design
    cells: UnitTotals
    plan: StratumTreatment
    days: pd.DataFrame
    day_hours: float | None


def count_boats(snapshot: Snapshot, design: Design, *, day_hours: float | None = None) -> Counted:
    r"""Return boat-hours of every counted day of a design's season and weeks.

    With c̄ the mean of m counts at random moments of a fishing day of L hours, the day's boat-hours
    are ``L c̄`` with variance ``L² s²/m`` (Pollock, Jones & Brown 1994, Angler Survey Methods and
    Their Applications in Fisheries Management; from memory). Days are a simple random sample of
    the open days of their stratum. Where a day was counted once, its variance lies in that between
    days, which then get no finite term.

    Parameters
    ----------
    design : Design
        Of the interviews.
    day_hours : float, optional
        Hours of the fishing day over which the moments were drawn; by default from sunrise to
        sunset at the mean latitude of the area's sites.

    Raises
    ------
    UsageError
        If no count falls on an open day of the season, or the length of the day is not known.
    """
    if day_hours is not None and not 0 < day_hours <= LONGEST_DAY:
        raise UsageError(f"day hours {day_hours:g}; allowed: more than 0 and at most 24 hours")
    days = season_days(snapshot, design.season, design.through)
    counts = _counts(snapshot, days)
    if counts.empty:
        raise UsageError(
            f"season {design.season} has no boat count on an open day; import boat_counts, or take "
            "effort from interviews"
        )
    units = counts.groupby(["area", "date"], as_index=False).agg(
        n=("boats", "size"), mean=("boats", "mean"), s2=("boats", "var")
    )
    hours = _hours_of(snapshot, units, day_hours)
    units["week"] = iso_week(units["date"])
    units["boat_hours"] = hours * units["mean"]
    of_days, codes = _counted_strata(design, days, units)
    counted = _design(design, of_days, units, codes)
    variance = hours**2 * units["s2"] / units["n"]
    cells = _cells(counted, units, variance.fillna(0.0).to_numpy(np.float64))
    plan = treat_thin_strata(counted, np.ones(len(units), dtype=bool))
    return Counted(counted, cells, plan, units[["area", "date", "boat_hours"]], day_hours)


def _counts(snapshot: Snapshot, days: pd.DataFrame) -> pd.DataFrame:
    counts = snapshot["boat_counts"].select(["area", "date", "boats"]).to_pandas()
    counts["date"] = pd.to_datetime(counts["date"])
    counts = counts.dropna(subset=["boats"])
    on_open_days: pd.DataFrame = counts.merge(days[["area", "date"]], on=["area", "date"])
    return on_open_days


def _hours_of(snapshot: Snapshot, units: pd.DataFrame, day_hours: float | None) -> Floats:
    """Return the length of each counted day in hours, shape (U,)."""
    if day_hours is not None:
        return np.full(len(units), day_hours)
    latitude = snapshot["sites"].to_pandas().groupby("area")["latitude"].mean()
    lacking = sorted(set(units["area"]) - set(latitude.dropna().index))
    if lacking:
        raise UsageError(
            f"no site of area {lacking[0]} has a latitude, so the hours of its fishing day are not "
            "known: state the day's hours, or fill in the latitude of a site"
        )
    return np.array(
        [
            daylight_hours(float(latitude[area]), day)
            for area, day in zip(units["area"], units["date"], strict=True)
        ]
    )


def _counted_strata(design: Design, days: pd.DataFrame, units: pd.DataFrame) -> tuple[Strata, Ints]:
    """Return the strata of open days, and the stratum of each counted day."""
    keys = ["area", "week", "day_group"]
    known = days[days["area"].isin(design.areas)]
    frame = known.groupby(keys, as_index=False).agg(
        n_frame=("date", "size"), group_digits=("group_digits", "first")
    )
    index = pd.MultiIndex.from_frame(frame[keys])
    placed = match_calendar(units.assign(sample_id=""), known)
    stratum = index.get_indexer(pd.MultiIndex.from_frame(placed[keys]))
    labels = zip(frame["week"], frame["group_digits"], strict=True)
    strata = Strata(
        label=tuple(f"{week} {weekday_words(digits)}" for week, digits in labels),
        landing_area=np.array([design.areas.index(area) for area in frame["area"]]),
        week=np.array([design.weeks.index(week) for week in frame["week"]]),
        group=frame["day_group"].to_numpy(np.int64),
        n_frame=frame["n_frame"].to_numpy(np.float64),
        of_days=np.ones(len(frame), dtype=bool),
        is_prorated=np.zeros(len(frame), dtype=bool),
    )
    return strata, stratum.astype(np.int64)


def _design(design: Design, strata: Strata, units: pd.DataFrame, stratum: Ints) -> Design:
    # A day counted once has a variance that only the days show, like a day with one sampled site.
    once = (units["n"] == 1).to_numpy(dtype=bool)
    rule = np.where(
        once, SITE_RULES.index(SiteRule.SINGLE_DRAW), SITE_RULES.index(SiteRule.EVERY_SITE)
    )
    days = SiteDays.alone(np.array([""] * len(units), dtype=object), np.zeros(len(units)))
    counted = Units(stratum, strata.week[stratum], rule)
    return replace(design, strata=strata, units=counted, site_days=days)


def _cells(design: Design, units: pd.DataFrame, variance: Floats) -> UnitTotals:
    area = np.array([design.areas.index(one) for one in units["area"]], dtype=np.int64)
    return UnitTotals(
        unit=np.arange(len(units)),
        key=area + 1,
        n=units["n"].to_numpy(np.float64),
        total=units["boat_hours"].to_numpy(np.float64)[:, None],
        pair=np.zeros((1, 2), dtype=np.int64),
        second_stage_cov=Columns.of(variance[:, None]),
        is_pooled=np.zeros(len(units), dtype=bool),
        unknown=(units["n"] == 1).to_numpy(dtype=bool),
    )

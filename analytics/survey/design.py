"""The design of one season: its strata, their frames and its sampled site-days.

The design is an object and estimators are verbs on it. A domain (area fished, week) never takes
units out of it: a site-day without the domain counts as a zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.data.calendar import iso_week, open_days, week_start
from analytics.errors import WrongUse
from analytics.survey.frame import calendar_frame, join_frames, match_calendar, match_stated

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.data.snapshot import Snapshot


@dataclass(frozen=True, slots=True, eq=False)
class Strata:
    """The strata of a design, H of them.

    Parameters
    ----------
    label : tuple of str, length H
        Words for people.
    landing_area : ndarray of int, shape (H,)
        Code of the landing area.
    week : ndarray of int, shape (H,)
        Code of the (first) week.
    group : ndarray of int, shape (H,)
        Day group; 0 where the user named the stratum.
    n_frame : ndarray of float, shape (H,)
        Site-days in the frame, N_h.
    """

    label: tuple[str, ...]
    landing_area: NDArray[np.int64]
    week: NDArray[np.int64]
    group: NDArray[np.int64]
    n_frame: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Units:
    """The sampled site-days, U of them.

    Parameters
    ----------
    sample_id : ndarray of object, shape (U,)
        Their keys.
    stratum, week : ndarray of int, shape (U,)
        Codes of stratum and week.
    boats_returned : ndarray of float, shape (U,)
        M_i; NaN where not recorded.
    """

    sample_id: NDArray[np.object_]
    stratum: NDArray[np.int64]
    week: NDArray[np.int64]
    boats_returned: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """One season through one week, as sampled.

    Parameters
    ----------
    season, through : str
        Season, and its last week that is estimated.
    areas, weeks : tuple of str
        What the codes stand for; `weeks` in order.
    grid : frozenset of (int, int)
        Codes (area, week) that are open or were sampled: the domains that get rows.
    strata, units : Strata, Units
        The frame and the sample.
    no_design : frozenset of int
        Codes of landing areas whose design gives no totals here.
    """

    season: str
    through: str
    areas: tuple[str, ...]
    weeks: tuple[str, ...]
    grid: frozenset[tuple[int, int]]
    strata: Strata
    units: Units
    no_design: frozenset[int]

    @property
    def week_ordinal(self) -> NDArray[np.int64]:
        """Weeks as whole weeks since an origin, so that closures count in distances."""
        days = [week_start(week).toordinal() // 7 for week in self.weeks]
        return np.array(days, dtype=np.int64)


def seasons_with_data(snapshot: Snapshot) -> list[str]:
    """Return the seasons that have a site-day or an interview, oldest first."""
    days = open_days(snapshot["seasons"], snapshot["holidays"])
    sampled = _site_days(snapshot).merge(days, on=["area", "date"])
    named = sampled if len(sampled) else days
    first = named.groupby("season")["date"].min().sort_values(kind="stable")
    return [str(season) for season in first.index]


def build_design(snapshot: Snapshot, *, season: str, through: str | None = None) -> Design:
    """Build the design of a season from the calendar and the sampled site-days.

    The default stratum is landing area × ISO week × day group and its frame is every (site, open
    date) of it. Where any site-day of an area and season carries ``stratum`` or
    ``frame_site_days``, that area's frame is what they say and the calendar adds no stratum to it.

    Parameters
    ----------
    snapshot : Snapshot
        Input tables.
    season : str
        A season of the `seasons` table.
    through : str, optional
        Last ISO week; by default the last one with a sampled site-day.

    Returns
    -------
    Design

    Raises
    ------
    WrongUse
        If the season is unknown, or has no site-day up to `through`.
    DataRefused
        If a site-day lies on a day when its area is closed.
    """
    openings = snapshot["seasons"].to_pandas()
    if season not in set(openings["season"]):
        known = ", ".join(sorted(set(openings["season"]))) or "none"
        raise WrongUse(f"no season {season!r} in the store; there are: {known}")
    days = open_days(snapshot["seasons"], snapshot["holidays"])
    sampled = _of_season(_site_days(snapshot), openings, season)
    if sampled.empty:
        raise WrongUse(f"season {season} has no sampled site-day; import site_days first")
    days = days[days["season"] == season]
    through = through or str(sampled["week"].max())
    _require_through(through, season, first=sampled["week"].min(), last=days["week"].max())
    sampled = sampled[sampled["week"] <= through]
    days = days[days["week"] <= through]
    return _assemble(snapshot, season, through, days, sampled)


def _require_through(through: str, season: str, *, first: str, last: str) -> None:
    week_start(through)
    if through < first:
        raise WrongUse(
            f"season {season} has no sampled site-day through {through}; its first is in {first}"
        )
    if through > max(last, first):
        raise WrongUse(f"through {through}: the last open week of season {season} is {last}")


def _site_days(snapshot: Snapshot) -> pd.DataFrame:
    """Return the site-days with the landing area and week of each."""
    rows = snapshot["site_days"].to_pandas()
    rows["date"] = pd.to_datetime(rows["date"])
    rows["week"] = iso_week(rows["date"])
    sites = snapshot["sites"].to_pandas()[["site", "area"]]
    located: pd.DataFrame = rows.merge(sites, on="site", how="left")
    return located.sort_values("sample_id", kind="stable")


def _of_season(sampled: pd.DataFrame, openings: pd.DataFrame, season: str) -> pd.DataFrame:
    """Return the site-days whose date lies in an opening of their landing area this season."""
    mine = openings.loc[openings["season"] == season, ["area", "open_date", "close_date"]]
    joined = sampled.reset_index(drop=True).reset_index(names="_row").merge(mine, on="area")
    inside = (joined["date"] >= pd.to_datetime(joined["open_date"])) & (
        joined["date"] <= pd.to_datetime(joined["close_date"])
    )
    return sampled.reset_index(drop=True).loc[np.sort(joined.loc[inside, "_row"].unique())]


def _assemble(
    snapshot: Snapshot, season: str, through: str, days: pd.DataFrame, sampled: pd.DataFrame
) -> Design:
    openings = snapshot["seasons"].to_pandas()
    openings = openings[openings["season"] == season]
    areas = _area_codes(snapshot, openings, sampled)
    other = set(openings.loc[~openings["design"].fillna("site_day").eq("site_day"), "area"])
    kept = sampled[~sampled["area"].isin(other)]
    days_kept = days[~days["area"].isin(other)]
    stated = kept["stratum"].notna() | kept["frame_site_days"].notna()
    stated_areas = set(kept.loc[stated, "area"])
    calendar = calendar_frame(days_kept[~days_kept["area"].isin(stated_areas)], snapshot)
    on_calendar = match_calendar(kept[~kept["area"].isin(stated_areas)], days_kept)
    by_user = match_stated(kept[kept["area"].isin(stated_areas)], days_kept, snapshot)
    frame, units = join_frames(calendar, on_calendar, by_user)
    return _encode(
        season,
        through,
        areas,
        days=days,
        sampled=sampled,
        frame=frame,
        units=units,
        no_design=other,
    )


def _area_codes(
    snapshot: Snapshot, openings: pd.DataFrame, sampled: pd.DataFrame
) -> tuple[str, ...]:
    interviews = snapshot["interviews"].select(["sample_id", "area"]).to_pandas()
    fished = interviews.loc[interviews["sample_id"].isin(sampled["sample_id"]), "area"]
    return tuple(sorted(set(openings["area"]) | set(sampled["area"]) | set(fished)))


def _encode(
    season: str,
    through: str,
    areas: tuple[str, ...],
    *,
    days: pd.DataFrame,
    sampled: pd.DataFrame,
    frame: pd.DataFrame,
    units: pd.DataFrame,
    no_design: set[str],
) -> Design:
    weeks = tuple(sorted(set(days["week"]) | set(sampled["week"])))
    week_code = {week: code for code, week in enumerate(weeks)}
    area_code = {area: code for code, area in enumerate(areas)}
    cells = pd.concat([days[["area", "week"]], sampled[["area", "week"]]]).drop_duplicates()
    pairs = zip(cells["area"].map(area_code), cells["week"].map(week_code), strict=True)
    strata = Strata(
        label=tuple(frame["label"]),
        landing_area=_codes(frame["area"], area_code),
        week=_codes(frame["week"], week_code),
        group=frame["day_group"].to_numpy(np.int64),
        n_frame=frame["n_frame"].to_numpy(np.float64),
    )
    sample = Units(
        sample_id=units["sample_id"].to_numpy(object),
        stratum=units["stratum_code"].to_numpy(np.int64),
        week=_codes(units["week"], week_code),
        boats_returned=units["boats_returned"].to_numpy(np.float64, na_value=np.nan),
    )
    return Design(
        season=season,
        through=through,
        areas=areas,
        weeks=weeks,
        grid=frozenset((int(a), int(w)) for a, w in pairs),
        strata=strata,
        units=sample,
        no_design=frozenset(area_code[area] for area in no_design),
    )


def _codes(values: pd.Series, code: dict[str, int]) -> NDArray[np.int64]:
    return np.array([code[value] for value in values], dtype=np.int64)

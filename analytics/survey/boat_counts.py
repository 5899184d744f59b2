"""Effort from boats counted on the water: random instantaneous counts become boat-hours."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.arrays import Columns
from analytics.data.calendar import daylight_hours, season_days, weekday_words
from analytics.errors import UsageError
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
from analytics.survey.domains import LinearForm, area_week_domains
from analytics.survey.unit_totals import UnitTotals
from analytics.weeks import iso_week

if TYPE_CHECKING:
    from analytics.arrays import Floats, Ints
    from analytics.data.snapshot import Snapshot

#: Hours of a fishing day that a user may state.
LONGEST_DAY = 24.0


@dataclass(frozen=True, eq=False)
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

    @cached_property
    def form(self) -> LinearForm:
        """Their boat-hours, weighted over areas and weeks."""
        return LinearForm.of(self.design, self.plan, self.cells, area_week_domains(self.design))


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
    groups = known[["area", "date", "day_group"]]
    placed = units.merge(groups, on=["area", "date"], how="left")
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

"""The week to be planned: its strata by the calendar, and the draws of what it will bring."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.data.calendar import season_days
from analytics.errors import UsageError
from analytics.options.compare import ahead_by_week
from analytics.planning.plan import PlannedStratum
from analytics.quantities import QUANTITIES, RATIOS
from analytics.survey.build import sampled_by_week, week_frame
from analytics.survey.design import DAY_SITE
from analytics.weeks import week_start

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    import pandas as pd

    from analytics.arrays import Floats
    from analytics.data.snapshot import Snapshot
    from analytics.options.baseline import Baseline

#: Sites a day of design ``day_site`` where no week says how many (our choice, no source): with one
#: the variance inside a day has no estimate.
_USUAL_SITES = 2


@dataclass(frozen=True, slots=True, eq=False)
class WeekDraws:
    """D joint draws of what a week brings to A areas fished, under today's rules.

    - `totals`: by quantity, (D, A). `day_share`: the part of an area's effort on each open day.
    """

    areas: tuple[str, ...]
    totals: Mapping[str, Floats]
    day_share: Mapping[tuple[str, date], float]

    def expected(self, quantity: str) -> Floats:
        """Return the mean of a total, or the ratio of two means, by area fished, shape (A,)."""
        if quantity in RATIOS:
            above, below = (self.expected(one) for one in RATIOS[quantity])
            return np.divide(above, below, out=np.zeros_like(above), where=below > 0)
        found: Floats = self.totals[quantity].mean(axis=0)
        return found

    def of_all(self, quantity: str) -> float:
        """Return the mean over all areas together."""
        if quantity in RATIOS:
            above, below = (float(self.expected(one).sum()) for one in RATIOS[quantity])
            return above / below if below > 0 else 0.0
        return float(self.expected(quantity).sum())


def draws_of_week(baseline: Baseline, week: str, quantities: Sequence[str]) -> WeekDraws:
    """Return the draws of a week; `quantities` are totals that a baseline has, or ratios of them.

    Raises `UsageError` where the week is none of those to come.
    """
    if week not in baseline.weeks:
        known = f"{baseline.weeks[0]} to {baseline.weeks[-1]}" if baseline.weeks else "none"
        raise UsageError(
            f"week {week} is not one to come: season {baseline.season} is estimated through "
            f"{baseline.through}; allowed: {known}"
        )
    names = {part for one in quantities for part in RATIOS.get(one, (one,))}
    at = baseline.weeks.index(week)
    totals = {
        name: np.nan_to_num(found[:, at].T.astype(np.float64))
        for name, found in ahead_by_week(baseline, sorted(names)).items()
    }
    return WeekDraws(baseline.areas, totals, _day_shares(baseline, week))


def _day_shares(baseline: Baseline, week: str) -> dict[tuple[str, date], float]:
    """Return the share of an area's effort in a week that falls on each day."""
    mine = np.flatnonzero(baseline.week == baseline.weeks.index(week))
    days = baseline.days[mine].astype(object).tolist()
    effort = np.nan_to_num(baseline.effort[:, :, mine].astype(np.float64)).mean(axis=0)
    effort = effort * baseline.rules.is_open[:, mine]
    total = effort.sum(axis=1)
    return {
        (area, day): float(effort[place, at] / total[place]) if total[place] else 0.0
        for place, area in enumerate(baseline.areas)
        for at, day in enumerate(days)
    }


def strata_of_week(snapshot: Snapshot, *, season: str, week: str) -> tuple[PlannedStratum, ...]:
    """Return the strata open in a week, none of their units drawn yet.

    Raises `UsageError` for a week without an open day, naming the next one that has some.
    """
    week_start(week)
    frame = week_frame(snapshot, season=season, week=week)
    if frame.empty:
        open_weeks = sorted(set(season_days(snapshot, season)["week"]))
        later = next((one for one in open_weeks if one > week), None)
        words = f"the next open week is {later}" if later else "no open week follows"
        raise UsageError(
            f"season {season} has no open day with a probability sample in {week}; {words}"
        )
    sampled = sampled_by_week(snapshot, season=season)
    return tuple(_stratum(row, sampled, week) for row in frame.to_dict("records"))


def _stratum(row: dict[Any, Any], sampled: pd.DataFrame, week: str) -> PlannedStratum:
    sites = tuple(row["sites"])
    here = sampled[sampled["area"] == row["area"]]
    a_day = 1
    if row["design"] == DAY_SITE:
        per_day = here.groupby("date").size()
        a_day = min(int(per_day.mode().min()) if len(per_day) else _USUAL_SITES, len(sites))
    here = here[(here["day_group"] == row["day_group"]) & (here["week"] < week)]
    return PlannedStratum(
        area=str(row["area"]),
        week=week,
        day_group=int(row["day_group"]),
        weekdays=str(row["weekdays"]),
        design=str(row["design"]),
        dates=tuple(row["dates"]),
        sites=sites,
        draw_probability=tuple(row["draw_probability"]),
        frame_size=int(row["n_frame"]),
        n=0,
        n_now=int((here["week"] == here["week"].max()).sum()),
        sites_a_day=a_day,
    )


def unit_of(quantity: str) -> str:
    """Return the unit of a quantity."""
    return str(QUANTITIES[quantity].unit)

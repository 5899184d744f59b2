"""The week to be planned: its strata by the calendar, and the draws of what it will bring."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.codes import coded
from analytics.data.calendar import season_days
from analytics.errors import UsageError
from analytics.options.compare import ahead_by_week
from analytics.planning.plan import PlannedStratum
from analytics.quantities import QUANTITIES, RATIOS
from analytics.survey.build import sampled_by_week, week_frame
from analytics.survey.design import DAY_SITE
from analytics.survey.estimators import CONVENIENCE
from analytics.weeks import week_start

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    import pandas as pd
    from numpy.typing import NDArray

    from analytics.arrays import Floats
    from analytics.data.snapshot import Snapshot
    from analytics.estimates.season_survey import SeasonSurvey
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


def ahead_of(
    survey: SeasonSurvey, baseline: Baseline, quantities: Iterable[str]
) -> Mapping[str, NDArray[np.float32]]:
    """Return the draws of every week to come, as `ahead_by_week`, made once for a season."""
    names = tuple(sorted(quantities))
    return survey.once(("draws ahead", baseline, names), lambda: ahead_by_week(baseline, names))


def draws_of_week(
    survey: SeasonSurvey, baseline: Baseline, week: str, quantities: Sequence[str]
) -> WeekDraws:
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
        for name, found in ahead_of(survey, baseline, names).items()
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
    key = ("strata of a week", season, week)
    return snapshot.once(key, lambda: _strata_of_week(snapshot, season, week))


def _strata_of_week(snapshot: Snapshot, season: str, week: str) -> tuple[PlannedStratum, ...]:
    frame = week_frame(snapshot, season=season, week=week)
    if frame.empty:
        days = season_days(snapshot, season)
        days = days[~days["design"].eq(CONVENIENCE)]
        open_weeks = sorted(set(days["week"]))
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


def covered(
    strata: Sequence[PlannedStratum], not_covered: Sequence[str]
) -> tuple[PlannedStratum, ...]:
    """Return strata without the sites that nobody can visit: a stratum without any has no frame.

    Raises `UsageError` for a site that is in none of them, or where no site is left.
    """
    sites = sorted({site for one in strata for site in one.sites})
    unknown = [site for site in not_covered if site not in sites]
    if unknown:
        raise UsageError(
            f"no site {', '.join(unknown)} in the frame of {strata[0].week}; there are: "
            f"{', '.join(sites)}"
        )
    if set(sites) <= set(not_covered):
        raise UsageError("no site is left to visit; allowed: at least one that can be covered")
    return tuple(_covered(one, not_covered) for one in strata)


def _covered(one: PlannedStratum, not_covered: Sequence[str]) -> PlannedStratum:
    kept = [at for at, site in enumerate(one.sites) if site not in not_covered]
    if len(kept) == len(one.sites):
        return one
    chance = sum(one.draw_probability[at] for at in kept) or 1.0
    frame = len(one.dates) * (bool(kept) if one.is_of_days else len(kept))
    return replace(
        one,
        sites=tuple(one.sites[at] for at in kept),
        draw_probability=tuple(one.draw_probability[at] / chance for at in kept),
        frame_size=frame,
        sites_a_day=max(min(one.sites_a_day, len(kept)), 1),
    )


def coverage_notes(
    snapshot: Snapshot,
    strata: Sequence[PlannedStratum],
    not_covered: Sequence[str],
    *,
    season: str,
) -> list[str]:
    """Return, as codes, what sites that nobody visits do to the figures of their areas.

    By past counts of the season: the part of an area's boats that land there, and by how much the
    total moves where the days of such a site count as like those of the others, as they do in
    design ``site_day`` while it is among the sites.
    """
    counts = sampled_by_week(snapshot, season=season)
    mean = counts.groupby("site")["boats_returned"].mean()
    notes = []
    for area in dict.fromkeys(one.area for one in strata):
        mine = next(one for one in strata if one.area == area)
        lost = [site for site in mine.sites if site in not_covered]
        if not lost:
            continue
        if len(lost) == len(mine.sites):
            notes.append(coded("not_covered_area", areas=[area]))
            continue
        boats = mean.reindex(list(mine.sites))
        if boats.isna().any() or not boats.sum() > 0:
            notes.append(coded("not_covered_unknown", areas=[area], sites=lost))
            continue
        part = float(boats[lost].sum() / boats.sum())
        if mine.is_of_days:
            notes.append(
                coded("not_covered_days", areas=[area], sites=lost, part=f"{100 * part:.0f}")
            )
            continue
        off = float(boats.drop(lost).mean() / boats.mean() - 1)
        notes.append(
            coded(
                "not_covered_known",
                areas=[area],
                sites=lost,
                part=f"{100 * part:.0f}",
                off=f"{100 * off:+.0f}".replace("-", "−"),
            )
        )
    return notes


def unit_of(quantity: str) -> str:
    """Return the unit of a quantity."""
    return str(QUANTITIES[quantity].unit)

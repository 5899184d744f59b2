"""The plan of a week, or of several, from a store: the one door for the command and the page."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.codes import coded
from analytics.data.calendar import season_days
from analytics.errors import UsageError
from analytics.estimates.season_survey import prepare_survey
from analytics.outlook.limit_totals import limits_of_season
from analytics.outlook.projection import project_from
from analytics.planning.allocation import Bounded, least_budget, least_sum
from analytics.planning.make_plan import Objective, even_plan, make_plan, problem_of
from analytics.survey.build import sampled_by_week, seasons_with_data
from analytics.weeks import week_end, week_start

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pyarrow as pa

    from analytics.arrays import Ints
    from analytics.data.snapshot import Snapshot
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.options.baseline import Baseline, Limit
    from analytics.planning.make_plan import PlanRequest, Problem
    from analytics.planning.plan import Plan

    _Known = tuple[Baseline, Sequence[Limit]]


@dataclass(frozen=True, slots=True, eq=False)
class ReadySeason:
    """What every plan of a season starts from, made once: its survey, its draws, its limits.

    `notes`: where the draws come from, as codes.
    """

    survey: SeasonSurvey
    baseline: Baseline
    limits: Sequence[Limit]
    notes: tuple[str, ...] = ()

    @property
    def snapshot(self) -> Snapshot:
        """What was read."""
        return self.survey.snapshot

    def plan(self, request: PlanRequest) -> Plan:
        """Return the plan of a week; raises as `make_plan`."""
        made = make_plan(self.survey, self.baseline, self.limits, request)
        return replace(made, notes=(*made.notes, *self.notes))

    def weeks(self, first: str, last: str | None = None) -> list[str]:
        """Return the open weeks to come from one through another; through the last without it.

        Raises `UsageError` where there is none, or a week is none.
        """
        for one in (first, last or first):
            week_start(one)
        known = self.baseline.weeks
        is_open = set(season_days(self.snapshot, self.survey.design.season)["week"])
        found = [
            one
            for one in known
            if one in is_open and first <= one and (last is None or one <= last)
        ]
        if not found:
            raise UsageError(
                f"no open week to come from {first} to {last or 'the end of the season'}; there "
                f"are: {', '.join(known) or 'none'}"
            )
        return found

    def divided(self, requests: Sequence[PlanRequest]) -> list[PlanRequest]:
        """Return what is asked of several weeks, week by week: shifts are of all together.

        Raises `UsageError` for shifts under two a stratum in every week, or over the frame.
        """
        if requests[0].shifts is None:
            return list(requests)
        problems = [problem_of(self.survey, self.baseline, one)[0] for one in requests]
        shares = split_shifts(problems, requests[0].shifts)
        return [replace(one, shifts=n) for one, n in zip(requests, shares, strict=True)]


def ready_season(
    snapshot: Snapshot,
    *,
    season: str | None = None,
    known: _Known | None = None,
    progress: Callable[[str], None] = lambda words: None,
) -> ReadySeason | None:
    """Return a season made ready for plans; None where it has no sampled week yet.

    Parameters
    ----------
    snapshot : Snapshot
    season : str, optional
        The latest with data by default.
    known : tuple of Baseline and limits, optional
        The draws of a kept bulletin of the same data, and its limits; drawn anew where they are not
        given or end in another week, from the survey's own weekly rates.
    progress : callable, optional
        Called with a few words before each step.

    Raises
    ------
    UsageError
        If there is no such season.
    """
    name = _season(snapshot, season)
    if sampled_by_week(snapshot, season=name).empty:
        return None
    progress("reading the season so far")
    survey = prepare_survey(snapshot, season=name)
    if known is not None and known[0].through >= week_end(survey.design.through):
        return ReadySeason(survey, *known)
    progress("drawing the days to come")
    baseline = project_from(survey, {}).baseline
    found = limits_of_season(snapshot, season=name, areas=baseline.areas)
    limits = [replace(one.limit, areas=one.open_areas) for one in found if not one.reason]
    return ReadySeason(survey, baseline, limits, (coded("plan_drawn_anew"),))


def plan_week(
    snapshot: Snapshot,
    request: PlanRequest,
    *,
    season: str | None = None,
    known: _Known | None = None,
    progress: Callable[[str], None] = lambda words: None,
) -> Plan:
    """Return the plan of a week of a season; an even spread where it has no sampled week yet.

    Parameters
    ----------
    snapshot : Snapshot
    request : PlanRequest
    season, known, progress
        As of `ready_season`.

    Raises
    ------
    UsageError
        If there is no such season, and as `make_plan`.
    """
    week_start(request.week)
    ready = ready_season(snapshot, season=season, known=known, progress=progress)
    if ready is None:
        return even_plan(snapshot, season=_season(snapshot, season), request=request)
    progress("allocating")
    return ready.plan(request)


def plan_weeks(
    snapshot: Snapshot,
    request_of: Callable[[str], PlanRequest],
    *,
    first: str,
    last: str | None = None,
    season: str | None = None,
    known: _Known | None = None,
    progress: Callable[[str], None] = lambda words: None,
) -> tuple[Plan, ...]:
    """Return the plans of several weeks: shifts are of all of them, a target of every week.

    Parameters
    ----------
    snapshot : Snapshot
    request_of : callable
        What is asked of a week, alike in every week but for its samplers.
    first, last : str
        Weeks, both planned; to the end of the season without a last one.
    season, known, progress
        As of `ready_season`.

    Raises
    ------
    UsageError
        If no open week lies between; the season has no sampled week; the shifts are under two a
        stratum in every week, or over the frame; and as `plan_week`.
    """
    for one in (first, last or first):
        week_start(one)
    ready = ready_season(snapshot, season=season, known=known, progress=progress)
    if ready is None:
        raise UsageError(
            f"season {_season(snapshot, season)} has no sampled week, so weeks cannot be weighed; "
            "plan one at a time"
        )
    requests = [request_of(week) for week in ready.weeks(first, last)]
    progress("dividing the shifts between weeks")
    plans = []
    for request in ready.divided(requests):
        progress(f"allocating {request.week}")
        plans.append(ready.plan(request))
    return tuple(plans)


def split_shifts(problems: Sequence[Problem], shifts: int) -> list[int]:
    """Return the shifts of each week of a budget, so that the objective over all weeks is least.

    The greatest PSE of any week: the least PSE that the cheapest plans of all weeks reach together
    within the budget, by bisection to a tenth of a per cent of it; what is left goes to the weeks
    that are least certain. A sum of squares: the units of all weeks at once.

    Raises `UsageError` for shifts under two a stratum in every week, or over the frame.
    """
    low = [int((one.bounds.cost * one.bounds.low).sum()) for one in problems]
    high = [one.most for one in problems]
    if not sum(low) <= shifts <= sum(high):
        raise UsageError(
            f"{shifts} shifts for {len(problems)} weeks; allowed: {sum(low)} to {sum(high)}, two a "
            "stratum at least and the frame at most; plan fewer weeks, or week by week"
        )
    if problems[0].request.objective is not Objective.WORST:
        parts = [one.bounds for one in problems]
        low_units, high_units, cost = (
            np.concatenate([getattr(one, field) for one in parts])
            for field in ("low", "high", "cost")
        )
        gain = np.concatenate([one.figures.gain.sum(axis=1) for one in problems])
        n = least_sum(gain, Bounded(low_units, high_units, cost), shifts)
        ends = np.cumsum([len(one.strata) for one in problems])[:-1]
        spent = np.split(cost * n, ends)
        return _filled([int(one.sum()) for one in spent], high, shifts, [0.0] * len(problems))

    best = _least_worst(problems, low, shifts)
    doubt = [
        _worst(one, one.allocate(one.bounds, n)) for one, n in zip(problems, best, strict=True)
    ]
    return _filled(best, high, shifts, doubt)


def _least_worst(problems: Sequence[Problem], low: list[int], shifts: int) -> list[int]:
    """Return the site-days of the cheapest plans that reach one PSE together, by bisection.

    Costs rise as the PSE falls: a week that costs as much at both ends does so between them.
    """
    reached = max(_worst(one, one.bounds.low) for one in problems)
    never = min(_worst(one, one.bounds.high) for one in problems)
    best, beyond = low, [one.most + 1 for one in problems]
    while reached > never * (1 + 1e-9) and reached - never > 1e-3 * reached:
        middle = (reached + never) / 2
        found = [
            least if least == most else _cheapest(one, middle)
            for one, least, most in zip(problems, best, beyond, strict=True)
        ]
        if sum(found) <= shifts:
            reached, best = middle, found
        else:
            never, beyond = middle, found
    return best


def _worst(problem: Problem, units: Ints) -> float:
    return float(np.nanmax(problem.figures.pse(units)))


def _cheapest(problem: Problem, target: float) -> int:
    """Return the fewest site-days that bring a week to a PSE; its frame where none do."""
    figures, bounds = problem.figures, problem.bounds
    goal = np.full(len(figures.area), target)
    cost = least_budget(figures.gain, figures.constant, goal, bounds)
    return problem.most if cost is None else int(cost)


def _filled(n: list[int], high: list[int], shifts: int, doubt: Sequence[float]) -> list[int]:
    """Give what is left of a budget in turn, the least certain week first."""
    n, order = list(n), sorted(range(len(n)), key=lambda at: -doubt[at])
    while sum(n) < shifts:
        for at in order:
            if n[at] < high[at] and sum(n) < shifts:
                n[at] += 1
    return n


def other_plan(planned: pa.Table, drawn: pa.Table, *, season: str, week: str) -> str:
    """Return, as a code, that a store has other planned site-days of a week; empty if it has none.

    `planned`: the store's table; `drawn`: the new one. Two draws of one week are no sample of its
    design.
    """
    first, last = week_start(week).date(), week_end(week)
    mine = [
        row
        for row in planned.to_pylist()
        if row["season"] == season and first <= row["date"] <= last
    ]
    new = {(row["sample_id"], row["draw_order"], row["is_reserve"]) for row in drawn.to_pylist()}
    old = {(row["sample_id"], row["draw_order"], row["is_reserve"]) for row in mine}
    if not old or old == new:
        return ""
    n = sum(not is_reserve for _, _, is_reserve in old)
    seeds = sorted({str(row["seed"]) for row in mine if row["seed"] is not None})
    return coded("plan_beside_plan", week=week, n=n, seeds=seeds or ["-"])


def _season(snapshot: Snapshot, season: str | None) -> str:
    known = sorted(set(snapshot["seasons"]["season"].to_pylist()))
    if season is None:
        with_data = seasons_with_data(snapshot)
        if not with_data:
            raise UsageError("the store holds no season yet; import areas, sites, seasons first")
        return with_data[-1]
    if season not in known:
        raise UsageError(
            f"no season {season!r} in the store; there are: {', '.join(known) or 'none'}"
        )
    return season

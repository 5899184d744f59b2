"""The plan of a week from a store's tables: the one door for the command and the page."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from analytics.codes import coded
from analytics.errors import UsageError
from analytics.estimates.season_survey import prepare_survey
from analytics.outlook.limit_totals import limits_of_season
from analytics.outlook.projection import project_from
from analytics.planning.make_plan import even_plan, make_plan
from analytics.survey.build import sampled_by_week, seasons_with_data
from analytics.weeks import week_end, week_start

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pyarrow as pa

    from analytics.data.snapshot import Snapshot
    from analytics.options.baseline import Baseline, Limit
    from analytics.planning.make_plan import PlanRequest
    from analytics.planning.plan import Plan


def plan_week(
    snapshot: Snapshot,
    request: PlanRequest,
    *,
    season: str | None = None,
    known: tuple[Baseline, Sequence[Limit]] | None = None,
    progress: Callable[[str], None] = lambda words: None,
) -> Plan:
    """Return the plan of a week of a season.

    Parameters
    ----------
    snapshot : Snapshot
    request : PlanRequest
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
        If there is no such season, and as `make_plan`.
    """
    week_start(request.week)
    name = _season(snapshot, season)
    if sampled_by_week(snapshot, season=name).empty:
        return even_plan(snapshot, season=name, request=request)
    progress("reading the season so far")
    survey = prepare_survey(snapshot, season=name)
    notes: tuple[str, ...] = ()
    if known is not None and known[0].through >= week_end(survey.design.through):
        baseline, limits = known
    else:
        progress("drawing the days to come")
        baseline = project_from(survey, {}).baseline
        found = limits_of_season(snapshot, season=name, areas=baseline.areas)
        limits = [replace(one.limit, areas=one.open_areas) for one in found if not one.reason]
        notes = (coded("plan_drawn_anew"),)
    progress("allocating")
    plan = make_plan(survey, baseline, limits, request)
    return replace(plan, notes=(*plan.notes, *notes))


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

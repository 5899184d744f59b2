"""Make the plan of a week: from a season's survey and draws to site-days a stratum and promises."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from analytics.codes import coded
from analytics.errors import UsageError
from analytics.planning.allocation import (
    Bounded,
    even,
    kept_strata,
    least_cost,
    least_sum,
    minimax,
)
from analytics.planning.call_plan import STAND_IN, call_area, decision_plan, first_limit
from analytics.planning.plan import CurvePoint, Expected, Plan
from analytics.planning.sample_sizes import SHARE, area_samples
from analytics.planning.samplers import caps_of, require_areas, require_samplers_for
from analytics.planning.week_ahead import (
    coverage_notes,
    covered,
    draws_of_week,
    planned_variance,
    strata_of_week,
    unit_of,
)
from analytics.precision import percent
from analytics.quantities import QUANTITIES, RATIOS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.arrays import Bools, Floats, Ints
    from analytics.data.snapshot import Snapshot
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.options.baseline import Baseline, Limit
    from analytics.planning.call_plan import LimitCall
    from analytics.planning.plan import PlannedStratum
    from analytics.planning.samplers import Sampler
    from analytics.planning.week_ahead import PlannedVariance

#: What a plan promises the precision of.
PROMISED = (
    "angler_trips",
    "kept_fish",
    "encounter_fish",
    "released_sublegal_fish",
    "sublegal_prop",
)
#: What shifts are allocated for by default.
ALLOCATED_FOR = ("kept_fish", "encounter_fish")
#: Points of the curve of precision: up to so many times the plan's site-days.
_CURVE_TIMES, _MOST_POINTS = 2, 40


class Objective(StrEnum):
    """What an allocation makes least, of the figures by area that it is for.

    The first is the usual one: of simulated seasons its plans reached no worse a greatest PSE than
    those for the greatest, which follow what is not known of single strata further.
    """

    SUM = "sum"  # the sum of squared PSEs
    WORST = "worst"  # the greatest PSE
    ALL_AREAS = "all_areas"  # the sum of squared PSEs of all areas together


@dataclass(frozen=True, slots=True)
class PlanRequest:
    """What is asked of a plan: a week, and site-days in all or the PSE (0 to 1) of every figure.

    `not_covered`: sites that nobody can visit. `samplers`: who can go; anybody, where none is
    named.
    """

    week: str
    shifts: int | None = None
    target_pse: float | None = None
    objective: Objective = Objective.SUM
    quantities: tuple[str, ...] = ALLOCATED_FOR
    not_covered: tuple[str, ...] = ()
    samplers: tuple[Sampler, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what no plan can be made for."""
        if (self.shifts is None) == (self.target_pse is None):
            raise UsageError("give either the shifts of the week or a target PSE, and not both")
        if self.shifts is not None and self.shifts < 1:
            raise UsageError(f"{self.shifts} shifts; allowed: 1 or more")
        if self.target_pse is not None and not 0 < self.target_pse < 1:
            raise UsageError(
                f"target PSE {self.target_pse:g}; allowed: over 0 and under 1, such as 0.2 for 20 %"
            )
        unknown = [one for one in self.quantities if one not in PROMISED]
        if unknown or not self.quantities:
            raise UsageError(
                f"quantity {', '.join(unknown) or 'none'}; allowed: {', '.join(PROMISED)}"
            )


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """Strata of a week with their bounds, and the figures that an allocation is for."""

    strata: tuple[PlannedStratum, ...]
    every: PlannedVariance
    figures: PlannedVariance
    bounds: Bounded
    request: PlanRequest

    @property
    def most(self) -> int:
        """Site-days of the whole frame."""
        return int((self.bounds.cost * self.bounds.high).sum())

    def allocate(self, bounds: Bounded, budget: float) -> Ints:
        """Return the best allocation of a budget within some bounds, for what was asked."""
        kept = bounds.high > 0
        gain = np.where(kept[:, None], self.figures.gain, 0.0)
        high = np.minimum(bounds.high, bounds.low + int(budget))
        within = replace(bounds, high=high)
        if self.request.objective is Objective.WORST:
            target = np.ones(gain.shape[1])
            return minimax(gain, self.figures.constant, target, within, budget)
        return least_sum(gain.sum(axis=1), within, budget)


def make_plan(
    survey: SeasonSurvey, baseline: Baseline, limits: Sequence[Limit], request: PlanRequest
) -> Plan:
    """Return the plan of a week to come.

    Parameters
    ----------
    survey : SeasonSurvey
        The season so far.
    baseline : Baseline
        Its draws, through the same week.
    limits : sequence of Limit
        Of the season; the call is on one of them, as of `first_limit`.
    request : PlanRequest

    Raises
    ------
    UsageError
        For a week that is closed, or not to come; shifts over the frame or too few for any figure;
        a target that the whole frame does not reach; or a season without two site-days in any
        stratum.
    """
    problem, whole, notes = problem_of(survey, baseline, request)
    every = problem.every
    found = first_limit(survey, baseline, limits, request.week)
    call = _figures_of_call(survey, whole, baseline, found, request.week)
    if request.shifts is None:
        n, kept = _for_target(problem)
    else:
        n, kept, said = _for_shifts(problem, request.shifts, found, call)
        notes += said
    budget = float((problem.bounds.cost * n).sum())
    spread = _even(problem.bounds, budget)
    notes += _notes_of_even(problem, n, spread, kept)
    within = _kept_bounds(problem.bounds, kept)
    decision = None
    if found is not None and call is not None:
        decision = decision_plan(found, call, within, budget=budget, planned=n)
    if decision is None:
        notes.append(coded("no_call"))
    planned = _with_units(problem, n, spread)
    like, samples = area_samples(survey, planned, **_of_share(every, n))
    return Plan(
        season=survey.design.season,
        week=request.week,
        strata=planned,
        expected=_expected(problem, n, spread, kept),
        rule=_rule(request),
        notes=tuple(notes),
        curve=_curve(problem, budget),
        decision=decision,
        like=like,
        samples=samples,
    )


def problem_of(
    survey: SeasonSurvey, baseline: Baseline, request: PlanRequest
) -> tuple[Problem, tuple[PlannedStratum, ...], list[str]]:
    """Return what is to be allocated in a week, all its strata, and notes on sites left out."""
    whole, strata, notes = _strata(survey.snapshot, survey.design.season, request)
    draws = draws_of_week(survey, baseline, request.week, PROMISED)
    # Relative errors are those of the whole frame: a site left out changes what can be drawn alone.
    every = planned_variance(survey, whole, draws, PROMISED)
    return _problem(strata, every, request), whole, notes


def _of_share(every: PlannedVariance, n: Ints) -> dict[str, dict[str, float]]:
    """Return the expected sublegal share by area, and the df behind its planned error."""
    df = every.known_df(n)
    mine = [
        (area, at)
        for at, (area, name) in enumerate(zip(every.area, every.quantity, strict=True))
        if area is not None and name == SHARE and every.known[at]
    ]
    return {
        "expected": {area: float(every.expected[at]) for area, at in mine},
        "df": {area: float(df[at]) for area, at in mine if df[at] > 0},
    }


def _strata(
    snapshot: Snapshot, season: str, request: PlanRequest
) -> tuple[tuple[PlannedStratum, ...], tuple[PlannedStratum, ...], list[str]]:
    """Return the strata of the week, those that can be covered, and notes on the difference."""
    require_areas(request.samplers, set(snapshot["areas"]["area"].to_pylist()))
    whole = strata_of_week(snapshot, season=season, week=request.week)
    if not request.not_covered:
        return whole, whole, []
    notes = coverage_notes(snapshot, whole, request.not_covered, season=season)
    return whole, covered(whole, request.not_covered), notes


def even_plan(snapshot: Snapshot, *, season: str, request: PlanRequest) -> Plan:
    """Return shifts spread evenly, with no promise: of a season that has no sampled week yet."""
    _, strata, notes = _strata(snapshot, season, request)
    if request.shifts is None:
        raise UsageError(
            f"season {season} has no sampled week: how much site-days differ is not known, and no "
            "target can be planned for; give --shifts"
        )
    bounds = _bounds(strata, request.samplers)
    _require_room(strata, bounds, request.shifts)
    kept = kept_strata(np.ones(len(strata)), bounds, request.shifts)
    within = _kept_bounds(bounds, kept)
    n = least_sum(within.high.astype(np.float64) ** 2, within, request.shifts)
    notes += _notes_of_lost(strata, n, kept)
    n_of = zip(strata, n.tolist(), _even(bounds, request.shifts).tolist(), strict=True)
    chosen = tuple(replace(one, n=units, n_even=plain) for one, units, plain in n_of)
    expected = tuple(
        Expected(area, name, unit_of(name), 0, sum(o.n_site_days for o in mine), None, None)
        for name in PROMISED
        for area, mine in _by_area(chosen)
    )
    return Plan(
        season, request.week, chosen, expected, rule=coded("plan_no_history"), notes=tuple(notes)
    )


def _problem(
    strata: tuple[PlannedStratum, ...], every: PlannedVariance, request: PlanRequest
) -> Problem:
    is_all = request.objective is Objective.ALL_AREAS
    mine = np.array(
        [
            bool(known) and name in request.quantities and (area is None) == is_all
            for area, name, known in zip(every.area, every.quantity, every.known, strict=True)
        ]
    )
    if not mine.any():
        raise UsageError(
            "no precision can be planned: no stratum of the season has two site-days yet, or "
            f"nothing is expected in {request.week}; sample two site-days a stratum first"
        )
    bounds = _bounds(strata, request.samplers)
    # A stratum without a site has no unit, and its area no figure to plan for.
    bare = {one.area for one in strata if not one.frame_size}
    mine &= np.array([area not in bare for area in every.area])
    if not mine.any():
        raise UsageError("no area with a figure can be covered; leave fewer sites out")
    figures = every.without(bounds.high == 0).of(mine)
    return Problem(strata, every, figures, bounds, request)


def _bounds(strata: Sequence[PlannedStratum], samplers: Sequence[Sampler] = ()) -> Bounded:
    """Two units a stratum where the frame has them, at most the frame; a unit costs its sites."""
    high = np.array([one.frame_size for one in strata], dtype=np.int64)
    cost = np.array([one.sites_a_day for one in strata], dtype=np.float64)
    return Bounded(np.minimum(2, high), high, cost, caps_of(strata, samplers) if samplers else ())


def _require_room(strata: Sequence[PlannedStratum], bounds: Bounded, shifts: int) -> None:
    most = int((bounds.cost * bounds.high).sum())
    if shifts > most:
        raise UsageError(
            f"{shifts} shifts; the frame of {strata[0].week} has {most} site-days; allowed: at "
            f"most {most}"
        )
    is_there = bounds.high > 0
    require_samplers_for(strata, bounds, shifts)
    least = int((bounds.cost * bounds.low)[is_there].min())
    if shifts < least:
        raise UsageError(
            f"{shifts} shifts; allowed: {least} or more, since one site-day of a stratum gives no "
            "error of its own"
        )


def _for_target(problem: Problem) -> tuple[Ints, Bools]:
    target = problem.request.target_pse or 0.0
    require_samplers_for(problem.strata, problem.bounds, None)
    goal = np.full(len(problem.figures.area), target)
    bounds = problem.bounds
    found = least_cost(problem.figures.gain, problem.figures.constant, goal, bounds)
    if found is None:
        best = problem.figures.pse(bounds.high)
        figures = zip(problem.figures.area, problem.figures.quantity, best, strict=True)
        out = [
            f"{QUANTITIES[name].label} in {area or 'all areas'} ({percent(one, digits=1)})"
            for area, name, one in sorted(figures, key=lambda figure: -figure[2])
            if one > target
        ]
        least = percent(np.ceil(1000 * best.max()) / 1000, digits=1)
        raise UsageError(
            f"a target PSE of {percent(target, digits=1)} is out of reach in "
            f"{problem.request.week} even with all {problem.most} site-days: "
            f"{'; '.join(out[:4])}; give a target of {least} or more, or a number of shifts"
        )
    return found, problem.bounds.high > 0


def _for_shifts(
    problem: Problem, shifts: int, found: LimitCall | None, call: PlannedVariance | None
) -> tuple[Ints, Bools, list[str]]:
    """Return the allocation, the strata that get some, and notes."""
    _require_room(problem.strata, problem.bounds, shifts)
    kept = kept_strata(_worth(problem), problem.bounds, shifts) & (problem.bounds.high > 0)
    bounds = _kept_bounds(problem.bounds, kept)
    n = problem.allocate(bounds, shifts)
    if found is None or call is None or not kept.all():
        return n, kept, []
    area = call_area(found, call, n)
    floor = np.where([one.area == area for one in problem.strata], _even(problem.bounds, shifts), 0)
    low = np.maximum(bounds.low, floor)
    if area is None or (low <= n).all() or (bounds.cost * low).sum() > shifts:
        return n, kept, []
    note = coded("call_area_floored", areas=[area], limit=found.limit.limit_id)
    return problem.allocate(replace(bounds, low=low), shifts), kept, [note]


def _kept_bounds(bounds: Bounded, kept: Bools) -> Bounded:
    return replace(bounds, low=np.where(kept, bounds.low, 0), high=np.where(kept, bounds.high, 0))


def _worth(problem: Problem) -> Floats:
    """Return the mean share of figures' expected variance that each stratum would leave."""
    share = np.sqrt(problem.figures.gain)
    return np.asarray((share / np.maximum(share.sum(axis=0), 1e-300)).mean(axis=1))


def _even(bounds: Bounded, budget: float) -> Ints:
    """Return as many site-days spread evenly: units of the mean cost, a round over the strata."""
    n = even(bounds.high, int(budget // bounds.cost.min()))
    while (bounds.cost * n).sum() > budget:
        n[int(np.flatnonzero(n == n.max())[-1])] -= 1
    return n


def _figures_of_call(
    survey: SeasonSurvey,
    strata: Sequence[PlannedStratum],
    baseline: Baseline,
    found: LimitCall | None,
    week: str,
) -> PlannedVariance | None:
    """Return the planned variance by area of the call's quantity, or of its stand-in."""
    if found is None:
        return None
    names = found.limit.quantities
    own = names[0] if len(names) == 1 else STAND_IN
    is_own = own in survey.analyses and len(survey.analyses[own].measures) == 1
    is_own = is_own and own in QUANTITIES and own not in RATIOS
    quantity = own if is_own else STAND_IN
    draws = draws_of_week(survey, baseline, week, (quantity,))
    figures = planned_variance(survey, strata, draws, (quantity,))
    return figures.of(np.array([area is not None for area in figures.area]))


def _notes_of_lost(strata: Sequence[PlannedStratum], n: Ints, kept: Bools) -> list[str]:
    """Return, as codes, which areas get no figure, and which strata of the others no site-day."""
    lost = [one for one, stays in zip(strata, kept, strict=True) if one.frame_size and not stays]
    met = {one.area for one, units in zip(strata, n, strict=True) if units}
    without = sorted({one.area for one in lost} - met)
    places = [f"{one.area}:{one.week} {one.weekdays}" for one in lost if one.area in met]
    notes = [coded("plan_without_figure", areas=without)] if without else []
    return notes + ([coded("plan_filled", stratum_of=places)] if places else [])


def _notes_of_even(problem: Problem, n: Ints, spread: Ints, kept: Bools) -> list[str]:
    notes = _notes_of_lost(problem.strata, n, kept)
    if not notes and (n != spread).any() and (spread > 0)[problem.bounds.high > 0].all():
        figures = problem.figures
        planned, plain = (float(np.nanmax(figures.pse(one))) for one in (n, spread))
        is_all = problem.request.objective is Objective.ALL_AREAS
        name = "plan_all_beside_even" if is_all else "plan_beside_even"
        notes.append(coded(name, planned=f"{100 * planned:.1f}", even=f"{100 * plain:.1f}"))
    if problem.request.target_pse is not None and (n == problem.bounds.low).all():
        notes.append(coded("plan_target_at_least"))
    return notes


def _by_area(
    strata: Sequence[PlannedStratum],
) -> list[tuple[str | None, list[PlannedStratum]]]:
    areas = sorted({one.area for one in strata})
    of_area: list[tuple[str | None, list[PlannedStratum]]] = [
        (area, [one for one in strata if one.area == area]) for area in areas
    ]
    return [*of_area, (None, list(strata))]


def _with_units(problem: Problem, n: Ints, spread: Ints) -> tuple[PlannedStratum, ...]:
    first = problem.request.quantities[0]
    places = {
        area: at
        for at, (area, name) in enumerate(
            zip(problem.every.area, problem.every.quantity, strict=True)
        )
        if name == first
    }
    now = problem.every.pse(n)
    found = []
    for at, one in enumerate(problem.strata):
        more = n.copy()
        more[at] += 1
        place, gain = places.get(one.area), None
        if place is not None and n[at] and more[at] <= one.frame_size and now[place] > 0:
            gain = float(1 - problem.every.pse(more)[place] / now[place])
        found.append(replace(one, n=int(n[at]), n_even=int(spread[at]), one_more=gain))
    return tuple(found)


def _expected(problem: Problem, n: Ints, spread: Ints, kept: Bools) -> tuple[Expected, ...]:
    every = problem.every
    now = np.array([min(one.n_now // one.sites_a_day, one.frame_size) for one in problem.strata])
    # What strata without a site-day would add is not promised: their areas get no figure here.
    used = every.without(~kept)
    planned, error, boats = used.pse(n), used.pse_error(n), used.boats_part(n)
    before, plain = every.pse(now), every.pse(spread)
    strata = dict(_by_area(problem.strata))
    units = {one.name: int(units) for one, units in zip(problem.strata, n, strict=True)}
    lost = {one.area for one, is_kept in zip(problem.strata, kept, strict=True) if not is_kept}
    rows = []
    for at, (area, name) in enumerate(zip(every.area, every.quantity, strict=True)):
        mine = strata.get(area, [])
        is_lost = area in lost or (area is None and bool(lost))
        value = None if is_lost else _number(planned[at])
        rows.append(
            Expected(
                area=area,
                quantity=name,
                unit=unit_of(name),
                site_days_now=sum(one.n_now for one in mine),
                site_days_planned=sum(units[one.name] * one.sites_a_day for one in mine),
                pse_now=_number(before[at]),
                pse_planned=value,
                pse_low=None if value is None else _number(value * (1 - error[at])),
                pse_high=None if value is None else _number(value * (1 + error[at])),
                pse_even=_number(plain[at]),
                boats_part=None if value is None else _number(boats[at]),
            )
        )
    return tuple(rows)


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _curve(problem: Problem, budget: float) -> tuple[CurvePoint, ...]:
    """Return promises at other numbers of site-days, on the nested path of the sum of figures."""
    bounds = replace(problem.bounds, caps=())  # what site-days buy, whoever goes
    least = int((bounds.cost * bounds.low).sum())
    top = int(min(max(_CURVE_TIMES * budget, 2 * least), problem.most))
    step = max((top - least) // _MOST_POINTS, 1)
    points = []
    for site_days in range(least, top + 1, step):
        n = least_sum(problem.figures.gain.sum(axis=1), bounds, site_days)
        pse, error = problem.every.pse(n), problem.every.pse_error(n)
        points += [
            CurvePoint(site_days, area, name, float(pse[at]), float(error[at]))
            for at, (area, name) in enumerate(
                zip(problem.every.area, problem.every.quantity, strict=True)
            )
            if np.isfinite(pse[at])
        ]
    return tuple(points)


def _rule(request: PlanRequest) -> str:
    totals = list(request.quantities)
    if request.target_pse is not None:
        of_all = "_of_all" if request.objective is Objective.ALL_AREAS else ""
        target = f"{100 * request.target_pse:g}"
        return coded(f"plan_for_target{of_all}", target=target, totals=totals)
    return coded(f"plan_{request.objective}", totals=totals)

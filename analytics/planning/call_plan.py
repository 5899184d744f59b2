"""The plan that serves a call: which limit is reached first, and what the week's sample adds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.codes import coded
from analytics.planning.decision import (
    FEWEST_EFFECTIVE,
    AreaVariances,
    Call,
    NestedLoss,
    nested_loss,
    sharpest,
    smoothed_loss,
)
from analytics.planning.plan import DecisionPlan
from analytics.planning.week_ahead import ahead_of
from analytics.rounding import chance

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.arrays import Floats, Ints
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.options.baseline import Baseline, Limit
    from analytics.planning.allocation import Bounded
    from analytics.planning.planned_variance import PlannedVariance

#: Least fall of the chance of a wrong call that a week's sample could bring, were it exact: below
#: it, sampling more does not settle the call (our choice, no source).
LEAST_GAIN = 0.01
#: A chance this close to 0 or 1 leaves no call to sharpen (our choice, no source).
CERTAIN = 0.01
#: The figure whose relative error stands for quantities that no interview gives (deaths, classes).
STAND_IN = "encounter_fish"
#: Two ways to the same chance that lie this far apart are both to be taken with caution (our
#: choice, no source).
_FAR_APART = 0.03
_SEED = 20_360_218


@dataclass(frozen=True, slots=True, eq=False)
class LimitCall:
    """A limit, the draws of the season's total against it (D,), and of the week by area (D, A)."""

    limit: Limit
    areas: tuple[str, ...]
    total: Floats
    week: Floats

    @property
    def chance(self) -> float:
        """The share of draws that exceed the limit."""
        return float((self.total > self.limit.fish).mean())


def first_limit(
    survey: SeasonSurvey, baseline: Baseline, limits: Sequence[Limit], week: str
) -> LimitCall | None:
    """Return the limit most likely exceeded of those whose call is open; None without a limit.

    With its draws. At a tie, the one of which most is used at the close. Where
    every call is as good as certain, that of the limit most likely exceeded.
    """
    names = {name for one in limits for name in one.quantities if name in baseline.to_date}
    if not names or week not in baseline.weeks:
        return None
    ahead, at = ahead_of(survey, baseline, names), baseline.weeks.index(week)
    calls = []
    for one in limits:
        areas = tuple(area for area in one.areas if area in baseline.areas)
        if not areas or not set(one.quantities) <= names or not one.fish > 0:
            continue
        rows = [baseline.areas.index(area) for area in areas]
        to_come = sum(np.nan_to_num(ahead[name][rows]).astype(float) for name in one.quantities)
        so_far = sum(
            np.nan_to_num(baseline.to_date[name][:, rows]).sum(axis=1).astype(float)
            for name in one.quantities
        )
        to_come = np.asarray(to_come)
        total = np.asarray(so_far) + to_come.sum(axis=(0, 1))
        calls.append(LimitCall(one, areas, total, to_come[:, at].T))
    is_open = [one for one in calls if CERTAIN < one.chance < 1 - CERTAIN]
    return max(
        is_open or calls,
        key=lambda one: (one.chance, float(one.total.mean()) / one.limit.fish),
        default=None,
    )


def call_variances(
    found: LimitCall, figures: PlannedVariance
) -> tuple[AreaVariances, Call, Floats] | None:
    """Return the variances of the week's totals of a limit, its call, and the draws that count.

    `figures` has the limit's quantity, or its stand-in, by area. Areas whose week is certain, or
    unknown, say nothing of the season and are left out; None where none is left.
    """
    place = {area: at for at, area in enumerate(figures.area) if figures.known[at]}
    week = found.week
    kept = [at for at, area in enumerate(found.areas) if area in place and week[:, at].std() > 0]
    if not kept or not found.total.std() > 0:
        return None
    rows = [place[found.areas[at]] for at in kept]
    square = week[:, kept].mean(axis=0) ** 2
    variances = AreaVariances(figures.gain[:, rows] * square, figures.constant[rows] * square)
    return variances, Call.of_draws(found.total, week[:, kept], found.limit.fish), week[:, kept]


def decision_plan(
    found: LimitCall,
    figures: PlannedVariance,
    bounds: Bounded,
    *,
    budget: float,
    planned: Ints,
) -> DecisionPlan | None:
    """Return the allocation of a budget that sharpens the call most, beside the `planned` one."""
    made = call_variances(found, figures)
    if made is None:
        return None
    variances, call, week = made
    n = sharpest(call, variances, bounds, budget, start=planned)

    by_draws, check = _by_draws(found, week, [variances.at(one) for one in (planned, n)])
    losses = [call.loss(variances.at(one)) for one in (planned, n)]
    ceiling = call.loss(np.zeros(len(call.with_total)))
    nothing = call.loss_now - ceiling < LEAST_GAIN
    parts = [f"{100 * one:.1f}" for one in (call.loss_now, *losses, ceiling)]
    names = ("now", "planned", "decision", "ceiling")
    limit_id = found.limit.limit_id
    if CERTAIN < found.chance < 1 - CERTAIN:
        name = "call_not_settled" if nothing else "call_settled"
        code = coded(name, limit=limit_id, **dict(zip(names, parts, strict=True)))
    else:
        code = coded("call_is_certain", limit=limit_id, chance=chance(found.chance))
    far = max(abs(one.loss - by) for one, by in zip(by_draws, losses, strict=True)) > _FAR_APART
    apart = [coded("call_ways_differ")] if far else []
    stands_in = set(figures.quantity) == {STAND_IN} and set(found.limit.quantities) != {STAND_IN}
    return DecisionPlan(
        limit_id=limit_id,
        areas=found.areas,
        chance=found.chance,
        n=tuple(n.tolist()),
        wrong_now=call.loss_now,
        wrong_planned=losses[0],
        wrong_decision=losses[1],
        wrong_ceiling=ceiling,
        notes=(code, *([coded("call_by_encounters")] if stands_in else []), check, *apart),
        quantities=found.limit.quantities,
        fish=found.limit.fish,
        one_more=_one_more(call, variances, bounds, planned),
    )


def _one_more(
    call: Call, variances: AreaVariances, bounds: Bounded, n: Ints
) -> tuple[float | None, ...]:
    """Return how much one unit more in each stratum lowers the chance of the wrong call."""
    now = call.loss(variances.at(n))
    steps = np.eye(len(n), dtype=np.int64)
    return tuple(
        max(now - call.loss(variances.at(n + step)), 0.0) if 0 < units < high else None
        for step, units, high in zip(steps, n.tolist(), bounds.high.tolist(), strict=True)
    )


def _by_draws(
    found: LimitCall, week: Floats, errors: Sequence[Floats]
) -> tuple[list[NestedLoss], str]:
    """Return the losses of plans by draws alone, and the code of how they were found.

    Where fewer than `FEWEST_EFFECTIVE` draws stand behind some imagined outcome, both plans are
    smoothed by a regression, so that one way stands behind both.
    """
    limit = found.limit.fish
    ways = [
        [way(found.total, week, one, limit, rng=np.random.default_rng(_SEED)) for one in errors]
        for way in (nested_loss, smoothed_loss)
    ]
    nested, smooth = ways
    least = min(one.least_draws for one in nested)
    is_few = least < FEWEST_EFFECTIVE
    losses = smooth if is_few else nested
    planned, decision = (f"{100 * max(one.loss, 0.0):.1f}" for one in losses)
    if is_few:
        code = coded("call_smoothed", n=f"{least:.0f}", planned=planned, decision=decision)
    else:
        code = coded("call_by_draws", planned=planned, decision=decision)
    return losses, code


def call_area(found: LimitCall, figures: PlannedVariance, n: Ints) -> str | None:
    """Return the area whose week says most of the call: the greatest ``b² V``; None if none does.

    None, too, where even an exact week would not settle the call.
    """
    made = call_variances(found, figures)
    if made is None:
        return None
    variances, call, week = made
    if call.loss_now - call.loss(np.zeros(week.shape[1])) < LEAST_GAIN:
        return None
    error = variances.at(n)
    at = int(np.argmax(call.slopes(error) ** 2 * error))
    kept = [area for place, area in enumerate(found.areas) if found.week[:, place].std() > 0]
    known = {area for at, area in enumerate(figures.area) if figures.known[at]}
    return [area for area in kept if area in known][at]

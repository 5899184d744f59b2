"""The plan that serves a call: which limit is reached first, and what the week's sample is worth.

A season's total X exceeds a limit L with a chance p; the call says whether it will. Next week's
totals θ of some areas will be seen with sampling errors of variance V. Before they are seen,
``EVSI = R0 - R1`` is how much the expected loss of the better call falls (preposterior analysis:
Raiffa & Schlaifer 1961, Applied Statistical Decision Theory; from memory). Errors of the totals so
far are past help: X keeps them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit
from scipy.stats import multivariate_normal, norm

from analytics.codes import coded
from analytics.models import maximise
from analytics.planning.allocation import least_sum
from analytics.planning.plan import DecisionPlan
from analytics.planning.week_ahead import ahead_of
from analytics.precision import chance

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.arrays import Floats, Ints
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.options.baseline import Baseline, Limit
    from analytics.planning.allocation import Bounded
    from analytics.planning.week_ahead import PlannedVariance


#: Rounds of weights that an allocation may take to settle.
_MOST_ROUNDS = 50
#: Effective draws behind an imagined outcome under which chances are smoothed (our choice).
FEWEST_EFFECTIVE = 50
#: The ridge that keeps a regression of separated draws finite (our choice).
_RIDGE = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class Call:
    """A call on ``X > limit`` with what next week's totals θ of A areas say of X, as moments.

    - `mean`, `variance`: of X. `cov` (A, A): of θ. `with_total` (A,): of θ with X.
    - `over`, `vain`: costs of passing the limit unwarned, and of closing in vain.
    """

    limit: float
    mean: float
    variance: float
    cov: Floats
    with_total: Floats
    over: float = 1.0
    vain: float = 1.0

    @classmethod
    def of_draws(
        cls, total: Floats, week: Floats, limit: float, *, over: float = 1.0, vain: float = 1.0
    ) -> Call:
        """Take the moments of D draws of X and of θ, (D,) and (D, A)."""
        joint = np.cov(np.column_stack([total, week]), rowvar=False)
        return cls(
            limit, float(total.mean()), float(joint[0, 0]), joint[1:, 1:], joint[1:, 0], over, vain
        )

    @property
    def chance(self) -> float:
        """The chance that X exceeds the limit."""
        return float(norm.sf((self.limit - self.mean) / np.sqrt(self.variance)))

    @property
    def loss_now(self) -> float:
        """R0: the expected loss of the better call with nothing more known."""
        return min(self.chance * self.over, (1 - self.chance) * self.vain)

    def explained(self, error: Floats) -> float:
        """Return ``τ² = c'(Σ + V)⁻¹ c``, the variance that θ seen with errors V takes off X."""
        return float(self.with_total @ self.slopes(error))

    def slopes(self, error: Floats) -> Floats:
        """Return ``b = (Σ + V)⁻¹ c``: what a fish seen next week moves the season by, (A,)."""
        return np.asarray(np.linalg.pinv(self.cov + np.diag(error)) @ self.with_total)

    def loss(self, error: Floats) -> float:
        r"""Return R1, the expected loss of the call made once θ is seen with errors V.

        ``c_o [Φ(z_t) - Φ₂(z_L, z_t; τ/s)] + c_e [Φ(z_L) - Φ₂(z_L, z_t; τ/s)]`` with ``z_L =
        (L - m)/s`` and ``z_t = Φ⁻¹(κ) s_p/τ + (L - m)/τ``, κ the chance from which to act.
        """
        spread = np.sqrt(self.variance)
        tau = np.sqrt(min(max(self.explained(error), 0.0), self.variance * (1 - 1e-12)))
        if tau <= 1e-9 * spread:
            return self.loss_now
        act = norm.ppf(self.vain / (self.over + self.vain))
        left = np.sqrt(self.variance - tau**2)
        z_limit = (self.limit - self.mean) / spread
        z_act = (self.limit + left * act - self.mean) / tau
        r = tau / spread
        both = float(multivariate_normal.cdf([z_limit, z_act], cov=[[1.0, r], [r, 1.0]]))
        unwarned = max(float(norm.cdf(z_act)) - both, 0.0)
        in_vain = max(float(norm.cdf(z_limit)) - both, 0.0)
        return self.over * unwarned + self.vain * in_vain


@dataclass(frozen=True, slots=True, eq=False)
class AreaVariances:
    """The variances ``Σ_h gain_ha/n_h - constant_a`` of A areas' totals over H strata."""

    gain: Floats
    constant: Floats

    def at(self, n: Ints | Floats) -> Floats:
        """Return them at n units a stratum, (A,), none below 0."""
        units = np.maximum(np.asarray(n, dtype=np.float64), 1)[:, None]
        found: Floats = np.maximum((self.gain / units).sum(axis=0) - self.constant, 0.0)
        return found


def sharpest(
    call: Call, variances: AreaVariances, bounds: Bounded, budget: float, *, start: Ints
) -> Ints:
    r"""Return the allocation that takes most off the variance of X: the greatest τ².

    The loss falls with τ² whatever its costs (Blackwell 1951; from memory). Since ``-∂τ²/∂V_a =
    b_a²``, each round is an allocation by the weights ``b_a² A_ha``; τ² is convex in V, so no round
    lowers it. From `start` and from each area alone, as the optimum may be a local one.
    """
    firsts = [one for one in variances.gain.T if one.any()]
    starts = [start, *(least_sum(one, bounds, budget) for one in firsts)]
    return max(
        (_climb(call, variances, bounds, budget, n=one) for one in starts),
        key=lambda n: call.explained(variances.at(n)),
    )


def _climb(
    call: Call, variances: AreaVariances, bounds: Bounded, budget: float, *, n: Ints
) -> Ints:
    reached = call.explained(variances.at(n))
    for _ in range(_MOST_ROUNDS):
        weights = variances.gain @ call.slopes(variances.at(n)) ** 2
        fresh = least_sum(weights, bounds, budget)
        better = call.explained(variances.at(fresh))
        if better <= reached * (1 + 1e-12):
            break
        n, reached = fresh, better
    return n


@dataclass(frozen=True, slots=True)
class NestedLoss:
    """R1 from draws alone, its Monte Carlo error, and the least effective draws behind it."""

    loss: float
    error: float
    least_draws: float


def nested_loss(
    total: Floats,
    week: Floats,
    error: Floats,
    limit: float,
    *,
    rng: np.random.Generator,
    n_outer: int = 400,
    over: float = 1.0,
    vain: float = 1.0,
) -> NestedLoss:
    """Return R1 by weighing the draws anew for every imagined outcome of next week.

    Outcome i is ``θ_i + e_i``; the others' draws j ≠ i, whose weights are the normal density of the
    outcome given θ_j, give the chance of ``X > limit``. No shape of the draws is assumed.
    """
    n_draws = len(total)
    outer = rng.choice(n_draws, size=min(n_outer, n_draws), replace=False)
    spread = np.sqrt(np.maximum(error, 1e-12))
    seen = week[outer] + rng.standard_normal((len(outer), week.shape[1])) * spread
    exceeds = (total > limit).astype(np.float64)
    chances, fewest = np.empty(len(outer)), np.inf
    for place, own in enumerate(outer):
        log_weight = -0.5 * (((seen[place] - week) / spread) ** 2).sum(axis=1)
        log_weight[own] = -np.inf
        weight = np.exp(log_weight - log_weight.max())
        fewest = min(fewest, weight.sum() ** 2 / (weight**2).sum())
        chances[place] = weight @ exceeds / weight.sum()
    return _loss_of(chances, over, vain, least_draws=float(fewest))


def smoothed_loss(
    total: Floats,
    week: Floats,
    error: Floats,
    limit: float,
    *,
    rng: np.random.Generator,
    over: float = 1.0,
    vain: float = 1.0,
) -> NestedLoss:
    """Return R1 by a logistic regression of ``X > limit`` on imagined outcomes and their squares.

    What `nested_loss` cannot say where few draws lie near an outcome: each of D draws is one
    outcome ``θ_i + e_i``, and the fitted chances stand for weighed ones (regression of a
    preposterior: Strong, Oakley, Brennan & Breeze 2015, Med. Decis. Making 35; from memory). The
    effective draws are those a coefficient.
    """
    seen = week + rng.standard_normal(week.shape) * np.sqrt(np.maximum(error, 0.0))
    spread = seen.std(axis=0)
    scaled = (seen - seen.mean(axis=0)) / np.where(spread > 0, spread, 1.0)
    known = np.column_stack([np.ones(len(total)), scaled, scaled**2])
    law = _Ridged(known, (total > limit).astype(np.float64))
    beta = maximise(law, np.zeros(known.shape[1]))
    assert beta is not None  # a ridge leaves one finite top
    return _loss_of(expit(known @ beta), over, vain, least_draws=len(total) / len(beta))


@dataclass(frozen=True, slots=True, eq=False)
class _Ridged:
    """The likelihood of a logistic regression less a ridge, which keeps separated draws finite.

    `known` (D, K): what chances depend on. `exceeds` (D,): 0 or 1.
    """

    known: Floats
    exceeds: Floats

    def value(self, params: Floats) -> float:
        eta = self.known @ params
        law = self.exceeds @ eta - np.logaddexp(0.0, eta).sum()
        return float(law - 0.5 * _RIDGE * params @ params)

    def score(self, params: Floats) -> Floats:
        missed = self.exceeds - expit(self.known @ params)
        return np.asarray(self.known.T @ missed - _RIDGE * params)

    def hessian(self, params: Floats) -> Floats:
        fitted = expit(self.known @ params)
        curved = (self.known.T * (fitted * (1 - fitted))) @ self.known
        return np.asarray(-curved - _RIDGE * np.eye(len(params)))


def _loss_of(chances: Floats, over: float, vain: float, *, least_draws: float) -> NestedLoss:
    """Return the mean loss of the better call at each chance of exceeding, and its error."""
    losses = np.minimum(chances * over, (1 - chances) * vain)
    error = float(losses.std(ddof=1) / np.sqrt(len(losses)))
    return NestedLoss(float(losses.mean()), error, least_draws)


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

r"""What sampling next week is worth to a call on a limit: will be exceeded, or not.

A season's total X exceeds a limit L with a chance p. Next week's totals θ of some areas will be
seen with sampling errors of variance V. Before they are seen, ``EVSI = R0 - R1`` is how much the
expected loss of the better call falls (preposterior analysis: Raiffa & Schlaifer 1961, Applied
Statistical Decision Theory; from memory). Errors of the totals so far are past help: X keeps them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit
from scipy.stats import multivariate_normal, norm

from analytics.models import maximise
from analytics.planning.allocation import least_sum

if TYPE_CHECKING:
    from analytics.arrays import Floats, Ints
    from analytics.planning.allocation import Bounded

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

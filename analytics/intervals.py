"""Intervals: Student's t on log and logit scales, of shares, and those of small domains.

Student's t on log and logit scales, by quasi-likelihood, and intervals of shares come first. In
a small domain, the domain's own error is moderated by that of all strata together. What is
moderated is the ratio of a variance to the power 1.5 of its total. The variance itself, or the
relative variance, would follow chance errors of the total.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import betaincinv, stdtrit

from analytics.quantities import CiMethod

if TYPE_CHECKING:
    from analytics.arrays import Bools, Floats


Interval = tuple[float, float]

#: Half-width on the log or logit scale from which an interval says nothing (a factor of 1e130).
WIDEST = 300.0


@lru_cache(maxsize=4096)
def t_quantile(level: float, df: float) -> float:
    """Return the two-sided quantile of Student's t for a confidence level.

    Parameters
    ----------
    level : float
        Confidence level between 0 and 1, such as 0.95.
    df : float
        Degrees of freedom; below 1 no interval can be had.

    Returns
    -------
    float
        NaN where `df` is below 1 or not a number.
    """
    if not df >= 1:
        return math.nan
    return float(stdtrit(df, 0.5 + level / 2))


def log_t(estimate: float, se: float, *, df: float, level: float) -> Interval:
    r"""Return the interval of a positive number, symmetric on the log scale.

    ``exp(ln e ± t · se/e)``: the delta method for the logarithm.

    Parameters
    ----------
    estimate, se : float
        In the unit of the number.
    df : float
        Design degrees of freedom.
    level : float
        Confidence level.

    Returns
    -------
    tuple of float
        Both NaN where the estimate is not positive, the error or the t quantile cannot be had, or
        the interval would be wider than any number.
    """
    if not (estimate > 0 and se >= 0):
        return math.nan, math.nan
    step = t_quantile(level, df) * se / estimate
    if not step < WIDEST:
        return math.nan, math.nan
    return estimate * math.exp(-step), estimate * math.exp(step)


def logit_t(estimate: float, se: float, *, df: float, level: float) -> Interval:
    """Return the interval of a proportion, symmetric on the logit scale.

    ``expit(logit p ± t · se/(p(1-p)))``: the delta method for the log odds.

    Parameters
    ----------
    estimate, se : float
        A proportion strictly between 0 and 1, and its standard error.
    df : float
        Design degrees of freedom.
    level : float
        Confidence level.

    Returns
    -------
    tuple of float
        Both NaN as for `log_t`, and where the estimate is 0 or 1.
    """
    if not (0 < estimate < 1 and se >= 0):
        return math.nan, math.nan
    middle = math.log(estimate / (1 - estimate))
    step = t_quantile(level, df) * se / (estimate * (1 - estimate))
    if not step < WIDEST:
        return math.nan, math.nan
    return _expit(middle - step), _expit(middle + step)


def t_quantiles(level: float, df: Floats) -> Floats:
    """Return `t_quantile` of every degree of freedom of an array."""
    known = df >= 1
    found: Floats = np.where(known, stdtrit(np.where(known, df, 1.0), 0.5 + level / 2), np.nan)
    return found


def quasi_log_width(cv: Floats, *, df: Floats, level: float) -> Floats:
    r"""Return the half-width on the log scale of the interval by quasi-likelihood of power 1.5.

    ``4 asinh(t · CV/4)``. The quasi-deviance of a variance ``φ μ^1.5`` is ``4 (√μ - √T)²/√μ``
    (Wedderburn 1974, Quasi-likelihood functions, Biometrika 61; from memory). The means μ at which
    it is at most ``t² φ`` lie between ``T exp(∓ 4 asinh(t CV/4))``, with ``CV² = φ/√T``: narrower
    than `log_t` where little is known, and the same where much is.

    Parameters
    ----------
    cv : ndarray of float, shape (D,)
        Relative error ``√(φ/√T)`` of the total.
    df : ndarray of float, shape (D,)
    level : float

    Returns
    -------
    ndarray of float, shape (D,)
        NaN where the error or the t quantile cannot be had.
    """
    found: Floats = 4 * np.arcsinh(t_quantiles(level, df) * cv / 4)
    return found


def wilson(share: float, n: float, *, level: float) -> Interval:
    r"""Return Wilson's interval of a share; `n` need not be whole.

    ``[p + z²/2n ± z √(p(1-p)/n + z²/4n²)]/(1 + z²/n)``: it inverts the score test (Wilson 1927,
    Probable inference, the law of succession, and statistical inference, J. Am. Stat. Assoc. 22;
    from memory).

    Parameters
    ----------
    share : float
        From 0 to 1.
    n : float
        Independent fish behind it, above 0.
    level : float
        Confidence level.
    """
    z = t_quantile(level, math.inf)
    middle = share + z**2 / (2 * n)
    half = z * math.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    whole = 1 + z**2 / n
    # At 0 and 1 the interval ends there, but for rounding.
    low = 0.0 if share == 0 else max(0.0, (middle - half) / whole)
    return low, 1.0 if share == 1 else min(1.0, (middle + half) / whole)


def clopper_pearson(count: float, n: float, *, level: float) -> Interval:
    """Return the exact interval of a share of n, which covers every share with the level or more.

    It inverts the binomial tails (Clopper & Pearson 1934, The use of confidence or fiducial limits,
    Biometrika 26; from memory). ``0 <= count <= n``, n above 0; neither need be whole.
    """
    tail = (1 - level) / 2
    low = 0.0 if count == 0 else float(betaincinv(count, n - count + 1, tail))
    return low, 1.0 if count == n else float(betaincinv(count + 1, n - count, 1 - tail))


def _expit(x: float) -> float:
    return 1 / (1 + math.exp(-x))


POWER = 1.5
#: Bounds of what brings the pooled variances to the sum of the domains' own (our choice).
BENCHMARK_RANGE = (0.7, 1.6)
#: Most standard errors by which skewness moves an interval (our choice; the simulations).
MOST_SHIFT = 0.5
#: Least degrees of freedom of a season whose strata are of very unlike weight: without a floor one
#: heavy stratum makes every interval useless (our choice; coverage in the simulations).
LEAST_SEASON_DF = 6.0
#: Degrees of freedom of a prior of which nothing is known, and bounds where something is.
USUAL_DF, _LEAST_SPREAD, _MOST_DF = 8.0, 1e-3, 200.0
_TINY = 1e-300


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """What the pool expects of D domains; every array is (D,).

    - `variance`, `expected`: of the total, V0 and E0.
    - `own_df`, `prior_df`: degrees of freedom of the domain's own error, and of the pool's.
    - `plain_df`: as `own_df`, were unit totals normal.
    - `skewness`, `tie`: of the total, as of `analytics.survey.pooled_variance.PooledVariance`.
    """

    variance: Floats
    expected: Floats
    own_df: Floats
    prior_df: Floats
    plain_df: Floats
    skewness: Floats
    tie: Floats

    def scaled(self, factor: float) -> Prior:
        """Return the prior of a total that is expected to be `factor` times as large."""
        return replace(self, expected=self.expected * factor)


@dataclass(frozen=True, slots=True, eq=False)
class DomainIntervals:
    """Intervals of D domains.

    - `low`, `high`, `df` (D,): NaN where there is none.
    - `method`: how they were made.
    """

    low: Floats
    high: Floats
    df: Floats
    method: CiMethod


def prior_df(ratio: Floats, df: Floats) -> Floats:
    r"""Return the degrees of freedom of the prior that variances about a function follow.

    ``d0 = 4 + 2/τ``, at most 200, with ``τ = max((u + 1)/(1 + e) - 1, .001)``, ``u = mean (r -
    1)²`` and ``e = mean 2/d``: the moments of a scaled inverse chi-square prior (after Smyth 2004,
    Linear models and empirical Bayes methods, Stat. Appl. Genet. Mol. Biol. 3; from memory).

    Parameters
    ----------
    ratio : ndarray of float, shape (C, K)
        Variance over its expected value.
    df : ndarray of float, shape (C, 1) or (C, K)
    """
    if not len(ratio):
        return np.full(ratio.shape[1:], USUAL_DF)
    spread = ((ratio - 1) ** 2).mean(axis=0)
    by_chance = (2 / df).mean(axis=0)
    left = np.maximum((spread + 1) / (1 + by_chance) - 1, _LEAST_SPREAD)
    found: Floats = np.minimum(4 + 2 / left, _MOST_DF)
    return found


def benchmark(own: Floats, prior: Floats) -> float:
    """Return what the prior variances of all domains of a kind are to be multiplied by.

    ``B = Σ v/Σ V0``: the smoothed variances then sum to the unbiased ones. NaN counts in neither.
    """
    known = np.isfinite(own)
    below = float(prior[known].sum())
    return float(own[known].sum()) / below if below > 0 else 1.0


def total_intervals(
    total: Floats, variance: Floats, prior: Prior, *, level: float, factor: float | None = None
) -> DomainIntervals:
    r"""Return the intervals of totals of domains of one kind.

    ``φ0 = B V0/E0^1.5``, ``φ_d = v/T^1.5``, ``φ = (c0 φ0 + D φ_d)/(c0 + D)`` with t of ``c0 + D``
    degrees of freedom, in `quasi_log_width`, both ends moved by `skew_shift`. A total of 0 has
    ``[0, max{(φ0 ln(2/α)/2)², E0 + t √(B V0)}]``, as of `zero_bound`.

    Parameters
    ----------
    total, variance : ndarray of float, shape (D,)
        The design's own; a NaN variance has no part in φ.
    prior : Prior
    level : float
        Confidence level, 1 - α.
    factor : float, optional
        B; by default `benchmark` within `BENCHMARK_RANGE`.
    """
    b = float(np.clip(benchmark(variance, prior.variance), *BENCHMARK_RANGE))
    b = b if factor is None else factor
    return _intervals(total, variance, prior, b, level=level, widened=np.ones_like(total))


def rate_intervals(
    total: Floats, below: Floats, residual: Floats, prior: Prior, *, level: float
) -> DomainIntervals:
    """Return the intervals of rates ``T/X`` of domains of one kind.

    As `total_intervals` of T with the variance `residual` of ``T - R X``, a benchmark of its own
    without bounds, and φ times ``1 + 1/(D + 1)``, D here the `plain_df` of the prior, since R is
    estimated (our choice, no source); the ends over X.
    """
    b = benchmark(residual, prior.variance)
    widened = 1 + 1 / (prior.plain_df + 1)
    found = _intervals(total, residual, prior, b, level=level, widened=widened)
    scale = np.where(below > 0, below, np.nan)
    return replace(found, low=found.low / scale, high=found.high / scale)


def zero_bound(phi: Floats, expected: Floats, reach: Floats, *, level: float) -> Floats:
    """Return the upper end of the interval of a total of 0, shape (D,).

    The larger of the mean at which the power-1.5 law gives 0 with chance α/2, and the expected
    total with `reach`, t standard errors (our choice, no source). The end by quasi-likelihood would
    be far too low: it keeps every mean that gives 0 with a chance of some 15 %.
    """
    by_law = (phi * math.log(2 / (1 - level)) / 2) ** 2
    found: Floats = np.maximum(by_law, expected + reach)
    return found


def skew_shift(
    cv: Floats, prior: Prior, own: Floats | float, *, level: float, power: float = POWER
) -> Floats:
    r"""Return how far skewness moves both ends up on the log scale, in standard errors, (D,).

    A total of skewness γ has ``(T - μ)/σ = u + γ (u² - 1)/6`` for a normal u (Cornish & Fisher
    1938, Moments and cumulants in the specification of distributions, Rev. Inst. Int. Stat. 5; from
    memory). Its variance estimate rises with it, ``v ≈ σ² (1 + τ u)`` with the tie τ: the
    covariance of a mean and its variance estimate is the third cumulant. The error in use is ``ĉ² =
    φ T^(p-2)`` where the part w of φ follows ``v/T^p``. To first order ``ln(T/μ)/ĉ`` is then ``u -
    s`` at both ends, with ``s = (u²/2) (w (τ - p c) + (p - 1) c) - γ (u² - 1)/6`` for the relative
    error c, of which no more counts than skewness explains, γ/p. A low total comes with a small
    error, so that intervals without s lie below the truth more often than above it. From 0 to
    `MOST_SHIFT`; none for a skewness of 0.

    Parameters
    ----------
    cv : ndarray of float, shape (D,)
    prior : Prior
        For its skewness γ and tie τ.
    own : ndarray of float, shape (D,), or float
        w.
    level : float
    power : float
        p: 2 for intervals on the log scale.
    """
    u2 = t_quantile(level, math.inf) ** 2
    c = np.minimum(cv, prior.skewness / power)
    moved = u2 / 2 * (own * (prior.tie - power * c) + (power - 1) * c)
    return np.asarray(np.clip(moved - prior.skewness * (u2 - 1) / 6, 0.0, MOST_SHIFT))


def _intervals(
    total: Floats, variance: Floats, prior: Prior, b: float, *, level: float, widened: Floats
) -> DomainIntervals:
    pooled = b * prior.variance
    is_some = (prior.expected > 0) & (pooled > 0)
    prior_phi = np.where(is_some, pooled / np.where(is_some, prior.expected, 1.0) ** POWER, 0.0)
    prior_weight = np.where(is_some, prior.prior_df, 0.0)
    has_own = variance >= 0  # a variance that came out below 0 says nothing, as one not known
    above = np.where(total > 0, total, 1.0)
    own_df = np.where(has_own, prior.own_df, 0.0)
    df = prior_weight + own_df
    own_phi = np.where(has_own, variance, 0.0) / above**POWER
    weight = np.maximum(df, _TINY)
    phi = (prior_weight * prior_phi + own_df * own_phi) / weight * widened
    cv = np.sqrt(phi / np.sqrt(above))
    # A domain is a part of the pool, which follows its total as far.
    part = prior.variance / max(float(prior.variance.sum()), _TINY)
    own = (own_df + prior_weight * part) / weight
    shift = skew_shift(cv, prior, own, level=level) * cv
    width = quasi_log_width(cv, df=df, level=level)
    is_zero = (total == 0) & is_some
    t = t_quantiles(level, df)
    bound = zero_bound(prior_phi, prior.expected, t * np.sqrt(np.maximum(pooled, 0.0)), level=level)
    bound = np.where(is_zero, bound, np.nan)
    has_error = (total > 0) & (phi > 0) & (width < WIDEST)
    width = np.where(has_error, width, np.nan)
    return DomainIntervals(
        low=np.where(has_error, total * np.exp(shift - width), np.where(is_zero, 0.0, np.nan)),
        high=np.where(has_error, total * np.exp(shift + width), bound),
        df=df,
        method=CiMethod.QUASI_T,
    )


def share_intervals(
    share: Floats,
    variance: Floats,
    fish: Floats,
    *,
    own_df: Floats,
    prior_df: float,
    level: float,
) -> DomainIntervals:
    r"""Return the intervals of shares of domains of one kind, shrunk to the pooled design effect.

    ``K = Σ q T/Σ T`` with ``q = v/(R (1 - R)/T)`` over domains with ``0 < R < 1`` and ``v > 0``:
    the pooled variance is ``V0 = K R (1 - R)/T``, and ``V = (d0 V0 + d v)/(d0 + d)`` with t of ``d0
    + d`` on the logit scale. Where all units are alike V0 stands alone; a share of 0
    or 1 has Wilson's interval of ``T/K`` fish with t of d0 for z (our choice, unproved).

    Parameters
    ----------
    share, variance, fish : ndarray of float, shape (D,)
        R, its variance v, and the total T below.
    own_df : ndarray of float, shape (D,)
        d, of the variance.
    prior_df : float
        d0, as of `prior_df`.
    level : float
    """
    inside = (share > 0) & (share < 1) & (fish > 0)
    k = design_effect(share, variance, fish)
    own = np.maximum(own_df, 1.0)
    binomial = np.where(inside, share * (1 - share), np.nan)
    pooled = k * binomial / np.where(fish > 0, fish, np.nan)
    has_own = np.isfinite(variance) & (variance > 0)
    df = np.where(has_own, prior_df + own, prior_df)
    both = (prior_df * pooled + own * np.where(has_own, variance, 0.0)) / (prior_df + own)
    error = np.where(has_own, both, pooled)
    step = t_quantiles(level, df) * np.sqrt(error) / binomial
    middle = np.log(np.where(inside, share, 0.5) / np.where(inside, 1 - share, 0.5))
    low, high = (1 / (1 + np.exp(-(middle + sign * step))) for sign in (-1, 1))
    at_end = ((share == 0) | (share == 1)) & (fish > 0) & (k > 0)
    t2 = t_quantiles(level, np.array([prior_df]))[0] ** 2
    reach = t2 / (np.where(at_end, fish, 1.0) / k + t2) if k > 0 else np.full_like(share, np.nan)
    return DomainIntervals(
        low=np.where(at_end, np.where(share == 0, 0.0, 1 - reach), low),
        high=np.where(at_end, np.where(share == 0, reach, 1.0), high),
        df=df,
        method=CiMethod.LOGIT_T,
    )


def design_effect(share: Floats, variance: Floats, fish: Floats) -> float:
    """Return K, the pooled design effect of a share by expanded fish; NaN where no domain has one.

    Arrays as of `share_intervals`.
    """
    use = has_spread(share, variance, fish)
    q = variance[use] / (share[use] * (1 - share[use]) / fish[use])
    return float((q * fish[use]).sum() / fish[use].sum()) if use.any() else math.nan


def has_spread(share: Floats, variance: Floats, fish: Floats) -> Bools:
    """Return which domains have a share between 0 and 1 with an error, shape (D,)."""
    found: Bools = (share > 0) & (share < 1) & (variance > 0) & (fish > 0)
    return found

"""Intervals: Student's t on log and logit scales, by quasi-likelihood, and of shares."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import betaincinv, stdtrit

if TYPE_CHECKING:
    from analytics.arrays import Floats

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

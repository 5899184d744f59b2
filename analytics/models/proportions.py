"""Intervals of a share of single fish: Wilson's and the exact one."""

from __future__ import annotations

from dataclasses import dataclass

from statsmodels.stats.proportion import proportion_confint

from analytics.interval import wilson


@dataclass(frozen=True, slots=True)
class ShareLimits:
    """Two intervals of one binomial share."""

    wilson_low: float
    wilson_high: float
    exact_low: float
    exact_high: float


def share_limits(count: int, n: int, *, level: float) -> ShareLimits:
    """Return intervals of a share ``count/n`` of fish that are independent of each other.

    Wilson's is `analytics.interval.wilson`; the exact one inverts the binomial tails (Clopper &
    Pearson 1934, The use of confidence or fiducial limits, Biometrika 26; from memory), as in
    statsmodels, and holds the level or more for every share.

    Parameters
    ----------
    count, n : int
        ``0 <= count <= n`` and ``n >= 1``.
    level : float
        Confidence level.

    Returns
    -------
    ShareLimits
    """
    exact = proportion_confint(count, n, alpha=1 - level, method="beta")
    # Where none or all died the ends are 0 and 1; rounding must not move them.
    low = 0.0 if count == 0 else max(0.0, float(exact[0]))
    high = 1.0 if count == n else min(1.0, float(exact[1]))
    return ShareLimits(*wilson(count / n, n, level=level), low, high)

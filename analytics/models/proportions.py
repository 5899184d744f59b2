"""Intervals of a share of single fish: Wilson's and the exact one."""

from __future__ import annotations

from dataclasses import dataclass

from statsmodels.stats.proportion import proportion_confint


@dataclass(frozen=True, slots=True)
class ShareLimits:
    """Two intervals of one binomial share."""

    wilson_low: float
    wilson_high: float
    exact_low: float
    exact_high: float


def share_limits(count: int, n: int, *, level: float) -> ShareLimits:
    """Return intervals of a share ``count/n`` of fish that are independent of each other.

    Wilson's inverts the score test (Wilson 1927, Probable inference, the law of succession, and
    statistical inference, J. Am. Stat. Assoc. 22); the exact one inverts the binomial tails
    (Clopper & Pearson 1934, The use of confidence or fiducial limits, Biometrika 26) and holds the
    level or more for every share. Both as in statsmodels; sources from memory.

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
    wilson = proportion_confint(count, n, alpha=1 - level, method="wilson")
    exact = proportion_confint(count, n, alpha=1 - level, method="beta")
    ends = [float(end) for end in (*wilson, *exact)]
    # Where none or all died the ends are 0 and 1; rounding must not move them.
    lows = [0.0 if count == 0 else max(0.0, end) for end in ends[::2]]
    highs = [1.0 if count == n else min(1.0, end) for end in ends[1::2]]
    return ShareLimits(lows[0], highs[0], lows[1], highs[1])

"""How many site-days to sample, and in which strata: variance, allocation, days for a target.

The algebra is Cochran's (1977, Sampling Techniques, chapter 5; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from analytics.arrays import Floats, Ints


#: Units a stratum needs before its variance can be estimated.
FEWEST = 2


@dataclass(frozen=True, slots=True, eq=False)
class Allocation:
    """A sample of n units shared among H strata.

    `exact` (H,): by the formula, within the bounds, before rounding. `whole` (H,): they sum to n.
    """

    exact: Floats
    whole: Ints
    rule: str


@dataclass(frozen=True, slots=True)
class DaysNeeded:
    """Days for a target precision: by the formula, and rounded up."""

    exact: float
    whole: int


def variance_of_total(n_frame: ArrayLike, s_squared: ArrayLike, n_sample: ArrayLike) -> np.float64:
    """Return the variance of a stratified total, ``Σ N_h² (1 - n_h/N_h) S_h² / n_h``.

    S_h² has the divisor N_h - 1; n_h need not be whole. In the squared unit of the total. Raises
    `ValueError` if a stratum has no sample, or more than its frame.
    """
    N_h, n_h = _numbers(n_frame), _numbers(n_sample)
    if not bool(np.all((n_h > 0) & (n_h <= N_h))):
        raise ValueError(f"samples {n_h} of frames {N_h}; allowed: over 0 and at most the frame")
    variance: np.float64 = (N_h**2 * (1 - n_h / N_h) * _numbers(s_squared) / n_h).sum()
    return variance


def proportional(n_frame: ArrayLike, n: int) -> Allocation:
    """Share n units in proportion to the frames, ``n_h = n N_h / N``.

    At least 2 a stratum (all where the frame has fewer) and at most its frame. Raises `ValueError`
    if the bounds leave no room for n.
    """
    N_h = _numbers(n_frame)
    return _shared(N_h, N_h, n, "proportional to the frame")


def optimum(n_frame: ArrayLike, s: ArrayLike, n: int) -> Allocation:
    """Share n units so that the total's variance is least, ``n_h ∝ N_h S_h`` (Neyman 1934).

    A stratum that would get more than its frame is taken completely and the rest shared anew
    (Cochran 1977, section 5.8); with the lower bound, as in `proportional`, this is the least
    variance within the bounds. Where all S_h are 0 the shares are proportional. Raises `ValueError`
    if the bounds leave no room for n, or an S_h is negative or not a number.
    """
    N_h, S_h = _numbers(n_frame), _numbers(s)
    if not bool(np.all(S_h >= 0)):
        raise ValueError(f"standard deviations {S_h}; allowed: 0 or more, with none missing")
    return _shared(N_h * S_h, N_h, n, "proportional to frame times standard deviation")


def days_needed(cv: float, pse: float, n_frame: float = math.inf) -> DaysNeeded:
    """Return the days that bring a total's relative error `pse` down to a target.

    ``n = n_0/(1 + n_0/N)`` with ``n_0 = (CV/PSE)²``, for simple random days (Cochran 1977, section
    4.6; from memory), both as proportions; at least 2, else there would be no error, and never over
    the frame. Raises `ValueError` if `cv` is negative, or `pse` or `n_frame` is not positive.
    """
    if not (cv >= 0 and pse > 0 and n_frame > 0):
        raise ValueError(
            f"cv {cv}, target {pse}, frame {n_frame}; allowed: a cv of 0 or more, the rest positive"
        )
    first = (cv / pse) ** 2
    exact = first / (1 + first / n_frame)
    # A product that should be whole can lie a rounding above it.
    whole = max(math.ceil(exact - 1e-9), FEWEST)
    return DaysNeeded(exact, whole if math.isinf(n_frame) else min(whole, math.floor(n_frame)))


def _shared(weight: Floats, N_h: Floats, n: int, words: str) -> Allocation:
    low, high = np.minimum(FEWEST, N_h), np.floor(N_h)
    if not bool(np.all(N_h >= 1)) or not low.sum() <= n <= high.sum():
        raise ValueError(
            f"{n} units for strata of {N_h}; allowed: strata of 1 or more, and from "
            f"{low.sum():g} (two a stratum) to {high.sum():g} units (all)"
        )
    weight = weight if weight.any() else N_h
    # Proportions can end a rounding outside their bounds.
    exact = np.clip(_within(weight, low, high, float(n)), low, high)
    return Allocation(
        exact,
        _by_largest_remainder(exact, high, n),
        f"{words}; at least {FEWEST} a stratum and at most its frame; rounded by largest remainder",
    )


def _within(weight: Floats, low: Floats, high: Floats, n: float) -> Floats:
    """Return shares ``clip(λ weight, low, high)`` that sum to n.

    That form is the condition of Karush, Kuhn and Tucker for the least ``Σ weight²/n_h``. Shares
    that are free of both bounds at the end are exactly in proportion.
    """
    free = weight > 0
    shares = low.copy()
    ends = np.sort(np.concatenate([low[free] / weight[free], high[free] / weight[free]]))
    sums = [np.clip(end * weight[free], low[free], high[free]).sum() for end in ends]
    room = n - low[~free].sum()
    if (
        room > high[free].sum()
    ):  # every stratum with variance is taken completely: the rest goes to the others
        shares[free] = high[free]
        left = n - high[free].sum()
        shares[~free] = _within(high[~free], low[~free], high[~free], left)
        return shares
    place = min(max(int(np.searchsorted(sums, room)), 1), len(ends) - 1)
    between = (ends[place - 1] + ends[place]) / 2
    inner = free & (weight * between > low) & (weight * between < high)
    shares[free] = np.clip(between * weight[free], low[free], high[free])
    shares[inner] = (n - shares[~inner].sum()) * weight[inner] / weight[inner].sum()
    return shares


def _by_largest_remainder(exact: Floats, high: Floats, n: int) -> Ints:
    """Round down, then give the units left to the largest remainders, first strata first."""
    whole = np.floor(exact + 1e-9)
    remainder = np.where(whole < high, exact - whole, -np.inf)
    left = round(n - whole.sum())
    whole[np.argsort(-remainder, kind="stable")[:left]] += 1
    return whole.astype(np.int64)


def _numbers(values: ArrayLike) -> Floats:
    return np.asarray(values, dtype=np.float64)

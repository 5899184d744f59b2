"""When in a season the fish come: curves through shares of the index, and strength."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import least_squares
from scipy.special import expit
from scipy.stats import norm

from analytics.errors import WrongUse

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Weeks with a figure that a curve of two parameters needs.
LEAST_WEEKS = 4
SHARES = (0.25, 0.5, 0.75)
#: Gauss-Newton steps from the curve through the shares to those through drawn ones.
_STEPS = 6


class Curve(StrEnum):
    """A law of arrival days."""

    NORMAL = "normal"
    LOGISTIC = "logistic"


@dataclass(frozen=True, slots=True, eq=False)
class Timing:
    """A curve of cumulative shares over days of a season.

    Parameters
    ----------
    curve : Curve
    middle, spread : float
        Day by which half has come, and the scale of the curve in days.
    cov : ndarray of float, shape (2, 2)
        Covariance of middle and spread over the drawn shares; NaN without them.
    rmse : float
        Root mean squared difference of shares.
    """

    curve: Curve
    middle: float
    spread: float
    cov: Floats
    rmse: float

    def share(self, day: Floats) -> Floats:
        """Return the share that has come by some days."""
        return np.asarray(_share(self.curve, (np.asarray(day) - self.middle) / self.spread))

    def day(self, share: float) -> tuple[float, float]:
        """Return the day by which a share has come, and its standard error."""
        step = _step(self.curve, share)
        gradient = np.array([1.0, step])
        return self.middle + self.spread * step, math.sqrt(gradient @ self.cov @ gradient)


def fit_timing(
    day: Floats, share: Floats, *, curve: str = Curve.NORMAL, draws: Floats | None = None
) -> Timing:
    r"""Fit a curve to cumulative shares by least squares.

    ``F((day - middle)/spread)`` with F the normal or the logistic law (Mundy 1979, A quantitative
    measure of migratory timing illustrated by application to the management of commercial salmon
    fisheries; from memory). The shares of a season add up, so that the differences of its weeks go
    together: errors are the spread of the curves through drawn shares (parametric bootstrap; Efron
    & Tibshirani 1993, An Introduction to the Bootstrap, section 6.5; from memory). They say how
    the figures of the weeks move the curve, and not how far the run is from any curve.

    Parameters
    ----------
    day, share : ndarray of float, shape (W,)
        End of each week as a day of the season, and the share come by then.
    curve : str
        A word of `Curve`.
    draws : ndarray of float, shape (D, W), optional
        As by `analytics.models.run_shares.draw_shares`; without them there is no error.

    Returns
    -------
    Timing

    Raises
    ------
    WrongUse
        If the curve is unknown, or under four weeks have a share between 0 and 1.
    """
    law = _curve(curve)
    inside = (share > 0) & (share < 1) & np.isfinite(day)
    if inside.sum() < LEAST_WEEKS:
        raise WrongUse(
            f"{int(inside.sum())} weeks with a share between 0 and 1; a curve needs {LEAST_WEEKS}"
        )
    x, y = day[inside], share[inside]
    start = np.array([np.interp(0.5, y, x), math.log(max(np.ptp(x) / 4, 1e-3))])

    def off(at: Floats) -> Floats:
        return np.asarray(_share(law, (x - at[0]) / math.exp(at[1])) - y)

    found = least_squares(off, start, x_scale=(max(np.ptp(x), 1e-3), 1.0))
    cov = np.full((2, 2), np.nan)
    if draws is not None:
        each = _curves_through(law, x, draws[:, inside], found.x)
        cov = np.atleast_2d(np.cov(each, rowvar=False))
    rmse = math.sqrt(2 * found.cost / len(x))
    return Timing(law, float(found.x[0]), math.exp(found.x[1]), cov, rmse)


def strength(log_now: float, log_now_se: float, log_past: Floats) -> tuple[float, float]:
    """Return how a season's index to date compares with that of past seasons by the same day.

    Parameters
    ----------
    log_now, log_now_se : float
        Log of the index summed to date, and its standard error.
    log_past : ndarray of float, shape (S,)
        The same of past seasons, two or more.

    Returns
    -------
    log_ratio, se : float
        To the mean of the past; the error is that of now and of the mean over seasons.

    Raises
    ------
    WrongUse
        If there are fewer than two past seasons.
    """
    known = log_past[np.isfinite(log_past)]
    if len(known) < 2:
        raise WrongUse(f"{len(known)} past seasons with an index by this day; two are needed")
    of_past = known.var(ddof=1) / len(known)
    return float(log_now - known.mean()), math.sqrt(log_now_se**2 + of_past)


def _curve(word: str) -> Curve:
    try:
        return Curve(word)
    except ValueError:
        raise WrongUse(f"curve {word!r}; allowed: {', '.join(Curve)}") from None


def _share(curve: Curve, z: Floats) -> Floats:
    return np.asarray(norm.cdf(z) if curve is Curve.NORMAL else expit(z), dtype=np.float64)


def _step(curve: Curve, share: float) -> float:
    if not 0 < share < 1:
        raise WrongUse(f"share {share}; allowed: between 0 and 1")
    return float(norm.ppf(share)) if curve is Curve.NORMAL else math.log(share / (1 - share))


def _slope(curve: Curve, z: Floats) -> Floats:
    """Return the derivative of the share in z."""
    if curve is Curve.NORMAL:
        return np.asarray(norm.pdf(z))
    come = expit(z)
    return np.asarray(come * (1 - come))


def _curves_through(curve: Curve, x: Floats, share: Floats, start: Floats) -> Floats:
    """Return middle and spread of the curves through D rows of shares, shape (D, 2).

    Gauss-Newton steps from one start for all rows at once, each no longer than the spread.
    """
    at = np.tile(start, (len(share), 1))
    for _ in range(_STEPS):
        spread = np.exp(at[:, 1:])
        z = (x - at[:, :1]) / spread
        slope = _slope(curve, z)
        # Slopes of the share in the middle and in the log of the spread.
        a, b, rest = -slope / spread, -slope * z, share - _share(curve, z)
        aa, ab, bb = ((one * other).sum(1) for one, other in ((a, a), (a, b), (b, b)))
        ra, rb = (a * rest).sum(1), (b * rest).sum(1)
        det = aa * bb - ab**2
        step = np.column_stack([bb * ra - ab * rb, aa * rb - ab * ra])
        step /= np.maximum(det, np.finfo(float).tiny)[:, None]
        step /= np.maximum(1.0, np.abs(step) / np.hstack([spread, np.ones_like(spread)]))
        at += step
    return np.column_stack([at[:, 0], np.exp(at[:, 1])])

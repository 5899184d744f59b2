"""When in a season the fish come: shares of the index by day, and curves through them."""

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
        Covariance of middle and spread.
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
        """Return the day by which a share has come, and its standard error (delta method)."""
        step = _step(self.curve, share)
        gradient = np.array([1.0, step])
        return self.middle + self.spread * step, math.sqrt(gradient @ self.cov @ gradient)


def cumulative(index: Floats) -> Floats:
    """Return the share of the season's index that stands behind each week's end.

    Built on catch per effort and not on catch, so that few anglers or a closed day are no absence
    of fish; a week without a figure takes the mean of its neighbours' on both sides.

    Parameters
    ----------
    index : ndarray of float, shape (W,)
        By week, 0 or more; NaN where there is none, such as a closed week.

    Returns
    -------
    ndarray of float, shape (W,)
        Ends at 1.

    Raises
    ------
    WrongUse
        If no week has a figure above 0, or one is below 0.
    """
    known = np.isfinite(index)
    if not known.any() or not (index[known] >= 0).all() or not index[known].sum() > 0:
        raise WrongUse(
            f"{int(known.sum())} weeks with a figure, of which none is above 0 or one is below; "
            "timing needs an index of 0 or more with some above"
        )
    place = np.arange(len(index))
    filled = np.interp(place, place[known], index[known])
    shares: Floats = np.cumsum(filled) / filled.sum()
    return shares


def fit_timing(day: Floats, share: Floats, *, curve: str = Curve.NORMAL) -> Timing:
    r"""Fit a curve to cumulative shares by least squares.

    ``F((day - middle)/spread)`` with F the normal or the logistic law (Mundy 1979, A quantitative
    measure of migratory timing illustrated by application to the management of commercial salmon
    fisheries; from memory). Errors are those of least squares with independent differences: the
    shares of a season add up, so they are rough.

    Parameters
    ----------
    day, share : ndarray of float, shape (W,)
        End of each week as a day of the season, and the share come by then.
    curve : str
        A word of `Curve`.

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
    spread = math.exp(found.x[1])
    noise = 2 * found.cost / max(len(x) - 2, 1)
    scale = np.diag([1.0, spread])
    jacobian = np.asarray(found.jac, dtype=np.float64)
    cov = scale @ (noise * np.linalg.pinv(jacobian.T @ jacobian)) @ scale
    rmse = math.sqrt(2 * found.cost / len(x))
    return Timing(law, float(found.x[0]), spread, np.asarray(cov), rmse)


def strength(log_now: float, log_now_se: float, log_past: Floats) -> tuple[float, float]:
    """Return how a season's index to date compares with that of past seasons by the same day.

    Parameters
    ----------
    log_now, log_now_se : float
        Log of the mean index to date, and its standard error.
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

"""When in a season the fish come: curves through shares of the index, and strength."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, ndtr, ndtri

from analytics.codes import coded
from analytics.errors import UsageError
from analytics.propagation import normal_draws

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.arrays import Bools, Floats


#: Weeks with a figure that a curve of two parameters needs.
LEAST_WEEKS = 4
SHARES = (0.25, 0.5, 0.75)
#: Gauss-Newton steps from the curve through the shares to those through drawn ones.
_STEPS = 6


class Curve(StrEnum):
    """A family of arrival days."""

    NORMAL = "normal"
    LOGISTIC = "logistic"


@dataclass(frozen=True, slots=True, eq=False)
class Timing:
    """A curve of cumulative shares over days of a season.

    Parameters
    ----------
    middle, scale : float
        Day by which half has come, and the scale of the curve in days.
    cov : ndarray of float, shape (2, 2)
        Covariance of middle and scale over the simulated shares; NaN without them.
    rmse : float
        Root mean squared difference of shares.
    """

    curve: Curve
    middle: float
    scale: float
    cov: Floats
    rmse: float

    def share(self, day: Floats) -> Floats:
        """Return the share that has come by some days."""
        return np.asarray(_share(self.curve, (np.asarray(day) - self.middle) / self.scale))

    def day(self, share: float) -> tuple[float, float]:
        """Return the day by which a share has come, and its standard error."""
        step = _step(self.curve, share)
        gradient = np.array([1.0, step])
        return self.middle + self.scale * step, math.sqrt(gradient @ self.cov @ gradient)


def fit_timing(
    day: Floats, share: Floats, *, curve: str = Curve.NORMAL, draws: Floats | None = None
) -> Timing:
    r"""Fit a curve to cumulative shares by least squares.

    ``F((day - middle)/scale)`` with F the normal or the logistic (Mundy 1979, A quantitative
    measure of migratory timing illustrated by application to the management of commercial salmon
    fisheries; from memory). The shares of a season add up, so that the differences of its weeks go
    together: errors are the standard deviations of the curves through simulated shares (parametric
    bootstrap; Efron & Tibshirani 1993, An Introduction to the Bootstrap, section 6.5; from memory).
    They say how the figures of the weeks move the curve, and not how far the run is from any
    curve.

    Parameters
    ----------
    day, share : ndarray of float, shape (W,)
        End of each week as a day of the season, and the share come by then.
    curve : str
        A word of `Curve`.
    draws : ndarray of float, shape (D, W), optional
        As by `analytics.models.seasonal_timing.draw_shares`; without them there is no error.

    Raises
    ------
    UsageError
        If the curve is unknown, or under four weeks have a share between 0 and 1.
    """
    family = _curve(curve)
    inside = (share > 0) & (share < 1) & np.isfinite(day)
    if inside.sum() < LEAST_WEEKS:
        raise UsageError(coded("few_weeks_of_shares", n=int(inside.sum()), needed=LEAST_WEEKS))
    x, y = day[inside], share[inside]
    start = np.array([np.interp(0.5, y, x), math.log(max(np.ptp(x) / 4, 1e-3))])

    def off(at: Floats) -> Floats:
        return np.asarray(_share(family, (x - at[0]) / math.exp(at[1])) - y)

    from scipy.optimize import least_squares  # noqa: PLC0415

    found = least_squares(off, start, x_scale=(max(np.ptp(x), 1e-3), 1.0))
    cov = np.full((2, 2), np.nan)
    if draws is not None:
        each = _curves_through(family, x, draws[:, inside], found.x)
        cov = np.atleast_2d(np.cov(each, rowvar=False))
    rmse = math.sqrt(2 * found.cost / len(x))
    return Timing(family, float(found.x[0]), math.exp(found.x[1]), cov, rmse)


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
    UsageError
        If there are fewer than two past seasons.
    """
    known = log_past[np.isfinite(log_past)]
    if len(known) < 2:
        raise UsageError(coded("few_past_seasons", n=len(known)))
    of_past = known.var(ddof=1) / len(known)
    return float(log_now - known.mean()), math.sqrt(log_now_se**2 + of_past)


def _curve(word: str) -> Curve:
    try:
        return Curve(word)
    except ValueError:
        raise UsageError(f"curve {word!r}; allowed: {', '.join(Curve)}") from None


def _share(curve: Curve, z: Floats) -> Floats:
    return np.asarray(ndtr(z) if curve is Curve.NORMAL else expit(z), dtype=np.float64)


def _step(curve: Curve, share: float) -> float:
    if not 0 < share < 1:
        raise UsageError(f"share {share}; allowed: between 0 and 1")
    return float(ndtri(share)) if curve is Curve.NORMAL else math.log(share / (1 - share))


def _slope(curve: Curve, z: Floats) -> Floats:
    """Return the derivative of the share in z."""
    if curve is Curve.NORMAL:
        return np.asarray(np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi))
    come = expit(z)
    return np.asarray(come * (1 - come))


def _curves_through(curve: Curve, x: Floats, share: Floats, start: Floats) -> Floats:
    """Return middle and scale of the curves through D rows of shares, shape (D, 2).

    Gauss-Newton steps from one start for all rows at once, each no longer than the scale.
    """
    at = np.tile(start, (len(share), 1))
    for _ in range(_STEPS):
        scale = np.exp(at[:, 1:])
        z = (x - at[:, :1]) / scale
        slope = _slope(curve, z)
        # Slopes of the share in the middle and in the log of the scale.
        a, b, rest = -slope / scale, -slope * z, share - _share(curve, z)
        aa, ab, bb = ((one * other).sum(1) for one, other in ((a, a), (a, b), (b, b)))
        ra, rb = (a * rest).sum(1), (b * rest).sum(1)
        det = aa * bb - ab**2
        step = np.column_stack([bb * ra - ab * rb, aa * rb - ab * ra])
        step /= np.maximum(det, np.finfo(float).tiny)[:, None]
        step /= np.maximum(1.0, np.abs(step) / np.hstack([scale, np.ones_like(scale)]))
        at += step
    return np.column_stack([at[:, 0], np.exp(at[:, 1])])


# Shares of a season's index come by the end of each week, and their errors by drawing.


def cumulative(index: Floats) -> Floats:
    """Return the share of the season's index behind each week's end, shape (W,), up to 1.

    Built on catch per effort and not on catch, so that few anglers or a closed day are no absence
    of fish; a week without a figure takes the mean of its neighbours' on both sides.

    Parameters
    ----------
    index : ndarray of float, shape (W,)
        By week, 0 or more; NaN where there is none, such as a closed week.

    Raises
    ------
    UsageError
        If no week has a figure above 0, or one is below 0.
    """
    known = np.isfinite(index)
    if not known.any() or not (index[known] >= 0).all() or not index[known].sum() > 0:
        raise UsageError(coded("no_weekly_figure", n=int(known.sum())))
    filled = _between(known) @ index[known]
    shares: Floats = np.cumsum(filled) / filled.sum()
    return shares


def draw_shares(
    log_index: Floats, cov: Floats, *, rng: np.random.Generator, n_draws: int
) -> Floats:
    r"""Simulate cumulative shares (D, W), up to 1, of a season whose weekly index has errors.

    The log index is simulated from the normal with its covariance. A week without a figure takes
    the mean of its neighbours' as in `cumulative`, times a step about it: the log index is taken
    for a random walk, pinned down at the neighbours a weeks before and b after, with variance
    ``s^2 a b/(a + b)``, or ``s^2 a`` at an end. ``s^2`` comes from the known weeks, each held
    against the mean of its neighbours in the same way: the mean square of the differences, less
    what their errors alone would make. Our choice, no source.

    Parameters
    ----------
    log_index : ndarray of float, shape (W,)
        NaN in a week without one.
    cov : ndarray of float, shape (W, W)
        Of its errors; read at weeks with a figure only.
    n_draws : int
        D.

    Raises
    ------
    UsageError
        If no week has a figure.
    """
    known = np.flatnonzero(np.isfinite(log_index))
    if not len(known):
        raise UsageError(coded("no_weekly_figure", n=0))
    value, error = log_index[known], cov[np.ix_(known, known)]
    drawn = value + normal_draws((error + error.T) / 2, rng=rng, n_draws=n_draws)
    index = np.exp(drawn - value.max()) @ _between(np.isfinite(log_index)).T
    variance = _bridge(known, len(log_index)) * _walk_variance(known, value, error)
    step = rng.standard_normal(index.shape) * np.sqrt(variance)
    index *= np.exp(step - variance / 2)
    shares: Floats = np.cumsum(index, axis=1) / index.sum(axis=1, keepdims=True)
    return shares


def crossing(day: Floats, share: Floats, part: float) -> Floats:
    """Return the days (D,) at which cumulative shares pass a part, even within each week.

    Parameters
    ----------
    day : ndarray of float, shape (W + 1,)
        From the start of the first week on, where the share is 0.
    share : ndarray of float, shape (D, W + 1)
        Never falling, from 0 to 1.
    part : float
        Between 0 and 1.
    """
    row = np.arange(len(share))
    after = np.argmax(share >= part, axis=1)
    low, high = share[row, after - 1], share[row, after]
    return np.asarray(day[after - 1] + (part - low) / (high - low) * (day[after] - day[after - 1]))


def _between(known: Bools) -> Floats:
    """Return the weights by which W weeks take the figures of the K known, shape (W, K)."""
    place = np.arange(len(known))
    rows = [np.interp(place, place[known], one) for one in np.eye(int(known.sum()))]
    return np.column_stack(rows)


def _bridge(known: NDArray[np.intp], n: int) -> Floats:
    """Return the variance of each week's unit random walk given the known weeks, shape (n,)."""
    week = np.arange(n)
    after = np.searchsorted(known, week)
    before = np.searchsorted(known, week, side="right") - 1
    ahead = known[np.minimum(after, len(known) - 1)] - week
    since = week - known[np.maximum(before, 0)]
    inside = since * ahead / np.maximum(since + ahead, 1)
    return np.where(before < 0, ahead, np.where(after == len(known), since, inside)).astype(float)


def _walk_variance(known: NDArray[np.intp], value: Floats, error: Floats) -> float:
    """Return the variance of a weekly step about the season's course, 0 of under three weeks."""
    if len(known) < 3:
        return 0.0
    since, ahead = np.diff(known)[:-1], np.diff(known)[1:]
    index = np.exp(value - value.max())
    before, after = index[:-2] * ahead, index[2:] * since
    middle = (before + after) / (since + ahead)
    part = before / (before + after)
    rest = value[1:-1] - value.max() - np.log(middle)
    rows = np.zeros((len(rest), len(known)))
    at = np.arange(len(rest))
    rows[at, at], rows[at, at + 1], rows[at, at + 2] = -part, 1.0, part - 1.0
    noise = np.diag(rows @ error @ rows.T)
    return max(float(np.mean((rest**2 - noise) * (since + ahead) / (since * ahead))), 0.0)

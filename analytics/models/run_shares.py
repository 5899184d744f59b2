"""Shares of a season's index come by the end of each week, and their errors by drawing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analytics.errors import WrongUse

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


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
    filled = _between(known) @ index[known]
    shares: Floats = np.cumsum(filled) / filled.sum()
    return shares


def draw_shares(
    log_index: Floats, cov: Floats, *, rng: np.random.Generator, n_draws: int
) -> Floats:
    r"""Draw cumulative shares of a season whose weekly index has errors.

    The log index is drawn from the normal law with its covariance. A week without a figure takes
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
    rng : numpy.random.Generator
    n_draws : int
        D.

    Returns
    -------
    ndarray of float, shape (D, W)
        Each row ends at 1.

    Raises
    ------
    WrongUse
        If no week has a figure.
    """
    known = np.flatnonzero(np.isfinite(log_index))
    if not len(known):
        raise WrongUse("0 weeks with a figure; shares need 1 or more")
    value, error = log_index[known], cov[np.ix_(known, known)]
    size, axes = np.linalg.eigh((error + error.T) / 2)
    root = axes * np.sqrt(np.maximum(size, 0.0))
    drawn = value + rng.standard_normal((n_draws, len(known))) @ root.T
    index = np.exp(drawn - value.max()) @ _between(np.isfinite(log_index)).T
    spread = _bridge(known, len(log_index)) * _walk_variance(known, value, error)
    step = rng.standard_normal(index.shape) * np.sqrt(spread)
    index *= np.exp(step - spread / 2)
    shares: Floats = np.cumsum(index, axis=1) / index.sum(axis=1, keepdims=True)
    return shares


def crossing(day: Floats, share: Floats, part: float) -> Floats:
    """Return the days at which cumulative shares pass a part, even within each week.

    Parameters
    ----------
    day : ndarray of float, shape (W + 1,)
        From the start of the first week on, where the share is 0.
    share : ndarray of float, shape (D, W + 1)
        Never falling, from 0 to 1.
    part : float
        Between 0 and 1.

    Returns
    -------
    ndarray of float, shape (D,)
    """
    row = np.arange(len(share))
    after = np.argmax(share >= part, axis=1)
    low, high = share[row, after - 1], share[row, after]
    return np.asarray(day[after - 1] + (part - low) / (high - low) * (day[after] - day[after - 1]))


def _between(known: NDArray[np.bool_]) -> Floats:
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
    """Return the variance of a weekly step about the course of the run, 0 of under three weeks."""
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

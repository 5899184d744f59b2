"""Means over areas of which some have no figure in some weeks."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def fill(known: Floats, cov: Floats, at: NDArray[np.int64]) -> tuple[Floats, Floats]:
    r"""Fill a table of areas and weeks by its two-way fit, ``y_aw = a_a + b_w + e``.

    An empty cell takes ``a_a + b_w`` by least squares from the cells that are known, so that an
    area that is closed or not yet open moves the mean of a week no more than the others do. Its
    error is that of the known cells through the fit, and the spread about the fit.

    Parameters
    ----------
    known : ndarray of float, shape (A, W)
        NaN where empty.
    cov : ndarray of float, shape (C, C)
        Covariance of the known cells.
    at : ndarray of int, shape (C,)
        Places of the known cells in ``known.ravel()``, in the order of `cov`.

    Returns
    -------
    filled : ndarray of float, shape (A, W)
        NaN in an area or a week without any figure.
    cov : ndarray of float, shape (A W, A W)
        0 where nothing can be filled in.
    """
    n_areas, n_weeks = known.shape
    area, week = np.divmod(np.arange(known.size), n_weeks)
    x = np.concatenate(
        [area[:, None] == np.arange(n_areas), week[:, None] == np.arange(n_weeks)], 1
    )
    x = x.astype(np.float64)
    y, given = known.ravel()[at], np.zeros(known.size, dtype=bool)
    given[at] = True
    reached = np.isin(area, area[at]) & np.isin(week, week[at])
    through = x @ np.linalg.pinv(x[at])
    through[at] = np.eye(len(at))
    fit = x[at] @ np.linalg.pinv(x[at])
    free = len(at) - np.linalg.matrix_rank(x[at])
    rest = y - fit @ y
    # What the fit leaves, less what sampling alone would leave.
    off = np.eye(len(at)) - fit
    spread = (rest @ rest - np.trace(off @ cov @ off.T)) / free if free > 0 else 0.0
    whole = through @ cov @ through.T + np.diag(np.where(given, 0.0, max(spread, 0.0)))
    out = ~(given | reached)
    whole[out] = 0.0
    whole[:, out] = 0.0
    return np.where(out, np.nan, through @ y).reshape(known.shape), np.asarray(whole)

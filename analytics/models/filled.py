"""Means over areas of which some have no figure in some weeks."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Variance of an area-week about the two-way fit where nothing is left to tell it: a factor of 1.6
#: either way. Our choice, no source.
UNTOLD = 0.25
#: Rounds of the spread about the fit and the weights that rest on it.
ROUNDS = 3


def fill(known: Floats, cov: Floats, at: NDArray[np.int64]) -> tuple[Floats, Floats]:
    r"""Fill a table of areas and weeks by its two-way fit, ``y_aw = a_a + b_w + e``.

    An empty cell takes ``a_a + b_w`` by least squares from the cells that are known, each weighted
    by one over its variance and the spread about the fit, so that an area that is closed or not yet
    open moves the mean of a week no more than the others do, and a level that rests on hardly any
    fish hardly counts. The error of a filled cell is that of the known ones through the fit, and
    the spread. The spread is what the fit leaves beyond sampling, by moments (as DerSimonian &
    Laird 1986, Meta-analysis in clinical trials, Control. Clin. Trials 7; from memory).

    Parameters
    ----------
    known : ndarray of float, shape (A, W)
        NaN where empty.
    cov : ndarray of float, shape (C, C)
        Covariance of the known cells; NaN where it cannot be told.
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
    spread, solve = _two_way(x[at], y, np.where(np.isfinite(cov), cov, 0.0))
    through = x @ solve
    through[at] = np.eye(len(at))
    whole = through @ cov @ through.T + np.diag(np.where(given, 0.0, spread))
    out = ~(given | reached)
    whole[out] = 0.0
    whole[:, out] = 0.0
    return np.where(out, np.nan, through @ y).reshape(known.shape), np.asarray(whole)


def _two_way(x: Floats, y: Floats, cov: Floats) -> tuple[float, Floats]:
    """Return the spread about the fit, and the matrix that gives its coefficients from cells."""
    variance, eye = np.diag(cov), np.eye(len(y))
    spread = UNTOLD
    for _ in range(ROUNDS):
        weight = 1 / (variance + max(spread, 1e-6))
        root = np.sqrt(weight)
        solve: Floats = np.asarray(np.linalg.pinv(x * root[:, None]) * root, dtype=np.float64)
        off = eye - x @ solve
        rest = off @ y
        # Mean of the weighted squares that the fit leaves: of sampling, and of each unit of spread.
        sampling, unit = ((off @ one * off).sum(axis=1) @ weight for one in (cov, eye))
        if unit <= 1e-9 * len(y):
            return UNTOLD, solve
        spread = max(float((weight @ rest**2 - sampling) / unit), 0.0)
    return spread, solve

"""Levels of one factor at a fixed mix of the terms beside it, where the two do not interact."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, logit

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from analytics.models.formula import Coding

    Floats = NDArray[np.float64]


def marginal_means(
    coding: Coding,
    beta: Floats,
    levels: pd.DataFrame,
    mix: pd.DataFrame,
    weight: Floats,
    *,
    is_share: bool,
) -> tuple[Floats, Floats]:
    r"""Return L levels at one mix on the scale of the link, and their slopes in the coefficients.

    Marginal means (Searle, Speed & Milliken 1980, Population marginal means in the linear model,
    Am. Stat. 34; from memory). With a log link ``log Σ_m w_m exp(x_lm'b) = x_l'b + log Σ_m w_m
    exp(x_m'b)`` where the factor of the levels does not interact with the mix: a cost of L + M rows
    and not L times M. With a logit link ``logit Σ_m w_m expit(x_lm'b)``. With the slopes G the
    covariance of the values is ``G V G'``: levels share the coefficients of everything else.

    Parameters
    ----------
    beta : ndarray of float, shape (P,)
    levels : pandas.DataFrame
        L rows of the factor compared.
    mix : pandas.DataFrame
        M rows of the other columns.
    weight : ndarray of float, shape (M,)
        0 or more, not all 0.
    is_share : bool
        Whether the link is the logit; else the log.

    Returns
    -------
    value : ndarray of float, shape (L,)
    slopes : ndarray of float, shape (L, P)
    """
    share = weight / weight.sum()
    one = levels.iloc[[0]]
    first = {str(name): mix[name].iloc[0] for name in mix.columns}
    rows = coding.matrix(levels.assign(**first))
    base = coding.matrix(mix.assign(**{str(name): one[name].iloc[0] for name in one.columns}))
    off = base - base[0]
    if is_share:
        chance = expit((rows @ beta)[:, None] + off @ beta)
        mean = chance @ share
        width = chance * (1 - chance) * share
        each = width.sum(axis=1)[:, None] * rows + width @ off
        return np.asarray(logit(mean)), each / (mean * (1 - mean))[:, None]
    part = share * np.exp(off @ beta)
    slopes = rows + (part / part.sum()) @ off
    return np.asarray(rows @ beta + math.log(part.sum())), slopes


def reference_mix(
    frame: pd.DataFrame, columns: Sequence[str], exposure: str
) -> tuple[pd.DataFrame, Floats]:
    """Return every combination of some columns, with the exposure spent in it as its weight.

    Parameters
    ----------
    columns : sequence of str
        At least one.

    Returns
    -------
    mix : pandas.DataFrame
        M rows.
    weight : ndarray of float, shape (M,)
    """
    spent = frame.groupby(list(columns), observed=True)[exposure].sum()
    mix = spent.index.to_frame(index=False)
    return mix, spent.to_numpy(np.float64)


# Means over areas of which some have no figure in some weeks.

#: Variance of an area-week about the two-way fit where no degree of freedom is left for it: a
#: factor of 1.6 either way. Our choice, no source.
UNTOLD = 0.25
#: Rounds of the spread about the fit and the weights that rest on it.
ROUNDS = 3


def impute_areas(known: Floats, cov: Floats, at: NDArray[np.int64]) -> tuple[Floats, Floats]:
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
        Covariance of the known cells; NaN where it cannot be estimated.
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
    full = through @ cov @ through.T + np.diag(np.where(given, 0.0, spread))
    out = ~(given | reached)
    full[out] = 0.0
    full[:, out] = 0.0
    return np.where(out, np.nan, through @ y).reshape(known.shape), np.asarray(full)


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

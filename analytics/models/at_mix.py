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

    from analytics.models.terms import Coding

    Floats = NDArray[np.float64]


def at_mix(
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
    coding : Coding
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


def as_fished(
    frame: pd.DataFrame, columns: Sequence[str], exposure: str
) -> tuple[pd.DataFrame, Floats]:
    """Return every combination of some columns, with the exposure spent in it as its weight.

    Parameters
    ----------
    frame : pandas.DataFrame
    columns : sequence of str
        At least one.
    exposure : str

    Returns
    -------
    mix : pandas.DataFrame
        M rows.
    weight : ndarray of float, shape (M,)
    """
    spent = frame.groupby(list(columns), observed=True)[exposure].sum()
    mix = spent.index.to_frame(index=False)
    return mix, spent.to_numpy(np.float64)

"""Smooth functions of a number: natural cubic splines, straight beyond their outer knots."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analytics.errors import WrongUse

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def knots_of(values: Floats, n_columns: int, *, name: str) -> tuple[float, ...]:
    """Return knots at evenly spaced quantiles of the distinct values of a column.

    Parameters
    ----------
    values : ndarray of float
    n_columns : int
        Columns of the spline: one fewer than its knots.
    name : str
        The column, for the words of an error.

    Returns
    -------
    tuple of float, length n_columns + 1

    Raises
    ------
    WrongUse
        If there are under two columns, or fewer distinct values than knots.
    """
    distinct = np.unique(values)
    if n_columns < 2 or len(distinct) < n_columns + 1:
        raise WrongUse(
            f"a spline of {n_columns} columns over {len(distinct)} distinct values of {name!r}; "
            "allowed: 2 or more, and fewer than the distinct values"
        )
    return tuple(float(one) for one in np.quantile(distinct, np.linspace(0, 1, n_columns + 1)))


def natural_spline(x: Floats, knots: tuple[float, ...]) -> list[Floats]:
    r"""Return the columns of a natural cubic spline without its constant.

    ``x`` and ``d_k(x) - d_{K-1}(x)`` for k = 1 ... K-2, with ``d_k(x) = [(x - ξ_k)³₊ - (x -
    ξ_K)³₊]/(ξ_K - ξ_k)`` (Hastie, Tibshirani & Friedman 2009, The Elements of Statistical Learning,
    equation 5.4; from memory), on the scale of the knots' span.

    Parameters
    ----------
    x : ndarray of float, shape (N,)
    knots : tuple of float, length K

    Returns
    -------
    list of ndarray of float, shape (N,), length K - 1
    """
    span = knots[-1] - knots[0]
    z, at = (x - knots[0]) / span, (np.array(knots) - knots[0]) / span

    def bend(k: int) -> Floats:
        above, end = np.maximum(z - at[k], 0.0) ** 3, np.maximum(z - at[-1], 0.0) ** 3
        return np.asarray((above - end) / (at[-1] - at[k]), dtype=np.float64)

    last = bend(len(at) - 2)
    return [z, *(bend(k) - last for k in range(len(at) - 2))]

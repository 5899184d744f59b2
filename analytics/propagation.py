"""Error propagation through named combinations; plain arithmetic on estimates is not offered."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.intervals import t_quantile

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True, eq=False)
class Product:
    """Products of independent estimates, with the unbiased estimate of their variance."""

    value: NDArray[np.float64]
    variance: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class QuotientInterval:
    """A quotient of two estimates and its interval.

    Parameters
    ----------
    value : float
        Numerator over denominator, NaN where the denominator is 0.
    low, high : float
        Both NaN where there is no bounded interval.
    reason : str
        Why there is none, empty where there is one.
    """

    value: float
    low: float
    high: float
    reason: str = ""


def product(x: ArrayLike, vx: ArrayLike, y: ArrayLike, vy: ArrayLike) -> Product:
    """Return ``x y`` of independent unbiased estimates, and its variance.

    ``v(xy) = x² v_y + y² v_x - v_x v_y`` is unbiased where x, y, v_x and v_y are and the two pairs
    are independent (Goodman 1960, On the exact variance of products, J. Am. Stat. Assoc. 55).

    Parameters
    ----------
    x, y : array_like of float
        Estimates; the shapes broadcast.
    vx, vy : array_like of float
        Unbiased estimates of their variances, in the squared units.

    Returns
    -------
    Product
        The variance can be below 0 where both relative errors are over 0.7; it is left so, since
        cutting it at 0 would make it biased.
    """
    first, second = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    v_first, v_second = np.asarray(vx, dtype=np.float64), np.asarray(vy, dtype=np.float64)
    variance = second**2 * v_first + _unbiased_square(first, v_first) * v_second
    return Product(np.asarray(first * second), np.asarray(variance))


def product_variance(
    mean_x: ArrayLike, vx: ArrayLike, mean_y: ArrayLike, vy: ArrayLike
) -> NDArray[np.float64]:
    """Return the true variance of a product of independent variables, from their true moments.

    ``V(xy) = X² V_y + Y² V_x + V_x V_y`` (Goodman 1960). For known means and variances, as in a
    simulation or a plan; from estimates use `product`.

    Parameters
    ----------
    mean_x, mean_y : array_like of float
        True means; the shapes broadcast.
    vx, vy : array_like of float
        True variances.
    """
    first, second = np.asarray(mean_x, dtype=np.float64), np.asarray(mean_y, dtype=np.float64)
    v_first, v_second = np.asarray(vx, dtype=np.float64), np.asarray(vy, dtype=np.float64)
    return np.asarray(first**2 * v_second + second**2 * v_first + v_first * v_second)


def weighted_sum(
    total: NDArray[np.float64],
    cov: NDArray[np.float64],
    *,
    weight: NDArray[np.float64],
    weight_se: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    r"""Return ``Σ_k w_k T_k`` and its variance, totals and weights both with error.

    ``v = w' V w + Σ_k se(w_k)² (T_k² - V_kk)``: the variance of `product` (Goodman 1960), summed
    over weights that are independent of each other and of the totals. A negative ``T_k² - V_kk``
    counts as 0.

    Parameters
    ----------
    total : ndarray of float, shape (D, K)
    cov : ndarray of float, shape (D, K, K)
    weight, weight_se : ndarray of float, shape (K,)
        Weights with their standard errors, 0 for an exact one.

    Returns
    -------
    value, sample_variance, variance : ndarray of float, shape (D,)
        The first variance is that of the totals alone, for comparisons in which the weights are
        the same on both sides.
    """
    value = total @ weight
    survey = np.einsum("k,dkl,l->d", weight, cov, weight)
    variance = np.einsum("dkk->dk", cov)
    rates = np.maximum(_unbiased_square(total, variance), 0) @ weight_se**2
    return value, survey, survey + rates


def apportion(
    of_all: NDArray[np.float64], known: NDArray[np.float64], with_trait: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    r"""Return the fish with a trait, ``A B/C``, and its gradient ``(B/C, -A B/C², A/C)``.

    Of a part of A fish, C are known to have the trait or not and B of those have it; the others
    are taken to be like them.

    Parameters
    ----------
    of_all, known, with_trait : ndarray of float, shape (D,)
        A, C and B.

    Returns
    -------
    fish : ndarray of float, shape (D,)
        0 where of no fish it is known.
    gradient : ndarray of float, shape (D, 3)
        By A, C and B.
    is_known : ndarray of bool, shape (D,)
        Whether it is known of some fish.
    """
    is_known = known > 0
    below = np.where(is_known, known, np.inf)
    share, by_known = with_trait / below, of_all / below
    gradient = np.stack([share, -share * by_known, by_known], axis=1)
    return of_all * share, gradient, is_known


def _unbiased_square(
    estimate: NDArray[np.float64], variance: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the unbiased estimate of the square of what an unbiased estimate estimates."""
    square: NDArray[np.float64] = estimate**2 - variance
    return square


def joint_df(variances: Sequence[ArrayLike], dfs: Sequence[ArrayLike]) -> NDArray[np.float64]:
    r"""Return the degrees of freedom of a sum of independent variance estimates.

    ``(Σ v)² / Σ v²/df`` (Satterthwaite 1946, An approximate distribution of estimates of variance
    components, Biometrics Bulletin 2; from memory).

    Parameters
    ----------
    variances, dfs : sequence of array_like of float
        Parts and the degrees of freedom of each, shapes that broadcast.

    Returns
    -------
    ndarray of float
        The sum of the degrees of freedom where all parts are 0; 0 where a part above 0 has none.
    """
    parts = np.broadcast_arrays(*(np.asarray(v, dtype=np.float64) for v in variances))
    freedoms = np.broadcast_arrays(*(np.asarray(df, dtype=np.float64) for df in dfs))
    squared = sum(parts) ** 2
    below = sum(
        np.where(v == 0, 0.0, v**2 / np.where(df > 0, df, 1e-300))
        for v, df in zip(parts, freedoms, strict=True)
    )
    joint = np.where(below > 0, squared / np.where(below > 0, below, 1.0), sum(freedoms))
    return np.asarray(np.nan_to_num(joint, nan=0.0), dtype=np.float64)


def fieller(
    y: float,
    se_y: float,
    x: float,
    se_x: float,
    *,
    correlation: float = 0.0,
    level: float = 0.95,
    df: float = math.inf,
) -> QuotientInterval:
    r"""Return the interval of a quotient ``R = Y/X`` of two estimates by Fieller's theorem.

    The values R for which ``(y - R x)² <= t² (v_y - 2 R c + R² v_x)``: between the roots of
    ``(x² - t² v_x) R² - 2 (x y - t² c) R + (y² - t² v_y) = 0`` where ``x² > t² v_x`` (Fieller
    1954, Some problems in interval estimation, J. R. Stat. Soc. B 16; from memory). Elsewhere the
    denominator is not different from 0 at this level and the set has no bounds.

    Parameters
    ----------
    y, se_y : float
        Numerator and its standard error.
    x, se_x : float
        Denominator and its standard error.
    correlation : float
        Of the two estimates, from -1 to 1.
    level : float
        Confidence level, strictly between 0 and 1.
    df : float
        Degrees of freedom of Student's t; by default the normal quantile.

    Raises
    ------
    ValueError
        If a standard error is negative, or the correlation or the level is out of range.
    """
    if not (se_y >= 0 and se_x >= 0 and -1 <= correlation <= 1 and 0 < level < 1):
        raise ValueError(
            f"standard errors {se_y} and {se_x}, correlation {correlation}, level {level}; "
            "allowed: errors of 0 or more, a correlation from -1 to 1, a level between 0 and 1"
        )
    value = y / x if x else math.nan
    t = t_quantile(level, df)
    if math.isnan(t):
        return QuotientInterval(value, math.nan, math.nan, "under 1 degree of freedom")
    below = x**2 - t**2 * se_x**2
    if not below > 0:
        reason = f"the denominator is not different from 0 at level {level:g}"
        return QuotientInterval(value, math.nan, math.nan, reason)
    middle = x * y - t**2 * correlation * se_x * se_y
    # The part under the root is never negative while `below` is positive, but for rounding.
    half = math.sqrt(max(middle**2 - below * (y**2 - t**2 * se_y**2), 0.0))
    return QuotientInterval(value, (middle - half) / below, (middle + half) / below)

"""Errors of sums, ratios and products: by algebra, or by joint lognormal draws of positive totals.

Errors go through named combinations; plain arithmetic on estimates is not offered.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from analytics.arrays import Bools, Floats


def weighted_sum(
    total: Floats, cov: Floats, *, weight: Floats, weight_se: Floats
) -> tuple[Floats, Floats, Floats]:
    r"""Return ``Σ_k w_k T_k`` and its variance, totals and weights both with error.

    ``v = w' V w + Σ_k se(w_k)² (T_k² - V_kk)``: the unbiased variance of a product (Goodman 1960,
    On the exact variance of products, J. Am. Stat. Assoc. 55), summed over weights that are
    independent of each other and of the totals. A negative ``T_k² - V_kk`` counts as 0.

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


def power_mean(x: ArrayLike, *, intercept: float, slope: float, residual_sd: float) -> Floats:
    """Return the mean of what goes as a power of `x`, from a line through natural logarithms.

    The exponential of a mean logarithm is under the mean, so it is turned back with ``exp(s²/2)``,
    s the residual sd of the logarithms (Sprugel 1983, Correcting for bias in log-transformed
    allometric equations, Ecology 64; from memory).
    """
    scale = np.exp(intercept + residual_sd**2 / 2)
    return np.asarray(scale * np.asarray(x, dtype=np.float64) ** slope)


def apportion(of_all: Floats, known: Floats, with_trait: Floats) -> tuple[Floats, Floats, Bools]:
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


def _unbiased_square(estimate: Floats, variance: Floats) -> Floats:
    """Return the unbiased estimate of the square of what an unbiased estimate estimates."""
    square: Floats = estimate**2 - variance
    return square


def joint_df(variances: Sequence[ArrayLike], dfs: Sequence[ArrayLike]) -> Floats:
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


#: No draw lies further from its middle than this factor: with few degrees of freedom Student's t
#: would give totals that no fishery can have (a choice of this program, no source).
FURTHEST = 20.0
#: A covariance may not lie closer to minus the product of the means than this.
_LEAST = 0.05
#: An eigenvalue of less than this part of the largest is rounding.
_NONE = 1e-12


def log_covariance(mean: Floats, cov: Floats) -> Floats:
    r"""Return the covariance of logs (n, n) that gives means and covariances of lognormals.

    ``S_ij = log(1 + V_ij/(m_i m_j))`` (moments of the lognormal; Aitchison & Brown 1957, The
    lognormal distribution; from memory), made positive semidefinite by clipping eigenvalues at 0,
    the variances kept.

    Parameters
    ----------
    mean : ndarray of float, shape (n,)
        A mean of 0 has no variance.
    cov : ndarray of float, shape (n, n)
        NaN counts as 0.
    """
    is_some = mean > 0
    scale = np.where(is_some, mean, 1.0)
    relative = np.nan_to_num(cov) / np.outer(scale, scale)
    relative = np.where(np.outer(is_some, is_some), relative, 0.0)
    return nearest(np.log1p(np.maximum(relative, _LEAST - 1)))


def nearest(cov: Floats) -> Floats:
    """Return a covariance with its eigenvalues clipped at 0 and its variances kept."""
    size, vectors = np.linalg.eigh((cov + cov.T) / 2)
    clipped = (vectors * np.maximum(size, 0)) @ vectors.T
    kept, has = np.maximum(np.diag(cov), 0), np.diag(clipped)
    scale = np.sqrt(np.where(has > 0, kept / np.where(has > 0, has, 1.0), 0.0))
    found: Floats = clipped * np.outer(scale, scale)
    return found


def normal_draws(cov: Floats, *, rng: np.random.Generator, n_draws: int) -> Floats:
    """Return joint normal draws about 0, shape (D, n).

    Parameters
    ----------
    cov : ndarray of float, shape (n, n)
        Positive semidefinite.
    n_draws : int
        D.
    """
    drawn: Floats = rng.standard_normal((n_draws, len(cov))) @ symmetric_root(cov)
    return drawn


def symmetric_root(cov: Floats) -> Floats:
    """Return the one symmetric root of a covariance, shape (n, n).

    Vectors of alike eigenvalues are any of many, and their signs any: a root made of them alone
    would turn all draws at a change of the last digit, which this one follows by as much.
    """
    size, vectors = np.linalg.eigh(cov)
    some = size > _NONE * max(float(size.max(initial=0.0)), 0.0)
    found: Floats = (vectors * np.sqrt(np.where(some, size, 0.0))) @ vectors.T
    return found


def tail_draws(df: float, *, rng: np.random.Generator, n_draws: int) -> Floats:
    """Return ``sqrt(df/chi²_df)``, which makes a normal number Student's t, shape (D,)."""
    if not np.isfinite(df) or df < 1:
        return np.ones(n_draws)
    found: Floats = np.sqrt(df / np.maximum(rng.chisquare(df, n_draws), 1e-12))
    return found


def scaled_exp(deviate: Floats, mean: Floats) -> Floats:
    """Return ``exp(deviate)`` scaled to a mean over the draws; far deviates are cut.

    Parameters
    ----------
    deviate : ndarray of float, shape (D, ...)
    mean : ndarray of float, shape (...)
    """
    furthest = np.log(FURTHEST)
    drawn = np.exp(np.clip(deviate, -furthest, furthest))
    found: Floats = drawn / drawn.mean(axis=0) * mean
    return found

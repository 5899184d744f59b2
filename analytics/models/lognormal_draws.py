"""Joint lognormal draws of positive totals with known means and covariance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from analytics.arrays import Floats


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

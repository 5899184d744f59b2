"""Error propagation through named combinations; plain arithmetic on estimates is not offered."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def weighted_sum(
    total: NDArray[np.float64],
    cov: NDArray[np.float64],
    *,
    weight: NDArray[np.float64],
    weight_se: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    r"""Return ``Σ_k w_k T_k`` and its variance, totals and weights both with error.

    ``v = w' V w + Σ_k se(w_k)² (T_k² - V_kk)``: the unbiased estimator of the variance of a
    product of independent estimates (Goodman 1960, On the exact variance of products, J. Am.
    Stat. Assoc. 55), summed over weights that are independent of each other and of the totals.

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
    spread = np.einsum("dkk->dk", cov)
    rates = np.maximum(total**2 - spread, 0) @ weight_se**2
    return value, survey, survey + rates

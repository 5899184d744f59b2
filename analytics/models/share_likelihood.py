"""The beta-binomial regression as a likelihood of its parameters."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import statsmodels.api as sm

from analytics.models.beta_binomial import log_likelihood, slopes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.models.beta_binomial import Tallies


@dataclass(frozen=True, slots=True, eq=False)
class ShareLikelihood:
    """Beta-binomial regression; parameters are b, then λ = logit ρ.

    Parameters
    ----------
    rows : ndarray of float, shape (G, P)
        The distinct rows of the regression's matrix.
    tallies : Tallies
        The counts, by those rows.
    """

    rows: NDArray[np.float64]
    tallies: Tallies

    def value(self, params: NDArray[np.float64]) -> float:
        """Return the log-likelihood."""
        return log_likelihood(self.tallies, self.rows @ params[:-1], float(params[-1]))

    def score(self, params: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the gradient, shape (P + 1,)."""
        found = slopes(self.tallies, self.rows @ params[:-1], float(params[-1]))
        return np.append(self.rows.T @ found.eta, found.lam)

    def hessian(self, params: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the matrix of second derivatives, shape (P + 1, P + 1)."""
        found = slopes(self.tallies, self.rows @ params[:-1], float(params[-1]))
        size = len(params)
        matrix = np.empty((size, size))
        matrix[:-1, :-1] = self.rows.T @ (found.eta2[:, None] * self.rows)
        matrix[:-1, -1] = matrix[-1, :-1] = self.rows.T @ found.eta_lam
        matrix[-1, -1] = found.lam2
        return matrix


def binomial_start(
    successes: NDArray[np.int64], trials: NDArray[np.int64], matrix: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the coefficients of the binomial regression.

    Parameters
    ----------
    successes, trials : ndarray of int, shape (N,)
    matrix : ndarray of float, shape (N, P)

    Returns
    -------
    ndarray of float, shape (P,)
    """
    counts = np.column_stack([successes, trials - successes]).astype(np.float64)
    model = sm.GLM(counts, matrix, family=sm.families.Binomial())
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        # Separation was looked for before; statsmodels warns of it once more.
        warnings.simplefilter("ignore")
        params = model.fit(tol=1e-12, tol_criterion="params", maxiter=200).params
    return np.asarray(params, dtype=np.float64)

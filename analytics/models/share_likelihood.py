"""The beta-binomial regression on the machinery of statsmodels, and its checked errors."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import numpy as np
import statsmodels.api as sm
from statsmodels.base.model import GenericLikelihoodModel
from statsmodels.tools.numdiff import approx_fprime

from analytics.models.beta_binomial import log_likelihood, slopes

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from analytics.models.beta_binomial import Tallies

#: Largest difference between analytic and numerical information, as correlations.
AGREES = 1e-3


class BetaBinomial(GenericLikelihoodModel):
    """Beta-binomial regression with analytic derivatives; parameters are b, then λ = logit ρ.

    Parameters
    ----------
    successes, trials : ndarray of int, shape (N,)
    rows : ndarray of float, shape (G, P)
        The distinct rows of the regression's matrix.
    tallies : Tallies
        The counts, by those rows.
    names : sequence of str, length P
    """

    def __init__(
        self,
        successes: NDArray[np.int64],
        trials: NDArray[np.int64],
        rows: NDArray[np.float64],
        tallies: Tallies,
        names: Sequence[str],
    ) -> None:
        self.rows, self.tallies = rows, tallies
        # The likelihood needs the tallies alone; statsmodels is given one row a group.
        super().__init__(np.zeros(len(rows)), rows)
        self.exog_names[:] = list(names)
        self._set_extra_params_names(["logit_rho"])

    def loglike(self, params: NDArray[np.float64]) -> float:
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

    def search(self, start: NDArray[np.float64]) -> NDArray[np.float64] | None:
        """Return where BFGS stops from a start; None where it leaves the numbers."""
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            # Whether it arrived is asked of the score afterwards, not of the search.
            warnings.simplefilter("ignore")
            found: Any = self.fit(
                start, method="bfgs", maxiter=200, disp=0, gtol=1e-6, skip_hessian=True
            )
        params = np.asarray(found.params, dtype=np.float64)
        return params if np.isfinite(params).all() else None

    def uphill(self, params: NDArray[np.float64], step: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the parameters after a step, halved until the log-likelihood does not fall."""
        here = self.loglike(params)
        for _ in range(30):
            if self.loglike(params + step) >= here - 1e-12 * abs(here):
                return params + step
            step = step / 2
        return params


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


def checked_errors(
    hessian: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    score: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    params: NDArray[np.float64],
) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Return standard errors from the information at an optimum, if it stands two checks.

    It must be positive definite, and the analytic form must agree with the central difference of
    the score.

    Parameters
    ----------
    hessian, score : callable
        Of the parameters.
    params : ndarray of float, shape (P,)
        The optimum.

    Returns
    -------
    errors : ndarray of float, shape (P,)
        NaN where they are refused.
    notes : tuple of str
        Why they are refused; empty where they are not.
    """
    none = np.full(len(params), np.nan)
    information = -hessian(params)
    scale = np.sqrt(np.maximum(np.diag(information), 0.0))
    if not (scale > 0).all() or not np.isfinite(information).all():
        return none, ("no standard errors: the likelihood is flat at its top in a coefficient",)
    scaled = information / np.outer(scale, scale)
    if np.linalg.eigvalsh(scaled).min() <= 1e-10:
        return none, ("no standard errors: the information is not positive definite",)
    # Steps of a thousandth of each conditional error, whatever the unit of the column.
    numerical = -approx_fprime(
        np.zeros(len(params)),
        lambda z: score(params + z / scale) / scale,
        epsilon=1e-3,
        centered=True,
    )
    if not np.abs(numerical - scaled).max() < AGREES:
        return none, ("no standard errors: analytic and numerical information disagree",)
    errors: NDArray[np.float64] = np.sqrt(np.diag(np.linalg.inv(scaled))) / scale
    return errors, ()

"""The top of a likelihood: found far by BFGS of statsmodels and near by Newton's steps; its errors.

A fit counts as arrived only where the step it would still take is a small part of an error.
"""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from statsmodels.base.model import GenericLikelihoodModel
from statsmodels.tools.numdiff import approx_fprime

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: A step that would still be taken, in standard errors, under which a search has arrived.
CONVERGENCE_TOL = 1e-5
MOST_STEPS = 50
#: Largest difference between analytic and numerical information, as correlations.
AGREES = 1e-3


class Likelihood(Protocol):
    """A log-likelihood with its derivatives."""

    def value(self, params: Floats) -> float:
        """Return the log-likelihood."""

    def score(self, params: Floats) -> Floats:
        """Return the gradient, shape (K,)."""

    def hessian(self, params: Floats) -> Floats:
        """Return the matrix of second derivatives, shape (K, K)."""


class _Searched(GenericLikelihoodModel):
    """A likelihood as statsmodels searches it; the data stay where they are."""

    def __init__(self, likelihood: Likelihood, n_parameters: int) -> None:
        self.likelihood = likelihood
        super().__init__(np.zeros(n_parameters + 1), np.eye(n_parameters + 1, n_parameters))

    def loglike(self, params: Floats) -> float:
        return self.likelihood.value(params)

    def score(self, params: Floats) -> Floats:
        return self.likelihood.score(params)


def maximise(likelihood: Likelihood, start: Floats) -> Floats | None:
    """Return the parameters at the top of a likelihood near a start; None where none is reached.

    Parameters
    ----------
    likelihood : Likelihood
    start : ndarray of float, shape (K,)

    Returns
    -------
    ndarray of float, shape (K,) or None
    """
    with np.errstate(all="ignore"):
        near = newton(likelihood, start)
        if near is not None:
            return near
        far = search(likelihood, start)
        return None if far is None else newton(likelihood, far)


def search(likelihood: Likelihood, start: Floats) -> Floats | None:
    """Return where BFGS stops from a start; None where it leaves the numbers."""
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        # Whether it arrived is asked of the score afterwards, not of the search.
        warnings.simplefilter("ignore")
        found: Any = _Searched(likelihood, len(start)).fit(
            start, method="bfgs", maxiter=300, disp=0, gtol=1e-6, skip_hessian=True
        )
    params = np.asarray(found.params, dtype=np.float64)
    return params if np.isfinite(params).all() else None


def newton(likelihood: Likelihood, params: Floats) -> Floats | None:
    """Return the top by Newton's steps, each halved until it leads up; None where they fail."""
    for _ in range(MOST_STEPS):
        score, information = likelihood.score(params), -likelihood.hessian(params)
        if not (np.isfinite(score).all() and np.isfinite(information).all()):
            return None
        try:
            root = np.linalg.cholesky(information)
        except np.linalg.LinAlgError:
            return None
        part = np.linalg.solve(root, score)
        step = np.linalg.solve(root.T, part)
        if float(part @ part) < CONVERGENCE_TOL**2:
            last: Floats = params + step
            return last
        params = _uphill(likelihood, params, step)
    return None


def _uphill(likelihood: Likelihood, params: Floats, step: Floats) -> Floats:
    here = likelihood.value(params)
    for _ in range(30):
        there: Floats = params + step
        if likelihood.value(there) >= here - 1e-12 * abs(here):
            return there
        step = step / 2
    return params


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

"""The top of a likelihood: found far by BFGS of statsmodels and near by Newton's steps; its errors.

A fit counts as arrived only where the step it would still take is a small part of an error.
"""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from statsmodels.base.model import GenericLikelihoodModel

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: A step that would still be taken, in standard errors, under which a search has arrived.
ARRIVED = 1e-5
MOST_STEPS = 50


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


def top(likelihood: Likelihood, start: Floats) -> Floats | None:
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
        if float(part @ part) < ARRIVED**2:
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

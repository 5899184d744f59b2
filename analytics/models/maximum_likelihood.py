"""The top of a likelihood: found far by BFGS and near by Newton's steps; its errors.

A fit counts as arrived only where the step it would still take is a small part of an error.
"""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Protocol

import numpy as np

from analytics.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from analytics.arrays import Floats


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


def maximise(likelihood: Likelihood, start: Floats) -> Floats | None:
    """Return the parameters (K,) at the top near a start; None where none is reached."""
    with np.errstate(all="ignore"):
        near = newton(likelihood, start)
        if near is not None:
            return near
        far = search(likelihood, start)
        return None if far is None else newton(likelihood, far)


def search(likelihood: Likelihood, start: Floats) -> Floats | None:
    """Return where BFGS stops from a start; None where it leaves the numbers.

    Whether it converged is asked of the score afterwards.
    """
    from scipy.optimize import fmin_bfgs  # noqa: PLC0415

    scale = len(start) + 1
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        found = fmin_bfgs(  # type: ignore[call-overload]
            lambda params: -likelihood.value(params) / scale,
            start,
            fprime=lambda params: -likelihood.score(params) / scale,
            gtol=1e-6,
            maxiter=300,
            disp=0,
        )
    params = np.asarray(found, dtype=np.float64)
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


def covariance_at(hessian: Floats, why: str) -> Floats:
    """Return the covariance (K, K) of parameters at a top: the inverse of the information.

    Raises `UsageError` with `why` where the likelihood is flat there, to the digits of the numbers.
    """
    try:
        return np.asarray(np.linalg.inv(-hessian), dtype=np.float64)
    except np.linalg.LinAlgError as error:
        raise UsageError(why) from error


def checked_errors(
    hessian: Callable[[Floats], Floats], score: Callable[[Floats], Floats], params: Floats
) -> tuple[Floats, tuple[str, ...]]:
    """Return standard errors (P,) from the information at an optimum, if it stands two checks.

    It must be positive definite, and the analytic form must agree with the central difference of
    the score; else they are NaN, and the second result says why.
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
    steps = 1e-3 * np.diag(1 / scale)
    change = np.array([score(params + step) - score(params - step) for step in steps])
    numerical = -change.T / scale[:, None] / 2e-3
    if not np.abs(numerical - scaled).max() < AGREES:
        return none, ("no standard errors: analytic and numerical information disagree",)
    errors: Floats = np.sqrt(np.diag(np.linalg.inv(scaled))) / scale
    return errors, ()


def sandwich(bread: Floats, scores: Floats, n_lost: int = 1) -> Floats:
    """Return ``B (C/(C-L) Σ s_c s_c') B`` (K, K) from the scores of C clusters.

    Liang & Zeger 1986, Longitudinal data analysis using generalized linear models, Biometrika 73;
    from memory.
    """
    n = len(scores)
    return np.asarray(bread @ (n / (n - n_lost) * scores.T @ scores) @ bread, dtype=np.float64)

r"""Likelihoods with a penalty that keeps levels without a fish, or with nothing else, finite."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.models.maximum import Likelihood

    Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class BiasReduced:
    r"""A likelihood plus ``½ log |X' W X|``, W the Poisson or binomial weights.

    Firth (1993), Bias reduction of maximum likelihood estimates, Biometrika 80; from memory: of
    counts it is as if half a fish more had been met for each coefficient, so that a log rate is
    finite and nearly unbiased. The weights leave the dispersion out: half a fish corrects the log
    of a mean of overdispersed counts by as much.

    Parameters
    ----------
    whole : Likelihood
        The first P of its parameters are the coefficients of `rows`.
    rows : ndarray of float, shape (G, P)
    size : ndarray of float, shape (G,)
        Exposure of a group, or its trials.
    is_share : bool
        Whether the link is the logit; else the log.
    """

    whole: Likelihood
    rows: Floats
    size: Floats
    is_share: bool

    def value(self, params: Floats) -> float:
        """Return the penalised log-likelihood."""
        matrix = self._information(params)[1]
        return self.whole.value(params) + 0.5 * float(np.linalg.slogdet(matrix)[1])

    def score(self, params: Floats) -> Floats:
        """Return its gradient, shape (K,)."""
        score = self.whole.score(params).copy()
        score[: self.rows.shape[1]] += self.rows.T @ self.pull(params)
        return score

    def pull(self, params: Floats) -> Floats:
        """Return the gradient of the penalty in the predictor of each group, shape (G,).

        Half of each group's leverage: the fish that the penalty adds to it.
        """
        weight, matrix = self._information(params)
        leverage = weight * ((self.rows @ np.linalg.pinv(matrix)) * self.rows).sum(axis=1)
        if self.is_share:
            leverage *= 1 - 2 * expit(self.rows @ params[: self.rows.shape[1]])
        return np.asarray(0.5 * leverage)

    def hessian(self, params: Floats) -> Floats:
        """Return the second derivatives of the likelihood alone, near enough to climb by."""
        return self.whole.hessian(params)

    def _information(self, params: Floats) -> tuple[Floats, Floats]:
        eta = self.rows @ params[: self.rows.shape[1]]
        share = expit(eta)
        weight = self.size * (share * (1 - share) if self.is_share else np.exp(eta))
        return weight, self.rows.T @ (weight[:, None] * self.rows)


@dataclass(frozen=True, slots=True, eq=False)
class Towards:
    r"""A likelihood with a conjugate prior on C levels about centres, each worth some fish.

    Counts: ``w (l - c) - w exp(l - c)`` for a level l about its centre c, a gamma of shape w: as if
    w fish more had been met in the effort that the centre says they take. Shares: ``w p l - w log(1
    + exp l)`` with ``p = expit c``: w encounters more with the centre's share (Diaconis & Ylvisaker
    1979, Conjugate priors for exponential families, Ann. Stat. 7; from memory).

    Parameters
    ----------
    whole : Likelihood
        The first P of its parameters are the coefficients of `rows`.
    rows : ndarray of float, shape (C, P)
        Levels as sums of coefficients.
    centre : ndarray of float, shape (C,)
    pull : ndarray of float, shape (P,)
        Gradient that `BiasReduced` adds at the centres: coefficients keep it, ``pull'b``.
    worth : float
    is_share : bool
    """

    whole: Likelihood
    rows: Floats
    centre: Floats
    pull: Floats
    worth: float
    is_share: bool

    def value(self, params: Floats) -> float:
        """Return the log-likelihood with the prior."""
        level = self._level(params)
        if self.is_share:
            prior = expit(self.centre) * level - np.logaddexp(0.0, level)
        else:
            prior = level - self.centre - np.exp(level - self.centre)
        return self.whole.value(params) + self.worth * float(prior.sum()) + self._pulled(params)

    def score(self, params: Floats) -> Floats:
        """Return its gradient, shape (K,)."""
        level, score = self._level(params), self.whole.score(params).copy()
        if self.is_share:
            first = expit(self.centre) - expit(level)
        else:
            first = 1 - np.exp(level - self.centre)
        score[: self.rows.shape[1]] += self.worth * self.rows.T @ first + self.pull
        return score

    def hessian(self, params: Floats) -> Floats:
        """Return its second derivatives, shape (K, K)."""
        level, p = self._level(params), self.rows.shape[1]
        share = expit(level)
        weight = share * (1 - share) if self.is_share else np.exp(level - self.centre)
        matrix = self.whole.hessian(params).copy()
        matrix[:p, :p] -= self.worth * self.rows.T @ (weight[:, None] * self.rows)
        return matrix

    def by_centre(self, params: Floats) -> Floats:
        """Return the derivatives of the gradient in the centres, shape (K, C)."""
        share, off = expit(self.centre), self._level(params) - self.centre
        weight = share * (1 - share) if self.is_share else np.exp(off)
        matrix = np.zeros((len(params), len(self.centre)))
        matrix[: self.rows.shape[1]] = self.worth * self.rows.T * weight
        return matrix

    def _pulled(self, params: Floats) -> float:
        return float(self.pull @ params[: self.rows.shape[1]])

    def _level(self, params: Floats) -> Floats:
        return np.asarray(self.rows @ params[: self.rows.shape[1]])

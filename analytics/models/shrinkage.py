"""A level for every area and week of counts or shares, each finite however few its fish.

Two steps. First areas and weeks add up, with a bias-reducing penalty (`BiasReduced`):
that gives every area-week a centre, low where there was no fish. Then every area-week has a level
of its own, with a prior worth `PRIOR_COUNT` fish about its centre (`ShrinkageLikelihood`): an
area-week of y fish takes ``y/(y + PRIOR_COUNT)`` of its level from its own fish, so that thick ones
stay where their own fish put them, and one without a fish is low, with an error as wide as a guess
from its neighbours deserves. That one fish is our choice, no source.

The covariance is ``H⁻¹ + J V J'``: H the curvature at the top, J the slopes of the coefficients in
the first step's, V the first step's covariance (Kass & Steffey 1989, Approximate Bayesian inference
in conditionally independent hierarchical models, J. Am. Stat. Assoc. 84; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit

from analytics.codes import coded
from analytics.errors import UsageError
from analytics.models.count_warm_start import DIVERGENCE_BOUND, independent
from analytics.models.factor_matrix import gram, quadratic
from analytics.models.formula import coding_of
from analytics.models.maximum_likelihood import covariance_at, maximise

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pandas as pd

    from analytics.arrays import Bools, Floats, Ints
    from analytics.models.formula import Coding
    from analytics.models.maximum_likelihood import Likelihood


# Likelihoods with a penalty that keeps levels without a fish, or with nothing else, finite.


@dataclass(frozen=True, slots=True, eq=False)
class BiasReduced:
    """A likelihood plus ``½ log |X' W X|``, W the Poisson or binomial weights.

    Firth (1993), Bias reduction of maximum likelihood estimates, Biometrika 80; from memory: of
    counts it is as if half a fish more were caught for each coefficient, so that a log rate is
    finite and nearly unbiased. The weights leave the dispersion out: half a fish corrects the log
    of a mean of overdispersed counts by as much.

    The first P parameters are the coefficients of `rows` (G, P); `size` (G,): exposure or trials.
    """

    likelihood: Likelihood
    rows: Floats
    size: Floats
    is_share: bool
    # What was calculated last: value and gradient are needed at the same place.
    _last: dict[bytes, tuple[Floats, Floats]] = field(default_factory=dict, init=False, repr=False)

    def value(self, params: Floats) -> float:
        """Return the penalised log-likelihood."""
        matrix = self._information(params)[1]
        return self.likelihood.value(params) + 0.5 * float(np.linalg.slogdet(matrix)[1])

    def score(self, params: Floats) -> Floats:
        """Return its gradient, shape (K,)."""
        score = self.likelihood.score(params).copy()
        score[: self.rows.shape[1]] += self.rows.T @ self.pull(params)
        return score

    def pull(self, params: Floats) -> Floats:
        """Return the gradient of the penalty in the predictor of each group, shape (G,).

        Half of each group's leverage: the fish that the penalty adds to it. NaN so far out that the
        weights are no numbers.
        """
        weight, matrix = self._information(params)
        if not np.isfinite(matrix).all():
            return np.full(len(weight), np.nan)
        leverage = weight * quadratic(self.rows, np.asarray(np.linalg.pinv(matrix), np.float64))
        if self.is_share:
            leverage *= 1 - 2 * expit(self.rows @ params[: self.rows.shape[1]])
        return np.asarray(0.5 * leverage)

    def hessian(self, params: Floats) -> Floats:
        """Return the second derivatives of the likelihood alone, near enough for Newton's steps."""
        return self.likelihood.hessian(params)

    def _information(self, params: Floats) -> tuple[Floats, Floats]:
        key = params.tobytes()
        if key not in self._last:
            eta = self.rows @ params[: self.rows.shape[1]]
            share = expit(eta)
            weight = self.size * (share * (1 - share) if self.is_share else np.exp(eta))
            self._last.clear()
            self._last[key] = weight, gram(self.rows, weight)
        return self._last[key]


@dataclass(frozen=True, slots=True, eq=False)
class ShrinkageLikelihood:
    """A likelihood with a conjugate prior on C levels about centres, each worth some fish.

    Counts: ``w (l - c) - w exp(l - c)`` for a level l about its centre c, a gamma of shape w: as if
    w fish more were caught in the effort that the centre says they take. Shares: ``w p l - w log(1
    + exp l)`` with ``p = expit c``: w encounters more with the centre's share (Diaconis & Ylvisaker
    1979, Conjugate priors for exponential families, Ann. Stat. 7; from memory).

    The first P parameters are the coefficients of `rows` (C, P), whose sums are the levels. `pull`
    (P,): gradient that `BiasReduced` adds at the centres: coefficients retain it, ``pull'b``.
    """

    likelihood: Likelihood
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
        return (
            self.likelihood.value(params) + self.worth * float(prior.sum()) + self._pulled(params)
        )

    def score(self, params: Floats) -> Floats:
        """Return its gradient, shape (K,)."""
        level, score = self._level(params), self.likelihood.score(params).copy()
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
        matrix = self.likelihood.hessian(params).copy()
        matrix[:p, :p] -= self.worth * gram(self.rows, weight)
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


#: Fish that the prior on an area-week is worth.
PRIOR_COUNT = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class ResponseData:
    """What is fitted: counts, with a log link, or shares, with a logit link.

    `groups`: every combination of the covariates, G rows, with the exposure or trials (`size`) of
    each. `base`: log rate, or logit of the share, of all rows together. `families`: those to try,
    the one requested first, with where their other parameters start. `likelihood`: of a family, its
    first parameters the coefficients of some rows. `is_inside`: whether the other parameters of a
    family are not at an edge of what is allowed.
    """

    groups: pd.DataFrame
    size: Floats
    is_share: bool
    base: float
    families: dict[str, list[float]]
    likelihood: Callable[[str, Floats], Likelihood]
    is_inside: Callable[[str, Floats], bool]


@dataclass(frozen=True, slots=True, eq=False)
class CellLevelFit:
    """The second step, at its top: `params` (K,) of `likelihood`, which is without the prior.

    `cov`, `bread` (K, K): with the centres' errors in it, and without. `keep` (P,): columns of the
    coding that are fitted; the others follow from these and stand at 0.
    """

    family: str
    likelihood: Likelihood
    params: Floats
    cov: Floats
    bread: Floats
    coding: Coding
    keep: Bools


def fit_levels(
    data: ResponseData, *, cell: str, parts: Sequence[str], others: Sequence[str]
) -> CellLevelFit:
    """Fit both steps by the family requested; by a simpler one where that does not converge.

    `cell`: column of the area-weeks. `parts`: columns that add up to the centre of an area-week.
    `others`: terms beside them. Raises `UsageError` if no search converges, or an effect diverges.
    """
    cells, parts = (
        [name for name in names if len(data.groups[name].unique()) > 1]
        for names in ((cell,), parts)
    )
    first, second = (_Matrix.of(data, one, others) for one in (parts, cells))
    for family in data.families:
        found = _both(data, family, first, second)
        if found is not None:
            return found
    raise UsageError(coded("levels_not_found"))


@dataclass(frozen=True, slots=True, eq=False)
class _Matrix:
    """A coding with its independent columns, and the rows of area-weeks at the mean of the rest.

    `n_own` columns, the first, are those of the levels.
    """

    coding: Coding
    keep: Bools
    rows: Floats
    levels: Floats
    n_own: int

    @classmethod
    def of(cls, data: ResponseData, own: Sequence[str], others: Sequence[str]) -> _Matrix:
        coding = coding_of(data.groups, [*own, *others])
        rows = coding.matrix(data.groups)
        keep = independent(rows)
        # Columns of the others come last; a level stands at their mean.
        n_own = rows.shape[1] - len(coding_of(data.groups, others).names) + 1
        levels = rows.copy()
        levels[:, n_own:] = data.size @ rows[:, n_own:] / data.size.sum()
        return cls(coding, keep, rows[:, keep], levels[:, keep], int(keep[:n_own].sum()))

    def each_level(self) -> Ints:
        """Return a row of each level, the base first: the last of those that are alike."""
        # Of a level's columns one is 1, of the base none: its place from the end names the level.
        code = self.levels[:, : self.n_own] @ np.append(0, np.arange(self.n_own - 1, 0, -1))
        at = np.unique(code[::-1], return_index=True)[1]
        return np.asarray(len(code) - 1 - at)

    @property
    def names(self) -> list[str]:
        return [name for name, one in zip(self.coding.names, self.keep, strict=True) if one]


def _both(data: ResponseData, family: str, first: _Matrix, second: _Matrix) -> CellLevelFit | None:
    start = np.concatenate([[data.base], np.zeros(first.rows.shape[1] - 1), data.families[family]])
    plain = data.likelihood(family, first.rows)
    reduced = BiasReduced(plain, first.rows, data.size, data.is_share)
    centred = maximise(reduced, start)
    if centred is None or not data.is_inside(family, centred):
        return None
    p = first.rows.shape[1]
    at = second.each_level()
    each = second.levels[at]
    centre = first.levels[at] @ centred[:p]
    known = dict(zip(first.names, centred[:p], strict=True))
    b = np.array([known.get(name, 0.0) for name in second.names])
    # The levels themselves start from their centres.
    own = second.n_own
    b[:own] = np.linalg.lstsq(each[:, :own], centre - each[:, own:] @ b[own:], rcond=None)[0]
    pull = second.rows.T @ reduced.pull(centred)
    full = data.likelihood(family, second.rows)
    prior = ShrinkageLikelihood(full, each, centre, pull, PRIOR_COUNT, data.is_share)
    params = maximise(prior, np.concatenate([b, centred[p:]]))
    if params is None or not data.is_inside(family, params):
        return None
    why = coded("levels_without_fish")
    bread = covariance_at(prior.hessian(params), why)
    if not np.sqrt(np.diag(bread)[: len(b)].max()) < DIVERGENCE_BOUND:
        raise UsageError(why)
    wide = covariance_at(plain.hessian(centred), why)[:p, :p]
    slope = bread @ prior.by_centre(params) @ first.levels[at]
    cov: Floats = bread + slope @ wide @ slope.T
    return CellLevelFit(family, full, params, cov, bread, second.coding, second.keep)

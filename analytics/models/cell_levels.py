"""A level for every area and week of counts or shares, each finite however few its fish.

Two steps. First areas and weeks add up, with a bias-reducing penalty (`penalties.BiasReduced`):
that gives every area-week a centre, low where nobody met a fish. Then every area-week has a level
of its own, with a prior worth `PRIOR_COUNT` fish about its centre (`ShrinkageLikelihood`): an
area-week of y fish keeps about ``y/(y + PRIOR_COUNT)`` of what it says itself, so that thick ones
stay where their own fish put them, and one without a fish is low, with an error as wide as a guess
from its neighbours deserves. That one fish is our choice, no source.

The covariance is ``H⁻¹ + J V J'``: H the curvature at the top, J the slopes of the coefficients in
the first step's, V the first step's covariance (Kass & Steffey 1989, Approximate Bayesian inference
in conditionally independent hierarchical models, J. Am. Stat. Assoc. 84; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from analytics.errors import UsageError
from analytics.models.beta_binomial import ShareLikelihood, log_lik_derivatives, tally
from analytics.models.count_data import coded, independent
from analytics.models.count_families import ETA, Family
from analytics.models.count_likelihood import CountLikelihood
from analytics.models.count_regression import DIVERGENCE_BOUND, ZERO, CountFit, log_rate
from analytics.models.formula import coding_of
from analytics.models.maximum_likelihood import maximise
from analytics.models.response_checks import counts_of
from analytics.models.share_regression import FIRST_RHO, Binomial, ShareRegression

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.models.count_data import Coded
    from analytics.models.formula import Coding
    from analytics.models.maximum_likelihood import Likelihood

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


# Counts and shares as grounds of `level_fit`: their likelihoods, and where a search starts.

#: Dispersion, correlation and logit of a zero part under which there is none.
NONE, NO_ZEROS = 1e-6, -12.0
BETA_BINOMIAL, BINOMIAL = "beta_binomial", "binomial"


@dataclass(frozen=True, slots=True, eq=False)
class CountGround:
    """Counts as a ground of `level_fit`."""

    rows: Coded
    family: Family

    @property
    def groups(self) -> pd.DataFrame:
        """Every combination of the covariates, G rows."""
        return self.rows.groups

    @property
    def size(self) -> Floats:
        """Exposure or trials of each, shape (G,)."""
        counts = self.rows.counts
        spent = counts.weight * np.exp(counts.log_exposure)
        return np.asarray(np.bincount(counts.group, spent, len(self.rows.groups)))

    @property
    def is_share(self) -> bool:
        """Whether the link is the logit."""
        return False

    @property
    def base(self) -> float:
        """Log rate, or logit of the share, of all rows together."""
        return log_rate(self.rows.counts)

    def laws(self) -> list[str]:
        """Return the families to try, the one asked for first."""
        chain = [self.family]
        if self.family.has_zero_part and self.family.has_dispersion:
            chain.append(Family.NEGATIVE_BINOMIAL)
        return [str(one) for one in dict.fromkeys([*chain, Family.POISSON])]

    def likelihood(self, law: str, rows: Floats) -> Likelihood:
        """Return the likelihood of a family with the coefficients of some rows."""
        family = Family(law)
        zero = np.ones((len(rows), 1 if family.has_zero_part else 0))
        return CountLikelihood(family, self.rows.counts, rows, zero)

    def more(self, law: str) -> Floats:
        """Return where the other parameters start."""
        family = Family(law)
        return np.array([-1.0] * family.has_zero_part + [-0.7] * family.has_dispersion)

    def is_inside(self, law: str, params: Floats) -> bool:
        """Return whether the other parameters are not at an edge of what is allowed."""
        family = Family(law)
        if family.has_dispersion and math.exp(params[-1]) < NONE:
            return False
        return not family.has_zero_part or params[-1 - family.has_dispersion] > NO_ZEROS


@dataclass(frozen=True, slots=True, eq=False)
class ShareGround:
    """Shares as a ground of `level_fit`."""

    groups: pd.DataFrame
    successes: Ints
    trials: Ints
    group: Ints
    family: str

    @property
    def size(self) -> Floats:
        """Exposure or trials of each, shape (G,)."""
        return np.asarray(np.bincount(self.group, self.trials, len(self.groups)), dtype=np.float64)

    @property
    def is_share(self) -> bool:
        """Whether the link is the logit."""
        return True

    @property
    def base(self) -> float:
        """Log rate, or logit of the share, of all rows together."""
        return float(logit(self.successes.sum() / self.trials.sum()))

    def laws(self) -> list[str]:
        """Return the families to try, the one asked for first."""
        return list(dict.fromkeys([self.family, BINOMIAL]))

    def likelihood(self, law: str, rows: Floats) -> Likelihood:
        """Return the likelihood of a family with the coefficients of some rows."""
        whole = ShareLikelihood(rows, tally(self.successes, self.trials, self.group, len(rows)))
        return whole if law == BETA_BINOMIAL else Binomial(whole)

    def more(self, law: str) -> Floats:
        """Return where the other parameters start."""
        return np.array([float(logit(FIRST_RHO))] if law == BETA_BINOMIAL else [])

    def is_inside(self, law: str, params: Floats) -> bool:
        """Return whether the other parameters are not at an edge of what is allowed."""
        return law == BINOMIAL or float(expit(params[-1])) > NONE


# Likelihoods with a penalty that keeps levels without a fish, or with nothing else, finite.


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
class ShrinkageLikelihood:
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


#: Fish that the prior on an area-week is worth.
PRIOR_COUNT = 1.0


class ResponseData(Protocol):
    """Rows that are fitted: of counts or of shares."""

    @property
    def groups(self) -> pd.DataFrame:
        """Every combination of the covariates, G rows."""

    @property
    def size(self) -> Floats:
        """Exposure or trials of each, shape (G,)."""

    @property
    def is_share(self) -> bool:
        """Whether the link is the logit."""

    @property
    def base(self) -> float:
        """Log rate, or logit of the share, of all rows together."""

    def laws(self) -> Sequence[str]:
        """Return the families to try, the one asked for first."""

    def likelihood(self, law: str, rows: Floats) -> Likelihood:
        """Return the likelihood of a family, its first parameters the coefficients of `rows`."""

    def more(self, law: str) -> Floats:
        """Return where the other parameters start."""

    def is_inside(self, law: str, params: Floats) -> bool:
        """Return whether the other parameters are not at an edge of what is allowed."""


@dataclass(frozen=True, slots=True, eq=False)
class CellLevelFit:
    """The second step, at its top.

    Parameters
    ----------
    law : str
    likelihood : Likelihood
        Without the prior.
    params : ndarray of float, shape (K,)
    cov, bread : ndarray of float, shape (K, K)
        With the centres' errors in it, and without.
    coding : Coding
    keep : ndarray of bool, shape (P,)
        Columns of the coding that are fitted; the others follow from these and stand at 0.
    """

    law: str
    likelihood: Likelihood
    params: Floats
    cov: Floats
    bread: Floats
    coding: Coding
    keep: NDArray[np.bool_]


def fit_levels(
    ground: ResponseData, *, cell: str, parts: Sequence[str], others: Sequence[str]
) -> CellLevelFit:
    """Fit both steps by the family asked for; by a simpler one where that does not arrive.

    Parameters
    ----------
    ground : ResponseData
        `groups` has a column for every name.
    cell : str
        Column of the area-weeks.
    parts : sequence of str
        Columns that add up to the centre of an area-week.
    others : sequence of str
        Terms beside them.

    Returns
    -------
    CellLevelFit

    Raises
    ------
    UsageError
        If no search arrives, or an effect runs off.
    """
    cells, parts = (
        [name for name in names if len(ground.groups[name].unique()) > 1]
        for names in ((cell,), parts)
    )
    first, second = (_Matrix.of(ground, one, others) for one in (parts, cells))
    for law in ground.laws():
        found = _both(ground, law, first, second)
        if found is not None:
            return found
    raise UsageError(
        "the search for a level of every area and week did not arrive: leave a term out"
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Matrix:
    """A coding with its independent columns, and the rows of area-weeks at the mean of the rest.

    `n_own` columns, the first, are those of the levels.
    """

    coding: Coding
    keep: NDArray[np.bool_]
    rows: Floats
    levels: Floats
    n_own: int

    @classmethod
    def of(cls, ground: ResponseData, own: Sequence[str], others: Sequence[str]) -> _Matrix:
        coding = coding_of(ground.groups, [*own, *others])
        rows = coding.matrix(ground.groups)
        keep = independent(rows)
        # Columns of the others come last; a level stands at their mean.
        n_own = rows.shape[1] - len(coding_of(ground.groups, others).names) + 1
        levels = rows.copy()
        levels[:, n_own:] = ground.size @ rows[:, n_own:] / ground.size.sum()
        return cls(coding, keep, rows[:, keep], levels[:, keep], int(keep[:n_own].sum()))

    @property
    def names(self) -> list[str]:
        return [name for name, one in zip(self.coding.names, self.keep, strict=True) if one]


def _both(ground: ResponseData, law: str, first: _Matrix, second: _Matrix) -> CellLevelFit | None:
    start = np.concatenate([[ground.base], np.zeros(first.rows.shape[1] - 1), ground.more(law)])
    plain = ground.likelihood(law, first.rows)
    reduced = BiasReduced(plain, first.rows, ground.size, ground.is_share)
    centred = maximise(reduced, start)
    if centred is None or not ground.is_inside(law, centred):
        return None
    p = first.rows.shape[1]
    each, place = np.unique(second.levels, axis=0, return_inverse=True)
    at = np.zeros(len(each), dtype=np.int64)
    at[place.ravel()] = np.arange(len(second.levels))
    centre = first.levels[at] @ centred[:p]
    known = dict(zip(first.names, centred[:p], strict=True))
    b = np.array([known.get(name, 0.0) for name in second.names])
    # The levels themselves start from their centres.
    own = second.n_own
    b[:own] = np.linalg.lstsq(each[:, :own], centre - each[:, own:] @ b[own:], rcond=None)[0]
    pull = second.rows.T @ reduced.pull(centred)
    whole = ground.likelihood(law, second.rows)
    prior = ShrinkageLikelihood(whole, each, centre, pull, PRIOR_COUNT, ground.is_share)
    params = maximise(prior, np.concatenate([b, centred[p:]]))
    if params is None or not ground.is_inside(law, params):
        return None
    bread = np.asarray(np.linalg.inv(-prior.hessian(params)), dtype=np.float64)
    if not np.sqrt(np.diag(bread)[: len(b)].max()) < DIVERGENCE_BOUND:
        raise UsageError("some terms pick out rows that are all without a fish: leave a term out")
    wide = np.linalg.inv(-plain.hessian(centred))[:p, :p]
    slope = bread @ prior.by_centre(params) @ first.levels[at]
    cov: Floats = bread + slope @ wide @ slope.T
    return CellLevelFit(law, whole, params, cov, bread, second.coding, second.keep)


def spread_by_cluster(
    score: Floats, information: Floats, cell: Ints, cluster: Ints, has: NDArray[np.bool_]
) -> float:
    r"""Return the variance of scores by cluster over that expected of rows, pooled over cells.

    In a cell of score s and information I whose clusters have s_d and I_d, ``Σ_d (s_d - s I_d/I)²``
    has the mean ``I - Σ_d I_d²/I`` where rows stand alone. The factor is the sum of the former over
    that of the latter, over all cells of two clusters or more, and never below 1: thick cells tell
    it, thin ones share it. Our choice, no source; in one cell of D equal clusters it is the
    sandwich with its ``D/(D-1)``.

    Parameters
    ----------
    score, information : ndarray of float, shape (N,)
        Of rows, in the linear predictor.
    cell, cluster : ndarray of int, shape (N,)
        Codes from 0.
    has : ndarray of bool, shape (C,)
        Whether a cell has fish that can tell anything.

    Returns
    -------
    float
        NaN where no cell with fish has two clusters.
    """
    n = len(has)
    pairs, place = np.unique(cluster * n + cell, return_inverse=True)
    s, i = (np.bincount(place.ravel(), one, len(pairs)) for one in (score, information))
    of = pairs % n
    n_days, s_all, i_all, squares = (
        np.bincount(of, one, n) for one in (np.ones(len(pairs)), s, i, i**2)
    )
    i_all = np.maximum(i_all, 1e-300)
    several = n_days >= 2
    if not (several & has).any():
        return float("nan")
    seen = np.bincount(of, (s - s_all[of] * i / i_all[of]) ** 2, n)
    expected = i_all - squares / i_all
    return max(float(seen[several].sum() / expected[several].sum()), 1.0)


# Levels of counts and of shares for every area and week, with errors by site-day.


@dataclass(frozen=True, slots=True, eq=False)
class LevelFit:
    """A fit with a level for every area and week.

    Parameters
    ----------
    fit : CountFit or ShareRegression
        Its covariance has the errors of the centres in it.
    by_cluster : ndarray of float, shape (K, K)
        Covariance of the coefficients by cluster; NaN where there are too few.
    spread : float
        Variance between clusters over that of rows alone, pooled; NaN where it cannot be told.
    n_clusters : int
    """

    fit: CountFit | ShareRegression
    by_cluster: Floats
    spread: float
    n_clusters: int


def level_counts(
    frame: pd.DataFrame,
    *,
    response: str,
    exposure: str,
    cell: str,
    parts: Sequence[str],
    others: Sequence[str],
    cluster: str,
    family: str,
) -> LevelFit:
    """Fit a level of counts for every area and week, as `level_fit.fit_levels` has it.

    Parameters
    ----------
    frame : pandas.DataFrame
        N rows.
    response, exposure, cluster : str
        As in `analytics.models.count_regression.fit_counts`.
    cell, parts, others
        As in `level_fit.fit_levels`.
    family : str
        A word of `Family` without a hurdle.

    Returns
    -------
    LevelFit

    Raises
    ------
    UsageError
        As `level_fit.fit_levels`, and if a column cannot be used.
    """
    terms = [cell, *parts, *others]
    rows = coded(frame, response=response, exposure=exposure, terms=terms, cluster=cluster)
    found = fit_levels(CountGround(rows, Family(family)), cell=cell, parts=parts, others=others)
    likelihood, params = found.likelihood, found.params
    if rows.cluster is None or not isinstance(likelihood, CountLikelihood):
        raise UsageError("levels of counts need clusters, such as the site-day")
    counts, told = likelihood.counts, likelihood.slopes(params)
    codes = pd.factorize(rows.groups[cell])[0].astype(np.int64)[counts.group]
    spread = spread_by_cluster(
        told.first[ETA][rows.place],
        -told.second[ETA, ETA][rows.place],
        codes[rows.place],
        rows.cluster,
        np.bincount(codes, counts.y) > 0,
    )
    scores = likelihood.cluster_scores(params, rows.place, rows.cluster)
    fit, by_cluster = _count_fit(found, likelihood, rows, scores, Family(family))
    return LevelFit(fit, by_cluster, spread, len(scores))


def _count_fit(
    found: CellLevelFit, likelihood: CountLikelihood, rows: Coded, scores: Floats, asked: Family
) -> tuple[CountFit, Floats]:
    """Return a fit as tables and predictions want it, and its covariance by cluster."""
    law, params = Family(found.law), found.params
    names = [*found.coding.names] + [f"{ZERO}intercept"] * law.has_zero_part
    keep = np.append(found.keep, [True] * (len(names) - len(found.keep)))
    table, cov, by_cluster = _tables(found, names, keep, scores)
    value, n = likelihood.value(params), len(rows.place)
    alpha = math.exp(params[-1]) if law.has_dispersion else math.nan
    fit = CountFit(
        family=law,
        coefficients=table,
        cov=cov,
        dispersion=alpha,
        dispersion_se=alpha * math.sqrt(found.cov[-1, -1]),
        log_likelihood=value,
        aic=2 * len(params) - 2 * value,
        bic=math.log(n) * len(params) - 2 * value,
        n=n,
        n_clusters=len(scores),
        converged=True,
        coding=found.coding,
        zero_coding=coding_of(rows.groups, ()),
        exposure=rows.exposure,
        notes=() if law is asked else (f"{law} instead of {asked}, which tells no more here",),
    )
    return fit, by_cluster


def level_shares(
    frame: pd.DataFrame,
    *,
    successes: str,
    trials: str,
    cell: str,
    parts: Sequence[str],
    others: Sequence[str],
    cluster: str,
    family: str,
) -> LevelFit:
    """Fit a level of shares for every area and week, as `level_counts` does for counts.

    `family` is ``beta_binomial`` or ``binomial``; rows without a trial are left out.
    """
    counts = counts_of(frame, successes=successes, trials=trials)
    if not 0 < counts.successes.sum() < counts.trials.sum():
        raise UsageError("fish are all of one kind: there is no share to model")
    names = list(dict.fromkeys([cell, *parts, *others]))
    by = counts.frame.groupby(names, sort=False, observed=True)
    group = np.asarray(by.ngroup(), dtype=np.int64)
    first = np.unique(group, return_index=True)[1]
    groups = counts.frame.iloc[first].reset_index(drop=True)
    ground = ShareGround(groups, counts.successes, counts.trials, group, family)
    found = fit_levels(ground, cell=cell, parts=parts, others=others)
    clusters = pd.factorize(counts.frame[cluster])[0].astype(np.int64)
    matrix = found.coding.matrix(groups)[:, found.keep]
    of, at, score, information = _by_pair(ground, found, clusters, matrix)
    scores = np.zeros((int(clusters.max()) + 1, len(found.params)))
    np.add.at(scores[:, : matrix.shape[1]], of, score[:, None] * matrix[at])
    codes = pd.factorize(groups[cell])[0].astype(np.int64)
    met, meant = (np.bincount(codes[group], one) for one in (counts.trials, counts.successes))
    spread = spread_by_cluster(score, information, codes[at], of, (meant > 0) & (meant < met))
    table, cov, by_cluster = _tables(found, list(found.coding.names), found.keep, scores)
    k, n = len(found.params), len(counts.trials)
    value = found.likelihood.value(found.params)
    fit = ShareRegression(
        coefficients=table,
        cov=cov,
        dispersion=float(expit(_lam(found))),
        log_likelihood=value,
        aic=2 * k - 2 * value,
        bic=math.log(n) * k - 2 * value,
        n=n,
        coding=found.coding,
    )
    return LevelFit(fit, by_cluster, spread, len(scores))


def _lam(found: CellLevelFit) -> float:
    """Return the logit of the correlation, minus infinity for the binomial."""
    return float(found.params[-1]) if found.law == BETA_BINOMIAL else -math.inf


def _tables(
    found: CellLevelFit, names: list[str], keep: NDArray[np.bool_], scores: Floats
) -> tuple[pd.DataFrame, Floats, Floats]:
    """Return the coefficients with those left out at 0, and both covariances of all of them."""
    at, k = np.flatnonzero(keep), len(names)
    estimate, cov, by_cluster = np.zeros(k), np.zeros((k, k)), np.full((k, k), np.nan)
    estimate[at] = found.params[: len(at)]
    cov[np.ix_(at, at)] = found.cov[: len(at), : len(at)]
    n, free = len(scores), len(scores) - len(found.params)
    if free > 0:
        # Levels take up a part of what clusters differ by, as in C/(C - K).
        meat = n / free * scores.T @ scores
        whole = found.bread @ meat @ found.bread
        by_cluster[np.ix_(at, at)] = whole[: len(at), : len(at)]
    se = np.where(keep, np.sqrt(np.diag(cov)), np.nan)
    return pd.DataFrame({"term": names, "estimate": estimate, "se": se}), cov, by_cluster


def _by_pair(
    ground: ShareGround, found: CellLevelFit, clusters: Ints, matrix: Floats
) -> tuple[Ints, Ints, Floats, Floats]:
    """Return cluster, group, score and information of every pair of both."""
    size = len(ground.groups)
    pairs, where = np.unique(clusters * size + ground.group, return_inverse=True)
    of, at = np.divmod(pairs, size)
    tallies = tally(ground.successes, ground.trials, where.ravel(), len(pairs))
    told = log_lik_derivatives(tallies, (matrix @ found.params[: matrix.shape[1]])[at], _lam(found))
    return of, at, told.eta, np.maximum(-told.eta2, 0.0)

"""Levels of counts and of shares for every area and week, with errors by site-day."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import expit

from analytics.errors import WrongUse
from analytics.models.beta_binomial import slopes, tally
from analytics.models.coded_rows import coded
from analytics.models.count_laws import ETA, Family
from analytics.models.count_likelihood import CountLikelihood
from analytics.models.counts import ZERO, CountFit
from analytics.models.grounds import BETA_BINOMIAL, CountGround, ShareGround
from analytics.models.level_fit import fit_levels, spread_by_cluster
from analytics.models.share_checks import counts_of
from analytics.models.share_climb import ShareClimb
from analytics.models.terms import coding_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.models.coded_rows import Coded
    from analytics.models.level_fit import Found

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class LevelFit:
    """A fit with a level for every area and week.

    Parameters
    ----------
    fit : CountFit or ShareClimb
        Its covariance has the errors of the centres in it.
    by_cluster : ndarray of float, shape (K, K)
        Covariance of the coefficients by cluster; NaN where there are too few.
    spread : float
        Variance between clusters over that of rows alone, pooled; NaN where it cannot be told.
    n_clusters : int
    """

    fit: CountFit | ShareClimb
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
        As in `analytics.models.counts.fit_counts`.
    cell, parts, others
        As in `level_fit.fit_levels`.
    family : str
        A word of `Family` without a hurdle.

    Returns
    -------
    LevelFit

    Raises
    ------
    WrongUse
        As `level_fit.fit_levels`, and if a column cannot be used.
    """
    terms = [cell, *parts, *others]
    rows = coded(frame, response=response, exposure=exposure, terms=terms, cluster=cluster)
    found = fit_levels(CountGround(rows, Family(family)), cell=cell, parts=parts, others=others)
    likelihood, params = found.likelihood, found.params
    if rows.cluster is None or not isinstance(likelihood, CountLikelihood):
        raise WrongUse("levels of counts need clusters, such as the site-day")
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
    found: Found, likelihood: CountLikelihood, rows: Coded, scores: Floats, asked: Family
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
        raise WrongUse("fish are all of one kind: there is no share to model")
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
    fit = ShareClimb(
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


def _lam(found: Found) -> float:
    """Return the logit of the correlation, minus infinity for the binomial."""
    return float(found.params[-1]) if found.law == BETA_BINOMIAL else -math.inf


def _tables(
    found: Found, names: list[str], keep: NDArray[np.bool_], scores: Floats
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
    ground: ShareGround, found: Found, clusters: Ints, matrix: Floats
) -> tuple[Ints, Ints, Floats, Floats]:
    """Return cluster, group, score and information of every pair of both."""
    size = len(ground.groups)
    pairs, where = np.unique(clusters * size + ground.group, return_inverse=True)
    of, at = np.divmod(pairs, size)
    tallies = tally(ground.successes, ground.trials, where.ravel(), len(pairs))
    told = slopes(tallies, (matrix @ found.params[: matrix.shape[1]])[at], _lam(found))
    return of, at, told.eta, np.maximum(-told.eta2, 0.0)

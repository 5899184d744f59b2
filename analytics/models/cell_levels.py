"""A level of counts or of shares for every area and week, with errors by site-day."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from analytics.codes import coded
from analytics.errors import UsageError
from analytics.models.beta_binomial import Binomial, ShareLikelihood, log_lik_derivatives, tally
from analytics.models.count_fit import count_fit
from analytics.models.count_likelihood import ETA, CountLikelihood, Family
from analytics.models.count_warm_start import coded_rows, log_rate
from analytics.models.factor_matrix import sums_by_cluster
from analytics.models.formula import coding_of
from analytics.models.maximum_likelihood import sandwich
from analytics.models.response_checks import counts_of
from analytics.models.share_regression import FIRST_RHO, share_fit
from analytics.models.shrinkage import ResponseData, fit_levels

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.arrays import Bools, Floats, Ints
    from analytics.models.count_fit import CountFit
    from analytics.models.count_warm_start import Coded
    from analytics.models.formula import Coding
    from analytics.models.maximum_likelihood import Likelihood
    from analytics.models.response_checks import Counts
    from analytics.models.share_regression import ShareFit
    from analytics.models.shrinkage import CellLevelFit


@dataclass(frozen=True, slots=True, eq=False)
class LevelFit:
    """A fit with a level for every area and week.

    Parameters
    ----------
    fit : CountFit or ShareFit
        Its covariance has the errors of the centres in it.
    by_cluster : ndarray of float, shape (K, K)
        Covariance of the coefficients by cluster; NaN where there are too few.
    variance_ratio : float
        Variance between clusters over that of rows alone, pooled; NaN where it cannot be estimated.
    """

    fit: CountFit | ShareFit
    by_cluster: Floats
    variance_ratio: float
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
    """Fit a level of counts for every area and week, as `shrinkage.fit_levels` has it.

    Parameters
    ----------
    frame : pandas.DataFrame
        N rows.
    response, exposure, cluster : str
        As in `count_regression.fit_counts`.
    cell, parts, others
        As in `shrinkage.fit_levels`.
    family : str
        A word of `Family` without a hurdle.

    Raises
    ------
    UsageError
        As `shrinkage.fit_levels`, and if a column cannot be used.
    """
    terms = [cell, *parts, *others]
    rows = coded_rows(frame, response=response, exposure=exposure, terms=terms, cluster=cluster)
    requested = Family(family)
    found = fit_levels(count_response(rows, requested), cell=cell, parts=parts, others=others)
    likelihood, params, family = found.likelihood, found.params, Family(found.family)
    if rows.cluster is None or not isinstance(likelihood, CountLikelihood):
        raise UsageError("levels of counts need clusters, such as the site-day")
    counts, derivatives = likelihood.counts, likelihood.slopes(params)
    codes = pd.factorize(rows.groups[cell])[0].astype(np.int64)[counts.group]
    variance_ratio = spread_by_cluster(
        derivatives.first[ETA][rows.place],
        -derivatives.second[ETA, ETA][rows.place],
        codes[rows.place],
        rows.cluster,
        np.bincount(codes, counts.y) > 0,
    )
    scores = likelihood.cluster_scores(params, rows.place, rows.cluster)
    fit = count_fit(
        likelihood,
        params,
        found.cov,
        coding=found.coding,
        zero_coding=coding_of(rows.groups, ()),
        exposure=exposure,
        keep=found.keep,
        n_clusters=len(scores),
        notes=()
        if family is requested
        else (coded("simpler_family", family=family, requested=requested),),
    )
    n_zero = len(fit.coefficients) - len(found.keep)
    keep = np.append(found.keep, np.ones(n_zero, dtype=bool))
    return LevelFit(fit, _by_cluster(found, keep, scores), variance_ratio, len(scores))


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
        raise UsageError(coded("all_of_one_kind"))
    names = list(dict.fromkeys([cell, *parts, *others]))
    by = counts.frame.groupby(names, sort=False, observed=True)
    group = np.asarray(by.ngroup(), dtype=np.int64)
    first = np.unique(group, return_index=True)[1]
    groups = counts.frame.iloc[first].reset_index(drop=True)
    data = share_response(counts, groups, group, family)
    found = fit_levels(data, cell=cell, parts=parts, others=others)
    clusters = pd.factorize(counts.frame[cluster])[0].astype(np.int64)
    matrix = found.coding.matrix(groups)[:, found.keep]
    of, at, score, information = _by_pair(counts, group, found, clusters, matrix)
    n_clusters, p = int(clusters.max()) + 1, matrix.shape[1]
    scores = np.zeros((n_clusters, len(found.params)))
    scores[:, :p] = sums_by_cluster(matrix, score, at, of, n_clusters)
    codes = pd.factorize(groups[cell])[0].astype(np.int64)
    met, meant = (np.bincount(codes[group], one) for one in (counts.trials, counts.successes))
    variance_ratio = spread_by_cluster(
        score, information, codes[at], of, (meant > 0) & (meant < met)
    )
    model, params = found.likelihood, found.params
    if isinstance(model, Binomial):
        model, params = model.correlated, np.append(params, -math.inf)
    assert isinstance(model, ShareLikelihood)
    fit = share_fit(model, params, found.cov, coding=found.coding, keep=found.keep)
    return LevelFit(fit, _by_cluster(found, found.keep, scores), variance_ratio, len(scores))


def _by_cluster(found: CellLevelFit, keep: Bools, scores: Floats) -> Floats:
    """Return the covariance by cluster of all coefficients, 0 for those left out."""
    at, k = np.flatnonzero(keep), len(keep)
    by_cluster = np.full((k, k), np.nan)
    if len(scores) > len(found.params):
        # Levels take up a part of what clusters differ by, as in C/(C - K).
        full = sandwich(found.bread, scores, len(found.params))
        by_cluster[np.ix_(at, at)] = full[: len(at), : len(at)]
    return by_cluster


def _by_pair(
    counts: Counts, group: Ints, found: CellLevelFit, clusters: Ints, matrix: Floats
) -> tuple[Ints, Ints, Floats, Floats]:
    """Return cluster, group, score and information of every pair of both."""
    size = len(matrix)
    pairs, where = np.unique(clusters * size + group, return_inverse=True)
    of, at = np.divmod(pairs, size)
    tallies = tally(counts.successes, counts.trials, where.ravel(), len(pairs))
    eta = (matrix @ found.params[: matrix.shape[1]])[at]
    lam = float(found.params[-1]) if found.family == BETA_BINOMIAL else -math.inf
    derivatives = log_lik_derivatives(tallies, eta, lam)
    return of, at, derivatives.eta, np.maximum(-derivatives.eta2, 0.0)


def spread_by_cluster(
    score: Floats, information: Floats, cell: Ints, cluster: Ints, has: Bools
) -> float:
    """Return the variance of scores by cluster over that expected of rows, pooled over C cells.

    In a cell of score s and information I whose clusters have s_d and I_d, ``Σ_d (s_d - s I_d/I)²``
    has the mean ``I - Σ_d I_d²/I`` where rows stand alone. The factor is the sum of the former over
    that of the latter, over all cells of two clusters or more, and never below 1: thick cells
    determine it, thin ones share it. Our choice, no source; in one cell of D equal clusters it is
    the sandwich with its ``D/(D-1)``. NaN where no cell with fish that carry information (`has`,
    (C,)) has two clusters.
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


# Counts and shares as `ResponseData`: their likelihoods, and where a search starts.

#: Dispersion, correlation and logit of a zero part under which there is none.
NONE, NO_ZEROS = 1e-6, -12.0
BETA_BINOMIAL, BINOMIAL = "beta_binomial", "binomial"


def count_response(rows: Coded, family: Family) -> ResponseData:
    """Return counts as what is fitted by a family, or else by a simpler one."""
    counts, chain = rows.counts, [family, Family.POISSON]
    if family.has_zero_part and family.has_dispersion:
        chain.insert(1, Family.NEGATIVE_BINOMIAL)

    def likelihood(name: str, matrix: Floats) -> Likelihood:
        zero = np.ones((len(matrix), int(Family(name).has_zero_part)))
        return CountLikelihood(Family(name), counts, matrix, zero)

    def is_inside(name: str, params: Floats) -> bool:
        of = Family(name)
        if of.has_dispersion and math.exp(params[-1]) < NONE:
            return False
        return not of.has_zero_part or params[-1 - of.has_dispersion] > NO_ZEROS

    spent = counts.weight * np.exp(counts.log_exposure)
    return ResponseData(
        groups=rows.groups,
        size=np.asarray(np.bincount(counts.group, spent, len(rows.groups)), dtype=np.float64),
        is_share=False,
        base=log_rate(counts),
        families={
            str(one): [-1.0] * one.has_zero_part + [-0.7] * one.has_dispersion for one in chain
        },
        likelihood=likelihood,
        is_inside=is_inside,
    )


def share_response(counts: Counts, groups: pd.DataFrame, group: Ints, family: str) -> ResponseData:
    """Return shares as what is fitted; `group` (N,): place of each row in `groups`."""
    starts: dict[str, list[float]] = {BETA_BINOMIAL: [float(logit(FIRST_RHO))], BINOMIAL: []}

    def likelihood(name: str, matrix: Floats) -> Likelihood:
        tallies = tally(counts.successes, counts.trials, group, len(matrix))
        correlated = ShareLikelihood(matrix, tallies)
        return correlated if name == BETA_BINOMIAL else Binomial(correlated)

    return ResponseData(
        groups=groups,
        size=np.asarray(np.bincount(group, counts.trials, len(groups)), dtype=np.float64),
        is_share=True,
        base=float(logit(counts.successes.sum() / counts.trials.sum())),
        families={one: starts[one] for one in (family, BINOMIAL)},
        likelihood=likelihood,
        is_inside=lambda name, params: name == BINOMIAL or float(expit(params[-1])) > NONE,
    )


# Levels of one factor at a fixed mix of the terms beside it, where the two do not interact.


def marginal_means(
    coding: Coding,
    beta: Floats,
    levels: pd.DataFrame,
    mix: pd.DataFrame,
    weight: Floats,
    *,
    is_share: bool,
) -> tuple[Floats, Floats]:
    r"""Return L levels at one mix on the scale of the link, and their slopes in the coefficients.

    Marginal means (Searle, Speed & Milliken 1980, Population marginal means in the linear model,
    Am. Stat. 34; from memory). With a log link ``log Σ_m w_m exp(x_lm'b) = x_l'b + log Σ_m w_m
    exp(x_m'b)`` where the factor of the levels does not interact with the mix: a cost of L + M rows
    and not L times M. With a logit link ``logit Σ_m w_m expit(x_lm'b)``. With the slopes G the
    covariance of the values is ``G V G'``: levels share the coefficients of everything else.

    Parameters
    ----------
    beta : ndarray of float, shape (P,)
    levels : pandas.DataFrame
        L rows of the factor compared.
    mix : pandas.DataFrame
        M rows of the other columns.
    weight : ndarray of float, shape (M,)
        0 or more, not all 0.
    is_share : bool
        Whether the link is the logit; else the log.

    Returns
    -------
    value : ndarray of float, shape (L,)
    slopes : ndarray of float, shape (L, P)
    """
    share = weight / weight.sum()
    one = levels.iloc[[0]]
    first = {str(name): mix[name].iloc[0] for name in mix.columns}
    rows = coding.matrix(levels.assign(**first))
    base = coding.matrix(mix.assign(**{str(name): one[name].iloc[0] for name in one.columns}))
    off = base - base[0]
    if is_share:
        chance = expit((rows @ beta)[:, None] + off @ beta)
        mean = chance @ share
        width = chance * (1 - chance) * share
        each = width.sum(axis=1)[:, None] * rows + width @ off
        return np.asarray(logit(mean)), each / (mean * (1 - mean))[:, None]
    part = share * np.exp(off @ beta)
    slopes = rows + (part / part.sum()) @ off
    return np.asarray(rows @ beta + math.log(part.sum())), slopes


def reference_mix(
    frame: pd.DataFrame, columns: Sequence[str], exposure: str
) -> tuple[pd.DataFrame, Floats]:
    """Return every combination of some columns, with the exposure spent in it as its weight.

    Parameters
    ----------
    columns : sequence of str
        At least one.

    Returns
    -------
    mix : pandas.DataFrame
        M rows.
    weight : ndarray of float, shape (M,)
    """
    spent = frame.groupby(list(columns), observed=True)[exposure].sum()
    mix = spent.index.to_frame(index=False)
    return mix, spent.to_numpy(np.float64)


# Means over areas of which some have no figure in some weeks.

#: Variance of an area-week about the two-way fit where no degree of freedom is left for it: a
#: factor of 1.6 either way. Our choice, no source.
NO_FREEDOM_VARIANCE = 0.25
#: Rounds of the variance about the fit and the weights that rest on it.
ROUNDS = 3


def impute_areas(known: Floats, cov: Floats, at: Ints) -> tuple[Floats, Floats]:
    r"""Fill a table of areas and weeks by its two-way fit, ``y_aw = a_a + b_w + e``.

    An empty cell takes ``a_a + b_w`` by least squares from the cells that are known, each weighted
    by one over its variance and that about the fit, so that an area that is closed or not yet
    open moves the mean of a week no more than the others do, and a level that rests on hardly any
    fish hardly counts. The error of a filled cell is that of the known ones through the fit, and
    that about the fit. The latter is what the fit leaves beyond sampling, by moments (as
    DerSimonian & Laird 1986, Meta-analysis in clinical trials, Control. Clin. Trials 7; from
    memory).

    Parameters
    ----------
    known : ndarray of float, shape (A, W)
        NaN where empty.
    cov : ndarray of float, shape (C, C)
        Covariance of the known cells; NaN where it cannot be estimated.
    at : ndarray of int, shape (C,)
        Places of the known cells in ``known.ravel()``, in the order of `cov`.

    Returns
    -------
    filled : ndarray of float, shape (A, W)
        NaN in an area or a week without any figure.
    cov : ndarray of float, shape (A W, A W)
        0 where nothing can be filled in.
    """
    n_areas, n_weeks = known.shape
    area, week = np.divmod(np.arange(known.size), n_weeks)
    x = np.concatenate(
        [area[:, None] == np.arange(n_areas), week[:, None] == np.arange(n_weeks)], 1
    )
    x = x.astype(np.float64)
    y, given = known.ravel()[at], np.zeros(known.size, dtype=bool)
    given[at] = True
    reached = np.isin(area, area[at]) & np.isin(week, week[at])
    about_fit, solve = _two_way(x[at], y, np.where(np.isfinite(cov), cov, 0.0))
    through = x @ solve
    through[at] = np.eye(len(at))
    full = through @ cov @ through.T + np.diag(np.where(given, 0.0, about_fit))
    out = ~(given | reached)
    full[out] = 0.0
    full[:, out] = 0.0
    return np.where(out, np.nan, through @ y).reshape(known.shape), np.asarray(full)


def _two_way(x: Floats, y: Floats, cov: Floats) -> tuple[float, Floats]:
    """Return the variance about the fit, and the matrix that gives its coefficients from cells."""
    variance, eye = np.diag(cov), np.eye(len(y))
    about_fit = NO_FREEDOM_VARIANCE
    for _ in range(ROUNDS):
        weight = 1 / (variance + max(about_fit, 1e-6))
        root = np.sqrt(weight)
        solve: Floats = np.asarray(np.linalg.pinv(x * root[:, None]) * root, dtype=np.float64)
        off = eye - x @ solve
        rest = off @ y
        # Mean of the weighted squares that the fit leaves: of sampling, and of a unit about it.
        sampling, unit = ((off @ one * off).sum(axis=1) @ weight for one in (cov, eye))
        if unit <= 1e-9 * len(y):
            return NO_FREEDOM_VARIANCE, solve
        about_fit = max(float((weight @ rest**2 - sampling) / unit), 0.0)
    return about_fit, solve

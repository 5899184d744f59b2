r"""Many regressions of the same counts: each starts where the one before it ended.

`analytics.models.counts.fit_counts` searches from several starts and proves that a best fit exists;
that is dear where some dozens of candidates and held-out weeks are compared. Here a chain of
families is climbed, Poisson first, whose likelihood has one top, and a fit counts only where
Newton's steps arrive and no coefficient runs off.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.errors import WrongUse
from analytics.models.climb_start import at_edge, has_more, log_rate, start_of
from analytics.models.count_laws import Family
from analytics.models.count_likelihood import CountLikelihood
from analytics.models.counts import ZERO, CountFit
from analytics.models.maximum import newton, top
from analytics.models.terms import coding_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.models.coded_rows import Coded
    from analytics.models.terms import Coding

    Floats = NDArray[np.float64]

#: A log rate so far from the mean rate, or an error of it, is one that runs off: a factor of e²⁰.
RUNS_OFF = 20.0
#: The same for the logit of a part of zeros: 1 in 160,000.
ZERO_RUNS_OFF = 12.0


def climb(
    rows: Coded,
    terms: Sequence[str],
    *,
    family: str,
    start: CountFit | None = None,
    leave_out: bool = False,
) -> CountFit:
    r"""Return the regression of counts at the top nearest to a start.

    Parameters
    ----------
    rows : Coded
    terms : sequence of str
        As in `analytics.models.counts.fit_counts`; a zero part has its constant alone.
    family : str
        A word of `Family`.
    start : CountFit, optional
        A fit of the same or a simpler family; coefficients are taken over by name.
    leave_out : bool
        Hold coefficients that follow from those before them at 0 instead of refusing them, for
        predictions alone.

    Returns
    -------
    CountFit
        With the covariance of the observed information.

    Raises
    ------
    WrongUse
        If columns follow from each other, a coefficient runs off, or the steps do not arrive.
    """
    law = Family(family)
    if not rows.counts.y.any():
        raise WrongUse("no row has a count above 0; a regression of counts needs one")
    found = rows.regressors(terms)
    coding, matrix, keep = found.coding, found.matrix, found.keep
    if not (leave_out or keep.all()):
        raise WrongUse(
            f"{matrix.shape[1]} coefficients from {len(matrix)} combinations of covariates, of "
            f"which only {keep.sum()} can be told apart: leave a term out"
        )
    before = _before(rows, terms, law, start, coding=coding, leave_out=leave_out)
    names, matrix = coding.names, matrix[:, keep]
    none = np.zeros((len(matrix), 0))
    ones = np.ones((len(matrix), 1))
    likelihood = CountLikelihood(law, rows.counts, matrix, ones if law.has_zero_part else none)
    at = start_of(
        likelihood, [name for name, kept in zip(names, keep, strict=True) if kept], before
    )
    if before is not None and not has_more(likelihood, before, at):
        return at_edge(likelihood, before)
    params = _top(likelihood, at)
    cov = np.asarray(np.linalg.inv(-likelihood.hessian(params)), dtype=np.float64)
    _require_bounds(likelihood, params, cov)
    return _fit(likelihood, params, cov, keep=keep, coding=coding, rows=rows)


def clustered(rows: Coded, fit: CountFit) -> Floats:
    """Return the covariance of the coefficients of a fit with errors clustered.

    ``H⁻¹ (C/(C-1) Σ s_c s_c') H⁻¹`` as in `analytics.models.counts.fit_counts`.

    Parameters
    ----------
    rows : Coded
        The rows of the fit, with clusters.
    fit : CountFit

    Returns
    -------
    ndarray of float, shape (K, K)

    Raises
    ------
    WrongUse
        If the rows have no clusters, or no more of them than the fit has coefficients.
    """
    if rows.cluster is None:
        raise WrongUse("errors by cluster need clusters; none were named")
    require_clusters(int(rows.cluster.max()) + 1, int((np.diag(fit.cov) > 0).sum()))
    matrix = fit.coding.matrix(rows.groups)
    zero = np.ones((len(matrix), 1 if fit.family.has_zero_part else 0))
    law, params = fit.family, fit.parameters
    if law.has_dispersion and not fit.dispersion > 0:
        # At the edge the dispersion is no parameter.
        law, params = Family(law.value.replace("negative_binomial", "poisson")), params[:-1]
    likelihood = CountLikelihood(law, rows.counts, matrix, zero)
    scores = likelihood.cluster_scores(params, rows.place, rows.cluster)
    bread = np.linalg.inv(-likelihood.hessian(params))
    n, k = len(scores), len(fit.coefficients)
    whole = bread @ (n / (n - 1) * scores.T @ scores) @ bread
    return np.asarray(whole[:k, :k], dtype=np.float64)


def require_clusters(n: int, k: int) -> None:
    """Refuse errors by cluster that would rest on fewer clusters than coefficients.

    Raises
    ------
    WrongUse
        If there are `n` clusters and as many coefficients, `k`, or more.
    """
    if n <= k:
        raise WrongUse(
            f"errors by cluster need more clusters than coefficients: {n} clusters, {k} "
            "coefficients; name fewer terms"
        )


def _before(
    rows: Coded,
    terms: Sequence[str],
    law: Family,
    start: CountFit | None,
    *,
    coding: Coding,
    leave_out: bool,
) -> CountFit | None:
    """Return the fit of the family below, which this one starts from."""
    if law is Family.POISSON:
        return start if start is not None and start.family is law else None
    if start is not None and start.family is law is Family.NEGATIVE_BINOMIAL and start.dispersion:
        return start
    below = Family.NEGATIVE_BINOMIAL if law.has_zero_part and law.has_dispersion else Family.POISSON
    if start is not None and start.family is below and start.coding == coding:
        # The fit below to the same rows, or near enough to start from.
        return start
    return climb(rows, terms, family=below, start=start, leave_out=leave_out)


def _top(likelihood: CountLikelihood, start: Floats) -> Floats:
    with np.errstate(all="ignore"):
        params = newton(likelihood, start)
    if params is None and likelihood.family.has_zero_part:
        # Such a likelihood bends both ways: the far search may be needed.
        params = top(likelihood, start)
    if params is None:
        raise WrongUse(
            f"{likelihood.family}: the search did not arrive; name fewer terms or a simpler family"
        )
    return params


def _require_bounds(likelihood: CountLikelihood, params: Floats, cov: Floats) -> None:
    """Refuse a fit in which some rate runs off to nothing, or its error to no bound."""
    matrix, p = likelihood.rows, likelihood.rows.shape[1]
    rates = matrix @ params[:p] - log_rate(likelihood.counts)
    spread = ((matrix @ cov[:p, :p]) * matrix).sum(axis=1)
    if not max(np.abs(rates).max(), math.sqrt(max(spread.max(), 0.0))) < RUNS_OFF:
        raise WrongUse("some terms pick out rows that are all without a count: join levels")
    if likelihood.family.has_zero_part and not (
        abs(params[p]) < ZERO_RUNS_OFF and cov[p, p] < ZERO_RUNS_OFF**2
    ):
        what = "a count above 0 in every row, or in none"
        if not likelihood.family.value.startswith("hurdle"):
            what = "no zero that is not a count, or zeros alone"
        raise WrongUse(
            f"{likelihood.family}: its part of zeros runs off ({what}); choose a simpler family"
        )


def _fit(
    likelihood: CountLikelihood,
    params: Floats,
    cov: Floats,
    *,
    keep: NDArray[np.bool_],
    coding: Coding,
    rows: Coded,
) -> CountFit:
    law = likelihood.family
    names = [*coding.names, f"{ZERO}intercept"] if law.has_zero_part else list(coding.names)
    # Coefficients left out stand at 0.
    at = np.flatnonzero(np.append(keep, [True] * (len(names) - len(keep))))
    estimate, whole = np.zeros(len(names)), np.zeros((len(names), len(names)))
    estimate[at], whole[np.ix_(at, at)] = params[: len(at)], cov[: len(at), : len(at)]
    n, value = int(likelihood.counts.weight.sum()), likelihood.value(params)
    alpha = float(np.exp(params[-1])) if law.has_dispersion else math.nan
    return CountFit(
        family=law,
        coefficients=pd.DataFrame(
            {"term": names, "estimate": estimate, "se": np.sqrt(np.diag(whole))}
        ),
        cov=whole,
        dispersion=alpha,
        dispersion_se=alpha * math.sqrt(cov[-1, -1]) if law.has_dispersion else math.nan,
        log_likelihood=value,
        aic=2 * len(params) - 2 * value,
        bic=math.log(n) * len(params) - 2 * value,
        n=n,
        n_clusters=None,
        converged=True,
        coding=coding,
        zero_coding=coding_of(rows.groups, ()),
        exposure=rows.exposure,
    )

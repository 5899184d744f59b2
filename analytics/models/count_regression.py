"""Regression of counts by what was fished, where, when and how, with exposure."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.errors import UsageError
from analytics.models.count_fit import NO_DISPERSION, count_fit
from analytics.models.count_likelihood import (
    CountLikelihood,
    Family,
    collapse,
    collapsed,
    family_of,
)
from analytics.models.formula import cautions, coding_of, parts_of, require_apart, term_list
from analytics.models.maximum_likelihood import checked_errors, maximise, sandwich
from analytics.models.response_checks import require_fit, rows_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from analytics.arrays import Floats, Ints
    from analytics.models.count_fit import CountFit
    from analytics.models.formula import Coding
    from analytics.models.response_checks import CountRows


def fit_counts(
    frame: pd.DataFrame,
    *,
    response: str,
    exposure: str | None = None,
    terms: Sequence[str] = (),
    family: str = Family.NEGATIVE_BINOMIAL,
    zero_terms: Sequence[str] = (),
    cluster: str | None = None,
) -> CountFit:
    r"""Fit counts by maximum likelihood, with log exposure as offset.

    ``log μ_i = x_i'b + log exposure_i``; variance ``μ + α μ²`` for the negative binomial (NB2;
    Lawless 1987, Negative binomial and mixed Poisson regression, Can. J. Stat. 15; from memory).
    Rows alike in covariates, exposure and count are collapsed first, which changes nothing but the
    time. Errors come from the observed information, checked against the numerical derivative of
    the score; with `cluster`, from the sums of the score by cluster, ``H⁻¹ (C/(C-1) Σ s_c s_c')
    H⁻¹`` (Liang & Zeger 1986, Longitudinal data analysis using generalized linear models,
    Biometrika 73; from memory).

    Parameters
    ----------
    frame : pandas.DataFrame
        One row a boat trip.
    response : str
        Column of whole numbers from 0.
    exposure : str, optional
        Column of numbers above 0, such as angler-hours.
    terms : sequence of str
        Columns, or ``a:b`` for an interaction: text is a factor whose first level in sorting order
        is the base, numbers are slopes, ``number~4`` a natural spline of four columns.
    family : str
        ``poisson``, ``negative_binomial``, ``zero_inflated_poisson``,
        ``zero_inflated_negative_binomial``, ``hurdle_poisson`` or ``hurdle_negative_binomial``.
    zero_terms : sequence of str
        Terms of the zero part: of the chance of a zero that is no count (zero-inflated), or of a
        count above 0 (hurdle).
    cluster : str, optional
        Column that names the cluster of a row, such as its site-day.

    Returns
    -------
    CountFit
        `coefficients`, `cov`, `dispersion`, `aic`, `bic`, `notes` and `predict` are what is used
        most; all attributes stand with the class.

    Examples
    --------
    >>> import pandas as pd
    >>> trips = pd.DataFrame(
    ...     {"fish": [1, 0, 3, 4, 2, 6], "hours": [4.0, 3, 5, 4, 3, 5], "area": list("eeewww")}
    ... )
    >>> fit = fit_counts(
    ...     trips, response="fish", exposure="hours", terms=["area"], family="poisson"
    ... )
    >>> round(float(fit.predict(pd.DataFrame({"area": ["w"], "hours": [1.0]}))[0]), 3)
    1.0

    Raises
    ------
    UsageError
        If a column, a cell, a term or the family is not allowed, one column of the regression
        follows from others, some terms pick out rows without a count, or the search did not arrive.
    """
    terms, zero_terms = term_list(terms), term_list(zero_terms, what="zero_terms")
    requested = family_of(family, zero_terms)
    columns = [part for term in (*terms, *zero_terms) for part in parts_of(frame, term).values()]
    require_apart(response=[response], exposure=[exposure] if exposure else [], terms=columns)
    rows = rows_of(
        frame, response=response, exposure=exposure, terms=[*terms, *zero_terms], cluster=cluster
    )
    coding, zero_coding = coding_of(rows.groups, terms), coding_of(rows.groups, zero_terms)
    n_clusters = rows.n_clusters
    cautioned = cautions(rows.groups, (*coding.columns, *zero_coding.columns))
    likelihood, clusters = _collapsed(rows, requested, coding, zero_coding)
    # The rows are let go: what follows needs the collapsed ones alone.
    del rows
    require_fit(coding, zero_coding, likelihood)
    likelihood, params, notes = best_of_starts(likelihood)
    cov, refused = _covariance(likelihood, params, clusters)
    return count_fit(
        likelihood,
        params,
        cov,
        coding=coding,
        zero_coding=zero_coding,
        exposure=exposure,
        family=requested,
        n_clusters=n_clusters,
        notes=(*notes, *refused, *cautioned),
    )


#: Of each of N rows: its place among the collapsed ones, and the code of its cluster, from 0.
_Clusters = tuple["Ints", "Ints"]


def _collapsed(
    rows: CountRows, family: Family, coding: Coding, zero_coding: Coding
) -> tuple[CountLikelihood, _Clusters | None]:
    """Return the likelihood of rows, collapsed, and their clusters where there are some."""
    columns = rows.y, rows.group, rows.exposure
    clusters = None
    if rows.cluster is None:
        counts = collapsed(*columns)
    else:
        counts, place = collapse(*columns)
        clusters = place, rows.cluster
    zero_rows = zero_coding.matrix(rows.groups)
    return CountLikelihood(
        family,
        counts,
        coding.matrix(rows.groups),
        zero_rows if family.has_zero_part else zero_rows[:, :0],
    ), clusters


def _covariance(
    likelihood: CountLikelihood, params: Floats, clusters: _Clusters | None
) -> tuple[Floats, tuple[str, ...]]:
    """Return the covariance of the parameters, by cluster where there are some."""
    # Differences by row equal differences by coefficient, at a fraction of the cost.
    differenced = likelihood.differenced_hessian(params)
    errors, notes = checked_errors(
        likelihood.hessian, lambda at: differenced @ (at - params), params
    )
    if not np.isfinite(errors).all():
        return np.full((len(params), len(params)), np.nan), notes
    bread = np.asarray(np.linalg.inv(-likelihood.hessian(params)), dtype=np.float64)
    if clusters is None:
        return bread, notes
    n = int(clusters[1].max()) + 1
    if n <= len(params):
        return np.full_like(bread, np.nan), (
            f"no standard errors: {n} clusters for {len(params)} parameters",
        )
    return sandwich(bread, likelihood.cluster_scores(params, *clusters)), notes


# Where the likelihood of a regression of counts is highest: from several starts.

#: Dispersions that the search starts from.
STARTS = (0.5, 0.05, 3.0)
#: Logits of the zero part that the search starts from, beside that of the share of zeros.
ZERO_STARTS = (-2.0, 0.0)


def best_of_starts(likelihood: CountLikelihood) -> tuple[CountLikelihood, Floats, tuple[str, ...]]:
    """Return the highest top; where the dispersion runs to 0, that of the Poisson family.

    With the likelihood whose top it is, and notes. Raises `UsageError` if no search arrived.
    """
    found = _tops(likelihood)
    inside = max(found, key=likelihood.value, default=None)
    if not likelihood.family.has_dispersion:
        if inside is None:
            raise _not_arrived(likelihood)
        return likelihood, inside, ()
    if inside is not None and np.exp(inside[-1]) > NO_DISPERSION:
        return likelihood, inside, ()
    sibling = Family(likelihood.family.value.replace("negative_binomial", "poisson"))
    plain = replace(likelihood, family=sibling)
    _, edge, _ = best_of_starts(plain)
    near = np.append(edge, math.log(NO_DISPERSION))
    if likelihood.value(near) > plain.value(edge) + 1e-6:
        raise _not_arrived(likelihood)
    note = (
        "counts vary no more than the Poisson: dispersion 0, at the edge of what is allowed; "
        "errors are the Poisson's"
    )
    return plain, edge, (note,)


def _tops(likelihood: CountLikelihood) -> list[Floats]:
    """Return the tops reached from every start; for NB2, from the best start that leads to one.

    At a fixed dispersion NB2 has a single top, so its starts differ by their dispersion alone.
    """
    starts, found = _starts(likelihood), []
    simple = likelihood.family is Family.NEGATIVE_BINOMIAL
    for start in sorted(starts, key=likelihood.value, reverse=True) if simple else starts:
        one = maximise(likelihood, start)
        if one is not None:
            found.append(one)
            if simple and np.exp(one[-1]) > NO_DISPERSION:
                break
    return found


def _not_arrived(likelihood: CountLikelihood) -> UsageError:
    return UsageError(
        f"the search for the coefficients of {likelihood.family} did not arrive: the rows say too "
        "little for these terms; name fewer terms or a simpler family, or scale numbers to a "
        "standard deviation near 1"
    )


def _starts(likelihood: CountLikelihood) -> list[Floats]:
    """Return where the search starts: a constant rate, some dispersions and parts of zeros."""
    counts, p, q = likelihood.counts, likelihood.rows.shape[1], likelihood.zero_rows.shape[1]
    weight, exposure = counts.weight, np.exp(counts.log_exposure)
    rate = np.zeros(p)
    rate[0] = math.log((weight @ counts.y) / (weight @ exposure))
    if likelihood.family is Family.NEGATIVE_BINOMIAL:
        # The Poisson has one top, and that of this family is near it.
        near = maximise(replace(likelihood, family=Family.POISSON), rate)
        rate = rate if near is None else near
    zeros = float(weight[counts.y == 0].sum() / weight.sum())
    of_zeros = math.log((zeros + 0.01) / (1.01 - zeros))
    if likelihood.family.value.startswith("hurdle"):
        of_zeros = -of_zeros
    middles = (of_zeros - 0.7, *ZERO_STARTS) if q else (0.0,)
    dispersions = STARTS if likelihood.family.has_dispersion else (None,)
    starts = []
    for middle in middles:
        for alpha in dispersions:
            zero = np.zeros(q)
            zero[:1] = middle
            parts = [rate, zero] + ([np.array([math.log(alpha)])] if alpha else [])
            starts.append(np.concatenate(parts))
    return starts if q else starts[: len(STARTS)]

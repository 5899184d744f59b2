"""Regression of counts by what was fished, where, when and how, with exposure."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import expit

from analytics.errors import UsageError
from analytics.models.count_families import Family, family_of
from analytics.models.count_likelihood import CountLikelihood, collapse, collapsed
from analytics.models.formula import cautions, coding_of, parts_of, require_apart, term_list
from analytics.models.maximum_likelihood import checked_errors, maximise, newton
from analytics.models.response_checks import positive, require_fit, rows_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.models.count_data import Coded
    from analytics.models.count_likelihood import CollapsedCounts
    from analytics.models.formula import Coding
    from analytics.models.response_checks import CountRows

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


# Where the likelihood of a regression of counts is highest: from several starts.

#: Dispersions that the search starts from.
STARTS = (0.5, 0.05, 3.0)
#: Logits of the zero part that the search starts from, beside that of the share of zeros.
ZERO_STARTS = (-2.0, 0.0)
#: A dispersion under this is none: the search stops anywhere on the way to 0.
NO_DISPERSION = 1e-7


def best_of_starts(likelihood: CountLikelihood) -> tuple[CountLikelihood, Floats, tuple[str, ...]]:
    """Return the highest top; where the dispersion runs to 0, that of the Poisson law.

    Parameters
    ----------
    likelihood : CountLikelihood

    Returns
    -------
    likelihood : CountLikelihood
        The one given, or at the edge that of the law without dispersion.
    params : ndarray of float, shape (K,)
    notes : tuple of str
        What a reader must know.

    Raises
    ------
    UsageError
        If no search arrived.
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
        "counts spread no more than the Poisson law: dispersion 0, at the edge of what is allowed; "
        "errors are the Poisson law's"
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
        "spread near 1"
    )


def _starts(likelihood: CountLikelihood) -> list[Floats]:
    """Return where the search starts: a constant rate, some dispersions and parts of zeros."""
    counts, p, q = likelihood.counts, likelihood.rows.shape[1], likelihood.zero_rows.shape[1]
    weight, exposure = counts.weight, np.exp(counts.log_exposure)
    rate = np.zeros(p)
    rate[0] = math.log((weight @ counts.y) / (weight @ exposure))
    if likelihood.family is Family.NEGATIVE_BINOMIAL:
        # The Poisson law has one top, and that of this law is near it.
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


#: Before the names of the coefficients of the zero part.
ZERO = "zero: "
#: Coefficients that a fit prints.
MOST_SHOWN = 12


@dataclass(frozen=True, slots=True, eq=False)
class Clusters:
    """Which cluster each of N rows belongs to.

    Parameters
    ----------
    code, place : ndarray of int, shape (N,)
        Of the cluster, from 0; of the row among the collapsed ones.
    """

    code: Ints
    place: Ints


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class CountFit:
    """A fitted regression of counts; it keeps no rows of the data.

    Parameters
    ----------
    family : Family
    coefficients : pandas.DataFrame
        ``term, estimate, se``: on the log scale, those of the zero part on the logit scale with
        ``zero:`` before their names. `se` is NaN where it was refused.
    cov : ndarray of float, shape (K, K)
        Covariance of the coefficients, in their order.
    dispersion : float
        α of the variance ``μ + α μ²``; NaN for the Poisson laws.
    dispersion_se : float
    log_likelihood, aic, bic : float
        All parameters count, the dispersion too.
    n : int
        Rows.
    n_clusters : int or None
        Clusters that the errors allow for; None where rows stand on their own.
    converged : bool
        Whether the search arrived; a fit that did not is refused.
    coding, zero_coding : Coding
        How the terms of both parts are coded; without terms in laws that lack a zero part.
    exposure : str or None
        Column of the exposure.
    notes : tuple of str
        What a reader must know.
    """

    family: Family
    coefficients: pd.DataFrame
    cov: Floats
    dispersion: float
    dispersion_se: float
    log_likelihood: float
    aic: float
    bic: float
    n: int
    n_clusters: int | None
    converged: bool
    coding: Coding
    zero_coding: Coding
    exposure: str | None
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        """Return the family, the size and the coefficients, not the covariance."""
        head = f"{self.family}: {self.n} rows, AIC {self.aic:.1f}, BIC {self.bic:.1f}"
        if not math.isnan(self.dispersion):
            head += f", dispersion {self.dispersion:.3g}"
        table = self.coefficients.head(MOST_SHOWN).round(3).to_string(index=False)
        left = len(self.coefficients) - MOST_SHOWN
        more = [f"and {left} more in .coefficients"] if left > 0 else []
        return "\n".join([head, table, *more, *self.notes])

    @property
    def parameters(self) -> Floats:
        """The coefficients, and the log of the dispersion where the law has one."""
        b = self.coefficients["estimate"].to_numpy(np.float64)
        if not self.family.has_dispersion:
            return b
        return np.append(b, math.log(max(self.dispersion, NO_DISPERSION)))

    def predict(self, frame: pd.DataFrame) -> Floats:
        """Return the expected counts of the rows of a frame.

        Parameters
        ----------
        frame : pandas.DataFrame
            N rows with every column of the terms, and of the exposure where the fit has one.

        Returns
        -------
        ndarray of float, shape (N,)

        Raises
        ------
        UsageError
            If the exposure or a column is missing or not above 0, a cell is empty, or a factor has
            a level that the fit never saw.
        """
        if not isinstance(frame, pd.DataFrame):
            raise UsageError(f"a {type(frame).__name__} was given; predictions need a pandas frame")
        rows = self.coding.matrix(frame)
        b = self.coefficients["estimate"].to_numpy()
        exposure = 1.0 if self.exposure is None else positive(frame, self.exposure)
        mu: Floats = np.exp(rows @ b[: rows.shape[1]]) * exposure
        if not self.family.has_zero_part:
            return mu
        part: Floats = expit(self.zero_coding.matrix(frame) @ b[rows.shape[1] :])
        if self.family.value.startswith("zero_inflated"):
            return np.asarray((1 - part) * mu)
        alpha = 0.0 if math.isnan(self.dispersion) else self.dispersion
        log_zero = -mu if alpha == 0 else -np.log1p(alpha * mu) / alpha
        return np.asarray(part * mu / -np.expm1(log_zero))


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
    law = family_of(family, zero_terms)
    columns = [part for term in (*terms, *zero_terms) for part in parts_of(frame, term).values()]
    require_apart(response=[response], exposure=[exposure] if exposure else [], terms=columns)
    rows = rows_of(
        frame, response=response, exposure=exposure, terms=[*terms, *zero_terms], cluster=cluster
    )
    coding = coding_of(rows.groups, terms)
    zero_coding = coding_of(rows.groups, zero_terms)
    n, n_clusters = len(rows.y), rows.n_clusters
    said = cautions(rows.groups, (*coding.columns, *zero_coding.columns))
    likelihood, clusters = _collapsed(rows, law, coding, zero_coding)
    # The rows are let go: what follows needs the collapsed ones alone.
    del rows
    require_fit(coding, zero_coding, likelihood)
    likelihood, params, notes = best_of_starts(likelihood)
    cov, more = _covariance(likelihood, params, clusters)
    names = list(coding.names)
    names += [ZERO + name for name in zero_coding.names] if law.has_zero_part else []
    errors, k = np.sqrt(np.diag(cov)), len(names)
    value = likelihood.value(params)
    has_free = likelihood.family.has_dispersion
    alpha = float(np.exp(params[-1])) if has_free else 0.0 if law.has_dispersion else math.nan
    n_parameters = k + law.has_dispersion
    return CountFit(
        family=law,
        coefficients=pd.DataFrame({"term": names, "estimate": params[:k], "se": errors[:k]}),
        cov=cov[:k, :k],
        dispersion=alpha,
        dispersion_se=alpha * float(errors[-1]) if has_free else math.nan,
        log_likelihood=value,
        aic=2 * n_parameters - 2 * value,
        bic=math.log(n) * n_parameters - 2 * value,
        n=n,
        n_clusters=n_clusters,
        converged=True,
        coding=coding,
        zero_coding=zero_coding,
        exposure=exposure,
        notes=(*notes, *more, *said),
    )


def _collapsed(
    rows: CountRows, law: Family, coding: Coding, zero_coding: Coding
) -> tuple[CountLikelihood, Clusters | None]:
    """Return the likelihood of rows, collapsed, and their clusters where there are some."""
    asked = rows.y, rows.group, rows.exposure
    clusters = None
    if rows.cluster is None:
        counts = collapsed(*asked)
    else:
        counts, place = collapse(*asked)
        clusters = Clusters(rows.cluster, place)
    zero_rows = zero_coding.matrix(rows.groups)
    return CountLikelihood(
        law,
        counts,
        coding.matrix(rows.groups),
        zero_rows if law.has_zero_part else zero_rows[:, :0],
    ), clusters


def _covariance(
    likelihood: CountLikelihood, params: Floats, clusters: Clusters | None
) -> tuple[Floats, tuple[str, ...]]:
    """Return the covariance of the parameters, by cluster where there are some."""
    # Differences by row tell the same as differences by coefficient, at a fraction of the cost.
    differenced = likelihood.differenced_hessian(params)
    errors, notes = checked_errors(
        likelihood.hessian, lambda at: differenced @ (at - params), params
    )
    if not np.isfinite(errors).all():
        return np.full((len(params), len(params)), np.nan), notes
    bread = np.asarray(np.linalg.inv(-likelihood.hessian(params)), dtype=np.float64)
    if clusters is None:
        return bread, notes
    n = int(clusters.code.max()) + 1
    if n <= len(params):
        return np.full_like(bread, np.nan), (
            f"no standard errors: {n} clusters for {len(params)} parameters",
        )
    scores = likelihood.cluster_scores(params, clusters.place, clusters.code)
    meat = n / (n - 1) * scores.T @ scores
    return bread @ meat @ bread, notes


# Where a climb starts from the fit below it, and whether there is anything to climb to.

#: Logit of a zero part that is none.
NO_ZEROS = -20.0


def start_of(likelihood: CountLikelihood, names: Sequence[str], before: CountFit | None) -> Floats:
    """Return where the climb starts: coefficients by name, the rest at nothing."""
    at = np.zeros(likelihood.n_parameters)
    counts, p = likelihood.counts, likelihood.rows.shape[1]
    at[0] = log_rate(counts)
    if before is not None:
        known = dict(zip(before.coefficients["term"], before.coefficients["estimate"], strict=True))
        at[:p] = [known.get(name, 0.0) for name in names]
    if likelihood.zero_rows.shape[1]:
        zeros = float(counts.weight[counts.y == 0].sum() / counts.weight.sum())
        is_hurdle = likelihood.family.value.startswith("hurdle")
        share = 1 - zeros if is_hurdle else _beyond(likelihood, before, at, zeros)
        share = min(max(share, 0.01), 0.99)
        at[p] = math.log(share / (1 - share))
    if likelihood.family.has_dispersion:
        known_alpha = before is not None and before.dispersion > 0
        at[-1] = math.log(before.dispersion if known_alpha and before else 0.5)
    return at


def log_rate(counts: CollapsedCounts) -> float:
    """Return the log of all counts over all exposure."""
    spent = float(counts.weight @ np.exp(counts.log_exposure))
    return math.log(float(counts.weight @ counts.y) / spent)


def _beyond(
    likelihood: CountLikelihood, before: CountFit | None, at: Floats, zeros: float
) -> float:
    """Return about which share of rows has no count beyond what the family below expects."""
    if before is None:
        return zeros / 2
    counts = likelihood.counts
    chance = np.exp(_log_zero(likelihood, before, at))
    expected = float(counts.weight @ chance / counts.weight.sum())
    return (zeros - expected) / (1 - expected)


def _log_zero(likelihood: CountLikelihood, before: CountFit, at: Floats) -> Floats:
    """Return the log chance of no count in each row by the family below."""
    counts, p = likelihood.counts, likelihood.rows.shape[1]
    mu = np.exp((likelihood.rows @ at[:p])[counts.group] + counts.log_exposure)
    alpha = before.dispersion if before.family.has_dispersion else 0.0
    return np.asarray(-np.log1p(alpha * mu) / alpha if alpha > 0 else -mu)


def has_more(likelihood: CountLikelihood, before: CountFit, at: Floats) -> bool:
    r"""Return whether the family has anything over the one below it, by the slope at its edge.

    Dispersion: ``Σ (y - μ)² - y > 0`` (Dean & Lawless 1989, Tests for detecting overdispersion in
    Poisson regression models, J. Am. Stat. Assoc. 84; from memory). Zeros that are no counts:
    ``Σ 1(y=0)/f(0) - 1 > 0`` (van den Broek 1995, A score test for zero inflation in a Poisson
    distribution, Biometrics 51; from memory).
    """
    counts, law = likelihood.counts, likelihood.family
    if law is before.family or law.value.startswith("hurdle"):
        return True
    eta = (likelihood.rows @ at[: likelihood.rows.shape[1]])[counts.group] + counts.log_exposure
    mu = np.exp(eta)
    if not law.has_zero_part:
        return bool(counts.weight @ ((counts.y - mu) ** 2 - counts.y) > 0)
    log_zero = _log_zero(likelihood, before, at)
    return bool(counts.weight @ (np.where(counts.y == 0, np.exp(-log_zero), 0.0) - 1) > 0)


def at_edge(likelihood: CountLikelihood, before: CountFit) -> CountFit:
    """Return the fit of the family below, counted as one of this family at its edge."""
    more = likelihood.n_parameters - len(before.coefficients) - before.family.has_dispersion
    k = len(before.coefficients)
    names, cov = before.coefficients, before.cov
    if likelihood.family.has_zero_part:
        # No zeros but those of the counts: their logit is far below, and has no error.
        zero = pd.DataFrame({"term": [f"{ZERO}intercept"], "estimate": [NO_ZEROS], "se": [0.0]})
        names = pd.concat([names, zero], ignore_index=True)
        cov = np.pad(cov, (0, 1))[: k + 1, : k + 1]
    return CountFit(
        family=likelihood.family,
        coefficients=names,
        cov=cov,
        dispersion=before.dispersion if before.family.has_dispersion else 0.0,
        dispersion_se=before.dispersion_se,
        log_likelihood=before.log_likelihood,
        aic=before.aic + 2 * more,
        bic=before.bic + math.log(before.n) * more,
        n=before.n,
        n_clusters=None,
        converged=True,
        coding=before.coding,
        zero_coding=before.zero_coding,
        exposure=before.exposure,
        notes=(*before.notes, f"{likelihood.family} has nothing over {before.family} here"),
    )


# Many regressions of the same counts: each starts where the one before it ended.

#: A log rate so far from the mean rate, or an error of it, is one that runs off: a factor of e²⁰.
DIVERGENCE_BOUND = 20.0
#: The same for the logit of a part of zeros: 1 in 160,000.
ZERO_RUNS_OFF = 12.0


def fit_warm_start(
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
        As in `analytics.models.count_regression.fit_counts`; a zero part has its constant alone.
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
    UsageError
        If columns follow from each other, a coefficient runs off, or the steps do not arrive.
    """
    law = Family(family)
    if not rows.counts.y.any():
        raise UsageError("no row has a count above 0; a regression of counts needs one")
    found = rows.regressors(terms)
    coding, matrix, keep = found.coding, found.matrix, found.keep
    if not (leave_out or keep.all()):
        raise UsageError(
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

    ``H⁻¹ (C/(C-1) Σ s_c s_c') H⁻¹`` as in `analytics.models.count_regression.fit_counts`.

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
    UsageError
        If the rows have no clusters, or no more of them than the fit has coefficients.
    """
    if rows.cluster is None:
        raise UsageError("errors by cluster need clusters; none were named")
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
    UsageError
        If there are `n` clusters and as many coefficients, `k`, or more.
    """
    if n <= k:
        raise UsageError(
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
    return fit_warm_start(rows, terms, family=below, start=start, leave_out=leave_out)


def _top(likelihood: CountLikelihood, start: Floats) -> Floats:
    with np.errstate(all="ignore"):
        params = newton(likelihood, start)
    if params is None and likelihood.family.has_zero_part:
        # Such a likelihood bends both ways: the far search may be needed.
        params = maximise(likelihood, start)
    if params is None:
        raise UsageError(
            f"{likelihood.family}: the search did not arrive; name fewer terms or a simpler family"
        )
    return params


def _require_bounds(likelihood: CountLikelihood, params: Floats, cov: Floats) -> None:
    """Refuse a fit in which some rate runs off to nothing, or its error to no bound."""
    matrix, p = likelihood.rows, likelihood.rows.shape[1]
    rates = matrix @ params[:p] - log_rate(likelihood.counts)
    spread = ((matrix @ cov[:p, :p]) * matrix).sum(axis=1)
    if not max(np.abs(rates).max(), math.sqrt(max(spread.max(), 0.0))) < DIVERGENCE_BOUND:
        raise UsageError("some terms pick out rows that are all without a count: join levels")
    if likelihood.family.has_zero_part and not (
        abs(params[p]) < ZERO_RUNS_OFF and cov[p, p] < ZERO_RUNS_OFF**2
    ):
        what = "a count above 0 in every row, or in none"
        if not likelihood.family.value.startswith("hurdle"):
            what = "no zero that is not a count, or zeros alone"
        raise UsageError(
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

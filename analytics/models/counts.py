"""Regression of counts by what was fished, where, when and how, with exposure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import expit

from analytics.errors import WrongUse
from analytics.models.count_checks import positive, require_fit, rows_of
from analytics.models.count_laws import Family, family_of
from analytics.models.count_likelihood import CountLikelihood, collapse, collapsed
from analytics.models.count_search import NO_DISPERSION, highest
from analytics.models.maximum import checked_errors
from analytics.models.terms import coding_of, parts_of
from analytics.models.wording import cautions, require_apart, term_list

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.models.count_checks import CountRows
    from analytics.models.terms import Coding

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

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
        WrongUse
            If the exposure or a column is missing or not above 0, a cell is empty, or a factor has
            a level that the fit never saw.
        """
        if not isinstance(frame, pd.DataFrame):
            raise WrongUse(f"a {type(frame).__name__} was given; predictions need a pandas frame")
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
    WrongUse
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
    likelihood, params, notes = highest(likelihood)
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

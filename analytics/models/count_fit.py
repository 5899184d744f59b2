"""A fitted regression of counts, and whether it fits: dispersion, zeros, residuals, influence."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import betainc, expit, ndtri, pdtr

from analytics.errors import UsageError
from analytics.models.count_likelihood import ETA, ZETA, CollapsedCounts, CountLikelihood
from analytics.models.response_checks import positive, rows_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.arrays import Bools, Floats, Ints
    from analytics.models.count_likelihood import Family
    from analytics.models.formula import Coding
    from analytics.models.response_checks import CountRows


#: Before the names of the coefficients of the zero part.
ZERO = "zero: "
#: Coefficients that a fit prints.
MOST_SHOWN = 12
#: A dispersion under this is none: the search stops anywhere on the way to 0.
NO_DISPERSION = 1e-7


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class CountFit:
    """A fitted regression of counts; it keeps no rows of the data.

    Parameters
    ----------
    coefficients : pandas.DataFrame
        ``term, estimate, se``: on the log scale, those of the zero part on the logit scale with
        ``zero:`` before their names. `se` is NaN where it was refused.
    cov : ndarray of float, shape (K, K)
        Covariance of the coefficients, in their order.
    dispersion : float
        α of the variance ``μ + α μ²``; NaN for the Poisson families.
    log_likelihood, aic, bic : float
        All parameters count, the dispersion too.
    n : int
        Rows.
    n_clusters : int or None
        Clusters that the errors allow for; None where rows stand on their own.
    coding, zero_coding : Coding
        How the terms of both parts are coded; without terms in families that lack a zero part.
    exposure : str or None
        Column of the exposure.
    notes : tuple of str
        What a reader must know.
    converged : bool
        Always true: a search that does not converge is refused.
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
    coding: Coding
    zero_coding: Coding
    exposure: str | None
    notes: tuple[str, ...] = ()
    converged: bool = True

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
        """The coefficients, and the log of the dispersion where the family has one."""
        b = self.coefficients["estimate"].to_numpy(np.float64)
        if not self.family.has_dispersion:
            return b
        return np.append(b, math.log(max(self.dispersion, NO_DISPERSION)))

    def predict(self, frame: pd.DataFrame) -> Floats:
        """Return the expected counts of rows with every column of the fit, shape (N,).

        Raises `UsageError` if the exposure or a column is missing or not above 0, a cell is empty,
        or a factor has a level that the fit never saw.
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


def placed(
    names: Sequence[str], fitted: Bools, params: Floats, cov: Floats
) -> tuple[pd.DataFrame, Floats]:
    """Return coefficients with their errors, and their covariance; 0 where they are not fitted."""
    at, size = np.flatnonzero(fitted), len(names)
    estimate, full = np.zeros(size), np.zeros((size, size))
    estimate[at], full[np.ix_(at, at)] = params[: len(at)], cov[: len(at), : len(at)]
    se = np.where(fitted, np.sqrt(np.diag(full)), math.nan)
    return pd.DataFrame({"term": names, "estimate": estimate, "se": se}), full


def count_fit(
    likelihood: CountLikelihood,
    params: Floats,
    cov: Floats,
    *,
    coding: Coding,
    zero_coding: Coding,
    exposure: str | None,
    family: Family | None = None,
    keep: Bools | None = None,
    n_clusters: int | None = None,
    notes: tuple[str, ...] = (),
) -> CountFit:
    """Return the fit that a likelihood has at its top.

    `family` is the one requested where `likelihood` is of its edge, without dispersion. Columns of
    the coding that `keep`, shape (P,), leaves out have a coefficient of 0 without an error.
    """
    family = family or likelihood.family
    names = [*coding.names]
    if family.has_zero_part:
        names += [ZERO + name for name in zero_coding.names]
    fitted = np.ones(len(names), dtype=bool)
    fitted[: len(coding.names)] = True if keep is None else keep
    coefficients, full = placed(names, fitted, params, cov)
    is_free = likelihood.family.has_dispersion
    alpha = float(np.exp(params[-1])) if is_free else 0.0 if family.has_dispersion else math.nan
    n, value = int(likelihood.counts.weight.sum()), likelihood.value(params)
    n_parameters = int(fitted.sum()) + family.has_dispersion
    return CountFit(
        family=family,
        coefficients=coefficients,
        cov=full,
        dispersion=alpha,
        dispersion_se=alpha * math.sqrt(cov[-1, -1]) if is_free else math.nan,
        log_likelihood=value,
        aic=2 * n_parameters - 2 * value,
        bic=math.log(n) * n_parameters - 2 * value,
        n=n,
        n_clusters=n_clusters,
        coding=coding,
        zero_coding=zero_coding,
        exposure=exposure,
        notes=notes,
    )


# Whether it fits.


@dataclass(frozen=True, slots=True, eq=False)
class Diagnosis:
    """How a fit stands to N rows.

    `pearson`: sum of squared Pearson residuals over N less coefficients: 1 where the family's
    variance is that of the counts, above where they vary more. `zeros`, `zeros_expected`: share of
    rows without a count, seen and by the fit. `residual` (N,): randomised quantile residuals:
    standard normal where the family is right. `influence` (N,): largest move of a coefficient, in
    its standard errors, if the row were left out (one step).
    """

    pearson: float
    zeros: float
    zeros_expected: float
    residual: Floats
    influence: Floats


def diagnose(fit: CountFit, frame: pd.DataFrame, *, response: str, seed: int = 0) -> Diagnosis:
    r"""Return how a fit stands to rows, those it was made from or others.

    The residual of a count y is ``Φ⁻¹(u)`` with u uniform between ``F(y-1)`` and ``F(y)`` (Dunn &
    Smyth 1996, Randomized quantile residuals, J. Comput. Graph. Stat. 5; from memory). The
    influence of row i is ``max_k |(V s_i)_k| / se_k`` with s_i its score and V the covariance.

    Parameters
    ----------
    frame : pandas.DataFrame
        N rows with every column of the fit.
    response : str
        Column of the counts.
    seed : int
        Of the chance within a count.

    Raises
    ------
    UsageError
        As in `analytics.models.count_regression.fit_counts` and `CountFit.predict`.
    """
    columns = [*fit.coding.columns, *fit.zero_coding.columns]
    rows = rows_of(frame, response=response, exposure=fit.exposure, terms=columns, cluster=None)
    x = fit.coding.matrix(rows.groups)
    z = fit.zero_coding.matrix(rows.groups) if fit.family.has_zero_part else np.zeros((len(x), 0))
    b = fit.coefficients["estimate"].to_numpy()
    mu = np.exp((x @ b[: x.shape[1]])[rows.group]) * rows.exposure
    part = expit((z @ b[x.shape[1] :])[rows.group])
    alpha = fit.dispersion if fit.family.has_dispersion else 0.0
    fitted = _FittedFamily(fit.family, mu, part, alpha)
    low, high = fitted.below(rows.y - 1), fitted.below(rows.y)
    u = low + np.random.default_rng(seed).random(len(low)) * (high - low)
    free = max(len(rows.y) - len(b), 1)
    return Diagnosis(
        pearson=float(((rows.y - fitted.mean) ** 2 / fitted.variance).sum() / free),
        zeros=float((rows.y == 0).mean()),
        zeros_expected=float(fitted.below(np.zeros_like(rows.y)).mean()),
        residual=np.asarray(ndtri(np.clip(u, 1e-15, 1 - 1e-15)), dtype=np.float64),
        influence=_influence(fit, rows, x, z),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _FittedFamily:
    """The fitted family of every row: mean of its counts, part of its zeros, dispersion."""

    family: Family
    mu: Floats
    part: Floats
    alpha: float

    def below(self, y: Ints) -> Floats:
        """Return the chance of at most y; 0 under 0."""
        plain, zero = self._plain(y), self._plain(np.zeros_like(y))
        if self.family.value.startswith("zero_inflated"):
            plain = self.part + (1 - self.part) * plain
        elif self.family.has_zero_part:
            plain = 1 - self.part + self.part * (plain - zero) / (1 - zero)
        return np.where(y < 0, 0.0, plain)

    def _plain(self, y: Ints) -> Floats:
        if self.alpha > 0:
            # The negative binomial's, as an incomplete beta function.
            chance = betainc(1 / self.alpha, np.maximum(y, 0) + 1.0, 1 / (1 + self.alpha * self.mu))
        else:
            chance = pdtr(np.maximum(y, 0), self.mu)
        return np.asarray(chance, dtype=np.float64)

    @property
    def scale(self) -> Floats:
        """What the zero part leaves of the mean of the counts."""
        if self.family.value.startswith("zero_inflated"):
            return 1 - self.part
        if self.family.has_zero_part:
            return self.part / (1 - self._plain(np.zeros(len(self.mu), dtype=np.int64)))
        return np.ones_like(self.mu)

    @property
    def mean(self) -> Floats:
        return self.scale * self.mu

    @property
    def variance(self) -> Floats:
        """``s (μ + (1 + α) μ²) - (s μ)²``, with s the scale."""
        second = self.mu + (1 + self.alpha) * self.mu**2
        return self.scale * second - self.mean**2


def _influence(fit: CountFit, rows: CountRows, x: Floats, z: Floats) -> Floats:
    """Return the largest move of a coefficient by leaving a row out, a block of rows at a time."""
    counts = CollapsedCounts(rows.y, rows.group, np.log(rows.exposure), np.ones(len(rows.y)))
    first = CountLikelihood(fit.family, counts, x, z).slopes(fit.parameters).first
    se = np.sqrt(np.diag(fit.cov))
    # Coefficients that were left out do not move.
    se = np.where(se > 0, se, np.inf)
    # The score of a row is its slope in the linear parts times its covariates.
    by_eta = np.abs(x @ fit.cov[: x.shape[1]] / se)
    if not z.shape[1]:
        return np.asarray(np.abs(first[ETA]) * by_eta.max(axis=1)[rows.group])
    signed_x, signed_z = x @ fit.cov[: x.shape[1]] / se, z @ fit.cov[x.shape[1] :] / se
    moved = np.zeros(len(rows.y))
    for start in range(0, len(moved), 50_000):
        part = slice(start, start + 50_000)
        group = rows.group[part]
        moves = first[ETA, part, None] * signed_x[group] + first[ZETA, part, None] * signed_z[group]
        moved[part] = np.abs(moves).max(axis=1)
    return moved

"""A fitted regression of counts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import expit

from analytics.errors import UsageError
from analytics.models.response_checks import positive

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.models.count_families import Family
    from analytics.models.count_likelihood import CountLikelihood
    from analytics.models.formula import Coding

    Floats = NDArray[np.float64]

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


def count_fit(
    likelihood: CountLikelihood,
    params: Floats,
    cov: Floats,
    *,
    coding: Coding,
    zero_coding: Coding,
    exposure: str | None,
    family: Family | None = None,
    keep: NDArray[np.bool_] | None = None,
    n_clusters: int | None = None,
    notes: tuple[str, ...] = (),
) -> CountFit:
    """Return the fit that a likelihood has at its top.

    `family` is the one asked for where `likelihood` is of its edge, without dispersion. Columns of
    the coding that `keep`, shape (P,), leaves out have a coefficient of 0
    without an error.
    """
    family = family or likelihood.family
    names = [*coding.names]
    if family.has_zero_part:
        names += [ZERO + name for name in zero_coding.names]
    fitted = np.ones(len(names), dtype=bool)
    fitted[: len(coding.names)] = True if keep is None else keep
    at, is_free = np.flatnonzero(fitted), likelihood.family.has_dispersion
    estimate, full = np.zeros(len(names)), np.zeros((len(names), len(names)))
    estimate[at], full[np.ix_(at, at)] = params[: len(at)], cov[: len(at), : len(at)]
    alpha = float(np.exp(params[-1])) if is_free else 0.0 if family.has_dispersion else math.nan
    n, value = int(likelihood.counts.weight.sum()), likelihood.value(params)
    n_parameters = len(at) + family.has_dispersion
    se = np.where(fitted, np.sqrt(np.diag(full)), math.nan)
    return CountFit(
        family=family,
        coefficients=pd.DataFrame({"term": names, "estimate": estimate, "se": se}),
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

"""What a fitted regression of counts expects at a fixed mix of everything but what is compared."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit

from analytics.errors import WrongUse
from analytics.models.count_laws import Family

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from analytics.models.counts import CountFit

    Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Index:
    """Expected counts per unit of exposure of L levels, at one mix.

    Parameters
    ----------
    levels : pandas.DataFrame
        L rows, the columns compared.
    value : ndarray of float, shape (L,)
        Counts per unit of exposure.
    log_cov : ndarray of float, shape (L, L)
        Covariance of their logarithms: levels share the coefficients of everything else.
    """

    levels: pd.DataFrame
    value: Floats
    log_cov: Floats

    @property
    def log_se(self) -> Floats:
        """Standard errors of the logarithms, shape (L,)."""
        return np.asarray(np.sqrt(np.diag(self.log_cov)), dtype=np.float64)


def standardised(fit: CountFit, levels: pd.DataFrame, mix: pd.DataFrame, weight: Floats) -> Index:
    r"""Return marginal means: every level at the same mix of the other terms.

    ``I_l = Σ_m w_m μ(l, m) / Σ_m w_m`` with μ the expected count of one unit of exposure; the
    covariance of ``log I`` is ``G V G'`` with ``G_l = Σ_m w_m μ x / Σ_m w_m μ`` (delta method;
    Searle, Speed & Milliken 1980, Population marginal means in the linear model, Am. Stat. 34; from
    memory).

    Parameters
    ----------
    fit : CountFit
        Of a law without a zero part, or zero-inflated.
    levels : pandas.DataFrame
        L rows: the columns compared, such as area and week.
    mix : pandas.DataFrame
        M rows: the other columns of the fit's terms.
    weight : ndarray of float, shape (M,)
        0 or more, not all 0: how much each row of the mix counts.

    Returns
    -------
    Index

    Raises
    ------
    WrongUse
        If the weights do not fit the mix, the law is a hurdle (its mean is not in proportion to the
        exposure), the fit has no standard errors, or as in `CountFit.predict`.
    """
    _require(fit, mix, weight)
    n, m = len(levels), len(mix)
    both = levels.iloc[np.repeat(np.arange(n), m)].reset_index(drop=True)
    both = both.assign(**{str(name): np.tile(mix[name].to_numpy(), n) for name in mix.columns})
    rows = fit.coding.matrix(both)
    b, p = fit.coefficients["estimate"].to_numpy(), rows.shape[1]
    mean = np.exp(rows @ b[:p])
    slopes = rows
    if fit.family.has_zero_part:
        zero_rows = fit.zero_coding.matrix(both)
        part = expit(zero_rows @ b[p:])
        mean = mean * (1 - part)
        slopes = np.concatenate([rows, -part[:, None] * zero_rows], axis=1)
    share = np.tile(weight / weight.sum(), n) * mean
    value = share.reshape(n, m).sum(axis=1)
    gradient = (share[:, None] * slopes).reshape(n, m, -1).sum(axis=1) / value[:, None]
    return Index(levels.reset_index(drop=True), value, gradient @ fit.cov @ gradient.T)


def as_fished(
    frame: pd.DataFrame, columns: Sequence[str], exposure: str
) -> tuple[pd.DataFrame, Floats]:
    """Return every combination of some columns, with the exposure spent in it as its weight.

    Parameters
    ----------
    frame : pandas.DataFrame
    columns : sequence of str
        At least one.
    exposure : str

    Returns
    -------
    mix : pandas.DataFrame
        M rows.
    weight : ndarray of float, shape (M,)
    """
    spent = frame.groupby(list(columns), observed=True)[exposure].sum()
    mix = spent.index.to_frame(index=False)
    return mix, spent.to_numpy(np.float64)


def _require(fit: CountFit, mix: pd.DataFrame, weight: Floats) -> None:
    if len(weight) != len(mix) or not (weight >= 0).all() or not weight.sum() > 0:
        raise WrongUse(
            f"{len(weight)} weights for a mix of {len(mix)} rows; each row needs one, 0 or more "
            "and not all 0"
        )
    if fit.family in (Family.HURDLE_POISSON, Family.HURDLE_NEGATIVE_BINOMIAL):
        raise WrongUse(
            f"{fit.family}: its expected count is not in proportion to the exposure, so there is "
            "no rate to compare; fit another family"
        )
    if not np.isfinite(fit.cov).all():
        raise WrongUse("the fit has no standard errors: " + "; ".join(fit.notes))

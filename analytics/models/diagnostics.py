"""Whether a regression of counts fits: spread, zeros, residuals, and single boats that carry it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit
from scipy.stats import nbinom, norm, poisson

from analytics.models.count_families import ETA, ZETA
from analytics.models.count_likelihood import CollapsedCounts, CountLikelihood
from analytics.models.response_checks import rows_of

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from analytics.models.count_families import Family
    from analytics.models.count_fit import CountFit
    from analytics.models.response_checks import CountRows

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Diagnosis:
    """How a fit stands to N rows.

    - `pearson`: sum of squared Pearson residuals over N less coefficients: 1 where the family's
      variance is that of the counts, above where they spread more.
    - `zeros`, `zeros_expected`: share of rows without a count, seen and by the fit.
    - `residual` (N,): randomised quantile residuals: standard normal where the family is right.
    - `influence` (N,): largest move of a coefficient, in its standard errors, if the row were left
      out (one step).
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
        residual=np.asarray(norm.ppf(np.clip(u, 1e-15, 1 - 1e-15)), dtype=np.float64),
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
            chance = nbinom.cdf(y, 1 / self.alpha, 1 / (1 + self.alpha * self.mu))
        else:
            chance = poisson.cdf(y, self.mu)
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

"""The likelihood of a regression of counts, its rows collapsed before anything is summed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.models.count_laws import ETA, LAM, ZETA, slopes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.models.count_laws import Family, Slopes

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class CollapsedCounts:
    """Rows that are alike in covariates, exposure and count, each once with its weight.

    Parameters
    ----------
    y, group : ndarray of int, shape (M,)
        Count, and the place of its covariates.
    log_exposure, weight : ndarray of float, shape (M,)
    """

    y: Ints
    group: Ints
    log_exposure: Floats
    weight: Floats


def collapse(y: Ints, group: Ints, exposure: Floats) -> tuple[CollapsedCounts, Ints]:
    """Return rows collapsed, and the place of every row in them.

    Parameters
    ----------
    y, group : ndarray of int, shape (N,)
    exposure : ndarray of float, shape (N,)
        Above 0.

    Returns
    -------
    CollapsedCounts
    place : ndarray of int, shape (N,)
    """
    values, code = np.unique(exposure, return_inverse=True)
    highest = int(y.max(initial=0)) + 1
    key = (group * len(values) + code.ravel()) * highest + y
    seen, place, weight = np.unique(key, return_inverse=True, return_counts=True)
    left, count = np.divmod(seen, highest)
    group_of, exposure_of = np.divmod(left, len(values))
    return (
        CollapsedCounts(count, group_of, np.log(values)[exposure_of], weight.astype(np.float64)),
        place.ravel(),
    )


@dataclass(frozen=True, slots=True, eq=False)
class CountLikelihood:
    """Log-likelihood of a regression of counts and its derivatives.

    ``η = x'b + log exposure``, ``ζ = z'c``; parameters are b, then c and then λ = log α where the
    law has them.

    Parameters
    ----------
    family : Family
    counts : CollapsedCounts
    rows : ndarray of float, shape (G, P)
        Covariates of the count part, one row a group.
    zero_rows : ndarray of float, shape (G, Q)
        Covariates of the zero part; no column where the law has none.
    """

    family: Family
    counts: CollapsedCounts
    rows: Floats
    zero_rows: Floats

    @property
    def n_parameters(self) -> int:
        """Number of parameters."""
        return int(self.rows.shape[1] + self.zero_rows.shape[1] + self.family.has_dispersion)

    def split(self, params: Floats) -> tuple[Floats, Floats, float]:
        """Return b, c and λ, the last 0 where the law has none."""
        p, q = self.rows.shape[1], self.zero_rows.shape[1]
        return params[:p], params[p : p + q], float(params[-1]) if self.family.has_dispersion else 0

    def slopes(self, params: Floats) -> Slopes:
        """Return value and derivatives of every collapsed row, without its weight."""
        beta, gamma, lam = self.split(params)
        group = self.counts.group
        eta = (self.rows @ beta)[group] + self.counts.log_exposure
        return slopes(self.family, self.counts.y, eta, (self.zero_rows @ gamma)[group], lam)

    def value(self, params: Floats) -> float:
        """Return the log-likelihood."""
        return float(self.counts.weight @ self.slopes(params).value)

    def score(self, params: Floats) -> Floats:
        """Return the gradient, shape (K,)."""
        first = self.slopes(params).first * self.counts.weight
        return self._joined(*(self._by_group(part) for part in first))

    def hessian(self, params: Floats) -> Floats:
        """Return the matrix of second derivatives, shape (K, K)."""
        second = self.slopes(params).second * self.counts.weight
        x, z, p = self.rows, self.zero_rows, self.rows.shape[1]
        k, end = self.n_parameters, p + self.zero_rows.shape[1]
        matrix = np.zeros((k, k))
        matrix[:p, :p] = x.T @ (self._by_group(second[ETA, ETA])[:, None] * x)
        if z.shape[1]:
            matrix[:p, p:end] = x.T @ (self._by_group(second[ETA, ZETA])[:, None] * z)
            matrix[p:end, :p] = matrix[:p, p:end].T
            matrix[p:end, p:end] = z.T @ (self._by_group(second[ZETA, ZETA])[:, None] * z)
        if self.family.has_dispersion:
            by_group = [self._by_group(second[place, LAM]) for place in (ETA, ZETA, LAM)]
            matrix[-1] = matrix[:, -1] = self._joined(*by_group)
        return matrix

    def cluster_scores(self, params: Floats, place: Ints, cluster: Ints) -> Floats:
        """Return the gradient by cluster of the rows before they were collapsed.

        Parameters
        ----------
        params : ndarray of float, shape (K,)
        place : ndarray of int, shape (N,)
            As `collapse` gives it.
        cluster : ndarray of int, shape (N,)
            Codes from 0 to C - 1.

        Returns
        -------
        ndarray of float, shape (C, K)
        """
        first = self.slopes(params).first
        n, size = int(cluster.max()) + 1, len(self.rows)
        pairs, where = np.unique(cluster * size + self.counts.group[place], return_inverse=True)
        sums = np.array([np.bincount(where.ravel(), part[place], len(pairs)) for part in first])
        of, group = np.divmod(pairs, size)
        scores = np.zeros((n, self.n_parameters))
        parts = [sums[ETA][:, None] * self.rows[group], sums[ZETA][:, None] * self.zero_rows[group]]
        if self.family.has_dispersion:
            parts.append(sums[LAM][:, None])
        np.add.at(scores, of, np.concatenate(parts, axis=1))
        return scores

    def _by_group(self, part: Floats) -> Floats:
        return np.asarray(np.bincount(self.counts.group, part, len(self.rows)), dtype=np.float64)

    def _joined(self, of_eta: Floats, of_zeta: Floats, of_lam: Floats) -> Floats:
        parts = [self.rows.T @ of_eta, self.zero_rows.T @ of_zeta]
        parts += [np.array([of_lam.sum()])] if self.family.has_dispersion else []
        return np.concatenate(parts)

"""The likelihood of a regression of counts, its rows collapsed before anything is summed."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analytics.models.count_families import ETA, LAM, ZETA, log_lik_derivatives

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from analytics.models.count_families import Family, LogLikDerivatives

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

#: Step of central differences in η, ζ and λ.
STEP = 1e-4
#: Rows whose derivatives are held at once.
BLOCK = 1 << 14
#: No step in η, ζ and λ.
NOWHERE = np.zeros(3)


@dataclass(frozen=True, slots=True, eq=False)
class CollapsedCounts:
    """Rows that are alike in covariates, exposure and count, each once with its weight.

    - `y`, `group` (M,): count, and the place of its covariates.
    - `log_exposure`, `weight` (M,)
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
    place : ndarray of int, shape (N,)
    """
    key, values = _keys(y, group, exposure)
    counts, seen = _counts(np.sort(key), values, int(y.max(initial=0)) + 1)
    return counts, np.searchsorted(seen, key)


def collapsed(y: Ints, group: Ints, exposure: Floats) -> CollapsedCounts:
    """Return rows collapsed, as `collapse`, with less memory."""
    key, values = _keys(y, group, exposure)
    key.sort()
    return _counts(key, values, int(y.max(initial=0)) + 1)[0]


def _keys(y: Ints, group: Ints, exposure: Floats) -> tuple[Ints, Floats]:
    """Return one number for every different row, and the exposures that it counts in."""
    values = np.unique(exposure)
    key = np.searchsorted(values, exposure)
    key += group * len(values)
    key *= int(y.max(initial=0)) + 1
    key += y
    return key, values


def _counts(key: Ints, values: Floats, highest: int) -> tuple[CollapsedCounts, Ints]:
    """Return rows collapsed from their sorted keys, and every key once."""
    starts = np.flatnonzero(np.diff(key, prepend=-1))
    seen, weight = key[starts], np.diff(starts, append=len(key)).astype(np.float64)
    left, count = np.divmod(seen, highest)
    group, exposure = np.divmod(left, len(values))
    return CollapsedCounts(count, group, np.log(values)[exposure], weight), seen


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """Log-likelihood at one set of parameters, and its derivatives summed by group.

    Parameters
    ----------
    first : ndarray of float, shape (3, G)
        In η, ζ and λ.
    second : ndarray of float, shape (3, 3, G)
    """

    value: float
    first: Floats
    second: Floats


@dataclass(frozen=True, slots=True, eq=False)
class CountLikelihood:
    """Log-likelihood of a regression of counts and its derivatives.

    ``η = x'b + log exposure``, ``ζ = z'c``; parameters are b, then c and then λ = log α where the
    family has them.

    Parameters
    ----------
    rows : ndarray of float, shape (G, P)
        Covariates of the count part, one row a group.
    zero_rows : ndarray of float, shape (G, Q)
        Covariates of the zero part; no column where the family has none.
    """

    family: Family
    counts: CollapsedCounts
    rows: Floats
    zero_rows: Floats
    # The sums asked for last: value, gradient and curvature are wanted at the same place.
    _last: dict[bytes, Sums] = field(default_factory=dict, init=False, repr=False)

    @property
    def n_parameters(self) -> int:
        """Number of parameters."""
        return int(self.rows.shape[1] + self.zero_rows.shape[1] + self.family.has_dispersion)

    def split(self, params: Floats) -> tuple[Floats, Floats, float]:
        """Return b, c and λ, the last 0 where the family has none."""
        p, q = self.rows.shape[1], self.zero_rows.shape[1]
        return params[:p], params[p : p + q], float(params[-1]) if self.family.has_dispersion else 0

    def slopes(self, params: Floats) -> LogLikDerivatives:
        """Return value and derivatives of every collapsed row, without its weight."""
        return self._slopes(params, slice(None))

    def value(self, params: Floats) -> float:
        """Return the log-likelihood."""
        return self._sums(params).value

    def score(self, params: Floats) -> Floats:
        """Return the gradient, shape (K,)."""
        return self._joined(*self._sums(params).first)

    def hessian(self, params: Floats) -> Floats:
        """Return the matrix of second derivatives, shape (K, K)."""
        return self._matrix(self._sums(params).second)

    def differenced_hessian(self, params: Floats) -> Floats:
        """Return the matrix of second derivatives from differences of the first ones of rows.

        Central differences in η, ζ and λ, which are at most three whatever the number of
        coefficients; shape (K, K).
        """
        second = np.zeros((3, 3, len(self.rows)))
        places = [ETA] + [ZETA] * bool(self.zero_rows.shape[1]) + [LAM] * self.family.has_dispersion
        for place in places:
            step = STEP * np.eye(3)[place]
            up, down = self._first_by_group(params, step), self._first_by_group(params, -step)
            second[place] = (up - down) / (2 * STEP)
        return self._matrix((second + second.transpose(1, 0, 2)) / 2)

    def cluster_scores(self, params: Floats, place: Ints, cluster: Ints) -> Floats:
        """Return the gradient by cluster of the rows before they were collapsed.

        `params` (K,). `place` (N,): as `collapse` gives it. `cluster` (N,): codes from 0 to C - 1.

        The result has shape (C, K).
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

    def _slopes(self, params: Floats, part: slice, step: Floats = NOWHERE) -> LogLikDerivatives:
        """Return value and derivatives of some rows, their η, ζ and λ moved by a step."""
        beta, gamma, lam = self.split(params)
        counts, group = self.counts, self.counts.group[part]
        eta = (self.rows @ beta)[group] + counts.log_exposure[part] + step[ETA]
        zeta = (self.zero_rows @ gamma)[group] + step[ZETA]
        return log_lik_derivatives(self.family, counts.y[part], eta, zeta, lam + step[LAM])

    def _blocks(self) -> Iterator[slice]:
        for start in range(0, len(self.counts.y), BLOCK):
            yield slice(start, start + BLOCK)

    def _sums(self, params: Floats) -> Sums:
        asked = params.tobytes()
        if asked not in self._last:
            value, g = 0.0, len(self.rows)
            first, second = np.zeros((3, g)), np.zeros((3, 3, g))
            for part in self._blocks():
                found = self._slopes(params, part)
                value += float(self.counts.weight[part] @ found.value)
                for i in range(3):
                    first[i] += self._by_group(found.first[i], part)
                    for j in range(i, 3):
                        second[i, j] += self._by_group(found.second[i, j], part)
            for i, j in ((ETA, ZETA), (ETA, LAM), (ZETA, LAM)):
                second[j, i] = second[i, j]
            self._last.clear()
            self._last[asked] = Sums(value, first, second)
        return self._last[asked]

    def _first_by_group(self, params: Floats, step: Floats) -> Floats:
        sums = np.zeros((3, len(self.rows)))
        for part in self._blocks():
            first = self._slopes(params, part, step).first
            sums += np.array([self._by_group(one, part) for one in first])
        return sums

    def _by_group(self, numbers: Floats, part: slice) -> Floats:
        """Return the weighted sums of a number of some collapsed rows, shape (G,)."""
        counts = self.counts
        sums = np.bincount(counts.group[part], numbers * counts.weight[part], len(self.rows))
        return np.asarray(sums, dtype=np.float64)

    def _matrix(self, second: Floats) -> Floats:
        """Return the matrix of second derivatives in the parameters from sums by group."""
        x, z, p = self.rows, self.zero_rows, self.rows.shape[1]
        k, end = self.n_parameters, p + self.zero_rows.shape[1]
        matrix = np.zeros((k, k))
        matrix[:p, :p] = x.T @ (second[ETA, ETA][:, None] * x)
        if z.shape[1]:
            matrix[:p, p:end] = x.T @ (second[ETA, ZETA][:, None] * z)
            matrix[p:end, :p] = matrix[:p, p:end].T
            matrix[p:end, p:end] = z.T @ (second[ZETA, ZETA][:, None] * z)
        if self.family.has_dispersion:
            matrix[-1] = matrix[:, -1] = self._joined(*second[:, LAM])
        return matrix

    def _joined(self, of_eta: Floats, of_zeta: Floats, of_lam: Floats) -> Floats:
        parts = [self.rows.T @ of_eta, self.zero_rows.T @ of_zeta]
        parts += [np.array([of_lam.sum()])] if self.family.has_dispersion else []
        return np.concatenate(parts)

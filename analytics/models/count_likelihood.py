"""Families of counts, and the likelihood of a regression of counts.

Every family is given by η, the log of its mean; by ζ, the logit of its part of zeros, where it has
one; and by λ, the log of its dispersion α (variance ``μ + α μ²``), where it has one. Rows are
collapsed before anything is summed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, gammaln

from analytics.arrays import add_at
from analytics.errors import UsageError
from analytics.models.factor_matrix import column_sums, gram, sums_by_cluster

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from analytics.arrays import Floats, Ints
    from analytics.models.factor_matrix import Matrix


# Families of counts: log-likelihood of single rows and its derivatives.

#: Places of the three arguments in `LogLikDerivatives`.
ETA, ZETA, LAM = 0, 1, 2
#: Numbers beyond which an exponential overflows.
_MOST_LOG = 700.0
#: Below, differences of nearly equal numbers are taken from their series.
SMALL = 1e-3


class Family(StrEnum):
    """A family of distributions of counts."""

    POISSON = "poisson"
    NEGATIVE_BINOMIAL = "negative_binomial"
    ZERO_INFLATED_POISSON = "zero_inflated_poisson"
    ZERO_INFLATED_NEGATIVE_BINOMIAL = "zero_inflated_negative_binomial"
    HURDLE_POISSON = "hurdle_poisson"
    HURDLE_NEGATIVE_BINOMIAL = "hurdle_negative_binomial"

    @property
    def has_dispersion(self) -> bool:
        """Whether the variance of a count is free."""
        return self.value.endswith("negative_binomial")

    @property
    def has_zero_part(self) -> bool:
        """Whether zeros have a part of their own."""
        return self not in (Family.POISSON, Family.NEGATIVE_BINOMIAL)


#: Short names in common use.
SHORT = {
    "nb": "negative_binomial",
    "nb2": "negative_binomial",
    "zip": "zero_inflated_poisson",
    "zinb": "zero_inflated_negative_binomial",
}


def family_of(word: str, zero_terms: Sequence[str]) -> Family:
    """Return a family by its word, in any case, or by a short name in common use.

    Raises `UsageError` if there is none, or it has no zero part where `zero_terms` are given.
    """
    plain = str(word).strip().lower().replace("-", "_").replace(" ", "_")
    try:
        found = Family(SHORT.get(plain, plain))
    except ValueError:
        raise UsageError(f"family {str(word)!r}; allowed: {', '.join(Family)}") from None
    if zero_terms and not found.has_zero_part:
        having = ", ".join(one for one in Family if one.has_zero_part)
        raise UsageError(
            f"family {str(found)!r} has no zero part; leave zero_terms out, or name one of {having}"
        )
    return found


@dataclass(frozen=True, slots=True, eq=False)
class LogLikDerivatives:
    """Log-likelihood of N rows and its derivatives in η, ζ and λ: (N,), (3, N) and (3, 3, N).

    Rows and columns of an argument that the family lacks are 0.
    """

    value: Floats
    first: Floats
    second: Floats


def log_lik_derivatives(
    family: Family, y: Ints, eta: Floats, zeta: Floats, lam: float
) -> LogLikDerivatives:
    """Return the log-likelihood of N counts and its derivatives.

    `zeta` (N,): logit of the chance of a zero that is no count (zero-inflated), or of a count above
    0 (hurdle); ignored by the others, as `lam` is by the Poisson families.
    """
    of_family: Callable[[Ints, Floats, float], LogLikDerivatives] = (
        _negative_binomial if family.has_dispersion else _poisson
    )
    counts = of_family(y, eta, lam)
    if not family.has_zero_part:
        return counts
    # The family's own chance of 0, for every row.
    at_zero = of_family(np.zeros_like(y), eta, lam)
    mix = _inflated if family.value.startswith("zero_inflated") else _hurdle
    return mix(y, zeta, counts, at_zero)


def _poisson(y: Ints, eta: Floats, lam: float) -> LogLikDerivatives:
    """``y η - e^η - log y!``."""
    mu = np.exp(eta)
    first, second = _nothing(len(y))
    first[ETA], second[ETA, ETA] = y - mu, -mu
    return LogLikDerivatives(y * eta - mu - _log_factorial(y), first, second)


def _negative_binomial(y: Ints, eta: Floats, lam: float) -> LogLikDerivatives:
    """NB2 without gammas of 1/α, exact down to α = 0, where it is the Poisson.

    ``Σ_{k<y} log(1 + αk) + y η - log y! - (y + 1/α) log(1 + αμ)`` (Lawless 1987, Negative binomial
    and mixed Poisson regression, Can. J. Stat. 15; from memory).
    """
    alpha, mu = float(np.exp(lam)), np.exp(eta)
    k = np.arange(int(y.max(initial=0)) + 1, dtype=np.float64)
    steps = 1 + alpha * k
    # Sums over k < y, looked up by y.
    sum_log, sum_one, sum_two = (
        np.concatenate([[0.0], np.cumsum(part)])[y]
        for part in (np.log(steps), k / steps, (k / steps) ** 2)
    )
    x = alpha * mu
    over = 1 + x
    log_part, first_part, second_part = _parts(x)
    value = sum_log + y * eta - _log_factorial(y) - y * np.log1p(x) - mu * log_part
    by_alpha = sum_one + mu**2 * first_part - y * mu / over
    by_alpha2 = -sum_two + mu**3 * second_part + y * (mu / over) ** 2
    first, second = _nothing(len(y))
    first[ETA], first[LAM] = (y - mu) / over, alpha * by_alpha
    second[ETA, ETA] = -mu * (1 + alpha * y) / over**2
    second[ETA, LAM] = second[LAM, ETA] = -alpha * (y - mu) * mu / over**2
    # Not alpha**2: a search may try an alpha whose power is an OverflowError.
    second[LAM, LAM] = alpha * alpha * by_alpha2 + alpha * by_alpha
    return LogLikDerivatives(value, first, second)


def _log_factorial(y: Ints) -> Floats:
    """``log y!``, of each number once."""
    return np.asarray(gammaln(np.arange(int(y.max(initial=0)) + 1) + 1.0)[y])


def _parts(x: Floats) -> tuple[Floats, Floats, Floats]:
    """``log(1 + x)/x``, ``[log(1 + x) - x/(1 + x)]/x²`` and the derivative of that in x.

    The last is ``[-2 log(1 + x) + 2x/(1 + x) + x²/(1 + x)²]/x³``.
    """
    small = x < SMALL
    safe = np.where(small, 1.0, x)
    log, part = np.log1p(safe), safe / (1 + safe)
    log_part = log / safe
    first = (log - part) / safe**2
    second = (-2 * log + 2 * part + part**2) / safe**3
    if small.any():
        x = x[small]
        log_part[small] = 1 - x / 2 + x**2 / 3 - x**3 / 4
        first[small] = 1 / 2 - 2 * x / 3 + 3 * x**2 / 4 - 4 * x**3 / 5
        second[small] = -2 / 3 + 3 * x / 2 - 12 * x**2 / 5 + 10 * x**3 / 3
    return log_part, first, second


def _inflated(
    y: Ints, zeta: Floats, counts: LogLikDerivatives, at_zero: LogLikDerivatives
) -> LogLikDerivatives:
    """Mix in zeros: ``f(0) -> π + (1-π) f(0)``, ``f(y) -> (1-π) f(y)`` with ``π = expit ζ``.

    Lambert (1992), Zero-inflated Poisson regression, Technometrics 34; from memory.
    """
    pi, rest = expit(zeta), np.logaddexp(0.0, -zeta)
    log_pi, log_not = -rest, -zeta - rest
    zero = y == 0
    both = np.logaddexp(log_pi, log_not + at_zero.value)
    # Chance that a zero is a count.
    w = np.where(zero, np.exp(log_not + at_zero.value - both), 1.0)
    inner = np.where(zero, at_zero.first, counts.first)
    curve = np.where(zero, at_zero.second, counts.second)
    first = w * inner
    second = w * curve + w * (1 - w) * inner[:, None] * inner[None, :]
    first[ZETA] = 1 - w - pi
    second[ZETA] = second[:, ZETA] = -w * (1 - w) * inner
    second[ZETA, ZETA] = w * (1 - w) - pi * (1 - pi)
    return LogLikDerivatives(np.where(zero, both, log_not + counts.value), first, second)


def _hurdle(
    y: Ints, zeta: Floats, counts: LogLikDerivatives, at_zero: LogLikDerivatives
) -> LogLikDerivatives:
    """Part zeros from the rest: ``f(0) -> 1-q``, ``f(y) -> q f(y)/(1 - f(0))``, ``q = expit ζ``.

    Mullahy (1986), Specification and testing of some modified count data models, J. Econometrics
    33; from memory.
    """
    q, rest = expit(zeta), np.logaddexp(0.0, -zeta)
    log_q, log_not = -rest, -zeta - rest
    above = (y > 0).astype(np.float64)
    odds = 1 / np.expm1(np.clip(-at_zero.value, 1e-300, _MOST_LOG))
    inner = at_zero.first
    first = above * (counts.first + odds * inner)
    second = above * (
        counts.second + odds * at_zero.second + odds * (1 + odds) * inner[:, None] * inner[None, :]
    )
    first[ZETA], second[ZETA, ZETA] = above - q, -q * (1 - q)
    truncated = counts.value - np.log(-np.expm1(np.minimum(at_zero.value, -1e-300)))
    return LogLikDerivatives(np.where(y > 0, log_q + truncated, log_not), first, second)


def _nothing(n: int) -> tuple[Floats, Floats]:
    return np.zeros((3, n)), np.zeros((3, 3, n))


#: Step of central differences in η, ζ and λ.
STEP = 1e-4
#: Rows whose derivatives are held at once.
BLOCK = 1 << 14
#: No step in η, ζ and λ.
NOWHERE = np.zeros(3)


@dataclass(frozen=True, slots=True, eq=False)
class CollapsedCounts:
    """Rows alike in covariates, exposure and count, each once with its weight; every array is (M,).

    `group`: place of the covariates.
    """

    y: Ints
    group: Ints
    log_exposure: Floats
    weight: Floats


def collapse(y: Ints, group: Ints, exposure: Floats) -> tuple[CollapsedCounts, Ints]:
    """Return N rows collapsed, and the place of every row in them, (N,); exposures are above 0."""
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
    """Log-likelihood, its first (3, G) and second (3, 3, G) derivatives in η, ζ and λ by group."""

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
    rows : ndarray of float or FactorMatrix, shape (G, P)
        Covariates of the count part, one row a group.
    zero_rows : ndarray of float, shape (G, Q)
        Covariates of the zero part; no column where the family has none.
    """

    family: Family
    counts: CollapsedCounts
    rows: Matrix
    zero_rows: Floats
    # The sums calculated last: value, gradient and curvature are needed at the same place.
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
        """Return the second derivatives (K, K) from differences of the first ones of rows.

        Central differences in η, ζ and λ: at most three, whatever the number of coefficients.
        """
        second = np.zeros((3, 3, len(self.rows)))
        for place in self._places():
            step = STEP * np.eye(3)[place]
            up, down = self._first_by_group(params, step), self._first_by_group(params, -step)
            second[place] = (up - down) / (2 * STEP)
        return self._matrix((second + second.transpose(1, 0, 2)) / 2)

    def cluster_scores(self, params: Floats, place: Ints, cluster: Ints) -> Floats:
        """Return the gradient by cluster of the rows before they were collapsed, shape (C, K).

        `place` (N,): as `collapse` gives it. `cluster` (N,): codes from 0 to C - 1.
        """
        first = self.slopes(params).first
        n, size = int(cluster.max()) + 1, len(self.rows)
        pairs, where = np.unique(cluster * size + self.counts.group[place], return_inverse=True)
        sums = np.array([np.bincount(where.ravel(), part[place], len(pairs)) for part in first])
        of, group = np.divmod(pairs, size)
        scores = [
            sums_by_cluster(self.rows, sums[ETA], group, of, n),
            sums_by_cluster(self.zero_rows, sums[ZETA], group, of, n),
        ]
        if self.family.has_dispersion:
            scores.append(add_at(of, sums[LAM][:, None], n))
        return np.concatenate(scores, axis=1)

    def _slopes(self, params: Floats, part: slice, step: Floats = NOWHERE) -> LogLikDerivatives:
        """Return value and derivatives of some rows, their η, ζ and λ moved by a step."""
        beta, gamma, lam = self.split(params)
        counts, group = self.counts, self.counts.group[part]
        eta = (self.rows @ beta)[group] + counts.log_exposure[part] + step[ETA]
        zeta = (self.zero_rows @ gamma)[group] + step[ZETA]
        return log_lik_derivatives(self.family, counts.y[part], eta, zeta, lam + step[LAM])

    def _places(self) -> list[int]:
        """Return the places of the arguments that the family has."""
        return [ETA] + [ZETA] * bool(self.zero_rows.shape[1]) + [LAM] * self.family.has_dispersion

    def _blocks(self) -> Iterator[slice]:
        for start in range(0, len(self.counts.y), BLOCK):
            yield slice(start, start + BLOCK)

    def _sums(self, params: Floats) -> Sums:
        key = params.tobytes()
        if key not in self._last:
            value, g = 0.0, len(self.rows)
            first, second = np.zeros((3, g)), np.zeros((3, 3, g))
            places = self._places()
            for part in self._blocks():
                found = self._slopes(params, part)
                value += float(self.counts.weight[part] @ found.value)
                for i in places:
                    first[i] += self._by_group(found.first[i], part)
                    for j in (one for one in places if one >= i):
                        second[i, j] += self._by_group(found.second[i, j], part)
            for i, j in ((ETA, ZETA), (ETA, LAM), (ZETA, LAM)):
                second[j, i] = second[i, j]
            self._last.clear()
            self._last[key] = Sums(value, first, second)
        return self._last[key]

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
        matrix[:p, :p] = gram(x, second[ETA, ETA])
        if z.shape[1]:
            matrix[:p, p:end] = column_sums(x, second[ETA, ZETA][:, None] * z)
            matrix[p:end, :p] = matrix[:p, p:end].T
            matrix[p:end, p:end] = gram(z, second[ZETA, ZETA])
        if self.family.has_dispersion:
            matrix[-1] = matrix[:, -1] = self._joined(*second[:, LAM])
        return matrix

    def _joined(self, of_eta: Floats, of_zeta: Floats, of_lam: Floats) -> Floats:
        parts = [column_sums(self.rows, of_eta), column_sums(self.zero_rows, of_zeta)]
        parts += [np.array([of_lam.sum()])] if self.family.has_dispersion else []
        return np.concatenate(parts)

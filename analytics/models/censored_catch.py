r"""What boats would keep without a daily limit, from what they kept under one.

The fish a boat of n anglers would keep is negative binomial with mean ``n μ_area`` and size k
common to all areas; a boat at its limit of ``n b`` fish shows only that it would keep as many or
more. Whether anglers stop there or go on does not matter. The top is found by Newton's steps
(`analytics.models.maximum_likelihood`) on collapsed boats.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.codes import coded
from analytics.errors import UsageError
from analytics.models.count_likelihood import (
    ETA,
    LAM,
    Family,
    LogLikDerivatives,
    log_lik_derivatives,
)
from analytics.models.maximum_likelihood import covariance_at, maximise, newton
from analytics.propagation import normal_draws

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from analytics.arrays import Bools, Floats, Ints


#: Log of a dispersion at which the negative binomial is the Poisson to all digits.
POISSON = -40.0
#: A dispersion below this, or a gain in log-likelihood below the next, is none.
_LEAST_ALPHA, _LEAST_GAIN = 1e-4, 1e-6
_ALL_AT_LIMIT = coded("all_boats_at_limit")


@dataclass(frozen=True, slots=True, eq=False)
class UncappedCatch:
    """What boats would keep, by area.

    `mean` (A,): fish an angler would keep in a trip; 0 where no boat kept any, NaN where it cannot
    be estimated, with the reason in `reasons`. `size`: k, in ``var = mean + mean²/k`` of a boat;
    infinite for the Poisson. `cov` (A + 1, A + 1): covariance of the logs of the means and of
    log(1/k); 0 for a number that is not estimated.
    """

    areas: tuple[str, ...]
    mean: Floats
    size: float
    cov: Floats
    log_likelihood: float
    n_boats: Ints
    reasons: dict[str, str]

    def draws(self, rng: np.random.Generator, n_draws: int) -> tuple[Floats, Floats]:
        """Return means (D, A) and sizes (D,), drawn as joint lognormal about the estimates."""
        steps = np.exp(normal_draws(self.cov, rng=rng, n_draws=n_draws))
        return self.mean * steps[:, :-1], self.size / steps[:, -1]


def fit_censored_catch(
    kept: ArrayLike, anglers: ArrayLike, limit: ArrayLike, area: Sequence[str]
) -> UncappedCatch:
    """Fit what boats would keep to what they kept.

    Parameters
    ----------
    kept : array_like of int, shape (N,)
        Fish kept by each boat, 0 or more.
    anglers : array_like of int, shape (N,)
        1 or more.
    limit : array_like of float, shape (N,)
        Daily limit of an angler; NaN or infinite where there is none.
    area : sequence of str, length N

    Raises
    ------
    UsageError
        If there are no boats, numbers that cannot be, or every boat is at its limit.
    """
    y, n, b = (np.asarray(one, dtype=np.float64) for one in (kept, anglers, limit))
    if not len(y):
        raise UsageError(coded("no_boat_with_catch"))
    if not (np.all(y >= 0) and np.all(n >= 1)):
        raise UsageError("a boat with fish below 0 or without anglers; leave it out")
    names, place = np.unique(np.asarray(area, dtype=str), return_inverse=True)
    cap = n * np.where(np.isnan(b), np.inf, b)
    is_full = y >= cap
    if is_full.all():
        raise UsageError(_ALL_AT_LIMIT)
    n_boats, n_full = np.bincount(place), np.bincount(place, is_full).astype(np.int64)
    fish = np.bincount(place, y)
    reasons = {
        str(name): words
        for name, words in zip(
            names, map(_reason, fish.tolist(), n_boats.tolist(), n_full.tolist()), strict=True
        )
        if words
    }
    mean = np.where(fish > 0, np.nan, 0.0)
    cov = np.zeros((len(names) + 1, len(names) + 1))
    can = np.array([str(name) not in reasons for name in names])
    size = value = math.inf
    if can.any():
        at = np.flatnonzero(can)
        rows = can[place]
        boats = _Boats.of(y, n, cap, (np.cumsum(can) - 1)[place], rows)
        found, part, value = _fit(boats, np.log(fish[at] / np.bincount(place, n)[at]))
        mean[at] = np.exp(found[:-1])
        size = math.inf if found[-1] <= POISSON else math.exp(-found[-1])
        both = np.append(at, len(names))
        cov[np.ix_(both, both)] = part
    labels = tuple(str(name) for name in names)
    return UncappedCatch(labels, mean, size, cov, value, n_boats, reasons)


def _reason(fish: float, n_boats: int, n_full: int) -> str:
    if n_boats == n_full:
        return _ALL_AT_LIMIT
    return "" if fish > 0 else coded("no_boat_kept_fish")


@dataclass(frozen=True, slots=True, eq=False)
class _Boats:
    """M boats that differ: the count, or that it is at least so high, and how many they are."""

    count: Ints
    is_full: Bools
    log_anglers: Floats
    area: Ints
    weight: Floats

    @classmethod
    def of(cls, y: Floats, n: Floats, cap: Floats, area: Ints, rows: Bools) -> _Boats:
        is_full = y >= cap
        count = np.where(is_full, np.minimum(y, cap), y)
        table = np.column_stack([count, is_full, n, area])[rows]
        alike, weight = np.unique(table, axis=0, return_counts=True)
        return cls(
            alike[:, 0].astype(np.int64),
            alike[:, 1] > 0,
            np.log(alike[:, 2]),
            alike[:, 3].astype(np.int64),
            weight.astype(np.float64),
        )


class _Censored:
    """The log-likelihood in log means and log dispersion, the last fixed where not estimated."""

    def __init__(self, boats: _Boats, held: float | None = None) -> None:
        self.boats = boats
        self.held = held
        # Every count below the limit of a full boat, one row each.
        full = np.flatnonzero(boats.is_full)
        self.below_of = np.repeat(full, boats.count[full])
        starts = np.cumsum(boats.count[full]) - boats.count[full]
        self.below = np.arange(len(self.below_of)) - np.repeat(starts, boats.count[full])

    def value(self, params: Floats) -> float:
        return float(self.boats.weight @ self._rows(params).value)

    def score(self, params: Floats) -> Floats:
        first = self._rows(params).first * self.boats.weight
        means: Floats = np.bincount(
            self.boats.area, first[ETA], minlength=self._n_areas(params)
        ).astype(np.float64)
        return means if self.held is not None else np.append(means, first[LAM].sum())

    def hessian(self, params: Floats) -> Floats:
        second = self._rows(params).second * self.boats.weight
        n, area = self._n_areas(params), self.boats.area
        means: Floats = np.diag(np.bincount(area, second[ETA, ETA], minlength=n).astype(np.float64))
        if self.held is not None:
            return means
        cross = np.bincount(area, second[ETA, LAM], minlength=n)
        last = np.append(cross, second[LAM, LAM].sum())
        return np.vstack([np.column_stack([means, cross]), last])

    def _n_areas(self, params: Floats) -> int:
        return len(params) - (self.held is None)

    def _rows(self, params: Floats) -> LogLikDerivatives:
        """Return value and derivatives of every boat."""
        boats = self.boats
        lam = float(params[-1]) if self.held is None else self.held
        eta = params[boats.area] + boats.log_anglers
        none = np.zeros(len(eta))
        family = Family.NEGATIVE_BINOMIAL
        plain = log_lik_derivatives(family, boats.count, eta, none, lam)
        if not len(self.below):
            return plain
        # P(Y >= c) = 1 - Σ_{j<c} P(j), and its derivatives.
        of = self.below_of
        under = log_lik_derivatives(family, self.below, eta[of], none[of], lam)
        chance = np.exp(under.value)
        slope = under.first
        curve = under.second + slope[:, None] * slope[None, :]

        def summed(each: Floats) -> Floats:
            found = np.bincount(of, chance * each, minlength=len(eta))
            return found.astype(np.float64)

        more = np.maximum(1 - summed(np.ones(len(of))), 1e-300)
        first = -np.stack([summed(one) for one in slope]) / more
        flat = curve.reshape(-1, len(of))
        second = -np.stack([summed(one) for one in flat]).reshape(*curve.shape[:2], -1) / more
        second -= first[:, None] * first[None, :]
        full = boats.is_full
        return LogLikDerivatives(
            np.where(full, np.log(more), plain.value),
            np.where(full, first, plain.first),
            np.where(full, second, plain.second),
        )


def _fit(boats: _Boats, start: Floats) -> tuple[Floats, Floats, float]:
    """Return log means with the log dispersion, their covariance and the log-likelihood."""
    plain = _Censored(boats, held=POISSON)
    means = _found(maximise(plain, start))
    even = plain.value(means)
    wide = _Censored(boats)
    with np.errstate(all="ignore"):
        tops = [newton(wide, np.append(means, lam)) for lam in (0.0, -2.0, 1.5)]
    params = next((one for one in tops if one is not None), None)
    params = maximise(wide, np.append(means, 0.0)) if params is None else params
    is_wide = (
        params is not None
        and np.exp(params[-1]) > _LEAST_ALPHA
        and wide.value(params) > even + _LEAST_GAIN
    )
    if is_wide and params is not None:
        cov = covariance_at(wide.hessian(params), coded("uncapped_not_found"))
        return params, cov, wide.value(params)
    cov = np.zeros((len(means) + 1, len(means) + 1))
    cov[:-1, :-1] = covariance_at(plain.hessian(means), coded("uncapped_not_found"))
    return np.append(means, POISSON), cov, even


def _found(params: Floats | None) -> Floats:
    if params is None:
        raise UsageError(coded("uncapped_not_found"))
    return params

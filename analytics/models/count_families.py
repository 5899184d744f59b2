r"""Laws of counts: log-likelihood of single rows and its derivatives.

Every family is given by η, the log of its mean; by ζ, the logit of its part of zeros, where it has
one; and by λ, the log of its dispersion α (variance ``μ + α μ²``), where it has one.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, gammaln

from analytics.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

#: Places of the three arguments in `LogLikDerivatives`.
ETA, ZETA, LAM = 0, 1, 2
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
        law = Family(SHORT.get(plain, plain))
    except ValueError:
        raise UsageError(f"family {str(word)!r}; allowed: {', '.join(Family)}") from None
    if zero_terms and not law.has_zero_part:
        having = ", ".join(one for one in Family if one.has_zero_part)
        raise UsageError(
            f"family {str(law)!r} has no zero part; leave zero_terms out, or name one of {having}"
        )
    return law


@dataclass(frozen=True, slots=True, eq=False)
class LogLikDerivatives:
    """Log-likelihood of N rows and its derivatives in η, ζ and λ.

    - `value` (N,)
    - `first` (3, N)
    - `second` (3, 3, N): symmetric; rows and columns of an argument that the family lacks are 0.
    """

    value: Floats
    first: Floats
    second: Floats


def log_lik_derivatives(
    family: Family, y: Ints, eta: Floats, zeta: Floats, lam: float
) -> LogLikDerivatives:
    """Return the log-likelihood of counts and its derivatives.

    `y` (N,): counts, 0 or more. `eta` (N,): log of the mean of the count part. `zeta` (N,): logit
    of the chance of a zero that is no count (zero-inflated), or of a count above 0 (hurdle);
    ignored by the others. `lam`: log of the dispersion; ignored by the Poisson laws.
    """
    law: Callable[[Ints, Floats, float], LogLikDerivatives] = (
        _negative_binomial if family.has_dispersion else _poisson
    )
    counts = law(y, eta, lam)
    if not family.has_zero_part:
        return counts
    # The family's own chance of 0, for every row.
    at_zero = law(np.zeros_like(y), eta, lam)
    mix = _inflated if family.value.startswith("zero_inflated") else _hurdle
    return mix(y, zeta, counts, at_zero)


def _poisson(y: Ints, eta: Floats, lam: float) -> LogLikDerivatives:
    """``y η - e^η - log y!``."""
    mu = np.exp(eta)
    first, second = _nothing(len(y))
    first[ETA], second[ETA, ETA] = y - mu, -mu
    return LogLikDerivatives(y * eta - mu - gammaln(y + 1.0), first, second)


def _negative_binomial(y: Ints, eta: Floats, lam: float) -> LogLikDerivatives:
    r"""``Σ_{k<y} log(1 + αk) + y η - log y! - (y + 1/α) log(1 + αμ)``: NB2 without gammas of 1/α.

    Exact down to α = 0, where it is the Poisson law (Lawless 1987, Negative binomial and mixed
    Poisson regression, Can. J. Stat. 15; from memory).
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
    value = sum_log + y * eta - gammaln(y + 1.0) - y * np.log1p(x) - mu * _log_part(x)
    by_alpha = sum_one + mu**2 * _first_part(x) - y * mu / over
    by_alpha2 = -sum_two + mu**3 * _second_part(x) + y * (mu / over) ** 2
    first, second = _nothing(len(y))
    first[ETA], first[LAM] = (y - mu) / over, alpha * by_alpha
    second[ETA, ETA] = -mu * (1 + alpha * y) / over**2
    second[ETA, LAM] = second[LAM, ETA] = -alpha * (y - mu) * mu / over**2
    # Not alpha**2: a search may try an alpha whose power is an OverflowError.
    second[LAM, LAM] = alpha * alpha * by_alpha2 + alpha * by_alpha
    return LogLikDerivatives(value, first, second)


def _log_part(x: Floats) -> Floats:
    """``log(1 + x)/x``."""
    series = 1 - x / 2 + x**2 / 3 - x**3 / 4
    safe = np.where(x < SMALL, 1.0, x)
    return np.where(x < SMALL, series, np.log1p(safe) / safe)


def _first_part(x: Floats) -> Floats:
    """``[log(1 + x) - x/(1 + x)]/x²``."""
    series = 1 / 2 - 2 * x / 3 + 3 * x**2 / 4 - 4 * x**3 / 5
    safe = np.where(x < SMALL, 1.0, x)
    return np.where(x < SMALL, series, (np.log1p(safe) - safe / (1 + safe)) / safe**2)


def _second_part(x: Floats) -> Floats:
    """``[-2 log(1 + x) + 2x/(1 + x) + x²/(1 + x)²]/x³``, the derivative of `_first_part`."""
    series = -2 / 3 + 3 * x / 2 - 12 * x**2 / 5 + 10 * x**3 / 3
    safe = np.where(x < SMALL, 1.0, x)
    part = safe / (1 + safe)
    exact = (-2 * np.log1p(safe) + 2 * part + part**2) / safe**3
    return np.where(x < SMALL, series, exact)


def _inflated(
    y: Ints, zeta: Floats, counts: LogLikDerivatives, at_zero: LogLikDerivatives
) -> LogLikDerivatives:
    r"""Mix in zeros: ``f(0) -> π + (1-π) f(0)``, ``f(y) -> (1-π) f(y)`` with ``π = expit ζ``.

    Lambert (1992), Zero-inflated Poisson regression, with an application to defects in
    manufacturing, Technometrics 34; from memory.
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
    r"""Part zeros from the rest: ``f(0) -> 1-q``, ``f(y) -> q f(y)/(1 - f(0))``, ``q = expit ζ``.

    Mullahy (1986), Specification and testing of some modified count data models, J. Econometrics
    33; from memory.
    """
    q, rest = expit(zeta), np.logaddexp(0.0, -zeta)
    log_q, log_not = -rest, -zeta - rest
    above = (y > 0).astype(np.float64)
    odds = 1 / np.expm1(-np.minimum(at_zero.value, -1e-300))
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

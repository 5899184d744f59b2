"""The beta-binomial log-likelihood and its derivatives, exact down to no overdispersion at all.

Rows with the same mean are one group: the sums then run over the distinct counts of a group.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, gammaln

from analytics.models.factor_matrix import column_sums, gram

if TYPE_CHECKING:
    from analytics.arrays import Floats, Ints
    from analytics.models.factor_matrix import Matrix


#: Most trials of all rows together: the sums have a term for each.
MOST_TRIALS = 20_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """By group and k: how many rows (`times`) have a count over k, each of shape (T,)."""

    group: Ints
    k: Floats
    times: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Tallies:
    """Beta-binomial rows in G groups of one mean each.

    `trial`: all rows as one group. `constant`: ``Σ log C(m, s)``.
    """

    n_groups: int
    success: Steps
    failure: Steps
    trial: Steps
    constant: float


@dataclass(frozen=True, slots=True, eq=False)
class LogLikDerivatives:
    """The log-likelihood and its derivatives in η = logit μ of each group (G,) and λ = logit ρ."""

    value: float
    eta: Floats
    eta2: Floats
    eta_lam: Floats
    lam: float
    lam2: float


def tally(successes: Ints, trials: Ints, group: Ints, n_groups: int) -> Tallies:
    """Return rows of successes out of trials as tallies.

    `successes`, `trials`, `group` (N,): counts, and the group that each row shares its mean with.
    """
    failures = trials - successes
    constant = gammaln(trials + 1) - gammaln(successes + 1) - gammaln(failures + 1)
    return Tallies(
        n_groups,
        _steps(successes, group),
        _steps(failures, group),
        _steps(trials, np.zeros_like(group)),
        float(constant.sum()),
    )


def _steps(count: Ints, group: Ints) -> Steps:
    size = int(count.max(initial=0)) + 1
    rows = np.repeat(group, count)
    k = np.arange(len(rows)) - np.repeat(np.cumsum(count) - count, count)
    code, times = np.unique(rows * size + k, return_counts=True)
    return Steps(code // size, (code % size).astype(np.float64), times.astype(np.float64))


def log_likelihood(tallies: Tallies, eta: Floats, lam: float) -> float:
    """Return the beta-binomial log-likelihood of `eta` (G,), logit μ, and `lam`, logit ρ.

    With ``θ = ρ/(1-ρ) = exp(λ)`` it is ``Σ log C(m, s) + Σ_{k<s} log(μ + kθ) + Σ_{k<m-s} log(1 - μ
    + kθ) - Σ_{k<m} log(1 + kθ)``: the beta functions of ``α = μ/θ`` and ``β = (1-μ)/θ`` as
    products, so that at θ = 0 it is the binomial's and loses no digits near it.
    """
    theta = float(np.exp(lam))
    with np.errstate(divide="ignore"):  # a step too far, to a mean of 0, is one of likelihood 0
        return (
            tallies.constant
            + _log_sum(tallies.success, expit(eta), theta)
            + _log_sum(tallies.failure, expit(-eta), theta)
            - _log_sum(tallies.trial, np.ones(1), theta)
        )


def _log_sum(steps: Steps, level: Floats, theta: float) -> float:
    # No dot product: one of this length waits for idle cores, of which a busy machine has none.
    return float((steps.times * np.log(level[steps.group] + steps.k * theta)).sum())


def log_lik_derivatives(tallies: Tallies, eta: Floats, lam: float) -> LogLikDerivatives:
    """Return the log-likelihood of `log_likelihood` and its derivatives in η and λ.

    `eta` (G,).
    """
    theta, size = float(np.exp(lam)), tallies.n_groups
    mu, rest = expit(eta), expit(-eta)
    logs, one, k_one, two, k_two, kk_two = _sums(tallies.success, mu, theta, size)
    logs_, one_, k_one_, two_, k_two_, kk_two_ = _sums(tallies.failure, rest, theta, size)
    logs_m, k_one_m, kk_two_m = _of_trials(tallies.trial, theta)
    width = mu * rest
    by_mu = one - one_
    by_theta = float(k_one.sum() + k_one_.sum() - k_one_m)
    by_theta2 = float(kk_two_m - kk_two.sum() - kk_two_.sum())
    return LogLikDerivatives(
        value=tallies.constant + logs + logs_ - logs_m,
        eta=width * by_mu,
        eta2=width * (rest - mu) * by_mu - width**2 * (two + two_),
        eta_lam=theta * width * (k_two_ - k_two),
        lam=theta * by_theta,
        lam2=theta**2 * by_theta2 + theta * by_theta,
    )


def _sums(
    steps: Steps, level: Floats, theta: float, size: int
) -> tuple[float, Floats, Floats, Floats, Floats, Floats]:
    """Return Σ log x, and by group Σ 1/x, Σ k/x, Σ 1/x², Σ k/x², Σ k²/x² for x = level + kθ."""
    x = level[steps.group] + steps.k * theta
    first = steps.times / x
    second = first / x

    def by_group(terms: Floats) -> Floats:
        return np.asarray(np.bincount(steps.group, terms, size), dtype=np.float64)

    return (
        float((steps.times * np.log(x)).sum()),
        by_group(first),
        by_group(steps.k * first),
        by_group(second),
        by_group(steps.k * second),
        by_group(steps.k**2 * second),
    )


def _of_trials(steps: Steps, theta: float) -> tuple[float, float, float]:
    """Return Σ log x, Σ k/x and Σ k²/x² for x = 1 + kθ, over all groups."""
    x = 1 + steps.k * theta
    first = steps.times / x
    # In the order of the rows, as sums by group are.
    by_one, by_two = (
        float(np.bincount(steps.group, terms, 1)[0])
        for terms in (steps.k * first, steps.k**2 * (first / x))
    )
    return float((steps.times * np.log(x)).sum()), by_one, by_two


def third_derivatives(tallies: Tallies, eta: Floats, lam: float) -> tuple[Floats, Floats]:
    """Return the derivatives of `LogLikDerivatives.eta2` in η and in λ, shape (G,) each.

    `eta` (G,). They say how the curvature, and with it Laplace's likelihood, moves.
    """
    theta, size = float(np.exp(lam)), tallies.n_groups
    mu, rest = expit(eta), expit(-eta)
    _, one, _, two, k_two, _ = _sums(tallies.success, mu, theta, size)
    _, one_, _, two_, k_two_, _ = _sums(tallies.failure, rest, theta, size)
    three, k_three = _cubes(tallies.success, mu, theta, size)
    three_, k_three_ = _cubes(tallies.failure, rest, theta, size)
    width, tilt = mu * rest, rest - mu
    by_eta = (
        width * (1 - 6 * width) * (one - one_)
        - 3 * width**2 * tilt * (two + two_)
        + 2 * width**3 * (three - three_)
    )
    by_lam = theta * (width * tilt * (k_two_ - k_two) + 2 * width**2 * (k_three + k_three_))
    return by_eta, by_lam


def _cubes(steps: Steps, level: Floats, theta: float, size: int) -> tuple[Floats, Floats]:
    """Return by group Σ 1/x³ and Σ k/x³ for x = level + kθ."""
    third = steps.times / (level[steps.group] + steps.k * theta) ** 3
    plain, by_k = (np.bincount(steps.group, terms, size) for terms in (third, steps.k * third))
    return np.asarray(plain, dtype=np.float64), np.asarray(by_k, dtype=np.float64)


def excess_at_binomial(tallies: Tallies, eta: Floats) -> float:
    """Return the slope of the log-likelihood in θ at θ = 0: above 0 where counts vary more.

    ``Σ_{k<s} k/μ + Σ_{k<m-s} k/(1-μ) - Σ_{k<m} k``, the score of Tarone (1979, Testing the goodness
    of fit of the binomial distribution, Biometrika 66; from memory), with `eta` (G,) = logit μ.
    """
    success, failure, trial = tallies.success, tallies.failure, tallies.trial
    return float(
        (success.times * success.k / expit(eta)[success.group]).sum()
        + (failure.times * failure.k / expit(-eta)[failure.group]).sum()
        - (trial.times * trial.k).sum()
    )


def chances(successes: Ints, trials: Ints, mu: Floats, rho: float) -> tuple[Floats, Floats]:
    """Return the chances of fewer successes than seen and of as many, shape (N,) each."""
    below, log_chance = log_chances(successes, trials, mu, rho)
    return below, np.exp(log_chance)


def log_chances(successes: Ints, trials: Ints, mu: Floats, rho: float) -> tuple[Floats, Floats]:
    """Return the chance of fewer successes than seen, and the log chance of as many, (N,) each.

    With ``θ = ρ/(1-ρ)`` by recursion: ``P(0) = Π_{j<m} (1 - μ + jθ)/(1 + jθ)`` and ``P(k+1) = P(k)
    (m-k)/(k+1) (μ + kθ)/(1 - μ + (m-k-1)θ)``, which at θ = 0 is the binomial; at ρ = 1 all trials
    of a row end alike, for which θ is as large as the numbers can tell from it.
    """
    theta = rho / max(1 - rho, float(np.finfo(np.float64).eps))
    log_p = np.zeros(len(mu))
    order = np.argsort(trials, kind="stable")[::-1]
    for j in range(int(trials.max(initial=0))):
        rows = order[: np.searchsorted(-trials[order], -j)]
        log_p[rows] += np.log((1 - mu[rows] + j * theta) / (1 + j * theta))
    below, order = np.zeros(len(mu)), np.argsort(successes, kind="stable")[::-1]
    for k in range(int(successes.max(initial=0))):
        rows = order[: np.searchsorted(-successes[order], -k)]
        below[rows] += np.exp(log_p[rows])
        m, one = trials[rows], mu[rows]
        odds = (one + k * theta) / (1 - one + (m - k - 1) * theta)
        log_p[rows] += np.log((m - k) / (k + 1) * odds)
    return below, log_p


# The beta-binomial regression as a likelihood of its parameters.


@dataclass(frozen=True, slots=True, eq=False)
class ShareLikelihood:
    """Beta-binomial regression; parameters are b, then λ = logit ρ.

    `rows` (G, P): the distinct rows of the regression's matrix, by which counts are tallied.
    """

    rows: Matrix
    tallies: Tallies
    # What was calculated last: gradient and curvature are needed at the same place.
    _last: dict[bytes, LogLikDerivatives] = field(default_factory=dict, init=False, repr=False)

    def _at(self, params: Floats) -> LogLikDerivatives:
        key = params.tobytes()
        if key not in self._last:
            found = log_lik_derivatives(self.tallies, self.rows @ params[:-1], float(params[-1]))
            self._last.clear()
            self._last[key] = found
        return self._last[key]

    def value(self, params: Floats) -> float:
        """Return the log-likelihood."""
        return log_likelihood(self.tallies, self.rows @ params[:-1], float(params[-1]))

    def score(self, params: Floats) -> Floats:
        """Return the gradient, shape (P + 1,)."""
        found = self._at(params)
        return np.append(column_sums(self.rows, found.eta), found.lam)

    def hessian(self, params: Floats) -> Floats:
        """Return the matrix of second derivatives, shape (P + 1, P + 1)."""
        found = self._at(params)
        size = len(params)
        matrix = np.empty((size, size))
        matrix[:-1, :-1] = gram(self.rows, found.eta2)
        matrix[:-1, -1] = matrix[-1, :-1] = column_sums(self.rows, found.eta_lam)
        matrix[-1, -1] = found.lam2
        return matrix


@dataclass(frozen=True, slots=True, eq=False)
class Binomial:
    """The likelihood without correlation: it has one top, reached from anywhere."""

    correlated: ShareLikelihood

    def value(self, params: Floats) -> float:
        """Return the log-likelihood."""
        return self.correlated.value(np.append(params, -np.inf))

    def score(self, params: Floats) -> Floats:
        """Return the gradient, shape (P,)."""
        return self.correlated.score(np.append(params, -np.inf))[:-1]

    def hessian(self, params: Floats) -> Floats:
        """Return the matrix of second derivatives, shape (P, P)."""
        return self.correlated.hessian(np.append(params, -np.inf))[:-1, :-1]

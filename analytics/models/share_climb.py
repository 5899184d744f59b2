"""Regressions of shares with the covariance of their coefficients, by rows and by cluster."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import expit, logit
from scipy.stats import betabinom, binom, norm

from analytics.errors import WrongUse
from analytics.models.beta_binomial import excess_at_binomial, log_likelihood, slopes, tally
from analytics.models.climb import RUNS_OFF, require_clusters
from analytics.models.coded_rows import independent
from analytics.models.maximum import newton
from analytics.models.share_checks import counts_of
from analytics.models.share_likelihood import ShareLikelihood
from analytics.models.terms import coding_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.models.terms import Coding

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

#: Intraclass correlation that the climb starts from.
FIRST_RHO = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Binomial:
    """The same likelihood with no correlation: it has one top, reached from anywhere."""

    whole: ShareLikelihood

    def value(self, params: Floats) -> float:
        """Return the log-likelihood."""
        return self.whole.value(np.append(params, -math.inf))

    def score(self, params: Floats) -> Floats:
        """Return the gradient, shape (P,)."""
        return self.whole.score(np.append(params, -math.inf))[:-1]

    def hessian(self, params: Floats) -> Floats:
        """Return the matrix of second derivatives, shape (P, P)."""
        return self.whole.hessian(np.append(params, -math.inf))[:-1, :-1]


@dataclass(frozen=True, slots=True, eq=False)
class ShareClimb:
    """A beta-binomial regression with its covariance; it keeps no rows of the data.

    Parameters
    ----------
    coefficients : pandas.DataFrame
        ``term, estimate, se`` on the logit scale.
    cov : ndarray of float, shape (K, K)
    dispersion : float
        Intraclass correlation, 0 at the edge where rows spread no more than coin tosses.
    log_likelihood, aic, bic : float
    n : int
        Rows with a trial.
    coding : Coding
    """

    coefficients: pd.DataFrame
    cov: Floats
    dispersion: float
    log_likelihood: float
    aic: float
    bic: float
    n: int
    coding: Coding

    def share(self, frame: pd.DataFrame) -> Floats:
        """Return the expected share of the rows of a frame, shape (N,)."""
        b = self.coefficients["estimate"].to_numpy()
        return np.asarray(expit(self.coding.matrix(frame) @ b), dtype=np.float64)


def climb_shares(
    frame: pd.DataFrame,
    *,
    successes: str,
    trials: str,
    terms: Sequence[str],
    is_binomial: bool = False,
    leave_out: bool = False,
) -> ShareClimb:
    """Fit shares as `analytics.models.shares.fit_shares` does, from one start, with covariance.

    Parameters
    ----------
    frame : pandas.DataFrame
    successes, trials : str
    terms : sequence of str
        As in `fit_shares`.
    is_binomial : bool
        Hold the intraclass correlation at 0.
    leave_out : bool
        As in `analytics.models.climb.climb`.

    Returns
    -------
    ShareClimb

    Raises
    ------
    WrongUse
        If columns follow from each other, a share runs to 0 or 1, or the steps do not arrive.
    """
    counts = counts_of(frame, successes=successes, trials=trials)
    coding = coding_of(counts.frame, terms)
    rows, group = _groups(coding, counts.frame)
    keep = independent(rows)
    if not (leave_out or keep.all()):
        raise WrongUse(
            f"{rows.shape[1]} coefficients from {len(rows)} combinations of covariates, of which "
            f"only {keep.sum()} can be told apart: leave a term out"
        )
    rows = rows[:, keep]
    model = ShareLikelihood(rows, tally(counts.successes, counts.trials, group, len(rows)))
    with np.errstate(all="ignore"):
        beta = newton(Binomial(model), np.zeros(rows.shape[1]))
    if beta is None:
        raise WrongUse("some terms pick out rows whose fish are all of one kind: join levels")
    if not np.abs(rows @ beta).max() < RUNS_OFF:
        raise WrongUse("some terms pick out rows whose fish are all of one kind: join levels")
    spreads = excess_at_binomial(model.tallies, rows @ beta) > 0
    if is_binomial or not spreads:
        n_free = len(beta) + (not is_binomial)
        return _told(model, beta, -math.inf, coding, keep=keep, n_free=n_free)
    with np.errstate(all="ignore"):
        params = newton(model, np.append(beta, logit(FIRST_RHO)))
    if params is None:
        raise WrongUse("the search for the coefficients did not arrive: name fewer terms")
    return _told(model, params[:-1], float(params[-1]), coding, keep=keep, n_free=len(params))


def clustered_shares(
    frame: pd.DataFrame, fit: ShareClimb, *, successes: str, trials: str, cluster: str
) -> Floats:
    """Return the covariance of the coefficients of a fit with errors clustered, shape (K, K).

    As `analytics.models.climb.clustered`, for the coefficients at a known correlation.

    Raises
    ------
    WrongUse
        If there are no more clusters than coefficients.
    """
    counts = counts_of(frame, successes=successes, trials=trials)
    rows, group = _groups(fit.coding, counts.frame)
    codes, clusters = pd.factorize(counts.frame[cluster])
    require_clusters(len(clusters), int((np.diag(fit.cov) > 0).sum()))
    pairs, where = np.unique(codes * len(rows) + group, return_inverse=True)
    of, place = np.divmod(pairs, len(rows))
    model = ShareLikelihood(
        rows[place], tally(counts.successes, counts.trials, where.ravel(), len(pairs))
    )
    b = fit.coefficients["estimate"].to_numpy()
    eta = slopes(model.tallies, model.rows @ b, _lam(fit.dispersion)).eta
    scores = np.zeros((len(clusters), len(b)))
    np.add.at(scores, of, eta[:, None] * model.rows)
    n = len(clusters)
    return np.asarray(fit.cov @ (n / (n - 1) * scores.T @ scores) @ fit.cov)


def log_chances(fit: ShareClimb, frame: pd.DataFrame, *, successes: str, trials: str) -> Floats:
    """Return the log chance of each row with a trial, shape (N,)."""
    counts = counts_of(frame, successes=successes, trials=trials)
    law = _law(fit, counts.frame, counts.trials)
    return np.asarray(law.logpmf(counts.successes), dtype=np.float64)


def share_residuals(
    fit: ShareClimb, frame: pd.DataFrame, *, successes: str, trials: str, seed: int = 0
) -> tuple[Floats, float]:
    """Return randomised quantile residuals of rows with a trial, and their Pearson ratio.

    As in `analytics.models.diagnostics.diagnose`; the ratio is of squared differences to the law's
    variance, by free rows.
    """
    counts = counts_of(frame, successes=successes, trials=trials)
    law = _law(fit, counts.frame, counts.trials)
    low, high = law.cdf(counts.successes - 1), law.cdf(counts.successes)
    u = low + np.random.default_rng(seed).random(len(low)) * (high - low)
    off = (counts.successes - law.mean()) ** 2 / law.var()
    free = max(fit.n - len(fit.coefficients), 1)
    return np.asarray(norm.ppf(np.clip(u, 1e-15, 1 - 1e-15))), float(off.sum() / free)


def share_influence(fit: ShareClimb, frame: pd.DataFrame, *, successes: str, trials: str) -> Floats:
    """Return the largest move of a coefficient, in its errors, if a row were left out, shape (N,).

    One step, as in `analytics.models.diagnostics.diagnose`; N rows with a trial.
    """
    counts = counts_of(frame, successes=successes, trials=trials)
    rows, group = _groups(fit.coding, counts.frame)
    size = int(counts.trials.max()) + 1
    key = (group * size + counts.trials) * size + counts.successes
    alike, place = np.unique(key, return_inverse=True)
    of, told = np.divmod(alike, size * size)
    m, s = np.divmod(told, size)
    b = fit.coefficients["estimate"].to_numpy(np.float64)
    score = slopes(
        tally(s, m, np.arange(len(alike)), len(alike)), (rows @ b)[of], _lam(fit.dispersion)
    )
    se = np.sqrt(np.diag(fit.cov))
    moves = np.abs(rows @ fit.cov[:, se > 0] / se[se > 0]).max(axis=1)
    return np.asarray((np.abs(score.eta) * moves[of])[place.ravel()])


def _groups(coding: Coding, frame: pd.DataFrame) -> tuple[Floats, Ints]:
    """Return the distinct rows of the matrix of a frame, and the place of each row among them."""
    code = np.zeros(len(frame), dtype=np.int64)
    for column in coding.columns:
        codes, values = pd.factorize(frame[column])
        code = np.unique(code * len(values) + codes, return_inverse=True)[1].ravel()
    _, first, group = np.unique(code, return_index=True, return_inverse=True)
    return coding.matrix(frame.iloc[first]), group.ravel()


def _told(
    model: ShareLikelihood,
    beta: Floats,
    lam: float,
    coding: Coding,
    *,
    keep: NDArray[np.bool_],
    n_free: int,
) -> ShareClimb:
    params = np.append(beta, lam)
    information = -model.hessian(params)
    if lam == -math.inf:
        information = information[:-1, :-1]
    k = len(beta)
    cov = np.linalg.inv(information)[:k, :k]
    if not math.sqrt(np.max(((model.rows @ cov) * model.rows).sum(axis=1))) < RUNS_OFF:
        raise WrongUse("some terms pick out rows whose fish are all of one kind: join levels")
    value = log_likelihood(model.tallies, model.rows @ beta, lam)
    n = int(model.tallies.trial.times[model.tallies.trial.k == 0].sum())
    at, names = np.flatnonzero(keep), list(coding.names)
    estimate, whole = np.zeros(len(names)), np.zeros((len(names), len(names)))
    estimate[at], whole[np.ix_(at, at)] = beta, cov
    errors = np.sqrt(np.diag(whole))
    return ShareClimb(
        coefficients=pd.DataFrame({"term": names, "estimate": estimate, "se": errors}),
        cov=whole,
        dispersion=float(expit(lam)),
        log_likelihood=value,
        aic=2 * n_free - 2 * value,
        bic=math.log(n) * n_free - 2 * value,
        n=n,
        coding=coding,
    )


def _lam(rho: float) -> float:
    return float(logit(rho)) if rho > 0 else -math.inf


def _law(fit: ShareClimb, frame: pd.DataFrame, trials: Ints) -> Any:
    """Return the fitted law of every row as a distribution of scipy."""
    mu, rho = fit.share(frame), fit.dispersion
    if rho > 0:
        return betabinom(trials, mu * (1 - rho) / rho, (1 - mu) * (1 - rho) / rho)
    return binom(trials, mu)

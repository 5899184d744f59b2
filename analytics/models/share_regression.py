"""Regression of shares whose rows spread more than coin tosses: the beta-binomial."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import expit, logit
from scipy.stats import betabinom, binom, norm

from analytics.errors import UsageError
from analytics.models.beta_binomial import (
    ShareLikelihood,
    binomial_start,
    excess_at_binomial,
    log_lik_derivatives,
    log_likelihood,
    tally,
)
from analytics.models.count_data import independent
from analytics.models.count_regression import DIVERGENCE_BOUND, require_clusters
from analytics.models.formula import (
    cautions,
    coding_of,
    parts_of,
    require_apart,
    term_list,
    terms_of,
)
from analytics.models.maximum_likelihood import checked_errors, newton, search
from analytics.models.response_checks import counts_of, require_overlap

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.models.beta_binomial import Tallies
    from analytics.models.formula import Coding

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

#: Intraclass correlations that the search starts from.
STARTS = (0.01, 0.1, 0.4)
#: An intraclass correlation under this is none: the search stops anywhere on the way to 0.
NO_RHO = 1e-10


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class ShareFit:
    """A fitted regression of shares; it keeps no rows of the data.

    Parameters
    ----------
    coefficients : pandas.DataFrame
        ``term, estimate, se`` on the logit scale; `se` is NaN where it was refused.
    dispersion : float
        Intraclass correlation ρ of the trials of a row: 0 is the binomial, 1 all or none. NaN
        where no row has two trials.
    dispersion_se : float
        Its standard error; NaN where it cannot be had.
    log_likelihood, aic : float
        AIC counts the coefficients and, where it can be told, the dispersion.
    n : int
        Rows with at least one trial.
    converged : bool
        Whether the search arrived; a fit that did not is refused.
    notes : tuple of str
        What a reader must know: why an error or the dispersion cannot be had.
    """

    coefficients: pd.DataFrame
    dispersion: float
    dispersion_se: float
    log_likelihood: float
    aic: float
    n: int
    converged: bool
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        """Return the size and the coefficients."""
        head = f"beta-binomial: {self.n} rows, AIC {self.aic:.1f}, dispersion {self.dispersion:.3g}"
        table = self.coefficients.round(3).to_string(index=False, max_rows=12)
        return "\n".join([head, table, *self.notes])


def fit_shares(
    frame: pd.DataFrame, *, successes: str, trials: str, terms: Sequence[str] = ()
) -> ShareFit:
    r"""Fit shares by beta-binomial maximum likelihood.

    ``s_i ~ BetaBinomial(m_i, μ_i, ρ)`` with ``logit μ_i = x_i'b``; ``α = μ(1-ρ)/ρ`` and
    ``β = (1-μ)(1-ρ)/ρ``, so that ``V(s_i) = m μ (1-μ) [1 + (m-1) ρ]`` (Crowder 1978, Beta-binomial
    Anova for proportions, J. R. Stat. Soc. C 27). Errors come from the observed information, whose
    analytic form is checked against the numerical derivative of the score.

    Parameters
    ----------
    frame : pandas.DataFrame
        One row a group of trials, such as the fish of a site-day.
    successes, trials : str
        Columns of whole numbers, ``0 <= successes <= trials``; rows of no trials tell nothing and
        are left out.
    terms : sequence of str
        Columns, or ``a:b`` for an interaction: text is a factor whose first level in sorting order
        is the base, numbers are slopes, ``number~4`` a natural spline of four columns.

    Returns
    -------
    ShareFit

    Raises
    ------
    UsageError
        If a column, a count or a term is not allowed, some terms tell successes from failures
        without an exception, every row is all or none, or the search did not arrive.
    """
    terms = term_list(terms)
    counts = counts_of(frame, successes=successes, trials=trials)
    columns = [part for term in terms for part in parts_of(counts.frame, term).values()]
    require_apart(successes=[successes], trials=[trials], terms=columns)
    design = terms_of(counts.frame, terms)
    require_overlap(counts, design)
    rows, group = np.unique(design.matrix, axis=0, return_inverse=True)
    tallies = tally(counts.successes, counts.trials, group.ravel(), len(rows))
    beta = binomial_start(counts.successes, counts.trials, design.matrix)
    model = ShareLikelihood(rows, tallies)
    n_free = len(beta)
    if counts.trials.max() < 2:
        fit = _binomial(model, beta, math.nan)
        notes: tuple[str, ...] = ("no row has two trials: their correlation cannot be told",)
    else:
        n_free += 1
        fit, notes = _best(model, beta, tallies)
    return ShareFit(
        coefficients=pd.DataFrame(
            {"term": list(design.names), "estimate": fit.beta, "se": fit.beta_se}
        ),
        dispersion=fit.rho,
        dispersion_se=fit.rho_se,
        log_likelihood=fit.value,
        aic=2 * n_free - 2 * fit.value,
        n=len(counts.trials),
        converged=True,
        notes=(*notes, *fit.notes, *cautions(counts.frame, columns)),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    beta: NDArray[np.float64]
    beta_se: NDArray[np.float64]
    rho: float
    rho_se: float
    value: float
    notes: tuple[str, ...]


def _best(
    model: ShareLikelihood, beta: NDArray[np.float64], tallies: Tallies
) -> tuple[_Fit, tuple[str, ...]]:
    """Return the better of the best fit with overdispersion and the binomial, its boundary."""
    found = [one for start in STARTS if (one := _arrived(model, beta, start)) is not None]
    inside = max(found, key=model.value, default=None)
    edge = log_likelihood(tallies, model.rows @ beta, -math.inf)
    spreads = excess_at_binomial(tallies, model.rows @ beta) > 0
    if inside is not None and model.value(inside) > edge:
        return _overdispersed(model, inside), ()
    if spreads:
        raise UsageError(
            "the search for the coefficients did not arrive: the rows say too little for these "
            "terms; name fewer terms, or scale numbers to a spread near 1"
        )
    note = (
        "counts spread no more than the binomial: dispersion 0, at the edge of what is allowed; "
        "errors are the binomial's"
    )
    return _binomial(model, beta, 0.0), (note,)


def _arrived(
    model: ShareLikelihood, beta: NDArray[np.float64], rho: float
) -> NDArray[np.float64] | None:
    """Search from a start: far by BFGS, then by Newton's steps; None where it does not arrive."""
    far = search(model, np.append(beta, logit(rho)))
    top = None if far is None else newton(model, far)
    return None if top is None or top[-1] < logit(NO_RHO) else top


def _overdispersed(model: ShareLikelihood, params: NDArray[np.float64]) -> _Fit:
    errors, notes = checked_errors(model.hessian, model.score, params)
    rho = float(expit(params[-1]))
    return _Fit(
        beta=params[:-1],
        beta_se=errors[:-1],
        rho=rho,
        rho_se=float(rho * (1 - rho) * errors[-1]),
        value=model.value(params),
        notes=notes,
    )


def _binomial(model: ShareLikelihood, beta: NDArray[np.float64], rho: float) -> _Fit:
    def full(beta: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.append(beta, -math.inf)

    errors, notes = checked_errors(
        lambda b: model.hessian(full(b))[:-1, :-1], lambda b: model.score(full(b))[:-1], beta
    )
    return _Fit(beta, errors, rho, math.nan, model.value(full(beta)), notes)


# Regressions of shares with the covariance of their coefficients, by rows and by cluster.

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
class ShareRegression:
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
) -> ShareRegression:
    """Fit shares as `share_regression.fit_shares` does, from one start, with covariance.

    Parameters
    ----------
    frame : pandas.DataFrame
    successes, trials : str
    terms : sequence of str
        As in `fit_shares`.
    is_binomial : bool
        Hold the intraclass correlation at 0.
    leave_out : bool
        As in `analytics.models.count_regression.climb`.

    Returns
    -------
    ShareRegression

    Raises
    ------
    UsageError
        If columns follow from each other, a share runs to 0 or 1, or the steps do not arrive.
    """
    counts = counts_of(frame, successes=successes, trials=trials)
    coding = coding_of(counts.frame, terms)
    rows, group = _groups(coding, counts.frame)
    keep = independent(rows)
    if not (leave_out or keep.all()):
        raise UsageError(
            f"{rows.shape[1]} coefficients from {len(rows)} combinations of covariates, of which "
            f"only {keep.sum()} can be told apart: leave a term out"
        )
    rows = rows[:, keep]
    model = ShareLikelihood(rows, tally(counts.successes, counts.trials, group, len(rows)))
    with np.errstate(all="ignore"):
        beta = newton(Binomial(model), np.zeros(rows.shape[1]))
    if beta is None:
        raise UsageError("some terms pick out rows whose fish are all of one kind: join levels")
    if not np.abs(rows @ beta).max() < DIVERGENCE_BOUND:
        raise UsageError("some terms pick out rows whose fish are all of one kind: join levels")
    spreads = excess_at_binomial(model.tallies, rows @ beta) > 0
    if is_binomial or not spreads:
        n_free = len(beta) + (not is_binomial)
        return _told(model, beta, -math.inf, coding, keep=keep, n_free=n_free)
    with np.errstate(all="ignore"):
        params = newton(model, np.append(beta, logit(FIRST_RHO)))
    if params is None:
        raise UsageError("the search for the coefficients did not arrive: name fewer terms")
    return _told(model, params[:-1], float(params[-1]), coding, keep=keep, n_free=len(params))


def clustered_shares(
    frame: pd.DataFrame, fit: ShareRegression, *, successes: str, trials: str, cluster: str
) -> Floats:
    """Return the covariance of the coefficients of a fit with errors clustered, shape (K, K).

    As `analytics.models.count_regression.clustered`, for the coefficients at a known correlation.

    Raises
    ------
    UsageError
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
    eta = log_lik_derivatives(model.tallies, model.rows @ b, _lam(fit.dispersion)).eta
    scores = np.zeros((len(clusters), len(b)))
    np.add.at(scores, of, eta[:, None] * model.rows)
    n = len(clusters)
    return np.asarray(fit.cov @ (n / (n - 1) * scores.T @ scores) @ fit.cov)


def log_chances(
    fit: ShareRegression, frame: pd.DataFrame, *, successes: str, trials: str
) -> Floats:
    """Return the log chance of each row with a trial, shape (N,)."""
    counts = counts_of(frame, successes=successes, trials=trials)
    law = _law(fit, counts.frame, counts.trials)
    return np.asarray(law.logpmf(counts.successes), dtype=np.float64)


def share_residuals(
    fit: ShareRegression, frame: pd.DataFrame, *, successes: str, trials: str, seed: int = 0
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


def share_influence(
    fit: ShareRegression, frame: pd.DataFrame, *, successes: str, trials: str
) -> Floats:
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
    score = log_lik_derivatives(
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
) -> ShareRegression:
    params = np.append(beta, lam)
    information = -model.hessian(params)
    if lam == -math.inf:
        information = information[:-1, :-1]
    k = len(beta)
    cov = np.linalg.inv(information)[:k, :k]
    if not math.sqrt(np.max(((model.rows @ cov) * model.rows).sum(axis=1))) < DIVERGENCE_BOUND:
        raise UsageError("some terms pick out rows whose fish are all of one kind: join levels")
    value = log_likelihood(model.tallies, model.rows @ beta, lam)
    n = int(model.tallies.trial.times[model.tallies.trial.k == 0].sum())
    at, names = np.flatnonzero(keep), list(coding.names)
    estimate, whole = np.zeros(len(names)), np.zeros((len(names), len(names)))
    estimate[at], whole[np.ix_(at, at)] = beta, cov
    errors = np.sqrt(np.diag(whole))
    return ShareRegression(
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


def _law(fit: ShareRegression, frame: pd.DataFrame, trials: Ints) -> Any:
    """Return the fitted law of every row as a distribution of scipy."""
    mu, rho = fit.share(frame), fit.dispersion
    if rho > 0:
        return betabinom(trials, mu * (1 - rho) / rho, (1 - mu) * (1 - rho) / rho)
    return binom(trials, mu)

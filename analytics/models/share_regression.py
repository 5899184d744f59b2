"""Regression of shares whose rows vary more than coin tosses: the beta-binomial."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import expit, logit, ndtri

from analytics.codes import coded
from analytics.errors import UsageError
from analytics.models import beta_binomial, count_warm_start
from analytics.models.beta_binomial import (
    Binomial,
    ShareLikelihood,
    chances,
    excess_at_binomial,
    log_lik_derivatives,
    tally,
)
from analytics.models.count_fit import placed
from analytics.models.count_warm_start import DIVERGENCE_BOUND, independent
from analytics.models.factor_matrix import chosen_columns, matrix_of, quadratic
from analytics.models.formula import (
    cautions,
    coding_of,
    parts_of,
    require_apart,
    require_rank,
    term_list,
)
from analytics.models.maximum_likelihood import checked_errors, covariance_at, newton, search
from analytics.models.response_checks import counts_of, require_overlap

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.arrays import Bools, Floats, Ints
    from analytics.models.formula import Coding


#: Intraclass correlations that the search starts from, and the one a fit from one start does.
STARTS, FIRST_RHO = (0.01, 0.1, 0.4), 0.1
#: An intraclass correlation under this is none: the search stops anywhere on the way to 0.
NO_RHO = 1e-10
_ONE_KIND = coded("levels_of_one_kind")


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class ShareFit:
    """A fitted regression of shares; it keeps no rows of the data.

    Parameters
    ----------
    coefficients : pandas.DataFrame
        ``term, estimate, se`` on the logit scale; `se` is NaN where it was refused.
    cov : ndarray of float, shape (K, K)
        Covariance of the coefficients, in their order.
    dispersion : float
        Intraclass correlation ρ of the trials of a row: 0 is the binomial, 1 all or none. NaN
        where no row has two trials.
    dispersion_se : float
        Its standard error; NaN where there is none.
    log_likelihood, aic, bic : float
        AIC and BIC count the coefficients and, where it can be estimated, the dispersion.
    n : int
        Rows with at least one trial.
    coding : Coding
        How the terms are coded.
    notes : tuple of str
        What a reader must know: why an error or the dispersion is not available.
    converged : bool
        Always true: a search that does not converge is refused.
    """

    coefficients: pd.DataFrame
    cov: Floats
    dispersion: float
    dispersion_se: float
    log_likelihood: float
    aic: float
    bic: float
    n: int
    coding: Coding
    notes: tuple[str, ...] = ()
    converged: bool = True

    def __repr__(self) -> str:
        """Return the size and the coefficients."""
        head = f"beta-binomial: {self.n} rows, AIC {self.aic:.1f}, dispersion {self.dispersion:.3g}"
        table = self.coefficients.round(3).to_string(index=False, max_rows=12)
        return "\n".join([head, table, *self.notes])

    def share(self, frame: pd.DataFrame) -> Floats:
        """Return the expected share of the rows of a frame, shape (N,)."""
        b = self.coefficients["estimate"].to_numpy()
        return np.asarray(expit(matrix_of(self.coding, frame) @ b), dtype=np.float64)


def share_fit(
    model: ShareLikelihood,
    params: Floats,
    cov: Floats,
    *,
    coding: Coding,
    n_parameters: int | None = None,
    keep: Bools | None = None,
    notes: tuple[str, ...] = (),
) -> ShareFit:
    """Return the fit at the top of a likelihood: ``params`` are coefficients and logit ρ, or -inf.

    `cov` has a row for each free parameter. Columns that `keep`, shape (K,), leaves out have a
    coefficient of 0 without an error.
    """
    lam, names = float(params[-1]), list(coding.names)
    fitted = np.ones(len(names), dtype=bool) if keep is None else keep
    coefficients, full = placed(names, fitted, params, cov)
    value, rho = model.value(params), float(expit(lam))
    n = int(model.tallies.trial.times[model.tallies.trial.k == 0].sum())
    n_free = len(cov) if n_parameters is None else n_parameters
    return ShareFit(
        coefficients=coefficients,
        cov=full,
        dispersion=rho,
        dispersion_se=rho * (1 - rho) * math.sqrt(cov[-1, -1]) if rho > 0 else math.nan,
        log_likelihood=value,
        aic=2 * n_free - 2 * value,
        bic=math.log(n) * n_free - 2 * value,
        n=n,
        coding=coding,
        notes=notes,
    )


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
        Columns of whole numbers, ``0 <= successes <= trials``; rows of no trials have no
        information and are left out.
    terms : sequence of str
        Columns, or ``a:b`` for an interaction: text is a factor whose first level in sorting order
        is the base, numbers are slopes, ``number~4`` a natural spline of four columns.

    Returns
    -------
    ShareFit
        `coefficients`, `cov`, `dispersion`, `aic` and `predict` are what is used most.

    Examples
    --------
    >>> import pandas as pd
    >>> site_days = pd.DataFrame(
    ...     {"sublegal": [2, 6, 1, 5, 7, 9], "fish": [4, 9, 6, 6, 8, 14], "area": list("eeewww")}
    ... )
    >>> fit = fit_shares(site_days, successes="sublegal", trials="fish", terms=["area"])
    >>> fit.coefficients.round(2).to_dict("list")
    {'term': ['intercept', 'area[w]'], 'estimate': [-0.11, 1.2], 'se': [0.46, 0.63]}

    Raises
    ------
    UsageError
        If a column, a count or a term is not allowed, some terms separate successes from failures
        without an exception, every row is all or none, or the search did not arrive.
    """
    terms = term_list(terms)
    counts = counts_of(frame, successes=successes, trials=trials)
    columns = [part for term in terms for part in parts_of(counts.frame, term).values()]
    require_apart(successes=[successes], trials=[trials], terms=columns)
    coding = coding_of(counts.frame, terms)
    matrix = coding.matrix(counts.frame)
    require_rank(coding.names, matrix)
    require_overlap(counts, coding.names, matrix)
    rows, group = np.unique(matrix, axis=0, return_inverse=True)
    model = ShareLikelihood(rows, tally(counts.successes, counts.trials, group.ravel(), len(rows)))
    params, notes = _best(model, is_correlated=bool((counts.trials > 1).any()))
    cov, refused = _checked_covariance(model, params)
    fit = share_fit(
        model,
        params,
        cov,
        coding=coding,
        n_parameters=rows.shape[1] + bool((counts.trials > 1).any()),
        notes=(*notes, *refused, *cautions(counts.frame, columns)),
    )
    return fit if counts.trials.max() > 1 else replace(fit, dispersion=math.nan)


def _best(model: ShareLikelihood, *, is_correlated: bool) -> tuple[Floats, tuple[str, ...]]:
    """Return the better of the best fit with overdispersion and the binomial, its boundary."""
    with np.errstate(all="ignore"):
        beta = newton(Binomial(model), np.zeros(model.rows.shape[1]))
    if beta is None:
        raise _not_converged()
    edge = np.append(beta, -math.inf)
    if not is_correlated:
        return edge, ("no row has two trials: their correlation cannot be estimated",)
    found = [one for start in STARTS if (one := _converged(model, beta, start)) is not None]
    inside = max(found, key=model.value, default=None)
    if inside is not None and model.value(inside) > model.value(edge):
        return inside, ()
    if excess_at_binomial(model.tallies, model.rows @ beta) > 0:
        raise _not_converged()
    return edge, (
        "counts vary no more than the binomial: dispersion 0, at the edge of what is allowed; "
        "errors are the binomial's",
    )


def _not_converged() -> UsageError:
    return UsageError(
        "the search for the coefficients did not converge: the rows say too little for these "
        "terms; name fewer terms, or scale numbers to a standard deviation near 1"
    )


def _converged(model: ShareLikelihood, beta: Floats, rho: float) -> Floats | None:
    """Search from a start: far by BFGS, then by Newton's steps; None where it does not converge."""
    far = search(model, np.append(beta, logit(rho)))
    top = None if far is None else newton(model, far)
    return None if top is None or top[-1] < logit(NO_RHO) else top


def _checked_covariance(model: ShareLikelihood, params: Floats) -> tuple[Floats, tuple[str, ...]]:
    """Return the covariance of the free parameters, NaN where it is refused, and why."""
    free: ShareLikelihood | Binomial = model
    if params[-1] == -math.inf:
        free, params = Binomial(model), params[:-1]
    errors, notes = checked_errors(free.hessian, free.score, params)
    if not np.isfinite(errors).all():
        return np.full((len(params), len(params)), np.nan), notes
    return np.asarray(np.linalg.inv(-free.hessian(params)), dtype=np.float64), notes


def fit_shares_warm(
    frame: pd.DataFrame,
    *,
    successes: str,
    trials: str,
    terms: Sequence[str],
    is_binomial: bool = False,
    leave_out: bool = False,
) -> ShareFit:
    """Fit shares as `fit_shares` does, from one start and with fewer checks.

    Parameters
    ----------
    terms : sequence of str
        As in `fit_shares`.
    is_binomial : bool
        Hold the intraclass correlation at 0.
    leave_out : bool
        As in `count_warm_start.fit_warm_start`.

    Raises
    ------
    UsageError
        If columns follow from each other, a share runs to 0 or 1, or the steps do not arrive.
    """
    counts = counts_of(frame, successes=successes, trials=trials)
    coding = coding_of(counts.frame, terms)
    distinct, group = _groups(coding, counts.frame)
    rows = matrix_of(coding, distinct)
    keep = independent(rows)
    if not leave_out:
        count_warm_start.require_apart(keep, len(rows))
    rows = chosen_columns(rows, keep)
    model = ShareLikelihood(rows, tally(counts.successes, counts.trials, group, len(rows)))
    with np.errstate(all="ignore"):
        beta = newton(Binomial(model), np.zeros(rows.shape[1]))
        if beta is None or not np.abs(rows @ beta).max() < DIVERGENCE_BOUND:
            raise UsageError(_ONE_KIND)
        params: Floats | None = np.append(beta, -math.inf)
        if not is_binomial and excess_at_binomial(model.tallies, rows @ beta) > 0:
            params = newton(model, np.append(beta, logit(FIRST_RHO)))
    if params is None:
        raise UsageError(coded("fit_not_found", family="beta_binomial"))
    k, n_free = len(beta), len(beta) + (params[-1] > -math.inf)
    cov = covariance_at(model.hessian(params)[:n_free, :n_free], _ONE_KIND)
    variance = quadratic(rows, cov[:k, :k])
    if not 0 <= np.max(variance) < DIVERGENCE_BOUND**2:
        raise UsageError(_ONE_KIND)
    n_parameters = k + (not is_binomial)
    return share_fit(model, params, cov, coding=coding, n_parameters=n_parameters, keep=keep)


def log_chances(fit: ShareFit, frame: pd.DataFrame, *, successes: str, trials: str) -> Floats:
    """Return the log chance of each row with a trial, shape (N,)."""
    counts = counts_of(frame, successes=successes, trials=trials)
    mu = fit.share(counts.frame)
    return beta_binomial.log_chances(counts.successes, counts.trials, mu, fit.dispersion)[1]


def share_residuals(
    fit: ShareFit, frame: pd.DataFrame, *, successes: str, trials: str, seed: int = 0
) -> tuple[Floats, float]:
    """Return randomised quantile residuals of rows with a trial, and their Pearson ratio.

    As in `analytics.models.count_fit.diagnose`; the ratio is of squared differences to
    the family's variance, by free rows.
    """
    counts = counts_of(frame, successes=successes, trials=trials)
    mu, m, rho = fit.share(counts.frame), counts.trials, fit.dispersion
    low, chance = chances(counts.successes, m, mu, rho)
    u = low + np.random.default_rng(seed).random(len(low)) * chance
    variance = m * mu * (1 - mu) * (1 + (m - 1) * rho)
    off = (counts.successes - m * mu) ** 2 / variance
    free = max(fit.n - len(fit.coefficients), 1)
    return np.asarray(ndtri(np.clip(u, 1e-15, 1 - 1e-15))), float(off.sum() / free)


def share_influence(fit: ShareFit, frame: pd.DataFrame, *, successes: str, trials: str) -> Floats:
    """Return the largest move of a coefficient, in its errors, if a row were left out, shape (N,).

    One step, as in `analytics.models.count_fit.diagnose`; N rows with a trial.
    """
    counts = counts_of(frame, successes=successes, trials=trials)
    distinct, group = _groups(fit.coding, counts.frame)
    rows = fit.coding.matrix(distinct)
    size = int(counts.trials.max()) + 1
    key = (group * size + counts.trials) * size + counts.successes
    alike, place = np.unique(key, return_inverse=True)
    of, outcome = np.divmod(alike, size * size)
    m, s = np.divmod(outcome, size)
    b = fit.coefficients["estimate"].to_numpy(np.float64)
    score = log_lik_derivatives(
        tally(s, m, np.arange(len(alike)), len(alike)), (rows @ b)[of], _lam(fit.dispersion)
    )
    se = np.sqrt(np.diag(fit.cov))
    moves = np.abs(rows @ fit.cov[:, se > 0] / se[se > 0]).max(axis=1)
    return np.asarray((np.abs(score.eta) * moves[of])[place.ravel()])


def _groups(coding: Coding, frame: pd.DataFrame) -> tuple[pd.DataFrame, Ints]:
    """Return the distinct rows of a frame for a matrix, and the place of each row among them."""
    code = np.zeros(len(frame), dtype=np.int64)
    for column in coding.columns:
        codes, values = pd.factorize(frame[column])
        code = pd.factorize(code * len(values) + codes)[0]
    first = np.unique(code, return_index=True)[1]
    return frame.iloc[first], code


def _lam(rho: float) -> float:
    return float(logit(rho)) if rho > 0 else -math.inf

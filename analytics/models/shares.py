"""Regression of shares whose rows spread more than coin tosses: the beta-binomial."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from analytics.errors import WrongUse
from analytics.models.beta_binomial import excess_at_binomial, log_likelihood, tally
from analytics.models.maximum import checked_errors, newton, search
from analytics.models.share_checks import counts_of, require_overlap
from analytics.models.share_likelihood import ShareLikelihood, binomial_start
from analytics.models.terms import parts_of, terms_of
from analytics.models.wording import cautions, require_apart, term_list

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.models.beta_binomial import Tallies

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
    WrongUse
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
        raise WrongUse(
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

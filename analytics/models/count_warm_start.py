"""Many regressions of the same counts: each starts where the one before it ended."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.codes import coded
from analytics.errors import UsageError
from analytics.models.count_fit import ZERO, count_fit
from analytics.models.count_likelihood import CollapsedCounts, CountLikelihood, Family, collapse
from analytics.models.factor_matrix import chosen_columns, gram, matrix_of, quadratic
from analytics.models.formula import coding_of, parts_of
from analytics.models.maximum_likelihood import covariance_at, maximise, newton
from analytics.models.response_checks import rows_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.arrays import Bools, Floats, Ints
    from analytics.models.count_fit import CountFit
    from analytics.models.factor_matrix import Matrix
    from analytics.models.formula import Coding


#: A log rate so far from the mean rate, or an error of it, is one that runs off: a factor of e²⁰.
DIVERGENCE_BOUND = 20.0
#: The same for the logit of a part of zeros: 1 in 160,000.
ZERO_RUNS_OFF = 12.0
#: Logit of a zero part that is none.
NO_ZEROS = -20.0


def fit_warm_start(
    rows: Coded,
    terms: Sequence[str],
    *,
    family: str,
    start: CountFit | None = None,
    leave_out: bool = False,
) -> CountFit:
    r"""Return the regression of counts at the top nearest to a start.

    Parameters
    ----------
    terms : sequence of str
        As in `count_regression.fit_counts`; a zero part has its constant alone.
    family : str
        A word of `Family`.
    start : CountFit, optional
        A fit of the same or a simpler family; coefficients are taken over by name.
    leave_out : bool
        Hold coefficients that follow from those before them at 0 instead of refusing them, for
        predictions alone.

    Returns
    -------
    CountFit
        With the covariance of the observed information.

    Raises
    ------
    UsageError
        If columns follow from each other, a coefficient runs off, or the steps do not arrive.
    """
    asked = Family(family)
    if not rows.counts.y.any():
        raise UsageError(coded("no_count"))
    found = rows.regressors(terms)
    coding, matrix, keep = found.coding, found.matrix, found.keep
    if not leave_out:
        require_apart(keep, len(matrix))
    before = _before(rows, terms, asked, start, coding=coding, leave_out=leave_out)
    zero = np.ones((len(matrix), 1 if asked.has_zero_part else 0))
    likelihood = CountLikelihood(asked, rows.counts, chosen_columns(matrix, keep), zero)
    names = [name for name, is_kept in zip(coding.names, keep, strict=True) if is_kept]
    at = start_of(likelihood, names, before)
    if before is not None and not has_more(likelihood, before, at):
        return at_edge(likelihood, before)
    params = _top(likelihood, at)
    cov = covariance_at(likelihood.hessian(params), coded("levels_without_count"))
    _require_bounds(likelihood, params, cov)
    constant = coding_of(rows.groups, ())
    return count_fit(
        likelihood,
        params,
        cov,
        coding=coding,
        zero_coding=constant,
        exposure=rows.exposure,
        keep=keep,
    )


def _before(
    rows: Coded,
    terms: Sequence[str],
    family: Family,
    start: CountFit | None,
    *,
    coding: Coding,
    leave_out: bool,
) -> CountFit | None:
    """Return the fit of the family below, which this one starts from."""
    if family is Family.POISSON:
        return start if start is not None and start.family is family else None
    if (
        start is not None
        and start.family is family is Family.NEGATIVE_BINOMIAL
        and start.dispersion
    ):
        return start
    below = (
        Family.NEGATIVE_BINOMIAL
        if family.has_zero_part and family.has_dispersion
        else Family.POISSON
    )
    if start is not None and start.family is below and start.coding == coding:
        # The fit below to the same rows, or near enough to start from.
        return start
    return fit_warm_start(rows, terms, family=below, start=start, leave_out=leave_out)


def _top(likelihood: CountLikelihood, start: Floats) -> Floats:
    with np.errstate(all="ignore"):
        params = newton(likelihood, start)
    if params is None and likelihood.family.has_zero_part:
        # Such a likelihood bends both ways: the far search may be needed.
        params = maximise(likelihood, start)
    if params is None:
        raise UsageError(coded("fit_not_found", family=likelihood.family))
    return params


def _require_bounds(likelihood: CountLikelihood, params: Floats, cov: Floats) -> None:
    """Refuse a fit in which some rate runs off to nothing, or its error to no bound."""
    matrix, p = likelihood.rows, likelihood.rows.shape[1]
    rates = matrix @ params[:p] - log_rate(likelihood.counts)
    variance = quadratic(matrix, cov[:p, :p])
    if not max(np.abs(rates).max(), math.sqrt(max(variance.max(), 0.0))) < DIVERGENCE_BOUND:
        raise UsageError(coded("levels_without_count"))
    if likelihood.family.has_zero_part and not (
        abs(params[p]) < ZERO_RUNS_OFF and cov[p, p] < ZERO_RUNS_OFF**2
    ):
        is_hurdle = likelihood.family.value.startswith("hurdle")
        name = "hurdle_unbounded" if is_hurdle else "zero_part_unbounded"
        raise UsageError(coded(name, family=likelihood.family))


# Where a search starts from the fit below it, and whether that fit can be improved.


def start_of(likelihood: CountLikelihood, names: Sequence[str], before: CountFit | None) -> Floats:
    """Return where the search starts: coefficients by name, the rest at nothing."""
    at = np.zeros(likelihood.n_parameters)
    counts, p = likelihood.counts, likelihood.rows.shape[1]
    at[0] = log_rate(counts)
    if before is not None:
        known = dict(zip(before.coefficients["term"], before.coefficients["estimate"], strict=True))
        at[:p] = [known.get(name, 0.0) for name in names]
    if likelihood.zero_rows.shape[1]:
        zeros = float(counts.weight[counts.y == 0].sum() / counts.weight.sum())
        is_hurdle = likelihood.family.value.startswith("hurdle")
        share = 1 - zeros if is_hurdle else _beyond(likelihood, before, at, zeros)
        share = min(max(share, 0.01), 0.99)
        at[p] = math.log(share / (1 - share))
    if likelihood.family.has_dispersion:
        known_alpha = before is not None and before.dispersion > 0
        at[-1] = math.log(before.dispersion if known_alpha and before else 0.5)
    return at


def log_rate(counts: CollapsedCounts) -> float:
    """Return the log of all counts over all exposure."""
    spent = float(counts.weight @ np.exp(counts.log_exposure))
    return math.log(float(counts.weight @ counts.y) / spent)


def _beyond(
    likelihood: CountLikelihood, before: CountFit | None, at: Floats, zeros: float
) -> float:
    """Return about which share of rows has no count beyond what the family below expects."""
    if before is None:
        return zeros / 2
    counts = likelihood.counts
    chance = np.exp(_log_zero(likelihood, before, at))
    expected = float(counts.weight @ chance / counts.weight.sum())
    return (zeros - expected) / (1 - expected)


def _log_zero(likelihood: CountLikelihood, before: CountFit, at: Floats) -> Floats:
    """Return the log chance of no count in each row by the family below."""
    counts, p = likelihood.counts, likelihood.rows.shape[1]
    mu = np.exp((likelihood.rows @ at[:p])[counts.group] + counts.log_exposure)
    alpha = before.dispersion if before.family.has_dispersion else 0.0
    return np.asarray(-np.log1p(alpha * mu) / alpha if alpha > 0 else -mu)


def has_more(likelihood: CountLikelihood, before: CountFit, at: Floats) -> bool:
    """Return whether the family has anything over the one below it, by the slope at its edge.

    Dispersion: ``Σ (y - μ)² - y > 0`` (Dean & Lawless 1989, Tests for detecting overdispersion in
    Poisson regression models, J. Am. Stat. Assoc. 84; from memory). Zeros that are no counts: ``Σ
    1(y=0)/f(0) - 1 > 0`` (van den Broek 1995, A score test for zero inflation in a Poisson
    distribution, Biometrics 51; from memory).
    """
    counts, family = likelihood.counts, likelihood.family
    if family is before.family or family.value.startswith("hurdle"):
        return True
    eta = (likelihood.rows @ at[: likelihood.rows.shape[1]])[counts.group] + counts.log_exposure
    mu = np.exp(eta)
    if not family.has_zero_part:
        return bool(counts.weight @ ((counts.y - mu) ** 2 - counts.y) > 0)
    log_zero = _log_zero(likelihood, before, at)
    return bool(counts.weight @ (np.where(counts.y == 0, np.exp(-log_zero), 0.0) - 1) > 0)


def at_edge(likelihood: CountLikelihood, before: CountFit) -> CountFit:
    """Return the fit of the family below, counted as one of this family at its edge."""
    more = likelihood.n_parameters - len(before.coefficients) - before.family.has_dispersion
    names, cov = before.coefficients, before.cov
    if likelihood.family.has_zero_part:
        # No zeros but those of the counts: their logit is far below, and has no error.
        zero = pd.DataFrame({"term": [f"{ZERO}intercept"], "estimate": [NO_ZEROS], "se": [0.0]})
        names, cov = pd.concat([names, zero], ignore_index=True), np.pad(cov, (0, 1))
    return replace(
        before,
        family=likelihood.family,
        coefficients=names,
        cov=cov,
        dispersion=before.dispersion if before.family.has_dispersion else 0.0,
        aic=before.aic + 2 * more,
        bic=before.bic + math.log(before.n) * more,
        n_clusters=None,
        notes=(
            *before.notes,
            coded("family_at_edge", family=likelihood.family, below=before.family),
        ),
    )


# Rows of counts, collapsed once for many regressions.

#: Part of a column that those before it leave, under which it follows from them.
NO_RANK = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Regressors:
    """Terms as a matrix (G, P); `keep` (P,): columns that do not follow from those before them."""

    coding: Coding
    matrix: Matrix
    keep: Bools


@dataclass(frozen=True, slots=True, eq=False)
class Coded:
    """Rows of counts, collapsed, before any regression is chosen.

    Parameters
    ----------
    counts : CollapsedCounts
        M rows.
    groups : pandas.DataFrame
        G rows: every combination of the columns of the terms.
    place : ndarray of int, shape (N,)
        Place of every row of the frame among the M.
    cluster : ndarray of int, shape (N,) or None
    """

    counts: CollapsedCounts
    groups: pd.DataFrame
    place: Ints
    cluster: Ints | None
    exposure: str
    _regressors: dict[tuple[str, ...], Regressors] = field(
        default_factory=dict, init=False, repr=False
    )
    _matrices: dict[Coding, Floats] = field(default_factory=dict, init=False, repr=False)

    def matrix(self, coding: Coding) -> Floats:
        """Return the matrix of a coding for the groups, worked out once for all fits."""
        if coding not in self._matrices:
            self._matrices[coding] = coding.matrix(self.groups)
        return self._matrices[coding]

    def regressors(self, terms: Sequence[str]) -> Regressors:
        """Return how some terms are coded and their matrix, worked out once for all fits."""
        key = tuple(terms)
        if key not in self._regressors:
            coding = coding_of(self.groups, key)
            matrix = matrix_of(coding, self.groups)
            self._regressors[key] = Regressors(coding, matrix, independent(matrix))
        return self._regressors[key]

    def only(self, keep: Bools) -> Coded:
        """Return the rows of some groups, shape (G,), without their clusters."""
        new = np.cumsum(keep) - 1
        rows = keep[self.counts.group]
        part = CollapsedCounts(
            self.counts.y[rows],
            new[self.counts.group[rows]],
            self.counts.log_exposure[rows],
            self.counts.weight[rows],
        )
        groups = self.groups[keep].reset_index(drop=True)
        return Coded(part, groups, np.arange(len(part.y)), None, self.exposure)


def coded_rows(
    frame: pd.DataFrame,
    *,
    response: str,
    exposure: str,
    terms: Sequence[str],
    cluster: str | None = None,
) -> Coded:
    """Collapse rows of counts by the columns of some terms.

    Parameters
    ----------
    frame : pandas.DataFrame
        N rows.
    response, exposure : str
        As in `analytics.models.count_regression.fit_counts`.
    terms : sequence of str
        All terms of the regressions to come.

    Raises
    ------
    UsageError
        As in `analytics.models.response_checks.rows_of`.
    """
    columns = [name for term in terms for name in parts_of(frame, term).values()]
    rows = rows_of(frame, response=response, exposure=exposure, terms=columns, cluster=cluster)
    counts, place = collapse(rows.y, rows.group, rows.exposure)
    text = rows.groups.select_dtypes(exclude=["number", "bool"]).columns
    # Each text is looked at once here, and by its code ever after.
    groups = rows.groups.astype(dict.fromkeys(text, "category"))
    return Coded(counts, groups, place, rows.cluster, exposure)


def independent(matrix: Matrix) -> Bools:
    """Return which columns of a matrix do not follow from those before them, shape (P,).

    By elimination in the cross-products: small next to the matrix, whatever its rows.
    """
    left = gram(matrix, np.ones(len(matrix)))
    scale = np.sqrt(np.diag(left))
    scale = np.where(scale > 0, scale, 1.0)
    left = left / np.outer(scale, scale)
    keep = np.zeros(len(left), dtype=bool)
    for place in range(len(left)):
        keep[place] = left[place, place] > NO_RANK**2
        if keep[place]:
            row = left[place] / left[place, place]
            left = left - left[:, place, None] * row
    return keep


def require_apart(keep: Bools, n_rows: int) -> None:
    """Refuse columns of which some follow from those before them; `keep` as by `independent`."""
    if not keep.all():
        raise UsageError(coded("terms_not_apart", n=len(keep), rows=n_rows, rank=int(keep.sum())))

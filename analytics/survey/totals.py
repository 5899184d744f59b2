"""First stage: stratified totals over domains, with both finite-population terms."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.survey.cells import Cells, add_at, interviewed, site_day_totals
from analytics.survey.reach import Domains, Reach, pair, reach_of
from analytics.survey.support import Support, support_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.survey.borrow import Loan, Plan, Plans
    from analytics.survey.design import Design
    from analytics.survey.reduce import Moments


@dataclass(frozen=True, slots=True, eq=False)
class DomainTotals:
    """Totals of K measures over D domains.

    Parameters
    ----------
    code : ndarray of int, shape (D,)
        Sorted codes of `Domains`.
    total : ndarray of float, shape (D, K)
    cov : ndarray of float, shape (D, K, K)
        NaN where no error can be had.
    support : Support
        What each domain rests on.
    plan : Plan
        How thin strata were treated.
    """

    code: NDArray[np.int64]
    total: NDArray[np.float64]
    cov: NDArray[np.float64]
    support: Support
    plan: Plan


def domain_totals(
    design: Design, moments: Moments, domains: Domains, *, plans: Plans
) -> DomainTotals:
    r"""Estimate stratified two-stage totals of every domain.

    ``T = Σ_h N_h/n_h Σ_i M_i ȳ_i`` with variance
    ``Σ_h [N_h² (1 - n_h/N_h) s_h²/n_h + N_h/n_h Σ_i M_i² (1 - m_i/M_i) s_i²/m_i]``
    (Cochran 1977, Sampling Techniques, section 11.8, by stratum; from memory). A domain keeps the
    whole design: units without it are zeros in s². Thin and empty strata follow
    `analytics.survey.borrow`; a lender that also stands for a filled stratum counts once with the
    sum of its weights, so the season's error is not a sum in quadrature.

    Parameters
    ----------
    design : Design
    moments : Moments
        Sums of K measures by site-day and area fished.
    domains : Domains
    plans : Plans
        The plans of the design.

    Returns
    -------
    DomainTotals
    """
    answered = interviewed(moments, n_units=len(design.units.boats_returned))
    plan = plans.for_answers(answered)
    cells = site_day_totals(design, moments, plan.active, by_area=domains.by_area)
    reach = reach_of(design, plan, domains)
    cell, link = pair(cells, reach)
    code = domains.code(cells.key[cell], reach.week_key[link])
    codes = np.union1d(domains.all_of(design), code)
    place = np.searchsorted(codes, code)
    stratum = design.units.stratum[cells.unit[cell]]
    weight = reach.weight[link] / plan.n_active[stratum]
    part = weight[:, None] * cells.total[cell]
    cov = _between(design, plan, stratum, place, part, size=len(codes))
    shrink = weight**2 * plan.n_active[stratum] / design.strata.n_frame[stratum]
    cov += add_at(place, shrink[:, None, None] * cells.within[cell], len(codes))
    for loan in plan.loans:
        _add_borrowed(cov, codes, loan, design, domains, cells=cells, reach=reach)
    cov[np.unique(place[np.isin(stratum, list(plan.lonely))])] = np.nan
    support = support_of(
        design, plan, domains, codes=codes, cells=cells, reach=reach, answered=answered
    )
    return DomainTotals(codes, add_at(place, part, len(codes)), cov, support, plan)


def _between(
    design: Design,
    plan: Plan,
    stratum: NDArray[np.int64],
    place: NDArray[np.int64],
    part: NDArray[np.float64],
    *,
    size: int,
) -> NDArray[np.float64]:
    """First-stage (co)variance of strata with two or more units, from their own spread."""
    groups, where = np.unique(stratum * size + place, return_inverse=True)
    n = plan.n_active[groups // size].astype(np.float64)
    fpc = 1 - n / design.strata.n_frame[groups // size]
    sums = add_at(where, part, len(groups))
    squares = add_at(where, np.einsum("ri,rj->rij", part, part), len(groups))
    spread = squares - np.einsum("gi,gj->gij", sums, sums) / n[:, None, None]
    factor = np.where(n > 1, fpc * n / np.maximum(n - 1, 1), 0.0)
    return add_at(groups % size, factor[:, None, None] * spread, size)


def _add_borrowed(
    cov: NDArray[np.float64],
    codes: NDArray[np.int64],
    loan: Loan,
    design: Design,
    domains: Domains,
    *,
    cells: Cells,
    reach: Reach,
) -> None:
    """Add in place the first-stage (co)variance of a stratum that borrows its spread."""
    frame = design.strata.n_frame[loan.stratum]
    keys, spread = _spread(cells, loan.units)
    if loan.is_fill:
        weeks = domains.week_key(design.strata.week[[loan.stratum]])
        weights = np.array([frame])
    else:
        own = design.units.stratum[reach.unit] == loan.stratum
        weeks, weights = reach.week_key[own], reach.weight[own]
    for week, weight in zip(weeks, weights, strict=True):
        wanted = domains.code(keys, np.full_like(keys, week))
        held = np.isin(wanted, codes)
        cov[np.searchsorted(codes, wanted[held])] += weight**2 * (1 - 1 / frame) * spread[held]


def _spread(
    cells: Cells, units: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the keys met in some units and s² of their site-day totals, NaN for one unit."""
    rows = np.isin(cells.unit, units)
    keys, place = np.unique(cells.key[rows], return_inverse=True)
    totals = cells.total[rows]
    sums = add_at(place, totals, len(keys))
    squares = add_at(place, np.einsum("ri,rj->rij", totals, totals), len(keys))
    n = len(units)
    if n < 2:
        return keys, np.full_like(squares, np.nan)
    return keys, (squares - np.einsum("ki,kj->kij", sums, sums) / n) / (n - 1)

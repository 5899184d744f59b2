"""First stage: stratified totals over domains, with both finite-population terms."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.survey.cells import Cells, add_at, interviewed, site_day_totals, unit_totals
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
    is_convenience : bool
        Sums over interviews of convenience, which stand for no others: only their ratios mean
        something.
    """

    code: NDArray[np.int64]
    total: NDArray[np.float64]
    cov: NDArray[np.float64]
    support: Support
    plan: Plan
    is_convenience: bool = False


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
    unit_of = design.site_days.unit
    answered = interviewed(moments, n_units=len(unit_of))
    plan = plans.for_answers(answered)
    by_site = site_day_totals(design, moments, plan.active[unit_of], by_area=domains.by_area)
    cells = unit_totals(design, by_site)
    reach = reach_of(design, plan, domains)
    cell, link = pair(cells, reach)
    code = domains.code(cells.key[cell], reach.week_key[link])
    codes = np.union1d(domains.all_of(design), code)
    place = np.searchsorted(codes, code)
    stratum = design.units.stratum[cells.unit[cell]]
    weight = reach.weight[link] / plan.n_active[stratum]
    part = weight[:, None] * cells.total[cell]
    cov = _between(design, plan, cells, stratum=stratum, place=place, part=part, size=len(codes))
    shrink = weight**2 * plan.n_active[stratum] / design.strata.n_frame[stratum]
    cov += add_at(place, shrink[:, None, None] * cells.within[cell], len(codes))
    for loan in plan.loans:
        _add_borrowed(cov, codes, loan, design, domains, plan=plan, cells=cells, reach=reach)
    cov[np.unique(place[np.isin(stratum, list(plan.lonely))])] = np.nan
    support = support_of(
        design,
        plan,
        domains,
        codes=codes,
        cells=cells,
        reach=reach,
        cell=cell,
        link=link,
        seen=place,
        answered=answered,
    )
    return DomainTotals(codes, add_at(place, part, len(codes)), cov, support, plan)


def _between(
    design: Design,
    plan: Plan,
    cells: Cells,
    *,
    stratum: NDArray[np.int64],
    place: NDArray[np.int64],
    part: NDArray[np.float64],
    size: int,
) -> NDArray[np.float64]:
    """First-stage (co)variance of strata with two or more units, from their own spread."""
    groups, where = np.unique(stratum * size + place, return_inverse=True)
    of_group = groups // size
    n = plan.n_active[of_group].astype(np.float64)
    mean = add_at(where, part, len(groups)) / n[:, None]
    off = part - mean[where]
    absent = n - np.bincount(where, minlength=len(groups))  # units without the domain: zeros
    spread = add_at(where, np.einsum("ri,rj->rij", off, off), len(groups))
    spread += absent[:, None, None] * np.einsum("gi,gj->gij", mean, mean)
    fpc = _first_stage_correction(design, plan, cells)[of_group]
    factor = np.where(n > 1, fpc * n / np.maximum(n - 1, 1), 0.0)
    return add_at(groups % size, factor[:, None, None] * spread, size)


def _first_stage_correction(design: Design, plan: Plan, cells: Cells) -> NDArray[np.float64]:
    """Return ``1 - n_h/N_h``, or 1 where the spread inside a unit cannot be told.

    Without its finite correction the first stage is an upper bound of both stages together
    (Cochran 1977, Sampling Techniques, section 11.8; from memory).
    """
    correction = 1 - plan.n_active / design.strata.n_frame
    correction[design.units.stratum[cells.unknown]] = 1
    return correction


def _add_borrowed(
    cov: NDArray[np.float64],
    codes: NDArray[np.int64],
    loan: Loan,
    design: Design,
    domains: Domains,
    *,
    plan: Plan,
    cells: Cells,
    reach: Reach,
) -> None:
    """Add in place the first-stage (co)variance of a stratum that borrows its spread."""
    frame = design.strata.n_frame[loan.stratum]
    keys, spread = _spread(cells, loan.units)
    if loan.is_fill:  # nothing of the frame was seen: no finite correction
        weeks = domains.week_key(design.strata.week[[loan.stratum]])
        weights, correction = np.array([frame]), 1.0
    else:
        own = design.units.stratum[reach.unit] == loan.stratum
        weeks, weights = reach.week_key[own], reach.weight[own]
        correction = _first_stage_correction(design, plan, cells)[loan.stratum]
        home = domains.area_key(design.strata.landing_area[[loan.stratum]])
        seen = cells.key[(design.units.stratum[cells.unit] == loan.stratum) & (cells.n > 0)]
        held = np.isin(keys, np.union1d(home, seen))
        keys, spread = keys[held], spread[held]
    for week, weight in zip(weeks, weights, strict=True):
        wanted = domains.code(keys, np.full_like(keys, week))
        known = np.isin(wanted, codes)
        place = np.searchsorted(codes, wanted[known])
        cov[place] += weight**2 * correction * spread[known]


def _spread(
    cells: Cells, units: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the keys met in some units and s² of their site-day totals, NaN for one unit."""
    rows = np.isin(cells.unit, units)
    keys, place = np.unique(cells.key[rows], return_inverse=True)
    totals, n = cells.total[rows], len(units)
    if n < 2:
        return keys, np.full((len(keys), *cells.within.shape[1:]), np.nan)
    mean = add_at(place, totals, len(keys)) / n
    off = totals - mean[place]
    absent = n - np.bincount(place, minlength=len(keys))
    squares = add_at(place, np.einsum("ri,rj->rij", off, off), len(keys))
    squares += absent[:, None, None] * np.einsum("ki,kj->kij", mean, mean)
    return keys, squares / (n - 1)

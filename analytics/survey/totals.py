"""First stage: stratified totals over domains, with both finite-population terms."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.survey.arrays import add_at, add_cross_at, cross, is_all, rows_of, scaled
from analytics.survey.cells import Cells, interviewed, site_day_totals, unit_totals
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
        NaN where no error can be had, and for two measures that no analysis takes together.
    support : Support
        What each domain rests on.
    plan : Plan
        How thin strata were treated.
    product_term : ndarray of float, shape (D, K, K), optional
        What an unbiased variance of a product adds to `cov` where a sum is wanted; ratios of the
        totals leave it out, since their common factor cancels.
    notes : tuple of str, length D, optional
        Words for `method`.
    lost : tuple of str, length D, optional
        What a partial total is without, in words.
    missing : tuple of str, length D, optional
        Why nothing can be said, empty where something can.
    is_convenience : bool
        Sums over interviews of convenience, which stand for no others: only their ratios mean
        something.
    estimator : str
        Name of the way to a total, where it is not by expansion of the sample alone.
    """

    code: NDArray[np.int64]
    total: NDArray[np.float64]
    cov: NDArray[np.float64]
    support: Support
    plan: Plan
    product_term: NDArray[np.float64] | None = None
    notes: tuple[str, ...] = ()
    lost: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    is_convenience: bool = False
    estimator: str = ""

    @property
    def cov_of_sums(self) -> NDArray[np.float64]:
        """The covariance of sums of the totals, shape (D, K, K)."""
        return self.cov if self.product_term is None else self.cov + self.product_term

    def of(self, columns: tuple[int, ...]) -> DomainTotals:
        """Return the totals of some measures; -1 stands for one that is 0 everywhere."""
        none = np.zeros((len(self.code), 1))
        total = np.concatenate([self.total, none], axis=1)
        cov = np.pad(self.cov, ((0, 0), (0, 1), (0, 1)))
        rows = np.array(columns)
        return replace(self, total=total[:, rows], cov=cov[:, rows[:, None], rows])


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
    plan, cells, answered = unit_cells(design, moments, plans=plans, by_area=domains.by_area)
    return totals_of_cells(design, plan, cells, domains, answered=answered)


def unit_cells(
    design: Design, moments: Moments, *, plans: Plans, by_area: bool
) -> tuple[Plan, Cells, NDArray[np.float64]]:
    """Return how strata are treated, the totals of units, and interviewed boats a site-day."""
    unit_of = design.site_days.unit
    answered = interviewed(moments, n_units=len(unit_of))
    plan = plans.for_answers(answered)
    by_site = site_day_totals(design, moments, plan.active[unit_of], by_area=by_area)
    return plan, unit_totals(design, by_site), answered


def totals_of_cells(
    design: Design,
    plan: Plan,
    cells: Cells,
    domains: Domains,
    *,
    answered: NDArray[np.float64],
) -> DomainTotals:
    """Expand the totals of units to every domain, as `domain_totals`.

    Parameters
    ----------
    design : Design
    plan : Plan
    cells : Cells
        By unit, and by area fished where the domains are.
    domains : Domains
    answered : ndarray of float, shape (S,)
        Interviewed boats of each site-day.

    Returns
    -------
    DomainTotals
    """
    reach = reach_of(design, plan, domains)
    cell, link = pair(cells, reach)
    code = domains.code(cells.key[cell], reach.week_key[link])
    codes = np.union1d(domains.all_of(design), code)
    place = np.searchsorted(codes, code)
    stratum = design.units.stratum[cells.unit[cell]]
    weight = reach.weight[link] / plan.n_active[stratum]
    part = scaled(rows_of(cells.total, cell), weight)
    cov = between(
        design,
        plan,
        cells,
        stratum=stratum,
        place=place,
        part=part,
        size=len(codes),
        pair=cells.pair,
    )
    shrink = weight**2 * plan.n_active[stratum] / design.strata.n_frame[stratum]
    within = cells.within
    if not is_all(cell, len(cells.unit)):
        within = within.each(lambda column: column[cell])
    cov += within.add_at(place, len(codes), factor=shrink)
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
    total = add_at(place, part, len(codes))
    return DomainTotals(codes, total, matrices(cov, cells.pair, total.shape[1]), support, plan)


def matrices(cov: NDArray[np.float64], pair: NDArray[np.int64], size: int) -> NDArray[np.float64]:
    """Return (co)variances of pairs as symmetric matrices, NaN for pairs not asked for."""
    whole = np.full((len(cov), size, size), np.nan)
    i, j = pair.T
    whole[:, i, j] = cov
    whole[:, j, i] = cov
    return whole


def between(
    design: Design,
    plan: Plan,
    cells: Cells,
    *,
    stratum: NDArray[np.int64],
    place: NDArray[np.int64],
    part: NDArray[np.float64],
    size: int,
    pair: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Return the first-stage (co)variance of strata with two or more units, from their own spread.

    Parameters
    ----------
    design, plan, cells
        As in `totals_of_cells`.
    stratum, place : ndarray of int, shape (R,)
        Stratum of each part, and the place of its domain; a unit has one part a domain at most.
    part : ndarray of float, shape (R, K)
        What each unit adds to each domain.
    size : int
        Domains, D.
    pair : ndarray of int, shape (P, 2)
        Measures of each (co)variance.

    Returns
    -------
    ndarray of float, shape (D, P)
    """
    groups, where = np.unique(stratum * size + place, return_inverse=True)
    of_group = groups // max(size, 1)
    n = plan.n_active[of_group].astype(np.float64)
    mean = add_at(where, part, len(groups)) / n[:, None]
    off = part - rows_of(mean, where)
    absent = n - np.bincount(where, minlength=len(groups))  # units without the domain: zeros
    spread = add_cross_at(where, off, len(groups), pair=pair)
    spread += absent[:, None] * cross(mean, pair)
    fpc = first_stage_correction(design, plan, cells)[of_group]
    factor = np.where(n > 1, fpc * n / np.maximum(n - 1, 1), 0.0)
    return add_at(groups % max(size, 1), factor[:, None] * spread, size)


def first_stage_correction(design: Design, plan: Plan, cells: Cells) -> NDArray[np.float64]:
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
        correction = first_stage_correction(design, plan, cells)[loan.stratum]
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
    first, last = (np.searchsorted(cells.unit, units, side=side) for side in ("left", "right"))
    rows = np.concatenate([np.arange(a, b) for a, b in zip(first, last, strict=True)])
    keys, place = np.unique(cells.key[rows], return_inverse=True)
    totals, n = cells.total[rows], len(units)
    if n < 2:
        return keys, np.full((len(keys), len(cells.pair)), np.nan)
    mean = add_at(place, totals, len(keys)) / n
    off = totals - mean[place]
    absent = n - np.bincount(place, minlength=len(keys))
    squares = add_at(place, cross(off, cells.pair), len(keys))
    squares += absent[:, None] * cross(mean, cells.pair)
    return keys, squares / (n - 1)

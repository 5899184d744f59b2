"""First stage: stratified totals over domains, with both finite-population terms."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.survey.arrays import add_at, add_cross_at, cross, is_all, rows_of, scaled
from analytics.survey.domains import Domains, PsuWeights, pair, psu_weights
from analytics.survey.support import Support, support_of
from analytics.survey.unit_totals import UnitTotals, interviewed, site_day_totals, unit_totals

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.survey.design import Design
    from analytics.survey.reduction import Moments
    from analytics.survey.thin_strata import Borrowing, StratumTreatment, StratumTreatments

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


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
    plan : StratumTreatment
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
    plan: StratumTreatment
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
    design: Design, moments: Moments, domains: Domains, *, plans: StratumTreatments
) -> DomainTotals:
    r"""Estimate stratified two-stage totals of every domain.

    ``T = Σ_h N_h/n_h Σ_i M_i ȳ_i`` with variance
    ``Σ_h [N_h² (1 - n_h/N_h) s_h²/n_h + N_h/n_h Σ_i M_i² (1 - m_i/M_i) s_i²/m_i]``
    (Cochran 1977, Sampling Techniques, section 11.8, by stratum; from memory). A domain keeps the
    whole design: units without it are zeros in s². Thin and empty strata follow
    `survey.thin_strata`; a lender that also stands for a filled stratum counts once with the
    sum of its weights, so the season's error is not a sum in quadrature.

    Parameters
    ----------
    design : Design
    moments : Moments
        Sums of K measures by site-day and area fished.
    domains : Domains
    plans : StratumTreatments
        The plans of the design.

    Returns
    -------
    DomainTotals
    """
    plan, cells, answered = unit_cells(design, moments, plans=plans, by_area=domains.by_area)
    return totals_of_cells(design, plan, cells, domains, answered=answered)


def unit_cells(
    design: Design, moments: Moments, *, plans: StratumTreatments, by_area: bool
) -> tuple[StratumTreatment, UnitTotals, NDArray[np.float64]]:
    """Return how strata are treated, the totals of units, and interviewed boats a site-day."""
    unit_of = design.site_days.unit
    answered = interviewed(moments, n_units=len(unit_of))
    plan = plans.for_answers(answered)
    by_site = site_day_totals(design, moments, plan.active[unit_of], by_area=by_area)
    return plan, unit_totals(design, by_site), answered


def totals_of_cells(
    design: Design,
    plan: StratumTreatment,
    cells: UnitTotals,
    domains: Domains,
    *,
    answered: NDArray[np.float64],
) -> DomainTotals:
    """Expand the totals of units to every domain, as `domain_totals`.

    Parameters
    ----------
    design : Design
    plan : StratumTreatment
    cells : UnitTotals
        By unit, and by area fished where the domains are.
    domains : Domains
    answered : ndarray of float, shape (S,)
        Interviewed boats of each site-day.

    Returns
    -------
    DomainTotals
    """
    reach = psu_weights(design, plan, domains)
    cell, link = pair(cells, reach)
    code = domains.code(cells.key[cell], reach.week_key[link])
    codes = np.union1d(domains.all_of(design), code)
    place = np.searchsorted(codes, code)
    stratum = design.units.stratum[cells.unit[cell]]
    weight = reach.weight[link] / plan.n_active[stratum]
    part = scaled(rows_of(cells.total, cell), weight)
    cov = first_stage_variance(
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
    cov[np.unique(place[np.isin(stratum, list(plan.single_psu))])] = np.nan
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


def first_stage_variance(
    design: Design,
    plan: StratumTreatment,
    cells: UnitTotals,
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
    fpc = finite_population_correction(design, plan, cells)[of_group]
    factor = np.where(n > 1, fpc * n / np.maximum(n - 1, 1), 0.0)
    return add_at(groups % max(size, 1), factor[:, None] * spread, size)


def finite_population_correction(
    design: Design, plan: StratumTreatment, cells: UnitTotals
) -> NDArray[np.float64]:
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
    loan: Borrowing,
    design: Design,
    domains: Domains,
    *,
    plan: StratumTreatment,
    cells: UnitTotals,
    reach: PsuWeights,
) -> None:
    """Add in place the first-stage (co)variance of a stratum that borrows its spread."""
    frame = design.strata.n_frame[loan.stratum]
    keys, spread = _spread(cells, loan.units)
    if loan.is_imputation:  # nothing of the frame was seen: no finite correction
        weeks = domains.week_key(design.strata.week[[loan.stratum]])
        weights, correction = np.array([frame]), 1.0
    else:
        own = design.units.stratum[reach.unit] == loan.stratum
        weeks, weights = reach.week_key[own], reach.weight[own]
        correction = finite_population_correction(design, plan, cells)[loan.stratum]
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
    cells: UnitTotals, units: NDArray[np.int64]
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


# Totals of all areas at once, with the covariance between measures and areas.


def stacked_totals(
    design: Design, moments: Moments, *, plans: StratumTreatments
) -> tuple[Floats, Floats]:
    r"""Return season totals of K measures by area, and the covariance of all of them at once.

    As `domain_totals.domain_totals`, with the measures of each area in a block of their
    own. A site-day has boats of several areas: the first stage follows from its totals of all of
    them. A boat fished in one area, so that the second stage has between two areas
    ``-(M - m)/(M (m - 1)) t_a t_b`` (the covariance of ``M ȳ_a`` and ``M ȳ_b`` with
    ``Σ y_a y_b = 0``; Cochran 1977, Sampling Techniques, section 11.8, from memory). It is left out
    where one boat was interviewed, and of days with sites inside.

    Parameters
    ----------
    design : Design
    moments : Moments
        Sums of K measures by site-day and area fished.
    plans : StratumTreatments
        The plans of the design.

    Returns
    -------
    total : ndarray of float, shape (A, K)
    cov : ndarray of float, shape (A K, A K)
        A stratum with one unit and nobody to borrow from brings no error.
    """
    plan, cells, answered = unit_cells(design, moments, plans=plans, by_area=True)
    n_areas, k = len(design.areas), cells.total.shape[1]
    reach = psu_weights(
        design, plan, Domains(by_area=False, by_week=False, n_weeks=len(design.weeks))
    )
    stratum, n = design.units.stratum, np.maximum(plan.n_active, 1)
    weight = np.zeros(len(stratum))
    weight[reach.unit] = reach.weight
    weight /= n[stratum]
    part = np.zeros((len(stratum), n_areas, k))
    part[cells.unit, cells.key - 1] = weight[cells.unit, None] * cells.total
    total = part.sum(axis=0)
    active, correction = (
        np.flatnonzero(plan.active),
        finite_population_correction(design, plan, cells),
    )
    flat, of_unit = part.reshape(len(stratum), n_areas * k)[active], stratum[active]
    off = flat - (add_at(of_unit, flat, len(n)) / n[:, None])[of_unit]
    factor = np.where(n > 1, np.maximum(correction, 0) * n / np.maximum(n - 1, 1), 0.0)
    off *= np.sqrt(factor[of_unit])[:, None]
    cov = off.T @ off
    # `part` holds one weight; what the second stage still needs is n/N.
    rest = n[stratum] / design.strata.n_frame[stratum]
    met = np.sqrt(rest * _apart(design, answered))[:, None] * part.reshape(
        len(stratum), n_areas * k
    )
    between_areas = met.T @ met
    shrink = (weight**2 * rest)[cells.unit]
    inside = matrices(cells.within.add_at(cells.key - 1, n_areas, factor=shrink), cells.pair, k)
    for area in range(n_areas):
        here = slice(area * k, (area + 1) * k)
        between_areas[here, here] = -np.nan_to_num(inside[area])
    cov -= between_areas
    for loan in plan.loans:
        finite = 1.0 if loan.is_imputation else float(correction[loan.stratum])
        cov += finite * _borrowed(loan, design, cells, reach)
    return total, cov


def _borrowed(
    loan: Borrowing, design: Design, cells: UnitTotals, reach: PsuWeights
) -> Floats | float:
    """Return the first-stage covariance of a stratum that borrows its spread, uncorrected."""
    if len(loan.units) < 2:
        return 0.0
    n_areas = len(design.areas)
    rows = np.flatnonzero(np.isin(cells.unit, loan.units))
    weights = np.array([design.strata.n_frame[loan.stratum]])
    if not loan.is_imputation:
        own = design.units.stratum[cells.unit] == loan.stratum
        home = design.strata.landing_area[[loan.stratum]] + 1
        held = np.union1d(home, cells.key[own & (cells.n > 0)])
        rows = rows[np.isin(cells.key[rows], held)]
        weights = reach.weight[design.units.stratum[reach.unit] == loan.stratum]
    lent = np.zeros((len(loan.units), n_areas, cells.total.shape[1]))
    lent[np.searchsorted(np.sort(loan.units), cells.unit[rows]), cells.key[rows] - 1] = cells.total[
        rows
    ]
    flat = lent.reshape(len(loan.units), n_areas * cells.total.shape[1])
    off = flat - flat.mean(axis=0)
    spread: Floats = float((weights**2).sum()) * (off.T @ off) / (len(flat) - 1)
    return spread


def _apart(design: Design, answered: Floats) -> Floats:
    """Return ``(M - m)/(M (m - 1))`` of each unit that is one site-day, else 0, shape (U,)."""
    days = design.site_days
    boats, unit = np.nan_to_num(days.boats_returned), days.unit
    can = (answered > 1) & (boats > 0) & ~design.strata.of_days[design.units.stratum[unit]]
    below = np.where(can, boats * (answered - 1), 1.0)
    found = np.zeros(len(design.units.stratum))
    found[unit[can]] = (np.maximum(boats - answered, 0) / below)[can]
    return found


# Totals in which each area and week counts with a linear map of its own.


@dataclass(frozen=True, slots=True, eq=False)
class LinearMaps:
    """A matrix for each of F cells of area and week.

    Parameters
    ----------
    code : ndarray of int, shape (F,)
        Sorted codes of `area_week_domains`.
    matrix : ndarray of float, shape (F, J, K)
        From K measures to J.
    """

    code: Ints
    matrix: Floats

    def at(self, code: Ints) -> Floats:
        """Return the matrices of some cells, zeros where there is none, shape (P, J, K)."""
        place = np.minimum(np.searchsorted(self.code, code), max(len(self.code) - 1, 0))
        if not len(self.code):
            return np.zeros((len(code), *self.matrix.shape[1:]))
        known = self.code[place] == code
        return np.where(known[:, None, None], self.matrix[place], 0.0)


def area_week_domains(design: Design) -> Domains:
    """Return the domains of area and week, in which maps are coded."""
    return Domains(by_area=True, by_week=True, n_weeks=len(design.weeks))


def aggregate_codes(domains: Domains, fine: Domains, code: Ints) -> Ints:
    """Return the code in `domains` of each code of area and week."""
    key, week_key = np.divmod(code, fine.n_weeks + 1)
    key = key if domains.by_area else np.zeros_like(key)
    week_key = week_key if domains.by_week else np.zeros_like(week_key)
    return domains.code(key, week_key)


def linear_totals(
    design: Design,
    plan: StratumTreatment,
    cells: UnitTotals,
    domains: Domains,
    maps: LinearMaps,
    *,
    codes: Ints,
) -> tuple[Floats, Floats]:
    r"""Return ``T = Σ_c A_c t_c`` over the area-weeks c of each domain, and its covariance.

    As `domain_totals.domain_totals`, with each unit's part ``Σ_c b/n_h A_c t_c``. Boats
    of one site-day that fished in different areas are taken as sampled on their own: their small
    negative covariance is left out.

    Parameters
    ----------
    design : Design
    plan : StratumTreatment
    cells : UnitTotals
        By unit and area, of K measures.
    domains : Domains
    maps : LinearMaps
    codes : ndarray of int, shape (D,)
        Sorted codes of the domains wanted.

    Returns
    -------
    total : ndarray of float, shape (D, J)
    cov : ndarray of float, shape (D, J, J)
        NaN where no error can be had.
    """
    fine, size = area_week_domains(design), len(codes)
    reach = psu_weights(design, plan, fine)
    cell, link = pair(cells, reach)
    source = fine.code(cells.key[cell], reach.week_key[link])
    wanted = np.isin(aggregate_codes(domains, fine, source), codes)
    cell, link, source = cell[wanted], link[wanted], source[wanted]
    place = np.searchsorted(codes, aggregate_codes(domains, fine, source))
    stratum = design.units.stratum[cells.unit]
    weight = reach.weight[link] / plan.n_active[stratum[cell]]
    # One map for each cell and domain: weights with which a cell also fills weeks add up first.
    seen, where = np.unique(cell * size + place, return_inverse=True)
    matrix = add_at(where, weight[:, None, None] * maps.at(source), len(seen))
    cell, place = seen // max(size, 1), seen % max(size, 1)
    part = np.einsum("pjk,pk->pj", matrix, cells.total[cell])
    total = add_at(place, part, size)
    shrink = plan.n_active[stratum[cell]] / design.strata.n_frame[stratum[cell]]
    inside = matrices(cells.within.table[cell], cells.pair, cells.total.shape[1])
    within = matrix @ inside @ np.swapaxes(matrix, 1, 2)
    cov = add_at(place, shrink[:, None, None] * within, size)
    cov += _between(design, plan, cells, unit=cells.unit[cell], place=place, part=part, size=size)
    cov[np.unique(place[np.isin(stratum[cell], list(plan.single_psu))])] = np.nan
    for loan in plan.loans:
        rows, source, weight = _mapped_borrowed(loan, design, plan, cells, reach)
        known = np.isin(aggregate_codes(domains, fine, source), codes)
        rows, source, weight = rows[known], source[known], weight[known]
        part = weight[:, None] * np.einsum("pjk,pk->pj", maps.at(source), cells.total[rows])
        place = np.searchsorted(codes, aggregate_codes(domains, fine, source))
        for one in np.unique(place):
            here = place == one
            _, where = np.unique(cells.unit[rows[here]], return_inverse=True)
            totals = add_at(where, part[here], int(where.max()) + 1)
            cov[one] += _mapped_spread(totals, len(loan.units))
    return total, cov


def _between(
    design: Design,
    plan: StratumTreatment,
    cells: UnitTotals,
    *,
    unit: Ints,
    place: Ints,
    part: Floats,
    size: int,
) -> Floats:
    """Return the first-stage (co)variance of parts that a unit may have several of in a domain."""
    rows, where = np.unique(unit * size + place, return_inverse=True)
    k = part.shape[1]
    pair_of = np.column_stack(np.triu_indices(k))
    spread = first_stage_variance(
        design,
        plan,
        cells,
        stratum=design.units.stratum[rows // max(size, 1)],
        place=rows % max(size, 1),
        part=add_at(where, part, len(rows)),
        size=size,
        pair=pair_of,
    )
    return matrices(spread, pair_of, k)


def _mapped_borrowed(
    loan: Borrowing, design: Design, plan: StratumTreatment, cells: UnitTotals, reach: PsuWeights
) -> tuple[Ints, Ints, Floats]:
    """Return the cells whose spread a stratum borrows, where they go, and their weights."""
    fine, frame = area_week_domains(design), design.strata.n_frame[loan.stratum]
    rows = np.flatnonzero(np.isin(cells.unit, loan.units))
    if loan.is_imputation:  # nothing of the frame was seen: no finite correction
        weeks = fine.week_key(design.strata.week[[loan.stratum]])
        weights = np.array([frame])
    else:
        of_reach = design.units.stratum[reach.unit] == loan.stratum
        correction = finite_population_correction(design, plan, cells)[loan.stratum]
        weeks, weights = reach.week_key[of_reach], reach.weight[of_reach] * np.sqrt(correction)
        home = fine.area_key(design.strata.landing_area[[loan.stratum]])
        own = design.units.stratum[cells.unit] == loan.stratum
        rows = rows[np.isin(cells.key[rows], np.union1d(home, cells.key[own & (cells.n > 0)]))]
    week_key, key = np.repeat(weeks, len(rows)), np.tile(cells.key[rows], len(weeks))
    return np.tile(rows, len(weeks)), fine.code(key, week_key), np.repeat(weights, len(rows))


def _mapped_spread(totals: Floats, n: int) -> Floats:
    """Return s² of n units of which only those with a total are listed; NaN for one unit."""
    if n < 2:
        return np.full((totals.shape[1], totals.shape[1]), np.nan)
    off = totals - totals.sum(axis=0) / n
    mean = totals.sum(axis=0) / n
    spread: Floats = (off.T @ off + (n - len(totals)) * np.outer(mean, mean)) / (n - 1)
    return spread

"""First stage: stratified totals over domains, with both finite-population terms."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from analytics.arrays import FEW, Columns, add_at, is_all, rows_of, scaled
from analytics.survey.domains import (
    Domains,
    LinearForm,
    add_borrowed,
    first_stage_variance,
    matrices,
)
from analytics.survey.pooled_variance import (
    PooledLater,
    PooledVariance,
    UnitVariances,
    pooled_variance,
    unit_variances,
)
from analytics.survey.support import Support, support_of
from analytics.survey.unit_totals import (
    ROUNDING,
    UnitTotals,
    site_day_totals,
    unit_totals,
    with_missed_days,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from analytics.arrays import Floats, Ints
    from analytics.survey.design import Design, StratumTreatment, StratumTreatments
    from analytics.survey.reduction import Moments


__all__ = [
    "DomainTotals",
    "UnitVariances",
    "all_over_last",
    "combined_ratio",
    "joint_area_totals",
    "joint_totals",
    "totals_of_cells",
    "unit_cells",
    "variances_of_units",
]


@dataclass(frozen=True, slots=True, eq=False)
class DomainTotals:
    """Totals of K measures over D domains.

    Parameters
    ----------
    code : ndarray of int, shape (D,)
        Sorted codes of `Domains`.
    total : ndarray of float, shape (D, K)
    cov : ndarray of float, shape (D, K, K)
        NaN where no error is available, and for two measures that no analysis takes together.
    support : Support
        What each domain rests on.
    plan : StratumTreatment
        How thin strata were treated.
    product_term : ndarray of float, shape (D, K, K), optional
        What an unbiased variance of a product adds to `cov` where a sum is needed; ratios of the
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
        Name of the estimator of a total, where it is not by expansion of the sample alone.
    pooled : PooledVariance or PooledLater, optional
        What all strata of the season say of the variance of each domain, as `pool` gives it.
    """

    code: Ints
    total: Floats
    cov: Floats
    support: Support
    plan: StratumTreatment
    product_term: Floats | None = None
    notes: tuple[str, ...] = ()
    lost: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    is_convenience: bool = False
    estimator: str = ""
    pooled: PooledVariance | PooledLater | None = None

    @property
    def pool(self) -> PooledVariance | None:
        """What all strata of the season say of the variance of each domain."""
        return self.pooled.made if isinstance(self.pooled, PooledLater) else self.pooled

    @property
    def cov_of_sums(self) -> Floats:
        """The covariance of sums of the totals, shape (D, K, K)."""
        return self.cov if self.product_term is None else self.cov + self.product_term

    def of(self, columns: tuple[int, ...]) -> DomainTotals:
        """Return the totals of some measures; -1 stands for one that is 0 everywhere."""
        none = np.zeros((len(self.code), 1))
        total = np.concatenate([self.total, none], axis=1)
        cov = np.pad(self.cov, ((0, 0), (0, 1), (0, 1)))
        rows = np.array(columns)
        pooled = None if self.pooled is None else self.pooled.of(rows)
        return replace(self, total=total[:, rows], cov=cov[:, rows[:, None], rows], pooled=pooled)


def unit_cells(
    design: Design, moments: Moments, *, plans: StratumTreatments, by_area: bool
) -> tuple[StratumTreatment, UnitTotals, Floats]:
    """Return how strata are treated, the totals of units, and interviewed boats a site-day."""
    unit_of = design.site_days.unit
    interviewed = moments.boats_interviewed(len(unit_of))
    plan = plans.for_interviewed(interviewed)
    by_site = site_day_totals(design, moments, plan.active[unit_of], by_area=by_area)
    by_site = with_missed_days(design, plan, by_site, interviewed)
    return plan, unit_totals(design, by_site), interviewed


def is_few(cells: UnitTotals) -> bool:
    """Return whether totals of units take so little memory that they may stay for further use."""
    return bool(len(cells.unit) * (cells.total.shape[1] + len(cells.pair)) <= FEW)


def variances_of_units(
    design: Design,
    moments: Moments,
    *,
    plans: StratumTreatments,
    by_area: bool,
    ratio: Floats | None = None,
) -> UnitVariances:
    """Return what units of a week to come vary by, of the first measure, by area fished or of all.

    `ratio` (A + 1,) by area key: of the residuals ``y - R x`` of the first two measures instead,
    as a function of the mean of x.
    """
    plan, cells, _ = unit_cells(design, moments, plans=plans, by_area=by_area)
    domains = Domains(by_area=by_area, by_week=False, n_weeks=len(design.weeks))
    ones = np.ones(len(cells.unit))
    if ratio is None:
        form = LinearForm.of(design, plan, _combined(cells, ones[:, None]), domains)
        return unit_variances(form, form)
    residual = _combined(cells, np.column_stack([ones, -ratio[cells.key]]))
    below = _combined(cells, np.column_stack([0 * ones, ones]))
    form, about = (LinearForm.of(design, plan, one, domains) for one in (residual, below))
    return unit_variances(form, about)


def _combined(cells: UnitTotals, factor: Floats) -> UnitTotals:
    """Return the sum of the first J measures of units, each times its factor (C, J)."""
    size = factor.shape[1]
    inside = np.zeros(len(cells.unit))
    for p, (i, j) in enumerate(cells.pair.tolist()):
        if max(i, j) < size:
            inside += (1 + (i != j)) * factor[:, i] * factor[:, j] * cells.second_stage_cov[p]
    total = (factor * cells.total[:, :size]).sum(axis=1)
    pair = np.zeros((1, 2), dtype=np.int64)
    inside_only = Columns.of(inside[:, None])
    return replace(cells, total=total[:, None], pair=pair, second_stage_cov=inside_only)


def totals_of_cells(
    design: Design,
    plan: StratumTreatment,
    cells: UnitTotals,
    domains: Domains,
    *,
    interviewed: Floats,
) -> DomainTotals:
    """Estimate stratified two-stage totals of every domain from the totals of units.

    ``T = Σ_h N_h/n_h Σ_i M_i ȳ_i`` with variance ``Σ_h [N_h² (1 - n_h/N_h) s_h²/n_h + N_h/n_h Σ_i
    M_i² (1 - m_i/M_i) s_i²/m_i]`` (Cochran 1977, Sampling Techniques, section 11.8, by stratum;
    from memory). A domain keeps the entire design: units without it are zeros in s². Thin and empty
    strata follow `survey.design`; a donor that also stands for an imputed stratum counts once with
    the sum of its weights, so the season's error is not a sum in quadrature.

    `cells` are by area fished where the domains are; `interviewed`, shape (S,), are the interviewed
    boats of each site-day.
    """
    form = LinearForm.of(design, plan, cells, domains)
    codes = np.union1d(domains.all_of(design), form.code)
    place, size = np.searchsorted(codes, form.code), len(codes)
    part = scaled(rows_of(cells.total, form.cell), form.weight)
    cov = first_stage_variance(
        form, stratum=form.stratum, place=place, part=part, size=size, pair=cells.pair
    )
    cov += _second_stage_variance(form, place, size)
    one = form.borrowed
    code = domains.code(cells.key[one.cell], one.week_key)
    rows = np.flatnonzero(np.isin(code, codes))
    borrowed = scaled(rows_of(cells.total, one.cell[rows]), one.weight[rows])
    at = np.searchsorted(codes, code[rows])
    add_borrowed(cov, one.of[rows], at, borrowed, one, pair=cells.pair)
    cov[np.unique(place[np.isin(form.stratum, list(plan.single_psu))])] = np.nan
    total = add_at(place, part, size)
    support = support_of(form, codes=codes, place=place, interviewed=interviewed)
    return DomainTotals(
        codes,
        total,
        matrices(cov, cells.pair, total.shape[1]),
        support,
        plan,
        pooled=PooledLater(partial(pooled_variance, form, codes=codes))
        if is_few(cells)
        else pooled_variance(form, codes=codes),
    )


def _second_stage_variance(form: LinearForm, place: Ints, size: int) -> Floats:
    """Return what sampling inside units adds to the (co)variance, shape (size, P)."""
    n, frame = form.plan.n_active[form.stratum], form.design.strata.n_frame[form.stratum]
    second_stage_cov = form.cells.second_stage_cov
    if not is_all(form.cell, len(form.cells.unit)):
        second_stage_cov = second_stage_cov.each(lambda column: column[..., form.cell])
    return second_stage_cov.add_at(place, size, factor=form.weight**2 * n / frame)


# Totals of all areas at once, with the covariance between measures and areas.


def joint_area_totals(
    design: Design, moments: Moments, *, plans: StratumTreatments
) -> tuple[Floats, Floats]:
    """Return season totals of K measures by area with their joint covariance.

    As each of `joint_totals`, over all weeks.
    """
    made = unit_cells(design, moments, plans=plans, by_area=True)
    (found,) = joint_totals(design, made, weeks=(None,))
    return found


def joint_totals(
    design: Design,
    made: tuple[StratumTreatment, UnitTotals, Floats],
    *,
    weeks: Iterable[int | None],
) -> Iterator[tuple[Floats, Floats]]:
    r"""Yield totals of K measures by area, and the covariance of all of them at once.

    As `domain_totals`, with the measures of each area in a block of their own. A site-day has
    boats of several areas: the first stage follows from its totals of all of them. A boat fished
    in one area, so that the second stage has between two areas ``-(M - m)/(M (m - 1)) t_a t_b``
    (the covariance of ``M ȳ_a`` and ``M ȳ_b`` with ``Σ y_a y_b = 0``; Cochran 1977, Sampling
    Techniques, section 11.8, from memory). It is left out where one boat was interviewed, and of
    days with sites inside.

    Parameters
    ----------
    made : tuple of StratumTreatment, UnitTotals and ndarray
        As `unit_cells` gives them by area, of K measures.
    weeks : iterable of int or None
        Codes of the weeks; None for the season.

    Yields
    ------
    total : ndarray of float, shape (A, K)
    cov : ndarray of float, shape (A K, A K)
        A stratum with one unit and no donor adds no error.
    """
    plan, cells, interviewed = made
    between, units = _between_areas(design, interviewed), np.arange(len(design.units.stratum))
    by_unit = _by_unit(cells, np.arange(len(cells.unit)), units, len(design.areas))
    forms: dict[bool, LinearForm] = {}
    for week in weeks:
        by_week = week is not None
        if by_week not in forms:
            domains = Domains(by_area=True, by_week=by_week, n_weeks=len(design.weeks))
            forms[by_week] = LinearForm.of(design, plan, cells, domains)
        yield _joint_of_week(forms[by_week], by_unit, between, 0 if week is None else week + 1)


def _joint_of_week(
    form: LinearForm, by_unit: Floats, between: Floats, week_key: int
) -> tuple[Floats, Floats]:
    """Return the totals of one week key and their joint covariance, as `joint_totals`."""
    design, plan, cells = form.design, form.plan, form.cells
    stratum, n_areas = design.units.stratum, len(design.areas)
    n = np.maximum(plan.n_active, 1)
    mine = form.weights.week_key == week_key
    weight = np.zeros(len(stratum))
    weight[form.weights.unit[mine]] = form.weights.weight[mine]
    weight /= n[stratum]
    part = weight[:, None] * by_unit
    off = part - (add_at(stratum, part, len(n)) / n[:, None])[stratum]
    off *= np.sqrt(np.maximum(form.first_stage_factor, 0))[stratum][:, None]
    off = off[plan.active]
    cov = off.T @ off + _joint_second_stage(form, part, weight, between)
    one = form.borrowed
    for of, borrowing in enumerate(plan.borrowings):
        rows = np.flatnonzero((one.of == of) & (one.week_key == week_key))
        if one.n_units[of] > 1 and len(rows):
            donors = _by_unit(cells, one.cell[rows], np.sort(borrowing.units), n_areas)
            off = donors - donors.mean(axis=0)
            scale = one.finite[of] * one.weight[rows[0]] ** 2
            cov += scale * (off.T @ off) / (one.n_units[of] - 1)
    return part.sum(axis=0).reshape(n_areas, -1), cov


def _by_unit(cells: UnitTotals, rows: Ints, units: Ints, n_areas: int) -> Floats:
    """Return some totals in a row for each of some sorted units, a block of K for each area."""
    k = cells.total.shape[1]
    table = np.zeros((len(units), n_areas, k))
    table[np.searchsorted(units, cells.unit[rows]), cells.key[rows] - 1] = cells.total[rows]
    return table.reshape(len(units), n_areas * k)


def _joint_second_stage(form: LinearForm, part: Floats, weight: Floats, between: Floats) -> Floats:
    """Return what sampling inside units adds: a block for each area, and between two areas."""
    cells, k = form.cells, form.cells.total.shape[1]
    n_areas = part.shape[1] // k
    # `part` holds one weight; the second stage also needs n/N.
    share = (np.maximum(form.plan.n_active, 1) / form.design.strata.n_frame)[
        form.design.units.stratum
    ]
    apart = np.sqrt(share * between)[:, None] * part
    joint = -(apart.T @ apart)
    factor = (weight**2 * share)[cells.unit]
    inside = matrices(
        cells.second_stage_cov.add_at(cells.key - 1, n_areas, factor=factor), cells.pair, k
    )
    for area in range(n_areas):
        here = slice(area * k, (area + 1) * k)
        joint[here, here] = np.nan_to_num(inside[area])
    return joint


def _between_areas(design: Design, interviewed: Floats) -> Floats:
    """Return ``(M - m)/(M (m - 1))`` of each unit that is one site-day, else 0, shape (U,)."""
    days = design.site_days
    boats, unit = np.nan_to_num(days.boats_returned), days.unit
    can = (interviewed > 1) & (boats > 0) & ~design.strata.of_days[design.units.stratum[unit]]
    below = np.where(can, boats * (interviewed - 1), 1.0)
    found = np.zeros(len(design.units.stratum))
    found[unit[can]] = (np.maximum(boats - interviewed, 0) / below)[can]
    return found


# Combined ratios of two totals by linearisation.


def combined_ratio(total: Floats, cov: Floats) -> tuple[Floats, Floats]:
    r"""Return ``R = T_y/T_x`` and its linearised variance.

    ``v(R) = [v(T_y) - 2 R cov(T_y, T_x) + R² v(T_x)] / T_x²``, the variance of the total of
    ``y - R x`` over T_x² (Cochran 1977, Sampling Techniques, section 6.11; from memory).

    Parameters
    ----------
    total : ndarray of float, shape (D, 2)
        Numerator and denominator.
    cov : ndarray of float, shape (D, 2, 2)
        Their (co)variances.

    Returns
    -------
    ratio, variance : ndarray of float, shape (D,)
        NaN where the denominator is not positive.
    """
    below = np.where(total[:, 1] > 0, total[:, 1], np.nan)
    ratio = total[:, 0] / below
    residual = cov[:, 0, 0] - 2 * ratio * cov[:, 0, 1] + ratio**2 * cov[:, 1, 1]
    # Where every site-day has the same ratio only rounding is left.
    scale = cov[:, 0, 0] + ratio**2 * cov[:, 1, 1]
    return ratio, np.where(np.abs(residual) <= ROUNDING * scale, 0.0, residual) / below**2


def all_over_last(
    total: Floats, cov: Floats, *, about: Floats | None = None
) -> tuple[Floats, Floats]:
    """Return the ratios (D, K) of all totals but the last to the last, with their joint covariance.

    As `combined_ratio`, several numerators over one denominator; NaN where that is not positive.
    `about` (D, K): ratios about which the residuals are taken; by default the ratios themselves.
    """
    below = np.where(total[:, -1] > 0, total[:, -1], np.nan)
    ratio = total[:, :-1] / below[:, None]
    k = ratio.shape[1]
    gradient = np.concatenate(
        [
            np.broadcast_to(np.eye(k), (len(total), k, k)),
            -(ratio if about is None else about)[:, :, None],
        ],
        axis=2,
    )
    joint = gradient @ cov @ np.swapaxes(gradient, 1, 2)
    return ratio, joint / below[:, None, None] ** 2

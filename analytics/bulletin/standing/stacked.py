"""Totals of all areas at once, with the covariance between measures and areas."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analytics.survey.arrays import add_at
from analytics.survey.reach import Domains, reach_of
from analytics.survey.totals import first_stage_correction, matrices, unit_cells

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.survey.borrow import Loan, Plans
    from analytics.survey.cells import Cells
    from analytics.survey.design import Design
    from analytics.survey.reach import Reach
    from analytics.survey.reduce import Moments

    Floats = NDArray[np.float64]


def stacked_totals(design: Design, moments: Moments, *, plans: Plans) -> tuple[Floats, Floats]:
    r"""Return season totals of K measures by area, and the covariance of all of them at once.

    As `analytics.survey.totals.domain_totals`, with the measures of each area in a block of their
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
    plans : Plans
        The plans of the design.

    Returns
    -------
    total : ndarray of float, shape (A, K)
    cov : ndarray of float, shape (A K, A K)
        A stratum with one unit and nobody to borrow from brings no error.
    """
    plan, cells, answered = unit_cells(design, moments, plans=plans, by_area=True)
    n_areas, k = len(design.areas), cells.total.shape[1]
    reach = reach_of(design, plan, Domains(by_area=False, by_week=False, n_weeks=len(design.weeks)))
    stratum, n = design.units.stratum, np.maximum(plan.n_active, 1)
    weight = np.zeros(len(stratum))
    weight[reach.unit] = reach.weight
    weight /= n[stratum]
    part = np.zeros((len(stratum), n_areas, k))
    part[cells.unit, cells.key - 1] = weight[cells.unit, None] * cells.total
    total = part.sum(axis=0)
    active, correction = np.flatnonzero(plan.active), first_stage_correction(design, plan, cells)
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
        finite = 1.0 if loan.is_fill else float(correction[loan.stratum])
        cov += finite * _borrowed(loan, design, cells, reach)
    return total, cov


def _borrowed(loan: Loan, design: Design, cells: Cells, reach: Reach) -> Floats | float:
    """Return the first-stage covariance of a stratum that borrows its spread, uncorrected."""
    if len(loan.units) < 2:
        return 0.0
    n_areas = len(design.areas)
    rows = np.flatnonzero(np.isin(cells.unit, loan.units))
    weights = np.array([design.strata.n_frame[loan.stratum]])
    if not loan.is_fill:
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

"""Totals in which each area and week counts with a linear map of its own.

Expansion by coverage multiplies what each area holds by its factor, and effort from counts
multiplies each area and week's catch rate by its boat-hours. Both stay linear forms in the sampled
units, so one kernel gives their errors, whichever domains they are added up to.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.survey.arrays import add_at
from analytics.survey.reach import Domains, pair, reach_of
from analytics.survey.totals import between, first_stage_correction, matrices

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.survey.borrow import Loan, Plan
    from analytics.survey.cells import Cells
    from analytics.survey.design import Design
    from analytics.survey.reach import Reach

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Maps:
    """A matrix for each of F cells of area and week.

    Parameters
    ----------
    code : ndarray of int, shape (F,)
        Sorted codes of `fine_domains`.
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


def fine_domains(design: Design) -> Domains:
    """Return the domains of area and week, in which maps are coded."""
    return Domains(by_area=True, by_week=True, n_weeks=len(design.weeks))


def coarse_codes(domains: Domains, fine: Domains, code: Ints) -> Ints:
    """Return the code in `domains` of each code of area and week."""
    key, week_key = np.divmod(code, fine.n_weeks + 1)
    key = key if domains.by_area else np.zeros_like(key)
    week_key = week_key if domains.by_week else np.zeros_like(week_key)
    return domains.code(key, week_key)


def mapped_totals(
    design: Design, plan: Plan, cells: Cells, domains: Domains, maps: Maps, *, codes: Ints
) -> tuple[Floats, Floats]:
    r"""Return ``T = Σ_c A_c t_c`` over the area-weeks c of each domain, and its covariance.

    As `analytics.survey.totals.domain_totals`, with each unit's part ``Σ_c b/n_h A_c t_c``. Boats
    of one site-day that fished in different areas are taken as sampled on their own: their small
    negative covariance is left out.

    Parameters
    ----------
    design : Design
    plan : Plan
    cells : Cells
        By unit and area, of K measures.
    domains : Domains
    maps : Maps
    codes : ndarray of int, shape (D,)
        Sorted codes of the domains wanted.

    Returns
    -------
    total : ndarray of float, shape (D, J)
    cov : ndarray of float, shape (D, J, J)
        NaN where no error can be had.
    """
    fine, size = fine_domains(design), len(codes)
    reach = reach_of(design, plan, fine)
    cell, link = pair(cells, reach)
    source = fine.code(cells.key[cell], reach.week_key[link])
    wanted = np.isin(coarse_codes(domains, fine, source), codes)
    cell, link, source = cell[wanted], link[wanted], source[wanted]
    place = np.searchsorted(codes, coarse_codes(domains, fine, source))
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
    cov[np.unique(place[np.isin(stratum[cell], list(plan.lonely))])] = np.nan
    for loan in plan.loans:
        rows, source, weight = _borrowed(loan, design, plan, cells, reach)
        known = np.isin(coarse_codes(domains, fine, source), codes)
        rows, source, weight = rows[known], source[known], weight[known]
        part = weight[:, None] * np.einsum("pjk,pk->pj", maps.at(source), cells.total[rows])
        place = np.searchsorted(codes, coarse_codes(domains, fine, source))
        for one in np.unique(place):
            here = place == one
            _, where = np.unique(cells.unit[rows[here]], return_inverse=True)
            totals = add_at(where, part[here], int(where.max()) + 1)
            cov[one] += _spread(totals, len(loan.units))
    return total, cov


def _between(
    design: Design,
    plan: Plan,
    cells: Cells,
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
    spread = between(
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


def _borrowed(
    loan: Loan, design: Design, plan: Plan, cells: Cells, reach: Reach
) -> tuple[Ints, Ints, Floats]:
    """Return the cells whose spread a stratum borrows, where they go, and their weights."""
    fine, frame = fine_domains(design), design.strata.n_frame[loan.stratum]
    rows = np.flatnonzero(np.isin(cells.unit, loan.units))
    if loan.is_fill:  # nothing of the frame was seen: no finite correction
        weeks = fine.week_key(design.strata.week[[loan.stratum]])
        weights = np.array([frame])
    else:
        of_reach = design.units.stratum[reach.unit] == loan.stratum
        correction = first_stage_correction(design, plan, cells)[loan.stratum]
        weeks, weights = reach.week_key[of_reach], reach.weight[of_reach] * np.sqrt(correction)
        home = fine.area_key(design.strata.landing_area[[loan.stratum]])
        own = design.units.stratum[cells.unit] == loan.stratum
        rows = rows[np.isin(cells.key[rows], np.union1d(home, cells.key[own & (cells.n > 0)]))]
    week_key, key = np.repeat(weeks, len(rows)), np.tile(cells.key[rows], len(weeks))
    return np.tile(rows, len(weeks)), fine.code(key, week_key), np.repeat(weights, len(rows))


def _spread(totals: Floats, n: int) -> Floats:
    """Return s² of n units of which only those with a total are listed; NaN for one unit."""
    if n < 2:
        return np.full((totals.shape[1], totals.shape[1]), np.nan)
    off = totals - totals.sum(axis=0) / n
    mean = totals.sum(axis=0) / n
    spread: Floats = (off.T @ off + (n - len(totals)) * np.outer(mean, mean)) / (n - 1)
    return spread

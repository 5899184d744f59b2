"""What each domain rests on: units, frame, interviews, degrees of freedom, reservations."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from analytics.survey.reach import pair

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.survey.borrow import Plan
    from analytics.survey.cells import Cells
    from analytics.survey.design import Design
    from analytics.survey.reach import Domains, Reach

    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Support:
    """What each of D domains rests on; every array has shape (D,).

    Parameters
    ----------
    df : ndarray of int
        Sampled units minus strata over the strata that hold the domain; strata that collapse
        together count as one, and lenders of a filled stratum count.
    n_psu, n_psu_frame, n_interviews : ndarray of int
        Sampled units and frame of the strata that hold the domain; interviews in it.
    is_imputed, is_collapsed, is_pooled : ndarray of bool
        Some stratum was filled, collapsed, or pooled its spread between boats.
    is_census : ndarray of bool
        Every unit of the frame was sampled and every boat interviewed.
    is_partial : ndarray of bool
        Some landing area was never sampled and nobody could fill it.
    """

    df: Ints
    n_psu: Ints
    n_psu_frame: Ints
    n_interviews: Ints
    is_imputed: Bools
    is_collapsed: Bools
    is_pooled: Bools
    is_census: Bools
    is_partial: Bools


def support_of(
    design: Design,
    plan: Plan,
    domains: Domains,
    *,
    codes: Ints,
    cells: Cells,
    reach: Reach,
    answered: NDArray[np.float64],
) -> Support:
    """Return what each domain rests on.

    A stratum holds a domain if it lands in the domain's area and week, or if a boat of it was in
    the domain.

    Parameters
    ----------
    design, plan, domains, cells, reach
        As in `analytics.survey.totals.domain_totals`.
    codes : ndarray of int, shape (D,)
        Sorted domain codes.
    answered : ndarray of float, shape (U,)
        Interviewed boats of each unit.

    Returns
    -------
    Support
    """
    size = len(codes)
    cell, link = pair(cells, reach)
    seen = np.searchsorted(codes, domains.code(cells.key[cell], reach.week_key[link]))
    stratum_of = design.units.stratum
    own = _own_places(design, domains, codes, reach)
    direct = ~reach.is_fill
    observed = direct[link] & (cells.n[cell] > 0)
    holds = _unique_pairs(
        np.concatenate([stratum_of[reach.unit[direct]], stratum_of[cells.unit[cell[observed]]]]),
        np.concatenate([own[direct], seen[observed]]),
        size,
    )
    used = _unique_pairs(
        np.concatenate([stratum_of[reach.unit], stratum_of[cells.unit[cell]]]),
        np.concatenate([own, seen]),
        size,
    )
    fills = _fill_pairs(design, plan, domains, codes, cells)
    complete = _complete_strata(design, plan, answered)
    collapsed = np.isin(holds[0], [loan.stratum for loan in plan.loans if not loan.is_fill])
    imputed = _any_at(fills[1], size)
    partial = _any_at(_home_places(design, domains, codes, sorted(plan.unfilled)), size)
    incomplete = _any_at(holds[1][~complete[holds[0]]], size) | imputed | partial
    frame = design.strata.n_frame
    n_psu = _sum_at(holds[1], plan.n_active[holds[0]], size)
    return Support(
        df=_degrees(plan, used, size),
        n_psu=n_psu,
        n_psu_frame=_sum_at(holds[1], frame[holds[0]], size)
        + _sum_at(fills[1], frame[fills[0]], size),
        n_interviews=_sum_at(seen[observed], cells.n[cell[observed]], size),
        is_imputed=imputed,
        is_collapsed=_any_at(holds[1][collapsed], size),
        is_pooled=_any_at(seen[cells.is_pooled[cell]], size),
        is_census=(n_psu > 0) & ~incomplete,
        is_partial=partial,
    )


def _own_places(design: Design, domains: Domains, codes: Ints, reach: Reach) -> Ints:
    """Place of the domain of each reach's landing area."""
    home = design.strata.landing_area[design.units.stratum[reach.unit]]
    return np.searchsorted(codes, domains.code(domains.area_key(home), reach.week_key))


def _home_places(design: Design, domains: Domains, codes: Ints, strata: list[int]) -> Ints:
    """Place of the domain in which each of some strata lands."""
    rows = np.array(strata, dtype=np.int64)
    key = domains.area_key(design.strata.landing_area[rows])
    return np.searchsorted(codes, domains.code(key, domains.week_key(design.strata.week[rows])))


def _fill_pairs(
    design: Design, plan: Plan, domains: Domains, codes: Ints, cells: Cells
) -> tuple[Ints, Ints]:
    """Pair filled strata with the places of the domains they add to."""
    pairs: list[tuple[int, int]] = []
    for loan in plan.loans:
        if not loan.is_fill:
            continue
        home = _home_places(design, domains, codes, [loan.stratum])
        lent = np.isin(design.units.stratum[cells.unit], loan.lenders)
        keys = np.unique(cells.key[lent])
        week = domains.week_key(design.strata.week[[loan.stratum]])
        reached = np.searchsorted(codes, domains.code(keys, np.repeat(week, len(keys))))
        pairs += [(loan.stratum, int(place)) for place in np.union1d(home, reached)]
    table = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _complete_strata(design: Design, plan: Plan, answered: NDArray[np.float64]) -> Bools:
    """Strata whose whole frame was sampled and whose every boat was interviewed."""
    short = plan.active & (answered < design.units.boats_returned)
    n_short = np.bincount(design.units.stratum[short], minlength=len(plan.n_active))
    complete: Bools = (plan.n_active >= design.strata.n_frame) & (n_short == 0)
    return complete


def _degrees(plan: Plan, used: tuple[Ints, Ints], size: int) -> Ints:
    """Units minus strata over the strata used; those that collapse together count as one."""
    links = [(loan.stratum, one) for loan in plan.loans if not loan.is_fill for one in loan.lenders]
    stratum, place = used
    for borrower, lender in links:
        here = place[stratum == borrower]
        stratum = np.concatenate([stratum, np.full(len(here), lender)])
        place = np.concatenate([place, here])
    stratum, place = _unique_pairs(stratum, place, size)
    n_strata = len(plan.n_active)
    ends = np.array(links, dtype=np.int64).reshape(-1, 2)
    graph = coo_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(n_strata, n_strata))
    group = connected_components(graph, directed=False)[1].astype(np.int64)
    _, group_place = _unique_pairs(group[stratum], place, size)
    return _sum_at(place, plan.n_active[stratum], size) - np.bincount(group_place, minlength=size)


def _unique_pairs(stratum: Ints, place: Ints, size: int) -> tuple[Ints, Ints]:
    codes = np.unique(stratum * size + place)
    return codes // size, codes % size


def _sum_at(place: Ints, values: NDArray[np.generic], size: int) -> Ints:
    sums = np.bincount(place, weights=values.astype(np.float64), minlength=size)
    return np.rint(sums).astype(np.int64)


def _any_at(place: Ints, size: int) -> Bools:
    there: Bools = np.bincount(place, minlength=size) > 0
    return there

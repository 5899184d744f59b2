"""Boats within a site-day, and sites within a day: expanded totals and their variance."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.survey.successive import SiteRule

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.survey.design import Design
    from analytics.survey.reduce import Moments


#: Relative size under which a sum of squares is rounding and not spread.
ROUNDING = 1e-12

_Merged = tuple[
    "NDArray[np.int64]",
    "NDArray[np.int64]",
    "NDArray[np.float64]",
    "NDArray[np.float64]",
    "NDArray[np.float64]",
]


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Totals of units by area fished, C cells of K measures, unique and sorted by (unit, key).

    Parameters
    ----------
    unit, key : ndarray of int, shape (C,)
        Site-day or unit, and area code + 1, or 0 where areas are taken together.
    n : ndarray of float, shape (C,)
        Interviews in the cell.
    total : ndarray of float, shape (C, K)
        The unit's total; of a site-day ``M/m · Σ y``.
    within : ndarray of float, shape (C, K, K)
        Estimated (co)variance of `total` from sampling inside the unit.
    is_pooled : ndarray of bool, shape (C,)
        The spread between boats was pooled, since one boat of several was interviewed.
    unknown : ndarray of bool, shape (U,)
        Units whose spread inside nothing can tell: one boat of several was interviewed and no
        site-day of the season has two interviews, or one site was drawn of several.
    """

    unit: NDArray[np.int64]
    key: NDArray[np.int64]
    n: NDArray[np.float64]
    total: NDArray[np.float64]
    within: NDArray[np.float64]
    is_pooled: NDArray[np.bool_]
    unknown: NDArray[np.bool_]


def interviewed(moments: Moments, *, n_units: int) -> NDArray[np.float64]:
    """Return m_i, the boats of each site-day that gave the numbers, shape (n_units,)."""
    return add_at(moments.unit, moments.n, n_units)


def site_day_totals(
    design: Design, moments: Moments, active: NDArray[np.bool_], *, by_area: bool
) -> Cells:
    r"""Expand interviews to site-days.

    With M boats returned and m interviewed, ``t = M ȳ`` and
    ``v(t) = M² (1 - m/M) s²/m`` (Cochran 1977, Sampling Techniques, section 11.8; from memory).
    A boat outside the cell's area counts as a zero. Where m is 1 and M more, s² is the pooled
    spread between boats of the stratum, or of the landing area, or of the season, the first that
    has one (common practice, no source); where nothing has one, the unit is `unknown`.

    Parameters
    ----------
    design : Design
    moments : Moments
        Sums by site-day and area fished.
    active : ndarray of bool, shape (S,)
        Site-days of units that answer.
    by_area : bool
        Keep areas apart.

    Returns
    -------
    Cells
    """
    m_unit = interviewed(moments, n_units=len(active))
    unit, key, n, sums, products = _merge_areas(moments, active, by_area=by_area)
    boats, m = design.site_days.boats_returned[unit], m_unit[unit]
    squares = _squares(products, sums, m)
    several = m > 1
    factor = np.where(several, boats * (boats - m) / (m * np.maximum(m - 1, 1)), 0.0)
    cells = Cells(
        unit=unit,
        key=key,
        n=n,
        total=(boats / m)[:, None] * sums,
        within=factor[:, None, None] * squares,
        is_pooled=np.zeros(len(unit), dtype=bool),
        unknown=np.zeros(len(active), dtype=bool),
    )
    is_single = active & (m_unit == 1) & (design.site_days.boats_returned > 1)
    single = np.flatnonzero(is_single)
    if not len(single):
        return cells
    if not (m_unit > 1).any():
        return replace(cells, unknown=is_single)
    return _with_pooled(cells, design, squares, m_unit=m_unit, single=single)


def unit_totals(design: Design, cells: Cells) -> Cells:
    r"""Take the sites of each day together: totals of site-days become totals of units.

    ``T = Σ w_i t_i`` with ``v(T) = Σ_ij a_ij t_i t_j + Σ_i (w_i² - a_ii) v(t_i)``, which is
    unbiased where the form a is unbiased for known site-days (Rao 1975, Unbiased variance
    estimation for multistage designs, Sankhya C 37; from memory). Where one site was drawn of
    several a is not to be had and the unit is `unknown`: its spread lies in that between days.

    Parameters
    ----------
    design : Design
    cells : Cells
        By site-day.

    Returns
    -------
    Cells
        By unit. Where units are site-days, `cells` as they are.
    """
    days, units = design.site_days, design.units
    if not design.strata.of_days.any():
        return cells
    width = int(cells.key.max(initial=0)) + 1
    codes, place = np.unique(days.unit[cells.unit] * width + cells.key, return_inverse=True)
    own = np.zeros(len(days.unit))
    diagonal = days.pair[:, 0] == days.pair[:, 1]
    own[days.pair[diagonal, 0]] = days.form[diagonal]
    weight = days.weight[cells.unit]
    within = (weight**2 - own[cells.unit])[:, None, None] * cells.within
    one, other, form = _paired_cells(design, cells, width)
    within_all = add_at(place, within, len(codes))
    products = np.einsum("p,pi,pj->pij", form, cells.total[one], cells.total[other])
    within_all += add_at(place[one], products, len(codes))
    single = units.drawn_by(SiteRule.SINGLE_DRAW)
    within_all[single[codes // width]] = 0
    unknown = single.copy()
    unknown[days.unit[cells.unknown]] = True
    return Cells(
        unit=codes // width,
        key=codes % width,
        n=add_at(place, cells.n, len(codes)),
        total=add_at(place, weight[:, None] * cells.total, len(codes)),
        within=within_all,
        is_pooled=np.bincount(place, weights=cells.is_pooled, minlength=len(codes)) > 0,
        unknown=unknown,
    )


def _paired_cells(
    design: Design, cells: Cells, width: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Return the cells i and j of one unit and one key, and their a_ij."""
    pair, form = design.site_days.pair, design.site_days.form
    code = cells.unit * width + cells.key
    first = np.searchsorted(cells.unit, pair[:, 0], side="left")
    count = np.searchsorted(cells.unit, pair[:, 0], side="right") - first
    row = np.repeat(np.arange(len(pair)), count)
    one = np.repeat(first - (np.cumsum(count) - count), count) + np.arange(len(row))
    wanted = pair[row, 1] * width + cells.key[one]
    other = np.minimum(np.searchsorted(code, wanted), len(code) - 1)
    met = code[other] == wanted if len(code) else np.zeros(0, dtype=bool)
    return one[met], other[met], form[row[met]]


def _squares(
    products: NDArray[np.float64], sums: NDArray[np.float64], m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return sums of squares about the mean; what is only rounding is taken as no spread."""
    squares = products - np.einsum("ci,cj->cij", sums, sums) / m[:, None, None]
    size = np.sqrt(np.einsum("cii->ci", products))
    scale = np.einsum("ci,cj->cij", size, size)
    return np.where(np.abs(squares) <= ROUNDING * scale, 0.0, squares)


def _merge_areas(moments: Moments, active: NDArray[np.bool_], *, by_area: bool) -> _Merged:
    """Drop units that do not answer; add the areas of a unit where they are not kept apart."""
    rows = active[moments.unit]
    unit, key = moments.unit[rows], moments.area[rows] + 1
    n, sums, products = moments.n[rows], moments.sums[rows], moments.products[rows]
    if by_area:
        return unit, key, n, sums, products
    first, place = np.unique(unit, return_inverse=True)
    return (
        first,
        np.zeros(len(first), dtype=np.int64),
        add_at(place, n, len(first)),
        add_at(place, sums, len(first)),
        add_at(place, products, len(first)),
    )


def add_at(place: NDArray[np.int64], values: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    """Sum `values` of shape (R, ...) by their place into shape (size, ...)."""
    flat = values.reshape(len(place), math.prod(values.shape[1:]))
    sums = np.empty((size, flat.shape[1]))
    for column in range(flat.shape[1]):
        sums[:, column] = np.bincount(place, weights=flat[:, column], minlength=size)
    return sums.reshape(size, *values.shape[1:])


def _with_pooled(
    cells: Cells,
    design: Design,
    squares: NDArray[np.float64],
    *,
    m_unit: NDArray[np.float64],
    single: NDArray[np.int64],
) -> Cells:
    """Add the within variance of units with one interview of several boats."""
    stratum = design.units.stratum[design.site_days.unit]
    home = design.strata.landing_area[stratum]
    everywhere = np.zeros_like(stratum)
    lenders = np.flatnonzero(m_unit > 1)
    several = m_unit[cells.unit] > 1
    keys, column = np.unique(cells.key, return_inverse=True)
    shape = (len(single), len(keys), *squares.shape[1:])
    spread = np.full(shape, np.nan)
    for pool in (stratum, home, everywhere):
        size = int(pool.max()) + 1
        df = np.bincount(pool[lenders], weights=m_unit[lenders] - 1, minlength=size)
        place = pool[cells.unit[several]] * len(keys) + column[several]
        sums = add_at(place, squares[several], size * len(keys)).reshape(size, *shape[1:])
        has = df[pool[single]] > 0
        open_ = np.isnan(spread[:, 0]).reshape(len(single), -1).any(axis=1) & has
        spread[open_] = sums[pool[single[open_]]] / df[pool[single[open_]]][:, None, None, None]
    boats = design.site_days.boats_returned[single]
    within = spread * (boats * (boats - 1))[:, None, None, None]
    return _append(cells, single, keys, within)


def _append(
    cells: Cells,
    single: NDArray[np.int64],
    keys: NDArray[np.int64],
    within: NDArray[np.float64],
) -> Cells:
    """Merge the pooled within variances of (single × keys) into the cells."""
    k = cells.total.shape[1]
    unit = np.concatenate([cells.unit, np.repeat(single, len(keys))])
    key = np.concatenate([cells.key, np.tile(keys, len(single))])
    extra = len(unit) - len(cells.unit)
    width = int(key.max()) + 1
    codes, place = np.unique(unit * width + key, return_inverse=True)
    size = len(codes)
    grow = [np.zeros(extra), np.zeros((extra, k)), within.reshape(extra, k, k)]
    n, total, all_within = (
        add_at(place, np.concatenate([old, new]), size)
        for old, new in zip((cells.n, cells.total, cells.within), grow, strict=True)
    )
    pooled = np.isin(codes // width, single)
    # Cells that carry neither a fish nor a spread say nothing; they are not kept.
    useful = (n > 0) | (np.abs(all_within).sum(axis=(1, 2)) > 0)
    return Cells(
        unit=(codes // width)[useful],
        key=(codes % width)[useful],
        n=n[useful],
        total=total[useful],
        within=all_within[useful],
        is_pooled=pooled[useful],
        unknown=cells.unknown,
    )

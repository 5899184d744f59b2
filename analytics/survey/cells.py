"""Second stage: boats within a site-day. Expanded site-day totals and their variance."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

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
    """Site-day totals by area fished, C cells of K measures, unique by (unit, key).

    Parameters
    ----------
    unit, key : ndarray of int, shape (C,)
        Site-day, and area code + 1, or 0 where areas are taken together.
    n : ndarray of float, shape (C,)
        Interviews in the cell.
    total : ndarray of float, shape (C, K)
        ``M/m · Σ y``, the site-day's total.
    within : ndarray of float, shape (C, K, K)
        Estimated (co)variance of `total` from sampling m of M boats.
    is_pooled : ndarray of bool, shape (C,)
        The spread between boats was pooled, since one boat of several was interviewed.
    unknown : ndarray of bool, shape (U,)
        Units whose spread between boats nothing can tell: one boat of several was interviewed and
        no site-day of the season has two interviews.
    """

    unit: NDArray[np.int64]
    key: NDArray[np.int64]
    n: NDArray[np.float64]
    total: NDArray[np.float64]
    within: NDArray[np.float64]
    is_pooled: NDArray[np.bool_]
    unknown: NDArray[np.bool_]


def interviewed(moments: Moments, *, n_units: int) -> NDArray[np.float64]:
    """Return m_i, the boats of each site-day that gave the numbers, shape (U,)."""
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
    active : ndarray of bool, shape (U,)
        Units that answer.
    by_area : bool
        Keep areas apart.

    Returns
    -------
    Cells
    """
    m_unit = interviewed(moments, n_units=len(active))
    unit, key, n, sums, products = _merge_areas(moments, active, by_area=by_area)
    boats, m = design.units.boats_returned[unit], m_unit[unit]
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
    is_single = active & (m_unit == 1) & (design.units.boats_returned > 1)
    single = np.flatnonzero(is_single)
    if not len(single):
        return cells
    if not (m_unit > 1).any():
        return replace(cells, unknown=is_single)
    return _with_pooled(cells, design, squares, m_unit=m_unit, single=single)


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
    stratum = design.units.stratum
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
    boats = design.units.boats_returned[single]
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

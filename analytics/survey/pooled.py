"""Boats that stand alone: one interviewed of several, their spread taken from other site-days."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.survey.arrays import Columns, add_at

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.survey.cells import Cells
    from analytics.survey.design import Design


def with_pooled(
    design: Design,
    cells: Cells,
    squares: Columns,
    *,
    m_unit: NDArray[np.float64],
    single: NDArray[np.int64],
) -> Cells:
    """Give site-days with one interview of several boats a pooled spread between boats.

    It is that of the stratum, or of the landing area, or of the season, the first that has one
    (common practice, no source).

    Parameters
    ----------
    design : Design
    cells : Cells
        By site-day, sorted; those of `single` have no variance yet.
    squares : Columns
        Sums of squares and products about the mean, P columns of C.
    m_unit : ndarray of float, shape (S,)
        Interviewed boats of each site-day.
    single : ndarray of int, shape (Q,)
        The site-days that need one.

    Returns
    -------
    Cells
    """
    keys, column = np.unique(cells.key, return_inverse=True)
    within = _within(design, cells, squares, m_unit=m_unit, single=single, column=column)
    width = int(keys.max()) + 1
    codes = cells.unit * width + cells.key
    wanted = (single[:, None] * width + keys).ravel()
    found = np.minimum(np.searchsorted(codes, wanted), len(codes) - 1)
    met = codes[found] == wanted
    # Cells that carry neither a fish nor a spread say nothing; they are not kept.
    fresh = np.flatnonzero(~met & (within != 0).any(axis=0))
    order = np.argsort(np.concatenate([codes, wanted[fresh]]), kind="stable")
    nothing = np.zeros(len(fresh))
    unit = np.concatenate([cells.unit, wanted[fresh] // width])[order]
    is_single = np.zeros(len(cells.unknown), dtype=bool)
    is_single[single] = True

    def pooled(p: int) -> NDArray[np.float64]:
        own = cells.within[p]
        own[found[met]] = within[p, met]
        return np.concatenate([own, within[p, fresh]])[order]

    return replace(
        cells,
        unit=unit,
        key=np.concatenate([cells.key, wanted[fresh] % width])[order],
        n=np.concatenate([cells.n, nothing])[order],
        total=np.stack([np.concatenate([one, nothing])[order] for one in cells.total.T]).T,
        within=Columns(pooled, len(squares)),
        is_pooled=is_single[unit],
    )


def _within(
    design: Design,
    cells: Cells,
    squares: Columns,
    *,
    m_unit: NDArray[np.float64],
    single: NDArray[np.int64],
    column: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Return the variances of single site-days by area key, shape (P, Q * keys)."""
    stratum = design.units.stratum[design.site_days.unit]
    n_strata, n_keys, n_pairs = len(design.strata.label), int(column.max()) + 1, len(squares)
    # One boat alone has no spread: what its cells add is 0.
    place = stratum[cells.unit] * n_keys + column
    size = n_strata * n_keys
    by_pair = squares.reduced(lambda one: add_at(place, one, size), size=size)
    by_stratum = by_pair.reshape(n_pairs, n_strata, n_keys).transpose(1, 0, 2)
    lenders = np.flatnonzero(m_unit > 1)
    df_stratum = add_at(stratum[lenders], m_unit[lenders] - 1, n_strata)
    spread = np.zeros((len(single), n_pairs, n_keys))
    is_open = np.ones(len(single), dtype=bool)
    home = design.strata.landing_area
    for pool in (np.arange(n_strata), home, np.zeros_like(home)):
        size = int(pool.max()) + 1
        sums, df = add_at(pool, by_stratum, size), add_at(pool, df_stratum, size)
        mine = pool[stratum[single]]
        now = is_open & (df[mine] > 0)
        spread[now] = sums[mine[now]] / df[mine[now]][:, None, None]
        is_open &= ~now
    boats = design.site_days.boats_returned[single]
    within = spread * (boats * (boats - 1))[:, None, None]
    return within.transpose(1, 0, 2).reshape(n_pairs, -1)

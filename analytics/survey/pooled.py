"""Boats that stand alone: one interviewed of several, their spread taken from other site-days."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.survey.arrays import add_at

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.survey.cells import Cells
    from analytics.survey.design import Design


class Pool:
    """The pooled spread between boats for site-days with one interview of several boats.

    It is that of the stratum, or of the landing area, or of the season, the first that has one
    (common practice, no source).

    Parameters
    ----------
    design : Design
    unit, key : ndarray of int, shape (C,)
        Site-day and area key of each cell, sorted by both.
    m_unit : ndarray of float, shape (S,)
        Interviewed boats of each site-day.
    single : ndarray of int, shape (Q,)
        Site-days whose only interview is one of several boats.
    """

    def __init__(
        self,
        design: Design,
        unit: NDArray[np.int64],
        key: NDArray[np.int64],
        *,
        m_unit: NDArray[np.float64],
        single: NDArray[np.int64],
    ) -> None:
        self._design, self._single = design, single
        self._stratum = design.units.stratum[design.site_days.unit]
        self._keys, column = np.unique(key, return_inverse=True)
        # One boat alone has no spread: what its cells add is 0.
        self._place = self._stratum[unit] * len(self._keys) + column
        lenders = np.flatnonzero(m_unit > 1)
        n_strata = len(design.strata.label)
        self._df = add_at(self._stratum[lenders], m_unit[lenders] - 1, n_strata)
        self._sums: list[NDArray[np.float64]] = []

    @property
    def n_more(self) -> int:
        """The number of cells that may be added."""
        return len(self._single) * len(self._keys)

    def add(self, squares: NDArray[np.float64]) -> None:
        """Take in the sums of squares of one pair of measures, shape (C,)."""
        self._sums.append(add_at(self._place, squares, len(self._df) * len(self._keys)))

    def merged(self, cells: Cells, room: NDArray[np.float64]) -> Cells:
        """Return the cells with the pooled variances of (single × keys) among them.

        Parameters
        ----------
        cells : Cells
        room : ndarray of float, shape (P, C + n_more)
            Where the variances of the cells stand, with room for more; it is written to.
        """
        width, within = int(self._keys.max()) + 1, self._within()
        codes = cells.unit * width + cells.key
        wanted = (self._single[:, None] * width + self._keys).ravel()
        found = np.minimum(np.searchsorted(codes, wanted), len(codes) - 1)
        met = codes[found] == wanted
        # Cells of boats that stand alone have no spread of their own yet.
        room[:, found[met]] = within[:, met]
        # Cells that carry neither a fish nor a spread say nothing; they are not kept.
        fresh = np.flatnonzero(~met & (within != 0).any(axis=0))
        order = np.argsort(np.concatenate([codes, wanted[fresh]]), kind="stable")
        nothing = np.zeros((cells.total.shape[1], len(fresh)))
        unit = np.concatenate([cells.unit, wanted[fresh] // width])[order]
        is_single = np.zeros(len(cells.unknown), dtype=bool)
        is_single[self._single] = True
        return replace(
            cells,
            unit=unit,
            key=np.concatenate([cells.key, wanted[fresh] % width])[order],
            n=np.concatenate([cells.n, nothing[0]])[order],
            total=_ordered(cells.total.T, nothing, order, np.empty((len(nothing), len(order)))),
            within=_ordered(room[:, : len(codes)], within[:, fresh], order, room),
            is_pooled=is_single[unit],
        )

    def _within(self) -> NDArray[np.float64]:
        """Return the variances of single site-days by key, shape (P, Q * keys)."""
        design, of_single = self._design, self._stratum[self._single]
        n_strata, n_keys, n_pairs = len(self._df), len(self._keys), len(self._sums)
        by_pair = np.stack(self._sums).reshape(n_pairs, n_strata, n_keys)
        by_stratum = by_pair.transpose(1, 0, 2).reshape(n_strata, -1)
        spread = np.zeros((len(of_single), n_pairs * n_keys))
        is_open = np.ones(len(of_single), dtype=bool)
        home = design.strata.landing_area
        for pool in (np.arange(n_strata), home, np.zeros_like(home)):
            size = int(pool.max()) + 1
            sums, df = add_at(pool, by_stratum, size), add_at(pool, self._df, size)
            mine = pool[of_single]
            now = is_open & (df[mine] > 0)
            spread[now] = sums[mine[now]] / df[mine[now]][:, None]
            is_open &= ~now
        boats = design.site_days.boats_returned[self._single]
        within = (spread * (boats * (boats - 1))[:, None]).reshape(len(boats), n_pairs, n_keys)
        return within.transpose(1, 0, 2).reshape(n_pairs, -1)


def _ordered(
    old: NDArray[np.float64],
    new: NDArray[np.float64],
    order: NDArray[np.int64],
    room: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Write old and new columns into `room` in an order, and return them as rows."""
    if not new.shape[1]:
        return old.T
    for old_row, new_row, row in zip(old, new, room, strict=True):
        np.concatenate([old_row, new_row]).take(order, out=row[: len(order)], mode="clip")
    return room[:, : len(order)].T

"""Boats within a site-day, and sites within a day: expanded totals and their variance."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.arrays import Columns, add_at, rows_of, scaled
from analytics.survey.design import SiteRule

if TYPE_CHECKING:
    from analytics.arrays import Bools, Floats, Ints
    from analytics.survey.design import Design
    from analytics.survey.reduction import Moments


# Boats that stand alone: one interviewed of several, their variance taken from other site-days.


def with_pooled_within_variance(
    design: Design, cells: UnitTotals, squares: Columns, *, m_unit: Floats, single: Ints
) -> UnitTotals:
    """Give the site-days `single`, one interview of several boats, a pooled variance.

    It is that of the stratum, or of the landing area, or of the season, the first that has one
    (common practice, no source). `squares`: sums of squares and products about the mean, P columns
    of C. `m_unit` (S,): interviewed boats of each site-day.
    """
    keys, column = np.unique(cells.key, return_inverse=True)
    second_stage_cov = _pooled_cov(
        design, cells, squares, m_unit=m_unit, single=single, column=column
    )
    width = int(keys.max()) + 1
    codes = cells.unit * width + cells.key
    needed = (single[:, None] * width + keys).ravel()
    found = np.minimum(np.searchsorted(codes, needed), len(codes) - 1)
    met = codes[found] == needed
    # Cells that carry neither a fish nor a variance say nothing; they are not kept.
    fresh = np.flatnonzero(~met & (second_stage_cov != 0).any(axis=0))
    order = np.argsort(np.concatenate([codes, needed[fresh]]), kind="stable")
    nothing = np.zeros(len(fresh))
    unit = np.concatenate([cells.unit, needed[fresh] // width])[order]
    is_single = np.zeros(len(cells.unknown), dtype=bool)
    is_single[single] = True

    def pooled(p: int) -> Floats:
        own = cells.second_stage_cov[p]
        own[found[met]] = second_stage_cov[p, met]
        return np.concatenate([own, second_stage_cov[p, fresh]])[order]

    return replace(
        cells,
        unit=unit,
        key=np.concatenate([cells.key, needed[fresh] % width])[order],
        n=np.concatenate([cells.n, nothing])[order],
        total=np.stack([np.concatenate([one, nothing])[order] for one in cells.total.T]).T,
        second_stage_cov=Columns(pooled, len(squares)),
        is_pooled=is_single[unit],
    )


def _pooled_cov(
    design: Design,
    cells: UnitTotals,
    squares: Columns,
    *,
    m_unit: Floats,
    single: Ints,
    column: Ints,
) -> Floats:
    """Return the variances of single site-days by area key, shape (P, Q * keys)."""
    stratum = design.units.stratum[design.site_days.unit]
    n_strata, n_keys, n_pairs = len(design.strata.label), int(column.max()) + 1, len(squares)
    # One boat alone has no variance: what its cells add is 0.
    place = stratum[cells.unit] * n_keys + column
    size = n_strata * n_keys
    by_pair = squares.reduced(lambda one: add_at(place, one, size), size=size)
    by_stratum = by_pair.reshape(n_pairs, n_strata, n_keys).transpose(1, 0, 2)
    donors = np.flatnonzero(m_unit > 1)
    df_stratum = add_at(stratum[donors], m_unit[donors] - 1, n_strata)
    variance = np.zeros((len(single), n_pairs, n_keys))
    is_open = np.ones(len(single), dtype=bool)
    home = design.strata.landing_area
    for pool in (np.arange(n_strata), home, np.zeros_like(home)):
        size = int(pool.max()) + 1
        sums, df = add_at(pool, by_stratum, size), add_at(pool, df_stratum, size)
        mine = pool[stratum[single]]
        now = is_open & (df[mine] > 0)
        variance[now] = sums[mine[now]] / df[mine[now]][:, None, None]
        is_open &= ~now
    boats = design.site_days.boats_returned[single]
    second_stage_cov = variance * (boats * (boats - 1))[:, None, None]
    return second_stage_cov.transpose(1, 0, 2).reshape(n_pairs, -1)


#: Relative size under which a sum of squares is rounding and not variance.
ROUNDING = 1e-12

_Merged = tuple["Ints", "Ints", "Floats", "Floats", Columns]


@dataclass(frozen=True, slots=True, eq=False)
class UnitTotals:
    """Totals of units by area fished, C cells of K measures, unique and sorted by (unit, key).

    `unit`, `key` (C,): site-day or unit, and area code + 1, or 0 where areas are taken together.
    `n` (C,): interviews. `total` (C, K): of a site-day ``M/m · Σ y``. `second_stage_cov`: its
    estimated (co)variance from sampling inside the unit, P columns of C, of the measures i <= j in
    `pair` (P, 2). `is_pooled` (C,): the variance between boats was pooled, since one boat of
    several was interviewed. `unknown` (U,): the variance inside cannot be estimated: one boat of
    several was interviewed and no site-day of the season has two interviews, or one site was
    sampled of several.
    """

    unit: Ints
    key: Ints
    n: Floats
    total: Floats
    pair: Ints
    second_stage_cov: Columns
    is_pooled: Bools
    unknown: Bools


def site_day_totals(
    design: Design, moments: Moments, active: Bools, *, by_area: bool
) -> UnitTotals:
    """Expand interviews to site-days that responded (`active`, (S,)), areas kept apart or not.

    With M boats returned and m interviewed, ``t = M ȳ`` and ``v(t) = M² (1 - m/M) s²/m`` (Cochran
    1977, Sampling Techniques, section 11.8; from memory). A boat outside the cell's area counts as
    a zero. Where m is 1 and M more, s² is pooled as in `with_pooled_within_variance`; where nothing
    has one, the unit is `unknown`.
    """
    m_unit = moments.boats_interviewed(len(active))
    unit, key, n, sums, products = _merge_areas(moments, active, by_area=by_area)
    boats, m = design.site_days.boats_returned[unit], m_unit[unit]
    factor = np.where(m > 1, boats * (boats - m) / (m * np.maximum(m - 1, 1)), 0.0)
    is_single = active & (m_unit == 1) & (design.site_days.boats_returned > 1)
    squares = _squares(products, sums, m, moments.pair)
    has_pool = bool(is_single.any() and (m_unit > 1).any())
    cells = UnitTotals(
        unit=unit,
        key=key,
        n=n,
        total=scaled(sums, boats / m),
        pair=moments.pair,
        second_stage_cov=squares.each(lambda column: column * factor),
        is_pooled=np.zeros(len(unit), dtype=bool),
        unknown=np.zeros_like(is_single) if has_pool else is_single,
    )
    if not has_pool:
        return cells
    return with_pooled_within_variance(
        design, cells, squares, m_unit=m_unit, single=np.flatnonzero(is_single)
    )


def unit_totals(design: Design, cells: UnitTotals) -> UnitTotals:
    """Take the sites of each day together: totals of site-days become totals of units.

    ``T = Σ w_i t_i`` with ``v(T) = Σ_ij a_ij t_i t_j + Σ_i (w_i² - a_ii) v(t_i)``, which is
    unbiased where the form a is unbiased for known site-days (Rao 1975, Unbiased variance
    estimation for multistage designs, Sankhya C 37; from memory). Where one site was sampled of
    several a is not available and the unit is `unknown`: its variance lies in that between days.
    Where units are site-days, `cells` come back as they are.
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
    second_stage_cov = scaled(cells.second_stage_cov.table, weight**2 - own[cells.unit])
    one, other, form = _paired_cells(design, cells, width)
    of_units = add_at(place, second_stage_cov, len(codes))
    i, j = cells.pair.T
    products = form[:, None] * cells.total[one][:, i] * cells.total[other][:, j]
    of_units += add_at(place[one], products, len(codes))
    single = units.drawn_by(SiteRule.SINGLE_DRAW)
    of_units[single[codes // width]] = 0
    unknown = single.copy()
    unknown[days.unit[cells.unknown]] = True
    return UnitTotals(
        unit=codes // width,
        key=codes % width,
        n=add_at(place, cells.n, len(codes)),
        total=add_at(place, weight[:, None] * cells.total, len(codes)),
        pair=cells.pair,
        second_stage_cov=Columns.of(of_units),
        is_pooled=np.bincount(place, weights=cells.is_pooled, minlength=len(codes)) > 0,
        unknown=unknown,
    )


def _paired_cells(design: Design, cells: UnitTotals, width: int) -> tuple[Ints, Ints, Floats]:
    """Return the cells i and j of one unit and one key, and their a_ij."""
    pair, form = design.site_days.pair, design.site_days.form
    code = cells.unit * width + cells.key
    first = np.searchsorted(cells.unit, pair[:, 0], side="left")
    count = np.searchsorted(cells.unit, pair[:, 0], side="right") - first
    row = np.repeat(np.arange(len(pair)), count)
    one = np.repeat(first - (np.cumsum(count) - count), count) + np.arange(len(row))
    needed = pair[row, 1] * width + cells.key[one]
    other = np.minimum(np.searchsorted(code, needed), len(code) - 1)
    met = code[other] == needed if len(code) else np.zeros(0, dtype=bool)
    return one[met], other[met], form[row[met]]


def _squares(products: Columns, sums: Floats, m: Floats, pair: Ints) -> Columns:
    """Return sums of squares about the mean; what is only rounding is taken as no variance."""
    pairs = [(int(i), int(j)) for i, j in pair]
    own = {i: np.sqrt(products[p]) for p, (i, j) in enumerate(pairs) if i == j}

    def about_mean(p: int) -> Floats:
        i, j = pairs[p]
        about = products[p] - sums[:, i] * sums[:, j] / m
        about[np.abs(about) <= ROUNDING * (own[i] * own[j])] = 0.0
        return about

    return Columns(about_mean, len(pairs))


def _merge_areas(moments: Moments, active: Bools, *, by_area: bool) -> _Merged:
    """Drop units that did not respond; add the areas of a unit where they are not kept apart."""
    unit, key, n = moments.unit, moments.area + 1, moments.n
    sums, products = moments.sums, moments.products
    rows = active[unit]
    if not rows.all():
        kept = np.flatnonzero(rows)
        unit, key, n = unit[kept], key[kept], n[kept]
        sums, products = rows_of(sums, kept), products.each(lambda column: column[kept])
    if by_area:
        return unit, key, n, sums, products
    first, place = np.unique(unit, return_inverse=True)
    size = len(first)
    return (
        first,
        np.zeros(size, dtype=np.int64),
        add_at(place, n, size),
        add_at(place, sums, size),
        products.each(lambda column: add_at(place, column, size)),
    )

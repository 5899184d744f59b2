"""Boats within a site-day, and sites within a day: expanded totals and their variance."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.arrays import (
    Columns,
    add_at,
    cross,
    equal_pairs,
    places_of,
    rows_of,
    scaled,
    sums_at,
)
from analytics.survey.design import SiteRule

if TYPE_CHECKING:
    from collections.abc import Callable

    from analytics.arrays import Bools, Floats, Ints
    from analytics.survey.design import Design, SiteDays, StratumTreatment
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
    found = places_of(needed, codes)
    met = found >= 0
    # Cells that carry neither a fish nor a variance say nothing; they are not kept.
    fresh = np.flatnonzero(~met & (second_stage_cov != 0).any(axis=0))
    order = np.argsort(np.concatenate([codes, needed[fresh]]), kind="stable")
    nothing = np.zeros(len(fresh))
    unit = np.concatenate([cells.unit, needed[fresh] // width])[order]
    is_single = np.zeros(len(cells.unknown), dtype=bool)
    is_single[single] = True

    def pooled(own: Floats, of_single: Floats) -> Floats:
        own = own.copy()
        own[..., found[met]] = of_single[..., met]
        return np.concatenate([own, of_single[..., fresh]], axis=-1)[..., order]

    return replace(
        cells,
        unit=unit,
        key=np.concatenate([cells.key, needed[fresh] % width])[order],
        n=np.concatenate([cells.n, nothing])[order],
        total=np.stack([np.concatenate([one, nothing])[order] for one in cells.total.T]).T,
        second_stage_cov=cells.second_stage_cov.each_with(second_stage_cov, pooled),
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
    by_pair = squares.reduced(lambda one: sums_at(place, one, size), size=size)
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


# Days with boats and no interview: boats known, the rest from the stratum's mean per boat.


def with_missed_days(
    design: Design, plan: StratumTreatment, cells: UnitTotals, interviewed: Floats
) -> UnitTotals:
    r"""Give the site-days that were missed the total ``M_j R``, R the stratum's mean per boat.

    With s the sampled site-days of a stratum, r those with a boat that gave the number, n and N
    units sampled and in the frame, ``R = Σ_r t_i / Σ_r M_i``, ``d_i = t_i - R M_i`` and
    ``g = Σ_s M_i / Σ_r M_i``, the stratum's total is ``N/n Σ_s t = N/n g Σ_r t_i``, a ratio
    estimator in two phases (Cochran 1977, Sampling Techniques, section 12.8; from memory). Under
    ``t_i = R M_i + e_i`` with independent e of variance proportional to M its error is that of all
    days but for

        ``N/n (g - 1) [N/n (g + 1) - 1] |r|/(|r| - 1) Σ_r d_i²``

    which the filled days bring (our derivation): a missed day is predicted as an unsampled one is.
    It holds whichever days were missed, busy or not. Where one day alone has an interview, Σ d² is
    taken from ``E d² = k M`` with ``k = Σ d²/M / Σ (|r| - 1)`` over the landing area, or the season
    where that has none, and the term is ``N/n (N/n g - 1) k Σ_s M``. What boats inside the days add
    counts g times. Of the errors of R in two areas fished the covariance is left out.

    Parameters
    ----------
    cells : UnitTotals
        Of site-days, as from `site_day_totals`.
    interviewed : ndarray of float, shape (S,)
        Boats of each site-day that gave the number.
    """
    strata = plan.strata_with_missed_days(design)
    if not len(strata):
        return cells
    ratio = _RatioToBoats.of(design, plan, cells, interviewed, strata)
    missed = np.flatnonzero(plan.missed)
    # Every missed site-day gets a cell for each area that boats of its stratum fished.
    mine = design.units.stratum[design.site_days.unit[missed]]
    place, pool = equal_pairs(mine, ratio.stratum)
    day = missed[place]
    boats, weight = design.site_days.boats_returned[day], design.site_days.weight[day]
    extra = ratio.variance[pool] * (boats / (ratio.boats_missed[pool] * weight))[:, None]
    unit, key = np.concatenate([cells.unit, day]), np.concatenate([cells.key, ratio.key[pool]])
    placed = np.lexsort((key, unit))
    inflation = np.ones(len(design.strata.label))
    inflation[ratio.stratum] = ratio.inflation
    factor = inflation[design.units.stratum[design.site_days.unit[cells.unit]]]

    def joined(own: Floats, more: Floats) -> Floats:
        return np.concatenate([own * factor, more], axis=-1)[..., placed]

    return replace(
        cells,
        unit=unit[placed],
        key=key[placed],
        n=np.concatenate([cells.n, np.zeros(len(day))])[placed],
        total=np.concatenate([cells.total, boats[:, None] * ratio.mean[pool]])[placed],
        second_stage_cov=cells.second_stage_cov.each_with(extra.T, joined),
        is_pooled=np.concatenate([cells.is_pooled, np.zeros(len(day), dtype=bool)])[placed],
    )


@dataclass(frozen=True, slots=True, eq=False)
class _RatioToBoats:
    """Means per boat of strata with missed days by area fished, Q rows sorted by both.

    `mean` (Q, K); `variance` (Q, P): what the missed days of the row bring, over N/n; `inflation`
    (Q,): g; `boats_missed` (Q,): boats of the missed site-days, by weight.
    """

    stratum: Ints
    key: Ints
    mean: Floats
    variance: Floats
    inflation: Floats
    boats_missed: Floats

    @classmethod
    def of(
        cls,
        design: Design,
        plan: StratumTreatment,
        cells: UnitTotals,
        interviewed: Floats,
        strata: Ints,
    ) -> _RatioToBoats:
        """Take the mean per boat of each area fished in some strata, with its residuals."""
        days, n_strata = design.site_days, len(design.strata.label)
        stratum = design.units.stratum[days.unit]
        weighed = days.weight * np.nan_to_num(days.boats_returned)
        gave = plan.active[days.unit] & (interviewed > 0) & (weighed > 0)
        gave_of, missed_of = (
            add_at(stratum[of], weighed[of], n_strata) for of in (gave, plan.missed)
        )
        size = int(cells.key.max(initial=0)) + 1
        codes, place = np.unique(stratum[cells.unit] * size + cells.key, return_inverse=True)
        home, key = np.divmod(codes, size)
        total = add_at(place, scaled(cells.total, days.weight[cells.unit]), len(codes))
        below = np.where(gave_of > 0, gave_of, np.inf)[home]
        mean = scaled(total, 1 / below)
        squares = _residuals(days, cells, place, mean, stratum=stratum, gave=gave, home=home)
        n = np.bincount(stratum[gave], minlength=n_strata)
        own = squares(days.weight**2)
        many = n[home] / np.maximum(n[home] - 1, 1)
        g = 1 + missed_of[home] / below
        up = design.strata.n_frame[home] / plan.n_active[home]
        variance = scaled(own, (g - 1) * (up * (g + 1) - 1) * many)
        rows = np.flatnonzero(np.isin(home, strata))
        alone = rows[n[home[rows]] == 1]
        if len(alone):
            per_boat = squares(1 / np.maximum(np.nan_to_num(days.boats_returned), 1))
            k = _pooled_per_boat(design, per_boat, home, key, n=n, rows=alone)
            is_count = np.isclose(cells.total, days.boats_returned[cells.unit][:, None]).all(axis=0)
            k[:, np.take(is_count, cells.pair).any(axis=1)] = 0  # boats themselves need no ratio
            variance[alone] = scaled(k, ((up * g - 1) * g * below)[alone])
        home = home[rows]
        return cls(home, key[rows], mean[rows], variance[rows], g[rows], missed_of[home])


def _residuals(
    days: SiteDays,
    cells: UnitTotals,
    place: Ints,
    mean: Floats,
    *,
    stratum: Ints,
    gave: Bools,
    home: Ints,
) -> Callable[[Floats], Floats]:
    """Return what sums the products of residuals ``t - R M``, each day by a factor, (Q, P).

    A day without boats of an area has a residual there, too. Rounding is taken as no residual.
    """
    boats = np.nan_to_num(days.boats_returned)

    def sums(factor: Floats) -> Floats:
        size, n_strata = len(home), int(stratum.max(initial=0)) + 1
        by = factor[cells.unit]
        with_boats = add_at(place, scaled(cells.total, by * boats[cells.unit]), size)
        products = add_at(place, scaled(cross(cells.total, cells.pair), by), size)
        whole: Floats = add_at(stratum[gave], (factor * boats**2)[gave], n_strata)[home]
        i, j = cells.pair.T
        found = products - mean[:, i] * with_boats[:, j] - mean[:, j] * with_boats[:, i]
        found += scaled(mean[:, i] * mean[:, j], whole)
        own = {int(a): np.sqrt(products[:, p]) for p, (a, b) in enumerate(cells.pair) if a == b}
        for p, (a, b) in enumerate(cells.pair.tolist()):
            found[np.abs(found[:, p]) <= ROUNDING * own[a] * own[b], p] = 0.0
        return found

    return sums


def _pooled_per_boat(
    design: Design, squares: Floats, home: Ints, key: Ints, *, n: Ints, rows: Ints
) -> Floats:
    """Return k of some rows from their landing area, or the season; NaN where neither has one."""
    area, found = design.strata.landing_area, np.full((len(rows), squares.shape[1]), np.nan)
    for pool in (np.zeros_like(area), area):
        df = np.bincount(pool, weights=np.maximum(n - 1, 0))
        for place, row in enumerate(rows):
            alike = (pool[home] == pool[home[row]]) & (key == key[row])
            below = df[pool[home[row]]]
            if below > 0:
                found[place] = squares[alike].sum(axis=0) / below
    return found


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
    row, one = equal_pairs(pair[:, 0], cells.unit)
    needed = pair[row, 1] * width + cells.key[one]
    other = places_of(needed, code)
    met = other >= 0
    return one[met], other[met], form[row[met]]


def _squares(products: Columns, sums: Floats, m: Floats, pair: Ints) -> Columns:
    """Return sums of squares about the mean; what is only rounding is taken as no variance."""
    if products.held is not None:
        i, j = pair.T
        size = np.zeros_like(sums.T)
        size[i[i == j]] = np.sqrt(products.held[i == j])
        found = products.held - sums.T[i] * sums.T[j] / m
        found[np.abs(found) <= ROUNDING * (size[i] * size[j])] = 0.0
        return Columns.of(found.T)
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
        sums, products = rows_of(sums, kept), products.each(lambda column: column[..., kept])
    if by_area:
        return unit, key, n, sums, products
    first, place = np.unique(unit, return_inverse=True)
    size = len(first)
    return (
        first,
        np.zeros(size, dtype=np.int64),
        add_at(place, n, size),
        add_at(place, sums, size),
        products.each(lambda column: sums_at(place, column, size)),
    )

"""Domains, and every total of one as a linear form of the totals of units.

A total is ``Σ b/n_h · A t`` over the totals t of sampled units by area fished: b is the weight of a
unit in a week (`psu_weights`), A a matrix, or nothing where the measures themselves are asked for.
A stratum that borrows its variance adds that of its donors.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from analytics.arrays import add_at, add_cross_at, cross, rows_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analytics.arrays import Bools, Floats, Ints
    from analytics.survey.design import Borrowing, Design, StratumTreatment
    from analytics.survey.unit_totals import UnitTotals


@dataclass(frozen=True, slots=True)
class Domains:
    """Which columns define a domain, and how a domain is coded.

    A code is ``key · (weeks + 1) + week key``; a key is the code + 1, or 0 where the column was
    not asked for.
    """

    by_area: bool
    by_week: bool
    n_weeks: int

    def code(self, key: Ints, week_key: Ints) -> Ints:
        """Return the code of each (area key, week key)."""
        return key * (self.n_weeks + 1) + week_key

    def area_key(self, area: Ints) -> Ints:
        """Return the key of each area code."""
        return area + 1 if self.by_area else np.zeros_like(area)

    def week_key(self, week: Ints) -> Ints:
        """Return the key of each week code."""
        return week + 1 if self.by_week else np.zeros_like(week)

    def keys(self, code: int) -> tuple[int, int]:
        """Return the area key and week key of a domain."""
        return divmod(code, self.n_weeks + 1)

    def cell(self, code: int) -> tuple[int | None, int | None]:
        """Return the area and week codes of a domain, None for a column not asked for."""
        key, week_key = self.keys(code)
        return key - 1 if key else None, week_key - 1 if week_key else None

    def all_of(self, design: Design) -> Ints:
        """Return the codes of every open domain of a design."""
        return self.codes_of(design.grid)

    def codes_of(self, cells: frozenset[tuple[int, int]]) -> Ints:
        """Return the codes of the domains that some (area, week) lie in."""
        pairs = np.array(sorted(cells), dtype=np.int64).reshape(-1, 2)
        return np.unique(self.code(self.area_key(pairs[:, 0]), self.week_key(pairs[:, 1])))


@dataclass(frozen=True, slots=True, eq=False)
class PsuWeights:
    """How often each site-day counts in each week: ``b`` of T = Σ b/n_h · t (one row a pair)."""

    unit: Ints
    week_key: Ints
    weight: Floats
    is_imputation: Bools


def psu_weights(design: Design, plan: StratumTreatment, domains: Domains) -> PsuWeights:
    """Direct weights N_h in the unit's own week, and the weights with which it imputes others."""
    stratum, week = design.units.stratum, design.units.week
    frame = design.strata.n_frame
    unit = [np.flatnonzero(plan.active & (week < design.n_weeks_estimated))]
    key = [domains.week_key(week[unit[0]])]
    weight = [frame[stratum[unit[0]]]]
    for borrowing in plan.borrowings:
        if not borrowing.is_imputation:
            continue
        donors = np.flatnonzero(plan.active & np.isin(stratum, borrowing.donors))
        unit.append(donors)
        target = np.full(len(donors), design.strata.week[borrowing.stratum])
        key.append(domains.week_key(target))
        weight.append(frame[borrowing.stratum] * plan.n_active[stratum[donors]] / len(donors))
    n_direct, all_keys = len(unit[0]), np.concatenate(key)
    width = int(all_keys.max(initial=0)) + 1
    codes, place = np.unique(np.concatenate(unit) * width + all_keys, return_inverse=True)
    return PsuWeights(
        unit=codes // width,
        week_key=codes % width,
        weight=add_at(place, np.concatenate(weight), len(codes)),
        is_imputation=np.bincount(place[:n_direct], minlength=len(codes)) == 0,
    )


def pair_weights(cells: UnitTotals, weights: PsuWeights) -> tuple[Ints, Ints]:
    """Pair every cell with every weight of its unit; both are sorted by unit."""
    first = np.searchsorted(weights.unit, cells.unit, side="left")
    count = np.searchsorted(weights.unit, cells.unit, side="right") - first
    cell = np.repeat(np.arange(len(cells.unit)), count)
    step = np.arange(len(cell)) - np.repeat(np.cumsum(count) - count, count)
    return cell, np.repeat(first, count) + step


# The linear form, and its first-stage variance.


@dataclass(frozen=True, slots=True, eq=False)
class Borrowed:
    """The totals whose variance a stratum borrows, R rows; `finite` corrects that variance."""

    n_units: int
    cell: Ints
    week_key: Ints
    weight: Floats
    finite: float


@dataclass(frozen=True, eq=False)
class LinearForm:
    """The totals of units with the weights at which they count towards domains.

    `cell` and `link`, shape (P,), pair every total of `cells` with every weight of its unit.
    """

    design: Design
    plan: StratumTreatment
    cells: UnitTotals
    domains: Domains
    weights: PsuWeights
    cell: Ints
    link: Ints

    @classmethod
    def of(
        cls, design: Design, plan: StratumTreatment, cells: UnitTotals, domains: Domains
    ) -> LinearForm:
        """Weight the totals of units over some domains."""
        weights = psu_weights(design, plan, domains)
        return cls(design, plan, cells, domains, weights, *pair_weights(cells, weights))

    @cached_property
    def stratum(self) -> Ints:
        """Stratum of each pair, shape (P,)."""
        return self.design.units.stratum[self.cells.unit[self.cell]]

    @cached_property
    def code(self) -> Ints:
        """Domain of each pair, shape (P,)."""
        return self.domains.code(self.cells.key[self.cell], self.weights.week_key[self.link])

    @cached_property
    def weight(self) -> Floats:
        """``b/n_h`` of each pair, shape (P,)."""
        return self.weights.weight[self.link] / self.plan.n_active[self.stratum]

    @cached_property
    def correction(self) -> Floats:
        """Finite population correction of each stratum, shape (H,)."""
        return finite_population_correction(self.design, self.plan, self.cells)

    @cached_property
    def first_stage_factor(self) -> Floats:
        """Factor of a stratum's sum of squares about its mean, shape (H,)."""
        n = self.plan.n_active.astype(np.float64)
        return np.where(n > 1, self.correction * n / np.maximum(n - 1, 1), 0.0)

    def borrowed(self) -> Iterator[Borrowed]:
        """Return what each stratum borrows.

        A stratum without a sample takes every area that its donors met, with no finite correction;
        one with a single unit only its own area and those that unit met.
        """
        for borrowing in self.plan.borrowings:
            yield (
                self._imputed(borrowing) if borrowing.is_imputation else self._collapsed(borrowing)
            )

    def _imputed(self, borrowing: Borrowing) -> Borrowed:
        strata, rows = self.design.strata, np.flatnonzero(np.isin(self.cells.unit, borrowing.units))
        week_key = self.domains.week_key(strata.week[[borrowing.stratum]])
        weight = strata.n_frame[[borrowing.stratum]]
        return _every_week(len(borrowing.units), rows, week_key, weight, finite=1.0)

    def _collapsed(self, borrowing: Borrowing) -> Borrowed:
        stratum, key, weights = self.design.units.stratum, self.cells.key, self.weights
        rows = np.flatnonzero(np.isin(self.cells.unit, borrowing.units))
        own = (stratum[self.cells.unit] == borrowing.stratum) & (self.cells.n > 0)
        home = self.domains.area_key(self.design.strata.landing_area[[borrowing.stratum]])
        rows = rows[np.isin(key[rows], np.union1d(home, key[own]))]
        mine = stratum[weights.unit] == borrowing.stratum
        finite = float(self.correction[borrowing.stratum])
        return _every_week(
            len(borrowing.units), rows, weights.week_key[mine], weights.weight[mine], finite=finite
        )


def _every_week(
    n_units: int, rows: Ints, week_key: Ints, weight: Floats, *, finite: float
) -> Borrowed:
    return Borrowed(
        n_units,
        np.tile(rows, len(week_key)),
        np.repeat(week_key, len(rows)),
        np.repeat(weight, len(rows)),
        finite,
    )


def finite_population_correction(
    design: Design, plan: StratumTreatment, cells: UnitTotals
) -> Floats:
    """Return ``1 - n_h/N_h``, or 1 where the variance inside a unit is unknown, shape (H,).

    Without its finite correction the first stage is an upper bound of both stages together
    (Cochran 1977, Sampling Techniques, section 11.8; from memory).
    """
    correction = 1 - plan.n_active / design.strata.n_frame
    correction[design.units.stratum[cells.unknown]] = 1
    return correction


def squares_about_mean(
    group: Ints, part: Floats, n: Ints | Floats, size: int, *, pair: Ints
) -> Floats:
    """Return sums of squares and products about the mean of n units a group, shape (size, P).

    Units of a group without a part are zeros; a unit has one part a group at most.
    """
    mean = add_at(group, part, size) / n[:, None]
    squares = add_cross_at(group, part - rows_of(mean, group), size, pair=pair)
    absent = n - np.bincount(group, minlength=size)
    squares += absent[:, None] * cross(mean, pair)
    return squares


def first_stage_variance(
    form: LinearForm, *, stratum: Ints, place: Ints, part: Floats, size: int, pair: Ints
) -> Floats:
    """Return the first-stage (co)variance of strata with two or more units, shape (size, P).

    `part`, shape (R, K), is what a unit of each stratum adds to the domain at each place.
    """
    groups, where = np.unique(stratum * size + place, return_inverse=True)
    of_group = groups // max(size, 1)
    n = form.plan.n_active[of_group].astype(np.float64)
    squares = squares_about_mean(where, part, n, len(groups), pair=pair)
    factor = form.first_stage_factor[of_group]
    return add_at(groups % max(size, 1), factor[:, None] * squares, size)


def add_borrowed(
    cov: Floats, place: Ints, part: Floats, borrowed: Borrowed, factor: Floats, *, pair: Ints
) -> None:
    """Add in place a borrowed first-stage (co)variance to the domains at some places.

    It is `factor`, one number a row, times s² of the parts of a place; NaN where there is one donor
    unit.
    """
    n = borrowed.n_units
    places, first, where = np.unique(place, return_index=True, return_inverse=True)
    if n < 2:
        cov[places] = np.nan
        return
    n_each = np.full(len(places), n)
    variance = squares_about_mean(where, part, n_each, len(places), pair=pair) / (n - 1)
    cov[places] += factor[first][:, None] * variance


def matrices(cov: Floats, pair: Ints, size: int) -> Floats:
    """Return (co)variances of pairs as symmetric matrices, NaN for pairs not asked for."""
    full = np.full((len(cov), size, size), np.nan)
    i, j = pair.T
    full[:, i, j] = cov
    full[:, j, i] = cov
    return full


# Totals in which each area and week counts with a linear map of its own.


@dataclass(frozen=True, slots=True, eq=False)
class LinearMaps:
    """A matrix for each of F cells of area and week.

    Parameters
    ----------
    code : ndarray of int, shape (F,)
        Sorted codes of `area_week_domains`.
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


def area_week_domains(design: Design) -> Domains:
    """Return the domains of area and week, in which maps are coded."""
    return Domains(by_area=True, by_week=True, n_weeks=len(design.weeks))


def aggregate_codes(domains: Domains, fine: Domains, code: Ints) -> Ints:
    """Return the code in `domains` of each code of area and week."""
    key, week_key = np.divmod(code, fine.n_weeks + 1)
    key = key if domains.by_area else np.zeros_like(key)
    week_key = week_key if domains.by_week else np.zeros_like(week_key)
    return domains.code(key, week_key)


def linear_totals(
    design: Design,
    plan: StratumTreatment,
    cells: UnitTotals,
    domains: Domains,
    maps: LinearMaps,
    *,
    codes: Ints,
) -> tuple[Floats, Floats]:
    r"""Return ``T = Σ_c A_c t_c`` over the area-weeks c of each domain, and its covariance.

    As `survey.domain_totals.domain_totals`, with each unit's part ``Σ_c b/n_h A_c t_c``. Boats of
    one site-day that fished in different areas are taken as sampled independently: their small
    negative covariance is left out.

    Parameters
    ----------
    cells : UnitTotals
        By unit and area, of K measures.
    codes : ndarray of int, shape (D,)
        Sorted codes of the domains requested.

    Returns
    -------
    total : ndarray of float, shape (D, J)
    cov : ndarray of float, shape (D, J, J)
        NaN where no error is available.
    """
    size = len(codes)
    form = LinearForm.of(design, plan, cells, area_week_domains(design))
    rows, place = _placed(form.code, form.domains, domains, codes)
    cell, matrix = form.cell[rows], form.weight[rows, None, None] * maps.at(form.code[rows])
    # One map for each cell and domain: weights with which a cell also imputes weeks add up first.
    cell, place, matrix = _sum_alike(cell, place, matrix, size)
    part = np.einsum("pjk,pk->pj", matrix, cells.total[cell])
    pair = np.column_stack(np.triu_indices(part.shape[1]))
    unit, at, by_unit = _sum_alike(cells.unit[cell], place, part, size)
    stratum = design.units.stratum[cells.unit[cell]]
    share = plan.n_active[stratum] / design.strata.n_frame[stratum]
    inside = matrices(cells.second_stage_cov.table[cell], cells.pair, cells.total.shape[1])
    inside = matrix @ inside @ np.swapaxes(matrix, 1, 2)
    cov = add_at(place, share[:, None, None] * inside, size)
    first_stage = first_stage_variance(
        form, stratum=design.units.stratum[unit], place=at, part=by_unit, size=size, pair=pair
    )
    cov += matrices(first_stage, pair, part.shape[1])
    cov[np.unique(place[np.isin(stratum, list(plan.single_psu))])] = np.nan
    for one in form.borrowed():
        code = form.domains.code(cells.key[one.cell], one.week_key)
        rows, at = _placed(code, form.domains, domains, codes)
        donor, scale = one.cell[rows], one.weight[rows, None] * np.sqrt(one.finite)
        moved = scale * np.einsum("pjk,pk->pj", maps.at(code[rows]), cells.total[donor])
        _, at, by_unit = _sum_alike(cells.unit[donor], at, moved, size)
        for domain in np.unique(at):
            cov[domain] += _variance(by_unit[at == domain], one.n_units)
    return add_at(place, part, size), cov


def _variance(totals: Floats, n: int) -> Floats:
    """Return s² of n units of which only those with a total are listed; NaN for one unit."""
    if n < 2:
        return np.full((totals.shape[1], totals.shape[1]), np.nan)
    mean = totals.sum(axis=0) / n
    off = totals - mean
    variance: Floats = (off.T @ off + (n - len(totals)) * np.outer(mean, mean)) / (n - 1)
    return variance


def _placed(code: Ints, fine: Domains, domains: Domains, codes: Ints) -> tuple[Ints, Ints]:
    """Return the rows of areas and weeks that lie in some domains, and the places of these."""
    wider = aggregate_codes(domains, fine, code)
    rows = np.flatnonzero(np.isin(wider, codes))
    return rows, np.searchsorted(codes, wider[rows])


def _sum_alike(row: Ints, place: Ints, values: Floats, size: int) -> tuple[Ints, Ints, Floats]:
    """Add up the values of one row and place; return rows, places and sums, each pair once."""
    alike, where = np.unique(row * size + place, return_inverse=True)
    return alike // max(size, 1), alike % max(size, 1), add_at(where, values, len(alike))

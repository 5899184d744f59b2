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

from analytics.arrays import add_at, add_cross_at, cross, equal_pairs, places_of, rows_of, scaled

if TYPE_CHECKING:
    from analytics.arrays import Bools, Floats, Ints
    from analytics.survey.design import Design, StratumTreatment
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

    def areas_of(self, codes: Ints) -> Ints:
        """Return the area code of each domain; -1 for all areas."""
        return codes // (self.n_weeks + 1) - 1

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
    direct = np.flatnonzero(plan.active & (week < design.n_weeks_estimated))
    some = [one for one in plan.borrowings if one.is_imputation]
    filled = np.array([one.stratum for one in some], dtype=np.int64)
    of = np.repeat(np.arange(len(some)), [len(one.donors) for one in some])
    active = np.flatnonzero(plan.active)
    active = active[np.argsort(stratum[active], kind="stable")]
    donors_of = np.array([one for each in some for one in each.donors], dtype=np.int64)
    row, at = equal_pairs(donors_of, stratum[active])
    of, donors = of[row], active[at]
    n_donors = np.bincount(of, minlength=len(some))
    shared = frame[filled][of] * plan.n_active[stratum[donors]] / n_donors[of]
    unit = np.concatenate([direct, donors])
    key = domains.week_key(np.concatenate([week[direct], design.strata.week[filled][of]]))
    weight = np.concatenate([frame[stratum[direct]], shared])
    width = int(key.max(initial=0)) + 1
    codes, place = np.unique(unit * width + key, return_inverse=True)
    return PsuWeights(
        unit=codes // width,
        week_key=codes % width,
        weight=add_at(place, weight, len(codes)),
        is_imputation=np.bincount(place[: len(direct)], minlength=len(codes)) == 0,
    )


# The linear form, and its first-stage variance.


@dataclass(frozen=True, slots=True, eq=False)
class Borrowed:
    """The totals whose variance strata borrow: R rows of B borrowings, in the order of the plan.

    `of` (R,): the borrowing of each row. `n_units` (B,): units behind the borrowed variance;
    `finite` (B,) corrects it.
    """

    of: Ints
    cell: Ints
    week_key: Ints
    weight: Floats
    n_units: Ints
    finite: Floats


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
        return cls(design, plan, cells, domains, weights, *equal_pairs(cells.unit, weights.unit))

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

    @cached_property
    def borrowed(self) -> Borrowed:
        """What each stratum borrows.

        A stratum without a sample takes every area that its donors met, with no finite correction;
        one with a single unit only its own area and those that unit met.
        """
        some, is_imputation = self.plan.borrowings, self.plan.are_imputed
        n_units = np.array([len(one.units) for one in some], dtype=np.int64)
        units = np.concatenate([np.zeros(0, dtype=np.int64), *(one.units for one in some)])
        of, cell = equal_pairs(units, self.cells.unit)
        of = np.repeat(np.arange(len(some)), n_units)[of]
        mine = is_imputation[of] | self._is_met(of, self.cells.key[cell])
        of, cell = of[mine], cell[mine]
        target, week_key, weight = self._weights_of_borrowers(is_imputation)
        row, link = equal_pairs(of, target)
        finite = np.where(is_imputation, 1.0, self.correction[self.plan.borrowers])
        return Borrowed(of[row], cell[row], week_key[link], weight[link], n_units, finite)

    @cached_property
    def alike(self) -> _Alike:
        """Groups of cells with the same weights."""
        return _Alike.of(self)

    def _is_met(self, of: Ints, key: Ints) -> Bools:
        """Return whether the stratum of each borrowing lies in an area, or its units met it."""
        design, cells = self.design, self.cells
        stratum = self.plan.borrowers
        home = self.domains.area_key(design.strata.landing_area[stratum])
        met = np.flatnonzero(cells.n > 0)
        order = np.argsort(stratum)
        row, at = equal_pairs(design.units.stratum[cells.unit[met]], stratum[order])
        width = int(max(cells.key.max(initial=0), home.max(initial=0))) + 1
        own = order[at] * width + cells.key[met[row]]
        known = np.concatenate([np.arange(len(stratum)) * width + home, own])
        return np.isin(of * width + key, known)

    def _weights_of_borrowers(self, is_imputation: Bools) -> tuple[Ints, Ints, Floats]:
        """Return sorted borrowings with the weeks and weights at which each stratum counts."""
        design, weights = self.design, self.weights
        stratum = self.plan.borrowers
        imputed, collapsed = np.flatnonzero(is_imputation), np.flatnonzero(~is_imputation)
        of_unit = design.units.stratum[weights.unit]
        order = np.argsort(of_unit, kind="stable")
        row, link = equal_pairs(stratum[collapsed], of_unit[order])
        link = order[link]
        filled = stratum[imputed]
        of = np.concatenate([imputed, collapsed[row]])
        week_key = self.domains.week_key(design.strata.week[filled])
        week_key = np.concatenate([week_key, weights.week_key[link]])
        weight = np.concatenate([design.strata.n_frame[filled], weights.weight[link]])
        sort = np.argsort(of, kind="stable")
        return of[sort], week_key[sort], weight[sort]


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
    cov: Floats, of: Ints, place: Ints, part: Floats, borrowed: Borrowed, *, pair: Ints
) -> None:
    """Add in place borrowed first-stage (co)variances to the domains at some places.

    A borrowing `of` adds ``f s²`` of the parts (R, K) of its units at a place, f its finite
    correction; NaN where there is one donor unit.
    """
    size = max(len(cov), 1)
    groups, where = np.unique(of * size + place, return_inverse=True)
    of_group, place_of = np.divmod(groups, size)
    n = borrowed.n_units[of_group]
    squares = squares_about_mean(where, part, n, len(groups), pair=pair)
    factor = np.where(n > 1, borrowed.finite[of_group] / np.maximum(n - 1, 1), np.nan)
    cov += add_at(place_of, factor[:, None] * squares, len(cov))


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
        place = places_of(code, self.code)
        found = np.zeros((len(code), *self.matrix.shape[1:]))
        found[place >= 0] = self.matrix[place[place >= 0]]
        return found


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
    form: LinearForm, domains: Domains, maps: LinearMaps, *, codes: Ints
) -> tuple[Floats, Floats]:
    r"""Return ``T = Σ_c A_c t_c`` over the area-weeks c of each domain, and its covariance.

    As `survey.domain_totals.totals_of_cells`, with each unit's part ``Σ_c b/n_h A_c t_c``. Boats of
    one site-day that fished in different areas are taken as sampled independently: their small
    negative covariance is left out.

    Parameters
    ----------
    form : LinearForm
        Of totals of units by area, of K measures, over `area_week_domains`.
    codes : ndarray of int, shape (D,)
        Sorted codes of the domains requested.

    Returns
    -------
    total : ndarray of float, shape (D, J)
    cov : ndarray of float, shape (D, J, J)
        NaN where no error is available.
    """
    size, cells, stratum_of = len(codes), form.cells, form.design.units.stratum
    alike = form.alike
    pairs = np.flatnonzero(alike.is_first[form.cell])
    rows, place = _placed(form.code[pairs], form.domains, domains, codes)
    rows = pairs[rows]
    matrix = form.weight[rows, None, None] * maps.at(form.code[rows])
    # One map for each group and domain: weights that also impute weeks add up first.
    group, place, matrix = _sum_alike(alike.group[form.cell[rows]], place, matrix, size)
    member, row = equal_pairs(alike.group[alike.cells], group)
    cell = alike.cells[member]
    part = np.einsum("pjk,pk->pj", matrix[row], cells.total[cell])
    pair = np.column_stack(np.triu_indices(part.shape[1]))
    unit, at, by_unit = _sum_alike(cells.unit[cell], place[row], part, size)
    inside = matrices(alike.second_stage(form)[group], cells.pair, cells.total.shape[1])
    cov = add_at(place, matrix @ inside @ np.swapaxes(matrix, 1, 2), size)
    first_stage = first_stage_variance(
        form, stratum=stratum_of[unit], place=at, part=by_unit, size=size, pair=pair
    )
    cov += matrices(first_stage, pair, part.shape[1])
    is_single = np.isin(stratum_of[cells.unit[cell]], list(form.plan.single_psu))
    cov[np.unique(place[row][is_single])] = np.nan
    cov += matrices(_borrowed_by(form, domains, maps, codes=codes, pair=pair), pair, part.shape[1])
    return add_at(place[row], part, size), cov


@dataclass(frozen=True, slots=True, eq=False)
class _Alike:
    """Groups of cells with the same weights: those of one stratum, week and area fished.

    `cells`: those that count at all. `group` (C,): the group of each cell that counts. `is_first`
    (C,): whether a cell is the first of its group.
    """

    cells: Ints
    group: Ints
    is_first: Bools
    size: int

    @classmethod
    def of(cls, form: LinearForm) -> _Alike:
        cells, units = form.cells, form.design.units
        counting = np.unique(form.cell)
        unit, width = cells.unit[counting], int(cells.key.max(initial=0)) + 1
        code = units.stratum[unit] * form.domains.n_weeks + units.week[unit]
        code = code * width + cells.key[counting]
        groups, first, place = np.unique(code, return_index=True, return_inverse=True)
        group, is_first = np.zeros(len(cells.unit), dtype=np.int64), np.zeros(len(cells.unit), bool)
        group[counting], is_first[counting[first]] = place, True
        return cls(counting, group, is_first, len(groups))

    def second_stage(self, form: LinearForm) -> Floats:
        """Return what sampling inside the units of each group adds at weight 1, shape (G, P)."""
        stratum = form.design.units.stratum[form.cells.unit[self.cells]]
        share = form.plan.n_active[stratum] / form.design.strata.n_frame[stratum]
        columns = form.cells.second_stage_cov.each(lambda column: column[..., self.cells])
        return columns.add_at(self.group[self.cells], self.size, factor=share)


def _borrowed_by(
    form: LinearForm, domains: Domains, maps: LinearMaps, *, codes: Ints, pair: Ints
) -> Floats:
    """Return the borrowed (co)variances of mapped totals over wider domains, shape (D, P)."""
    cells, one, cov = form.cells, form.borrowed, np.zeros((len(codes), len(pair)))
    code = form.domains.code(cells.key[one.cell], one.week_key)
    rows, at = _placed(code, form.domains, domains, codes)
    donor = one.cell[rows]
    moved = np.einsum("pjk,pk->pj", maps.at(code[rows]), cells.total[donor])
    # What one unit adds to a domain by several cells of area and week adds up first.
    n_units = len(form.plan.active)
    unit_of, at, by_unit = _sum_alike(
        one.of[rows] * n_units + cells.unit[donor], at, scaled(moved, one.weight[rows]), len(codes)
    )
    add_borrowed(cov, unit_of // max(n_units, 1), at, by_unit, one, pair=pair)
    return cov


def _placed(code: Ints, fine: Domains, domains: Domains, codes: Ints) -> tuple[Ints, Ints]:
    """Return the rows of areas and weeks that lie in some domains, and the places of these."""
    wider = aggregate_codes(domains, fine, code)
    rows = np.flatnonzero(np.isin(wider, codes))
    return rows, np.searchsorted(codes, wider[rows])


def _sum_alike(row: Ints, place: Ints, values: Floats, size: int) -> tuple[Ints, Ints, Floats]:
    """Add up the values of one row and place; return rows, places and sums, each pair once."""
    alike, where = np.unique(row * size + place, return_inverse=True)
    return alike // max(size, 1), alike % max(size, 1), add_at(where, values, len(alike))

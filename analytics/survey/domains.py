"""Which site-days count towards which domain, and with what weight."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.survey.arrays import add_at

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.survey.design import Design
    from analytics.survey.thin_strata import StratumTreatment
    from analytics.survey.unit_totals import UnitTotals

    Ints = NDArray[np.int64]


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
    weight: NDArray[np.float64]
    is_imputation: NDArray[np.bool_]


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

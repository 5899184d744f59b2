"""Thin and empty strata: who lends them a spread or a mean, by named rules.

A stratum with one sampled site-day of several has no spread of its own: it *collapses* with its
nearest sampled neighbour (other day group of the same area and week; then the nearest week; then
another area) and its error comes from the site-days of both about their common mean, as in the
method of collapsed strata (Cochran 1977, Sampling Techniques, section 5A.12; from memory). Its
estimate stays its own.

A stratum with open days and no sampled site-day is *filled* with the mean site-day of the nearest
sampled weeks before and after, same area and day group (any day group of the area where there is
none). Its error is that of the lenders' mean plus that of one site-day drawn from the lenders
(common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.settings import Thin
from analytics.survey.unequal_probability import SiteRule

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.survey.design import Design


@dataclass(frozen=True, slots=True, eq=False)
class Loan:
    """What one stratum borrows.

    Parameters
    ----------
    stratum : int
        The borrower.
    lenders : tuple of int
        Strata it borrows from (for a collapse: without itself).
    units : ndarray of int
        Site-days whose spread is used.
    is_fill : bool
        The stratum has no sample and its mean is borrowed too.
    rule : str
        The rule in words.
    """

    stratum: int
    lenders: tuple[int, ...]
    units: NDArray[np.int64]
    is_fill: bool
    rule: str


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """How each stratum of a design is estimated for one set of answering units.

    Parameters
    ----------
    active : ndarray of bool, shape (U,)
        Units that answer: no boat returned, or at least one gave the number.
    n_active : ndarray of int, shape (H,)
        Answering units a stratum, n_h.
    loans : tuple of Loan
        Strata that borrow.
    lonely : frozenset of int
        Strata with one unit and nobody to borrow from: no error can be had.
    unfilled : frozenset of int
        Strata without a sample that nobody could fill.
    refuses : bool
        The user asked for no number that borrows.
    """

    active: NDArray[np.bool_]
    n_active: NDArray[np.int64]
    loans: tuple[Loan, ...]
    lonely: frozenset[int]
    unfilled: frozenset[int]
    refuses: bool = False


class Plans:
    """The plans of one design, each made once: most quantities have the same answering units."""

    def __init__(self, design: Design, *, thin: Thin = Thin.BORROW) -> None:
        self._design = design
        self._refuses = thin is Thin.REFUSE
        self._made: dict[bytes, Plan] = {}

    def for_answers(self, answered: NDArray[np.float64]) -> Plan:
        """Return the plan for the boats of each site-day that answered.

        Parameters
        ----------
        answered : ndarray of float, shape (S,)
            Boats of each site-day that gave the number.

        Returns
        -------
        Plan
        """
        days = self._design.site_days
        boats = days.boats_returned
        silent = days.unit[~((boats == 0) | ((boats > 0) & (answered > 0)))]
        # A day of which one drawn site is silent leaves whole: the rest is no sample of its design.
        active = np.bincount(silent, minlength=len(self._design.units.stratum)) == 0
        key = active.tobytes()
        if key not in self._made:
            plan = plan_strata(self._design, active)
            self._made[key] = replace(plan, refuses=self._refuses)
        return self._made[key]


def plan_strata(design: Design, active: NDArray[np.bool_]) -> Plan:
    """Decide which strata stand alone, collapse, are filled, or cannot be had.

    Parameters
    ----------
    design : Design
    active : ndarray of bool, shape (U,)
        Units that answer.

    Returns
    -------
    Plan
    """
    units, size = design.units, len(design.strata.label)
    n_active = np.bincount(units.stratum[active], minlength=size)
    single = active & units.drawn_by(SiteRule.SINGLE_DRAW)
    varies = (design.strata.n_frame > 1) | (np.bincount(units.stratum[single], minlength=size) > 0)
    loans: list[Loan] = []
    lonely: set[int] = set()
    unfilled: set[int] = set()
    for stratum in np.flatnonzero(n_active < 2):
        code = int(stratum)
        if n_active[code] == 0:
            loan = _fill(design, active, n_active, code)
            failed = unfilled
        elif varies[code]:
            loan = _collapse(design, active, n_active, code)
            failed = lonely
        else:
            continue  # the only unit of its frame: nothing left to vary
        if loan is None:
            failed.add(code)
        else:
            loans.append(loan)
    return Plan(active, n_active, tuple(loans), frozenset(lonely), frozenset(unfilled))


def _collapse(
    design: Design, active: NDArray[np.bool_], n_active: NDArray[np.int64], code: int
) -> Loan | None:
    strata, when = design.strata, design.week_ordinal
    others = np.flatnonzero((n_active > 0) & (strata.of_days == strata.of_days[code]))
    others = others[others != code]
    if not len(others):
        return None
    other_area = strata.landing_area[others] != strata.landing_area[code]
    weeks_off = np.abs(when[strata.week[others]] - when[strata.week[code]])
    groups_off = np.abs(strata.group[others] - strata.group[code])
    lender = int(others[np.lexsort((others, groups_off, weeks_off, other_area))[0]])
    units = _units_of(design, active, (code, lender))
    unit = strata.unit_word(code)
    rule = f"one {unit}: spread taken together with {_name(design, lender)}"
    return Loan(code, (lender,), units, is_fill=False, rule=rule)


def _fill(
    design: Design, active: NDArray[np.bool_], n_active: NDArray[np.int64], code: int
) -> Loan | None:
    strata, when = design.strata, design.week_ordinal
    near = (n_active > 0) & (strata.landing_area == strata.landing_area[code])
    near &= strata.of_days == strata.of_days[code]  # a day is not a site-day
    same_group = near & (strata.group == strata.group[code])
    pool = np.flatnonzero(same_group if same_group.any() else near)
    if not len(pool):
        return None
    offset = when[strata.week[pool]] - when[strata.week[code]]
    lenders: list[int] = []
    for side in (offset <= 0, offset >= 0):
        if side.any():
            nearest = np.abs(offset[side]).min()
            lenders += [int(one) for one in pool[side][np.abs(offset[side]) == nearest]]
    chosen = tuple(sorted(set(lenders)))
    names = " and ".join(_name(design, lender) for lender in chosen)
    unit = strata.unit_word(code)
    rule = f"no {unit} sampled: filled with the mean {unit} of {names}"
    units = _units_of(design, active, chosen)
    if len(units) < 2:  # a mean of one site-day: its spread comes as if that stratum collapsed
        loan = _collapse(design, active, n_active, chosen[0])
        units = units if loan is None else loan.units
    return Loan(code, chosen, units, is_fill=True, rule=rule)


def _units_of(
    design: Design, active: NDArray[np.bool_], strata: tuple[int, ...]
) -> NDArray[np.int64]:
    return np.flatnonzero(active & np.isin(design.units.stratum, strata))


def _name(design: Design, code: int) -> str:
    return f"{design.areas[design.strata.landing_area[code]]} {design.strata.label[code]}"

"""The design of one season: its strata, their frames, its sampled units, and thin strata.

The design is an object and estimators are verbs on it. A domain (area fished, week) never takes
units out of it: a site-day without the domain counts as a zero.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from analytics.codes import coded
from analytics.settings import ThinStrataPolicy
from analytics.weeks import week_number

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.arrays import Bools, Floats, Ints


#: The design that draws days, then sites within them.
DAY_SITE = "day_site"


class SiteRule(StrEnum):
    """How a day's total follows from its sampled sites; the codes stand in `method`."""

    EVERY_SITE = "every_site"
    MURTHY = "two_sites_murthy"
    HORVITZ_THOMPSON = "sites_horvitz_thompson"
    SINGLE_DRAW = "one_site_drawn"


#: The rules by code.
SITE_RULES: tuple[SiteRule, ...] = tuple(SiteRule)


@dataclass(frozen=True, slots=True, eq=False)
class Strata:
    """The strata of a design; every array is (H,).

    `label`: words for people. `landing_area`, `week`: codes of the landing area and (first) week.
    `group`: day group; 0 where the user named the stratum. `n_frame`: units in the frame, N_h.
    `of_days`: units are days with their sites inside; else site-days. `is_prorated`: the user's
    stratum is still under way and `n_frame` is the part of its frame that is past.
    """

    label: tuple[str, ...]
    landing_area: Ints
    week: Ints
    group: Ints
    n_frame: Floats
    of_days: Bools
    is_prorated: Bools

    def unit_word(self, code: int) -> str:
        """Return what a unit of a stratum is called."""
        return "day" if self.of_days[code] else "site-day"


@dataclass(frozen=True, slots=True, eq=False)
class Units:
    """The primary sampling units: site-days, or days where days are sampled first; arrays are (U,).

    `stratum`, `week`: codes. `rule`: how the unit's total follows from its sites: a place in
    `SITE_RULES`.
    """

    stratum: Ints
    week: Ints
    rule: Ints

    def drawn_by(self, rule: SiteRule) -> Bools:
        """Return which units follow a rule, shape (U,)."""
        follows: Bools = self.rule == SITE_RULES.index(rule)
        return follows


@dataclass(frozen=True, slots=True, eq=False)
class SiteDays:
    """The sampled site-days, S of them, each in one unit.

    `boats_returned` (S,): M_i; NaN where not recorded. `weight` (S,): w of the unit's total ``Σ w_i
    t_i``; 1 where every site was sampled. `pair` (P, 2): site-days i and j (i = j included) of one
    unit, with `form` (P,): a of the variance ``Σ a_ij t_i t_j`` of a unit's total from the choice
    of its sites.
    """

    sample_id: NDArray[np.object_]
    unit: Ints
    boats_returned: Floats
    weight: Floats
    pair: Ints
    form: Floats

    @classmethod
    def alone(cls, sample_id: NDArray[np.object_], boats_returned: Floats) -> SiteDays:
        """Return site-days of which each is a unit of its own."""
        size, no_pair = len(sample_id), np.zeros((0, 2), dtype=np.int64)
        return cls(sample_id, np.arange(size), boats_returned, np.ones(size), no_pair, np.zeros(0))


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """One season through one week, as sampled.

    Parameters
    ----------
    season, through : str
        Season, and its last week that is estimated.
    areas, weeks : tuple of str
        What the codes stand for; `weeks` in order.
    grid : frozenset of (int, int)
        Codes (area, week) that are open or were sampled: the domains that get rows.
    strata, units, site_days : Strata, Units, SiteDays
        The frame and the sample.
    no_design : frozenset of (int, int)
        Codes (landing area, week) that are open by interviews of convenience only: no totals.
    part_drawn : frozenset of (int, int)
        Codes (landing area, week) of which some days are drawn and others met by convenience: no
        totals either, the days met by convenience would be missing in them.
    """

    season: str
    through: str
    areas: tuple[str, ...]
    weeks: tuple[str, ...]
    grid: frozenset[tuple[int, int]]
    strata: Strata
    units: Units
    site_days: SiteDays
    no_design: frozenset[tuple[int, int]]
    part_drawn: frozenset[tuple[int, int]] = frozenset()

    @property
    def without_totals(self) -> frozenset[tuple[int, int]]:
        """Codes (landing area, week) that interviews of convenience keep from having totals."""
        return self.no_design | self.part_drawn

    @property
    def areas_without_design(self) -> frozenset[int]:
        """Codes of areas that were sampled by convenience in some week."""
        return frozenset(area for area, _ in self.without_totals)

    @property
    def n_weeks_estimated(self) -> int:
        """Number of weeks that are estimated; strata of the user may hold units of later ones."""
        return sum(week <= self.through for week in self.weeks)

    @property
    def week_ordinal(self) -> Ints:
        """Weeks as integers since an origin, so that closures count in distances."""
        return np.array([week_number(week) for week in self.weeks], dtype=np.int64)


# Thin and empty strata: their donors of a variance or a mean, by named rules.
#
# A stratum with one sampled site-day of several has no variance of its own: it *collapses* with its
# nearest sampled neighbour (other day group of the same area and week; then the nearest week; then
# another area) and its error comes from the site-days of both about their common mean, as in the
# method of collapsed strata (Cochran 1977, Sampling Techniques, section 5A.12; from memory). Its
# estimate stays its own.
#
# A stratum with open days and no sampled site-day is *imputed* with the mean site-day of the
# nearest sampled weeks before and after, same area and day group (any day group of the area where
# there is none). Its error is that of the donors' mean plus that of one site-day drawn from the
# donors (common practice, no source).
#
# A day with boats and no interview is *missed*: its boats are known, and what is not is taken as
# its boats times the stratum's mean per boat (`survey.unit_totals.with_missed_days`). Without it
# the busy days, which are the ones missed, would leave the sample. A stratum of which no day has an
# interview keeps none of them.


@dataclass(frozen=True, slots=True, eq=False)
class Borrowing:
    """What one stratum borrows, by a rule (a code): the variance of some units of its donors.

    A collapse has donors without the stratum itself. `is_imputation`: the stratum has no sample and
    its mean is borrowed too.
    """

    stratum: int
    donors: tuple[int, ...]
    units: Ints
    is_imputation: bool
    rule: str


@dataclass(frozen=True, slots=True, eq=False)
class StratumTreatment:
    """How each stratum of a design is estimated for one set of units with interviews.

    Parameters
    ----------
    active : ndarray of bool, shape (U,)
        Units that responded: no boat returned, or at least one gave the number; and those `missed`.
    n_active : ndarray of int, shape (H,)
        Answering units a stratum, n_h.
    borrowings : tuple of Borrowing
        Strata that borrow.
    single_psu : frozenset of int
        Strata with one unit and no donor: no error is available.
    not_imputed : frozenset of int
        Strata without a sample and without a donor.
    refuses : bool
        The user asked for no number that borrows.
    missed : ndarray of bool, shape (S,)
        Site-days with boats of which none gave the number, in a stratum where others did: their
        boats times the stratum's mean per boat are taken.
    """

    active: Bools
    n_active: Ints
    borrowings: tuple[Borrowing, ...]
    single_psu: frozenset[int]
    not_imputed: frozenset[int]
    refuses: bool = False
    missed: Bools = field(default_factory=lambda: np.zeros(0, dtype=bool))

    @property
    def borrowers(self) -> Ints:
        """The stratum of each borrowing, shape (B,)."""
        return np.array([one.stratum for one in self.borrowings], dtype=np.int64)

    @property
    def are_imputed(self) -> Bools:
        """Whether each borrowing is of a stratum without a sample, shape (B,)."""
        return np.array([one.is_imputation for one in self.borrowings], dtype=bool)

    def strata_with_missed_days(self, design: Design) -> Ints:
        """Return the strata of which some site-day was missed, sorted."""
        return np.unique(design.units.stratum[design.site_days.unit[np.flatnonzero(self.missed)]])


class StratumTreatments:
    """The plans of one design, each made once: most quantities have the same responding units."""

    def __init__(self, design: Design, *, thin: ThinStrataPolicy = ThinStrataPolicy.BORROW) -> None:
        self._design = design
        self._refuses = thin is ThinStrataPolicy.REFUSE
        self._made: dict[bytes, StratumTreatment] = {}

    def for_interviewed(self, interviewed: Floats) -> StratumTreatment:
        """Return the plan for the boats of each site-day that gave the number, shape (S,)."""
        active, missed = _responses(self._design, interviewed, refuses=self._refuses)
        key = active.tobytes() + missed.tobytes()
        if key not in self._made:
            plan = treat_thin_strata(self._design, active)
            self._made[key] = replace(plan, refuses=self._refuses, missed=missed)
        return self._made[key]


def _responses(design: Design, interviewed: Floats, *, refuses: bool) -> tuple[Bools, Bools]:
    """Return the units that responded (U,), and the site-days to take from their boats (S,).

    A day of which one drawn site is silent is left out entirely: the rest is no sample of its
    design.
    """
    unit, boats = design.site_days.unit, design.site_days.boats_returned
    n_units = len(design.units.week)
    counted = np.bincount(unit[np.isnan(boats)], minlength=n_units) == 0
    silent = (boats > 0) & ~(interviewed > 0)
    missed = np.zeros(len(unit), dtype=bool)
    if silent.any() and not refuses:
        stratum = design.units.stratum[unit]
        gave = (boats > 0) & (interviewed > 0) & counted[unit]
        missed = silent & counted[unit] & np.isin(stratum, stratum[gave])
    return counted & (np.bincount(unit[silent & ~missed], minlength=n_units) == 0), missed


def treat_thin_strata(design: Design, active: Bools) -> StratumTreatment:
    """Decide which strata stand alone, collapse, are imputed, or are not available.

    `active` (U,): units that responded.
    """
    units, size = design.units, len(design.strata.label)
    n_active = np.bincount(units.stratum[active], minlength=size)
    single = active & units.drawn_by(SiteRule.SINGLE_DRAW)
    varies = (design.strata.n_frame > 1) | (np.bincount(units.stratum[single], minlength=size) > 0)
    borrowings: list[Borrowing] = []
    single_psu: set[int] = set()
    not_imputed: set[int] = set()
    for stratum in np.flatnonzero(n_active < 2):
        code = int(stratum)
        if n_active[code] == 0:
            borrowing = _fill(design, active, n_active, code)
            failed = not_imputed
        elif varies[code]:
            borrowing = _collapse(design, active, n_active, code)
            failed = single_psu
        else:
            continue  # the only unit of its frame: nothing left to vary
        if borrowing is None:
            failed.add(code)
        else:
            borrowings.append(borrowing)
    return StratumTreatment(
        active, n_active, tuple(borrowings), frozenset(single_psu), frozenset(not_imputed)
    )


def _collapse(design: Design, active: Bools, n_active: Ints, code: int) -> Borrowing | None:
    strata, when = design.strata, design.week_ordinal
    others = np.flatnonzero((n_active > 0) & (strata.of_days == strata.of_days[code]))
    others = others[others != code]
    if not len(others):
        return None
    other_area = strata.landing_area[others] != strata.landing_area[code]
    weeks_off = np.abs(when[strata.week[others]] - when[strata.week[code]])
    groups_off = np.abs(strata.group[others] - strata.group[code])
    donor = int(others[np.lexsort((others, groups_off, weeks_off, other_area))[0]])
    units = _units_of(design, active, (code, donor))
    unit = strata.unit_word(code)
    rule = coded("collapsed_with", unit=unit, donors=[_name(design, donor)])
    return Borrowing(code, (donor,), units, is_imputation=False, rule=rule)


def _fill(design: Design, active: Bools, n_active: Ints, code: int) -> Borrowing | None:
    strata, when = design.strata, design.week_ordinal
    near = (n_active > 0) & (strata.landing_area == strata.landing_area[code])
    near &= strata.of_days == strata.of_days[code]  # a day is not a site-day
    same_group = near & (strata.group == strata.group[code])
    pool = np.flatnonzero(same_group if same_group.any() else near)
    if not len(pool):
        return None
    offset = when[strata.week[pool]] - when[strata.week[code]]
    donors: list[int] = []
    for side in (offset <= 0, offset >= 0):
        if side.any():
            nearest = np.abs(offset[side]).min()
            donors += [int(one) for one in pool[side][np.abs(offset[side]) == nearest]]
    chosen = tuple(sorted(set(donors)))
    names = [_name(design, donor) for donor in chosen]
    rule = coded("imputed_from", unit=strata.unit_word(code), donors=names)
    units = _units_of(design, active, chosen)
    if len(units) < 2:  # a mean of one site-day: its variance comes as if that stratum collapsed
        borrowing = _collapse(design, active, n_active, chosen[0])
        units = units if borrowing is None else borrowing.units
    return Borrowing(code, chosen, units, is_imputation=True, rule=rule)


def _units_of(design: Design, active: Bools, strata: tuple[int, ...]) -> Ints:
    return np.flatnonzero(active & np.isin(design.units.stratum, strata))


def _name(design: Design, code: int) -> str:
    return f"{design.areas[design.strata.landing_area[code]]}:{design.strata.label[code]}"

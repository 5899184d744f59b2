"""The design of one season: its strata, their frames and its sampled units.

The design is an object and estimators are verbs on it. A domain (area fished, week) never takes
units out of it: a site-day without the domain counts as a zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.survey.unequal_probability import SiteRule
from analytics.weeks import week_number

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]


#: The rules by code.
SITE_RULES: tuple[SiteRule, ...] = tuple(SiteRule)


@dataclass(frozen=True, slots=True, eq=False)
class Strata:
    """The strata of a design, H of them.

    Parameters
    ----------
    label : tuple of str, length H
        Words for people.
    landing_area : ndarray of int, shape (H,)
        Code of the landing area.
    week : ndarray of int, shape (H,)
        Code of the (first) week.
    group : ndarray of int, shape (H,)
        Day group; 0 where the user named the stratum.
    n_frame : ndarray of float, shape (H,)
        Units in the frame, N_h.
    of_days : ndarray of bool, shape (H,)
        Its units are days with their sites inside; else site-days.
    """

    label: tuple[str, ...]
    landing_area: Ints
    week: Ints
    group: Ints
    n_frame: Floats
    of_days: Bools

    def unit_word(self, code: int) -> str:
        """Return what a unit of a stratum is called."""
        return "day" if self.of_days[code] else "site-day"


@dataclass(frozen=True, slots=True, eq=False)
class Units:
    """The primary sampling units, U of them: site-days, or days where days are drawn first.

    Parameters
    ----------
    stratum, week : ndarray of int, shape (U,)
        Codes of stratum and week.
    n_sites, n_sites_frame : ndarray of int, shape (U,)
        Sites sampled in the unit, and sites it has.
    rule : ndarray of int, shape (U,)
        How the unit's total follows from its sites: a place in `SITE_RULES`.
    """

    stratum: Ints
    week: Ints
    n_sites: Ints
    n_sites_frame: Ints
    rule: Ints

    def drawn_by(self, rule: SiteRule) -> Bools:
        """Return which units follow a rule, shape (U,)."""
        follows: Bools = self.rule == SITE_RULES.index(rule)
        return follows


@dataclass(frozen=True, slots=True, eq=False)
class SiteDays:
    """The sampled site-days, S of them, each in one unit.

    - `sample_id` (S,): their keys.
    - `unit` (S,): the unit of each.
    - `boats_returned` (S,): M_i; NaN where not recorded.
    - `weight` (S,): w of the unit's total ``Σ w_i t_i``; 1 where every site was sampled.
    - `pair` (P, 2): site-days i and j (i = j included) of one unit.
    - `form` (P,): a of the variance ``Σ a_ij t_i t_j`` of a unit's total from the choice of its
      sites.
    """

    sample_id: NDArray[np.object_]
    unit: Ints
    boats_returned: Floats
    weight: Floats
    pair: Ints
    form: Floats


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

    @property
    def areas_without_design(self) -> frozenset[int]:
        """Codes of areas that were sampled by convenience in some week."""
        return frozenset(area for area, _ in self.no_design)

    @property
    def n_weeks_estimated(self) -> int:
        """Number of weeks that are estimated; strata of the user may hold units of later ones."""
        return sum(week <= self.through for week in self.weeks)

    @property
    def week_ordinal(self) -> Ints:
        """Weeks as integers since an origin, so that closures count in distances."""
        return np.array([week_number(week) for week in self.weeks], dtype=np.int64)

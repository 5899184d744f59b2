"""Catch per boat-hour in each area and week, from complete trips or from trips under way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.survey.convenience import clustered_sums
from analytics.survey.mapped import fine_domains
from analytics.survey.ratios import all_over_last
from analytics.survey.reach import Domains
from analytics.survey.totals import domain_totals

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.survey.design import Design
    from analytics.survey.reduce import Analysis, Moments, Reduction
    from analytics.survey.totals import DomainTotals
    from analytics.survey.ways import Drawn

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]

#: Site-days, or days, that a rate's own spread takes.
FEWEST = 2


@dataclass(frozen=True, slots=True, eq=False)
class CellRates:
    """Catch per boat-hour of F cells of area and week.

    Complete trips tell the rate of a cell (ratio of means) where they were interviewed on two
    site-days or more; else trips under way do where there are any (mean of ratios); else what
    complete trips there are, of lenders where the cell itself has none. A rate that rests on one
    site-day or day takes its spread about the area's rate of all weeks (common practice, no
    source).

    Parameters
    ----------
    code : ndarray of int, shape (F,)
        Sorted codes of `analytics.survey.mapped.fine_domains`.
    rate : ndarray of float, shape (F, K)
        0 where there is none.
    about : ndarray of float, shape (F, K)
        The rate about which the residuals of complete trips are taken.
    cov : ndarray of float, shape (F, K, K)
        NaN where no error can be had.
    hours : ndarray of float, shape (F,)
        Boat-hours of complete trips, as expanded.
    is_complete, is_under_way : ndarray of bool, shape (F,)
        Which trips tell the rate; neither where there is none.
    is_imputed, is_collapsed : ndarray of bool, shape (F,)
        How strata of the complete trips behind a rate were treated.
    n_days, n_interviews : ndarray of int, shape (F,)
        Days and interviews of the trips under way behind a rate.
    """

    code: Ints
    rate: Floats
    about: Floats
    cov: Floats
    hours: Floats
    is_complete: Bools
    is_under_way: Bools
    is_imputed: Bools
    is_collapsed: Bools
    n_days: Ints
    n_interviews: Ints

    def of(self, rows: Bools) -> CellRates:
        """Return some of the cells."""
        return CellRates(*(getattr(self, name)[rows] for name in CellRates.__slots__))


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """Rates of one kind of trip: F cells, NaN or 0 where there is none."""

    rate: Floats
    about: Floats
    cov: Floats
    n_seen: Ints


def cell_rates(
    drawn: Drawn, under_way: tuple[Design, Reduction] | None, asked: Analysis
) -> CellRates:
    """Return the rates of every open area and week, and of every other where boats fished.

    Parameters
    ----------
    drawn : Drawn
        Complete trips, from sampled units.
    under_way : tuple of Design and Reduction, optional
        Trips that were not over.
    asked : Analysis
        Of K measures and, last, boat-hours.

    Returns
    -------
    CellRates
    """
    fine = fine_domains(drawn.design)
    moments = drawn.reduction.moments(asked)
    totals = domain_totals(drawn.design, moments, fine, plans=drawn.plans)
    codes = np.union1d(fine.all_of(drawn.design), totals.code[totals.total[:, -1] > 0])
    at = np.searchsorted(totals.code, codes)
    hours, own = totals.total[at, -1], totals.support.n_interviews[at] > 0
    complete = _complete(drawn, moments, totals, codes)
    met, n_interviews = _under_way(under_way, asked, fine, codes, k=complete.rate.shape[1])
    use_met = (met.n_seen > 0) & ~(own & (complete.n_seen >= FEWEST))
    is_complete = (hours > 0) & ~use_met
    told = is_complete | use_met
    rate = np.where(use_met[:, None], met.rate, complete.rate)
    cov = np.where(use_met[:, None, None], met.cov, complete.cov)
    return CellRates(
        code=codes,
        rate=np.where(told[:, None], rate, 0.0),
        about=np.where(is_complete[:, None], complete.about, 0.0),
        cov=np.where(told[:, None, None], cov, 0.0),
        hours=hours,
        is_complete=is_complete,
        is_under_way=use_met,
        is_imputed=is_complete & totals.support.is_imputed[at],
        is_collapsed=is_complete & totals.support.is_collapsed[at],
        n_days=np.where(use_met, met.n_seen, 0),
        n_interviews=np.where(use_met, n_interviews, 0),
    )


def _area_of(codes: Ints, fine: Domains) -> tuple[Domains, Ints]:
    """Return the domains of areas, and the code of each cell's area in them."""
    areas = Domains(by_area=True, by_week=False, n_weeks=fine.n_weeks)
    key = codes // (fine.n_weeks + 1)
    return areas, areas.code(key, np.zeros_like(key))


def _complete(drawn: Drawn, moments: Moments, totals: DomainTotals, codes: Ints) -> _Told:
    """Return the ratios of means of complete trips, from their totals by area and week."""
    areas, of_area = _area_of(codes, fine_domains(drawn.design))
    wide = domain_totals(drawn.design, moments, areas, plans=drawn.plans)
    at, there = np.searchsorted(totals.code, codes), np.searchsorted(wide.code, of_area)
    total, n_seen = totals.total[at], totals.support.n_seen[at]
    rate, _ = all_over_last(total, totals.cov[at])
    of_all, _ = all_over_last(wide.total[there], wide.cov[there])
    alone = n_seen < FEWEST
    about = np.where(alone[:, None], of_all, rate)
    _, cov = all_over_last(total, totals.cov[at], about=about)
    cov[alone & (wide.support.n_seen[there] < FEWEST)] = np.nan
    return _Told(rate, np.nan_to_num(about), cov, n_seen)


def _under_way(
    under_way: tuple[Design, Reduction] | None,
    asked: Analysis,
    fine: Domains,
    codes: Ints,
    *,
    k: int,
) -> tuple[_Told, Ints]:
    """Return the means of ratios of trips under way, and how many trips they rest on."""
    none = np.zeros(len(codes), dtype=np.int64)
    if under_way is None:
        nothing = np.zeros((len(codes), k))
        return _Told(nothing, nothing, np.zeros((len(codes), k, k)), none), none
    by_day, reduction = under_way
    moments = reduction.moments(asked)
    every = np.ones(len(moments.n), dtype=bool)
    areas, of_area = _area_of(codes, fine)
    met = clustered_sums(by_day, moments, fine, codes=codes, mine=every)
    wide = clustered_sums(by_day, moments, areas, codes=np.unique(of_area), mine=every)
    there = np.searchsorted(wide.code, of_area)
    rate, cov = all_over_last(met.total, met.cov)
    of_all, _ = all_over_last(wide.total, wide.cov)
    # One day: the spread of the area's days about its rate, one day's worth.
    one_day = wide.cov / np.maximum(wide.n_clusters, 1)[:, None, None]
    _, alone = all_over_last(met.total, one_day[there], about=of_all[there])
    cov = np.where((met.n_clusters < FEWEST)[:, None, None], alone, cov)
    return _Told(rate, rate, cov, met.n_clusters), met.n_interviews

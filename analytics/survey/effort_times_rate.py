"""Totals as effort times catch rate: boat-hours from counts on the water, rates from interviews."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.arrays import add_at, any_at, count_at, places_of
from analytics.codes import coded, join_codes
from analytics.data import query
from analytics.data.calendar import season_days, trip_tables
from analytics.propagation import joint_df
from analytics.survey.boat_counts import Counted, count_boats
from analytics.survey.domain_totals import (
    DomainTotals,
    all_over_last,
    totals_of_cells,
)
from analytics.survey.domains import (
    Domains,
    LinearMaps,
    aggregate_codes,
    area_week_domains,
    linear_totals,
)
from analytics.survey.estimators import DerivedEstimator, clustered_sums
from analytics.survey.reduction import EFFORT, Analysis

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from analytics.arrays import Bools, Floats, Ints
    from analytics.data.snapshot import Snapshot
    from analytics.survey.design import Design
    from analytics.survey.domains import LinearForm
    from analytics.survey.estimators import DesignEstimator, UnitsOf
    from analytics.survey.reduction import Measure, Reduction
    from analytics.survey.support import Support

__all__ = [
    "CellRates",
    "Counted",
    "EffortTimesRateEstimator",
    "cell_rates",
    "count_boats",
    "incomplete_trips",
    "rate_measures",
    "with_boat_hours",
]

# Catch per boat-hour in each area and week, from complete trips or from trips under way.

#: Site-days, or days, that a rate's own variance takes.
FEWEST = 2


@dataclass(frozen=True, slots=True, eq=False)
class CellRates:
    """Catch per boat-hour of F cells of area and week, sorted by `code` of `area_week_domains`.

    Complete trips give the rate of a cell (ratio of means) where they were interviewed on two
    site-days or more; else trips under way do where there are any (mean of ratios); else what
    complete trips there are, of donors where the cell itself has none. A rate that rests on one
    site-day or day takes its variance about the area's rate of all weeks (common practice, no
    source).

    `rate` (F, K): 0 where there is none. `about` (F, K): the rate about which the residuals of
    complete trips are taken. `cov` (F, K, K): NaN where no error is available. `hours` (F,):
    boat-hours of complete trips, as expanded. `is_imputed`, `is_collapsed` (F,): treatment of the
    strata behind a rate of complete trips. `n_days`, `n_interviews` (F,): of the trips under way
    behind a rate.
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
class _TripRates:
    """Rates of one kind of trip: F cells, NaN or 0 where there is none."""

    rate: Floats
    about: Floats
    cov: Floats
    n_psu_interviewed: Ints


def cell_rates(
    drawn: DesignEstimator, under_way: tuple[Design, Reduction] | None, asked: Analysis
) -> CellRates:
    """Return the rates of every open area and week, and of every other where boats fished.

    `under_way`: trips that were not over. `asked`: of K measures and, last, boat-hours.
    """
    fine = area_week_domains(drawn.design)
    units = drawn.units(asked)
    totals = units.totals(fine)
    codes = np.union1d(fine.all_of(drawn.design), totals.code[totals.total[:, -1] > 0])
    at = np.searchsorted(totals.code, codes)
    hours, own = totals.total[at, -1], totals.support.n_interviews[at] > 0
    complete = _complete(units, totals, codes)
    met, n_interviews = _under_way(under_way, asked, fine, codes, k=complete.rate.shape[1])
    use_met = (met.n_psu_interviewed > 0) & ~(own & (complete.n_psu_interviewed >= FEWEST))
    is_complete = (hours > 0) & ~use_met
    has_rate = is_complete | use_met
    rate = np.where(use_met[:, None], met.rate, complete.rate)
    cov = np.where(use_met[:, None, None], met.cov, complete.cov)
    return CellRates(
        code=codes,
        rate=np.where(has_rate[:, None], rate, 0.0),
        about=np.where(is_complete[:, None], complete.about, 0.0),
        cov=np.where(has_rate[:, None, None], cov, 0.0),
        hours=hours,
        is_complete=is_complete,
        is_under_way=use_met,
        is_imputed=is_complete & totals.support.is_imputed[at],
        is_collapsed=is_complete & totals.support.is_collapsed[at],
        n_days=np.where(use_met, met.n_psu_interviewed, 0),
        n_interviews=np.where(use_met, n_interviews, 0),
    )


def _area_of(codes: Ints, fine: Domains) -> tuple[Domains, Ints]:
    """Return the domains of areas, and the code of each cell's area in them."""
    areas = Domains(by_area=True, by_week=False, n_weeks=fine.n_weeks)
    key = codes // (fine.n_weeks + 1)
    return areas, areas.code(key, np.zeros_like(key))


def _complete(units: UnitsOf, totals: DomainTotals, codes: Ints) -> _TripRates:
    """Return the ratios of means of complete trips, from their totals by area and week."""
    areas, of_area = _area_of(codes, area_week_domains(units.design))
    wide = units.totals(areas)
    at, there = np.searchsorted(totals.code, codes), np.searchsorted(wide.code, of_area)
    total, n_psu_interviewed = totals.total[at], totals.support.n_psu_interviewed[at]
    rate, _ = all_over_last(total, totals.cov[at])
    of_all, _ = all_over_last(wide.total[there], wide.cov[there])
    alone = n_psu_interviewed < FEWEST
    about = np.where(alone[:, None], of_all, rate)
    _, cov = all_over_last(total, totals.cov[at], about=about)
    cov[alone & (wide.support.n_psu_interviewed[there] < FEWEST)] = np.nan
    return _TripRates(rate, np.nan_to_num(about), cov, n_psu_interviewed)


def _under_way(
    under_way: tuple[Design, Reduction] | None,
    asked: Analysis,
    fine: Domains,
    codes: Ints,
    *,
    k: int,
) -> tuple[_TripRates, Ints]:
    """Return the means of ratios of trips under way, and how many trips they rest on."""
    none = np.zeros(len(codes), dtype=np.int64)
    if under_way is None:
        nothing = np.zeros((len(codes), k))
        return _TripRates(nothing, nothing, np.zeros((len(codes), k, k)), none), none
    by_day, reduction = under_way
    moments = reduction.moments(asked)
    every = np.ones(len(moments.n), dtype=bool)
    areas, of_area = _area_of(codes, fine)
    met = clustered_sums(by_day, moments, fine, codes=codes, mine=every)
    wide = clustered_sums(by_day, moments, areas, codes=np.unique(of_area), mine=every)
    there = np.searchsorted(wide.code, of_area)
    rate, cov = all_over_last(met.total, met.cov)
    of_all, _ = all_over_last(wide.total, wide.cov)
    # One day: the variance of the area's days about its rate, one day's worth.
    one_day = wide.cov / np.maximum(wide.n_clusters, 1)[:, None, None]
    _, alone = all_over_last(met.total, one_day[there], about=of_all[there])
    cov = np.where((met.n_clusters < FEWEST)[:, None, None], alone, cov)
    return _TripRates(rate, rate, cov, met.n_clusters), met.n_interviews


_TRIPS = {"boat_trips", "angler_trips"}


def with_boat_hours(analysis: Analysis) -> Analysis:
    """Return an analysis with boat-hours as its last measure."""
    return Analysis((*analysis.measures, *EFFORT), analysis.given)


@dataclass(frozen=True, slots=True, eq=False)
class EffortTimesRateEstimator(DerivedEstimator):
    r"""Totals of a season from counted effort.

    In each area and week c, ``T = E_c R_c`` with E the boat-hours counted and R the catch per
    boat-hour of interviews; wider domains add these up. ``v(T) = R² v(E) + E² v(R) - v(E) v(R)``
    for the product of independent estimates (Goodman 1960, On the exact variance of products, J.
    Am. Stat. Assoc. 55); what the same site-days or counted days add to several cells counts once
    in a linear form (`analytics.survey.domains`).

    Parameters
    ----------
    sampled : DesignEstimator
        Complete trips, from sampled units; asked with `with_boat_hours`.
    under_way : tuple of Design and Reduction, optional
        Trips that were not over: the day of an area is the unit.
    """

    counted: Counted
    under_way: tuple[Design, Reduction] | None = None
    _efforts: dict[Domains, DomainTotals] = field(default_factory=dict)
    _parts: dict[Analysis, _Parts] = field(default_factory=dict)

    def has_responses(self, analysis: Analysis) -> bool:
        """Return whether any interview gave the numbers, or no boat was there to ask."""
        responding = self.under_way is not None and self.under_way[1].n_responding(
            with_boat_hours(analysis)
        )
        return bool(responding) or self.sampled.has_responses(with_boat_hours(analysis))

    def _totals(self, analysis: Analysis, domains: Domains) -> DomainTotals:
        fine, asked = area_week_domains(self.design), with_boat_hours(analysis)
        if asked not in self._parts:
            self._parts[asked] = self._parts_of(asked, fine)
        parts = self._parts[asked]
        cells, rates = parts.cells, parts.cells.rates
        of_domain = aggregate_codes(domains, fine, rates.code)
        codes = np.union1d(domains.all_of(self.design), of_domain)
        place = np.searchsorted(codes, of_domain)
        total, v_effort = linear_totals(
            self.counted.form,
            domains,
            LinearMaps(cells.code, rates.rate[:, :, None]),
            codes=codes,
        )
        v_rate = self._from_interviews(parts, domains, codes=codes, place=place)
        sampled = self.sampled.totals(asked, domains)
        days = _aligned(self._effort(domains), codes)
        own = _aligned(sampled, codes)
        return DomainTotals(
            code=codes,
            total=total,
            cov=v_effort + v_rate,
            support=_support(own, days, cells, place, v_effort=v_effort, v_rate=v_rate),
            plan=sampled.plan,
            product_term=-add_at(place, cells.variance[:, None, None] * rates.cov, len(codes)),
            notes=self._notes(cells, place, days),
            lost=_lost(self.design, fine, cells, place, len(codes)),
            missing=_missing(analysis, cells, place, len(codes)),
            estimator="counted_effort_times_rate",
        )

    def _effort(self, domains: Domains) -> DomainTotals:
        """Return the boat-hours of every domain."""
        if domains not in self._efforts:
            design, plan, cells = self.counted.design, self.counted.plan, self.counted.cells
            interviewed = np.zeros(len(design.site_days.unit))
            keyed = replace(cells, key=domains.area_key(cells.key - 1))
            self._efforts[domains] = totals_of_cells(
                design, plan, keyed, domains, interviewed=interviewed
            )
        return self._efforts[domains]

    def _parts_of(self, asked: Analysis, fine: Domains) -> _Parts:
        """Return what the totals of an analysis over any domains rest on."""
        rates = cell_rates(self.sampled, self.under_way, asked)
        cells, k = _Cells.of(rates, self._effort(fine)), rates.rate.shape[1]
        # Linearised: E/X (y - R x) for each site-day.
        per_hour = cells.effort / np.where(rates.hours > 0, rates.hours, 1.0)
        factor = np.where(rates.is_complete, per_hour, 0.0)
        residual = np.concatenate(
            [np.broadcast_to(np.eye(k), (len(factor), k, k)), -rates.about[:, :, None]], axis=2
        )
        maps = LinearMaps(cells.code, factor[:, None, None] * residual)
        return _Parts(cells, self.sampled.units(asked).form, maps)

    def _from_interviews(
        self, parts: _Parts, domains: Domains, *, codes: Ints, place: Ints
    ) -> Floats:
        """Return the part of the covariance that comes from the interviews, shape (D, K, K)."""
        cells, rates = parts.cells, parts.cells.rates
        _, cov = linear_totals(parts.form, domains, parts.maps, codes=codes)
        unknown = np.isnan(rates.cov).any(axis=(1, 2))
        apart = rates.is_under_way | unknown
        own = np.where(apart, cells.effort, 0.0)
        own_cov = np.where(apart[:, None, None], rates.cov, 0.0)
        return cov + add_at(place, own[:, None, None] ** 2 * own_cov, len(codes))

    def _notes(self, cells: _Cells, place: Ints, days: Support) -> tuple[str, ...]:
        """Say on what effort and rate of each domain rest."""
        size = len(days.n_psu)
        complete = any_at(place[cells.rates.is_complete], size)
        under_way = any_at(place[cells.rates.is_under_way], size)
        notes = []
        for at in range(size):
            counted = coded(
                "counted_days",
                days=int(days.n_psu[at]),
                frame=int(days.n_psu_frame[at]),
            )
            hours = self.counted.day_hours
            length = (
                coded("over_daylight") if hours is None else coded("over_hours", hours=f"{hours:g}")
            )
            rates = [coded("complete_trip_rate")] * bool(complete[at])
            rates += [coded("under_way_rate")] * bool(under_way[at])
            notes.append(join_codes([counted, length, *rates]))
        return tuple(notes)


@dataclass(frozen=True, slots=True, eq=False)
class _Cells:
    """Area-weeks with their rates and boat-hours, F of them."""

    code: Ints
    rates: CellRates
    effort: Floats
    variance: Floats
    is_lacking: Bools

    @classmethod
    def of(cls, rates: CellRates, effort: DomainTotals) -> _Cells:
        at = places_of(rates.code, effort.code)
        known = (effort.support.n_psu[at] > 0) | effort.support.is_imputed[at]
        known &= at >= 0
        hours = np.where(known, effort.total[at, 0], 0.0)
        variance = np.where(known, effort.cov[at, 0, 0], 0.0)
        has_rate = rates.is_complete | rates.is_under_way
        return cls(rates.code, rates, hours, variance, ~known | ((hours > 0) & ~has_rate))


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """What totals of one analysis rest on: rates and effort by area and week, and what they err by.

    `form`: totals of units by area fished. `maps`: their residuals in each area and week.
    """

    cells: _Cells
    form: LinearForm
    maps: LinearMaps


def _aligned(totals: DomainTotals, codes: Ints) -> Support:
    """Return the support of some domains; nothing stands behind one that is not there."""
    at = places_of(codes, totals.code)
    known = at >= 0

    def column(name: str) -> NDArray[np.generic]:
        values = getattr(totals.support, name)[at]
        keep = known.reshape(-1, *[1] * (values.ndim - 1))
        aligned: NDArray[np.generic] = np.where(keep, values, np.zeros_like(values))
        return aligned

    return type(totals.support)(*(column(name) for name in type(totals.support).__slots__))  # type: ignore[arg-type]


def _support(
    own: Support, days: Support, cells: _Cells, place: Ints, *, v_effort: Floats, v_rate: Floats
) -> Support:
    """Return what products of effort and rate rest on."""
    size, rates = len(own.n_psu), cells.rates

    n_days, never = count_at(place, rates.n_days, size), np.zeros(size, dtype=bool)
    parts = [np.einsum("dkk->d", one) for one in (v_effort, v_rate)]
    return replace(
        own,
        df=joint_df(parts, [days.df, own.df + np.maximum(n_days - 1, 0)]),
        n_psu=own.n_psu + n_days,
        n_interviews=own.n_interviews + count_at(place, rates.n_interviews, size),
        n_psu_interviewed=own.n_psu_interviewed + n_days,
        is_imputed=any_at(place[rates.is_imputed], size) | days.is_imputed,
        is_collapsed=any_at(place[rates.is_collapsed], size) | days.is_collapsed,
        is_census=never,
        is_landing_census=never,
        lacks_area=any_at(place[cells.is_lacking], size),
    )


def _missing(analysis: Analysis, cells: _Cells, place: Ints, size: int) -> tuple[str, ...]:
    """Say why there are no trips where trips under way give the rate: nobody knows their end."""
    if not _TRIPS & set(analysis.measures):
        return ()
    under_way = any_at(place[cells.rates.is_under_way], size)
    return tuple(coded("trips_under_way") if one else "" for one in under_way)


def _lost(design: Design, fine: Domains, cells: _Cells, place: Ints, size: int) -> tuple[str, ...]:
    """Return what each domain is without: area-weeks with no count, or boats and no interview."""
    lost: list[list[str]] = [[] for _ in range(size)]
    for row in np.flatnonzero(cells.is_lacking):
        area, week = fine.cell(int(cells.code[row]))
        assert area is not None
        assert week is not None
        lost[place[row]].append(f"{design.areas[area]}:{design.weeks[week]}")
    return tuple(coded("without_uncounted", area_weeks=one) if one else "" for one in lost)


# Trips that were not over when interviewed: their rates so far, as rates of complete trips.
#
# A sampler at a ramp interviews every trip once, at its end: the ratio of means is right. A sampler
# on the water interviews long trips more often: the mean of the trips' own rates is right, and the
# ratio of means is not (Hoenig et al. 1997; Pollock et al. 1997; from memory). Each trip weighs the
# same.

#: Trips under half an hour have rates too wild for a mean (Hoenig et al. 1997, Pollock et al. 1997;
#: from memory).
SHORTEST_HOURS = 0.5
#: Days are the clusters: trips of one day in one area share its weather and its fish.
_INCOMPLETE = f"""
SELECT t.* REPLACE (concat(t.area, ' ', on_day) AS sample_id, true AS trip_complete),
    t.area AS landing_area, o.season
FROM trips t JOIN open_days o ON o.area = t.area AND o.date = on_day
WHERE NOT coalesce(t.trip_complete, true) AND t.hours_fished >= {SHORTEST_HOURS}
"""


def incomplete_trips(snapshot: Snapshot, *, season: str) -> pa.Table:
    """Return a season's interviews of trips that were not over, half an hour or longer.

    Returns
    -------
    pyarrow.Table
        Interviews on open days of the area fished; ``sample_id`` is that area and day in words, and
        ``trip_complete`` is set, since each stands here for its rate so far. With
        ``landing_area`` (the area fished), ``on_day`` and ``season``.
    """
    days = season_days(snapshot, season)[["area", "date", "season"]]
    opened = pa.Table.from_pandas(days, preserve_index=False)
    opened = opened.set_column(1, "date", opened["date"].cast(pa.date32()))
    return query.run(_INCOMPLETE, trip_tables(snapshot) | {"open_days": opened})


def rate_measures(measures: Mapping[str, Measure]) -> dict[str, Measure]:
    """Return each measure as a rate per hour the boat fished, under the same name."""
    return {
        name: replace(
            one,
            sql=f"({one.sql}) / hours_fished",
            full_sql=f"({one.full_sql}) / hours_fished" if one.full_sql else "",
        )
        for name, one in measures.items()
    }

"""Totals as effort times catch rate: boat-hours from counts on the water, rates from interviews."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.combine import joint_df
from analytics.survey.arrays import add_at
from analytics.survey.convenience import clustered_sums
from analytics.survey.mapped import Maps, coarse_codes, fine_domains, mapped_totals
from analytics.survey.measures import EFFORT
from analytics.survey.ratios import all_over_last
from analytics.survey.reduce import Analysis
from analytics.survey.totals import DomainTotals, domain_totals, totals_of_cells, unit_cells

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.survey.boat_counts import Counted
    from analytics.survey.design import Design
    from analytics.survey.reach import Domains
    from analytics.survey.reduce import Reduction
    from analytics.survey.support import Support
    from analytics.survey.ways import Drawn

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

_COMPLETE = "rate of complete trips (ratio of means)"
_UNDER_WAY = "rate of trips under way (mean of ratios, under half an hour dropped)"


def with_boat_hours(analysis: Analysis) -> Analysis:
    """Return an analysis with boat-hours as its last measure."""
    return Analysis((*analysis.measures, *EFFORT))


@dataclass(frozen=True, slots=True, eq=False)
class _Rates:
    """Catch per boat-hour of F cells of area and week.

    Parameters
    ----------
    code : ndarray of int, shape (F,)
    rate : ndarray of float, shape (F, K)
    cov : ndarray of float, shape (F, K, K)
    hours : ndarray of float, shape (F,)
        Boat-hours of the interviews, as expanded.
    is_complete, is_under_way : ndarray of bool, shape (F,)
        Which trips tell the rate; neither where there is none.
    n_days, n_interviews : ndarray of int, shape (F,)
        Days and interviews of trips under way.
    """

    code: Ints
    rate: Floats
    cov: Floats
    hours: Floats
    is_complete: NDArray[np.bool_]
    is_under_way: NDArray[np.bool_]
    n_days: Ints
    n_interviews: Ints


@dataclass(frozen=True, slots=True, eq=False)
class CountedEffort:
    r"""Totals of a season from counted effort.

    In each area and week c, ``T = E_c R_c`` with E the boat-hours counted and R the catch per
    boat-hour of interviews; wider domains add these up. ``v(T) = R² v(E) + E² v(R) - v(E) v(R)``
    for the product of independent estimates (Goodman 1960, On the exact variance of products, J.
    Am. Stat. Assoc. 55); what the same site-days or counted days add to several cells counts once
    in a linear form (`analytics.survey.mapped`).

    Parameters
    ----------
    drawn : Drawn
        Complete trips, from sampled units; asked with `with_boat_hours`.
    counted : Counted
    under_way : tuple of Design and Reduction, optional
        Trips that were not over: the day of an area is the unit.
    """

    drawn: Drawn
    counted: Counted
    under_way: tuple[Design, Reduction] | None = None
    _made: dict[tuple[Analysis, Domains], DomainTotals] = field(default_factory=dict)
    _efforts: dict[Domains, DomainTotals] = field(default_factory=dict)

    @property
    def design(self) -> Design:
        """The design whose codes the totals use."""
        return self.drawn.design

    def was_told(self, analysis: Analysis) -> bool:
        """Return whether any interview gave the numbers, or no boat was there to ask."""
        told = self.under_way is not None and self.under_way[1].n_told(with_boat_hours(analysis))
        return bool(told) or self.drawn.was_told(with_boat_hours(analysis))

    def totals(self, analysis: Analysis, domains: Domains) -> DomainTotals:
        """Return the totals of an analysis over every domain."""
        if (analysis, domains) not in self._made:
            self._made[analysis, domains] = self._totals(analysis, domains)
        return self._made[analysis, domains]

    def _totals(self, analysis: Analysis, domains: Domains) -> DomainTotals:
        design, fine = self.design, fine_domains(self.design)
        rates, effort = self._rates(analysis), self._effort(fine)
        codes = domains.all_of(design)
        here = np.isin(coarse_codes(domains, fine, rates.code), codes)
        cells = _Cells.of(_rows(rates, here), effort)
        place = np.searchsorted(codes, coarse_codes(domains, fine, cells.code))
        total, v_effort = mapped_totals(
            self.counted.design,
            self.counted.plan,
            self.counted.cells,
            domains,
            Maps(cells.code, cells.rates.rate[:, :, None]),
            codes=codes,
        )
        v_rate = self._from_interviews(analysis, cells, domains, codes=codes, place=place)
        product_term = -add_at(place, cells.variance[:, None, None] * cells.rates.cov, len(codes))
        whole = self._effort(domains)
        support = self._support(analysis, domains, cells, place, v_effort=v_effort, v_rate=v_rate)
        return DomainTotals(
            code=codes,
            total=total,
            cov=v_effort + v_rate,
            support=support,
            plan=self.drawn.totals(with_boat_hours(analysis), domains).plan,
            product_term=product_term,
            notes=self._notes(cells, place, whole),
            estimator="counted_effort_times_rate",
            lost=_lost(design, fine, cells, place, len(codes)),
        )

    def _effort(self, domains: Domains) -> DomainTotals:
        """Return the boat-hours of every domain."""
        if domains not in self._efforts:
            design, plan, cells = self.counted.design, self.counted.plan, self.counted.cells
            answered = np.zeros(len(design.site_days.unit))
            keyed = replace(cells, key=domains.area_key(cells.key - 1))
            self._efforts[domains] = totals_of_cells(
                design, plan, keyed, domains, answered=answered
            )
        return self._efforts[domains]

    def _rates(self, analysis: Analysis) -> _Rates:
        """Return the rates of every open area and week; complete trips come first."""
        fine, asked = fine_domains(self.design), with_boat_hours(analysis)
        codes = fine.all_of(self.design)
        told = domain_totals(
            self.design, self.drawn.reduction.moments(asked), fine, plans=self.drawn.plans
        )
        at = np.searchsorted(told.code, codes)
        rate, cov = all_over_last(told.total[at], told.cov[at])
        hours = told.total[at, -1]
        is_complete = hours > 0
        n_days = n_interviews = np.zeros(len(codes), dtype=np.int64)
        if self.under_way is not None:
            by_day, reduction = self.under_way
            moments = reduction.moments(asked)
            every = np.ones(len(moments.n), dtype=bool)
            met = clustered_sums(by_day, moments, fine, codes=codes, mine=every)
            own, own_cov = all_over_last(met.total, met.cov)
            n_days = np.where(is_complete, 0, met.n_clusters)
            n_interviews = np.where(is_complete, 0, met.n_interviews)
            rate = np.where(is_complete[:, None], rate, own)
            cov = np.where(is_complete[:, None, None], cov, own_cov)
        return _Rates(
            code=codes,
            rate=np.where(np.isnan(rate), 0.0, rate),
            cov=np.where((is_complete | (n_days > 0))[:, None, None], cov, 0.0),
            hours=hours,
            is_complete=is_complete,
            is_under_way=n_days > 0,
            n_days=n_days,
            n_interviews=n_interviews,
        )

    def _from_interviews(
        self, analysis: Analysis, cells: _Cells, domains: Domains, *, codes: Ints, place: Ints
    ) -> Floats:
        """Return the part of the covariance that comes from the interviews, shape (D, K, K)."""
        rates, k = cells.rates, cells.rates.rate.shape[1]
        moments = self.drawn.reduction.moments(with_boat_hours(analysis))
        plan, by_area, _ = unit_cells(self.design, moments, plans=self.drawn.plans, by_area=True)
        # Linearised: E/X (y - R x) for each site-day, R at the estimate.
        per_hour = cells.effort / np.where(rates.hours > 0, rates.hours, 1.0)
        factor = np.where(rates.is_complete, per_hour, 0.0)
        residual = np.concatenate(
            [np.broadcast_to(np.eye(k), (len(factor), k, k)), -rates.rate[:, :, None]], axis=2
        )
        maps = Maps(cells.code, factor[:, None, None] * residual)
        _, cov = mapped_totals(self.design, plan, by_area, domains, maps, codes=codes)
        own = np.where(rates.is_under_way, cells.effort, 0.0)
        own_cov = np.where(rates.is_under_way[:, None, None], rates.cov, 0.0)
        return cov + add_at(place, own[:, None, None] ** 2 * own_cov, len(codes))

    def _support(
        self,
        analysis: Analysis,
        domains: Domains,
        cells: _Cells,
        place: Ints,
        *,
        v_effort: Floats,
        v_rate: Floats,
    ) -> Support:
        codes = domains.all_of(self.design)
        told = self.drawn.totals(with_boat_hours(analysis), domains)
        own = _rows_of(told.support, np.searchsorted(told.code, codes))
        effort = self._effort(domains)
        days = _rows_of(effort.support, np.searchsorted(effort.code, codes))
        n_days = np.rint(add_at(place, cells.rates.n_days.astype(np.float64), len(codes)))
        n_met = np.rint(add_at(place, cells.rates.n_interviews.astype(np.float64), len(codes)))
        parts = [np.einsum("dkk->d", one) for one in (v_effort, v_rate)]
        lacking = np.bincount(place[cells.is_lacking], minlength=len(codes)) > 0
        never = np.zeros(len(codes), dtype=bool)
        return replace(
            own,
            df=joint_df(parts, [days.df, own.df + np.maximum(n_days - 1, 0)]),
            n_psu=own.n_psu + n_days.astype(np.int64),
            n_interviews=own.n_interviews + n_met.astype(np.int64),
            n_seen=own.n_seen + n_days.astype(np.int64),
            is_imputed=own.is_imputed | days.is_imputed,
            is_collapsed=own.is_collapsed | days.is_collapsed,
            is_census=never,
            is_whole=never,
            is_partial=lacking,
        )

    def _notes(self, cells: _Cells, place: Ints, effort: DomainTotals) -> tuple[str, ...]:
        size = len(effort.code)
        complete = np.bincount(place[cells.rates.is_complete], minlength=size) > 0
        under_way = np.bincount(place[cells.rates.is_under_way], minlength=size) > 0
        support = effort.support
        notes = []
        for at in range(size):
            kinds = [_COMPLETE] * bool(complete[at]) + [_UNDER_WAY] * bool(under_way[at])
            notes.append(
                f"effort from boat counts on {support.n_psu[at]} of {support.n_psu_frame[at]} days "
                f"over {self.counted.hours_from}, times the {' and the '.join(kinds)}"
            )
        return tuple(notes)


@dataclass(frozen=True, slots=True, eq=False)
class _Cells:
    """Area-weeks with their rates and boat-hours, F of them."""

    code: Ints
    rates: _Rates
    effort: Floats
    variance: Floats
    is_lacking: NDArray[np.bool_]

    @classmethod
    def of(cls, rates: _Rates, effort: DomainTotals) -> _Cells:
        at = np.searchsorted(effort.code, rates.code)
        known = effort.support.n_psu[at] > 0
        known |= effort.support.is_imputed[at]
        hours = np.where(known, effort.total[at, 0], 0.0)
        variance = np.where(known, effort.cov[at, 0, 0], 0.0)
        has_rate = rates.is_complete | rates.is_under_way
        return cls(rates.code, rates, hours, variance, ~known | ((hours > 0) & ~has_rate))


def _rows(rates: _Rates, keep: NDArray[np.bool_]) -> _Rates:
    return _Rates(*(getattr(rates, name)[keep] for name in _Rates.__slots__))


def _rows_of(support: Support, rows: Ints) -> Support:
    return type(support)(*(getattr(support, name)[rows] for name in type(support).__slots__))


def _lost(design: Design, fine: Domains, cells: _Cells, place: Ints, size: int) -> tuple[str, ...]:
    """Name what each domain is without: area-weeks with no count, or boats and no interview."""
    lost: list[list[str]] = [[] for _ in range(size)]
    for row in np.flatnonzero(cells.is_lacking):
        area, week = fine.cell(int(cells.code[row]))
        assert area is not None
        assert week is not None
        lost[place[row]].append(f"{design.areas[area]} {design.weeks[week]}")
    return tuple(
        f"{', '.join(names[:3])}{f' and {len(names) - 3} more' if len(names) > 3 else ''} "
        "(no boat count, or boats and no interview)"
        if names
        else ""
        for names in lost
    )

"""Estimators of a season's totals: from sampled units, or from interviews of convenience.

An estimator answers one question: what are the totals of an analysis over these domains? Others
that build on them stand in modules of their own.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Protocol

import numpy as np
import pandas as pd

from analytics.arrays import add_at
from analytics.data import query
from analytics.data.calendar import trip_tables
from analytics.data.schema import TABLES
from analytics.survey.design import SITE_RULES, SiteDays, StratumTreatment, Units
from analytics.survey.domain_totals import DomainTotals, is_few, totals_of_cells, unit_cells
from analytics.survey.domains import LinearForm, area_week_domains
from analytics.survey.support import Support
from analytics.weeks import iso_week

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pyarrow as pa

    from analytics.arrays import Bools, Floats, Ints
    from analytics.data.snapshot import Snapshot
    from analytics.survey.design import Design, StratumTreatments
    from analytics.survey.domains import Domains
    from analytics.survey.reduction import Analysis, Moments, Reduction
    from analytics.survey.unit_totals import UnitTotals


# Interviews of convenience: catch rates and shares, with errors clustered by site-day.

CONVENIENCE = "opportunistic"

#: Interviews that land, on their day, in an area of that design; `sample_id` becomes the site-day.
_MET = """
SELECT * REPLACE (concat(at_site, ' ', on_day) AS sample_id)
FROM landed_trips WHERE design = 'opportunistic'
"""


def convenience_interviews(snapshot: Snapshot, *, season: str | None = None) -> pa.Table:
    """Return the interviews that landed in areas of design opportunistic.

    Parameters
    ----------
    season : str, optional
        Of one season only.

    Returns
    -------
    pyarrow.Table
        Interviews in the order of their site-days, with ``at_site``, ``on_day``,
        ``landing_area`` and ``season``; ``sample_id`` is the site-day in words.
    """
    return snapshot.once(("convenience", season), lambda: _convenience(snapshot, season))


def _convenience(snapshot: Snapshot, season: str | None) -> pa.Table:
    where = "" if season is None else f" AND season = {query.text(season)}"
    some = CONVENIENCE in snapshot["seasons"]["design"].to_pylist()
    # Where no area is of that design the interviews need not be read.
    none = None if some else TABLES["interviews"].arrow_schema.empty_table()
    return query.run(_MET + where, trip_tables(snapshot, interviews=none)).sort_by("sample_id")


def clusters_of(met: pa.Table) -> pd.DataFrame:
    """Return the site-days of some interviews: ``sample_id, area, date, week, season``."""
    columns = ["sample_id", "landing_area", "on_day", "season"]
    days: pd.DataFrame = met.select(columns).to_pandas().drop_duplicates("sample_id")
    days = days.rename(columns={"landing_area": "area", "on_day": "date"})
    days["date"] = pd.to_datetime(days["date"])
    days["week"] = iso_week(days["date"])
    return days


def convenience_design(design: Design, clusters: pd.DataFrame) -> Design:
    """Return the same season with site-days of convenience as its units, through its last week.

    Parameters
    ----------
    clusters : pandas.DataFrame
        As from `clusters_of`.
    """
    kept = clusters[clusters["week"].isin(design.weeks)]
    week = np.array([design.weeks.index(one) for one in kept["week"]], dtype=np.int64)
    units = Units(np.zeros_like(week), week, np.zeros_like(week))
    days = SiteDays.alone(kept["sample_id"].to_numpy(object), np.full(len(kept), np.nan))
    return replace(design, units=units, site_days=days)


def convenience_totals(design: Design, moments: Moments, domains: Domains) -> DomainTotals:
    """Return sums over interviews of convenience, for ratios only, of domains of that design.

    ``cov = n/(n-1) Σ_c (z_c - z̄)(z_c - z̄)'`` over the n site-days c of a domain, z their sums:
    the linearised ratio then has the cluster-robust variance ``n/(n-1) Σ_c (y_c - R x_c)² / X²``
    (Cochran 1977, Sampling Techniques, section 6.3, without a finite term; from memory).
    """
    every = np.ones(len(moments.n), dtype=bool)
    found = clustered_sums(design, moments, domains, codes=_codes(design, domains), mine=every)
    n = found.n_clusters
    return DomainTotals(
        code=found.code,
        total=found.total,
        cov=found.cov,
        support=_support(n, found.n_interviews),
        plan=StratumTreatment(
            np.ones(len(design.units.week), dtype=bool), n, (), frozenset(), frozenset()
        ),
        is_convenience=True,
    )


@dataclass(frozen=True, slots=True, eq=False)
class ClusteredSums:
    """Sums of K measures over D domains, with the covariance (D, K, K) between their clusters.

    It is NaN for a domain of one cluster or none.
    """

    code: Ints
    total: Floats
    cov: Floats
    n_clusters: Ints
    n_interviews: Ints


def clustered_sums(
    design: Design, moments: Moments, domains: Domains, *, codes: Ints, mine: Bools
) -> ClusteredSums:
    """Add up the rows `mine` of sums by sorted domain, with the variance between units."""
    key, week = domains.area_key(moments.area), domains.week_key(design.units.week[moments.unit])
    code, size = domains.code(key, week), len(codes)
    rows = np.flatnonzero(mine & np.isin(code, codes))
    place = np.searchsorted(codes, code[rows])
    pairs, where = np.unique(moments.unit[rows] * size + place, return_inverse=True)
    sums = add_at(where, moments.sums[rows], len(pairs))
    place = pairs % max(size, 1)
    n = np.bincount(place, minlength=size)
    total = add_at(place, sums, size)
    off = sums - (total / np.maximum(n, 1)[:, None])[place]
    between = add_at(place, np.einsum("ri,rj->rij", off, off), size)
    factor = np.where(n > 1, n / np.maximum(n - 1, 1), np.nan)
    n_interviews = add_at(place, add_at(where, moments.n[rows], len(pairs)), size)
    return ClusteredSums(
        codes, total, factor[:, None, None] * between, n, np.rint(n_interviews).astype(np.int64)
    )


def _codes(design: Design, domains: Domains) -> Ints:
    """Return the domains that interviews of convenience alone can estimate."""
    drawn = domains.codes_of(design.grid - design.no_design)
    return np.setdiff1d(domains.codes_of(design.no_design), drawn)


def _support(n: Ints, n_interviews: Ints) -> Support:
    never = dict.fromkeys(Support.__slots__, np.zeros(len(n), dtype=bool))
    known = {
        "df": np.maximum(n - 1, 0),
        "n_psu": n,
        "n_psu_frame": np.zeros_like(n),
        "n_interviews": n_interviews,
        "n_psu_interviewed": n,
        "is_convenience_only": np.ones(len(n), dtype=bool),
        "rules": np.zeros((len(n), len(SITE_RULES)), dtype=bool),
    }
    return Support(**(never | known))


class TotalEstimator(Protocol):
    """An estimator of totals."""

    @property
    def design(self) -> Design:
        """The design whose codes the totals use."""

    def totals(self, analysis: Analysis, domains: Domains) -> DomainTotals:
        """Return the totals of an analysis over domains."""

    def has_responses(self, analysis: Analysis) -> bool:
        """Return whether any interview gave the numbers, or no boat was there to ask."""


@dataclass(frozen=True, eq=False)
class UnitsOf:
    """Totals of units of some analyses, and the measures of each where there are several."""

    design: Design
    plan: StratumTreatment
    cells: UnitTotals
    interviewed: Floats
    columns: Mapping[Analysis, tuple[int, ...]]

    @cached_property
    def form(self) -> LinearForm:
        """Their totals by area fished, weighted over areas and weeks."""
        return LinearForm.of(self.design, self.plan, self.cells, area_week_domains(self.design))

    def totals(self, domains: Domains) -> DomainTotals:
        """Return their totals over every domain."""
        return totals_of_cells(
            self.design, self.plan, self.cells, domains, interviewed=self.interviewed
        )


@dataclass(frozen=True, slots=True, eq=False)
class DesignEstimator:
    """Totals expanded from sampled units.

    Analyses that the same boats responded to are totalled together, once a choice of domains.
    """

    design: Design
    plans: StratumTreatments
    reduction: Reduction
    _made: dict[tuple[Analysis, Domains], DomainTotals] = field(default_factory=dict)
    _units: dict[tuple[Analysis, bool, bool], UnitsOf] = field(default_factory=dict)

    def totals(self, analysis: Analysis, domains: Domains) -> DomainTotals:
        """Return the totals of an analysis over every domain."""
        if (analysis, domains) not in self._made:
            units = self._units_of(analysis, by_area=domains.by_area, is_joint=True)
            totals = units.totals(domains)
            for one, columns in units.columns.items():
                self._made[one, domains] = totals.of(columns)
        return self._made[analysis, domains]

    def units(self, analysis: Analysis, *, by_area: bool = True) -> UnitsOf:
        """Return the totals of units of one analysis, by area fished where so asked."""
        return self._units_of(analysis, by_area=by_area, is_joint=False)

    def _units_of(self, analysis: Analysis, *, by_area: bool, is_joint: bool) -> UnitsOf:
        """Return the totals of units, made once for all domains where they are few."""
        key = analysis, by_area, is_joint
        if key in self._units:
            return self._units[key]
        of_all = self.reduction.joint(analysis) if is_joint else None
        moments = self.reduction.moments(analysis) if of_all is None else of_all.moments
        columns = {} if of_all is None else of_all.columns
        made = unit_cells(self.design, moments, plans=self.plans, by_area=by_area)
        found = UnitsOf(self.design, *made, columns)
        if is_few(found.cells):
            self._units.update(
                dict.fromkeys(((one, by_area, is_joint) for one in columns or [analysis]), found)
            )
        return found

    def has_responses(self, analysis: Analysis) -> bool:
        """Return whether any interview gave the numbers, or no boat was there to ask."""
        boats = self.design.site_days.boats_returned
        return self.reduction.n_responding(analysis) > 0 or not bool((boats > 0).any())


@dataclass(frozen=True, slots=True, eq=False)
class DerivedEstimator:
    """Totals that follow from those of a sample (`sampled`) and more; each is made once."""

    sampled: DesignEstimator
    _made: dict[tuple[Analysis, Domains], DomainTotals] = field(default_factory=dict, init=False)

    @property
    def design(self) -> Design:
        """The design whose codes the totals use."""
        return self.sampled.design

    def has_responses(self, analysis: Analysis) -> bool:
        """Return whether any interview gave the numbers, or no boat was there to ask."""
        return self.sampled.has_responses(analysis)

    def totals(self, analysis: Analysis, domains: Domains) -> DomainTotals:
        """Return the totals of an analysis over every domain."""
        if (analysis, domains) not in self._made:
            self._made[analysis, domains] = self._totals(analysis, domains)
        return self._made[analysis, domains]

    def _totals(self, analysis: Analysis, domains: Domains) -> DomainTotals:
        raise NotImplementedError


@dataclass(frozen=True, slots=True, eq=False)
class ConvenienceEstimator:
    """Sums over interviews of convenience, of the domains that they alone can estimate."""

    design: Design
    reduction: Reduction

    def totals(self, analysis: Analysis, domains: Domains) -> DomainTotals:
        """Return sums of an analysis over the domains of areas of that design."""
        return convenience_totals(self.design, self.reduction.moments(analysis), domains)

    def has_responses(self, analysis: Analysis) -> bool:
        """Return whether any interview gave the numbers."""
        return self.reduction.n_responding(analysis) > 0

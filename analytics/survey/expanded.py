"""Totals over all boats: what landed at listed sites, expanded by the share that lands there."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.combine import joint_df
from analytics.errors import WrongUse
from analytics.survey.arrays import add_at
from analytics.survey.coverage import coverage_factors, season_contacts
from analytics.survey.mapped import Maps, coarse_codes, fine_domains, mapped_totals
from analytics.survey.reach import Domains
from analytics.survey.totals import unit_cells

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.data.snapshot import Snapshot
    from analytics.survey.coverage import Coverage
    from analytics.survey.design import Design
    from analytics.survey.reduce import Analysis
    from analytics.survey.totals import DomainTotals
    from analytics.survey.ways import Drawn

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


def coverage_of(snapshot: Snapshot, design: Design, *, level: float = 0.95) -> Coverage:
    """Return share and factor of every area of a design, through its last week.

    Raises
    ------
    WrongUse
        If no contact on an open day tells a factor.
    """
    contacts = season_contacts(snapshot, season=design.season, through=design.through)
    found = coverage_factors(contacts, areas=design.areas, level=level)
    if np.isnan(found.factor).any():
        raise WrongUse(
            f"season {design.season} through {design.through}: {found.method[0]}; import the table "
            "coverage, or leave totals as they are at listed sites"
        )
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Expanded:
    r"""Totals of a season expanded by coverage.

    ``T' = Σ_a f_a T_a`` over areas fished, with ``v = f² v(T) + v(f) T² - v(f) v(T)`` for the
    product of independent estimates (Goodman 1960, On the exact variance of products, J. Am. Stat.
    Assoc. 55). Areas that take the factor of all areas together share its error.

    Parameters
    ----------
    drawn : Drawn
        Totals at listed sites.
    coverage : Coverage
        Of every area of the design.
    """

    drawn: Drawn
    coverage: Coverage
    _made: dict[tuple[Analysis, Domains], DomainTotals] = field(default_factory=dict)

    @property
    def design(self) -> Design:
        """The design whose codes the totals use."""
        return self.drawn.design

    def was_told(self, analysis: Analysis) -> bool:
        """Return whether any interview gave the numbers, or no boat was there to ask."""
        return self.drawn.was_told(analysis)

    def totals(self, analysis: Analysis, domains: Domains) -> DomainTotals:
        """Return the expanded totals of an analysis over every domain."""
        if (analysis, domains) not in self._made:
            self._made[analysis, domains] = self._totals(analysis, domains)
        return self._made[analysis, domains]

    def _totals(self, analysis: Analysis, domains: Domains) -> DomainTotals:
        plain = self.drawn.totals(analysis, domains)
        cov = self._from_sample(analysis, domains, plain.code)
        by_area = Domains(by_area=True, by_week=domains.by_week, n_weeks=domains.n_weeks)
        parts = self.drawn.totals(analysis, by_area)
        area = np.array([by_area.cell(int(code))[0] for code in parts.code], dtype=np.int64)
        place = np.searchsorted(plain.code, coarse_codes(domains, by_area, parts.code))
        total = add_at(place, self.coverage.factor[area][:, None] * parts.total, len(plain.code))
        from_factor, product_term = self._from_factor(
            area, place, parts.total, parts.cov, size=len(plain.code)
        )
        spread = [np.einsum("dkk->d", np.nan_to_num(one)) for one in (cov, from_factor)]
        fewest = self.coverage.df[area] if len(area) else np.zeros(0)
        df = np.full(len(plain.code), np.inf)
        np.minimum.at(df, place, fewest)
        never = np.zeros(len(plain.code), dtype=bool)
        support = replace(
            plain.support,
            df=joint_df(spread, [plain.support.df, np.where(np.isinf(df), 0, df)]),
            is_census=never,
            is_whole=never,
        )
        return replace(
            plain,
            total=total,
            cov=cov + from_factor,
            product_term=product_term,
            support=support,
            estimator="expanded_total",
            notes=self._notes(area, place, len(plain.code)),
            missing=self._refused(area, place, len(plain.code)) if plain.plan.refuses else (),
        )

    def _from_sample(self, analysis: Analysis, domains: Domains, codes: Ints) -> Floats:
        """Return the covariance that the sample gives expanded totals, factors taken as known."""
        moments = self.drawn.reduction.moments(analysis)
        plan, cells, _ = unit_cells(self.design, moments, plans=self.drawn.plans, by_area=True)
        fine = fine_domains(self.design)
        code = np.arange((len(self.design.areas) + 1) * (fine.n_weeks + 1))
        key = code // (fine.n_weeks + 1)
        factor = np.concatenate([[0.0], self.coverage.factor])[key]
        k = moments.sums.shape[1]
        matrix = factor[:, None, None] * np.eye(k)
        _, cov = mapped_totals(self.design, plan, cells, domains, Maps(code, matrix), codes=codes)
        return cov

    def _from_factor(
        self, area: Ints, place: Ints, total: Floats, cov: Floats, *, size: int
    ) -> tuple[Floats, Floats]:
        """Return what the error of the factors adds, and the term of the product."""
        k = total.shape[1]
        added, term = np.zeros((size, k, k)), np.zeros((size, k, k))
        source = np.where(self.coverage.is_pooled, -1, np.arange(len(self.coverage.factor)))
        for one in np.unique(source[area]):
            rows = source[area] == one
            variance = self.coverage.variance[area[rows][0]]
            sums = add_at(place[rows], total[rows], size)
            met = np.bincount(place[rows], minlength=size) > 0
            square = np.einsum("di,dj->dij", sums, sums)
            added += np.where(met[:, None, None], variance * square, 0.0)
            term -= variance * add_at(place[rows], cov[rows], size)
        return added, term

    def _refused(self, area: Ints, place: Ints, size: int) -> tuple[str, ...]:
        """Say where a factor would be borrowed, for those who want none that is."""
        pooled = np.bincount(place[self.coverage.is_pooled[area]], minlength=size) > 0
        words = "too few contacts of its own, and the factor of all areas was refused"
        return tuple(words if one else "" for one in pooled)

    def _notes(self, area: Ints, place: Ints, size: int) -> tuple[str, ...]:
        """Say by how much each domain was expanded."""
        found = self.coverage
        areas: list[set[int]] = [set() for _ in range(size)]
        for one, at in zip(area, place, strict=True):
            areas[at].add(int(one))
        notes = []
        for held in areas:
            factors = sorted({round(float(found.factor[one]), 3) for one in held})
            span = " to ".join(f"{one:.3f}" for one in dict.fromkeys((factors[0], factors[-1])))
            pooled = any(found.is_pooled[one] for one in held)
            words = f"expanded by {span} for boats that land elsewhere"
            notes.append(words + (", contacts of all areas taken together" if pooled else ""))
        return tuple(notes)

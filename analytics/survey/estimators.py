"""Ways to totals of a season: from sampled units, or from interviews of convenience.

A way answers one question: what are the totals of an analysis over these domains? Others that
build on them stand in modules of their own.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from analytics.survey.convenience import convenience_totals
from analytics.survey.domain_totals import domain_totals

if TYPE_CHECKING:
    from analytics.survey.design import Design
    from analytics.survey.domain_totals import DomainTotals
    from analytics.survey.domains import Domains
    from analytics.survey.reduction import Analysis, Reduction
    from analytics.survey.thin_strata import StratumTreatments


class TotalEstimator(Protocol):
    """A way to totals."""

    @property
    def design(self) -> Design:
        """The design whose codes the totals use."""

    def totals(self, analysis: Analysis, domains: Domains) -> DomainTotals:
        """Return the totals of an analysis over domains."""

    def has_responses(self, analysis: Analysis) -> bool:
        """Return whether any interview gave the numbers, or no boat was there to ask."""


@dataclass(frozen=True, slots=True, eq=False)
class DesignEstimator:
    """Totals expanded from sampled units.

    Analyses that the same boats answer are totalled together, once for each choice of domains.
    """

    design: Design
    plans: StratumTreatments
    reduction: Reduction
    _made: dict[tuple[Analysis, Domains], DomainTotals] = field(default_factory=dict)

    def totals(self, analysis: Analysis, domains: Domains) -> DomainTotals:
        """Return the totals of an analysis over every domain."""
        if (analysis, domains) not in self._made:
            joint = self.reduction.joint(analysis)
            totals = domain_totals(self.design, joint.moments, domains, plans=self.plans)
            for one, columns in joint.columns.items():
                self._made[one, domains] = totals.of(columns)
        return self._made[analysis, domains]

    def has_responses(self, analysis: Analysis) -> bool:
        """Return whether any interview gave the numbers, or no boat was there to ask."""
        boats = self.design.site_days.boats_returned
        return self.reduction.n_responding(analysis) > 0 or not bool((boats > 0).any())


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

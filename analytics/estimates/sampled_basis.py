"""The sampled basis: every quantity of released fish from legal marked fish and test fishing.

Fish kept and effort are those of the interviews. Everything else of a domain follows from one joint
covariance of the four classes and the fish kept, so that sums are sums of their parts.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.codes import coded, join_codes
from analytics.estimates.result_rows import DEATHS_ESTIMATOR, DomainEstimates
from analytics.estimates.size_mark_classes import (
    SAMPLED,
    base_slope,
    classes_with_kept,
    figures_with_sample,
    pooled_of,
)
from analytics.fish.mark_composition import (
    ALL_MET,
    KEPT_FISH,
    LEGAL,
    LEGAL_RELEASED,
    MARKED_SHARE,
    NOTHING,
    ROUNDING,
    SUBLEGAL,
    SUBLEGAL_RELEASED,
    SampledReleases,
    marks_with_effort,
)
from analytics.fish.mortality_rates import ANY, DROP_OFF, KEPT_FATE, RELEASED
from analytics.quantities import QUANTITIES, QuantityKind
from analytics.survey.domain_totals import combined_ratio
from analytics.survey.domains import LinearMaps, linear_totals
from analytics.survey.estimators import DesignEstimator

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.arrays import Floats
    from analytics.estimates.season_survey import SampledInputs, SeasonSurvey
    from analytics.estimates.size_mark_classes import ClassExpansion, Sampled
    from analytics.fish.mark_composition import Columns
    from analytics.survey.domain_totals import DomainTotals
    from analytics.survey.domains import Domains
    from analytics.survey.estimators import TotalEstimator

#: Totals as sums of the four classes, all of them together, and fish kept.
SUMS: dict[str, Columns] = {
    "released_legal_fish": LEGAL_RELEASED,
    "released_sublegal_fish": SUBLEGAL_RELEASED,
    "released_unknown_fish": NOTHING,
    "released_fish": (0, 0, 0, 0, 1, -1),
    "encounter_fish": ALL_MET,
    "encounter_legal_marked_fish": (1, 0, 0, 0, 0, 0),
    "encounter_legal_unmarked_fish": (0, 1, 0, 0, 0, 0),
    "encounter_sublegal_marked_fish": (0, 0, 1, 0, 0, 0),
    "encounter_sublegal_unmarked_fish": (0, 0, 0, 1, 0, 0),
}
#: The releases that a total of releases consists of, none of which can be under 0.
RELEASED_PARTS: dict[str, tuple[Columns, ...]] = {
    "released_legal_fish": (LEGAL_RELEASED,),
    "released_sublegal_fish": (SUBLEGAL_RELEASED,),
    "released_fish": (LEGAL_RELEASED, SUBLEGAL_RELEASED),
}
#: Ratios of two of those sums.
SHARES: dict[str, tuple[Columns, Columns]] = {
    "sublegal_prop": (SUBLEGAL_RELEASED, ALL_MET),
    "sublegal_per_kept": (SUBLEGAL_RELEASED, KEPT_FISH),
    MARKED_SHARE: ((1, 0, 1, 0, 0, 0), ALL_MET),
}
#: Encounters over a measure of effort.
PER_EFFORT = {
    "encounters_per_angler_trip": "angler_trips",
    "encounters_per_angler_hour": "angler_hours",
}
#: Fates and sizes whose deaths add up to each quantity.
DEATHS: dict[str, tuple[tuple[str, str], ...]] = {
    "release_deaths_fish": ((RELEASED, LEGAL), (RELEASED, SUBLEGAL)),
    "drop_off_deaths_fish": ((DROP_OFF, ANY),),
    "total_deaths_fish": (
        (KEPT_FATE, ANY),
        (RELEASED, LEGAL),
        (RELEASED, SUBLEGAL),
        (DROP_OFF, ANY),
    ),
}
#: All that this basis calculates; the other quantities are those of the interviews.
SAMPLED_QUANTITIES = frozenset((*SUMS, *SHARES, *PER_EFFORT, *DEATHS))
_NONE_RELEASED = coded("fewer_met_than_kept")


class SampledFigures:
    """Figures of the sampled basis over one choice of domains; what several need is made once."""

    def __init__(self, season: SeasonSurvey, domains: Domains) -> None:
        self._season, self._domains = season, domains
        self._made: dict[int, _Joint] = {}

    def of(self, estimator: TotalEstimator, quantity: str, totals: DomainTotals) -> DomainEstimates:
        """Return the figures of one of `SAMPLED_QUANTITIES`.

        `totals`: of the measures of marks, over the domains.
        """
        inputs, kind = self._season.by_sample, QUANTITIES[quantity].kind
        assert inputs is not None
        if totals.is_convenience:
            return _without(kind, totals, coded("no_composition_of_convenience"))
        if inputs.sample.why_none:
            return _without(kind, totals, inputs.sample.why_none)
        key = id(estimator)
        if key not in self._made:
            self._made[key] = _Joint.of(self._season, inputs, self._domains, estimator, totals)
        joint = self._made[key]
        if quantity in SUMS:
            return joint.sum(SUMS[quantity], released=RELEASED_PARTS.get(quantity, ()))
        if quantity in SHARES:
            return joint.ratio(*SHARES[quantity], kind=kind)
        if quantity in PER_EFFORT:
            return joint.per_effort(PER_EFFORT[quantity])
        return joint.deaths(DEATHS[quantity])


def _without(kind: QuantityKind, totals: DomainTotals, why: str) -> DomainEstimates:
    nothing = np.full(len(totals.code), np.nan)
    is_ratio = kind in (QuantityKind.RATE, QuantityKind.SHARE)
    missing = (why,) * len(nothing)
    return DomainEstimates(kind, nothing, nothing, nothing, SAMPLED, missing, is_ratio)


@dataclass(frozen=True, slots=True, eq=False)
class _Joint:
    """Classes and fish kept of D domains, with what interviews and sample bring to their error.

    - `fish` (D, 6); `survey`, `sample` (D, 6, 6).
    """

    season: SeasonSurvey
    inputs: SampledInputs
    domains: Domains
    estimator: TotalEstimator
    pooled: ClassExpansion
    totals: DomainTotals
    found: Sampled
    fish: Floats
    survey: Floats
    sample: Floats

    @classmethod
    def of(
        cls,
        season: SeasonSurvey,
        inputs: SampledInputs,
        domains: Domains,
        estimator: TotalEstimator,
        totals: DomainTotals,
    ) -> _Joint:
        pooled = pooled_of(season, estimator, inputs.sample)
        made = classes_with_kept(season, pooled, domains, totals)
        return cls(season, inputs, domains, estimator, pooled, totals, *made)

    def sum(self, columns: Columns, *, released: Sequence[Columns]) -> DomainEstimates:
        """Return a sum of the six columns; without a figure where one of `released` is under 0."""
        weight = np.array(columns, dtype=np.float64)
        value = self._whole(weight)
        survey, sample = (_variance(cov, weight) for cov in (self.survey, self.sample))
        survey, sample = (np.where(value == 0, 0.0, one) for one in (survey, sample))
        figures = figures_with_sample(self.found, self.totals, value, survey, sample)
        is_under = np.any([self._whole(np.array(one)) < 0 for one in released], axis=0)
        if not np.any(is_under):
            return figures
        pairs = zip(figures.missing, is_under, strict=True)
        return replace(
            figures, missing=tuple(why or _NONE_RELEASED * bool(one) for why, one in pairs)
        )

    def _whole(self, weight: Floats) -> Floats:
        """Return a sum of the six columns, 0 where it is that but for rounding."""
        value, scale = self.fish @ weight, np.maximum(self.found.value[:, -1], 1.0)
        found: Floats = np.where(np.abs(value) <= ROUNDING * scale, 0.0, value)
        return found

    def ratio(self, above: Columns, below: Columns, *, kind: QuantityKind) -> DomainEstimates:
        """Return the ratio of two sums of the six columns, by linearisation."""
        weight = np.array([above, below], dtype=np.float64)
        pair = self.fish @ weight.T
        value, survey = combined_ratio(pair, weight @ self.survey @ weight.T)
        _, sample = combined_ratio(pair, weight @ self.sample @ weight.T)
        return figures_with_sample(
            self.found, self.totals, value, survey, sample, kind=kind, name="combined_ratio"
        )

    def per_effort(self, measure: str) -> DomainEstimates:
        """Return all fish met over a measure of effort, of the boats that gave both."""
        total, cov = self._with_effort(measure)
        value, survey = combined_ratio(total, cov)
        below = np.where(total[:, 1] > 0, total[:, 1], np.nan)
        survey = survey + self.found.from_borrowed[:, -1, -1] / below**2
        sample = self.found.from_sample[:, -1, -1] / below**2
        return figures_with_sample(
            self.found,
            self.totals,
            value,
            survey,
            sample,
            kind=QuantityKind.RATE,
            name="combined_ratio",
        )

    def _with_effort(self, measure: str) -> tuple[Floats, Floats]:
        """Return all fish met and an effort, with their joint survey covariance, (D, 2), (D, 2, 2).

        The fish are the base of the boats that gave their effort at the ratios of the sample: a
        linear form ``Σ_c r_c g_c'T_c``, which is all fish met where every boat did.
        """
        analysis, base, size = marks_with_effort(), self.pooled.base, len(self.fish)
        at = analysis.measures.index(measure)
        all_met = self.pooled.ratios.value[:, -1]
        gradient = np.zeros((len(base.code), 2, len(analysis.measures)))
        gradient[:, 0, : base.gradient.shape[1]] = all_met[:, None] * base.gradient
        gradient[:, 1, at] = 1.0
        if isinstance(self.estimator, DesignEstimator):
            return self._drawn(gradient)
        totals = self.estimator.totals(analysis, self.domains)
        rows = np.searchsorted(totals.code, self.totals.code)
        slope, fish = base_slope(base, self.found.place, size)
        slope *= (self.found.value[:, -1] / np.where(fish > 0, fish, np.inf))[:, None]
        maps = np.zeros((size, 2, len(analysis.measures)))
        maps[:, 0, : slope.shape[1]] = slope
        maps[:, 1, at] = 1.0
        total = np.einsum("djk,dk->dj", maps, totals.total[rows])
        return total, np.einsum("djk,dkl,dml->djm", maps, totals.cov[rows], maps)

    def _drawn(self, gradient: Floats) -> tuple[Floats, Floats]:
        assert isinstance(self.estimator, DesignEstimator)
        form = self.estimator.units(marks_with_effort()).form
        maps = LinearMaps(self.pooled.base.code, gradient)
        return linear_totals(form, self.domains, maps, codes=self.totals.code)

    def deaths(self, keys: Sequence[tuple[str, str]]) -> DomainEstimates:
        """Return deaths of some fates: sampled releases at the mean rates of reported ones."""
        domains, plan = self._releases(), self.inputs.deaths
        numbers = np.zeros((len(domains), 5))
        missing, notes = list(self.found.missing), [""] * len(domains)
        for place, one in enumerate(domains):
            if missing[place]:
                continue
            if one is None:
                missing[place] = coded("no_reported_rates")
                continue
            needed = [key for key in keys if key[0] in plan.absent or one.many(one.kinds[key])]
            rates = [one.rates[key] for key in needed]
            lacking = [rate.missing for rate in rates]
            is_released = (RELEASED, LEGAL) in keys and one.lacks_legal
            missing[place] = (
                _NONE_RELEASED if is_released else join_codes(dict.fromkeys(filter(None, lacking)))
            )
            if missing[place]:
                continue
            found = one.deaths(needed)
            numbers[place] = (
                *(found.value, found.of_fish, found.variance),
                *(found.from_survey, found.from_sample),
            )
            means = [rate.weighted for rate in rates if len(rate.parts) > 1]
            notes[place] = join_codes(coded("mean_rate", of=of) for of in dict.fromkeys(means))
        value, of_fish, variance, survey, sample = numbers.T
        figures = figures_with_sample(
            self.found,
            self.totals,
            value,
            survey,
            sample,
            kind=QuantityKind.DEATHS,
            name=DEATHS_ESTIMATOR,
        )
        has_error = figures.variance > 0
        pairs = zip(figures.methods, notes, strict=True)
        return replace(
            figures,
            variance=np.where(has_error, variance, figures.variance),
            sample_variance=np.where(has_error, of_fish, figures.variance),
            missing=tuple(missing),
            methods=tuple(join_codes(pair) for pair in pairs),
        )

    def _releases(self) -> list[SampledReleases | None]:
        """Return what deaths of each domain follow from; None where nothing was reported of it."""
        plan = self.inputs.deaths
        reported = self.estimator.totals(plan.analysis, self.domains)
        by_rate = plan.fish(reported.total, reported.cov_of_sums)
        places = {int(code): place for place, code in enumerate(reported.code)}
        return [
            SampledReleases.of(
                self.fish[place],
                self.survey[place],
                self.sample[place],
                plan=plan,
                by_rate=by_rate,
                at=places[code],
            )
            if code in places
            else None
            for place, code in enumerate(self.totals.code.tolist())
        ]


def _variance(cov: Floats, weight: Floats) -> Floats:
    """Return the variance of a weighted sum of the columns, shape (D,)."""
    found: Floats = np.einsum("j,djk,k->d", weight, cov, weight)
    return np.maximum(found, 0.0)

"""Encounters by size and mark: interviews give the base, test fishing the classes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.arrays import add_at
from analytics.codes import coded, join_codes
from analytics.estimates.result_rows import ROUNDING_CV, DomainEstimates, mark_figures
from analytics.estimates.season_survey import BaseEncounters, base_of, borrowed_marks
from analytics.fish.composition_sample import (
    DAMPED_UNDER,
    ENOUGH_BASE,
    ENOUGH_FISH,
    Rule,
    class_ratios,
    composition_sample,
    pools_of,
)
from analytics.fish.mark_composition import (
    UNKNOWN,
    BorrowedShares,
    joint_columns,
    mark_analysis,
    mark_measures,
)
from analytics.propagation import joint_df
from analytics.quantities import QuantityKind
from analytics.survey.domains import (
    Domains,
    LinearMaps,
    aggregate_codes,
    area_week_domains,
    linear_totals,
)
from analytics.survey.estimators import DesignEstimator

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.arrays import Bools, Floats, Ints
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.fish.composition_sample import ClassRatios, CompositionSample, Pools
    from analytics.survey.domain_totals import DomainTotals
    from analytics.survey.estimators import TotalEstimator


# What stands behind sampled classes, domain by domain, as codes.


@dataclass(frozen=True, slots=True, eq=False)
class DomainWords:
    """What is said of D domains of C area-weeks.

    - `areas`: names by code.
    - `weight` (D, C): base fish of each area-week in each domain.
    - `place` (C,): the domain of each area-week.
    - `unknown` (D,): reported releases of unknown size.
    """

    areas: tuple[str, ...]
    pooled: ClassExpansion
    weight: Floats
    place: Ints
    unknown: Floats

    def missing(self) -> tuple[str, ...]:
        """Return why there is no figure; empty where there is one."""
        if self.pooled.sample.why_none:
            return (self.pooled.sample.why_none,) * len(self.weight)
        return tuple(self._missing(place) for place in range(len(self.weight)))

    def rules(self) -> tuple[str, ...]:
        """Return how samples were pooled; of several area-weeks for how many, how far at most."""
        return tuple(self._rule(place) for place in range(len(self.weight)))

    def notes(self) -> tuple[str, ...]:
        """Return base, sample, rule and assumptions."""
        borrowed = np.array(self.pooled.base.borrowed.said((0, 1)), dtype=object)
        many = enumerate(self.n_class[:, -1].tolist())
        return tuple(self._notes(place, n_fish, borrowed) for place, n_fish in many)

    @property
    def n_class(self) -> Floats:
        """Sampled fish behind each domain by class, and all of them, shape (D, 5)."""
        pools, sample = self.pooled.pools, self.pooled.sample
        hit = np.zeros((len(self.weight), len(sample.area), 4, sample.n.shape[1]), dtype=bool)
        for line in np.unique(pools.line[pools.line >= 0]):
            rows = pools.line == line
            used = (self.weight[:, rows] > 0).astype(np.float64) @ pools.member[rows] > 0
            hit |= used[:, :, None, None] & sample.classes_of(np.array([line]))[0]
        by_class = np.einsum("dgjk,gk->dj", hit, sample.n)
        all_fish = np.einsum("dgk,gk->d", hit.any(axis=2), sample.n)
        return np.concatenate([by_class, all_fish[:, None]], axis=1)

    def _missing(self, place: int) -> str:
        base, ratios = self.pooled.base, self.pooled.ratios
        here, fish = self.place == place, self.weight[place]
        lost = (fish > 0) & ~ratios.is_served
        is_legal = bool((~base.is_by_mark[lost if lost.any() else here]).any())
        unlined = lost & (self.pooled.pools.line < 0)
        if unlined.any():
            return coded("no_minimum_length_in", areas=self._names(unlined))
        if lost.any():
            n = f"{self.pooled.sample.n.sum():.0f}"
            return coded("none_legal_sampled" if is_legal else "none_legal_marked_sampled", n=n)
        if fish.any():
            return ""
        return coded("no_legal_fish" if is_legal else "no_legal_marked_fish")

    def _rule(self, place: int) -> str:
        pools, cells = self.pooled.pools, np.flatnonzero(self.weight[place] > 0)
        taken = cells[(pools.rule[cells] > Rule.OWN) & (pools.rule[cells] != Rule.NONE)]
        if not len(taken):
            return ""
        widest = pools.words[taken[np.argmax(pools.rule[taken])]]
        few = int(pools.is_few[taken].sum())
        many = coded("test_fish_of_cells", n=len(taken), of=len(cells)) if len(cells) > 1 else ""
        few_base = coded("few_expected", fish=ENOUGH_FISH, n=few, base=ENOUGH_BASE) if few else ""
        return join_codes([widest, many, few_base])

    def _notes(self, place: int, n_fish: float, borrowed: NDArray[np.object_]) -> str:
        sample, ratios = self.pooled.sample, self.pooled.ratios
        fish, rule = self.weight[place], self._rule(place)
        said = [*self._of_base(place), coded("sample_fish", n=f"{n_fish:.0f}"), rule]
        if np.any(ratios.is_damped & (fish > 0)):
            said.append(coded("damped", fish=DAMPED_UNDER))
        said.append(self._borrowed(place, borrowed))
        said += sample.left_out
        if self.unknown[place] > 0:
            said.append(coded("unknown_size_not_in_base", n=f"{self.unknown[place]:.0f}"))
        return join_codes(said)

    def _of_base(self, place: int) -> list[str]:
        base, here = self.pooled.base, self.place == place
        filled = here & (self.weight[place] > 0)
        by_mark, said = (filled if filled.any() else here) & base.is_by_mark, []
        by_size = (filled if filled.any() else here) & ~base.is_by_mark
        if by_mark.any():
            said.append(coded("base_legal_marked"))
        if by_size.any():
            said.append(coded("base_all_legal", areas=self._names(by_size)))
        unread = here & base.is_unmarked
        if unread.any():
            said.append(coded("releases_as_unmarked", areas=self._names(unread)))
        return said

    def _borrowed(self, place: int, said: NDArray[np.object_]) -> str:
        filled = (self.weight[place] > 0) & self.pooled.base.is_by_mark
        borrowed = list(filter(None, said[filled]))
        if not borrowed:
            return ""
        return (
            coded("marked_shares_borrowed", n=len(borrowed))
            if filled.sum() > 1
            else str(borrowed[0])
        )

    def _names(self, rows: Bools) -> list[str]:
        return [self.areas[one] for one in np.unique(self.pooled.base.area[rows])]


@dataclass(frozen=True, slots=True, eq=False)
class Sampled:
    """Encounters by size and mark from a sample, over D domains and the five `COLUMNS`.

    - `value` (D, 5).
    - `from_survey`, `from_sample` (D, 5, 5): (co)variances that interviews and sample bring.
    - `from_borrowed` (D, 5, 5): what borrowed marked shares bring, a part of `from_survey`.
    - `across` (D, 5, J): covariances with J linear functions of the same totals.
    - `weight` (D, C): base fish of each area-week in each domain; `place` (C,): the domain of each.
    - `missing` (length D): why there is no figure; empty where there is one.
    - `rule` (length D): how samples were pooled, as a code; empty where none was.
    - `n_class` (D, 5): sampled fish behind each figure.
    - `notes` (length D): what each figure rests on and assumes.
    """

    value: Floats
    from_survey: Floats
    from_borrowed: Floats
    from_sample: Floats
    across: Floats
    weight: Floats
    place: Ints
    ratios: ClassRatios
    missing: tuple[str, ...]
    rule: tuple[str, ...]
    n_class: Floats
    notes: tuple[str, ...]

    @property
    def cov(self) -> Floats:
        """All (co)variance, shape (D, 5, 5)."""
        return self.from_survey + self.from_sample


@dataclass(frozen=True, slots=True, eq=False)
class ClassExpansion:
    """What serves every choice of domains: the base, and the ratios of pooled samples to it.

    - `estimator`: gives the base.
    """

    estimator: TotalEstimator
    base: BaseEncounters
    sample: CompositionSample
    pools: Pools
    ratios: ClassRatios


def pooled_of(
    season: SeasonSurvey, estimator: TotalEstimator, sample: CompositionSample
) -> ClassExpansion:
    """Return base and ratios of every area-week of a season, made once."""

    def made() -> ClassExpansion:
        base = base_of(season, estimator)
        pools = pools_of(
            sample, area=base.area, week=base.week, base=base.classes, names=season.design.areas
        )
        of_class = sample.classes_of(pools.line)
        ratios = class_ratios(sample.n, pools.member, base.classes, of_class, effect=sample.effect)
        return ClassExpansion(estimator, base, sample, pools, ratios)

    return season.once(("pooled", estimator), made)


def sample_of(season: SeasonSurvey) -> CompositionSample:
    """Return the sample of a season's fish, made where no estimator has made it."""
    inputs = season.by_sample
    return inputs.sample if inputs else composition_sample(season.snapshot, season.design)


def drawn_classes(season: SeasonSurvey) -> ClassExpansion:
    """Return base and ratios at listed sites, however the season itself is estimated."""
    estimator = next((one for one in season.estimators if isinstance(one, DesignEstimator)), None)
    estimator = estimator or DesignEstimator(season.design, season.plans, season.reduction)
    return pooled_of(season, estimator, sample_of(season))


def sampled_classes(
    season: SeasonSurvey,
    pooled: ClassExpansion,
    domains: Domains,
    totals: DomainTotals,
    *,
    beside: Floats | None = None,
) -> Sampled:
    r"""Return encounters by class as ``T_j(D) = Σ_c r_cj N_c`` over the area-weeks c of a domain.

    N is the base from interviews and r the ratio from the pooled sample. The variance is
    ``Σ_cc' r_cj r_c'j Cov(N_c, N_c') + Σ_cc' N_c N_c' Cov(r_cj, r_c'j)``, as of the product of
    independent estimates (Goodman 1960); its small third term, the product of both variances, is
    left out, which errs to the safe side. The first part is exact for totals of drawn units. For
    other estimators it is ``(T_j/N)² v(N)`` with the base of the whole domain. A marked share that
    area-weeks borrow adds its own error.

    Parameters
    ----------
    season : SeasonSurvey
    pooled : ClassExpansion
    domains : Domains
    totals : DomainTotals
        Of the measures of marks, over the domains.
    beside : ndarray of float, shape (D, J, K), optional
        J linear functions of each domain's totals, whose covariances are wanted.
    """
    base, ratios, estimator = pooled.base, pooled.ratios, pooled.estimator
    fine, size = area_week_domains(season.design), len(totals.code)
    place = np.searchsorted(totals.code, aggregate_codes(domains, fine, base.code))
    weight = np.zeros((size, len(base.code)))
    weight[place, np.arange(len(base.code))] = base.fish
    value = weight @ ratios.value
    if isinstance(estimator, DesignEstimator):
        matrix = ratios.value[:, :, None] * base.gradient[:, None, :]
        if beside is not None:
            matrix = np.concatenate([matrix, beside[place]], axis=1)
        survey, across = _drawn(estimator, domains, totals.code, LinearMaps(base.code, matrix))
    else:
        survey, across = _scaled(base, totals, value, place, beside)
    words = DomainWords(season.design.areas, pooled, weight, place, totals.total[:, UNKNOWN])
    borrowed = _from_borrowed(base, ratios, place, size)
    return Sampled(
        value=value,
        from_survey=survey + borrowed,
        from_borrowed=borrowed,
        from_sample=ratios.covariance(weight),
        across=across,
        weight=weight,
        place=place,
        ratios=ratios,
        missing=words.missing(),
        rule=words.rules(),
        n_class=words.n_class,
        notes=words.notes(),
    )


def classes_with_kept(
    season: SeasonSurvey, pooled: ClassExpansion, domains: Domains, totals: DomainTotals
) -> tuple[Sampled, Floats, Floats, Floats]:
    """Return sampled classes, and with fish kept as a sixth column what both sources bring.

    Parameters as of `sampled_classes`.

    Returns
    -------
    found : Sampled
    fish : ndarray of float, shape (D, 6)
    survey, sample : ndarray of float, shape (D, 6, 6)
        (Co)variances that interviews and sample bring.
    """
    kept = np.isin(list(mark_measures()), ["kept_all"]).astype(np.float64)
    beside = np.broadcast_to(kept, (len(totals.code), 1, len(kept)))
    found = sampled_classes(season, pooled, domains, totals, beside=beside)
    fish, survey = joint_columns(
        found.value,
        found.from_survey,
        found.across[:, :, 0],
        totals.total[:, 0],
        totals.cov_of_sums[:, 0, 0],
    )
    return found, fish, survey, np.pad(found.from_sample, ((0, 0), (0, 1), (0, 1)))


def _drawn(
    estimator: DesignEstimator, domains: Domains, codes: Ints, maps: LinearMaps
) -> tuple[Floats, Floats]:
    """Return the exact survey covariance of the classes, and theirs with other functions."""
    form = estimator.units(mark_analysis()).form
    _, cov = linear_totals(form, domains, maps, codes=codes)
    return cov[:, :5, :5].copy(), cov[:, :5, 5:]


def _from_borrowed(base: BaseEncounters, ratios: ClassRatios, place: Ints, size: int) -> Floats:
    """Return what the error of borrowed marked shares adds to each domain, shape (D, 5, 5)."""
    joint = joint_borrowed(base, ratios, place == np.arange(size)[:, None])
    found: Floats = np.einsum("djdi->dji", joint).copy()
    return found


def joint_borrowed(base: BaseEncounters, ratios: ClassRatios, member: Bools) -> Floats:
    """Return what the error of borrowed marked shares adds; one share has one error everywhere.

    `member` (D, C): area-weeks of each domain. The result is (D, 5, D, 5).
    """
    added = np.zeros((len(member), 5, len(member), 5))
    for part in (0, 1):
        fish, source = base.total[:, 3 * part], base.borrowed.source[:, part]
        for one in np.unique(source[(source >= 0) & base.is_by_mark]):
            rows = (source == one) & base.is_by_mark
            sums = member[:, rows] @ (ratios.value[rows] * fish[rows, None])
            variance = base.borrowed.variance[rows, part][0]
            added += variance * np.einsum("dj,ei->djei", sums, sums)
    return added


def _scaled(
    base: BaseEncounters,
    totals: DomainTotals,
    value: Floats,
    place: Ints,
    beside: Floats | None,
) -> tuple[Floats, Floats]:
    """Return the survey covariance where only that of complete domains can be had.

    The base of a domain is ``Σ_c g_c'T_c = g'T`` with g the mean of the gradients of its
    area-weeks, each weighted by its totals: borrowed shares, and areas with another base, enter so.
    The covariance with another function h of the totals is ``(T_j/N) g'V h``.
    """
    slope, fish = base_slope(base, place, len(value))
    variance = np.einsum("dk,dkl,dl->d", slope, totals.cov_of_sums, slope)
    cv2 = np.maximum(variance, 0.0) / np.where(fish > 0, fish, np.nan) ** 2
    cov = np.einsum("dj,di,d->dji", value, value, np.where(fish > 0, cv2, 0.0))
    if beside is None:
        return cov, np.zeros((*value.shape, 0))
    per_fish = value / np.where(fish > 0, fish, np.inf)[:, None]
    with_base = np.einsum("dk,dkl,dml->dm", slope, totals.cov_of_sums, beside)
    return cov, per_fish[:, :, None] * with_base[:, None, :]


def base_slope(base: BaseEncounters, place: Ints, size: int) -> tuple[Floats, Floats]:
    """Return the mean gradient of the base in each domain, (D, K), and its fish, (D,).

    `place` (C,): the domain of each area-week.
    """
    sums = add_at(place, base.total, size)
    parts = add_at(place, base.gradient * base.total, size)
    slope = np.where(sums != 0, parts / np.where(sums != 0, sums, 1.0), 0.0)
    return slope, parts.sum(axis=1)


# Encounters by size and mark as figures: as reported, or one sum of sampled classes.

SAMPLED = "sampled_composition"


class MarkFigures:
    """Figures of reported marks over one choice of domains; borrowed shares are made once."""

    def __init__(self, season: SeasonSurvey, domains: Domains) -> None:
        self._season, self._domains = season, domains
        self._borrowed: dict[int, BorrowedShares] = {}

    def of(self, estimator: TotalEstimator, quantity: str, totals: DomainTotals) -> DomainEstimates:
        """Return the figures of one quantity of marks."""
        if totals.is_convenience:
            return mark_figures(quantity, totals)
        key = id(estimator)
        if key not in self._borrowed:
            self._borrowed[key] = borrowed_marks(self._season, estimator, self._domains, totals)
        return mark_figures(quantity, totals, self._borrowed[key])


def sampled_figures(found: Sampled, column: int, totals: DomainTotals) -> DomainEstimates:
    """Return one class of a sampled season as figures.

    Parameters
    ----------
    found : Sampled
    column : int
        Place in `analytics.fish.composition_sample.COLUMNS`.
    totals : DomainTotals
        Of the measures of marks, over the same domains.
    """
    survey, sample = (one[:, column, column] for one in (found.from_survey, found.from_sample))
    return figures_with_sample(found, totals, found.value[:, column], survey, sample)


def figures_with_sample(
    found: Sampled,
    totals: DomainTotals,
    value: Floats,
    survey: Floats,
    sample: Floats,
    *,
    kind: QuantityKind = QuantityKind.TOTAL,
    name: str = SAMPLED,
) -> DomainEstimates:
    """Return figures that interviews and a sample of fish both bring an error to.

    Degrees of freedom are joined from those of the survey and the sampled fish behind the domain
    less one (`propagation.joint_df`). Where interviews should bring an error and none is to
    be had, there is none in all.

    `value`, `survey`, `sample` (D,): the figure, and the variance that each brings; `name`: of the
    estimator.
    """
    lacks = lacks_survey_error(found, totals)
    own_df = totals.support.df.astype(np.float64)
    joint = joint_df([survey, sample], [own_df, np.maximum(found.n_class[:, -1] - 1, 0)])
    variance = np.where(lacks, 0.0, survey + sample)
    return DomainEstimates(
        kind,
        value,
        variance,
        variance,
        name,
        found.missing,
        is_ratio=kind in (QuantityKind.RATE, QuantityKind.SHARE),
        methods=tuple(join_codes(dict.fromkeys((name, SAMPLED, said))) for said in found.notes),
        df=np.where(lacks | np.isnan(survey), own_df, joint),
        is_sampled=(sample > 0) | (value == 0),
        composition_variance=np.where(lacks, 0.0, sample),
    )


def lacks_survey_error(found: Sampled, totals: DomainTotals) -> Bools:
    """Return where interviews should bring an error to all classes together and bring none."""
    of_all, total = found.from_survey[:, -1, -1], found.value[:, -1]
    is_none = of_all <= (ROUNDING_CV * total) ** 2
    lacks: Bools = is_none & (total > 0) & ~totals.support.is_census
    return lacks

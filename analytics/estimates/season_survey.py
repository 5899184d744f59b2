"""A season made ready: its design, one pass over its interviews, and its estimators.

What interviews know of the base class by area and week is summed here, and whose marked share
others borrow.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.arrays import add_at, places_of
from analytics.data.kept import MakesOnce
from analytics.errors import UsageError
from analytics.fish.composition_sample import composition_sample
from analytics.fish.mark_composition import (
    MARK_QUANTITIES,
    PARTS,
    BorrowedShares,
    DonorDomain,
    borrow_shares,
    mark_analysis,
    mark_measures,
    marked,
    marks_with_effort,
    nothing_borrowed,
    parts_unread,
)
from analytics.fish.release_mortality import has_no_sizes, plan_deaths
from analytics.quantities import QUANTITIES, QuantityKind
from analytics.settings import EffortSource, EstimationSettings, FishBasis
from analytics.survey.build import build_design, seasons_with_data
from analytics.survey.coverage import CoverageExpandedEstimator, coverage_of
from analytics.survey.design import StratumTreatments
from analytics.survey.domains import Domains, area_week_domains
from analytics.survey.effort_times_rate import (
    EffortTimesRateEstimator,
    count_boats,
    incomplete_trips,
    rate_measures,
    with_boat_hours,
)
from analytics.survey.estimators import (
    ConvenienceEstimator,
    DesignEstimator,
    clusters_of,
    convenience_design,
    convenience_interviews,
)
from analytics.survey.reduction import (
    EFFORT,
    UNKNOWN_RECORDED,
    Reduction,
    catch_measures,
    whole_catch_analyses,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from analytics.arrays import Bools, Floats, Ints
    from analytics.data.query import Source
    from analytics.data.snapshot import Snapshot
    from analytics.fish.composition_sample import CompositionSample
    from analytics.fish.release_mortality import DeathPlan
    from analytics.survey.design import Design
    from analytics.survey.domain_totals import DomainTotals
    from analytics.survey.estimators import TotalEstimator
    from analytics.survey.reduction import Analysis, Measure


#: The usual settings: strata borrow, effort from interviews, totals at listed sites.
DEFAULT_SETTINGS = EstimationSettings()


@dataclass(frozen=True, slots=True, eq=False)
class SampledInputs:
    """Fish of test fishing, and a plan of deaths that keeps size classes and methods apart."""

    sample: CompositionSample
    deaths: DeathPlan


@dataclass(frozen=True, slots=True, eq=False)
class SeasonSurvey(MakesOnce):
    """One season, reduced once and ready for estimates at any level.

    Parameters
    ----------
    snapshot : Snapshot
        What it was prepared from: its tables, and what is made of them once.
    design : Design
    plans : StratumTreatments
        How thin strata are treated.
    deaths : DeathPlan
    analyses : mapping of str to Analysis
        The analysis behind every quantity.
    reduction : Reduction
        Sums of every analysis by site-day and area fished.
    estimators : tuple of TotalEstimator
        Where totals come from; the first that knows a domain is taken.
    basis : FishBasis
        Where released fish come from.
    by_sample : SampledInputs or None
        What the sampled basis needs; None where it was not asked for.
    mark_selective : frozenset of int
        Codes of areas in which only marked fish may be kept, in some opening.
    any_mark : frozenset of int
        Codes of areas in which unmarked fish may be kept, too, in every opening, as recorded.
    whole : SeasonSurvey, optional
        The same season through a later week, whose sums serve this one.
    """

    snapshot: Snapshot
    design: Design
    plans: StratumTreatments
    deaths: DeathPlan
    analyses: Mapping[str, Analysis]
    reduction: Reduction
    estimators: tuple[TotalEstimator, ...]
    basis: FishBasis
    by_sample: SampledInputs | None
    mark_selective: frozenset[int]
    any_mark: frozenset[int]
    whole: SeasonSurvey | None = None
    _made: dict[object, Any] = field(default_factory=dict)

    @property
    def design_estimator(self) -> DesignEstimator:
        """The estimator that follows the sampling design; every prepared season has one."""
        return next(one for one in self.estimators if isinstance(one, DesignEstimator))

    def reduced(self, measures: Mapping[str, Measure], analyses: Sequence[Analysis]) -> Reduction:
        """Return the sums of further analyses by site-day and area fished."""
        whole = self.whole or self

        def make() -> Reduction:
            return Reduction(
                whole.snapshot.source("interviews"),
                design=whole.design,
                measures=measures,
                analyses=analyses,
            )

        if whole is self:
            return make()
        key = ("reduced", *measures.values(), *analyses)
        return whole.once(key, make).within(self.design)


def prepare_survey(
    snapshot: Snapshot,
    *,
    season: str | None = None,
    through: str | None = None,
    settings: EstimationSettings = DEFAULT_SETTINGS,
    design: Design | None = None,
) -> SeasonSurvey:
    """Build the design of a season and reduce its interviews, once for every level.

    Parameters, and errors raised, as of `analytics.estimates.estimate.estimate`; `settings` says
    how totals are estimated. `design`: that of the season where it is at hand, made from the same
    tables or from tables in which boats reported other numbers.
    """
    season = season or (_latest(snapshot) if design is None else design.season)
    met = convenience_interviews(snapshot, season=season)
    design = design or build_design(snapshot, season=season, through=through, met=met)
    plans = StratumTreatments(design, thin=settings.thin)
    interviews = snapshot.source("interviews")
    deaths = plan_deaths(
        interviews,
        snapshot["release_rates"],
        snapshot["drop_off"],
        unsized=has_no_sizes(interviews, design.site_days.sample_id.tolist(), met),
    )
    by_sample = _sampled_inputs(snapshot, design, deaths, settings)
    possible = _analyses(deaths)
    measures = catch_measures() | mark_measures() | deaths.measures | EFFORT
    counts = settings.effort is EffortSource.COUNTS
    requested = [*itertools.chain(*possible.values()), UNKNOWN_RECORDED]
    if by_sample is not None and not by_sample.sample.why_none:
        measures |= by_sample.deaths.measures
        requested += [marks_with_effort(), by_sample.deaths.analysis]
    requested += map(with_boat_hours, list(requested)) if counts else ()
    ask = partial(Reduction, analyses=requested)
    *others, drawn = season_estimators(snapshot, design, plans, partial(ask, measures=measures))
    assert isinstance(drawn, DesignEstimator)
    estimator: TotalEstimator = drawn
    if counts:
        counted = count_boats(snapshot, design, day_hours=settings.day_hours)
        trips = incomplete_trips(snapshot, season=season)
        by_day = convenience_design(design, clusters_of(trips))
        rates = ask(trips, design=by_day, measures=rate_measures(measures))
        estimator = EffortTimesRateEstimator(
            drawn, counted, (by_day, rates) if len(trips) else None
        )
    elif settings.expand:
        estimator = CoverageExpandedEstimator(drawn, coverage_of(snapshot, design))
    estimators = (*others, estimator)
    return SeasonSurvey(
        snapshot,
        design,
        plans,
        deaths,
        {name: _with_responses(estimators, some) for name, some in possible.items()},
        drawn.reduction,
        estimators,
        settings.basis,
        by_sample,
        *_mark_rules(snapshot, design),
    )


def survey_through(whole: SeasonSurvey, through: str) -> SeasonSurvey:
    """Return a season through an earlier week, as `prepare_survey` gives it, from sums at hand.

    Of a season of a probability sample that was prepared with `EstimationSettings` of the reported
    basis and no other choice; where the sums at hand do not serve, it is prepared from its rows.
    """
    snapshot, season = whole.snapshot, whole.design.season
    met = convenience_interviews(snapshot, season=season)
    design = build_design(snapshot, season=season, through=through, met=met)
    units = design.site_days.sample_id.tolist()
    unsized = has_no_sizes(snapshot.source("interviews"), units, met)
    is_within = set(units) <= set(whole.design.site_days.sample_id.tolist())
    if len(whole.estimators) > 1 or unsized != whole.deaths.unsized or not is_within:
        settings = EstimationSettings(basis=whole.basis)
        return prepare_survey(snapshot, season=season, through=through, settings=settings)
    plans = StratumTreatments(design)
    estimator = DesignEstimator(design, plans, whole.reduction.within(design))
    selective, any_mark = _mark_rules(snapshot, design)
    possible = _analyses(whole.deaths)
    return replace(
        whole,
        design=design,
        plans=plans,
        analyses={name: _with_responses([estimator], some) for name, some in possible.items()},
        reduction=estimator.reduction,
        estimators=(estimator,),
        mark_selective=selective,
        any_mark=any_mark,
        whole=whole,
        _made={},
    )


def interview_sources(snapshot: Snapshot, design: Design) -> list[tuple[Design, Source]]:
    """Return a season's interviews with their design: those of convenience, if any, and all."""
    met = convenience_interviews(snapshot, season=design.season)
    drawn = (design, snapshot.source("interviews"))
    return [(convenience_design(design, clusters_of(met)), met), drawn] if len(met) else [drawn]


def season_estimators(
    snapshot: Snapshot, design: Design, plans: StratumTreatments, reduce: Callable[..., Reduction]
) -> list[TotalEstimator]:
    """Return where totals of a season come from; the first that knows a domain is taken.

    Parameters
    ----------
    snapshot : Snapshot
    design : Design
    plans : StratumTreatments
    reduce : callable
        Makes a `Reduction` of interviews and, by keyword, a ``design``.

    Returns
    -------
    list of TotalEstimator
        That of interviews of convenience, if there are any, and that of the design.
    """
    return [
        DesignEstimator(design, plans, reduce(rows, design=one))
        if one is design
        else ConvenienceEstimator(one, reduce(rows, design=one))
        for one, rows in interview_sources(snapshot, design)
    ]


def known_totals(
    estimators: Iterable[TotalEstimator], analysis: Analysis, domains: Domains
) -> Iterator[tuple[TotalEstimator, DomainTotals, dict[int, int]]]:
    """Yield the totals of each estimator, with the place of every domain that none before it knows.

    Yields
    ------
    TotalEstimator, DomainTotals, dict of int to int
        Places in the totals by code of the domain.
    """
    known: set[int] = set()
    for estimator in estimators:
        totals = estimator.totals(analysis, domains)
        codes = enumerate(totals.code.tolist())
        places = {code: place for place, code in codes if code not in known}
        known |= set(places)
        yield estimator, totals, places


def _mark_rules(snapshot: Snapshot, design: Design) -> tuple[frozenset[int], frozenset[int]]:
    """Return the areas of which some opening is mark-selective, and those known to have none."""
    seasons = snapshot["seasons"].select(["season", "area", "mark_selective"]).to_pylist()
    by_area: dict[str, set[bool | None]] = {}
    for one in seasons:
        if one["season"] == design.season:
            by_area.setdefault(one["area"], set()).add(one["mark_selective"])
    rules = [by_area.get(area, set()) for area in design.areas]
    selective = frozenset(code for code, one in enumerate(rules) if True in one)
    return selective, frozenset(code for code, one in enumerate(rules) if one == {False})


def _latest(snapshot: Snapshot) -> str:
    known = seasons_with_data(snapshot)
    if not known:
        raise UsageError("the store holds no season yet; import areas, sites, seasons, site_days")
    return known[-1]


def _analyses(deaths: DeathPlan) -> dict[str, tuple[Analysis, ...]]:
    """Return the analyses that may stand behind each quantity, the first with responses first."""
    of_deaths = [name for name, one in QUANTITIES.items() if one.kind is QuantityKind.DEATHS]
    return (
        whole_catch_analyses()
        | dict.fromkeys(MARK_QUANTITIES, (mark_analysis(),))
        | dict.fromkeys(of_deaths, (deaths.analysis,))
    )


def _with_responses(
    estimators: Iterable[TotalEstimator], analyses: tuple[Analysis, ...]
) -> Analysis:
    """Return the first analysis that some interview responded to; the last where none did."""
    *wider, last = analyses
    known = (one for one in wider if any(each.has_responses(one) for each in estimators))
    return next(known, last)


def _sampled_inputs(
    snapshot: Snapshot, design: Design, deaths: DeathPlan, settings: EstimationSettings
) -> SampledInputs | None:
    if settings.basis is FishBasis.REPORTED:
        return None
    by_size = deaths_in_detail(snapshot, deaths).renamed("by_size")
    return SampledInputs(composition_sample(snapshot, design), by_size)


def deaths_in_detail(snapshot: Snapshot, deaths: DeathPlan) -> DeathPlan:
    """Return a season's plan of deaths with size classes and fishing methods apart."""
    return plan_deaths(
        snapshot.source("interviews"),
        snapshot["release_rates"],
        snapshot["drop_off"],
        detail=True,
        unsized=deaths.unsized,
    )


LEGAL_MARKED = "encounter_legal_marked_fish"
#: Legal releases borrow, from kept fish.
_KEPT_AS_DONOR = (list(PARTS).index("released_legal"), list(PARTS).index("kept"))
_MEASURES = list(mark_measures())
#: Picks all legal fish, kept and released, from the measures of marks.
ALL_LEGAL = np.isin(_MEASURES, ["kept_all", "released_legal_all"]).astype(np.float64)


def borrowed_marks(
    season: SeasonSurvey, estimator: TotalEstimator, domains: Domains, totals: DomainTotals
) -> BorrowedShares:
    """Return the marked shares that domains borrow; nothing wider is totalled where none has to.

    Parameters
    ----------
    season : SeasonSurvey
    estimator : TotalEstimator
    domains : Domains
    totals : DomainTotals
        Of the measures of marks, over the domains.
    """
    parts = list(PARTS)
    if not parts_unread(totals.total, len(parts)).any():
        return nothing_borrowed(len(totals.total), len(parts))
    return borrow_shares(
        totals.total, donor_domains(season, estimator, domains, totals.code), parts=parts
    )


def donor_domains(
    season: SeasonSurvey, estimator: TotalEstimator, domains: Domains, code: Ints
) -> tuple[DonorDomain, ...]:
    """Return the domains from which others borrow a marked share, the nearest first.

    `code` (D,): of the domains that may borrow.

    For domains of an area: its season, then all areas with the same rule on keeping marked fish,
    their covariances left out; for others the season. For legal releases kept fish of the
    season come last, where every opening says that unmarked fish may be kept as well.
    """
    analysis, n_weeks = mark_analysis(), domains.n_weeks
    if not domains.by_area:
        widest = estimator.totals(analysis, Domains(by_area=False, by_week=False, n_weeks=n_weeks))
        place = np.zeros(len(code), dtype=np.int64)
        free = place if len(season.any_mark) == len(season.design.areas) else place - 1
        return (
            DonorDomain(widest.total, widest.cov, place, "season"),
            DonorDomain(widest.total, widest.cov, free, "kept_of_season", *_KEPT_AS_DONOR),
        )
    by_area = Domains(by_area=True, by_week=False, n_weeks=n_weeks)
    areas = estimator.totals(analysis, by_area)
    place = places_of(code // (n_weeks + 1) * (n_weeks + 1), areas.code)
    rule = np.isin(by_area.areas_of(areas.code), list(season.mark_selective)).astype(np.int64)
    total, cov = (add_at(rule, one, 2) for one in (areas.total, np.nan_to_num(areas.cov)))
    area = by_area.areas_of(code)
    mine = np.isin(area, list(season.mark_selective)).astype(np.int64)
    free = np.where(np.isin(area, list(season.any_mark)), place, -1)
    return (
        DonorDomain(areas.total, areas.cov, place, "area_season"),
        DonorDomain(total, cov, mine, "same_rule_areas"),
        DonorDomain(areas.total, areas.cov, free, "kept_of_area_season", *_KEPT_AS_DONOR),
    )


@dataclass(frozen=True, slots=True, eq=False)
class BaseEncounters:
    """The base class according to interviews in each of C area-weeks.

    - `code`, `area`, `week` (C,): fine code, code of the area, and week as whole weeks since an
      origin.
    - `fish` (C,).
    - `gradient` (C, K): slope of `fish` in the totals of the measures of marks.
    - `classes` (C, 4): which classes the base holds.
    - `total` (C, K).
    - `is_unmarked` (C,): where legal releases are taken as unmarked, since no mark of one was read.
    """

    code: Ints
    area: Ints
    week: Ints
    fish: Floats
    gradient: Floats
    classes: Bools
    total: Floats
    borrowed: BorrowedShares
    is_unmarked: Bools

    @property
    def is_by_mark(self) -> Bools:
        """Where the base is legal marked fish, and not all legal fish, shape (C,)."""
        found: Bools = ~self.classes[:, 1]
        return found


def base_of(season: SeasonSurvey, estimator: TotalEstimator) -> BaseEncounters:
    """Return the base of every area-week: legal marked fish, kept or released.

    In an area where no mark of a kept fish was read all season, the base is all legal fish. A
    legal release is taken as unmarked where no mark of one was read in any area alike.
    """
    fine = area_week_domains(season.design)
    totals = estimator.totals(mark_analysis(), fine)
    key, week_key = np.divmod(totals.code, fine.n_weeks + 1)
    wider = donor_domains(season, estimator, fine, totals.code)
    borrowed = borrow_shares(totals.total, wider, parts=list(PARTS))
    found = marked(LEGAL_MARKED, totals.total, totals.cov, borrowed=borrowed)
    of_season = wider[0].total[wider[0].place]
    column = {name: of_season[:, place] for place, name in enumerate(_MEASURES)}
    none_kept = (column["kept_all"] == 0) & (column["released_legal_read"] > 0)
    by_mark = (column["kept_read"] > 0) | none_kept
    marks, legal = (np.array(mask, dtype=bool) for mask in ([1, 0, 0, 0], [1, 1, 0, 0]))
    unread = (totals.total[:, 3] > 0) & (totals.total[:, 4] == 0) & np.isnan(borrowed.share[:, 1])
    return BaseEncounters(
        code=totals.code,
        area=key - 1,
        week=season.design.week_ordinal[week_key - 1],
        fish=np.where(by_mark, found.value, totals.total @ ALL_LEGAL),
        gradient=np.where(by_mark[:, None], found.gradient, ALL_LEGAL),
        classes=np.where(by_mark[:, None], marks, legal),
        total=totals.total,
        borrowed=borrowed,
        is_unmarked=unread & by_mark,
    )

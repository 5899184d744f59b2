"""What the error of season figures is made of, and how the errors of areas go together.

The variance of a figure is split by part, landing area, week and stratum. It is linear in the
covariance of the totals behind it. That covariance is a sum over strata and stages, so each of its
terms goes through the very function that makes the figure. The covariance of areas lets figures of
chosen areas be added up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.estimates.result_rows import domain_names, reported_figures, result_row
from analytics.estimates.sampled_basis import (
    PER_EFFORT,
    SAMPLED_QUANTITIES,
    SHARES,
    SUMS,
    SampledFigures,
)
from analytics.estimates.schemas import AREA_COVARIANCE_SCHEMA, VARIANCE_SCHEMA
from analytics.estimates.season_survey import borrowed_marks
from analytics.estimates.size_mark_classes import joint_borrowed, pooled_of
from analytics.fish.composition_sample import COLUMNS
from analytics.fish.mark_composition import (
    MARK_QUANTITIES,
    BorrowedShares,
    mark_analysis,
    mark_measures,
    marks_with_effort,
)
from analytics.quantities import QUANTITIES, RATIOS, QuantityKind
from analytics.settings import FishBasis
from analytics.survey.domain_totals import joint_totals
from analytics.survey.domains import (
    Domains,
    LinearForm,
    LinearMaps,
    add_borrowed,
    aggregate_codes,
    area_week_domains,
    first_stage_variance,
    linear_totals,
    matrices,
)
from analytics.survey.estimators import DesignEstimator

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from analytics.arrays import Floats, Ints
    from analytics.estimates.result_rows import DomainEstimates
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.estimates.size_mark_classes import ClassExpansion
    from analytics.fish.composition_sample import CompositionSample
    from analytics.survey.design import Design
    from analytics.survey.domain_totals import DomainTotals
    from analytics.survey.reduction import Analysis

    #: Of each week, None for the season: totals (A, J) and their covariance (A J, A J).
    Weeks = Iterable[tuple[int | None, tuple[Floats, Floats]]]


Row = dict[str, Any]


class VariancePart(StrEnum):
    """What a part of a variance comes from."""

    BETWEEN = "between_units"  # site-days (or days) of a stratum differ
    WITHIN = "within_units"  # boats of a site-day that were not interviewed
    MISSED = "missed_days"  # site-days with boats and no interview, taken from their boats
    COLLAPSED = "collapsed_strata"  # strata with one unit
    IMPUTED = "imputed_strata"  # strata with open days and no sample
    MARKED_SHARES = "borrowed_marked_shares"  # marks that nobody read
    RATES = "mortality_rates"
    INTERVIEWS = "interviews"  # on the sampled basis: every stage of the survey together
    TEST_FISHING = "test_fishing"  # on the sampled basis: size and mark of the fish sampled


#: The parts that lie in a stratum.
_OF_STRATA = tuple(VariancePart)[:5]


@dataclass(frozen=True, slots=True, eq=False)
class CovarianceTerms:
    """The covariance of K totals over domains as a sum of R terms.

    - `place`, `part`, `stratum` (R,): the domain's place among the codes, the place in
      `VariancePart`, and the stratum's code.
    - `cov` (R, K, K).
    """

    place: Ints
    part: Ints
    stratum: Ints
    cov: Floats


def covariance_terms(
    season: SeasonSurvey, analysis: Analysis, domains: Domains, codes: Ints
) -> CovarianceTerms:
    r"""Return the terms of `survey.domain_totals.totals_of_cells`' covariance, over entire seasons.

    Of a stratum with weight b = N + a, a of it for strata without a sample, the terms with N in the
    place of b are its own; what b adds to them is of the imputed strata, as is the variance that
    these borrow. It stands beside the stratum of the donors, the borrowed one beside the imputed
    stratum. Domains are those of no week, since the weights of weeks add up there alone.
    """
    design = season.design
    units = season.design_estimator.units(analysis, by_area=domains.by_area)
    plan, cells = units.plan, units.cells
    form = LinearForm.of(design, plan, cells, domains)
    size, n_strata = len(codes), len(design.strata.label)
    own = design.strata.n_frame[design.units.stratum[form.weights.unit]]
    is_direct = design.units.week[form.weights.unit] < design.n_weeks_estimated
    direct = replace(form, weights=replace(form.weights, weight=np.where(is_direct, own, 0.0)))
    found = np.zeros((len(_OF_STRATA), n_strata * size, len(cells.pair)))
    of = {part: found[at] for at, part in enumerate(_OF_STRATA)}
    for part, own_cov, cov in zip(
        _OF_STRATA, _stages(direct, codes), _stages(form, codes), strict=False
    ):
        of[part] += own_cov
        of[VariancePart.IMPUTED] += cov - own_cov
    one = form.borrowed
    code = domains.code(cells.key[one.cell], one.week_key)
    for part, imputed in ((VariancePart.IMPUTED, True), (VariancePart.COLLAPSED, False)):
        rows = np.flatnonzero(np.isin(code, codes) & (plan.are_imputed[one.of] == imputed))
        at = plan.borrowers[one.of[rows]] * size + np.searchsorted(codes, code[rows])
        borrowed = cells.total[one.cell[rows]] * one.weight[rows, None]
        add_borrowed(of[part], one.of[rows], at, borrowed, one, pair=cells.pair)
    kept = np.nonzero((found != 0).any(axis=2))
    cov = matrices(found[kept], cells.pair, len(analysis.measures))
    return CovarianceTerms(kept[1] % size, kept[0], kept[1] // size, cov)


def _stages(form: LinearForm, codes: Ints) -> tuple[Floats, Floats, Floats]:
    """Return (co)variances between units, within them, and of missed site-days.

    By stratum and domain, each (strata x domains, P). Of a day with sites inside, what missed
    site-days bring is within.
    """
    cells, size, design = form.cells, len(codes), form.design
    place = form.stratum * size + np.searchsorted(codes, form.code)
    length = len(design.strata.label) * size
    part = cells.total[form.cell] * form.weight[:, None]
    first = first_stage_variance(
        form, stratum=form.stratum, place=place, part=part, size=length, pair=cells.pair
    )
    share = form.plan.n_active[form.stratum] / design.strata.n_frame[form.stratum]
    inside = cells.second_stage_cov.each(lambda column: column[..., form.cell])
    missed = design.site_days.unit[np.flatnonzero(form.plan.missed)]
    is_missed = np.isin(cells.unit, missed)[form.cell] & ~design.strata.of_days[form.stratum]
    factor = form.weight**2 * share
    within, of_missed = (
        inside.add_at(place, length, factor=np.where(rows, factor, 0.0))
        for rows in (~is_missed, is_missed)
    )
    return first, within, of_missed


# Figures, and the variances of their parts.


@dataclass(frozen=True, slots=True, eq=False)
class _Budget:
    """Figures of one quantity over domains: T terms of their survey variance, and its other parts.

    `variance` (T,) belongs to the terms; `other` (D,) by part.
    """

    figures: DomainEstimates
    totals: DomainTotals
    terms: CovarianceTerms
    variance: Floats
    other: dict[VariancePart, Floats]


def variance_budget(season: SeasonSurvey, *, level: float = 0.95) -> pa.Table:
    """Return what the variance of each season figure is made of, for all areas and for each.

    Those of interviews of convenience are left out, as are those without a standard error. What
    interviews bring to figures of the sampled basis is one part: it is in no stratum alone.

    Parameters
    ----------
    season : SeasonSurvey
        Prepared with effort from interviews, at listed sites.
    level : float
        Confidence level.

    Returns
    -------
    pyarrow.Table
        In `VARIANCE_SCHEMA`. The rows of a domain, quantity and split add up to the variance.
    """
    rows: list[Row] = []
    for by_area in (False, True):
        domains = Domains(by_area=by_area, by_week=False, n_weeks=len(season.design.weeks))
        terms: dict[Analysis, CovarianceTerms] = {}
        sampled = SampledFigures(season, domains) if season.basis is FishBasis.SAMPLED else None
        for quantity in QUANTITIES:
            if sampled is not None and quantity in SAMPLED_QUANTITIES:
                budget = _of_sample(season, quantity, domains, sampled)
            else:
                budget = _budget(season, quantity, domains, terms)
            if budget is not None:
                rows += _rows(season.design, quantity, domains, budget, level)
    return pa.Table.from_pylist(rows, schema=VARIANCE_SCHEMA)


def _budget(
    season: SeasonSurvey, quantity: str, domains: Domains, known: dict[Analysis, CovarianceTerms]
) -> _Budget | None:
    """Return the budget of a quantity; None where no design stands behind."""
    analysis, drawn = season.analyses[quantity], season.estimators[-1]
    if not isinstance(drawn, DesignEstimator) or not drawn.has_responses(analysis):
        return None
    totals = drawn.totals(analysis, domains)
    if analysis not in known:
        known[analysis] = covariance_terms(season, analysis, domains, totals.code)
    terms, borrowed = known[analysis], None
    if quantity in MARK_QUANTITIES:
        borrowed = borrowed_marks(season, drawn, domains, totals)
    figures = reported_figures(quantity, totals, season.deaths, borrowed)
    no_cov = replace(totals, cov=np.zeros_like(totals.cov))
    constant = reported_figures(quantity, no_cov, season.deaths, borrowed).sample_variance
    at = terms.place
    split = replace(totals, code=totals.code[at], total=totals.total[at], cov=terms.cov)
    by_term = reported_figures(
        quantity, split, season.deaths, None if borrowed is None else _of(borrowed, at)
    )
    other = {
        VariancePart.MARKED_SHARES: constant,
        VariancePart.RATES: figures.variance - figures.sample_variance,
    }
    return _Budget(figures, totals, terms, by_term.sample_variance - constant[at], other)


def _of_sample(
    season: SeasonSurvey, quantity: str, domains: Domains, sampled: SampledFigures
) -> _Budget | None:
    """Return the budget of a quantity of the sampled basis: interviews, test fishing and rates."""
    drawn = season.estimators[-1]
    if not isinstance(drawn, DesignEstimator) or not drawn.has_responses(mark_analysis()):
        return None
    totals = drawn.totals(mark_analysis(), domains)
    figures = sampled.of(drawn, quantity, totals)
    if figures.composition_variance is None:
        return None
    other = {
        VariancePart.INTERVIEWS: figures.sample_variance - figures.composition_variance,
        VariancePart.TEST_FISHING: figures.composition_variance,
        VariancePart.RATES: figures.variance - figures.sample_variance,
    }
    nowhere = np.zeros(0, dtype=np.int64)
    terms = CovarianceTerms(nowhere, nowhere, nowhere, np.zeros((0, 0, 0)))
    return _Budget(figures, totals, terms, np.zeros(0), other)


def _of(borrowed: BorrowedShares, places: Ints) -> BorrowedShares:
    """Return the shares that the domains at some places borrow."""
    return BorrowedShares(
        borrowed.share[places],
        borrowed.variance[places],
        borrowed.source[places],
        tuple(borrowed.words[at] for at in places),
    )


# Rows: one variance split in several ways.


def _rows(
    design: Design, quantity: str, domains: Domains, budget: _Budget, level: float
) -> Iterator[Row]:
    for place, code in enumerate(budget.totals.code.tolist()):
        area = domains.cell(code)[0]
        row = result_row(design, budget.totals, budget.figures, place, area=area, level=level)
        if not row.get("se"):
            continue
        head = {**domain_names(design, domains, code), "quantity": quantity}
        head.pop("week")
        total = row["se"] ** 2
        for one in _splits(design, budget, place, of_strata=area is None):
            yield head | one | {"share": one["variance"] / total}


def _splits(design: Design, budget: _Budget, place: int, *, of_strata: bool) -> Iterator[Row]:
    """Yield the variance of one domain by part, landing area and week, and by stratum if asked."""
    mine = np.flatnonzero(budget.terms.place == place)
    variance, stratum = budget.variance[mine], budget.terms.stratum[mine]
    names = [str(one) for one in _OF_STRATA]
    other = [
        {"part": str(part), "variance": float(one[place])}
        for part, one in budget.other.items()
        if one[place] != 0
    ]
    area = design.strata.landing_area[stratum]
    week = design.strata.week[stratum]
    ways: list[tuple[str, Iterable[Row]]] = [
        ("part", _sums(budget.terms.part[mine], variance, lambda at: {"part": names[at]})),
        ("landing_area", _sums(area, variance, lambda at: {"landing_area": design.areas[at]})),
        ("week", _sums(week, variance, lambda at: {"week": design.weeks[at]})),
    ]
    if of_strata:
        ways.append(("stratum", _sums(stratum, variance, lambda at: _named(design, at))))
    for split, rows in ways:
        for row in [*rows, *other]:
            yield {"split": split, **row}


def _sums(code: Ints, variance: Floats, names: Any) -> list[Row]:
    codes, at = np.unique(code, return_inverse=True)
    sums = np.bincount(at, weights=variance, minlength=len(codes))
    return [
        names(int(one)) | {"variance": float(value)}
        for one, value in zip(codes, sums, strict=True)
        if value != 0
    ]


def _named(design: Design, code: int) -> Row:
    strata = design.strata
    return {
        "landing_area": design.areas[strata.landing_area[code]],
        "week": design.weeks[strata.week[code]],
        "stratum": strata.label[code],
    }


def area_covariance(season: SeasonSurvey) -> pa.Table:
    """Return the totals behind each quantity by area, with their covariance, in the season's weeks.

    Boats of one site-day fished in several areas, and a stratum may stand for another: errors of
    areas are not independent. On the sampled basis areas share errors of the fish besides. Totals
    have one part, ratios the one above and the one below the line. The table is empty where effort
    does not come from sampled site-days alone.

    Returns
    -------
    pyarrow.Table
        In `AREA_COVARIANCE_SCHEMA`; each pair of parts once.
    """
    (estimator, *others) = season.estimators
    if others or not isinstance(estimator, DesignEstimator) or len(season.design.areas) < 2:
        return AREA_COVARIANCE_SCHEMA.empty_table()
    is_sampled = season.basis is FishBasis.SAMPLED
    by_sample = SAMPLED_QUANTITIES if is_sampled else frozenset[str]()
    tables = [_of_quantity(season, name) for name in _added() if name not in by_sample]
    if is_sampled and season.by_sample and not season.by_sample.sample.why_none:
        tables += _of_sampled(season, estimator, season.by_sample.sample)
    return pa.concat_tables([AREA_COVARIANCE_SCHEMA.empty_table(), *tables])


def _added() -> Iterator[str]:
    """Yield the quantities that are a total or a ratio of two."""
    for name, one in QUANTITIES.items():
        if name in RATIOS or (one.kind is QuantityKind.TOTAL and name not in MARK_QUANTITIES):
            yield name


def _of_quantity(season: SeasonSurvey, name: str) -> pa.Table:
    weeks = (None, *range(len(season.design.weeks)))
    units = season.design_estimator.units(season.analyses[name])
    made = joint_totals(units.design, (units.plan, units.cells, units.interviewed), weeks=weeks)
    return _table(season, name, zip(weeks, made, strict=True))


def _table(season: SeasonSurvey, name: str, made: Weeks) -> pa.Table:
    design = season.design
    parts = [
        _lines(total, cov, week=None if week is None else design.weeks[week])
        for week, (total, cov) in made
    ]
    columns = {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}
    areas = np.array(design.areas)
    columns |= {key: areas[columns[key]] for key in ("area", "other_area")}
    n = len(columns["covariance"])
    same = {"season": pa.repeat(design.season, n), "quantity": pa.repeat(name, n)}
    return pa.table(
        [pa.array((same | columns)[field.name], field.type) for field in AREA_COVARIANCE_SCHEMA],
        schema=AREA_COVARIANCE_SCHEMA,
    )


def _lines(total: Floats, cov: Floats, *, week: str | None) -> dict[str, np.ndarray]:
    """Return the upper half of a covariance (A K, A K) as columns, with the totals (A, K)."""
    k = total.shape[1]
    flat = total.ravel()
    one, other = np.triu_indices(len(flat))
    return {
        "week": np.full(len(one), week, dtype=object),
        "area": one // k,
        "part": one % k,
        "other_area": other // k,
        "other_part": other % k,
        "total": flat[one],
        "other_total": flat[other],
        "covariance": np.where(np.isfinite(cov[one, other]), cov[one, other], np.nan),
    }


# The sampled basis: base fish of interviews at the ratios of test fishing.


def _of_sampled(
    season: SeasonSurvey, estimator: DesignEstimator, sample: CompositionSample
) -> Iterator[pa.Table]:
    """Yield the tables of the sums and ratios that rest on test fishing."""
    pooled = pooled_of(season, estimator, sample)
    classes, base = pooled.ratios.value, pooled.base.gradient
    kept = np.isin(list(mark_measures()), ["kept_all"]).astype(np.float64)
    beside = np.broadcast_to(kept, (len(base), 1, base.shape[1]))
    gradient = np.concatenate([classes[:, :, None] * base[:, None, :], beside], axis=1)
    of_fish = np.eye(len(COLUMNS), gradient.shape[1])
    parts = {name: (one,) for name, one in SUMS.items()} | SHARES
    made = dict(_joint(pooled, season.design, mark_analysis(), gradient, of_fish))
    for name in (one for one in parts if one in RATIOS or len(parts[one]) == 1):
        weight: Floats = np.kron(np.eye(len(season.design.areas)), np.array(parts[name], float))
        yield _table(season, name, ((w, _weighted(weight, *one)) for w, one in made.items()))
    for name, measure in PER_EFFORT.items():
        analysis = marks_with_effort()
        gradient = np.zeros((len(base), 2, len(analysis.measures)))
        gradient[:, 0, : base.shape[1]] = classes[:, -1:] * base
        gradient[:, 1, analysis.measures.index(measure)] = 1.0
        of_fish = np.outer(np.arange(len(COLUMNS)) == len(COLUMNS) - 1, [1.0, 0.0])
        yield _table(season, name, _joint(pooled, season.design, analysis, gradient, of_fish))


def _weighted(weight: Floats, total: Floats, cov: Floats) -> tuple[Floats, Floats]:
    """Return weighted sums of the columns of each area, and their covariance."""
    return (weight @ total.ravel()).reshape(len(total), -1), weight @ cov @ weight.T


def _joint(
    pooled: ClassExpansion, design: Design, analysis: Analysis, gradient: Floats, of_fish: Floats
) -> Iterator[tuple[int | None, tuple[Floats, Floats]]]:
    r"""Yield each week and the season: J linear functions by area, with their covariance.

    Each area has a block of its own in the maps of `linear_totals`, whose domains are weeks. The
    error of the sample is that of `ClassRatios.joint_covariance`; a marked share that areas borrow
    from one source has one error.

    Parameters
    ----------
    gradient : ndarray of float, shape (C, J, K)
        Of the functions in each area-week in its totals of the analysis.
    of_fish : ndarray of float, shape (5, J)
        How much each class, and all of them, has in each function.
    """
    estimator, base, ratios = pooled.estimator, pooled.base, pooled.ratios
    assert isinstance(estimator, DesignEstimator)
    n_areas, (size, j, k) = len(design.areas), gradient.shape
    blocks = np.zeros((size, n_areas, j, k))
    blocks[np.arange(size), base.area] = gradient
    maps = LinearMaps(base.code, blocks.reshape(size, n_areas * j, k))
    form = estimator.units(analysis).form
    fine, into = area_week_domains(design), np.kron(np.eye(n_areas), of_fish)
    for by_week in (False, True):
        domains = Domains(by_area=False, by_week=by_week, n_weeks=len(design.weeks))
        of = aggregate_codes(domains, fine, base.code)
        codes = np.unique(of)
        totals, covs = linear_totals(form, domains, maps, codes=codes)
        for code, total, cov in zip(codes.tolist(), totals, covs, strict=True):
            here = (base.area == np.arange(n_areas)[:, None]) & (of == code)
            sample = ratios.joint_covariance(np.where(here, base.fish, 0.0))
            fish = sample + joint_borrowed(base, ratios, here)
            added = into.T @ fish.reshape(len(into), len(into)) @ into
            yield domains.cell(code)[1], (total.reshape(n_areas, j), cov + added)

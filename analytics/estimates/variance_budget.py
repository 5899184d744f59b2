"""What the variance of each season figure is made of: by part, landing area, week and stratum.

A variance is linear in the covariance of the totals behind it. That covariance is a sum over strata
and stages, so each of its terms goes through the very function that makes the figure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.estimates.base_encounters import borrowed_marks
from analytics.estimates.result_rows import domain_names, reported_figures, result_row
from analytics.estimates.sampled_basis import SAMPLED_QUANTITIES, SampledFigures
from analytics.estimates.schemas import VARIANCE_SCHEMA
from analytics.fish.mark_composition import MARK_QUANTITIES, BorrowedShares, mark_analysis
from analytics.quantities import QUANTITIES
from analytics.settings import FishBasis
from analytics.survey.domains import (
    Domains,
    LinearForm,
    add_borrowed,
    first_stage_variance,
    matrices,
)
from analytics.survey.estimators import DesignEstimator

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from analytics.arrays import Floats, Ints
    from analytics.estimates.result_rows import DomainEstimates
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.survey.design import Design
    from analytics.survey.domain_totals import DomainTotals
    from analytics.survey.reduction import Analysis

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

"""How the errors of areas go together, so that figures of chosen areas can be added up."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.estimates.sampled_basis import PER_EFFORT, SAMPLED_QUANTITIES, SHARES, SUMS
from analytics.estimates.schemas import AREA_COVARIANCE_SCHEMA
from analytics.estimates.size_mark_classes import joint_borrowed, pooled_of
from analytics.fish.composition_sample import COLUMNS
from analytics.fish.mark_composition import (
    MARK_QUANTITIES,
    mark_analysis,
    mark_measures,
    marks_with_effort,
)
from analytics.quantities import QUANTITIES, RATIOS, QuantityKind
from analytics.settings import FishBasis
from analytics.survey.domain_totals import joint_totals
from analytics.survey.domains import (
    Domains,
    LinearMaps,
    aggregate_codes,
    area_week_domains,
    linear_totals,
)
from analytics.survey.estimators import DesignEstimator

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from analytics.arrays import Floats
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.estimates.size_mark_classes import ClassExpansion
    from analytics.fish.composition_sample import CompositionSample
    from analytics.survey.design import Design
    from analytics.survey.reduction import Analysis

    #: Of each week, None for the season: totals (A, J) and their covariance (A J, A J).
    Weeks = Iterable[tuple[int | None, tuple[Floats, Floats]]]


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

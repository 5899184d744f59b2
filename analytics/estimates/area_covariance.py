"""How the errors of areas go together, so that figures of chosen areas can be added up."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.estimates.schemas import AREA_COVARIANCE_SCHEMA
from analytics.fish.mark_composition import MARK_QUANTITIES
from analytics.quantities import QUANTITIES, RATIOS, QuantityKind
from analytics.settings import FishBasis
from analytics.survey.domain_totals import joint_totals
from analytics.survey.estimators import DesignEstimator

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analytics.arrays import Floats
    from analytics.estimates.season_survey import SeasonSurvey


def area_covariance(season: SeasonSurvey) -> pa.Table:
    """Return the totals behind each quantity by area, with their covariance, in the season's weeks.

    Boats of one site-day fished in several areas, and a stratum may stand for another: errors of
    areas are not independent. Totals have one part, ratios the one above and the one below the
    line. The table is empty on the sampled basis, whose areas share errors of the fish besides, and
    where effort does not come from sampled site-days alone.

    Returns
    -------
    pyarrow.Table
        In `AREA_COVARIANCE_SCHEMA`; each pair of parts once.
    """
    (estimator, *others) = season.estimators
    if season.basis is not FishBasis.REPORTED or others:
        return AREA_COVARIANCE_SCHEMA.empty_table()
    if not isinstance(estimator, DesignEstimator) or len(season.design.areas) < 2:
        return AREA_COVARIANCE_SCHEMA.empty_table()
    tables = [_of_quantity(season, name) for name in _added()]
    return pa.concat_tables([AREA_COVARIANCE_SCHEMA.empty_table(), *tables])


def _added() -> Iterator[str]:
    """Yield the quantities that are a total or a ratio of two."""
    for name, one in QUANTITIES.items():
        if name in RATIOS or (one.kind is QuantityKind.TOTAL and name not in MARK_QUANTITIES):
            yield name


def _of_quantity(season: SeasonSurvey, name: str) -> pa.Table:
    design, analysis = season.design, season.analyses[name]
    weeks = (None, *range(len(design.weeks)))
    moments = season.reduction.moments(analysis)
    made = joint_totals(design, moments, plans=season.plans, weeks=weeks)
    parts = [
        _lines(total, cov, week=None if week is None else design.weeks[week])
        for week, (total, cov) in zip(weeks, made, strict=True)
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

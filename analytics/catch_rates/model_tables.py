"""Candidates, coefficients and residuals of the regressions, as tables keep them.

Coefficients, checks and residuals are of the regression behind the index: that with a level for
every area and week.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtri, stdtrit

from analytics.catch_rates.model_selection import PURPOSE, best_scored, why_chosen
from analytics.catch_rates.trips import CLUSTER, EXPOSURE, TRIALS
from analytics.codes import coded, join_codes
from analytics.models import CountFit, Diagnosis, diagnose
from analytics.models.share_regression import share_influence, share_residuals
from analytics.result_table import known

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.arrays import Floats
    from analytics.catch_rates.index import AreaIndex
    from analytics.catch_rates.model_selection import CandidateResult
    from analytics.catch_rates.trips import ResponseTrips

    Row = dict[str, Any]

#: Residual quantiles and boats of largest influence that are kept.
N_QUANTILES, N_BOATS = 60, 10


#: Powers of e from here on are larger than any number.
LARGEST = 700.0


def model_table_rows(
    data: ResponseTrips,
    found: Sequence[CandidateResult],
    best: CandidateResult | None,
    index: AreaIndex,
    checked: Diagnosis | None,
    *,
    season: str,
) -> list[Row]:
    """Return the rows of `analytics.catch_rates.schemas.MODEL_SCHEMA` of one response.

    `checked`: as from `checked_fit`.
    """
    top = best_scored(found)
    rows = []
    for one in found:
        fit = one.fit
        has = top is not None and math.isfinite(one.held_out_score)
        behind = one.behind(top) if top is not None and has else (math.nan, math.nan)
        reason = one.reason
        if one is best:
            note = index.levels.note if index.levels is not None else index.reason
            reason = join_codes([why_chosen(found, one), one.reason, note])
        rows.append(
            {
                "season": season,
                "response": data.response,
                "candidate": one.name,
                "family": str(one.candidate.family),
                "terms": " + ".join(one.candidate.terms),
                "purpose": PURPOSE.get(one.name, ""),
                "is_chosen": one is best,
                **{name: getattr(fit, name, None) for name in ("n", "aic", "bic")},
                "n_parameters": one.n_parameters,
                "held_out_rows": one.held_out_rows,
                "held_out_score": known(one.held_out_score),
                "score_gap": known(behind[0]),
                "score_gap_se": known(behind[1]),
                "dispersion": None if fit is None else known(fit.dispersion),
                "reason": reason,
            }
            | (_checks(data, index, checked) if one is best else {})
        )
    return rows


def coefficient_rows(
    data: ResponseTrips, index: AreaIndex, *, season: str, level: float
) -> list[Row]:
    """Return the rows of `COEFFICIENT_SCHEMA`: all but areas and weeks, errors by site-day.

    Intervals are of Student's t with the site-days beyond the coefficients as degrees of freedom.
    """
    if index.levels is None:
        return []
    model = index.levels.model
    # Of few site-days a variance can be 0, and by rounding under it: that is no error at all.
    errors = np.sqrt(np.maximum(np.diag(model.by_cluster), 0.0))
    table = model.fit.coefficients
    n_responding = int(table["se"].notna().sum())
    free = model.n_clusters - n_responding
    step = float(stdtrit(max(free, 1), 0.5 + level / 2))
    rows = []
    for name, estimate, plain, se in zip(
        table["term"], table["estimate"], table["se"], errors, strict=True
    ):
        if name.startswith(("area", "intercept")) or not math.isfinite(plain):
            continue
        has_error = math.isfinite(se) and se > 0
        why = coded("site_days_alike")
        if free <= 0:
            why = coded(
                "error_needs_clusters", site_days=model.n_clusters, coefficients=n_responding
            )
        rows.append(
            {
                "season": season,
                "response": data.response,
                "term": name,
                "estimate": estimate,
                "se": se if has_error else None,
                "ratio": _exp(estimate),
                "ci_low": _exp(estimate - step * se) if has_error else None,
                "ci_high": _exp(estimate + step * se) if has_error else None,
                "ci_level": level,
                "reason": "" if has_error else why,
            }
        )
    return rows


def _exp(power: float) -> float | None:
    """Return e to a power, None where no number can hold it."""
    return math.exp(power) if power < LARGEST else None


def checked_fit(data: ResponseTrips, index: AreaIndex) -> Diagnosis | None:
    """Return how the index's fit stands to its trips; None where there is none.

    A share has no zeros to compare.
    """
    if index.levels is None:
        return None
    fit = index.levels.model.fit
    if isinstance(fit, CountFit):
        return diagnose(fit, data.frame, response=data.response)
    residual, pearson = share_residuals(fit, data.frame, successes=data.response, trials=TRIALS)
    influence = share_influence(fit, data.frame, successes=data.response, trials=TRIALS)
    return Diagnosis(pearson, math.nan, math.nan, residual, influence)


def residual_rows(data: ResponseTrips, checked: Diagnosis | None, *, season: str) -> list[Row]:
    """Return the rows of `RESIDUAL_SCHEMA`: quantiles, and boats of largest influence."""
    if checked is None:
        return []
    residual, influence = checked.residual, checked.influence
    rows = _quantiles(residual)
    for place in np.argsort(-influence, kind="stable")[:N_BOATS]:
        boat = data.frame.iloc[int(place)]
        rows.append(
            {
                "kind": "boat",
                "residual": float(residual[place]),
                "interview_id": boat["interview_id"],
                "influence": known(float(influence[place])),
                "fish": int(boat[data.response]),
                "angler_hours": float(boat[EXPOSURE]),
            }
        )
    return [{"season": season, "response": data.response} | row for row in rows]


def _checks(data: ResponseTrips, index: AreaIndex, checked: Diagnosis | None) -> Row:
    if index.levels is None or checked is None:
        return {}
    fit, factor = index.levels.model.fit, index.levels.cluster_factor
    row: Row = {
        "pearson": known(checked.pearson),
        "n_clusters": int(data.frame[CLUSTER].nunique()),
        "cluster_factor": known(factor),
        "index_terms": " + ".join(index.levels.terms),
        "index_dispersion": known(fit.dispersion),
    }
    if not isinstance(fit, CountFit):
        return row
    return row | {
        "zeros": checked.zeros,
        "zeros_expected": known(checked.zeros_expected),
    }


def _quantiles(residual: Floats) -> list[Row]:
    n = min(N_QUANTILES, len(residual))
    at = (np.arange(n) + 0.5) / n
    quantiles = np.quantile(residual, at)
    return [
        {"kind": "quantile", "normal": float(one), "residual": float(other)}
        for one, other in zip(ndtri(at), quantiles, strict=True)
    ]

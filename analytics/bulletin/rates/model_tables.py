"""Candidates, coefficients and residuals of the regressions, as tables keep them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.stats import norm

from analytics.bulletin.rates.candidates import RULE
from analytics.bulletin.rates.fitted import CLUSTER, EXPOSURE, TRIALS
from analytics.errors import WrongUse
from analytics.models.climb import clustered, coded
from analytics.models.counts import CountFit
from analytics.models.diagnostics import diagnose
from analytics.models.share_climb import ShareClimb, clustered_shares, share_residuals

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.bulletin.rates.candidates import Tried
    from analytics.bulletin.rates.fitted import Fitted
    from analytics.bulletin.rates.index import AreaIndex

    Row = dict[str, Any]
    Floats = NDArray[np.float64]

#: Residual quantiles and boats of largest influence that are kept.
N_QUANTILES, N_BOATS = 60, 10


#: Powers of e from here on are larger than any number.
LARGEST = 700.0


def model_table_rows(
    data: Fitted, found: Sequence[Tried], best: Tried | None, index: AreaIndex, *, season: str
) -> list[Row]:
    """Return the rows of `analytics.bulletin.rates.tables.MODEL_SCHEMA` of one response."""
    rows = []
    for one in found:
        fit = one.fit
        reason = one.reason
        if one is best:
            note = index.levels.note if index.levels is not None else index.reason
            reason = "; ".join(words for words in (RULE, one.reason, note) if words)
        rows.append(
            {
                "season": season,
                "response": data.response,
                "candidate": one.name,
                "family": str(one.candidate.family),
                "terms": " + ".join(one.candidate.terms),
                "is_chosen": one is best,
                "n": None if fit is None else fit.n,
                "n_parameters": one.n_parameters,
                "aic": None if fit is None else fit.aic,
                "bic": None if fit is None else fit.bic,
                "held_out_rows": one.held_out_rows,
                "held_out_score": _none(one.held_out_score),
                "dispersion": None if fit is None else _none(fit.dispersion),
                "reason": reason,
            }
            | (_checks(data, fit, index) if one is best and fit is not None else {})
        )
    return rows


def coefficient_rows(data: Fitted, best: Tried | None, *, season: str, level: float) -> list[Row]:
    """Return the rows of `COEFFICIENT_SCHEMA`: all but areas and weeks, errors by site-day."""
    if best is None or best.fit is None:
        return []
    names = best.fit.coefficients["term"].tolist()
    # Of few site-days a variance can be 0, and by rounding under it: that is no error at all.
    errors = np.sqrt(np.maximum(np.diag(_robust(data, best)), 0.0))
    step = float(norm.ppf(0.5 + level / 2))
    rows = []
    for name, estimate, se in zip(names, best.fit.coefficients["estimate"], errors, strict=True):
        if name.startswith(("area", "week_number")):
            continue
        told = math.isfinite(se) and se > 0
        rows.append(
            {
                "season": season,
                "response": data.response,
                "term": name,
                "estimate": estimate,
                "se": se if told else None,
                "ratio": _exp(estimate),
                "ci_low": _exp(estimate - step * se) if told else None,
                "ci_high": _exp(estimate + step * se) if told else None,
                "ci_level": level,
            }
        )
    return rows


def _exp(power: float) -> float | None:
    """Return e to a power, None where no number can hold it."""
    return math.exp(power) if power < LARGEST else None


def residual_rows(data: Fitted, best: Tried | None, *, season: str) -> list[Row]:
    """Return the rows of `RESIDUAL_SCHEMA`: quantiles, and boats of largest influence."""
    if best is None or best.fit is None:
        return []
    names = {"season": season, "response": data.response}
    if isinstance(best.fit, ShareClimb):
        residual = share_residuals(best.fit, data.frame, successes=data.response, trials=TRIALS)[0]
        return [names | row for row in _quantiles(residual)]
    checked = diagnose(best.fit, data.frame, response=data.response)
    weighty = np.argsort(-checked.influence, kind="stable")[:N_BOATS]
    rows = _quantiles(checked.residual)
    for place in weighty:
        boat = data.frame.iloc[int(place)]
        rows.append(
            {
                "kind": "boat",
                "residual": float(checked.residual[place]),
                "interview_id": boat["interview_id"],
                "influence": float(checked.influence[place]),
                "fish": int(boat[data.response]),
                "angler_hours": float(boat[EXPOSURE]),
            }
        )
    return [names | row for row in rows]


def _checks(data: Fitted, fit: CountFit | ShareClimb, index: AreaIndex) -> Row:
    clusters = {
        "n_clusters": int(data.frame[CLUSTER].nunique()),
        "cluster_factor": None if index.levels is None else index.levels.cluster_factor,
    }
    if isinstance(fit, ShareClimb):
        pearson = share_residuals(fit, data.frame, successes=data.response, trials=TRIALS)[1]
        return clusters | {"pearson": _none(pearson)}
    found = diagnose(fit, data.frame, response=data.response)
    return clusters | {
        "pearson": _none(found.pearson),
        "zeros": found.zeros,
        "zeros_expected": _none(found.zeros_expected),
    }


def _robust(data: Fitted, best: Tried) -> Floats:
    """Return the covariance of the chosen model's coefficients by site-day; NaN without two."""
    fit = best.fit
    try:
        if isinstance(fit, ShareClimb):
            return clustered_shares(
                data.frame, fit, successes=data.response, trials=TRIALS, cluster=CLUSTER
            )
        if isinstance(fit, CountFit):
            rows = coded(
                data.frame,
                response=data.response,
                exposure=EXPOSURE,
                terms=best.candidate.terms,
                cluster=CLUSTER,
            )
            return clustered(rows, fit)
    except WrongUse:
        pass
    size = 0 if fit is None else len(fit.coefficients)
    return np.full((size, size), np.nan)


def _quantiles(residual: Floats) -> list[Row]:
    at = (np.arange(N_QUANTILES) + 0.5) / N_QUANTILES
    told = np.quantile(residual, at)
    return [
        {"kind": "quantile", "normal": float(one), "residual": float(other)}
        for one, other in zip(norm.ppf(at), told, strict=True)
    ]


def _none(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None

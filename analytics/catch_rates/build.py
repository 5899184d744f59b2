"""All that a bulletin keeps of modelled catch rates, their trend, and the seasonal pattern.

Of the regressions it keeps candidates, coefficients and residuals. Coefficients, checks and
residuals are of the regression behind the index: that with a level for every area and week.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from scipy.special import ndtri, stdtrit

from analytics.catch_rates.index import (
    NOT_KNOWN,
    area_index,
    area_weights,
    index_rows,
    raw_figures,
    trend_rows,
)
from analytics.catch_rates.model_selection import (
    PURPOSE,
    best_scored,
    chosen,
    evaluate_candidates,
    why_chosen,
)
from analytics.catch_rates.schemas import RATE_SCHEMAS
from analytics.catch_rates.seasonal_timing import (
    ENCOUNTERS,
    open_weeks_of,
    season_indices,
    strength_rows,
    timing_rows,
)
from analytics.catch_rates.trips import (
    CLUSTER,
    EXPOSURE,
    RESPONSES,
    SHARE,
    TRIALS,
    fitted,
    model_rows,
    no_trip,
)
from analytics.codes import coded, join_codes
from analytics.data.calendar import season_days
from analytics.models import CountFit, Diagnosis, diagnose
from analytics.models.share_regression import share_influence, share_residuals
from analytics.result_table import known
from analytics.weeks import weeks_between

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence

    import pandas as pd

    from analytics.arrays import Floats
    from analytics.catch_rates.index import AreaIndex, Domain, SurveyEstimate
    from analytics.catch_rates.model_selection import CandidateResult
    from analytics.catch_rates.trips import ResponseTrips
    from analytics.estimates.season_survey import SeasonSurvey

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


#: Responses that need no past season, each of which can be made apart.
OTHERS = tuple(one for one in RESPONSES if one != ENCOUNTERS)


def rate_tables(
    season: SeasonSurvey,
    *,
    level: float,
    progress: Callable[[str], None] = lambda words: None,
    others: Callable[[str], Mapping[str, list[Row]]] | None = None,
) -> dict[str, pa.Table]:
    """Return every table of modelled catch rates by its name, in `schemas.RATE_SCHEMAS`.

    Where a model cannot be fitted, rows have codes of the reason.

    Parameters
    ----------
    season : SeasonSurvey
        Prepared with the usual settings.
    level : float
        Confidence level.
    progress : callable, optional
        Called with a few words before each step.
    others : callable, optional
        Gives what `response_rows` returns of each of `OTHERS`, where that is at hand.
    """
    first = _Modelled.of(season, ENCOUNTERS, level=level, progress=progress)
    progress("comparing with past seasons")
    shared = _Shared.of(season, level=level)
    every = season_indices(
        season.snapshot,
        first.index,
        first.best,
        season=season.design.season,
        mix=shared.rows,
        weight=shared.weight[ENCOUNTERS],
    )
    tables: dict[str, list[Row]] = {name: [] for name in RATE_SCHEMAS}
    for past in every:
        timing, dates = timing_rows(past)
        tables["seasonal_pattern"] += timing
        tables["run_dates"] += dates
    tables["run_strength"] += strength_rows(every, level=level)
    others = others or partial(response_rows, season, level=level, progress=progress)
    for response in RESPONSES:
        made = first.tables() if response == ENCOUNTERS else others(response)
        for name, rows in made.items():
            tables[name] += rows
    return {
        name: pa.Table.from_pylist(tables[name], schema=schema)
        for name, schema in RATE_SCHEMAS.items()
    }


def response_rows(
    season: SeasonSurvey,
    response: str,
    *,
    level: float,
    progress: Callable[[str], None] = lambda words: None,
) -> dict[str, list[Row]]:
    """Return the rows of one response in every table that has any; parameters as `rate_tables`."""
    return _Modelled.of(season, response, level=level, progress=progress).tables()


@dataclass(frozen=True, slots=True, eq=False)
class _Shared:
    """What the responses of a season share: trips, weeks, survey estimates, weights of areas."""

    rows: pd.DataFrame
    weeks: tuple[str, ...]
    opened: Mapping[str | None, Collection[str]]
    raw: Mapping[str, Mapping[Domain, SurveyEstimate]]
    weight: Mapping[str, Mapping[str, float]]

    @classmethod
    def of(cls, season: SeasonSurvey, *, level: float) -> _Shared:
        return season.once(("catch rates", level), partial(cls._made, season, level))

    @classmethod
    def _made(cls, season: SeasonSurvey, level: float) -> _Shared:
        design = season.design
        rows = model_rows(season.snapshot, season=design.season, through=design.through)
        days = season_days(season.snapshot, design.season)
        weeks = weeks_between(min([*days["week"], *design.weeks]), design.through)
        raw, weight = raw_figures(season, level=level), area_weights(season, level=level)
        # Where nothing was sampled there is no total: the hours interviewed stand in.
        weight = {response: weight[response] or _hours(rows) for response in RESPONSES}
        return cls(rows, weeks, open_weeks_of(days), raw, weight)


@dataclass(frozen=True, slots=True, eq=False)
class _Modelled:
    """One response: its trips, its candidates, the one chosen, and its index."""

    season: SeasonSurvey
    level: float
    data: ResponseTrips
    found: list[CandidateResult]
    best: CandidateResult | None
    index: AreaIndex

    @classmethod
    def of(
        cls, season: SeasonSurvey, response: str, *, level: float, progress: Callable[[str], None]
    ) -> _Modelled:
        """Fit one response to the trips of a season."""
        progress(f"fitting models of {response}")
        shared = _Shared.of(season, level=level)
        data = fitted(shared.rows, response)
        found = evaluate_candidates(data) if len(data.frame) else []
        best = chosen(found)
        index = area_index(
            data, best, mix=shared.rows, weeks=shared.weeks, weight=shared.weight[response]
        )
        return cls(season, level, data, found, best, index)

    def tables(self) -> dict[str, list[Row]]:
        """Return the rows of every table of one response."""
        data, best, index, level = self.data, self.best, self.index, self.level
        season, shared = self.season.design.season, _Shared.of(self.season, level=level)
        checked = checked_fit(data, index)
        raw = shared.raw[index.response]
        return {
            "index": index_rows(index, data, raw, season=season, level=level),
            "models": model_table_rows(data, self.found, best, index, checked, season=season),
            "coefficients": coefficient_rows(data, index, season=season, level=level),
            "residuals": residual_rows(data, checked, season=season),
            "trend": _trends(index, shared.opened, season=season, level=level),
        }


def _hours(rows: pd.DataFrame) -> dict[str, float]:
    spent = rows.groupby("area")[EXPOSURE].sum()
    return {str(area): float(hours) for area, hours in spent.items()}


def _trends(
    index: AreaIndex, opened: Mapping[str | None, Collection[str]], *, season: str, level: float
) -> list[Row]:
    """Return the trend of all areas and of each; one row with the reason where there is none."""
    rows: list[Row] = []
    for area in dict.fromkeys([None, *sorted(filter(None, {*opened, *index.series}))]):
        names: Row = {"season": season, "response": index.response, "area": area}
        if area in index.series:
            rows += trend_rows(
                index.series[area],
                index.weeks,
                is_share=index.response == SHARE,
                level=level,
                names=names,
                open_weeks=opened.get(area),
            )
        else:
            last, words = index.weeks[-1], index.reason or no_trip(index.response)
            closed = last not in opened[area] if area in opened else None
            rows.append(
                names
                | {"week": last, "is_projected": False, "is_closed": closed, "ci_level": level}
                | {"direction": NOT_KNOWN, "reason": words}
            )
    return rows

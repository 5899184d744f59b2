"""All that a bulletin keeps of modelled catch rates, their trend, and the timing of the run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics.catch_rates.index import area_index, area_weights, index_rows, raw_figures
from analytics.catch_rates.model_selection import chosen, evaluate_candidates
from analytics.catch_rates.model_tables import (
    checked_fit,
    coefficient_rows,
    model_table_rows,
    residual_rows,
)
from analytics.catch_rates.schemas import RATE_SCHEMAS
from analytics.catch_rates.seasonal_timing import (
    open_weeks_of,
    season_indices,
    strength_rows,
    timing_rows,
)
from analytics.catch_rates.trend import NOT_KNOWN, trend_rows
from analytics.catch_rates.trips import EXPOSURE, RESPONSES, SHARE, fitted, model_rows, no_trip
from analytics.data.calendar import season_days
from analytics.weeks import weeks_between

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping

    import pandas as pd

    from analytics.catch_rates.index import AreaIndex, Domain, SurveyEstimate
    from analytics.catch_rates.model_selection import CandidateResult
    from analytics.catch_rates.trips import ResponseTrips
    from analytics.estimates.season_survey import SeasonSurvey

    Row = dict[str, Any]


def rate_tables(
    season: SeasonSurvey, *, level: float, progress: Callable[[str], None] = lambda words: None
) -> dict[str, pa.Table]:
    """Return every table of modelled catch rates by its name, in `schemas.RATE_SCHEMAS`.

    `season`: prepared with the usual settings; `progress`: called with a few
    words before each step. Where a model cannot be fitted, rows have codes of the reason.
    """
    design = season.design
    rows = model_rows(season.snapshot, season=design.season, through=design.through)
    days = season_days(season.snapshot, design.season)
    weeks = weeks_between(min([*days["week"], *design.weeks]), design.through)
    opened = open_weeks_of(days)
    raw, weight = raw_figures(season, level=level), area_weights(season, level=level)
    tables: dict[str, list[Row]] = {name: [] for name in RATE_SCHEMAS}
    modelled = {}
    for response in RESPONSES:
        progress(f"fitting models of {response}")
        # Where nothing was sampled there is no total: the hours interviewed stand in.
        weight[response] = weight[response] or _hours(rows)
        one = _Modelled.of(rows, response, weeks=weeks, weight=weight[response])
        modelled[response] = one
        for name, made in one.tables(raw[response], season=design.season, level=level).items():
            tables[name] += made
        tables["trend"] += _trends(one.index, opened, season=design.season, level=level)
    progress("comparing with past seasons")
    every = season_indices(
        season.snapshot,
        modelled["encounters"].index,
        modelled["encounters"].best,
        season=design.season,
        mix=rows,
        weight=weight["encounters"],
    )
    for past in every:
        timing, dates = timing_rows(past)
        tables["seasonal_pattern"] += timing
        tables["run_dates"] += dates
    tables["run_strength"] += strength_rows(every, level=level)
    return {
        name: pa.Table.from_pylist(tables[name], schema=schema)
        for name, schema in RATE_SCHEMAS.items()
    }


@dataclass(frozen=True, slots=True, eq=False)
class _Modelled:
    """One response: its trips, its candidates, the one chosen, and its index."""

    data: ResponseTrips
    found: list[CandidateResult]
    best: CandidateResult | None
    index: AreaIndex

    @classmethod
    def of(
        cls,
        rows: pd.DataFrame,
        response: str,
        *,
        weeks: tuple[str, ...],
        weight: Mapping[str, float],
    ) -> _Modelled:
        """Fit one response to the trips of a season."""
        data = fitted(rows, response)
        found = evaluate_candidates(data) if len(data.frame) else []
        best = chosen(found)
        return cls(data, found, best, area_index(data, best, mix=rows, weeks=weeks, weight=weight))

    def tables(
        self, raw: Mapping[Domain, SurveyEstimate], *, season: str, level: float
    ) -> dict[str, list[Row]]:
        """Return the rows of every table of one response."""
        data, best, index = self.data, self.best, self.index
        checked = checked_fit(data, index)
        return {
            "index": index_rows(index, data, raw, season=season, level=level),
            "models": model_table_rows(data, self.found, best, index, checked, season=season),
            "coefficients": coefficient_rows(data, index, season=season, level=level),
            "residuals": residual_rows(data, checked, season=season),
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

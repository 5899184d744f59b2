"""All that a bulletin keeps of modelled catch rates, their trend, and the seasonal pattern."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
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
    ENCOUNTERS,
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

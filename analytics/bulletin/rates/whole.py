"""All that a bulletin keeps of modelled catch rates, their trend, and the timing of the run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics.bulletin.rates.candidates import chosen, tried
from analytics.bulletin.rates.fitted import RESPONSES, SHARE, fitted
from analytics.bulletin.rates.index import AreaIndex, area_index, index_rows
from analytics.bulletin.rates.model_tables import (
    coefficient_rows,
    model_table_rows,
    residual_rows,
)
from analytics.bulletin.rates.past import season_indices, weeks_between
from analytics.bulletin.rates.raw import area_weights, raw_figures
from analytics.bulletin.rates.rows import model_rows
from analytics.bulletin.rates.tables import RATE_SCHEMAS
from analytics.bulletin.rates.timing import strength_rows, timing_rows
from analytics.bulletin.rates.trend import trend_rows
from analytics.data.calendar import open_days

if TYPE_CHECKING:
    from collections.abc import Callable

    from analytics.bulletin.prepare import Season
    from analytics.data.snapshot import Snapshot

    Row = dict[str, Any]


def rate_tables(
    snapshot: Snapshot,
    season: Season,
    *,
    level: float,
    progress: Callable[[str], None] = lambda words: None,
) -> dict[str, pa.Table]:
    """Return every table of modelled catch rates by its name.

    Parameters
    ----------
    snapshot : Snapshot
    season : Season
        Prepared from it in the usual way.
    level : float
        Confidence level.
    progress : callable
        Called with a few words before each step.

    Returns
    -------
    dict of str to pyarrow.Table
        In `analytics.bulletin.rates.tables.RATE_SCHEMAS`; where a model cannot be fitted, rows
        with the reason in words.
    """
    design = season.design
    rows = model_rows(snapshot, season=design.season, through=design.through)
    weeks = _weeks(snapshot, season)
    raw, weight = raw_figures(season, level=level), area_weights(season, level=level)
    tables: dict[str, list[Row]] = {name: [] for name in RATE_SCHEMAS}
    for response in RESPONSES:
        progress(f"fitting models of {response}")
        data = fitted(rows, response)
        found = tried(data) if len(data.frame) else []
        best = chosen(found)
        index = area_index(data, best, mix=rows, weeks=weeks, weight=weight[response])
        named = {"season": design.season}
        tables["index"] += index_rows(index, data, raw[response], level=level, **named)
        tables["trend"] += _trends(index, season=design.season, level=level)
        tables["models"] += model_table_rows(data, found, best, index, **named)
        tables["coefficients"] += coefficient_rows(data, best, level=level, **named)
        tables["residuals"] += residual_rows(data, best, **named)
        if response == "encounters":
            encounters, model = index, best
    progress("comparing with past seasons")
    every = season_indices(
        snapshot,
        encounters,
        model,
        season=design.season,
        mix=rows,
        weight=weight["encounters"],
    )
    for one in every:
        timing, dates = timing_rows(one)
        tables["timing"] += timing
        tables["run_dates"] += dates
    tables["strength"] += strength_rows(every, level=level)
    return {
        name: pa.Table.from_pylist(tables[name], schema=schema)
        for name, schema in RATE_SCHEMAS.items()
    }


def _weeks(snapshot: Snapshot, season: Season) -> tuple[str, ...]:
    """Return every ISO week from the first open or sampled one of a season to the last asked."""
    days = open_days(snapshot["seasons"], snapshot["holidays"])
    first = min([*days.loc[days["season"] == season.design.season, "week"], *season.design.weeks])
    return tuple(weeks_between(first, season.design.through))


def _trends(index: AreaIndex, *, season: str, level: float) -> list[Row]:
    """Return the trend of all areas and of each; without an index, one row that says why."""
    is_share = index.response == SHARE
    names: Row = {"season": season, "response": index.response}
    if not index.series:
        words = {"week": index.weeks[-1], "is_ahead": False, "ci_level": level}
        return [names | words | {"word": "not known", "reason": index.reason}]
    rows: list[Row] = []
    for area, series in index.series.items():
        rows += trend_rows(
            series, index.weeks, is_share=is_share, level=level, names=names | {"area": area}
        )
    return rows

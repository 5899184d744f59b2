"""The standardised index of a response by area and week beside the survey's own figure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.bulletin.rates.fitted import UNITS, USUAL
from analytics.bulletin.rates.levels import Levels, Series, all_areas, levels_of, series_of
from analytics.bulletin.rates.raw import Raw
from analytics.bulletin.rates.scale import Scale
from analytics.errors import WrongUse
from analytics.models.count_laws import Family
from analytics.models.grounds import BETA_BINOMIAL

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from analytics.bulletin.rates.candidates import Tried
    from analytics.bulletin.rates.fitted import Fitted
    from analytics.bulletin.rates.raw import Domain

    Row = dict[str, Any]

NO_TRIP = "no complete trip with every number was interviewed"


@dataclass(frozen=True, slots=True, eq=False)
class AreaIndex:
    """The index of one response over W weeks.

    Parameters
    ----------
    response : str
    weeks : tuple of str, length W
        Every ISO week from the season's first to the last asked.
    series : mapping of (str or None) to Series
        By area; None for all areas.
    levels : Levels or None
        None where the fit was refused.
    reason : str
        Why there is none.
    """

    response: str
    weeks: tuple[str, ...]
    series: Mapping[str | None, Series]
    levels: Levels | None
    reason: str = ""


def area_index(
    data: Fitted,
    model: Tried | None,
    *,
    mix: pd.DataFrame,
    weeks: Sequence[str],
    weight: Mapping[str, float],
) -> AreaIndex:
    """Return the index of a response by the chosen model.

    Without one, by the usual terms and law: a level for every area and week does not need the
    smooth of the week that candidates are compared by.

    Parameters
    ----------
    data : Fitted
    model : Tried or None
        None where there was none to choose.
    mix : pandas.DataFrame
        Trips that tell the mix; as in `analytics.bulletin.rates.levels.levels_of`.
    weeks : sequence of str
    weight : mapping of str to float
        What each area weighs in the mean of all.

    Returns
    -------
    AreaIndex
    """
    told = tuple(weeks)
    terms: tuple[str, ...]
    if model is None:
        terms, family = USUAL, BETA_BINOMIAL if data.is_share else str(Family.NEGATIVE_BINOMIAL)
    else:
        terms, family = model.candidate.terms, model.candidate.family
    try:
        levels = levels_of(data, terms=terms, family=family, mix=mix)
    except WrongUse as error:
        return AreaIndex(data.response, told, {}, None, str(error))
    every: dict[str | None, Series] = {
        None: all_areas(levels, told, weight, is_share=data.is_share)
    }
    for area, series in series_of(levels, told).items():
        every[area] = series
    return AreaIndex(data.response, told, every, levels)


def index_rows(
    index: AreaIndex,
    data: Fitted,
    raw: Mapping[Domain, Raw],
    *,
    season: str,
    level: float,
) -> list[Row]:
    """Return the rows of `analytics.bulletin.rates.tables.INDEX_SCHEMA` of one response.

    Parameters
    ----------
    index : AreaIndex
    data : Fitted
    raw : mapping of (area, week) to Raw
        The survey's figures; their areas and weeks get a row each, and those with trips.
    season : str
    level : float
        Confidence level.

    Returns
    -------
    list of dict
    """
    trips = _trips(data.frame)
    scale = Scale(data.is_share)
    rows = []
    for area, week in sorted({*raw, *trips}, key=_order):
        value, se = _cell(index, area, week)
        low, high = scale.interval(value, se, level=level)
        survey = raw.get((area, week), Raw(None))
        n_trips = int(trips.get((area, week), 0))
        rows.append(
            {
                "season": season,
                "area": area,
                "week": week,
                "response": index.response,
                "unit": UNITS[index.response],
                "raw": survey.value,
                "raw_low": survey.low,
                "raw_high": survey.high,
                "index": scale.back(value),
                "log_se": se if math.isfinite(value) and se > 0 else None,
                "ci_low": low,
                "ci_high": high,
                "ci_level": level,
                "n_trips": n_trips,
                "filled_prop": _filled(index, area, week),
                "note": _note(index, data, area, week) if math.isfinite(value) else "",
                "reason": "" if math.isfinite(value) else _why(index, data, area, week, n_trips),
            }
        )
    return rows


def _cell(index: AreaIndex, area: str | None, week: str | None) -> tuple[float, float]:
    series = index.series.get(area)
    if series is None or week not in index.weeks:
        return math.nan, math.nan
    at = index.weeks.index(week)
    return float(series.value[at]), float(np.sqrt(max(series.cov[at, at], 0.0)))


def _filled(index: AreaIndex, area: str | None, week: str | None) -> float | None:
    series = index.series.get(area)
    if series is None or series.filled is None or week not in index.weeks:
        return None
    part = float(series.filled[index.weeks.index(week)])
    return part if math.isfinite(part) else None


def _note(index: AreaIndex, data: Fitted, area: str | None, week: str | None) -> str:
    """Return what a reader must know of a level: that it has no fish, or no error."""
    why = index.levels.why_no_error if index.levels is not None else ""
    return "; ".join(words for words in (data.reasons.get((area, week), ""), why) if words)


def _why(index: AreaIndex, data: Fitted, area: str | None, week: str | None, n_trips: int) -> str:
    if not n_trips:
        return NO_TRIP if not data.is_share else f"{NO_TRIP} that met a fish"
    return data.reasons.get((area, week)) or index.reason or "no area has a figure this week"


def _trips(frame: pd.DataFrame) -> dict[Domain, int]:
    """Count trips by area and week, and over all areas."""
    counts: dict[Domain, int] = {}
    for area, week in zip(frame["area"], frame["week"], strict=True):
        for domain in ((area, week), (None, week)):
            counts[domain] = counts.get(domain, 0) + 1
    return counts


def _order(domain: Domain) -> tuple[str, str]:
    return domain[0] or "", domain[1] or ""

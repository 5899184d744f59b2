"""The standardised index of a response by area and week, the survey's own beside it, and its trend.

The trend is the smooth level behind the index of each area and of all, with the weeks ahead and a
word for it.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import expit, ndtr, ndtri

from analytics.catch_rates.standardised_levels import (
    Levels,
    Series,
    all_areas,
    levels_of,
    series_of,
)
from analytics.catch_rates.trips import UNITS, USUAL, no_trip
from analytics.codes import coded, error_code, join_codes
from analytics.errors import UsageError
from analytics.estimates.estimate import result_rows, week_changes
from analytics.models import Family
from analytics.models.cell_levels import BETA_BINOMIAL
from analytics.models.smoother import smooth
from analytics.result_table import known
from analytics.settings import FishBasis
from analytics.weeks import weeks_after

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    import pandas as pd

    from analytics.arrays import Bools, Floats
    from analytics.catch_rates.model_selection import CandidateResult
    from analytics.catch_rates.trips import ResponseTrips
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.models.smoother import Trend


Row = dict[str, Any]


# The survey's own figures beside the index, and the weights of areas.

Domain = tuple[str | None, str | None]
#: The survey's analysis of each response.
QUANTITY = {
    "encounters": "encounters_per_angler_hour",
    "kept": "kept_per_angler_hour",
    "sublegal": "sublegal_prop",
}
#: What the areas of a response are weighted by.
WEIGHTS = {"encounters": "angler_hours", "kept": "angler_hours", "sublegal": "encounter_fish"}


@dataclass(frozen=True, slots=True)
class SurveyEstimate:
    """A figure of the survey with its limits, None where there is none.

    - `change`: row of `week_changes` against the week before, None where there is none.
    """

    value: float | None
    low: float | None = None
    high: float | None = None
    change: Row | None = None


def raw_figures(season: SeasonSurvey, *, level: float) -> dict[str, dict[Domain, SurveyEstimate]]:
    """Return the survey's figures, ratios of two totals over the same boats with their joint error.

    By response, then by area (None for all) and week: those of the result table, and their changes
    by its rule.
    """
    found: dict[str, dict[Domain, SurveyEstimate]] = {}
    for response, quantity in QUANTITY.items():
        rows = [
            row
            for by in (("area", "week"), ("week",))
            for row in result_rows(season, by=by, level=level, quantities=(quantity,))
        ]
        weeks = list(season.design.weeks)
        compared = week_changes(rows, weeks=weeks, open_days={}, level=level).to_pylist()
        changes = {(one["area"], one["week"]): one for one in compared}
        found[response] = {
            (row["area"], row["week"]): SurveyEstimate(
                known(row["estimate"]),
                known(row["ci_low"]),
                known(row["ci_high"]),
                changes.get((row["area"], row["week"])),
            )
            for row in rows
        }
    return found


def area_weights(season: SeasonSurvey, *, level: float) -> dict[str, dict[str, float]]:
    """Return what each area weighs in the mean of all, by response: as reported."""
    reported, found = replace(season, basis=FishBasis.REPORTED), {}
    for response, quantity in WEIGHTS.items():
        rows = result_rows(reported, by=("area",), level=level, quantities=(quantity,))
        totals = {row["area"]: known(row["estimate"]) for row in rows}
        found[response] = {area: one for area, one in totals.items() if area and one}
    return found


# From the log or logit scale of a response to its figures, with intervals.


@dataclass(frozen=True, slots=True)
class Scale:
    """The scale on which a response is smoothed: logit for a share, log for a rate."""

    is_share: bool

    def back(self, value: float) -> float | None:
        """Return a figure from its log or logit; None where there is none."""
        if not math.isfinite(value):
            return None
        return float(expit(value) if self.is_share else np.exp(value))

    def interval(
        self, value: float, se: float, *, level: float
    ) -> tuple[float | None, float | None]:
        """Return the limits of a figure, normal on the scale; None where there is no error."""
        if not (math.isfinite(value) and math.isfinite(se) and se > 0):
            return None, None
        step = float(ndtri(0.5 + level / 2)) * se
        return self.back(value - step), self.back(value + step)

    def over(self, now: float, before: float) -> float | None:
        """Return a figure over another, less 1, from their logs or logits."""
        one, other = self.back(now), self.back(before)
        return None if one is None or other is None or other == 0 else one / other - 1


@dataclass(frozen=True, slots=True, eq=False)
class AreaIndex:
    """The index of one response by area (None for all), over every ISO week of the season so far.

    `levels`: None where the fit was refused; `reason`: why there is none.
    """

    response: str
    weeks: tuple[str, ...]
    series: Mapping[str | None, Series]
    levels: Levels | None
    reason: str = ""

    def at(self, area: str | None, week: str | None) -> tuple[float, float, float | None]:
        """Return a log or logit, its standard error, and the part of the figure that is imputed."""
        series = self.series.get(area)
        if series is None or week not in self.weeks:
            return math.nan, math.nan, None
        at = self.weeks.index(week)
        part = None if series.imputed is None else known(series.imputed[at])
        return float(series.value[at]), float(series.se[at]), part


def area_index(
    data: ResponseTrips,
    model: CandidateResult | None,
    *,
    mix: pd.DataFrame,
    weeks: Sequence[str],
    weight: Mapping[str, float],
) -> AreaIndex:
    """Return the index of a response by the chosen model, else by the usual terms and family.

    A level for every area and week does not need the smooth of the week that candidates are
    compared by. `mix`: as in `levels_of`; `weight`: of each area in the mean of all.
    """
    season = tuple(weeks)
    terms: tuple[str, ...] = USUAL
    family = BETA_BINOMIAL if data.is_share else str(Family.NEGATIVE_BINOMIAL)
    if model is not None:
        terms, family = model.candidate.terms, model.candidate.family
    try:
        levels = levels_of(data, terms=terms, family=family, mix=mix)
    except UsageError as error:
        return AreaIndex(data.response, season, {}, None, str(error))
    mean = all_areas(levels, season, weight, is_share=data.is_share)
    return AreaIndex(data.response, season, {None: mean, **series_of(levels, season)}, levels)


def index_rows(
    index: AreaIndex,
    data: ResponseTrips,
    raw: Mapping[Domain, SurveyEstimate],
    *,
    season: str,
    level: float,
) -> list[Row]:
    """Return the rows of `INDEX_SCHEMA` of one response, for all areas and weeks with a figure."""
    trips = _trips(data.frame)
    scale = Scale(data.is_share)
    rows = []
    for area, week in sorted({*raw, *trips}, key=_order):
        value, se, imputed = index.at(area, week)
        low, high = scale.interval(value, se, level=level)
        survey = raw.get((area, week), SurveyEstimate(None))
        change = survey.change or {}
        n_trips = trips[area, week]
        rows.append(
            {
                "season": season,
                "area": area,
                "week": week,
                "response": index.response,
                "unit": UNITS[index.response],
                "survey_estimate": survey.value,
                "survey_low": survey.low,
                "survey_high": survey.high,
                "survey_change": change.get("change"),
                "survey_change_low": change.get("ci_low"),
                "survey_change_high": change.get("ci_high"),
                "survey_direction": change.get("direction"),
                "index": scale.back(value),
                "log_se": se if math.isfinite(value) and se > 0 else None,
                "ci_low": low,
                "ci_high": high,
                "ci_level": level,
                "n_trips": n_trips,
                "imputed_prop": imputed,
                "note": _note(index, data, area, week) if math.isfinite(value) else "",
                "reason": "" if math.isfinite(value) else _why(index, data, area, week, n_trips),
            }
        )
    return rows


def _note(index: AreaIndex, data: ResponseTrips, area: str | None, week: str | None) -> str:
    """Return what a reader must know of a level: that it has no fish, or no error."""
    why = index.levels.why_no_error if index.levels is not None else ""
    return join_codes([data.reasons.get((area, week), ""), why])


def _why(
    index: AreaIndex, data: ResponseTrips, area: str | None, week: str | None, n_trips: int
) -> str:
    if not n_trips:
        return no_trip(data.response)
    return data.reasons.get((area, week)) or index.reason or coded("no_area_this_week")


def _trips(frame: pd.DataFrame) -> Counter[Domain]:
    """Count trips by area and week, and over all areas."""
    found: Counter[Domain] = Counter()
    for _, area, week, n in frame.groupby(["area", "week"]).size().reset_index().itertuples():
        found[str(area), str(week)] += int(n)
        found[None, str(week)] += int(n)
    return found


def _order(domain: Domain) -> tuple[str, str]:
    return domain[0] or "", domain[1] or ""


LAGS = (1, 4)
WEEKS_AHEAD = 3
#: Probability of a rise over four weeks from which a trend is called; below its rest, a fall. Our
#: choice, no source: how often it calls what is there, and what is not, is simulated (`trend_calls`
#: in the document of validation).
CALLED = 0.87
#: Factors of the errors of a level and of a change: those of weekly figures are themselves
#: estimated, from few site-days, and levels come back where the smoother has them walk. Set by
#: simulated levels of five kinds (`tests/simulation/test_trend_levels.py`); our choice, no source.
LEVEL_WIDTH, CHANGE_WIDTH = 1.1, 1.25
RISING, FALLING, UNCLEAR, NOT_KNOWN = "rising", "falling", "no_clear_change", "not_known"
CLOSED, TO_COME = coded("closed"), coded("still_to_come")


def calibrated(rose: float) -> float:
    """Return the probability of a rise with the error of the change at its wider width."""
    return float(ndtr(ndtri(rose) / CHANGE_WIDTH))


def word_of(rose: float) -> str:
    """Return the word for a probability that the level rose in four weeks."""
    if not np.isfinite(rose):
        return NOT_KNOWN
    if rose > CALLED:
        return RISING
    return FALLING if rose < 1 - CALLED else UNCLEAR


def trend_rows(
    series: Series,
    weeks: Sequence[str],
    *,
    is_share: bool,
    level: float,
    names: Row,
    open_weeks: Collection[str] | None = None,
) -> list[Row]:
    """Return the trend of one area, or of all, by week and three weeks ahead, in `TREND_SCHEMA`.

    `names`: season, area and response of the rows; `open_weeks`: those with an open day; None where
    the calendar is not known. Rows from the first week with a figure; of under three weeks, one row
    with the reason. A week that was closed and has no figure has a level, which runs on through it,
    and no word.
    """
    has = np.isfinite(series.value) & (series.se > 0)
    blank = names | {"ci_level": level, "is_projected": False, "direction": NOT_KNOWN}

    def closed(week: str) -> bool | None:
        return None if open_weeks is None else week not in open_weeks

    try:
        start = int(np.argmax(has)) if has.any() else 0
        found = smooth(*_figures(series, has, start), slope=True, lags=LAGS, n_ahead=WEEKS_AHEAD)
    except UsageError as error:
        last = {"week": weeks[-1], "is_closed": closed(weeks[-1])}
        return [blank | last | {"reason": error_code(error)}]
    shown = [*weeks[start:], *weeks_after(weeks[-1], WEEKS_AHEAD)]
    n_responding = len(weeks) - start
    scale = Scale(is_share)
    rows = []
    for place, week in enumerate(shown):
        ahead = place >= n_responding
        se = LEVEL_WIDTH * found.level_se[place]
        low, high = scale.interval(found.level[place], se, level=level)
        row = blank | {
            "week": week,
            "is_projected": ahead,
            "is_closed": closed(week),
            "level": scale.back(found.level[place]),
            "ci_low": low,
            "ci_high": high,
            "reason": TO_COME if ahead else "",
        }
        if row["is_closed"] and (ahead or not has[start + place]):
            rows.append(row | {"reason": CLOSED})
        else:
            rows.append(row | ({} if ahead else _changes(found, place, scale)))
    return rows


def _figures(series: Series, has: Bools, start: int) -> tuple[Floats, Floats]:
    """Return figures from a week on and their covariance, NaN where one has no error."""
    cov = series.cov.copy()
    cov[~has, ~has] = np.nan
    return series.value[start:], cov[start:, start:]


def _changes(found: Trend, place: int, scale: Scale) -> Row:
    row: Row = {}
    for lag in LAGS:
        known = place >= lag
        before = found.level[place - lag] if known else np.nan
        row[f"change_{lag}_weeks"] = scale.over(found.level[place], before)
        row[f"prob_increase_{lag}_weeks"] = calibrated(found.rose[lag][place]) if known else None
    rose = row[f"prob_increase_{LAGS[-1]}_weeks"]
    if rose is None:
        return row | {"reason": coded("few_weeks_before")}
    return row | {"direction": word_of(rose)}

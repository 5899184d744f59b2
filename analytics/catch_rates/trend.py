"""The smooth level behind the index of each area and of all, the weeks ahead, and a word for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtr, ndtri

from analytics.catch_rates.index import Scale
from analytics.codes import coded, error_code
from analytics.errors import UsageError
from analytics.models.smoother import smooth
from analytics.weeks import weeks_after

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from analytics.arrays import Bools, Floats
    from analytics.catch_rates.standardised_levels import Series
    from analytics.models.smoother import Trend

    Row = dict[str, Any]

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

"""Where the invented season stands: every odd case of limits, for tests of the pages.

The standing is written by hand and the draws are those of `tests.season_cases`; neither is an
estimate of anything.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics.codes import coded, sentences
from analytics.options.baseline_io import to_table
from analytics.outlook.schemas import OUTLOOK_SCHEMAS
from analytics.weeks import days_from, weeks_between
from analytics.wording.bulletin_index import monday
from tests.season_cases import small_baseline

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.options.baseline import Baseline

Row = dict[str, Any]

THROUGH, CLOSE = date(2036, 2, 10), date(2036, 4, 13)
WEEKS_AHEAD = weeks_between("2036-W07", "2036-W15")
LOST_CODE = coded("convenience_only", areas=["<b>A6"])
LOST = sentences(LOST_CODE)
#: Limit, areas, quantity, fish allowed, total so far, total expected at the close.
BINDING, REACHED, LATER, SAFE, SUM, NONE = "S-1", "S-2", "S-3", "S-4", "S-5", "S-6"
LIMITS = {
    BINDING: ("A1", "released_sublegal_fish", 2400, 1240, 2610),
    REACHED: ("A3;A4", "kept_fish", 900, 957, 1180),
    LATER: ("A1;A2;A3;A4;A5;A6", "total_deaths_fish", 5200, 3100, 5600),
    SAFE: ("A5", "encounter_fish", 16000, 3900, 6400),
    SUM: (
        "A1;A2",
        "encounter_legal_unmarked_fish;encounter_sublegal_unmarked_fish",
        4000,
        1500,
        3300,
    ),
    NONE: ("A6", "kept_fish", 500, None, None),
}
#: Probability of exceeding, and the days with 1, 5 and 9 chances in 10.
AHEAD = {
    BINDING: (0.64, date(2036, 3, 3), date(2036, 3, 14), None),
    REACHED: (1.0, THROUGH, THROUGH, THROUGH),
    LATER: (0.72, date(2036, 3, 20), date(2036, 4, 2), None),
    SAFE: (0.0, None, None, None),
    SUM: (0.18, date(2036, 4, 4), None, None),
    NONE: (None, None, None, None),
}
PREVIOUS = {BINDING: 1395.0, SAFE: 3900.0, LATER: 2800.0}
QUANTITIES = ("kept_fish", "encounter_fish", "released_sublegal_fish", "total_deaths_fish")
#: Final over expected of past projections; the 80 % interval reaches 25 % either way.
RATIOS = (0.97, 1.04, 1.1, 0.88, 1.31, 0.7)


def tables(
    season: str, weeks: Sequence[str], areas: Sequence[str], now: str
) -> dict[str, pa.Table]:
    """Return the tables of a season: of the one in progress, or of one that is over."""
    is_over = season != now
    made: dict[str, list[Row]] = {
        "limit_status": [_standing(season, name, weeks[-1], is_over=is_over) for name in LIMITS],
        "limit_paths": [
            line for name in LIMITS for line in _fan(season, name, weeks, is_over=is_over)
        ],
        "backtest": [] if is_over else _backtest(areas),
        "assumptions": [
            {
                "topic": "weather",
                "assumption": "one day in ten is lost to weather, in all areas at once",
            },
            {"topic": "weather", "assumption": "a day lost to weather is not made up for"},
            {
                "topic": "rates",
                "assumption": "rates of death are those of the store, with their error",
            },
        ],
    }
    return {
        name: pa.Table.from_pylist(lines, schema=OUTLOOK_SCHEMAS[name])
        for name, lines in made.items()
    } | {"draws": to_table(baseline(areas, is_over=is_over))}


def baseline(areas: Sequence[str], *, is_over: bool) -> Baseline:
    """Return the draws of a season of its own size."""
    if is_over:
        return small_baseline(n_draws=100, areas=areas, n_weeks=0, n_closed_weeks=0)
    made = small_baseline(n_draws=100, areas=areas, n_weeks=len(WEEKS_AHEAD), n_closed_weeks=1)
    days = days_from(THROUGH + timedelta(days=1), len(made.days))
    weeks = (*WEEKS_AHEAD, "2036-W16")
    return replace(made, through=THROUGH, days=days, weeks=weeks)


def _span(middle: float, cv: float) -> tuple[float, float]:
    return middle * math.exp(-1.96 * cv), middle * math.exp(1.96 * cv)


def _standing(season: str, name: str, week: str, *, is_over: bool) -> Row:
    areas, quantity, limit, total, expected = LIMITS[name]
    through = monday(week) + timedelta(days=6)
    one: Row = {
        "season": season,
        "limit_id": name,
        "areas": areas,
        "quantity": quantity,
        "unit": "fish",
        "limit_fish": float(limit),
        "through": through,
        "planned_close": through if is_over else CLOSE,
        "is_preliminary": not is_over,
        "ci_level": 0.95,
        "is_binding": name == BINDING,
        "status": "ok",
        "method": "two_stage_total",
        "reason": "",
    }
    if total is None or expected is None:
        return one | {"reason": LOST_CODE, "status": "no_design"}
    low, high = _span(total, 0.11)
    one |= {
        "estimate": float(total),
        "se": 0.11 * total,
        "ci_low": low,
        "ci_high": high,
        "df": 31.0,
        "share_used": total / limit,
        "share_used_low": low / limit,
        "share_used_high": high / limit,
        "fish_remaining": float(limit - total),
        "prob_exceeded_to_date": 0.71 if total > limit else 0.004,
    }
    return one if is_over else one | _ahead(name, expected)


def _ahead(name: str, expected: float) -> Row:
    low, high = _span(expected, 0.2)
    chance, early, half, late = AHEAD[name]
    return {
        "projected_total": float(expected),
        "projected_total_low": low,
        "projected_total_high": high,
        "prob_exceeded_by_close": chance,
        "exceedance_date_p10": early,
        "exceedance_date_p50": half,
        "exceedance_date_p90": late,
        "previous_estimate": PREVIOUS.get(name),
        "previous_through": THROUGH - timedelta(days=7 * (name == LATER)),
    }


def _fan(season: str, name: str, weeks: Sequence[str], *, is_over: bool) -> list[Row]:
    _, _, _, total, expected = LIMITS[name]
    if total is None or expected is None:
        return []
    lines = []
    for at, week in enumerate(weeks, start=1):
        so_far = total * (at / len(weeks)) ** 1.4
        lines.append(_fan_line(season, name, week) | {"is_projected": False, "estimate": so_far})
    if is_over:
        return lines
    for at, week in enumerate(WEEKS_AHEAD, start=1):
        middle = total + (expected - total) * at / len(WEEKS_AHEAD)
        lines.append(
            _fan_line(season, name, week)
            | {"is_projected": True, "estimate": middle}
            | _quantiles(middle, 0.1 + 0.012 * at)
        )
    return lines


def _fan_line(season: str, name: str, week: str) -> Row:
    day = monday(week) + timedelta(days=6)
    return {"season": season, "limit_id": name, "week": week, "day": day}


def _quantiles(middle: float, cv: float) -> Row:
    steps = {"q025": -1.96, "q10": -1.28, "q25": -0.67, "q50": 0.0, "q75": 0.67}
    steps |= {"q90": 1.28, "q975": 1.96}
    return {name: middle * math.exp(step * cv) for name, step in steps.items()}


def _backtest(areas: Sequence[str]) -> list[Row]:
    lines: list[Row] = []
    for number, season in enumerate(("2033-34", "2034-35")):
        for at, week in enumerate(("W50", "W01", "W07")):
            through = f"{season[:4] if week == 'W50' else int(season[:4]) + 1}-{week}"
            for quantity in QUANTITIES:
                for area in (None, *areas[:2]):
                    ratio = RATIOS[(number * 3 + at) % len(RATIOS)]
                    one = {"season": season, "through": through, "area": area}
                    lines.append(one | {"quantity": quantity} | _past(ratio))
    reason = coded("season_in_progress")
    return [
        *lines,
        {"season": "2032-33", "through": "2033-W01", "quantity": QUANTITIES[0], "reason": reason},
    ]


def _past(ratio: float) -> Row:
    return {
        "to_date": 900.0,
        "projected_total": 2000.0,
        "low_80": 1600.0,
        "high_80": 2500.0,
        "low_95": 1400.0,
        "high_95": 2900.0,
        "final": 2000.0 * ratio,
        "reason": "",
    }

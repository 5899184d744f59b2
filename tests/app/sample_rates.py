"""Modelled catch rates of the invented bulletin: every odd case of the pages of rates and timing.

The figures follow curves chosen for the tests; they are no estimates of anything.
"""

from __future__ import annotations

import math
from datetime import timedelta
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics.catch_rates.schemas import RATE_SCHEMAS
from analytics.codes import coded, sentences
from analytics.weeks import weeks_between
from analytics.wording.bulletin_index import monday

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

Row = dict[str, Any]

UNITS = {"encounters": "fish per angler_hour", "kept": "fish per angler_hour", "sublegal": "1"}
#: Areas of the odd cases: no fish at all; an interval that runs on; no trend.
NO_INDEX, WIDE, NO_TREND = "A2", "A6", "A5"
#: Log slope of a week, and its word, of the areas with a trend; None is all areas.
SLOPES = {None: 0.06, "A1": 0.08, "A3": -0.09, "A4": 0.002, "A6": 0.02}
NO_FISH_CODE = coded("no_fish_in_trips", trips=41)
NO_FISH = sentences(NO_FISH_CODE)
FEW_WEEKS_CODE = coded("few_weeks_before")
FEW_WEEKS = sentences(FEW_WEEKS_CODE)
NO_PAST_CODE = coded("season_incomplete")
NO_PAST = sentences(NO_PAST_CODE)
NO_ERROR_CODE = coded("error_needs_clusters", site_days=5, coefficients=6)
NO_ERROR = sentences(NO_ERROR_CODE)
NOT_FITTED_CODE = coded("fit_failed", error="the fit did not converge")
NOT_FITTED = sentences(NOT_FITTED_CODE)
ROSE = {None: (0.83, 0.97), "A1": (0.9, 0.993), "A3": (0.2, 0.04), "A4": (0.45, 0.52)}
PAST = {"2033-34": ("2033-W45", 0.85), "2034-35": ("2034-W45", 1.15)}
#: This season over the mean of the past ones, by area.
RATIOS = {None: (1.24, 1.05, 1.47), "A1": (0.7, 0.55, 0.9), "A3": (1.08, 0.8, 1.4)}
N_WEEKS = 24
#: What a closed week says of its trend.
CLOSED = {"is_closed": True, "direction": "not_known", "reason": "closed"}
BOAT = "<b>I-0042</b>"


def tables(
    season: str, weeks: Sequence[str], areas: Sequence[str], closed: Collection[tuple[str, str]]
) -> dict[str, pa.Table]:
    """Return the tables of a season; the earlier season has no past to stand against."""
    has_past = season not in PAST
    domains: list[str | None] = [None, *areas]
    made: dict[str, list[Row]] = {
        "index": _index(season, weeks, domains, closed),
        "trend": _trend(season, weeks, domains, closed),
        "models": _models(season),
        "coefficients": _coefficients(season),
        "residuals": _residuals(season),
        "seasonal_pattern": _timing(season, weeks, domains, has_past=has_past),
        "run_dates": _dates(domains) if has_past else [],
        "run_strength": _strength(season, weeks, domains, has_past=has_past),
    }
    return {
        name: pa.Table.from_pylist(made[name], schema=schema)
        for name, schema in RATE_SCHEMAS.items()
    }


def level(area: str | None, at: int, response: str) -> float:
    """Return the smooth level of a domain in the week of a number."""
    base = {"encounters": 0.4, "kept": 0.05, "sublegal": 0.6}[response]
    slope = SLOPES.get(area, 0.0) * (0.3 if response == "sublegal" else 1.0)
    return base * math.exp(slope * (at - 7))


def _span(middle: float, error: float) -> tuple[float, float]:
    return middle * math.exp(-1.96 * error), min(middle * math.exp(1.96 * error), 1e9)


def _index(
    season: str,
    weeks: Sequence[str],
    domains: Sequence[str | None],
    closed: Collection[tuple[str, str]],
) -> list[Row]:
    lines = []
    for response, unit in UNITS.items():
        for area in domains:
            for at, week in enumerate(weeks):
                if (area, week) in closed:
                    continue
                one = {"season": season, "area": area, "week": week, "response": response}
                one |= {"unit": unit, "ci_level": 0.95, "n_trips": 41, "reason": ""}
                lines.append(one | _point(area, at, response))
    return lines


def _point(area: str | None, at: int, response: str) -> Row:
    if area == NO_INDEX:
        return {"survey_estimate": 0.0, "reason": NO_FISH_CODE}
    error = 0.9 if area == WIDE and at == 3 else 0.04 if response == "sublegal" else 0.12
    middle = level(area, at, response) * math.exp(0.1 * math.sin(5 * at))
    low, high = _span(middle, error)
    raw = 0.93 * middle
    found = {
        "survey_estimate": raw,
        "index": middle,
        "log_se": error,
        "ci_low": low,
        "ci_high": high,
    }
    before = level(area, at - 1, response) * math.exp(0.1 * math.sin(5 * (at - 1))) * 0.93
    found |= _change(raw, before, response) if at else {}
    if response == "kept":
        return found
    return found | {"survey_low": 0.8 * raw, "survey_high": 1.2 * raw}


def _change(now: float, before: float, response: str) -> Row:
    """Return the change from the week before, with the word that its interval calls for."""
    is_share, half = response == "sublegal", 0.05
    change = now - before if is_share else now / before
    ends = (change - half, change + half) if is_share else (change * 0.9, change * 1.1)
    same = 0.0 if is_share else 1.0
    word = "up" if ends[0] > same else "down" if ends[1] < same else "no_clear_change"
    return {
        "survey_change": change,
        "survey_change_low": ends[0],
        "survey_change_high": ends[1],
        "survey_direction": word,
    }


def _trend(
    season: str,
    weeks: Sequence[str],
    domains: Sequence[str | None],
    closed: Collection[tuple[str, str]],
) -> list[Row]:
    return [
        {"season": season, "area": area, "week": week, "response": response, "is_closed": False}
        | _level_line(area, at, response, n_weeks=len(weeks))
        | (CLOSED if (area, week) in closed else {})
        for response in UNITS
        for area in domains
        for at, week in enumerate([*weeks, *_after(weeks[-1])])
    ]


def _after(week: str) -> tuple[str, ...]:
    year, number, _ = (monday(week) + timedelta(weeks=3)).isocalendar()
    return weeks_between(week, f"{year}-W{number:02d}")[1:]


def _level_line(area: str | None, at: int, response: str, *, n_weeks: int) -> Row:
    one: Row = {
        "is_projected": at >= n_weeks,
        "ci_level": 0.95,
        "reason": "",
        "direction": "not_known",
    }
    if area in (NO_INDEX, NO_TREND):
        return one | {"reason": NO_FISH_CODE if area == NO_INDEX else FEW_WEEKS_CODE}
    middle = level(area, at, response)
    low, high = _span(middle, 0.03 + 0.06 * max(at - n_weeks + 1, 0))
    one |= {"level": middle, "ci_low": low}
    one |= {"ci_high": min(high, 1.0) if response == "sublegal" else high}
    if at >= n_weeks:
        return one
    if at:
        rose_1, rose_4 = ROSE.get(area, (0.6, 0.7))
        one |= {
            "change_1_weeks": middle / level(area, at - 1, response) - 1,
            "prob_increase_1_weeks": rose_1,
        }
    if at > 3:
        one |= {
            "change_4_weeks": middle / level(area, at - 4, response) - 1,
            "prob_increase_4_weeks": rose_4,
        }
        one["direction"] = (
            "rising" if rose_4 > 0.9 else "falling" if rose_4 < 0.1 else "no_clear_change"
        )
    return one


def _models(season: str) -> list[Row]:
    lines = []
    for response in UNITS:
        is_share = response == "sublegal"
        laws = ("binomial", "beta_binomial") if is_share else ("poisson", "negative_binomial")
        for at, (law, terms) in enumerate(
            [(laws[0], "area, week~5"), (laws[1], "area, week~5, method, day_group")]
        ):
            lines.append(
                {
                    "season": season,
                    "response": response,
                    "candidate": f"candidate {at + 1}",
                    "family": law,
                    "terms": terms,
                    "purpose": "a line of its own in each area" if at else "chance alone",
                    "score_gap": 0.1 * (1 - at),
                    "score_gap_se": 0.04,
                    "index_terms": "method + day_group + party" if at else None,
                    "index_dispersion": 0.58 if at else None,
                    "is_chosen": at == 1,
                    "n": 3120,
                    "n_parameters": 12 + 3 * at,
                    "aic": 9120.4 - 310 * at,
                    "bic": 9190.1 - 290 * at,
                    "held_out_rows": 640,
                    "held_out_score": -1.42 + 0.1 * at,
                    "dispersion": 0.61 if at else None,
                    "pearson": None if is_share else 1.9 - 0.85 * at,
                    "zeros": None if is_share else 0.312,
                    "zeros_expected": None if is_share else 0.21 + 0.098 * at,
                    "n_clusters": 402,
                    "cluster_factor": 1.7,
                    "reason": "",
                }
            )
        refused = {"season": season, "response": response, "candidate": "candidate 3"}
        refused |= {"family": "hurdle_negative_binomial", "terms": "area, week~5, site"}
        lines.append(refused | {"is_chosen": False, "reason": NOT_FITTED_CODE})
    return lines


def _coefficients(season: str) -> list[Row]:
    lines = []
    for response in ("encounters", "kept"):
        for term, estimate, se in (
            ("intercept", 15.0, 4.4),
            ("method[mooching]", 0.0953, 0.05),
            ("method[*jigging*]", -0.223, 0.11),
            ("day_group[weekend]", -0.105, 0.04),
            ("party", 0.02, None),
        ):
            low, high = (None, None) if se is None else _span(math.exp(estimate), se)
            lines.append(
                {
                    "season": season,
                    "response": response,
                    "term": term,
                    "estimate": estimate,
                    "se": se,
                    "ratio": math.exp(estimate),
                    "ci_low": low,
                    "ci_high": high,
                    "ci_level": 0.95,
                    "reason": NO_ERROR_CODE if se is None else "",
                }
            )
    return lines


def _residuals(season: str) -> list[Row]:
    lines = []
    for response in ("encounters", "kept"):
        start = {"season": season, "response": response}
        for at in range(1, 61):
            normal = NormalDist().inv_cdf(at / 61)
            point = {"kind": "quantile", "normal": normal, "residual": 1.05 * normal + 0.02}
            lines.append(start | point)
        if response == "encounters":
            boat = {"kind": "boat", "interview_id": BOAT, "influence": 0.83, "fish": 31}
            lines.append(start | boat | {"residual": 2.9, "angler_hours": 9.5})
    return lines


def run_index(week: int, size: float, late: float) -> float:
    """Return the index of a season in the week of a number: one hump."""
    return size * (0.08 + 0.4 * math.exp(-(((week - 11 - late) / 5) ** 2)))


def _timing(
    season: str, weeks: Sequence[str], domains: Sequence[str | None], *, has_past: bool
) -> list[Row]:
    lines = []
    for area in domains:
        if area == NO_INDEX:
            continue
        for late, (past, (first, size)) in enumerate(PAST.items()):
            if has_past:
                year, number, _ = (monday(first) + timedelta(weeks=N_WEEKS - 1)).isocalendar()
                run = weeks_between(first, f"{year}-W{number:02d}")
                lines += _season_of(past, area, run, size=size, late=float(late))
        now = [run_index(at, 1.24, 0.0) for at in range(len(weeks))]
        start = {"season": season, "area": area, "is_current_season": True}
        for at, (week, value) in enumerate(zip(weeks, now, strict=True)):
            lines.append(start | {"week": week, "day": 7 * at + 6, "index": value})
    return lines


def _season_of(
    season: str, area: str | None, weeks: Sequence[str], *, size: float, late: float
) -> list[Row]:
    index = [run_index(at, size, late) for at in range(len(weeks))]
    lines, so_far = [], 0.0
    for at, (week, value) in enumerate(zip(weeks, index, strict=True)):
        so_far += value
        day = 7 * at + 6
        z = (day - 80 - 7 * late) / 33
        lines.append(
            {
                "season": season,
                "area": area,
                "week": week,
                "day": day,
                "index": value,
                "share": so_far / sum(index),
                "normal": NormalDist().cdf(z),
                "logistic": 1 / (1 + math.exp(-1.7 * z)),
                "is_current_season": False,
            }
        )
    return lines


def _dates(domains: Sequence[str | None]) -> list[Row]:
    lines = []
    for area in domains:
        for late, (season, (first, _)) in enumerate(PAST.items()):
            start: Row = {"season": season, "area": area, "reason": ""}
            if area == NO_INDEX:
                lines.append(start | {"curve": "normal", "reason": NO_FISH_CODE})
                continue
            for curve in ("index", "normal", "logistic"):
                for share, days in ((0.25, 58), (0.5, 81), (0.75, 104)):
                    day = monday(first) + timedelta(days=days + 7 * late)
                    one = start | {"curve": curve, "share": share, "date": day}
                    fitted = {} if curve == "index" else {"se_days": 1.3, "rmse": 0.021}
                    lines.append(one | fitted)
    return lines


def _strength(
    season: str, weeks: Sequence[str], domains: Sequence[str | None], *, has_past: bool
) -> list[Row]:
    lines = []
    for area in domains:
        one: Row = {"season": season, "area": area, "ci_level": 0.95, "reason": ""}
        if not has_past or area == NO_INDEX:
            none = {
                "week": weeks[-1],
                "n_past": 0,
                "reason": NO_FISH_CODE if has_past else NO_PAST_CODE,
            }
            lines.append(one | none)
            continue
        ratio, low, high = RATIOS.get(area, (1.0, 0.8, 1.25))
        found = {"ratio": ratio, "ci_low": low, "ci_high": high, "n_past": len(PAST)}
        found |= {"past_low": 0.85, "past_high": 1.15}
        lines += [one | found | {"week": week} for week in weeks]
    return lines

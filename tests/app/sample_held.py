"""Held and measured fish of the invented bulletin: trials, wounds, lengths, conversions."""

from __future__ import annotations

import math
from typing import Any

from analytics.codes import coded, sentences

Row = dict[str, Any]

HOURS = 96.0
#: Groups of the trials: held, died; one of them all died, one none, one was never held.
GROUPS = {"jaw": (60, 4), "gills": (14, 14), "eye": (6, 0), "fin": (20, 0), "control": (50, 2)}
WORSE = "fin"
NEVER = "throat"
NONE_HELD_CODE = coded("no_fish_held")
NONE_HELD = sentences(NONE_HELD_CODE)
BELOW_CONTROL_CODE = coded("below_control")
BELOW_CONTROL = sentences(BELOW_CONTROL_CODE)
NO_TRIAL_CODE = coded("wound_not_held")
NO_TRIAL = sentences(NO_TRIAL_CODE)
NOT_WHOLE_CODE = coded("wounds_not_held", wounds=["tongue"])
NOT_WHOLE = sentences(NOT_WHOLE_CODE)
RULE_MM = 559.0
NO_TEST_CODE = coded("no_test_lengths")
NO_TEST = sentences(NO_TEST_CODE)
FITTED_CODE = coded("regression_of_lengths", n=812, span="season")


def tables(season: str) -> dict[str, list[Row]]:
    """Return the tables of held and measured fish."""
    return {
        "holding_rates": _trials(),
        "wound_mix": _wounds(season),
        "survival": _survival(),
        "lengths": _lengths(season),
        "legal_share": _legal(season),
        "conversions": _conversions(season),
    }


def _trials() -> list[Row]:
    lines = []
    for trial, times in ((None, 2), ("H1", 1), ("H2", 1)):
        for group, (held, died) in GROUPS.items():
            lines.append(_trial(trial, group, held * times, died * times))
    empty = {"trial_id": None, "group": NEVER, "is_control": False, "held": 0, "died": 0}
    return [*lines, empty | {"ci_level": 0.95, "reason": NONE_HELD_CODE}]


def _trial(trial: str | None, group: str, held: int, died: int) -> Row:
    rate, control = died / held, 0.04
    half = 1.96 * math.sqrt(max(rate * (1 - rate), 0.02) / held)
    right = (rate - control) / (1 - control)
    line: Row = {
        "trial_id": trial,
        "group": group,
        "is_control": group == "control",
        "held": held,
        "died": died,
        "hours": HOURS,
        "rate_prop": rate,
        "wilson_low": max(rate - half, 0.0),
        "wilson_high": min(rate + half, 1.0),
        "exact_low": max(rate - 1.1 * half, 0.0),
        "exact_high": min(rate + 1.1 * half, 1.0),
        "ci_level": 0.95,
        "reason": BELOW_CONTROL_CODE if right < 0 else "",
    }
    if group == "control":
        return line
    limits = {"corrected_low": right - half, "corrected_high": min(right + half, 1.0)}
    return line | {"corrected_prop": right, "corrected_se": half / 1.96, **limits}


def _wounds(season: str) -> list[Row]:
    start = {"season": season, "ci_level": 0.95, "reason": ""}
    lines = [
        start | {"wound_site": name, "n_fish": fish, "share": fish / 200, "rate_prop": rate}
        for name, fish, rate in (("jaw", 170, 0.03), ("gills", 20, 1.0))
    ]
    lines.append(
        start | {"wound_site": "tongue", "n_fish": 10, "share": 0.05, "reason": NO_TRIAL_CODE}
    )
    whole = {"wound_site": None, "n_fish": 200, "rate_prop": 0.13, "rate_se": 0.02}
    whole |= {"se_from_mix": 0.008, "se_from_rates": 0.018, "ci_low": 0.096, "ci_high": 0.174}
    return [*lines, start | whole]


def _survival() -> list[Row]:
    jaw = ((24.0, 60, 2, 0.967), (96.0, 58, 2, 0.933))
    lines = [
        {
            "group": "jaw",
            "hours": hours,
            "at_risk": risk,
            "died": died,
            "alive_prop": alive,
            "ci_low": alive - 0.06,
            "ci_high": min(alive + 0.03, 1.0),
            "ci_level": 0.95,
        }
        for hours, risk, died, alive in jaw
    ]
    lines += [
        {"group": name, "hours": 0.0, "at_risk": fish, "died": 0, "alive_prop": 1.0}
        for name, fish in (("jaw", 60), ("oesophagus_stomach", 1))
    ]
    alone = {"group": "oesophagus_stomach", "hours": HOURS, "at_risk": 1, "died": 1}
    return [*lines, alone | {"alive_prop": 0.0, "ci_level": 0.95}]


def _lengths(season: str) -> list[Row]:
    lines = []
    for area, source in (("A1", "test_fishing"), ("A1", "dockside"), ("A4", "dockside")):
        for week in ("2036-W04", "2036-W05"):
            start = 540 if source == "dockside" else 380
            for at, low in enumerate(range(start, start + 300, 20)):
                fish = 3 + (at % 7) * 4
                line = {"season": season, "area": area, "week": week, "source": source}
                line |= {"bin_low_mm": float(low), "bin_mm": 20.0, "fish": fish}
                line |= {"marked": fish // 3, "converted": fish // 5, "min_length_mm": RULE_MM}
                lines.append(line | ({"min_length_mm": None} if area == "A4" else {}))
    return lines


def _legal(season: str) -> list[Row]:
    lines = []
    for area, fish in ((None, 400), ("A1", 90)):
        for length in (*range(500, 661, 10), RULE_MM):
            share = 1 / (1 + math.exp((length - 540) / 25))
            half = 2 * math.sqrt(share * (1 - share) / fish)
            line = {"season": season, "area": area, "min_length_mm": float(length)}
            line |= {"is_rule": length == RULE_MM, "n_fish": fish, "share": share}
            line |= {"n_legal": round(fish * share), "ci_level": 0.95, "reason": ""}
            lines.append(line | {"ci_low": share - half, "ci_high": share + half})
    none = {"season": season, "area": "A4", "is_rule": True, "min_length_mm": RULE_MM}
    return [*lines, none | {"n_fish": 0, "n_legal": 0, "ci_level": 0.95, "reason": NO_TEST_CODE}]


def _conversions(season: str) -> list[Row]:
    length = {
        "season": season,
        "target": "total_length_mm",
        "given": "fork_length_mm",
        "form": "linear",
        "n_fish": 812,
        "intercept": -4.2,
        "slope": 1.072,
        "residual_sd": 6.4,
        "r_squared": 0.991,
        "source": FITTED_CODE,
    }
    weight = {
        "season": season,
        "target": "weight_g",
        "given": "fork_length_mm",
        "form": "stated factor",
        "n_fish": 0,
        "slope": 1.2,
        "source": "condition factor, calculated",
    }
    return [length, weight]

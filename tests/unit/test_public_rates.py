"""Modelled rates for the public: by the percent standard error of each figure on its own scale."""

from __future__ import annotations

import math

import pyarrow as pa
import pytest
from scipy.special import expit, logit
from scipy.stats import t as student_t

from analytics.bulletin.publication import WITHHELD, public_rates
from analytics.catch_rates.schemas import RATE_SCHEMAS
from analytics.result_table import RESULT_SCHEMA

Z = 1.959964


def table(name, *lines):
    blank = dict.fromkeys(RATE_SCHEMAS[name].names)
    return pa.Table.from_pylist([blank | one for one in lines], schema=RATE_SCHEMAS[name])


def shown(withheld=(), **tables):
    lines = [dict.fromkeys(RESULT_SCHEMA.names) | {"method": WITHHELD} | one for one in withheld]
    found = public_rates(tables, pa.Table.from_pylist(lines, schema=RESULT_SCHEMA))
    return {name: one.to_pylist() for name, one in found.items()}


def level(week, value, se, *, response="encounters", **more):
    on, back = (logit, expit) if response == "sublegal" else (math.log, math.exp)
    return {
        "week": week,
        "response": response,
        "level": value,
        "ci_low": float(back(on(value) - Z * se)),
        "ci_high": float(back(on(value) + Z * se)),
        "ci_level": 0.95,
        "change_1_weeks": 0.1,
        "prob_increase_1_weeks": 0.6,
        "change_4_weeks": 0.2,
        "prob_increase_4_weeks": 0.95,
        "direction": "rising",
        "reason": "",
    } | more


def test_unsure_levels_are_withheld_weeks_ahead_too_and_no_rise_tells_them():
    lines = [
        level("2031-W02", 0.4, 0.6),
        *(level(f"W{week:02d}", 0.4, 0.49) for week in range(3, 8)),
    ]
    ahead = level(
        "W08", 0.49, 0.8, is_projected=True, reason="still to come", direction="not_known"
    )
    first, second, *others, last = shown(trend=table("trend", *lines, ahead))["trend"]
    assert (first["level"], first["ci_low"], first["prob_increase_4_weeks"]) == (None, None, None)
    assert (first["direction"], first["reason"]) == ("not_known", WITHHELD)
    assert (last["level"], last["ci_high"], last["reason"]) == (None, None, WITHHELD)
    # Level and rise of the second would give the level of the first.
    assert (second["level"], second["change_1_weeks"], second["change_4_weeks"]) == (0.4, None, 0.2)
    assert (second["direction"], second["prob_increase_1_weeks"]) == ("rising", 0.6)
    assert [one["change_4_weeks"] for one in others] == [0.2, 0.2, None, 0.2]
    assert [one["change_1_weeks"] for one in others] == [0.1] * 4


@pytest.mark.parametrize(
    ("value", "se", "stays"), [(0.73, 0.52, True), (0.9, 4.0, True), (0.1, 0.6, False)]
)
def test_shares_are_withheld_by_the_error_of_the_share_and_not_of_its_logit(value, se, stays):
    trend = table("trend", level("2031-W02", value, se, response="sublegal"))
    index = table("index", {"response": "sublegal", "index": value, "log_se": se})
    found = shown(trend=trend, index=index)
    assert (found["trend"][0]["level"] is not None) == stays
    assert (found["index"][0]["index"] is not None) == stays


def test_index_beside_the_timing_follows_its_own_error_and_the_index():
    unsure = {"season": "now", "week": "2031-W02", "response": "encounters", "index": 1.0}
    sure = unsure | {"week": "2031-W03", "log_se": 0.2}
    index = table("index", unsure | {"log_se": 0.7}, sure)
    keys = (
        {"season": "now", "week": "2031-W02"},
        {"season": "now", "week": "2031-W03", "log_se": 0.2},
    )
    past = {"season": "past", "week": "2031-W02", "log_se": 0.6, "share": 0.4}
    timing = table("seasonal_pattern", *(one | {"index": 1.0} for one in (*keys, past)))
    found = shown(index=index, seasonal_pattern=timing)["seasonal_pattern"]
    assert [one["index"] for one in found] == [None, 1.0, None]
    assert [one["log_se"] for one in found] == [None, 0.2, None]
    assert found[2]["share"] == 0.4


def test_survey_interval_that_says_nothing_is_left_out_as_on_the_page():
    line = {
        "response": "sublegal",
        "survey_estimate": 0.947,
        "survey_low": 1.9e-11,
        "survey_high": 1 - 1e-13,
    }
    rate = {
        "response": "encounters",
        "survey_estimate": 0.2,
        "survey_low": 0.001,
        "survey_high": 4.1,
    }
    narrow = {
        "response": "encounters",
        "survey_estimate": 0.2,
        "survey_low": 0.1,
        "survey_high": 3.9,
    }
    found = shown(index=table("index", line, rate, narrow))["index"]
    assert [one["survey_estimate"] for one in found] == [0.947, 0.2, 0.2]
    assert [one["survey_low"] for one in found] == [None, None, 0.1]
    assert [one["survey_high"] for one in found] == [None, None, 3.9]


def test_kept_rate_goes_where_fish_or_hours_are_withheld():
    lines = [
        {
            "area": area,
            "week": "2031-W02",
            "response": "kept",
            "survey_estimate": 0.3,
            "index": 0.3,
            "log_se": 0.1,
        }
        for area in ("A", "B", "C")
    ]
    hidden = [
        {"area": "A", "week": "2031-W02", "quantity": "kept_fish"},
        {"area": "B", "week": "2031-W02", "quantity": "angler_hours"},
    ]
    found = shown(withheld=hidden, index=table("index", *lines))["index"]
    assert [one["survey_estimate"] for one in found] == [None, None, 0.3]
    assert [one["index"] for one in found] == [0.3] * 3


def test_strength_is_withheld_by_its_own_error():
    def line(se, n_past):
        step = float(student_t.ppf(0.975, n_past - 1)) * se
        low, high = math.exp(-step), math.exp(step)
        told = {"ratio": 1.0, "ci_low": low, "ci_high": high, "ci_level": 0.95, "reason": ""}
        return told | {"n_past": n_past, "past_low": 0.7}

    found = shown(run_strength=table("run_strength", line(0.49, 2), line(0.51, 5)))["run_strength"]
    assert (found[0]["ratio"], found[0]["reason"]) == (1.0, "")
    assert (found[1]["ratio"], found[1]["ci_high"], found[1]["reason"]) == (None, None, WITHHELD)
    assert found[1]["past_low"] == 0.7


def test_empty_tables_stay_empty():
    empty = {name: table(name) for name in RATE_SCHEMAS}
    assert all(not rows for rows in shown(**empty).values())

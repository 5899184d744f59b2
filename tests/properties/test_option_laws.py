"""Laws of options: what must hold whatever the season."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.options.baseline import BaselineArrays
from analytics.options.compare import compare_options
from analytics.options.option import TODAY, AtLimit, Change, Option
from analytics.options.regulations import option_plan, today_plan
from analytics.options.season_projection import (
    TOTALS,
    AreaProjection,
    CatchCalculator,
    DisplacedEffort,
)
from tests.season_cases import RELEASE_RATES, THROUGH, small_baseline

#: Part of a number that is rounding of single precision.
ROUNDING = 2e-6
bases = st.builds(
    small_baseline,
    n_draws=st.just(12),
    n_weeks=st.integers(1, 4),
    n_closed_weeks=st.integers(0, 2),
    weekdays=st.sampled_from(["1234567", "67", "135"]),
    spread=st.sampled_from([0.0, 1.0, 2.5]),
    seed=st.integers(0, 10_000),
)
few = settings(max_examples=25)


def ahead(base, option, name):
    """Return the draws of a total to come, shape (A, D)."""
    arrays, areas = BaselineArrays(base), range(len(base.areas))
    today = [today_plan(base, area) for area in areas]
    trips = DisplacedEffort(
        arrays, [option_plan(base, option, area) for area in areas], today, option
    )
    calculator = CatchCalculator(arrays, today)
    return np.array(
        [AreaProjection(calculator, area, trips, option.elasticity).total(name) for area in areas]
    )


def under(base, change, name, **response):
    return ahead(base, Option("one", (change,), **response), name)


def at_most(less, more):
    return (less <= more * (1 + ROUNDING) + 1e-4).all()


@few
@given(bases, st.integers(0, 4), st.integers(0, 4), st.sampled_from(AtLimit))
def test_a_stricter_daily_limit_never_keeps_more(base, one, other, at_limit):
    low, high = sorted((one, other))
    at_limit = AtLimit.GO_ON if low == 0 else at_limit
    kept = [
        under(base, Change(daily_limit_fish=limit, at_limit=at_limit), "kept_fish")
        for limit in (low, high)
    ]
    assert at_most(*kept)


@few
@given(bases, st.integers(1, 14), st.integers(0, 14))
def test_a_later_close_never_has_fewer_trips(base, first, more):
    found = [
        under(base, Change(close_from=THROUGH + dt.timedelta(days=n)), "angler_trips")
        for n in (first, first + more)
    ]
    assert at_most(*found)


@few
@given(bases, st.floats(400, 559), st.floats(559, 800), st.floats(0, 100))
def test_a_longer_minimum_never_keeps_more_nor_meets_less(base, low, high, more):
    lengths = (low, high, high + more)
    changes = [Change(min_length_mm=length) for length in lengths]
    kept = [under(base, change, "kept_fish") for change in changes]
    assert at_most(kept[1], kept[0])
    assert at_most(kept[2], kept[1])
    met = [under(base, change, "encounter_fish") for change in changes]
    assert met[1] == pytest.approx(met[0], rel=1e-5)
    assert met[2] == pytest.approx(met[0], rel=1e-5)


@few
@given(bases, st.floats(0.01, 0.3), st.floats(0.01, 0.3), st.floats(0, 1))
def test_deaths_are_linear_in_rates(base, one, other, weight):
    def dead(rate):
        rows = tuple(row | {"rate_prop": rate, "rate_se": None} for row in RELEASE_RATES)
        return ahead(replace(base, rates=rows), Option("one"), "release_deaths_fish")

    between = dead(weight * one + (1 - weight) * other)
    assert between == pytest.approx(weight * dead(one) + (1 - weight) * dead(other), rel=1e-4)


@few
@given(bases, st.floats(0.1, 3))
def test_trips_and_fish_go_with_effort(base, factor):
    for name in ("angler_trips", "kept_fish", "total_deaths_fish"):
        more = under(base, Change(effort_factor=factor), name)
        assert more == pytest.approx(factor * ahead(base, Option("one"), name), rel=1e-4)


@few
@given(bases, st.booleans(), st.integers(0, 3), st.floats(450, 700))
def test_parts_add_up(base, selective, limit, length):
    change = Change(mark_selective=selective, daily_limit_fish=limit, min_length_mm=length)
    found = {name: under(base, change, name) for name in TOTALS}
    sums = {
        "encounter_fish": ("kept_fish", "released_fish"),
        "released_fish": (
            "released_legal_fish",
            "released_sublegal_fish",
            "released_unknown_fish",
        ),
        "total_deaths_fish": ("kept_fish", "release_deaths_fish", "drop_off_deaths_fish"),
    }
    for name, parts in sums.items():
        assert found[name] == pytest.approx(sum(found[part] for part in parts), rel=1e-4)
    assert all((each >= -1e-3).all() for each in found.values())


@few
@given(bases, st.floats(0, 1), st.floats(0, 1), st.integers(1, 20))
def test_trips_that_go_elsewhere_are_never_more_than_were_lost(base, areas, days, close):
    areas, days = areas / 2, days / 2
    change = Change(base.areas[:1], close_from=THROUGH + dt.timedelta(days=close))
    if close > 7 * len(base.weeks):
        return
    stay = under(base, change, "angler_trips")
    go = under(base, change, "angler_trips", to_other_areas_prop=areas, to_other_days_prop=days)
    today = ahead(base, Option("one"), "angler_trips")
    assert at_most(stay, go)
    assert at_most(go.sum(axis=0), today.sum(axis=0))


@few
@given(bases, st.floats(0, 1.5))
def test_areas_add_up_and_marks_kept_alone_keep_less(base, elasticity):
    options = [
        Option("marked", (Change(mark_selective=True),), elasticity),
        Option("twin", (Change(mark_selective=True),), elasticity),
    ]
    found = compare_options(base, options, ())
    rows = {(row["option"], row["area"], row["quantity"]): row for row in found.figures.to_pylist()}
    for name in ("kept_fish", "angler_trips", "total_deaths_fish"):
        for option in (TODAY, "marked"):
            whole = rows[option, None, name]["estimate"]
            parts = sum(rows[option, area, name]["estimate"] for area in base.areas)
            assert whole == pytest.approx(parts, rel=1e-5)
        marked, twin = rows["marked", None, name], rows["twin", None, name]
        assert marked["difference"] == twin["difference"]
    assert rows["marked", None, "kept_fish"]["difference"] <= 0

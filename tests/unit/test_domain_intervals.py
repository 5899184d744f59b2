"""Intervals of areas and weeks: their laws, and what they do where little or nothing is known."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.codes import has_code
from analytics.estimates.estimate import estimate_snapshot
from analytics.intervals import (
    BENCHMARK_RANGE,
    MOST_SHIFT,
    Prior,
    benchmark,
    logit_t,
    quasi_log_width,
    share_intervals,
    skew_shift,
    total_intervals,
)
from tests.tables import MONDAY, SiteDay, interview, survey

positive = st.floats(0.5, 5000)


def numbers(*values):
    return np.array(values, dtype=float)


def prior(variance=900.0, expected=100.0, skewness=0.0, tie=None):
    one = (variance, expected, 3.0, 12.0, 4.0, skewness, skewness if tie is None else tie)
    return Prior(*(numbers(value) for value in one))


def ends(total, variance, given):
    found = total_intervals(numbers(total), numbers(variance), given, level=0.95, factor=1.0)
    return found.low[0], found.high[0]


class TestLaws:
    @given(positive, st.floats(0.01, 1.5))
    def test_without_skewness_the_ends_multiply_to_the_square_of_the_total(self, total, cv):
        low, high = ends(total, (cv * total) ** 2, prior())
        assert low * high == pytest.approx(total**2)

    @given(positive, st.floats(0.01, 1.5), st.floats(0.1, 50), st.floats(0, 3))
    def test_counting_in_other_units_changes_no_more_than_the_unit(self, total, cv, k, skewness):
        variance = (cv * total) ** 2
        plain = ends(total, variance, prior(skewness=skewness))
        scaled = ends(k * total, k**2 * variance, prior(900 * k**2, 100 * k, skewness))
        assert scaled == pytest.approx((k * plain[0], k * plain[1]))

    @given(positive, st.floats(0.01, 1.0), st.floats(1.05, 3))
    def test_a_larger_variance_gives_a_wider_interval(self, total, cv, times):
        variance = (cv * total) ** 2
        low, high = ends(total, variance, prior())
        wide_low, wide_high = ends(total, times * variance, prior())
        assert wide_low < low < total < high < wide_high

    @given(st.floats(0, 3), st.floats(0, 5), st.floats(1, 1.5), st.floats(0, 1))
    def test_skewness_moves_an_interval_up_and_never_far(self, cv, skewness, times, own):
        given = prior(skewness=skewness, tie=skewness * times)
        moved = skew_shift(numbers(cv), given, own, level=0.95)[0]
        assert 0 <= moved <= MOST_SHIFT

    @given(st.floats(0.01, 3), st.floats(0, 1))
    def test_without_skewness_an_interval_is_not_moved(self, cv, own):
        assert skew_shift(numbers(cv), prior(), own, level=0.95)[0] == 0

    @given(st.floats(0.01, 1), st.floats(0.01, 1), st.floats(0, 0.5))
    def test_a_variance_more_tied_to_the_total_moves_the_interval_further(self, cv, skewness, more):
        less, tied = (
            skew_shift(numbers(cv), prior(skewness=skewness, tie=one), 0.5, level=0.95)[0]
            for one in (skewness, skewness + more)
        )
        assert less <= tied

    def test_little_known_the_interval_is_narrower_than_on_the_log_scale(self):
        width = quasi_log_width(numbers(0.05, 1.0), df=numbers(10, 10), level=0.95)
        t = 2.2281389
        assert width[0] == pytest.approx(0.05 * t, rel=1e-3)
        assert width[1] < 0.98 * t

    def test_smoothed_variances_sum_to_the_unbiased_ones(self):
        own, pooled = numbers(90, 150, math.nan), numbers(100, 100, 700)
        factor = benchmark(own, pooled)
        assert factor * pooled[:2].sum() == pytest.approx(own[:2].sum())
        assert BENCHMARK_RANGE[0] < factor < BENCHMARK_RANGE[1]

    def test_a_share_of_units_all_alike_has_the_error_of_the_others(self):
        share, variance, fish = (
            numbers(0.7, 0.6, 0.0),
            numbers(0.004, 0.0, 0.0),
            numbers(200, 200, 9),
        )
        found = share_intervals(
            share, variance, fish, own_df=numbers(5, 5, 5), prior_df=10.0, level=0.95
        )
        assert np.isfinite(found.low).all()
        assert found.low[2] == 0
        assert found.high[2] < 1
        assert (found.low[:2] < share[:2]).all()


def test_a_variance_below_zero_says_as_little_as_one_not_known():
    low, high = ends(120.0, -4.0, prior())
    assert 0 < low < 120 < high < math.inf
    assert (low, high) == ends(120.0, math.nan, prior())


def week(boats, *, site="r1", start=0, **rest):
    """Return site-days of one week at a ramp, one boat each, that kept some fish."""
    where = {"area": "A" if site == "r1" else "B"} | rest
    said = [interview(kept=one, released_sublegal=2, **where) for one in boats]
    return [SiteDay(2, [one], site=site, date=day(start + n)) for n, one in enumerate(said)]


def day(number):
    return MONDAY + dt.timedelta(days=number)


def opened(days=28, areas="AB"):
    dates = {"open_date": MONDAY, "close_date": day(days - 1), "open_weekdays": "12345"}
    return [{"season": "2030-31", "area": area, **dates} for area in areas]


SITES = {"r1": "A", "r2": "B"}


def rows(days, by=("area", "week"), *, seasons=None, **settings):
    snapshot = survey(days, sites=SITES, seasons=seasons or opened())
    return estimate_snapshot(snapshot, by=by, **settings)


def kept(frame, area="A", in_week="2031-W02"):
    mine = frame[(frame["quantity"] == "kept_fish") & (frame["area"] == area)]
    return mine[mine["week"] == in_week].iloc[0] if in_week else mine.iloc[0]


def is_sound(frame):
    """Whether every interval has both ends, finite, in order, about its estimate."""
    some = frame[frame["ci_method"] != "none"]
    ordered = (some["ci_low"] <= some["estimate"]) & (some["estimate"] <= some["ci_high"])
    finite = np.isfinite(some[["ci_low", "ci_high", "df"]].to_numpy(float)).all()
    return bool(ordered.all()) and finite


USUAL = [*week([2, 4, 1]), *week([1, 0, 3], site="r2"), *week([5, 2], start=7)]
USUAL = [*USUAL, *week([3, 3, 6], site="r2", start=7)]


def test_a_season_share_is_raised_by_its_units_and_rests_on_the_strata_that_weigh_most():
    frame = rows(USUAL, by=("season",)).set_index("quantity")
    share, below = frame.loc["sublegal_prop"], frame.loc["encounter_fish"]
    assert 6 <= share["df"] <= below["n_psu"] - 4
    raised = math.exp(1 / below["n_psu"] + (below["se"] / below["estimate"]) ** 2)
    wanted = logit_t(share["estimate"], share["se"] * raised**0.5, df=share["df"], level=0.95)
    assert (share["ci_low"], share["ci_high"]) == pytest.approx(wanted)


class TestEdges:
    def test_areas_and_weeks_borrow_and_the_season_does_not(self):
        assert kept(rows(USUAL))["ci_method"] == "quasi_t"
        season = rows(USUAL, ("season",))
        of_season = season[season["quantity"] == "kept_fish"].iloc[0]
        assert of_season["ci_method"] == "log_t"
        assert is_sound(season)

    def test_estimates_and_errors_stay_the_designs_own(self):
        refused = rows(USUAL, thin="refuse")
        both = rows(USUAL).merge(refused, on=["area", "week", "quantity"], suffixes=("", "_own"))
        same = both[both["se_own"].notna()]
        assert len(same) > 0
        assert same["se"].to_numpy() == pytest.approx(same["se_own"].to_numpy())
        assert not (same["ci_low"] == same["ci_low_own"]).all()

    def test_a_total_of_which_nothing_was_seen_has_a_bound(self):
        days = [*week([0, 0, 0]), *week([1, 0, 3], site="r2"), *week([5, 2], start=7)]
        found = kept(rows(days))
        assert (found["estimate"], found["status"], found["ci_low"]) == (0, "zero_total", 0)
        assert math.isnan(found["se"])
        assert found["ci_high"] > 0

    def test_a_season_without_a_fish_has_no_interval(self):
        frame = rows([*week([0, 0, 0]), *week([0, 0], site="r2"), *week([0, 0], start=7)])
        assert (kept(frame)["estimate"], kept(frame)["ci_method"]) == (0, "none")
        assert is_sound(frame)

    def test_one_site_day_of_a_stratum_takes_its_error_from_neighbours_and_the_pool(self):
        frame = rows([*week([2, 4, 1]), *week([1, 0, 3], site="r2"), *week([5], start=7)])
        found = kept(frame, in_week="2031-W03")
        assert found["status"] == "collapsed"
        assert found["df"] >= 1
        assert is_sound(frame)

    def test_a_filled_week_has_the_widest_interval(self):
        days = [*week([2, 4, 1]), *week([1, 0, 3], site="r2"), *week([5, 2], start=14)]
        frame = rows(days, seasons=opened(21))
        filled = kept(frame, in_week="2031-W03")
        assert filled["status"] == "imputed"
        seen = kept(frame, in_week="2031-W02")
        ratios = [one["ci_high"] / one["ci_low"] for one in (filled, seen)]
        assert ratios[0] > ratios[1]
        assert is_sound(frame)

    def test_an_area_without_ramps_rests_on_boats_that_land_elsewhere(self):
        days = [*USUAL, *week([2, 1], start=2, area="C")]
        frame = rows(days)
        assert kept(frame, area="C")["ci_method"] == "quasi_t"
        assert is_sound(frame)

    def test_a_census_has_no_interval_about_it(self):
        seasons = [dict(one, close_date=day(1)) for one in opened()]
        days = [SiteDay(1, [interview(kept=n)], site=r, date=day(n)) for r in SITES for n in (0, 1)]
        frame = rows(days, seasons=seasons)
        found = kept(frame)
        assert (found["status"], found["se"], found["ci_method"]) == ("census", 0, "none")

    def test_site_days_all_alike_everywhere_leave_no_interval(self):
        days = [*week([2, 2, 2]), *week([2, 2, 2], site="r2")]
        days = [SiteDay(1, one.interviews, site=one.site, date=one.date) for one in days]
        found = kept(rows(days))
        assert has_code(found["method"], "units_alike")
        assert found["ci_method"] == "none"

    def test_a_stratum_of_the_user_over_weeks(self):
        days = [
            SiteDay(1, [interview(kept=y)], date=day(d), stratum="s", frame=20)
            for d, y in [(0, 2), (1, 4), (7, 6), (8, 8)]
        ]
        frame = estimate_snapshot(survey(days), by=("week",))
        assert is_sound(frame)

    def test_numbers_that_some_boats_did_not_give(self):
        some = [SiteDay(2, [interview(kept=None)], site="r1", date=day(3))]
        assert is_sound(rows([*USUAL, *some]))

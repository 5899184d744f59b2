"""Allocation against every allocation there is, and its bounds."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from analytics.survey.allocation import days_needed, optimum, proportional, variance_of_total


def test_variance_by_hand():
    # 10² (1 - 2/10) 9/2 + 4² (1 - 4/4) 5/4
    assert variance_of_total([10, 4], [9, 5], [2, 4]) == pytest.approx(360)


@pytest.mark.parametrize("n_sample", [[0, 2], [2, 5], [math.nan, 2]])
def test_variance_refuses_samples_that_cannot_be(n_sample):
    with pytest.raises(ValueError, match="at most the frame"):
        variance_of_total([10, 4], [9, 5], n_sample)


frames = st.lists(
    st.tuples(st.integers(1, 12), st.sampled_from([0.0, 0.3, 1.0, 2.5, 9.0])),
    min_size=1,
    max_size=3,
)


def case(strata, part):
    """Return frames, spreads, and a sample size between the least and the whole."""
    N_h, S_h = (np.array(values, dtype=float) for values in zip(*strata, strict=True))
    low, high = np.minimum(2, N_h).sum(), N_h.sum()
    return N_h, S_h, round(low + part * (high - low))


@settings(max_examples=200)
@example([(4, 0.3), (7, 0.3), (9, 0.0)], 0.5)
@example([(3, 0.3), (4, 0.3)], 1.0)
@given(frames, st.floats(0, 1))
def test_no_allocation_within_the_bounds_beats_the_optimum(strata, part):
    N_h, S_h, n = case(strata, part)
    found = optimum(N_h, S_h, n)
    best = variance_of_total(N_h, S_h**2, found.exact)
    ways = itertools.product(*(range(min(2, int(N)), int(N) + 1) for N in N_h))
    others = [variance_of_total(N_h, S_h**2, way) for way in ways if sum(way) == n]
    assert others
    assert best <= min(others) * (1 + 1e-9) + 1e-9


@settings(max_examples=200)
@given(frames, st.floats(0, 1))
def test_shares_sum_to_n_and_keep_their_bounds(strata, part):
    N_h, S_h, n = case(strata, part)
    for found in (optimum(N_h, S_h, n), proportional(N_h, n)):
        assert found.exact.sum() == pytest.approx(n)
        assert found.whole.sum() == n
        for shares in (found.exact, found.whole):
            assert (shares >= np.minimum(2, N_h) - 1e-9).all()
            assert (shares <= N_h + 1e-9).all()
        assert (np.abs(found.whole - found.exact) < 1).all()


@given(frames, st.floats(0, 1), st.floats(0.01, 100))
def test_the_unit_of_the_spread_does_not_matter(strata, part, scale):
    N_h, S_h, n = case(strata, part)
    np.testing.assert_allclose(optimum(N_h, scale * S_h, n).exact, optimum(N_h, S_h, n).exact)


@given(st.lists(st.integers(20, 60), min_size=1, max_size=5), st.floats(0.3, 1))
def test_equal_spreads_are_proportional(sizes, part):
    n = round(part * sum(sizes))
    assume(all(n * size / sum(sizes) >= 2 for size in sizes))
    found = optimum(sizes, np.ones(len(sizes)), n)
    np.testing.assert_allclose(found.exact, n * np.array(sizes) / sum(sizes))
    np.testing.assert_allclose(found.exact, proportional(sizes, n).exact)


def test_a_stratum_that_would_pass_its_frame_is_taken_whole():
    found = optimum([5, 50], [40, 1], 20)
    assert list(found.whole) == [5, 15]
    assert list(found.exact) == [5.0, 15.0]


def test_the_largest_remainder_gets_the_unit_left():
    found = proportional([50, 30, 20], 9)
    np.testing.assert_allclose(found.exact, [4.375, 2.625, 2.0])
    assert list(found.whole) == [4, 3, 2]
    assert "rounded by largest remainder" in found.rule


def test_a_stratum_without_spread_gets_two():
    assert list(optimum([20, 20], [0, 3], 10).whole) == [2, 8]
    assert list(optimum([20, 20], [0, 3], 30).whole) == [10, 20]


@pytest.mark.parametrize("n", [3, 41])
def test_too_few_and_too_many_are_refused(n):
    with pytest.raises(ValueError, match=r"from 4 \(two a stratum\) to 40 units \(all\)"):
        proportional([20, 20], n)


def test_a_spread_that_is_missing_is_refused():
    with pytest.raises(ValueError, match="0 or more, with none missing"):
        optimum([20, 20], [1, math.nan], 10)


@given(st.floats(0.05, 3), st.floats(0.02, 1), st.integers(2, 400))
def test_the_days_needed_are_the_first_that_reach_the_target(cv, pse, n_frame):
    found = days_needed(cv, pse, n_frame)

    def reached(days):
        return cv * math.sqrt((1 - days / n_frame) / days)

    assert 2 <= found.whole <= n_frame
    assert reached(found.whole) <= pse * (1 + 1e-6)
    if found.whole > 2:
        assert reached(found.whole - 1) > pse * (1 - 1e-6)


def test_days_without_a_frame_have_no_correction():
    assert days_needed(0.8, 0.2).whole == 16
    assert days_needed(0.8, 0.2, 1).whole == 1


@pytest.mark.parametrize("wrong", [(-1, 0.2, 9), (1, 0, 9), (1, 0.2, 0), (math.nan, 0.2, 9)])
def test_days_for_a_target_that_cannot_be_are_refused(wrong):
    with pytest.raises(ValueError, match="a cv of 0 or more"):
        days_needed(*wrong)

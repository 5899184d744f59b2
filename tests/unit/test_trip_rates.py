"""Rates of trips by hand, and their variances over every sample of a small population."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.survey.trip_rates import (
    mean_of_ratios,
    mean_of_ratios_of_sums,
    ratio_of_means,
    ratio_of_means_of_sums,
)

CATCH, EFFORT = np.array([1.0, 0.0, 3.0, 2.0]), np.array([2.0, 4.0, 3.0, 1.0])


def test_ratio_of_means_by_hand():
    found = ratio_of_means(CATCH, EFFORT)
    assert found.rate == pytest.approx(0.6)
    # Residuals c - 0.6 e: -0.2, -2.4, 1.2, 1.4.
    squares = 0.2**2 + 2.4**2 + 1.2**2 + 1.4**2
    assert found.variance == pytest.approx(squares / 3 / (4 * 2.5**2))
    assert found.n_trips == 4


def test_mean_of_ratios_by_hand_drops_short_trips():
    hours = [0.5, 2.0, 0.49, 3.0]
    found = mean_of_ratios(CATCH, EFFORT, hours)
    assert found.rate == pytest.approx((0.5 + 0 + 2) / 3)
    assert found.variance == pytest.approx(np.var([0.5, 0, 2], ddof=1) / 3)
    assert found.n_trips == 3
    whole = mean_of_ratios(CATCH, EFFORT, hours, shortest=0)
    assert whole.rate == pytest.approx((0.5 + 0 + 1 + 2) / 4)


def test_a_trip_without_effort_has_no_rate_of_its_own():
    assert mean_of_ratios([1, 1], [0, 2], [1, 1]).rate == pytest.approx(0.5)


def test_the_mean_of_ratios_is_unbiased_in_value_and_variance_over_every_sample():
    rates = CATCH / EFFORT
    drawn = [list(ids) for ids in itertools.product(range(4), repeat=3)]
    found = [mean_of_ratios(CATCH[ids], EFFORT[ids], np.ones(3)) for ids in drawn]
    means = np.array([one.rate[0] for one in found])
    assert means.mean() == pytest.approx(rates.mean())
    assert np.mean([one.variance[0] for one in found]) == pytest.approx(means.var())


def test_the_ratio_of_means_has_about_the_variance_it_says():
    chance = np.random.default_rng(3)
    effort = chance.uniform(2, 8, size=(4000, 60))
    catch = chance.poisson(0.4 * effort)
    found = [ratio_of_means(c, e) for c, e in zip(catch, effort, strict=True)]
    rates = np.array([one.rate[0] for one in found])
    # 4000 values tell a variance to about 2 %.
    assert np.mean([one.variance[0] for one in found]) == pytest.approx(rates.var(), rel=0.08)
    assert rates.mean() == pytest.approx(0.4, rel=0.005)


def test_groups_come_from_sums_side_by_side():
    one, other = ratio_of_means(CATCH, EFFORT), ratio_of_means(CATCH[:3], EFFORT[:3])
    groups = [(CATCH, EFFORT), (CATCH[:3], EFFORT[:3])]
    both = ratio_of_means_of_sums(
        np.array([4.0, 3.0]),
        catch=np.array([c.sum() for c, _ in groups]),
        effort=np.array([e.sum() for _, e in groups]),
        catch_squared=np.array([c @ c for c, _ in groups]),
        catch_effort=np.array([c @ e for c, e in groups]),
        effort_squared=np.array([e @ e for _, e in groups]),
    )
    np.testing.assert_allclose(both.rate, [one.rate[0], other.rate[0]])
    np.testing.assert_allclose(both.variance, [one.variance[0], other.variance[0]])


def test_too_few_trips_give_no_variance_and_none_no_rate():
    sums = {"rate": np.array([0.0, 0.4]), "rate_squared": np.array([0.0, 0.16])}
    found = mean_of_ratios_of_sums(np.array([0.0, 1.0]), **sums)
    np.testing.assert_array_equal(np.isnan(found.rate), [True, False])
    assert np.isnan(found.variance).all()
    single = ratio_of_means([1], [2])
    assert single.rate == pytest.approx(0.5)
    assert np.isnan(single.variance).all()
    idle = ratio_of_means([0, 0], [0, 0])
    assert np.isnan(idle.rate).all()
    assert np.isnan(idle.variance).all()


trips = st.lists(
    st.tuples(st.integers(0, 9), st.sampled_from([0.5, 1.0, 2.7, 6.1])), min_size=2, max_size=12
)


@given(trips, st.floats(0.1, 10), st.randoms(use_true_random=False))
def test_rates_scale_with_catch_and_do_not_know_the_order(boats, scale, chance):
    shuffled = chance.sample(boats, len(boats))
    (catch, effort), (mixed, spent) = (np.array(one, dtype=float).T for one in (boats, shuffled))
    pairs = [
        (ratio_of_means(catch, effort), ratio_of_means(scale * mixed, spent)),
        (mean_of_ratios(catch, effort, effort), mean_of_ratios(scale * mixed, spent, spent)),
    ]
    for plain, scaled in pairs:
        np.testing.assert_allclose(scaled.rate, scale * plain.rate)
        np.testing.assert_allclose(scaled.variance, scale**2 * plain.variance, atol=1e-9)


@given(st.floats(0, 5), st.lists(st.sampled_from([0.5, 1.0, 2.7, 6.1]), min_size=2, max_size=9))
def test_equal_rates_do_not_vary(rate, hours):
    effort = np.array(hours)
    for found in (
        ratio_of_means(rate * effort, effort),
        mean_of_ratios(rate * effort, effort, effort),
    ):
        assert found.rate == pytest.approx(rate)
        assert found.variance == 0

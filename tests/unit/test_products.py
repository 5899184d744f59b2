"""Products of estimates by enumeration of samples; quotients by the set that defines Fieller."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.propagation import fieller, product, product_variance, weighted_sum

POPULATIONS = ([3.0, 8.0, 1.0, 12.0], [0.2, 0.9, 0.4])


def samples(values, n):
    """Return mean and unbiased variance of the mean of every ordered sample with replacement."""
    drawn = np.array(list(itertools.product(values, repeat=n)))
    return drawn.mean(axis=1), drawn.var(axis=1, ddof=1) / n


def test_the_product_and_its_variance_are_unbiased_over_every_pair_of_samples():
    (x, vx), (y, vy) = samples(POPULATIONS[0], 3), samples(POPULATIONS[1], 2)
    found = product(x[:, None], vx[:, None], y[None, :], vy[None, :])
    assert found.value.shape == (64, 9)
    assert found.value.mean() == pytest.approx(np.mean(POPULATIONS[0]) * np.mean(POPULATIONS[1]))
    assert found.variance.mean() == pytest.approx(found.value.var())
    true = product_variance(x.mean(), x.var(), y.mean(), y.var())
    assert true == pytest.approx(found.value.var())


def test_the_form_for_true_moments_is_biased_when_fed_with_estimates():
    (x, vx), (y, vy) = samples(POPULATIONS[0], 3), samples(POPULATIONS[1], 2)
    plugged = product_variance(x[:, None], vx[:, None], y[None, :], vy[None, :])
    value = x[:, None] * y[None, :]
    assert plugged.mean() > 1.05 * value.var()


numbers = st.floats(0.1, 1e4)
errors = st.floats(0, 0.9)


@given(numbers, errors, numbers, errors)
def test_a_sum_of_one_weight_is_the_product(x, cv_x, y, cv_y):
    vx, se_y = (cv_x * x) ** 2, cv_y * y
    _, sample, variance = weighted_sum(
        np.array([[x]]), np.array([[[vx]]]), weight=np.array([y]), weight_se=np.array([se_y])
    )
    found = product(x, vx, y, se_y**2)
    assert variance[0] == pytest.approx(found.variance)
    assert sample[0] == pytest.approx(y**2 * vx)


@given(numbers, errors, numbers)
def test_a_product_with_an_exact_number_scales(x, cv_x, y):
    assert product(x, (cv_x * x) ** 2, y, 0.0).variance == pytest.approx((y * cv_x * x) ** 2)


def inside(ratio, *, y, se_y, x, se_x, r):
    """Return whether a ratio passes the test of y - ratio·x = 0 at 95 %."""
    spread = se_y**2 - 2 * ratio * r * se_x * se_y + ratio**2 * se_x**2
    return (y - ratio * x) ** 2 <= 1.959964**2 * spread


@settings(max_examples=200)
@given(
    st.floats(-50, 50), st.floats(0.1, 20), st.floats(5, 100), st.floats(0, 0.5), st.floats(-1, 1)
)
def test_fieller_holds_the_ratios_that_the_test_does_not_refuse(y, se_y, x, cv_x, r):
    found = fieller(y, se_y, x, cv_x * x, correlation=r)
    case = {"y": y, "se_y": se_y, "x": x, "se_x": cv_x * x, "r": r}
    assert found.value == y / x
    assert found.low <= found.value <= found.high
    step = 1e-4 * (found.high - found.low) + 1e-9
    for bound, inward in ((found.low, 1), (found.high, -1)):
        assert not inside(bound - inward * step, **case)
        if found.high - found.low > 4 * step:
            assert inside(bound + inward * step, **case)


def test_fieller_without_error_below_is_the_plain_interval():
    found = fieller(10.0, 2.0, 4.0, 0.0)
    assert found.low == pytest.approx((10 - 1.959964 * 2) / 4, rel=1e-6)
    assert found.high == pytest.approx((10 + 1.959964 * 2) / 4, rel=1e-6)


def test_fieller_with_few_degrees_of_freedom_is_wider():
    wide, narrow = fieller(120, 15, 480, 60, df=5), fieller(120, 15, 480, 60)
    assert wide.low < narrow.low
    assert wide.high > narrow.high


@pytest.mark.parametrize(("x", "se_x"), [(1.0, 0.6), (0.0, 1.0), (0.0, 0.0), (-1.0, 0.6)])
def test_fieller_says_when_the_denominator_may_be_zero(x, se_x):
    found = fieller(3.0, 1.0, x, se_x)
    assert math.isnan(found.low)
    assert math.isnan(found.high)
    assert found.reason == "the denominator is not different from 0 at level 0.95"


def test_fieller_without_degrees_of_freedom_says_so():
    assert fieller(3.0, 1.0, 9.0, 1.0, df=0).reason == "under 1 degree of freedom"


@pytest.mark.parametrize("wrong", [{"correlation": 1.1}, {"level": 1.0}, {"se_y": -1.0}])
def test_fieller_refuses_what_is_no_error_or_level(wrong):
    given_ = {"y": 1.0, "se_y": 1.0, "x": 9.0, "se_x": 1.0} | wrong
    with pytest.raises(ValueError, match="allowed: errors of 0 or more"):
        fieller(**given_)

"""Intervals against scipy's own distributions, and their edges."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from analytics.intervals import WIDEST, log_t, logit_t
from analytics.propagation import weighted_sum


def test_log_t_is_students_t_on_the_log_scale():
    low, high = log_t(1240, 150, df=12, level=0.95)
    wanted = stats.t(12, loc=math.log(1240), scale=150 / 1240).interval(0.95)
    assert (math.log(low), math.log(high)) == pytest.approx(wanted)


def test_logit_t_is_students_t_on_the_logit_scale():
    low, high = logit_t(0.82, 0.03, df=7, level=0.9)
    scale = 0.03 / (0.82 * 0.18)
    wanted = stats.t(7, loc=math.log(0.82 / 0.18), scale=scale).interval(0.9)
    assert (math.log(low / (1 - low)), math.log(high / (1 - high))) == pytest.approx(wanted)


@pytest.mark.parametrize("df", [0, -1, math.nan])
def test_no_degrees_of_freedom_no_interval(df):
    assert all(math.isnan(end) for end in log_t(10, 1, df=df, level=0.95))
    assert all(math.isnan(end) for end in logit_t(0.5, 0.1, df=df, level=0.95))


@given(st.floats(1e-6, 1e9), st.floats(0, 3), st.integers(1, 500), st.floats(0.5, 0.999))
def test_log_t_holds_its_estimate_and_stays_positive(estimate, cv, df, level):
    low, high = log_t(estimate, cv * estimate, df=df, level=level)
    if math.isnan(low):
        assert cv * stats.t(df).ppf(0.5 + level / 2) >= WIDEST * (1 - 1e-12)
        return
    assert 0 <= low <= estimate * (1 + 1e-12)
    assert high >= estimate * (1 - 1e-12)


@given(st.floats(0.001, 0.999), st.floats(0, 0.5), st.integers(1, 500))
def test_logit_t_stays_within_0_and_1(estimate, se, df):
    low, high = logit_t(estimate, se, df=df, level=0.95)
    if math.isnan(low):
        step = se * stats.t(df).ppf(0.975) / (estimate * (1 - estimate))
        assert step >= WIDEST * (1 - 1e-12)
        return
    assert 0 <= low <= estimate + 1e-12
    assert estimate - 1e-12 <= high <= 1


def test_zero_and_one_have_no_interval():
    assert all(math.isnan(end) for end in log_t(0, 0, df=5, level=0.95))
    assert all(math.isnan(end) for end in logit_t(1, 0, df=5, level=0.95))


def test_weighted_sum_of_products_against_simulation():
    # Goodman's estimator is unbiased: its mean over draws is the true variance of w'T.
    chance = np.random.default_rng(7)
    truth, cov = np.array([400.0, 90.0]), np.array([[10000.0, 300.0], [300.0, 250.0]])
    rate, rate_se = np.array([0.2, 0.1]), np.array([0.1, 0.03])
    totals = chance.multivariate_normal(truth, cov, size=200_000)
    rates = chance.normal(rate, rate_se, size=(200_000, 2))
    deaths = np.einsum("dk,dk->d", totals, rates)
    # The estimator is evaluated at each draw's own rates and totals.
    parts = [
        weighted_sum(totals[i : i + 1], cov[None], weight=rates[i], weight_se=rate_se)[2][0]
        for i in range(0, 200_000, 10)
    ]
    # Without the product of variances taken off it would be some 10 % too large.
    assert np.mean(parts) == pytest.approx(np.var(deaths), rel=0.03)


def test_exact_weights_add_no_error():
    total, cov = np.array([[3.0, 4.0]]), np.array([[[2.0, 1.0], [1.0, 5.0]]])
    value, sample, variance = weighted_sum(
        total, cov, weight=np.array([1.0, 2.0]), weight_se=np.zeros(2)
    )
    assert value[0] == 11
    assert variance[0] == sample[0] == 2 + 4 * 1 + 4 * 5

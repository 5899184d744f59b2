"""Products of estimates by enumeration of samples."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.propagation import weighted_sum
from tests.products import product, product_variance

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

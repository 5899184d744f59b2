"""Allocation and sample size against worked numbers."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.planning.allocation import Bounded, least_cost, least_sum, relative_variance
from analytics.planning.week_ahead import two_stage_terms

# Cochran (1977), Sampling Techniques, chapter 5: 64 cities in strata of 16 and 48, n = 24 (from
# memory, recomputed). Every city of the sample is known whole: nothing varies within one.
FRAME = np.array([16.0, 48.0])
S_SQUARED = np.array([53843.0, 5581.0])


def variance(frame, s_squared, n):
    gain, constant = two_stage_terms(frame, s_squared, np.zeros(len(frame)))
    return relative_variance(gain[:, None], constant.sum(), np.array(n))[0]


def bounded(high):
    high = np.array(high)
    return Bounded(np.full(len(high), 2), high, np.ones(len(high)))


def test_cities_simple_random_sample():
    found = variance(np.array([64.0]), np.array([52448.0]), [24])
    assert found == pytest.approx(5594453, abs=0.5)


def test_cities_proportional_allocation():
    assert variance(FRAME, S_SQUARED, [6, 18]) == pytest.approx(1882293, abs=0.5)


def test_cities_optimum_allocation():
    gain, _ = two_stage_terms(FRAME, S_SQUARED, np.zeros(2))
    n = least_sum(gain, bounded([16, 48]), 24)
    assert n.tolist() == [12, 12]
    assert variance(FRAME, S_SQUARED, n) == pytest.approx(1090827, abs=0.5)


def test_days_for_a_target_error():
    # CV .8 between days, target .20, 30 days in the frame: n_0/(1 + n_0/N) of n_0 = (CV/PSE)²
    # (Cochran 1977, section 4.6; from memory) is 10.43.
    gain, constant = two_stage_terms(np.array([30.0]), np.array([(0.8 / 30) ** 2]), np.zeros(1))
    assert gain[0] / (0.20**2 + constant[0]) == pytest.approx(10.43, abs=0.005)
    n = least_cost(gain[:, None], constant[:1], np.array([0.20]), bounded([30]))
    assert n.tolist() == [11]

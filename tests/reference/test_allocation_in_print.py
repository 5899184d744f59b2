"""Allocation and sample size against worked numbers."""

from __future__ import annotations

import pytest

from analytics.survey.allocation import days_needed, optimum, proportional, variance_of_total

# Cochran (1977), Sampling Techniques, chapter 5: 64 cities in strata of 16 and 48, n = 24 (from
# memory, recomputed).
N_H = (16, 48)
S_SQUARED = (53843, 5581)


def test_cities_simple_random_sample():
    assert variance_of_total([64], [52448], [24]) == pytest.approx(5594453, abs=0.5)


def test_cities_proportional_allocation():
    found = proportional(N_H, 24)
    assert list(found.whole) == [6, 18]
    assert variance_of_total(N_H, S_SQUARED, found.whole) == pytest.approx(1882293, abs=0.5)


def test_cities_optimum_allocation():
    found = optimum(N_H, [s**0.5 for s in S_SQUARED], 24)
    assert found.exact == pytest.approx([12.208, 11.792], abs=5e-4)
    assert list(found.whole) == [12, 12]
    assert variance_of_total(N_H, S_SQUARED, found.whole) == pytest.approx(1090827, abs=0.5)


def test_days_for_a_target_error():
    # CV .8 between days, target .20, 30 days in the frame (recomputed).
    found = days_needed(0.8, 0.20, 30)
    assert found.exact == pytest.approx(10.43, abs=0.005)
    assert found.whole == 11

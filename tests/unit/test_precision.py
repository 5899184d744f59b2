"""Percent standard errors and their classes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some

from analytics.precision import Precision, mark_of, marks_of, pse, pse_of


def test_percent_of_the_estimate_whatever_its_sign():
    assert pse([200.0, -200.0, 0.5], [50.0, 50.0, 0.1]) == pytest.approx([25.0, 25.0, 20.0])
    assert float(pse(4, 1)) == 25.0


@pytest.mark.parametrize(
    ("estimate", "se"), [(0.0, 3.0), (10.0, None), (None, 3.0), (math.nan, 3.0), (0.0, None)]
)
def test_zero_and_missing_have_none(estimate, se):
    assert np.isnan(pse([estimate], [se])).all()
    assert mark_of(float(pse([estimate], [se])[0])) is Precision.UNKNOWN


@given(
    some.none() | some.floats(allow_nan=True, allow_infinity=True),
    some.none() | some.floats(min_value=0.0, allow_infinity=True) | some.just(math.nan),
)
def test_one_alone_is_as_among_many(estimate, se):
    one, among = pse_of(estimate, se), float(pse([estimate], [se])[0])
    assert one == (None if math.isnan(among) else among)


def test_no_error_at_all_is_a_percent_of_zero():
    assert mark_of(float(pse(12.0, 0.0))) is Precision.FAIR


@pytest.mark.parametrize(
    ("percent", "mark"),
    [
        (None, Precision.UNKNOWN),
        (0.0, Precision.FAIR),
        (30.0, Precision.FAIR),
        (30.001, Precision.CAUTION),
        (50.0, Precision.CAUTION),
        (50.001, Precision.WITHHELD),
        (math.inf, Precision.WITHHELD),
    ],
)
def test_the_limits_themselves_stay_in_the_lower_class(percent, mark):
    assert mark_of(percent) is mark


@given(some.floats(1e-6, 1e12), some.sampled_from([(0.3, "FAIR"), (0.5, "CAUTION")]))
def test_rounding_lifts_no_estimate_over_a_limit(estimate, limit):
    part, name = limit
    for se in (part * estimate, estimate * (part / 3) * 3, estimate / (1 / part)):
        assert marks_of(pse(estimate, se)) == [Precision[name]]


def test_rounding_is_at_stake_here():
    """Three tenths of an estimate can be more than 30 percent of it in the last bit."""
    estimates = np.arange(1.0, 2000.0)
    thirds = 3 * (0.1 * estimates)
    assert (pse(estimates, thirds) > 30).any()
    assert set(marks_of(pse(estimates, thirds))) == {Precision.FAIR}

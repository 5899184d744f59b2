"""Natural splines: their laws, against a general library, and as terms of a regression."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from patsy import dmatrix

from analytics.errors import UsageError
from analytics.models.count_regression import fit_counts
from analytics.models.formula import knots_of, natural_spline

GRID = np.linspace(-4, 30, 200)
KNOTS = knots_of(np.arange(26.0), 4, name="week")


def test_columns_span_the_natural_splines_of_a_general_library():
    ours = np.column_stack([np.ones(len(GRID)), *natural_spline(GRID, KNOTS)])
    inner = list(KNOTS[1:-1])
    theirs = np.asarray(
        dmatrix(
            f"cr(x, knots={inner}, lower_bound={KNOTS[0]}, upper_bound={KNOTS[-1]})",
            {"x": np.clip(GRID, KNOTS[0], KNOTS[-1])},
        )
    )
    inside = (KNOTS[0] <= GRID) & (KNOTS[-1] >= GRID)
    wanted = np.sin(GRID / 5)[inside]
    fits = [
        one[inside] @ np.linalg.lstsq(one[inside], wanted, rcond=None)[0] for one in (ours, theirs)
    ]
    assert_allclose(fits[0], fits[1], atol=1e-8)


def test_a_spline_is_straight_beyond_its_outer_knots():
    for column in natural_spline(GRID, KNOTS):
        outside = column[KNOTS[-1] < GRID]
        assert_allclose(np.diff(outside, 2), 0, atol=1e-10)


def test_a_straight_line_is_a_spline():
    columns = np.column_stack([np.ones(len(GRID)), *natural_spline(GRID, KNOTS)])
    line = 3 - 2 * GRID
    assert_allclose(columns @ np.linalg.lstsq(columns, line, rcond=None)[0], line, atol=1e-9)


def test_a_smooth_of_the_week_is_a_term():
    rng = np.random.default_rng(8)
    week = rng.integers(0, 26, 4000)
    true = np.exp(0.3 + 0.8 * np.sin(week / 5))
    frame = pd.DataFrame({"week": week, "area": rng.choice(["a", "b"], 4000)})
    frame["fish"] = rng.poisson(true)
    found = fit_counts(frame, response="fish", terms=["area", "week~5"], family="poisson")
    assert list(found.coefficients["term"])[2:] == [f"week~{k}" for k in range(1, 6)]
    assert_allclose(found.predict(frame), true, rtol=0.12)
    by_area = fit_counts(
        frame, response="fish", terms=["area", "area:week~3", "week~3"], family="poisson"
    )
    assert "area[b]:week~2" in set(by_area.coefficients["term"])
    # A week that the fit never saw has an expected count all the same.
    assert np.isfinite(found.predict(pd.DataFrame({"week": [27.0], "area": ["a"]}))).all()


@pytest.mark.parametrize(
    ("term", "words"),
    [
        ("week~", "a spline is written column~4"),
        ("week~x", "a spline is written column~4"),
        ("week~1", "2 or more"),
        ("week~9", "over 5 distinct values of 'week'"),
        ("area~3", "has a slope for numbers"),
        ("day~3", "'day' is not in the frame"),
    ],
)
def test_a_spline_that_cannot_be_is_refused(term, words):
    frame = pd.DataFrame({"week": [1, 2, 3, 4, 5], "area": list("ababa"), "fish": [1, 0, 2, 1, 3]})
    with pytest.raises(UsageError, match=words):
        fit_counts(frame, response="fish", terms=[term], family="poisson")

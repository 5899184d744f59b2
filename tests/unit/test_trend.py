"""The smooth level with known errors: against the joint normal law, and its edges."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from analytics.errors import WrongUse
from analytics.models import trend
from analytics.models.trend import smooth


def joint_normal(y, variance, step):
    """Return mean and covariance of a random walk given figures, by inverting matrices."""
    n, known = len(y), np.isfinite(y)
    walk = 1e4 + step**2 * np.minimum.outer(np.arange(n), np.arange(n))
    seen = walk[np.ix_(known, known)] + np.diag(variance[known])
    gain = np.linalg.solve(seen, walk[known]).T
    return gain @ y[known], walk - gain @ walk[known]


@pytest.fixture
def one_step(monkeypatch):
    """Let the step have one size: the mixture is then a plain normal law."""
    monkeypatch.setattr(trend, "_GRID", np.array([1.0]))
    return trend.STEP_SCALE


def test_level_and_changes_are_those_of_the_joint_normal_law(one_step):
    rng = np.random.default_rng(5)
    y, variance = rng.normal(size=9), rng.uniform(0.01, 0.3, 9)
    y[[0, 4]] = np.nan
    found = smooth(y, variance, lags=(1, 3), n_ahead=2)
    mean, cov = joint_normal(
        np.concatenate([y, [np.nan] * 2]), np.concatenate([variance, [1, 1]]), one_step
    )
    assert_allclose(found.level, mean, rtol=1e-4, atol=1e-5)
    assert_allclose(found.level_se, np.sqrt(np.diag(cov)), rtol=1e-4)
    for lag in (1, 3):
        rows = np.arange(lag, 9)
        spread = cov[rows, rows] + cov[rows - lag, rows - lag] - 2 * cov[rows, rows - lag]
        assert_allclose(found.rise[lag][lag:], mean[rows] - mean[rows - lag], atol=1e-4)
        assert_allclose(found.rise_se[lag][lag:], np.sqrt(spread), rtol=1e-3)
        assert np.isnan(found.rise[lag][:lag]).all()


def test_weeks_ahead_keep_the_level_and_widen(one_step):
    found = smooth(np.array([0.1, 0.4, 0.2, 0.3]), np.full(4, 0.04), n_ahead=3)
    assert_allclose(found.level[4:], found.level[3])
    assert_allclose(np.diff(found.level_se[3:] ** 2), one_step**2, rtol=1e-4)


def test_a_slope_carries_on():
    found = smooth(0.2 * np.arange(12.0), np.full(12, 0.01**2), slope=True, n_ahead=2)
    assert found.level[12] - found.level[11] == pytest.approx(0.2, abs=0.02)
    assert found.rose[4][-1] > 0.99


def test_figures_mirrored_have_the_mirrored_chance():
    y, variance = np.array([0.0, 0.3, 0.1, 0.6, 0.8]), np.full(5, 0.05)
    up, down = smooth(y, variance), smooth(-y, variance)
    assert_allclose(up.rose[1][1:], 1 - down.rose[1][1:], atol=1e-9)
    assert_allclose(up.level, -down.level, atol=1e-9)


def test_a_figure_without_an_error_counts_as_missing():
    y = np.array([0.0, 5.0, 0.1, 0.2, 0.1])
    variance = np.array([0.01, np.nan, 0.01, 0.01, 0.01])
    gap = np.where(np.isnan(variance), np.nan, y)
    assert_allclose(smooth(y, variance).level, smooth(gap, variance).level)


@pytest.mark.parametrize(
    ("y", "variance", "words"),
    [
        ([0.1, np.nan, 0.2], [0.1, 0.1, 0.1], "2 weeks with a figure and its error"),
        ([0.1, 0.3, 0.2], [0.1, -0.1, 0.1], "below 0"),
    ],
)
def test_what_cannot_be_smoothed_is_refused(y, variance, words):
    with pytest.raises(WrongUse, match=words):
        smooth(np.array(y), np.array(variance))

"""The smooth level with known errors: against the joint normal law, and its edges."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from statsmodels.tsa.statespace.initialization import Initialization
from statsmodels.tsa.statespace.mlemodel import MLEModel

from analytics.errors import UsageError
from analytics.models import smoother
from analytics.models.smoother import smooth

WIDE = 1e4


def joint_normal(y, variance, step, slope=None):
    """Return mean and covariance of a level given figures, by inverting matrices.

    A random walk, with `slope` the size of the steps of a slope that is one itself.
    """
    n, known = len(y), np.isfinite(y)
    week = np.arange(n)
    prior = WIDE + step**2 * np.minimum.outer(week, week).astype(float)
    if slope is not None:
        # Sums of the slope so far: those of its start, and of every step of it.
        add = np.tril(np.ones((n, n)), -1)
        prior += add @ (WIDE + slope**2 * np.minimum.outer(week, week)) @ add.T
    seen = prior[np.ix_(known, known)] + np.diag(variance[known])
    gain = np.linalg.solve(seen, prior[known]).T
    return gain @ y[known], prior - gain @ prior[known]


def by_states(y, variance, step, *, lag, n_ahead):
    """Return level, its variance, variance of a change, and log-likelihood by a smoother."""
    k = len(step)
    model = MLEModel(np.append(y, [np.nan] * n_ahead), k_states=k, k_posdef=k)
    model.ssm["design"] = np.eye(1, k)
    model.ssm["transition"] = np.array([[1.0, 1.0], [0.0, 1.0]])[:k, :k]
    model.ssm["selection"] = np.eye(k)
    model.ssm["state_cov"] = np.diag(step**2)
    model.ssm["obs_cov"] = np.append(variance, [1.0] * n_ahead)[None, None]
    model.ssm.initialize(
        Initialization(k, "approximate_diffuse", approximate_diffuse_variance=smoother.WIDE**2)
    )
    found = model.ssm.smooth()
    spread = found.smoothed_state_cov[0, 0]
    shared = found.smoothed_state_autocovariance(lag)[0, 0]
    change = spread[lag:] + spread[:-lag] - 2 * shared[lag:]
    return found.smoothed_state[0], spread, change, found.llf_obs.sum()


@pytest.fixture
def one_step(monkeypatch):
    """Let the step have one size: the mixture is then a plain normal law."""
    monkeypatch.setattr(smoother, "_GRID", np.array([1.0]))
    monkeypatch.setattr(smoother, "_COARSE", np.array([1.0]))
    return smoother.STEP_SCALE


@pytest.mark.parametrize("slope", [False, True])
def test_level_and_changes_are_those_of_the_joint_normal_law(one_step, slope):
    rng = np.random.default_rng(5)
    y, variance = rng.normal(size=9), rng.uniform(0.01, 0.3, 9)
    y[[0, 4]] = np.nan
    found = smooth(y, variance, lags=(1, 3), n_ahead=2, slope=slope)
    mean, cov = joint_normal(
        np.concatenate([y, [np.nan] * 2]),
        np.concatenate([variance, [1, 1]]),
        one_step,
        smoother.SLOPE_SCALE if slope else None,
    )
    assert_allclose(found.level, mean, rtol=1e-4, atol=1e-5)
    assert_allclose(found.level_se, np.sqrt(np.diag(cov)), rtol=1e-4)
    for lag in (1, 3):
        rows = np.arange(lag, 9)
        spread = cov[rows, rows] + cov[rows - lag, rows - lag] - 2 * cov[rows, rows - lag]
        assert_allclose(found.rise[lag][lag:], mean[rows] - mean[rows - lag], atol=1e-4)
        assert_allclose(found.rise_se[lag][lag:], np.sqrt(spread), rtol=1e-3)
        assert np.isnan(found.rise[lag][:lag]).all()


@pytest.mark.parametrize("slope", [False, True])
def test_every_size_of_steps_is_that_of_a_state_space_smoother(monkeypatch, slope):
    # At a wider start the smoother itself loses digits: 1e-7 of an error at 1e4.
    monkeypatch.setattr(smoother, "WIDE", 10.0)
    rng = np.random.default_rng(8)
    y, variance = np.cumsum(rng.normal(0, 0.3, 12)) - 2, rng.uniform(0.01, 0.3, 12)
    y[[3, 4, 8]] = np.nan
    sizes, _ = smoother.step_sizes(slope=slope)
    model = smoother.StepModel.of(12, 3, slope=slope, first_slope_se=10.0)
    observed = smoother.Observed.of(y, np.diag(variance), np.isfinite(y), model)
    found = smoother.log_likelihood(model, sizes, observed)
    paths = smoother.Paths(np.ones(len(sizes)), *smoother.posterior(model, sizes, observed))
    change, change_variance = paths.change(4, 12)
    for place, size in enumerate(sizes):
        level, spread, between, likelihood = by_states(y, variance, size, lag=4, n_ahead=3)
        assert_allclose(paths.mean[place], level, atol=1e-8)
        assert_allclose(np.diag(paths.cov[place]), spread, atol=1e-8)
        assert_allclose(change[place, 4:], (level[4:] - level[:-4])[:8], atol=1e-8)
        assert_allclose(change_variance[place, 4:], between[:8], atol=1e-8)
        assert found[place] == pytest.approx(likelihood, abs=1e-8)


def test_an_error_that_all_weeks_share_is_no_change_but_one_of_the_level():
    y, alone = np.array([0.0, 0.2, 0.1, 0.4, 0.3, 0.6]), np.diag(np.full(6, 0.02))
    own, shared = smooth(y, alone), smooth(y, alone + 0.09)
    assert_allclose(smooth(y, np.full(6, 0.02)).level, own.level)
    assert_allclose(shared.level, own.level, atol=1e-4)
    assert_allclose(shared.rose[4][4:], own.rose[4][4:], atol=1e-4)
    assert_allclose(shared.level_se**2, own.level_se**2 + 0.09, rtol=1e-3)


def test_weeks_filled_alike_are_not_counted_as_so_many_figures():
    # Six weeks stand with one figure and its one error; taken apart they would seem sure.
    rng = np.random.default_rng(4)
    error = np.diag(np.full(12, 0.04))
    error[6:, 6:] += 0.25
    root, called = np.linalg.cholesky(error), {"whole": 0, "apart": 0}
    for _ in range(400):
        y = root @ rng.standard_normal(12)
        called["whole"] += abs(smooth(y, error).rose[4][9] - 0.5) > 0.42
        called["apart"] += abs(smooth(y, np.full(12, 0.04)).rose[4][9] - 0.5) > 0.42
    # A chance that holds would stand outside 0.08 to 0.92 in 16 % of seasons without a change.
    assert called["whole"] <= 0.16 * 400 < called["apart"]


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
        ([0.1, np.nan, 0.2], [0.1, 0.1, 0.1], r"few_weeks_with_error\(n=2"),
        ([0.1, 0.3, 0.2], [0.1, -0.1, 0.1], "below 0"),
    ],
)
def test_what_cannot_be_smoothed_is_refused(y, variance, words):
    with pytest.raises(UsageError, match=words):
        smooth(np.array(y), np.array(variance))

"""Paths of a level: their moments, their course ahead, their draws."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.errors import UsageError
from analytics.models import smoother
from analytics.models.smoother import Structure, paths_of


def _figures(n: int = 14) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(5)
    y = np.cumsum(rng.normal(0.04, 0.2, n)) + rng.normal(0, 0.15, n)
    variance = rng.uniform(0.01, 0.06, n)
    y[[3, 8]] = np.nan
    return y, variance


@pytest.mark.parametrize("slope", [False, True])
def test_sizes_of_steps_that_paths_leave_out_are_negligible(slope: bool) -> None:
    y, variance = _figures()
    found = smoother.smooth(y, variance, slope=slope, n_ahead=5)
    mean, cov = paths_of(y, variance, n_ahead=5, damping=1.0, slope=slope).moments()
    assert mean == pytest.approx(found.level, abs=1e-3)
    assert np.sqrt(np.diag(cov)) == pytest.approx(found.level_se, rel=1e-3)
    four = cov[4:14, 4:14].diagonal() + cov[:10, :10].diagonal() - 2 * np.diag(cov[4:14, :10])
    assert np.sqrt(four) == pytest.approx(found.rise_se[4][4:], rel=2e-3)


def test_draws_have_the_moments_they_are_drawn_from() -> None:
    y, variance = _figures()
    found = paths_of(y, variance, n_ahead=6)
    mean, cov = found.moments()
    rng = np.random.default_rng(1)
    drawn = found.draw(rng.standard_normal((40_000, len(y) + 6)), rng)
    se = np.sqrt(np.diag(cov))
    assert np.abs((drawn.mean(axis=0) - mean) / se).max() < 0.03
    assert drawn.std(axis=0) == pytest.approx(se, rel=0.04)
    assert np.corrcoef(drawn.T) == pytest.approx(cov / np.outer(se, se), abs=0.04)


def test_two_figures_of_a_level_without_steps_weigh_by_precision(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(smoother, "STEP_SCALE", 1e-6)
    mean, cov = paths_of(
        np.array([1.0, 2.0]), np.array([0.1, 0.3]), n_ahead=1, slope=False
    ).moments()
    assert mean == pytest.approx(
        np.full(3, (1.0 / 0.1 + 2.0 / 0.3) / (1 / 0.1 + 1 / 0.3)), abs=1e-4
    )
    assert np.diag(cov) == pytest.approx(np.full(3, 1 / (1 / 0.1 + 1 / 0.3)), rel=1e-3)


def test_a_damped_slope_rises_by_a_geometric_sum(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smoother, "STEP_SCALE", 1e-5)
    monkeypatch.setattr(smoother, "SLOPE_SCALE", 1e-6)
    y = 0.1 * np.arange(10.0)
    mean, _ = paths_of(y, np.full(10, 1e-4), n_ahead=4, damping=0.5).moments()
    assert mean[10:] - mean[9] == pytest.approx(0.1 * np.cumsum(0.5 ** np.arange(1, 5)), abs=1e-4)


def test_a_level_that_returns_is_forgotten(monkeypatch: pytest.MonkeyPatch) -> None:
    """Far ahead an autoregression is back at its mean, whatever its last week was."""
    y = np.append(np.zeros(12), 1.0)
    given = {"n_ahead": 40, "slope": False, "structures": [Structure(0.5)]}
    mean, cov = paths_of(y, np.full(13, 1e-6), **given).moments()
    left = (mean[13:18] - mean[-1]) / (mean[12] - mean[-1])
    assert left == pytest.approx(0.5 ** np.arange(1, 6), abs=0.01)
    assert np.diag(cov)[-1] < 1.01 * np.diag(cov)[20]


def test_other_series_say_how_large_steps_are() -> None:
    rng = np.random.default_rng(8)
    both = [Structure(0.5), Structure()]
    walks = np.cumsum(rng.normal(0, 0.1, (20, 14)), axis=1)
    said = smoother.step_log_weights([(one, np.full(14, 1e-4)) for one in walks], both)
    y = np.zeros(5)
    found = paths_of(y, np.full(5, 0.1), n_ahead=4, slope=False, structures=both, log_weight=said)
    _, cov = found.moments()
    step = cov[-1, -1] + cov[-2, -2] - 2 * cov[-1, -2]
    assert step == pytest.approx(0.1**2, rel=0.25)
    assert len(said) == 2 and said[1].max() > said[0].max() + 5


def test_one_week_is_wide_and_none_is_refused() -> None:
    y, variance = np.array([0.3]), np.array([0.01])
    _, cov = paths_of(y, variance, n_ahead=8).moments()
    se = np.sqrt(np.diag(cov))
    assert (np.diff(se) > 0).all() and se[-1] > 0.7
    with pytest.raises(UsageError, match="few_weeks_with_error"):
        paths_of(np.array([np.nan]), np.array([0.1]), n_ahead=2)
    with pytest.raises(UsageError, match="below 0"):
        paths_of(y, np.array([-0.1]), n_ahead=2)


def test_normal_numbers_ahead_leave_the_weeks_so_far_alone() -> None:
    y, variance = _figures()
    found = paths_of(y, variance, n_ahead=3)
    normal = np.random.default_rng(2).standard_normal((50, 17))
    other = normal.copy()
    other[:, 14:] += 1.0
    one = found.draw(normal, np.random.default_rng(3))
    two = found.draw(other, np.random.default_rng(3))
    assert (one[:, :14] == two[:, :14]).all()
    assert (two[:, 14:] > one[:, 14:]).all()

"""Timing of a season: shares, curves with known dates, strength against the past."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import curve_fit
from scipy.stats import binom, logistic, norm

from analytics.errors import UsageError
from analytics.models.seasonal_timing import (
    SHARES,
    crossing,
    cumulative,
    draw_shares,
    fit_timing,
    strength,
)

DAYS = np.arange(7.0, 183.0, 7.0)


@pytest.mark.parametrize(("curve", "law"), [("normal", norm), ("logistic", logistic)])
def test_a_curve_without_noise_gives_its_own_dates(curve, law):
    found = fit_timing(DAYS, law.cdf(DAYS, 90, 21), curve=curve)
    for share in SHARES:
        day, se = found.day(share)
        assert day == pytest.approx(law.ppf(share, 90, 21), abs=1e-4)
        assert math.isnan(se)  # no draws, no error
    assert_allclose(found.share(DAYS), law.cdf(DAYS, 90, 21), atol=1e-6)


def test_a_noisy_curve_is_that_of_a_general_library():
    rng = np.random.default_rng(4)
    share = np.clip(norm.cdf(DAYS, 80, 30) + rng.normal(0, 0.02, len(DAYS)), 0.001, 0.999)
    found = fit_timing(DAYS, share)
    other = curve_fit(norm.cdf, DAYS, share, p0=(70, 20))[0]
    assert_allclose([found.middle, found.scale], other, rtol=1e-4)


def test_errors_of_a_curve_are_the_spread_of_curves_through_the_draws():
    rng = np.random.default_rng(6)
    log_index = norm.logpdf(DAYS, 85, 25)
    draws = draw_shares(log_index, np.diag(np.full(len(DAYS), 0.1)), rng=rng, n_draws=40)
    for curve, law in (("normal", norm), ("logistic", logistic)):
        found = fit_timing(DAYS, cumulative(np.exp(log_index)), curve=curve, draws=draws)
        inside = slice(0, len(DAYS) - 1)
        each = [curve_fit(law.cdf, DAYS[inside], one[inside], p0=(80, 20))[0] for one in draws]
        assert_allclose(found.cov, np.cov(np.array(each), rowvar=False), rtol=1e-3, atol=1e-5)
        step = law.ppf(0.25)
        wanted = np.std([one[0] + one[1] * step for one in each], ddof=1)
        assert found.day(0.25)[1] == pytest.approx(wanted, rel=1e-3)


def run_of_a_season(rng, *, cv=0.3, sd=0.2):
    """Return the true log index of 26 weeks, figures of them with errors, and the covariance."""
    truth = np.log(np.diff(norm.cdf(np.append(0.0, DAYS), 90, 24))) + rng.normal(0, sd, len(DAYS))
    error = math.sqrt(math.log1p(cv**2))
    # A third of the variance is one error of all weeks: it moves the level, and no date.
    cov = error**2 * (np.eye(len(DAYS)) * 2 / 3 + 1 / 3)
    own = rng.normal(0, error * math.sqrt(2 / 3), len(DAYS))
    return truth, truth + own + rng.normal(0, error / math.sqrt(3)), cov


@pytest.mark.parametrize("closed", [(), (5, 12, 13)])
@pytest.mark.parametrize("curve", ["index", "normal", "logistic"])
def test_errors_of_dates_hold_the_truth_as_often_as_they_say(curve, closed):
    rng, n, start = np.random.default_rng(17), 200, np.append(0.0, DAYS)
    held = dict.fromkeys(SHARES, 0)
    for _ in range(n):
        truth, log_index, cov = run_of_a_season(rng)
        log_index[list(closed)] = np.nan
        draws = draw_shares(log_index, cov, rng=rng, n_draws=200)
        share, come = cumulative(np.exp(log_index)), cumulative(np.exp(truth))
        of_run = None if curve == "index" else fit_timing(DAYS, come, curve=curve)
        told = None if curve == "index" else fit_timing(DAYS, share, curve=curve, draws=draws)
        for part in SHARES:
            if of_run is None or told is None:
                true, at = (np.interp(part, np.append(0, one), start) for one in (come, share))
                se = crossing(start, np.insert(draws, 0, 0.0, axis=1), part).std(ddof=1)
            else:
                true, (at, se) = of_run.day(part)[0], told.day(part)
            held[part] += abs(at - true) < norm.ppf(0.975) * se
    # All but 1 in 1,000 tests of errors that hold 94 to 96 % stand between these.
    low, high = binom.ppf(0.001, n, 0.94), binom.ppf(0.999, n, 0.96)
    assert all(low <= one <= high for one in held.values()), held


def test_crossing_is_even_within_a_week():
    day, share = np.array([0.0, 7.0, 14.0]), np.array([[0.0, 0.4, 1.0], [0.0, 0.5, 1.0]])
    assert_allclose(crossing(day, share, 0.5), [7 + 7 / 6, 7.0])


def test_drawn_shares_of_exact_figures_are_the_shares_themselves():
    log_index = np.log([1.0, 2.0, 4.0, 8.0])
    rng = np.random.default_rng(1)
    draws = draw_shares(log_index, np.zeros((4, 4)), rng=rng, n_draws=3)
    assert_allclose(draws, np.tile(cumulative(np.exp(log_index)), (3, 1)))
    gap = np.array([0.0, 1.0, np.nan, 0.5, 1.2])
    spread = draw_shares(gap, np.zeros((5, 5)), rng=rng, n_draws=50)
    # A week without a figure is unsure even between two that are exact.
    assert spread[:, 1].std() > 0.01


def test_fewer_anglers_or_a_closed_week_do_not_shift_the_timing():
    index = np.exp(-(((np.arange(20) - 9) / 4) ** 2))
    closed = np.where(np.arange(20) == 12, np.nan, index)
    assert_allclose(cumulative(index), cumulative(3 * index))
    assert np.abs(cumulative(closed) - cumulative(index)).max() < 0.01
    as_absence = np.cumsum(np.nan_to_num(closed)) / np.nansum(closed)
    assert np.abs(as_absence - cumulative(index)).max() > 0.04
    assert cumulative(index)[-1] == pytest.approx(1)


def test_strength_is_against_the_mean_of_past_seasons():
    past = np.log([1.0, 2.0, 4.0, np.nan])
    ratio, se = strength(math.log(3.0), 0.1, past)
    assert ratio == pytest.approx(math.log(1.5))
    assert se == pytest.approx(math.sqrt(0.01 + np.log(2) ** 2 / 3))


def draw_nothing():
    return draw_shares(np.full(3, np.nan), np.eye(3), rng=np.random.default_rng(1), n_draws=2)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (lambda: cumulative(np.array([np.nan, np.nan])), r"no_weekly_figure\(n=0\)"),
        (lambda: cumulative(np.array([0.0, 0.0])), r"no_weekly_figure\(n=2\)"),
        (draw_nothing, r"no_weekly_figure\(n=0\)"),
        (lambda: cumulative(np.array([1.0, -1.0])), r"no_weekly_figure\(n=2\)"),
        (lambda: fit_timing(DAYS[:3], np.array([0.1, 0.5, 0.9])), r"few_weeks_of_shares\(.*n=3"),
        (lambda: fit_timing(DAYS, norm.cdf(DAYS, 90, 20), curve="cauchy"), "allowed: normal"),
        (lambda: fit_timing(DAYS, norm.cdf(DAYS, 90, 20)).day(1.0), "share 1.0; allowed"),
        (lambda: strength(0.0, 0.1, np.array([1.0])), r"few_past_seasons\(n=1\)"),
    ],
)
def test_what_cannot_be_told_is_refused(asked, words):
    with pytest.raises(UsageError, match=words):
        asked()

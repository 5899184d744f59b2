"""Timing of a season: shares, curves with known dates, strength against the past."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import curve_fit
from scipy.stats import logistic, norm

from analytics.errors import WrongUse
from analytics.models.timing import SHARES, cumulative, fit_timing, strength

DAYS = np.arange(7.0, 183.0, 7.0)


@pytest.mark.parametrize(("curve", "law"), [("normal", norm), ("logistic", logistic)])
def test_a_curve_without_noise_gives_its_own_dates(curve, law):
    found = fit_timing(DAYS, law.cdf(DAYS, 90, 21), curve=curve)
    for share in SHARES:
        day, se = found.day(share)
        assert day == pytest.approx(law.ppf(share, 90, 21), abs=1e-4)
        assert se < 1e-3
    assert_allclose(found.share(DAYS), law.cdf(DAYS, 90, 21), atol=1e-6)


def test_a_noisy_curve_is_that_of_a_general_library():
    rng = np.random.default_rng(4)
    share = np.clip(norm.cdf(DAYS, 80, 30) + rng.normal(0, 0.02, len(DAYS)), 0.001, 0.999)
    found = fit_timing(DAYS, share)
    other, cov = curve_fit(norm.cdf, DAYS, share, p0=(70, 20))
    assert_allclose([found.middle, found.spread], other, rtol=1e-4)
    assert_allclose(found.cov, cov, rtol=2e-3, atol=1e-3)
    step = norm.ppf(0.25)
    wanted = math.sqrt(np.array([1, step]) @ cov @ np.array([1, step]))
    assert found.day(0.25)[1] == pytest.approx(wanted, rel=2e-3)


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


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (lambda: cumulative(np.array([np.nan, np.nan])), "0 weeks with a figure"),
        (lambda: cumulative(np.array([0.0, 0.0])), "none is above 0"),
        (lambda: cumulative(np.array([1.0, -1.0])), "one is below"),
        (lambda: fit_timing(DAYS[:3], np.array([0.1, 0.5, 0.9])), "3 weeks with a share"),
        (lambda: fit_timing(DAYS, norm.cdf(DAYS, 90, 20), curve="cauchy"), "allowed: normal"),
        (lambda: fit_timing(DAYS, norm.cdf(DAYS, 90, 20)).day(1.0), "share 1.0; allowed"),
        (lambda: strength(0.0, 0.1, np.array([1.0])), "1 past seasons"),
    ],
)
def test_what_cannot_be_told_is_refused(asked, words):
    with pytest.raises(WrongUse, match=words):
        asked()

"""Scores of projections, the plain rule, mixtures and widths against worked numbers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import lognorm, norm
from scoringrules import crps_lognormal, crps_normal

from analytics.outlook.calibration import (
    fair_crps,
    interval_score,
    log_error,
    mixed,
    mixture_weight,
    plain_rule,
    quantile_crps,
    widened,
    width_factor,
    with_estimate_error,
)

SHARES = np.array([0.42, 0.35, 0.50, 0.38, 0.45])


def crps_by_integral(law, y):
    """Return the score from its definition, the integral of the squared distance of cdfs."""
    below = quad(lambda x: law.cdf(x) ** 2, law.ppf(1e-12), y, limit=200)[0]
    above = quad(lambda x: law.sf(x) ** 2, y, law.ppf(1 - 1e-12), limit=200)[0]
    return below + above


@pytest.mark.parametrize(
    ("y", "mean", "sd", "printed"),
    # The normal's closed form: Gneiting & Raftery (2007). The lognormal's was read in the
    # documentation of an open package; (3; .1, .9) is its worked example.
    [
        (0.5, 0.0, 1.0, 0.33140353),
        (3.0, 0.1, 0.9, 1.1355264),
        (5000.0, np.log(4000), 0.2, 605.87531),
    ],
    ids=["normal", "lognormal", "lognormal of fish"],
)
def test_closed_forms(y, mean, sd, printed):
    is_normal = mean == 0.0
    law = norm(mean, sd) if is_normal else lognorm(sd, scale=np.exp(mean))
    closed = crps_normal(y, mean, sd) if is_normal else crps_lognormal(y, mean, sd)
    assert float(closed) == pytest.approx(printed, rel=1e-7)
    assert crps_by_integral(law, y) == pytest.approx(printed, rel=1e-6)
    # Draws and quantiles come to it.
    rng = np.random.default_rng(7)
    drawn = law.rvs(size=(400, 250), random_state=rng)
    of_draws = fair_crps(drawn, np.full(400, y))
    error = of_draws.std() / np.sqrt(len(of_draws))
    assert abs(of_draws.mean() - printed) < 4 * error
    prob = (np.arange(2000) + 0.5) / 2000
    assert float(quantile_crps(law.ppf(prob), prob, y)) == pytest.approx(printed, rel=2e-3)


def test_fair_score_of_four_draws():
    # Worked by hand: mean|x - 3| = 2, mean difference of pairs 10/3; Ferro's form, D (D - 1).
    draws = np.array([1.0, 2.0, 4.0, 7.0])
    assert float(fair_crps(draws, 3.0)) == pytest.approx(1 / 3, abs=1e-12)
    unfair = np.abs(draws - 3).mean() - np.abs(draws[:, None] - draws).mean() / 2
    assert unfair == pytest.approx(0.75)


def test_interval_score_by_hand():
    assert float(interval_score(3000.0, 5200.0, 5600.0, level=0.8)) == pytest.approx(6200)
    assert float(interval_score(3000.0, 5200.0, 4000.0, level=0.8)) == pytest.approx(2200)
    assert float(interval_score(3000.0, 5200.0, 2900.0, level=0.95)) == pytest.approx(6200)


def test_plain_rule_by_hand():
    found = plain_rule(3000.0, SHARES)
    assert found is not None
    assert found.log_mean - np.log(3000) == pytest.approx(0.32640630, abs=5e-9)
    assert found.log_sd == pytest.approx(0.26529965, abs=5e-9)
    assert found.df == 4
    middle, low, high = found.quantile(np.array([0.5, 0.1, 0.9]))
    assert middle == pytest.approx(4157.9352, abs=5e-5)
    assert (low, high) == pytest.approx((2768.3722, 6244.9784), abs=5e-5)
    assert np.median(found.draws(2001)) == pytest.approx(middle)
    with_error = plain_rule(3000.0, SHARES, cv2=0.12**2)
    assert with_error is not None
    assert with_error.log_sd == pytest.approx(0.29100036, abs=5e-9)


@pytest.mark.parametrize("share", [[], [0.4], [0.4, np.nan]])
def test_plain_rule_needs_two_past_seasons(share):
    assert plain_rule(3000.0, np.array(share)) is None


def test_plain_rule_needs_a_total():
    assert plain_rule(0.0, SHARES) is None
    assert plain_rule(float("nan"), SHARES) is None


def test_mixture_by_hand():
    first = np.array([0.10, -0.20, 0.05, 0.25, -0.10])
    second = np.array([0.30, -0.10, -0.20, 0.15, 0.05])
    weight = mixture_weight(first, second)
    # Before it is shrunk: 13/5 w - 8/10.
    assert (13 * weight - 4) / 5 == pytest.approx(0.63793103, abs=5e-9)
    assert weight == pytest.approx(0.55305040, abs=5e-9)
    assert mixed(np.array([4000.0]), np.array([5000.0]), weight)[0] == pytest.approx(
        4419.5076, abs=5e-5
    )
    assert mixture_weight(first[:2], second[:2]) == 0.5
    # One that is never wrong takes all that the prior leaves.
    assert mixture_weight(np.zeros(5), second) == pytest.approx((4 + 5) / 13)


def test_a_rule_of_two_seasons_reaches_beyond_any_number_without_a_warning():
    rule = plain_rule(3000.0, np.array([0.02, 0.7]))
    assert rule is not None and rule.df == 1
    plain = rule.draws(2000)
    assert plain[0] == 0 and np.isposinf(plain[-1]) and np.isfinite(np.median(plain))
    both = mixed(np.full(2000, 4000.0), plain, 0.5)
    assert not np.isnan(both).any() and (both == np.sort(both)).all()


def test_width_by_hand():
    assert width_factor(np.array([0.4, 1.9, 0.7, 0.2, 1.2])) == pytest.approx(0.97979590, abs=5e-9)
    assert width_factor(np.array([0.3, 0.2, 0.5, 0.4, 0.6])) == pytest.approx(0.89442719, abs=5e-9)
    assert width_factor(np.array([])) == 1.0
    assert width_factor(np.full(20, 9.0)) == 1.5
    assert width_factor(np.full(20, np.nan)) == 1.0


def test_width_holds_the_median():
    draws = np.exp(np.random.default_rng(3).normal(8, 0.3, 4001))
    wide = widened(draws, 1.3)
    assert np.median(wide) == pytest.approx(np.median(draws))
    assert np.log(wide).std() == pytest.approx(1.3 * np.log(draws).std())
    assert (widened(np.zeros(5), 1.3) == 0).all()


def test_error_of_an_estimate_adds_to_the_draws():
    # To date 480, ahead 1200, estimate of the rest 700: the scatter about an estimate is
    # sqrt(1200^2 + 700^2) = 1389.2444.
    rng = np.random.default_rng(5)
    draws = rng.normal(20_000, 1200, 400_000)
    shown = with_estimate_error(draws, (700 / 20_000) ** 2, rng)
    assert shown.mean() == pytest.approx(20_000, rel=5e-4)
    assert shown.std() == pytest.approx(1389.2444, rel=0.01)


def test_log_error():
    draws = np.exp(np.random.default_rng(9).normal(2, 0.4, 100_001))
    error, sd = log_error(draws, float(np.exp(2.3)))
    assert error == pytest.approx(0.3, abs=0.01)
    assert sd == pytest.approx(0.4, abs=0.005)
    assert np.isnan(log_error(np.zeros(5), 3.0)[0])

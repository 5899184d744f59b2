"""Partial pooling of shares: the mode, Laplace's likelihood and the covariance, each on its own."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import expit, logit

from analytics.models.beta_binomial import log_lik_derivatives, log_likelihood, tally
from analytics.models.partial_pooling import (
    CrossedDesign,
    PooledShares,
    VarianceComponents,
    covariance,
    marginal_slopes,
    mode_of,
    pool_shares,
)

AREA = np.array([0, 0, 0, 1, 1, 1])
WEEK = np.array([0, 1, 2, 0, 1, 2])
GROUP = np.array([0, 0, 1, 1, 2, 3, 3, 3, 4])  # the last group has no cell
S = np.array([5, 9, 3, 8, 1, 12, 15, 9, 4])
M = np.array([9, 12, 9, 15, 4, 14, 18, 13, 6])
SPREADS = VarianceComponents(area=0.5, week=0.3, own=0.2, lam=-3.0)


@pytest.fixture(scope="module")
def layout():
    return CrossedDesign.of(tally(S, M, GROUP, 6), AREA, WEEK)


@pytest.fixture(scope="module")
def mode(layout):
    return mode_of(layout, SPREADS, np.zeros(6), np.zeros(6))


def test_at_the_mode_pull_and_penalty_balance(layout, mode):
    pull = log_lik_derivatives(layout.tallies, mode.eta, SPREADS.lam).eta
    np.testing.assert_allclose(pull, mode.own / SPREADS.own**2, atol=1e-6)
    by_area = np.array([pull[AREA == 0].sum(), pull[AREA == 1].sum()])
    np.testing.assert_allclose(by_area, mode.common[1:3] / SPREADS.area**2, atol=1e-6)
    by_week = np.array([pull[week == WEEK].sum() for week in range(3)])
    np.testing.assert_allclose(by_week, mode.common[3:] / SPREADS.week**2, atol=1e-6)
    assert pull.sum() == pytest.approx(0, abs=1e-6)


def test_the_covariance_is_the_inverse_of_the_whole_information(layout, mode):
    z = np.hstack([layout.incidence, np.eye(6)])
    curve = -log_lik_derivatives(layout.tallies, mode.eta, SPREADS.lam).eta2
    penalty = np.concatenate([layout.precision(SPREADS), np.full(6, SPREADS.own**-2)])
    whole = np.linalg.inv(z.T @ np.diag(curve) @ z + np.diag(penalty))
    np.testing.assert_allclose(covariance(layout, SPREADS, mode), z @ whole @ z.T, rtol=1e-8)


@pytest.mark.parametrize("lam", [-8.0, -3.0, -1.0])
def test_the_slopes_of_the_likelihood_are_those_of_differences(layout, lam):
    at = np.array([*np.log([0.5, 0.3, 0.2]), lam])

    def top(at):
        spreads = VarianceComponents(*np.exp(at[:3]), at[3])
        return spreads, mode_of(layout, spreads, np.zeros(6), np.zeros(6))

    steps = 1e-4 * np.eye(4)
    wanted = [(top(at + e)[1].log_marginal - top(at - e)[1].log_marginal) / 2e-4 for e in steps]
    found = marginal_slopes(layout, *top(at))
    np.testing.assert_allclose(list(found.values()), wanted, rtol=1e-5, atol=1e-6)
    assert list(found) == ["area", "week", "own", "lam"]


def test_laplace_agrees_with_quadrature():
    # Two groups of many fish; the effects of areas and weeks are left out, so that the likelihood
    # of a spread is a double integral over intercept and own effects.
    s, m, group = np.array([600, 1200]), np.array([2000, 2200]), np.array([0, 1])
    layout = CrossedDesign.of(tally(s, m, group, 2), np.zeros(2, int), np.arange(2))
    single = [tally(s[[g]], m[[g]], np.zeros(1, int), 1) for g in group]

    def exact(own):
        def inner(b, g):
            def point(d):
                fish = log_likelihood(single[g], np.array([b + d]), -9.0)
                return np.exp(fish + 8 - 0.5 * (d / own) ** 2) / own

            middle = logit(s[g] / m[g]) - b
            return quad(
                point, -6 * own, 6 * own, points=[middle] if abs(middle) < 6 * own else None
            )[0]

        return np.log(quad(lambda b: inner(b, 0) * inner(b, 1), -4, 4, points=[-0.8, 0.2])[0])

    def laplace(own):
        spreads = VarianceComponents(area=0.0, week=0.0, own=own, lam=-9.0)
        return mode_of(layout, spreads, np.zeros(4), np.zeros(2)).log_marginal

    found = laplace(0.8) - laplace(0.3)
    assert found == pytest.approx(exact(0.8) - exact(0.3), abs=0.001)
    assert abs(found) > 0.1


def test_one_group_is_its_own_share():
    pooled = pool_shares(
        np.array([35, 35]),
        np.array([100, 100]),
        np.zeros(2, int),
        area=np.zeros(1),
        week=np.zeros(1),
    )
    assert pooled.share[0] == pytest.approx(0.35, abs=1e-3)
    assert pooled.se[0] == pytest.approx(np.sqrt(0.35 * 0.65 / 200), rel=1e-3)
    assert pooled.rho == 0


def crossed(fish, shares, seed=0):
    """Return cells of a grid of areas and weeks, `fish` each by group."""
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(len(fish)), 6)
    m = np.repeat(fish, 6)
    return rng.binomial(m, np.repeat(shares, 6)), m, group


def test_thin_groups_borrow_and_full_ones_keep_their_own():
    area, week = np.repeat(np.arange(4), 8), np.tile(np.arange(8), 4)
    shares = expit(np.array([-0.8, 0.0, 0.6, 1.2])[area] + 0.1 * (week - 4))
    shares[5] = 0.9  # a full group that differs from its area
    fish = np.full(32, 30)
    fish[12] = 1
    s, m, group = crossed(fish, shares)
    s[group == 12] = 0  # of the six fish of this group none is a success
    pooled = pool_shares(s, m, group, area=area, week=week)
    raw = s[group == 5].sum() / 180
    assert abs(pooled.share[5] - raw) < 0.07
    of_area = s[area[group] == 1].sum() / m[area[group] == 1].sum()
    assert abs(pooled.share[12] - of_area) < 0.25 < of_area - 0
    assert pooled.se[12] > 1.3 * pooled.se[13]


def test_a_group_without_fish_is_told_by_its_area_and_week():
    area, week = np.repeat(np.arange(4), 6), np.tile(np.arange(6), 4)
    shares = expit(np.array([-1.5, -0.5, 0.5, 1.5])[area])
    fish = np.full(24, 40)
    fish[[3, 20]] = 0
    pooled = pool_shares(*crossed(fish, shares), area=area, week=week)
    assert pooled.share[3] == pytest.approx(shares[3], abs=0.08)
    assert pooled.share[20] == pytest.approx(shares[20], abs=0.08)
    assert pooled.se[3] > 1.1 * pooled.se[2]


def test_a_single_level_has_no_effect_of_its_own():
    s, m, group = crossed(np.full(6, 20), np.linspace(0.3, 0.7, 6))
    one_area = pool_shares(s, m, group, area=np.zeros(6, int), week=np.arange(6))
    assert (one_area.components.area, one_area.components.own) == (0, 0)
    assert one_area.components.week > 0
    assert one_area.n_parameters == 3
    one_week = pool_shares(s, m, group, area=np.arange(6), week=np.zeros(6, int))
    np.testing.assert_allclose(one_week.share, one_area.share, atol=1e-4)


def test_fish_of_a_site_day_that_are_alike_raise_the_correlation():
    rng = np.random.default_rng(4)
    group = np.repeat(np.arange(12), 15)
    m = np.full(180, 12)
    area, week = np.repeat(np.arange(3), 4), np.tile(np.arange(4), 3)
    alike = rng.binomial(m, rng.beta(0.6 * 4, 0.4 * 4, 180))  # ρ = 1/(1 + 4)
    pooled = pool_shares(alike, m, group, area=area, week=week)
    assert pooled.rho == pytest.approx(0.2, abs=0.05)
    apart = pool_shares(rng.binomial(m, 0.6), m, group, area=area, week=week)
    assert apart.rho < 0.02
    assert (apart.se < pooled.se).all()


def test_the_search_ends_at_the_best_of_a_grid_of_correlations():
    # A little correlation: a single search from 0.05 may run down to 0.
    rng = np.random.default_rng(7)
    area, week = np.repeat(np.arange(4), 8), np.tile(np.arange(8), 4)
    group = np.repeat(np.arange(32), 5)
    m = 1 + rng.poisson(8, len(group))
    p = expit(0.5 + 0.4 * (area - 1.5) + 0.05 * (week - 4))[group]
    s = rng.binomial(m, rng.beta(p * 60, (1 - p) * 60))
    pooled = pool_shares(s, m, group, area=area, week=week)
    layout = CrossedDesign.of(tally(s, m, group, 32), area, week)

    def value(spreads):
        sds = np.array([spreads.area, spreads.week, spreads.own])
        mode = mode_of(layout, spreads, np.zeros(13), np.zeros(32))
        return mode.log_marginal + float((np.log(sds) - sds).sum())

    best = value(pooled.components)
    assert pooled.rho > 0
    for rho in (1e-6, 1e-4, 1e-3, 0.003, 0.01, 0.03, 0.1, 0.3):
        for scale in (0.5, 1.0, 2.0):
            at = pooled.components
            other = VarianceComponents(at.area * scale, at.week, at.own / scale, logit(rho))
            assert value(other) <= best + 1e-6


def test_single_fish_say_nothing_of_a_correlation():
    s = np.array([1, 0, 0, 1, 1, 1, 0, 1])
    pooled = pool_shares(
        s, np.ones(8, int), np.arange(8) % 4, area=np.arange(4) // 2, week=np.arange(4) % 2
    )
    assert np.isnan(pooled.rho)
    assert np.isfinite(pooled.se).all()


@pytest.mark.parametrize("s", [[0, 0], [4, 6]])
def test_shares_all_alike_are_refused(s):
    with pytest.raises(ValueError, match="both successes and failures"):
        pool_shares(
            np.array(s), np.array([4, 6]), np.arange(2), area=np.arange(2), week=np.arange(2)
        )


def test_the_mean_carries_the_error_of_shares_and_weights():
    cov = np.array([[0.04, 0.01], [0.01, 0.09]])
    pooled = PooledShares(logit(np.array([0.3, 0.6])), cov, SPREADS, 0.1, 9, 5)
    weight, variance = np.array([30.0, 10.0]), np.array([25.0, 4.0])
    value, se = pooled.mean(weight, variance)
    assert value == pytest.approx((30 * 0.3 + 10 * 0.6) / 40)

    def mean(w, p):
        return float(w @ p / w.sum())

    step, wanted = 1e-6, 0.0
    p = np.array([0.3, 0.6])
    by_logit = np.array([mean(weight, expit(logit(p) + step * e)) for e in np.eye(2)])
    gradient = (by_logit - value) / step
    by_weight = (np.array([mean(weight + step * e, p) for e in np.eye(2)]) - value) / step
    wanted = gradient @ cov @ gradient + by_weight**2 @ variance
    assert se == pytest.approx(np.sqrt(wanted), rel=1e-4)
    assert pooled.df == 4


def test_a_step_to_a_mean_of_0_has_no_likelihood_and_no_warning():
    one = tally(np.array([1]), np.array([3]), np.array([0]), 1)
    assert log_likelihood(one, np.array([-1000.0]), -3.0) == -np.inf

"""Laws of the beta-binomial log-likelihood, whatever the counts."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from analytics import fit_shares
from analytics.errors import UsageError
from analytics.models.beta_binomial import (
    excess_at_binomial,
    log_lik_derivatives,
    log_likelihood,
    tally,
    third_derivatives,
)

ROW = st.integers(0, 40).flatmap(lambda m: st.tuples(st.integers(0, m), st.just(m)))
ROWS = st.lists(ROW, min_size=1, max_size=12)
ETA, LAM = st.floats(-3, 3), st.floats(-6, 2)


def arrays(rows):
    s, m = np.array(rows, dtype=np.int64).T
    return s, m, np.arange(len(rows)) % 3


def tallies(rows):
    s, m, group = arrays(rows)
    return tally(s, m, group, 3)


@given(ROWS, ETA, st.floats(-60, -20))
def test_it_tends_to_the_binomial_as_the_correlation_goes(rows, eta, lam):
    s, m, _ = arrays(rows)
    wanted = binom.logpmf(s, m, 1 / (1 + np.exp(-eta))).sum()
    found, here = tallies(rows), np.full(3, eta)
    assert log_likelihood(found, here, -np.inf) == pytest.approx(wanted, rel=1e-9, abs=1e-9)
    # The difference is the slope at 0 times θ, so that no digit is lost on the way.
    theta = np.exp(lam)
    away = log_likelihood(found, here, lam) - log_likelihood(found, here, -np.inf)
    slope = excess_at_binomial(found, here)
    assert abs(away - theta * slope) <= 1e-9 + (theta * 1e6) ** 2


@given(ROWS, ETA, LAM)
def test_swapping_successes_and_failures_turns_the_sign(rows, eta, lam):
    one = log_lik_derivatives(tallies(rows), np.full(3, eta), lam)
    other = log_lik_derivatives(tallies([(m - s, m) for s, m in rows]), np.full(3, -eta), lam)
    assert one.value == pytest.approx(other.value, rel=1e-10, abs=1e-10)
    np.testing.assert_allclose(one.eta, -other.eta, atol=1e-8)
    np.testing.assert_allclose(one.eta2, other.eta2, atol=1e-8)
    np.testing.assert_allclose(one.lam, other.lam, atol=1e-8)


@given(ROWS, st.randoms(use_true_random=False), ETA, LAM)
def test_the_order_of_rows_does_not_matter(rows, random, eta, lam):
    s, m, group = arrays(rows)
    order = list(range(len(rows)))
    random.shuffle(order)
    here = np.array([eta, -eta, 0.3])
    one = log_lik_derivatives(tally(s, m, group, 3), here, lam)
    other = log_lik_derivatives(tally(s[order], m[order], group[order], 3), here, lam)
    assert one.value == pytest.approx(other.value, rel=1e-12)
    np.testing.assert_allclose(one.eta, other.eta, atol=1e-9)


@given(ROWS, ETA, LAM)
def test_derivatives_are_those_of_the_value(rows, eta, lam):
    found, here, step = tallies(rows), np.array([eta, eta / 2, -eta]), 1e-5
    at = log_lik_derivatives(found, here, lam)
    assert at.value == pytest.approx(log_likelihood(found, here, lam), rel=1e-12, abs=1e-12)

    def close(wanted, got):
        assert got == pytest.approx(wanted, rel=1e-4, abs=1e-4)

    for g in range(3):
        move = step * np.eye(3)[g]
        up, down = (
            log_lik_derivatives(found, here + move, lam),
            log_lik_derivatives(found, here - move, lam),
        )
        close((up.value - down.value) / (2 * step), at.eta[g])
        close((up.eta[g] - down.eta[g]) / (2 * step), at.eta2[g])
        close((up.lam - down.lam) / (2 * step), at.eta_lam[g])
    up, down = (
        log_lik_derivatives(found, here, lam + step),
        log_lik_derivatives(found, here, lam - step),
    )
    close((up.value - down.value) / (2 * step), at.lam)
    close((up.lam - down.lam) / (2 * step), at.lam2)


@given(st.lists(st.integers(0, 1), min_size=1, max_size=30), ETA, LAM)
def test_single_trials_are_bernoulli_whatever_the_correlation(successes, eta, lam):
    one = tally(np.array(successes), np.ones(len(successes), int), np.zeros(len(successes), int), 1)
    p = 1 / (1 + np.exp(-eta))
    wanted = sum(np.log(p if s else 1 - p) for s in successes)
    found = log_lik_derivatives(one, np.array([eta]), lam)
    assert found.value == pytest.approx(wanted, rel=1e-10)
    assert found.lam == 0


@given(st.integers(0, 30), ETA, LAM)
def test_probabilities_of_a_row_sum_to_one(m, eta, lam):
    total = sum(
        np.exp(
            log_likelihood(
                tally(np.array([s]), np.array([m]), np.zeros(1, int), 1), np.array([eta]), lam
            )
        )
        for s in range(m + 1)
    )
    assert total == pytest.approx(1, rel=1e-10)


@given(ROWS, ETA, LAM)
def test_third_derivatives_are_those_of_differences(rows, eta, lam):
    data, at, step = tallies(rows), np.array([eta, -eta, 0.3]), 1e-5
    by_eta, by_lam = third_derivatives(data, at, lam)
    curve = [log_lik_derivatives(data, at + k * step, lam).eta2 for k in (1, -1)]
    curve += [log_lik_derivatives(data, at, lam + k * step).eta2 for k in (1, -1)]
    np.testing.assert_allclose(by_eta, (curve[0] - curve[1]) / 2 / step, rtol=1e-4, atol=1e-4)
    np.testing.assert_allclose(by_lam, (curve[2] - curve[3]) / 2 / step, rtol=1e-4, atol=1e-4)


@settings(max_examples=60)
@given(st.lists(ROW, min_size=6, max_size=15))
def test_a_fit_ends_at_the_top_or_in_words(rows):
    s, m, _ = arrays(rows)
    frame = pd.DataFrame({"s": s, "m": m, "half": np.where(np.arange(len(s)) % 2, "b", "a")})
    try:
        fit = fit_shares(frame, successes="s", trials="m", terms=("half",))
    except UsageError as refused:
        assert len(str(refused)) > 40
        return
    assume(0 < fit.dispersion < 1)
    top = fit.coefficients["estimate"].to_numpy()
    lam = np.log(fit.dispersion / (1 - fit.dispersion))
    rows_of = tally(s, m, np.arange(len(s)) % 2, 2)
    at = np.array([top[0], top.sum()])
    found = log_lik_derivatives(rows_of, at, lam)
    assert np.abs(found.eta).max() < 1e-3
    for rho in (0.001, 0.02, 0.1, 0.3, 0.7):
        other = log_likelihood(rows_of, at, np.log(rho / (1 - rho)))
        assert fit.log_likelihood >= other - 1e-9

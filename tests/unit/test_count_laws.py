"""Laws of counts: values against scipy's, derivatives against differences, and their limits."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import expit
from scipy.stats import nbinom, poisson

from analytics.models.count_likelihood import Family, log_lik_derivatives

STEP = 1e-5


@pytest.fixture
def rows():
    """Return counts, many of them 0, and the arguments of their laws."""
    rng = np.random.default_rng(7)
    y = rng.poisson(2, 60)
    y[:20] = 0
    return y, rng.normal(0.5, 1, 60), rng.normal(0, 1, 60)


def log_chance(family, y, eta, zeta, lam):
    """Return the log-likelihood as scipy has it."""
    mu, alpha = np.exp(eta), np.exp(lam)

    def plain(k):
        if family.has_dispersion:
            return nbinom.logpmf(k, 1 / alpha, 1 / (1 + alpha * mu))
        return poisson.logpmf(k, mu)

    part, zero = expit(zeta), np.exp(plain(0))
    if family.value.startswith("zero_inflated"):
        return np.where(y == 0, np.log(part + (1 - part) * zero), np.log(1 - part) + plain(y))
    if family.value.startswith("hurdle"):
        above = np.log(part) + plain(y) - np.log1p(-zero)
        return np.where(y == 0, np.log(1 - part), above)
    return plain(y)


@pytest.mark.parametrize("lam", [-6.0, -1.0, 1.0])
@pytest.mark.parametrize("family", list(Family))
def test_values_are_those_of_scipy(rows, family, lam):
    found = log_lik_derivatives(family, *rows, lam)
    assert_allclose(found.value, log_chance(family, *rows, lam), rtol=1e-9, atol=1e-10)


@pytest.mark.parametrize("lam", [-14.0, -6.0, -1.0, 1.0])
@pytest.mark.parametrize("family", list(Family))
def test_derivatives_are_those_of_differences(rows, family, lam):
    y, *arguments = *rows, lam
    found = log_lik_derivatives(family, y, *arguments)
    for place in range(3):
        ends = []
        for step in (-STEP, STEP):
            moved = list(arguments)
            moved[place] = moved[place] + step
            ends.append(log_lik_derivatives(family, y, *moved))
        low, high = ends
        assert_allclose((high.value - low.value) / (2 * STEP), found.first[place], atol=1e-7)
        assert_allclose((high.first - low.first) / (2 * STEP), found.second[place], atol=1e-7)


@pytest.mark.parametrize(
    ("family", "limit"),
    [
        (Family.NEGATIVE_BINOMIAL, Family.POISSON),
        (Family.ZERO_INFLATED_NEGATIVE_BINOMIAL, Family.ZERO_INFLATED_POISSON),
        (Family.HURDLE_NEGATIVE_BINOMIAL, Family.HURDLE_POISSON),
    ],
)
def test_no_dispersion_is_the_poisson_law(rows, family, limit):
    near, at = log_lik_derivatives(family, *rows, -30.0), log_lik_derivatives(limit, *rows, 0.0)
    assert_allclose(near.value, at.value, rtol=1e-11, atol=1e-11)
    assert_allclose(near.first[:2], at.first[:2], atol=1e-10)


@pytest.mark.parametrize("family", list(Family))
def test_chances_add_up_to_one(family):
    y = np.arange(400)
    found = log_lik_derivatives(family, y, np.full(400, 1.3), np.full(400, -0.4), -0.7)
    assert np.exp(found.value).sum() == pytest.approx(1, abs=1e-9)


@pytest.mark.parametrize("family", [one for one in Family if one.has_dispersion])
def test_a_dispersion_past_all_numbers_gives_no_error(rows, family):
    # A search may try it: what it finds there is no number, and it turns back.
    y, eta, zeta = rows
    with np.errstate(all="ignore"):
        found = log_lik_derivatives(family, y, eta, zeta, 400.0)
    assert not np.isfinite(found.second).all()

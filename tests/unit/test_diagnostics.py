"""Diagnostics of regressions of counts on data whose law is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.stats import kstest

from analytics.models.count_fit import diagnose
from analytics.models.count_likelihood import Family
from analytics.models.count_regression import fit_counts

N = 4000


def drawn(family, seed=1):
    """Return rows drawn from a law, with an exposure and a factor."""
    rng = np.random.default_rng(seed)
    area, hours = rng.choice(["a", "b"], N), rng.integers(1, 7, N).astype(float)
    mu = np.exp(-0.4 + 0.5 * (area == "b")) * hours

    def counts(mu):
        luck = rng.gamma(1.2, 1 / 1.2, len(mu)) if family.has_dispersion else 1.0
        return rng.poisson(mu * luck)

    y = counts(mu)
    if family.value.startswith("zero_inflated"):
        y = np.where(rng.random(N) < 0.3, 0, y)
    elif family.value.startswith("hurdle"):
        while (none := y == 0).any():
            y[none] = counts(mu[none])
        y = np.where(rng.random(N) < 0.3, 0, y)
    return pd.DataFrame({"area": area, "hours": hours, "fish": y})


def fitted(frame, family):
    return fit_counts(frame, response="fish", exposure="hours", terms=["area"], family=family)


@pytest.mark.parametrize("family", list(Family))
def test_residuals_are_standard_normal_where_the_law_is_right(family):
    frame = drawn(family)
    found = diagnose(fitted(frame, family), frame, response="fish")
    assert kstest(found.residual, "norm").pvalue > 0.01
    assert found.pearson == pytest.approx(1, abs=0.15)
    assert found.zeros_expected == pytest.approx(found.zeros, abs=0.01)


def test_a_law_that_is_too_narrow_shows():
    frame = drawn(Family.ZERO_INFLATED_NEGATIVE_BINOMIAL)
    found = diagnose(fitted(frame, "poisson"), frame, response="fish")
    assert found.pearson > 2
    assert found.zeros > found.zeros_expected + 0.1
    assert kstest(found.residual, "norm").pvalue < 1e-6


@pytest.mark.parametrize("family", ["poisson", "zero_inflated_poisson"])
def test_influence_is_the_move_of_a_fit_without_the_row(family):
    frame = drawn(Family(family))
    frame.loc[7, "fish"] = 60
    whole = fitted(frame, family)
    found = diagnose(whole, frame, response="fish")
    assert found.influence.argmax() == 7
    without = fitted(frame.drop(index=7), family)
    moved = np.abs(whole.coefficients["estimate"] - without.coefficients["estimate"])
    assert (moved / whole.coefficients["se"]).max() == pytest.approx(found.influence[7], rel=0.1)


def test_the_same_seed_gives_the_same_residuals():
    frame = drawn(Family.POISSON)
    fit = fitted(frame, "poisson")
    one, other = (diagnose(fit, frame, response="fish", seed=5) for _ in range(2))
    assert_allclose(one.residual, other.residual)

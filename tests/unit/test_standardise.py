"""Marginal means at a fixed mix: closed forms, errors by differences, refusals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from analytics.errors import WrongUse
from analytics.models.counts import fit_counts
from analytics.models.standardise import as_fished, standardised


@pytest.fixture(scope="module")
def trips():
    """Return trips of two areas, one of them fished mostly by the better method."""
    rng = np.random.default_rng(3)
    n = 3000
    area = rng.choice(["east", "west"], n)
    method = np.where(rng.random(n) < np.where(area == "east", 0.9, 0.2), "troll", "jig")
    hours = rng.integers(1, 9, n).astype(float)
    rate = np.where(method == "troll", 0.8, 0.2)  # the areas are alike
    fish = rng.poisson(rate * hours * rng.gamma(3, 1 / 3, n))
    return pd.DataFrame({"area": area, "method": method, "hours": hours, "fish": fish})


@pytest.fixture(scope="module")
def fit(trips):
    return fit_counts(trips, response="fish", exposure="hours", terms=["area", "method"])


LEVELS = pd.DataFrame({"area": ["east", "west"]})


def test_the_mix_is_the_same_on_both_sides(trips, fit):
    mix, weight = as_fished(trips, ["method"], "hours")
    found = standardised(fit, LEVELS, mix, weight)
    raw = trips.groupby("area")[["fish", "hours"]].sum()
    raw = (raw["fish"] / raw["hours"]).to_numpy()
    assert raw[0] / raw[1] > 1.8
    assert found.value[0] / found.value[1] == pytest.approx(1, abs=0.1)
    b = fit.coefficients.set_index("term")["estimate"]
    assert found.value[1] / found.value[0] == pytest.approx(np.exp(b["area[west]"]))


def test_one_row_of_mix_is_the_prediction(fit):
    mix = pd.DataFrame({"method": ["troll"]})
    found = standardised(fit, LEVELS, mix, np.ones(1))
    one_hour = LEVELS.assign(method="troll", hours=1.0)
    assert_allclose(found.value, fit.predict(one_hour))


@pytest.mark.parametrize("family", ["negative_binomial", "zero_inflated_poisson"])
def test_errors_are_those_of_the_coefficients(trips, family):
    fit = fit_counts(
        trips, response="fish", exposure="hours", terms=["area", "method"], family=family
    )
    mix, weight = as_fished(trips, ["method"], "hours")
    found, step = standardised(fit, LEVELS, mix, weight), 1e-6
    slopes = []
    for place in range(len(fit.coefficients)):
        ends = []
        for sign in (-1, 1):
            moved = fit.coefficients.copy()
            moved.loc[place, "estimate"] += sign * step
            other = standardised(replace(fit, coefficients=moved), LEVELS, mix, weight)
            ends.append(np.log(other.value))
        slopes.append((ends[1] - ends[0]) / (2 * step))
    gradient = np.array(slopes).T
    assert_allclose(found.log_cov, gradient @ fit.cov @ gradient.T, rtol=1e-5)


def test_what_has_no_rate_or_no_weight_is_refused(trips, fit):
    mix = pd.DataFrame({"method": ["troll", "jig"]})
    with pytest.raises(WrongUse, match="1 weights for a mix of 2 rows"):
        standardised(fit, LEVELS, mix, np.ones(1))
    with pytest.raises(WrongUse, match="level 'south', which the fit never saw"):
        standardised(fit, pd.DataFrame({"area": ["south"]}), mix, np.ones(2))
    hurdle = fit_counts(
        trips, response="fish", exposure="hours", terms=["area"], family="hurdle_poisson"
    )
    with pytest.raises(WrongUse, match="not in proportion to the exposure"):
        standardised(hurdle, LEVELS, mix, np.ones(2))

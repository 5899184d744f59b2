"""Levels at a fixed mix: closed forms, and errors by differences."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from analytics.errors import UsageError
from analytics.models.cell_levels import marginal_means, reference_mix
from analytics.models.count_regression import fit_counts

LEVELS = pd.DataFrame({"area": ["east", "west"]})


@pytest.fixture(scope="module")
def trips():
    """Return trips of two areas alike, one of them fished mostly by the better method."""
    rng = np.random.default_rng(3)
    n = 3000
    area = rng.choice(["east", "west"], n)
    method = np.where(rng.random(n) < np.where(area == "east", 0.9, 0.2), "troll", "jig")
    hours = rng.integers(1, 9, n).astype(float)
    rate = np.where(method == "troll", 0.8, 0.2)
    fish = rng.poisson(rate * hours * rng.gamma(3, 1 / 3, n))
    return pd.DataFrame({"area": area, "method": method, "hours": hours, "fish": fish})


@pytest.fixture(scope="module")
def fit(trips):
    return fit_counts(trips, response="fish", exposure="hours", terms=["area", "method"])


def levels(fit, mix, weight, *, is_share=False, moved=0.0):
    b = fit.coefficients["estimate"].to_numpy() + moved
    return marginal_means(fit.coding, b, LEVELS, mix, weight, is_share=is_share)


def averaged(fit, mix, weight):
    """Return the mean rate of each area over the mix, from predictions one by one."""
    return np.array(
        [
            np.average(fit.predict(mix.assign(area=area, hours=1.0)), weights=weight)
            for area in LEVELS["area"]
        ]
    )


def test_levels_are_means_of_predictions_at_the_same_mix(trips, fit):
    mix, weight = reference_mix(trips, ["method"], "hours")
    value = np.exp(levels(fit, mix, weight)[0])
    assert_allclose(value, averaged(fit, mix, weight), rtol=1e-12)
    raw = trips.groupby("area")[["fish", "hours"]].sum()
    raw = (raw["fish"] / raw["hours"]).to_numpy()
    assert raw[0] / raw[1] > 1.8
    assert value[0] / value[1] == pytest.approx(1, abs=0.1)
    one = pd.DataFrame({"method": ["troll"]})
    alone = np.exp(levels(fit, one, np.ones(1))[0])
    assert_allclose(alone, fit.predict(LEVELS.assign(method="troll", hours=1.0)))


@pytest.mark.parametrize("is_share", [True, False])
def test_slopes_are_those_by_differences(trips, fit, is_share):
    mix, weight = reference_mix(trips, ["method"], "hours")
    _, slopes = levels(fit, mix, weight, is_share=is_share)
    step, k = 1e-6, len(fit.coefficients)
    ends = [
        levels(fit, mix, weight, is_share=is_share, moved=sign * step * np.eye(k)[place])[0]
        for place in range(k)
        for sign in (1, -1)
    ]
    by_difference = (np.array(ends[::2]) - np.array(ends[1::2])) / (2 * step)
    assert_allclose(slopes, by_difference.T, atol=1e-8)


def test_a_share_is_the_logit_of_the_mean_share(trips, fit):
    mix, weight = reference_mix(trips, ["method"], "hours")
    value, _ = levels(fit, mix, weight, is_share=True)
    want = []
    for area in LEVELS["area"]:
        # The same linear predictors, read as logits.
        odds = fit.predict(mix.assign(area=area, hours=1.0))
        want.append(np.average(odds / (1 + odds), weights=weight))
    assert_allclose(1 / (1 + np.exp(-value)), want, rtol=1e-12)


def test_a_mix_is_weighed_by_the_hours_fished_at_it(trips):
    mix, weight = reference_mix(trips, ["area", "method"], "hours")
    assert weight.sum() == trips["hours"].sum()
    alone = trips[(trips["area"] == "west") & (trips["method"] == "jig")]
    place = mix.index[(mix["area"] == "west") & (mix["method"] == "jig")][0]
    assert weight[place] == alone["hours"].sum()


def test_an_unseen_level_is_refused(fit):
    with pytest.raises(UsageError, match="level 'south', which the fit never saw"):
        marginal_means(
            fit.coding,
            fit.coefficients["estimate"].to_numpy(),
            pd.DataFrame({"area": ["south"]}),
            pd.DataFrame({"method": ["troll"]}),
            np.ones(1),
            is_share=False,
        )

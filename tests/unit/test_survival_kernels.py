"""The survival curve and the exact limits of a share equal those of general libraries."""

import warnings

import numpy as np
import pytest
from scipy.stats import CensoredData, ecdf
from statsmodels.stats.proportion import proportion_confint

from analytics.models.holding_survival import kaplan_meier, share_limits


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_the_curve_is_that_of_scipy(seed, level):
    rng = np.random.default_rng(seed)
    hours = rng.integers(1, 60, 80).astype(float)
    is_dead = rng.random(80) < (0.0, 0.1, 0.4, 0.7, 0.9, 1.0)[seed]
    found = kaplan_meier(hours, is_dead, level=level)
    curve = ecdf(CensoredData(uncensored=hours[is_dead], right=hours[~is_dead])).sf
    np.testing.assert_allclose(found.alive_prop, curve.evaluate(found.hours), rtol=1e-12)
    inner = (found.alive_prop > 0) & (found.alive_prop < 1)
    assert np.isnan(found.low[~inner]).all()
    assert np.isnan(found.high[~inner]).all()
    if not inner.any():
        return
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the last time, where nothing is left
        ends = curve.confidence_interval(level, method="log-log")
    for own, end in ((found.low, ends.low), (found.high, ends.high)):
        np.testing.assert_allclose(own[inner], end.evaluate(found.hours)[inner], rtol=1e-9)


@pytest.mark.parametrize(("count", "n"), [(0, 12), (12, 12), (1, 30), (17, 40), (3.4, 20.2)])
def test_exact_limits_are_those_of_statsmodels(count, n):
    found = share_limits(count, n, level=0.9)
    low, high = proportion_confint(count, n, alpha=0.1, method="beta")
    assert found.exact_low == pytest.approx(0.0 if count == 0 else low, abs=1e-12)
    assert found.exact_high == pytest.approx(1.0 if count == n else high, abs=1e-12)

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


class TestFishOfOneTrip:
    hours = np.array([3.0, 5.0, 5.0, 8.0, 12.0, 20.0, 20.0, 20.0])
    is_dead = np.array([True, True, False, True, True, False, False, True])

    def test_single_fish_have_greenwoods_error(self):
        """The linearised curve over single fish is Greenwood's formula, but for T/(T - 1)."""
        alone = kaplan_meier(self.hours, self.is_dead, level=0.95)
        found = kaplan_meier(self.hours, self.is_dead, cluster=np.arange(8), level=0.95)
        np.testing.assert_allclose(found.relative_se[1:], alone.relative_se[1:] * (8 / 7) ** 0.5)

    def test_the_error_by_hand(self):
        # 2 of 8 die at once, in one of two trips of 4: (2 - 4/4)/6 and (0 - 4/4)/6, times 2.
        hours, trip = np.array([1.0] * 2 + [9.0] * 6), np.repeat([0, 1], 4)
        found = kaplan_meier(hours, hours == 1, cluster=trip, level=0.95)
        assert found.relative_se[1] == pytest.approx((2 * 2 / 36) ** 0.5)
        # t of one degree of freedom on the log-log scale.
        step = 12.706205 * found.relative_se[1] / -np.log(0.75)
        assert found.low[1] == pytest.approx(0.75 ** np.exp(step), rel=1e-6, abs=1e-12)

    def test_one_trip_shows_no_likeness_and_trips_alike_no_error(self):
        one = kaplan_meier(self.hours, self.is_dead, cluster=np.zeros(8, dtype=int), level=0.95)
        assert np.isnan(one.low[1:]).all()
        hours, trip = np.array([1.0, 9.0] * 4), np.repeat([0, 1, 2, 3], 2)
        alike = kaplan_meier(hours, hours == 1, cluster=trip, level=0.95)
        alone = kaplan_meier(hours, hours == 1, level=0.95)
        np.testing.assert_allclose(alike.relative_se, alone.relative_se)

    @pytest.mark.parametrize(("trips", "size"), [(25, 8), (8, 8)])
    def test_intervals_hold_the_true_share(self, trips, size):
        """Known truth: the hazard of each trip is its own, and some fish are taken out alive."""
        rng, found = np.random.default_rng(29), {"alone": [], "by trip": []}
        trip = np.repeat(np.arange(trips), size)
        for _ in range(400):
            life = rng.exponential(120 / rng.exponential(size=trips)[trip])
            out = np.where(rng.random(len(trip)) < 0.3, rng.uniform(10, 96, len(trip)), 96.0)
            hours, is_dead = np.ceil(np.minimum(life, out)), life < out
            for name, of in (("alone", None), ("by trip", trip)):
                curve = kaplan_meier(hours, is_dead, cluster=of, level=0.95)
                at = np.searchsorted(curve.hours, 48, side="right") - 1
                found[name].append(curve.low[at] <= 1 / (1 + 48 / 120) <= curve.high[at])
        assert np.mean(found["alone"]) < 0.88
        assert 0.92 < np.mean(found["by trip"]) < 0.98

"""Rates as draws, the part of the fish wanted that is kept, and fish moved by a minimum length."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from analytics.fish.mortality_rates import ReleaseRates
from analytics.options.baseline import (
    KeptPart,
    beta_draws,
    beta_quantiles,
    common_random_numbers,
    drawn_rate,
    kept_of_boat,
    rate_key,
)
from analytics.options.catch_per_trip import moved_share
from analytics.options.limit_exceedance import quantiles
from tests.season_cases import DROP_OFF, RELEASE_RATES, small_baseline

PARTY = np.array([0.2, 0.4, 0.2, 0.1, 0.1])


def test_a_rate_has_its_mean_and_error():
    normal = np.random.default_rng(2).standard_normal(200_000).astype(np.float32)
    for mean, se in ((0.1, 0.03), (0.5, 0.2), (0.03, 0.02), (0.9, 0.05)):
        drawn = beta_draws(mean, se, normal)
        assert drawn.mean() == pytest.approx(mean, abs=4 * se / 200_000**0.5 + 1e-5)
        assert drawn.std() == pytest.approx(se, rel=0.02)
        assert ((drawn >= 0) & (drawn <= 1)).all()


def test_a_rate_is_the_quantile_of_its_law():
    normal = np.linspace(-4, 4, 41).astype(np.float32)
    for a, b in ((0.5, 60.5), (12.0, 3.0), (2.0, 200.0)):
        exact = stats.beta.ppf(stats.norm.cdf(normal.astype(float)), a, b)
        assert beta_quantiles(a, b, normal) == pytest.approx(exact, rel=1e-3, abs=1e-6)


def test_a_rate_without_error_is_itself():
    normal = np.array([-2.0, 0.0, 2.0], dtype=np.float32)
    for mean, se in ((0.1, None), (0.1, 0.0), (0.0, 0.1), (1.0, 0.1)):
        assert beta_draws(mean, se, normal) == pytest.approx([mean] * 3)
    # An error too large for any law still stays between 0 and 1.
    wide = beta_draws(0.5, 0.9, normal)
    assert ((wide >= 0) & (wide <= 1)).all()
    assert (np.diff(wide) >= 0).all()


def test_the_same_key_has_the_same_luck():
    key = rate_key(RELEASE_RATES[1])
    assert key == "sublegal any any"
    assert rate_key(DROP_OFF[0]) == "drop_off any"
    given = {key: np.zeros(3, dtype=np.float32)}
    assert common_random_numbers(given, key, 3).tolist() == [0, 0, 0]
    new = common_random_numbers(given, "legal new any", 1000)
    assert (new == common_random_numbers({}, "legal new any", 1000)).all()
    assert abs(new.mean()) < 0.15
    rate = ReleaseRates(RELEASE_RATES).choose("sublegal", "other").any_wound
    assert rate.label == key
    assert drawn_rate(rate, given, 3) == pytest.approx(
        [stats.beta.median(0.2 * 99, 0.8 * 99)] * 3, rel=1e-4
    )


@pytest.mark.parametrize("size", [0.05, 0.8, 3.0, 200.0, np.inf])
@pytest.mark.parametrize("limit", [1, 2, 5])
def test_the_table_of_kept_fish_is_that_of_the_sum(size, limit):
    mean = np.exp(np.linspace(np.log(2e-3), np.log(20), 400)).astype(np.float32)
    found = KeptPart(np.full(len(mean), size, dtype=np.float32)).part(mean, PARTY, limit)
    anglers = np.arange(1, len(PARTY) + 1)
    boats = [kept_of_boat(mean.astype(float) * n, size, limit * int(n)) for n in anglers]
    exact = PARTY @ np.array(boats) / (PARTY @ anglers) / mean
    assert found == pytest.approx(exact, rel=5e-4)


def test_no_limit_keeps_all_and_a_limit_of_none_keeps_nothing():
    part = KeptPart(np.array([1.0], dtype=np.float32))
    mean = np.array([[0.5], [0.0]], dtype=np.float32)
    assert part.part(mean, PARTY, np.inf).tolist() == [[1], [1]]
    assert part.part(mean, PARTY, 0).tolist() == [[0], [0]]
    # Who wants next to nothing keeps it.
    assert part.part(mean, PARTY, 1)[1] == pytest.approx(1, abs=1e-3)


def test_thinned_fish_keep_their_size():
    """Of fish each kept with chance p, a negative binomial number stays one, of the same size."""
    rng = np.random.default_rng(6)
    size, mean, p = 0.8, 3.0, 0.35
    boats = rng.poisson(mean * rng.gamma(size, 1 / size, 400_000))
    kept = np.minimum(rng.binomial(boats, p), 2)
    error = kept.std() / len(kept) ** 0.5
    assert kept_of_boat(p * mean, size, 2) == pytest.approx(kept.mean(), abs=4 * error)


def test_a_longer_minimum_moves_more_fish_in_every_draw():
    base = small_baseline(n_draws=500)
    before = np.zeros(500)
    for length in (560, 561, 565, 600, 700, 760, 900):
        size, share = moved_share(base, 0, length)
        assert size == "legal"
        assert (share >= before).all()
        before = share
    assert moved_share(base, 0, 559.0) is None
    assert moved_share(base, 0, 500.0)[0] == "sublegal"


def test_quantiles_are_those_of_numpy():
    draws = np.random.default_rng(1).normal(size=(3, 4, 501)).astype(np.float32)
    draws[1, 2, 7] = np.nan
    found = quantiles(draws, (0.0, 0.025, 0.5, 1.0))
    exact = np.moveaxis(np.quantile(draws, [0.0, 0.025, 0.5, 1.0], axis=-1), 0, -1)
    assert found == pytest.approx(exact, rel=1e-5, nan_ok=True)
    assert np.isnan(found[1, 2]).all()

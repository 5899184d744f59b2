"""The heaping test over simulated reports: seldom wrong without heaps, seldom blind with them."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.estimates.interview_quality import heaping_test
from tests.sizes import n_sized

SEED, N_TABLES, N_HEAPED = 11, n_sized(200, 600), n_sized(60, 150)
NOMINAL = 0.05
#: A size of 5 % in so many tables comes out above this once in a thousand times.
MOST_WRONG = NOMINAL + 3.09 * (NOMINAL * (1 - NOMINAL) / N_TABLES) ** 0.5


def reports(chance, *, mean, shape, boats, rounded=0.0):
    """Return reports of boats, and how many of 1 to 60 fish were moved to another number."""
    said = chance.negative_binomial(shape, shape / (shape + mean), size=boats)
    moves = (said > 3) & (chance.random(boats) < rounded)
    told = np.where(moves, 5 * np.round(said / 5).astype(int), said)
    return told, int(((told != said) & (said <= 60)).sum())


def outcome(told):
    return heaping_test(*np.unique(told, return_counts=True))


@pytest.mark.parametrize("mean", [2, 4, 8])
@pytest.mark.parametrize("shape", [0.7, 2, 20])
def test_without_heaps_it_finds_some_at_most_as_often_as_it_says(mean, shape, record_property):
    chance = np.random.default_rng([SEED, mean, int(10 * shape)])
    found = [
        outcome(reports(chance, mean=mean, shape=shape, boats=1500)[0]) for _ in range(N_TABLES)
    ]
    p_values = np.array([one.p_value for one in found if not one.reason])
    assert len(p_values) > 0.95 * N_TABLES
    wrong = (p_values < NOMINAL).mean()
    record_property(
        f"no heaps, mean {mean}, shape {shape}", f"found in {wrong:.1%} of {len(p_values)} tables"
    )
    assert wrong <= MOST_WRONG
    # Neither is it blind: chance does give small values.
    assert (p_values < 0.5).mean() > 0.35
    held = np.mean([one.ratio_low <= 1 <= one.ratio_high for one in found if not one.reason])
    assert held > 0.93


@pytest.mark.parametrize("mean", [2, 4, 8])
def test_three_in_ten_rounded_reports_are_nearly_always_seen(mean, record_property):
    chance = np.random.default_rng([12, mean])
    drawn = [reports(chance, mean=mean, shape=1, boats=600, rounded=0.3) for _ in range(N_HEAPED)]
    found = [outcome(told) for told, _ in drawn]
    assert not any(one.reason for one in found)
    seen = np.mean([one.p_value < NOMINAL for one in found])
    record_property(
        f"three in ten rounded, mean {mean}", f"seen in {seen:.1%} of {N_HEAPED} tables"
    )
    assert seen > 0.95
    assert np.mean([one.ratio for one in found]) > 2
    # The curve takes the fish under 4 as rounded too, so the number errs high, by up to 3 in 10.
    moved = np.mean([number for _, number in drawn])
    assert moved * 0.95 < np.mean([one.n_heaped for one in found]) < moved * 1.35


def test_the_dispersion_keeps_the_size_where_boats_report_alike():
    # Three boats with the same report each scatter three times as far as single ones.
    chance = np.random.default_rng(13)
    found = [
        outcome(np.repeat(reports(chance, mean=4, shape=1, boats=700)[0], 3))
        for _ in range(N_TABLES)
    ]
    p_values = np.array([one.p_value for one in found])
    assert (p_values < NOMINAL).mean() <= 2 * NOMINAL
    bare = np.array([one.statistic * one.dispersion**0.5 for one in found])
    assert (bare > 1.645).mean() > 3 * NOMINAL

"""Intervals of sampled classes where fish of one trip are alike: with trips named, and without."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from analytics.fish.composition_sample import class_ratios, trip_effect

SEED, RUNS, TRIPS = 17, 600, 40
SHARES = np.array([0.2, 0.1, 0.45, 0.25])
BASE = np.array([[True, True, False, False]])  # legal fish: the sublegal ones per legal one


def held(alike, *, is_named):
    """Return in how many seasons the 95 % interval of sublegal fish per legal one held it.

    `alike`: intraclass correlation of the kinds of one trip's fish.
    """
    rng = np.random.default_rng(SEED)
    truth, count = SHARES[2] / SHARES[:2].sum(), 0
    member, each = np.ones((1, 1), dtype=bool), np.eye(4, dtype=bool)[None]
    for _ in range(RUNS):
        p = rng.dirichlet(SHARES * (1 - alike) / alike, TRIPS)
        n = rng.multinomial(2 + rng.poisson(8, TRIPS), p).astype(float)
        effect = max(trip_effect(n, np.zeros(TRIPS, int)), 1.0) if is_named else 1.0
        ratios = class_ratios(n.sum(axis=0)[None], member, BASE, each, effect=effect)
        value, variance = ratios.value[0, 2], ratios.covariance(np.ones((1, 1)))[0, 2, 2]
        count += abs(np.log(value / truth)) < 1.96 * np.sqrt(variance) / value
    return count


@pytest.mark.parametrize("alike", [0.001, 0.1, 0.25])
def test_named_trips_hold_the_truth(alike):
    low, high = binom.ppf([0.0005, 0.9995], RUNS, [0.93, 0.965])
    assert low <= held(alike, is_named=True) <= high


@pytest.mark.parametrize("alike", [0.1, 0.25])
def test_fish_counted_one_by_one_do_not(alike):
    assert held(alike, is_named=False) < binom.ppf(0.001, RUNS, 0.90)

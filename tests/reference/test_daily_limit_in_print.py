"""Fish kept under a daily limit: reference 19, and laws that have a closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analytics.options.baseline import KeptPart, kept_of_boat

#: Recomputed with a general library: negative binomial, mean 1.2, size 0.8.
KEPT = {1: 0.519550, 2: 0.808485, 3: 0.972886}


@pytest.mark.parametrize(("limit", "kept"), KEPT.items())
def test_kept_under_limits(limit, kept):
    assert kept_of_boat(1.2, 0.8, limit) == pytest.approx(kept, abs=5e-7)
    read = KeptPart(np.array([0.8], np.float32)).part(
        np.array([1.2], np.float32), np.array([1.0]), limit
    )
    assert 1.2 * read == pytest.approx(kept, rel=1e-4)


@pytest.mark.parametrize("mean", [0.1, 1.2, 6.0])
def test_the_poisson_law_is_the_limit_of_large_sizes(mean):
    zero, one = math.exp(-mean), mean * math.exp(-mean)
    closed = {0: 0.0, 1: 1 - zero, 2: 2 - 2 * zero - one}
    for cap, kept in closed.items():
        assert kept_of_boat(mean, math.inf, cap) == pytest.approx(kept, rel=1e-12)
        assert kept_of_boat(mean, 1e9, cap) == pytest.approx(kept, rel=1e-7)


def test_the_geometric_law_in_closed_form():
    """Size 1 is the geometric law: ``P(P > j) = r^(j+1)``, ``r = m/(1 + m)``."""
    ratio = 1.2 / 2.2
    for cap in range(6):
        kept = sum(ratio ** (fish + 1) for fish in range(cap))
        assert kept_of_boat(1.2, 1.0, cap) == pytest.approx(kept, rel=1e-12)


def test_without_end_all_is_kept():
    assert kept_of_boat(1.2, 0.8, 500) == pytest.approx(1.2, rel=1e-9)


def test_a_boat_shares_the_limits_of_its_anglers():
    party = np.array([0.0, 1.0])
    read = KeptPart(np.array([0.8], np.float32)).part(np.array([0.6], np.float32), party, 1)
    assert 0.6 * read == pytest.approx(KEPT[2] / 2, rel=1e-4)

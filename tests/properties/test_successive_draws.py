"""Sites drawn without replacement: probabilities and estimators proved by every possible sample."""

from __future__ import annotations

from itertools import combinations, permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.survey.design import SiteRule
from analytics.survey.sampling_frame import inclusion, site_draw


def chance_of_order(p: np.ndarray, order: tuple[int, ...]) -> float:
    left, chance = 1.0, 1.0
    for site in order:
        chance *= p[site] / left
        left -= p[site]
    return chance


def every_sample(p: np.ndarray, n: int) -> list[tuple[tuple[int, ...], float]]:
    """Return each unordered sample of n sites with its probability."""
    return [
        (sites, sum(chance_of_order(p, order) for order in permutations(sites)))
        for sites in combinations(range(len(p)), n)
    ]


def drawn(p: np.ndarray, sites: tuple[int, ...]):
    return site_draw(p[list(sites)], np.delete(p, sites))


sizes = st.lists(st.floats(0.02, 1), min_size=4, max_size=6).map(lambda w: np.array(w) / sum(w))


@settings(max_examples=25)
@given(p=sizes, n=st.integers(2, 4))
def test_inclusion_probabilities_are_those_of_enumeration(p, n):
    n = min(n, len(p) - 1)
    samples = every_sample(p, n)
    single, joint = inclusion(p, np.zeros(0), n_drawn=n)
    for i in range(len(p)):
        assert single[i] == pytest.approx(sum(c for s, c in samples if i in s), abs=1e-10)
        for j in range(i):
            both = sum(c for s, c in samples if i in s and j in s)
            assert joint[i, j] == pytest.approx(both, abs=1e-10)
    assert single.sum() == pytest.approx(n, abs=1e-9)


def test_inclusion_probabilities_hold_for_sites_of_very_unlike_size():
    weight = np.array([1e4, 3e3, 50.0, 2.0, 1.0])
    p = weight / weight.sum()
    samples = every_sample(p, 3)
    single, joint = inclusion(p, np.zeros(0), n_drawn=3)
    expected = [sum(c for s, c in samples if i in s) for i in range(5)]
    assert single == pytest.approx(expected, rel=1e-9)
    rare = sum(c for s, c in samples if {3, 4} <= set(s))
    assert joint[3, 4] == pytest.approx(rare, rel=1e-8)


@settings(max_examples=25)
@given(p=sizes, n=st.integers(1, 4), seed=st.integers(0, 99))
def test_totals_and_variances_are_unbiased_over_every_sample(p, n, seed):
    n = min(n, len(p) - 1)
    y = np.random.default_rng(seed).uniform(0, 50, len(p))
    mean = square = estimated = 0.0
    for sites, chance in every_sample(p, n):
        draw, seen = drawn(p, sites), y[list(sites)]
        total = draw.weight @ seen
        mean += chance * total
        square += chance * total**2
        estimated += chance * (seen @ draw.form @ seen)
    assert mean == pytest.approx(y.sum(), rel=1e-9)
    if n > 1:
        assert estimated == pytest.approx(square - mean**2, rel=1e-6, abs=1e-6)


@settings(max_examples=25)
@given(p=sizes, n=st.integers(2, 4))
def test_the_variance_is_never_below_zero_and_zero_for_totals_in_proportion(p, n):
    n = min(n, len(p) - 1)
    for sites, _ in every_sample(p, n):
        draw = drawn(p, sites)
        assert np.linalg.eigvalsh(draw.form).min() > -1e-7 * np.abs(draw.form).max()
    if n == 2:  # Murthy's estimator has no error where y is in proportion to p
        assert p[[0, 1]] @ drawn(p, (0, 1)).form @ p[[0, 1]] == pytest.approx(0, abs=1e-9)


def test_a_day_with_every_site_sampled_has_no_error_of_its_own():
    for draw in (site_draw(np.array([0.7, 0.3]), np.zeros(0)), site_draw(np.ones(1), np.zeros(3))):
        assert draw.rule is SiteRule.EVERY_SITE
        assert (draw.weight == 1).all()
        assert not draw.form.any()


def test_equal_probabilities_give_simple_random_sampling():
    y, n_frame = np.array([3.0, 8.0]), 5
    draw = site_draw(np.full(2, 0.2), np.full(3, 0.2))
    assert draw.weight @ y == pytest.approx(n_frame * y.mean())
    assert y @ draw.form @ y == pytest.approx(n_frame**2 * (1 - 2 / n_frame) * y.var(ddof=1) / 2)

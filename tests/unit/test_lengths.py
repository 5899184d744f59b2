"""Lengths: one measure from another, and the legal share with fish of one place alike."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, norm

from analytics.codes import coded, has_code
from analytics.fish.lengths import (
    Form,
    Pairs,
    design_effect,
    least_squares,
    legal_share,
    total_from_fork,
    weight_from_length,
)
from analytics.intervals import wilson

LINE = 559.0


def pairs(slope=1.06, intercept=3.0, n=30, words="season"):
    """Return fish whose total lengths lie about a line."""
    chance = np.random.default_rng(n)
    fork = chance.uniform(400, 800, n)
    return Pairs(fork, intercept + slope * fork + chance.normal(0, 3, n), words)


def test_the_seasons_own_line_comes_first():
    found = total_from_fork([pairs(n=20), pairs(n=500, words="all_seasons")])
    assert (found.form, found.regression.n) == (Form.LINEAR, 20)
    assert found.source == coded("regression_of_lengths", n=20, span="season")
    assert found.predict([600.0, 700.0]) == pytest.approx([639, 745], abs=3)


def test_too_few_fish_of_the_season_lead_to_those_of_all_seasons():
    found = total_from_fork([pairs(n=19), pairs(n=500, words="all_seasons")])
    assert (found.form, found.regression.n) == (Form.LINEAR, 500)
    assert found.source == coded("regression_of_lengths", n=500, span="all_seasons")


def test_without_fish_a_stated_factor_says_why():
    none = Pairs(np.array([]), np.array([]), "season")
    found = total_from_fork([none, pairs(n=19, words="all_seasons")])
    assert (found.form, found.regression) == (Form.STATED, None)
    assert found.predict(939.0) == pytest.approx(1000)
    assert "fork_over_total" in found.source
    needed = coded("fish_needed", n=20)
    assert f"{coded('regression_of_lengths', n=0, span='season')}; {needed}" in found.source
    assert f"{coded('regression_of_lengths', n=19, span='all_seasons')}; {needed}" in found.source


@pytest.mark.parametrize(
    ("fork", "total"),
    [(700.0, 600.0), (500.0, 600.0)],
    ids=["fork over total", "fork under 85 % of total"],
)
def test_fish_whose_lengths_are_at_odds_leave_the_regression(fork, total):
    sound = pairs(n=40)
    mixed = Pairs(np.append(sound.given, fork), np.append(sound.target, total), "season")
    found = total_from_fork([mixed])
    assert found.regression == total_from_fork([sound]).regression
    fish = coded("regression_of_lengths", n=40, span="season")
    assert found.source == f"{fish}; {coded('outliers_left_out', n=1)}"


def test_a_line_that_gives_lengths_no_fish_has_is_not_used():
    fork = np.linspace(600, 640, 40)  # sound fish, and yet a line of no use at 250 mm
    odd = Pairs(fork, 0.4 * fork + 420, "season")
    found = total_from_fork([odd])
    assert found.form is Form.STATED
    assert "impossible_lengths(slope=0.4)" in found.source


def test_fish_all_of_one_length_make_no_line():
    same = Pairs(np.full(30, 600.0), np.full(30, 640.0), "season")
    found = total_from_fork([same])
    assert found.form is Form.STATED
    assert has_code(found.source, "one_length")
    with pytest.raises(ValueError, match="at least three"):
        least_squares([1.0, 2.0], [1.0, 2.0])


def weighed(power=3.0, n=30):
    chance = np.random.default_rng(n)
    mm = chance.uniform(300, 900, n)
    return Pairs(mm, 1.2e-5 * 600**3 * (mm / 600) ** power, "season")


def test_weights_in_another_unit_leave_the_regression():
    sound = weighed()
    mixed = Pairs(np.append(sound.given, 600.0), np.append(sound.target, 6.0), "season")
    found = weight_from_length([mixed])
    assert found.regression.n == 30
    assert found.regression.slope == pytest.approx(3)
    assert found.source.endswith(coded("outliers_left_out", n=1))
    assert found.predict(600.0) == pytest.approx(2592)


def test_a_power_no_fish_has_gives_way_to_the_condition_factor():
    found = weight_from_length([weighed(power=2.2)], given="total_length_mm")
    assert (found.form, found.given) == (Form.STATED, "fork_length_mm")
    assert "impossible_power(power=2.2)" in found.source
    assert found.predict(600.0) == pytest.approx(1.2 * 60**3 / 100)


def test_a_fish_on_the_line_is_legal():
    found = legal_share([558.9, 559.0, 559.1, np.nan], LINE)
    assert (found.n_legal, found.n_fish) == (2, 3)
    assert found.share == pytest.approx(2 / 3)


def test_a_design_effect_by_hand():
    # Legal 6 of 10 and 1 of 10: p = 0.35; v = 2 (2.5² + 2.5²)/400 = 0.0625 against
    # 0.35 · 0.65/20 = 0.011375.
    effect = design_effect(np.array([6.0, 1.0]), np.array([10.0, 10.0]))
    assert effect == pytest.approx(0.0625 / 0.011375)


def test_fish_alike_within_areas_and_weeks_widen_the_interval():
    lengths = np.repeat([600.0, 500.0, 600.0, 500.0], [9, 1, 1, 9])
    clusters = np.repeat(["a", "b"], 10)
    apart, plain = legal_share(lengths, LINE, clusters), legal_share(lengths, LINE)
    assert apart.share == plain.share == 0.5
    assert apart.design_effect > 5
    assert apart.low < plain.low
    assert apart.high > plain.high
    assert has_code(apart.reason, "clustered")


@pytest.mark.parametrize(
    ("lengths", "clusters", "words"),
    [
        ([600.0, 500.0], ["a", "a"], coded("one_cluster")),
        ([600.0, 600.0], ["a", "b"], coded("one_side")),
        ([600.0, 500.0, 500.0, 600.0], ["a", "a", "b", "b"], "no_clustering(clusters=2)"),
        ([np.nan], ["a"], "no_length_known"),
        ([], [], "no_length_known"),
    ],
)
def test_what_the_interval_takes_as_given_is_said(lengths, clusters, words):
    found = legal_share(lengths, LINE, clusters)
    assert words in found.reason
    assert found.design_effect == 1


def test_the_interval_does_not_jump_where_likeness_begins():
    # Legal of 20 in four places, half of all: d = 4/3 · Σ(y - 10)²/20 is 14/15 and 16/15.
    clusters = np.repeat(["a", "b", "c", "d"], 20)
    widths = []
    for legal in ([13, 8, 10, 9], [12, 8, 12, 8]):
        lengths = np.concatenate([np.repeat([600.0, 500.0], [y, 20 - y]) for y in legal])
        found = legal_share(lengths, LINE, clusters)
        widths.append(found.high - found.low)
    assert widths[0] < widths[1] < 1.1 * widths[0]


def test_few_places_without_likeness_tell_little():
    lengths = np.concatenate([np.repeat([600.0, 500.0], [y, 20 - y]) for y in (6, 8, 9)])
    found = legal_share(lengths, LINE, np.repeat(["a", "b", "c"], 20))
    assert found.design_effect == 1
    assert has_code(found.reason, "few_clusters")
    assert found.high - found.low > 1.2 * np.diff(wilson(found.share, 60, level=0.95))[0]


def test_wilsons_interval_inverts_the_score_test():
    share, n = 0.3, 40
    for end in wilson(share, n, level=0.9):
        assert abs(share - end) / np.sqrt(end * (1 - end) / n) == pytest.approx(norm.ppf(0.95))


@pytest.mark.parametrize("level", [0, 1, 95])
def test_a_level_that_is_none_is_refused(level):
    with pytest.raises(ValueError, match=r"such as 0\.95"):
        legal_share([600.0], LINE, level=level)


def test_clusters_that_are_not_one_a_fish_are_refused():
    with pytest.raises(ValueError, match="give one for each fish"):
        legal_share([600.0, 500.0], LINE, ["a"])


@given(
    st.lists(st.tuples(st.floats(300, 900), st.integers(0, 5)), min_size=1, max_size=40),
    st.floats(300, 900),
    st.floats(0, 100),
)
def test_a_higher_minimum_never_makes_more_fish_legal(fish, line, more):
    lengths, clusters = zip(*fish, strict=True)
    low, high = (legal_share(lengths, at, clusters) for at in (line, line + more))
    assert high.share <= low.share
    for one in (low, high):
        assert 0 <= one.low <= one.share <= one.high <= 1
        assert one.design_effect >= 1


def test_the_interval_holds_the_truth_where_fish_are_alike():
    # Twelve places of nine fish, shares between them with an intraclass correlation of 0.1. The
    # interval for independent fish holds the truth too seldom; the widened one does not.
    chance = np.random.default_rng(11)
    rounds, truth, rho = 600, 0.35, 0.1
    held = np.zeros(2, dtype=int)
    for _ in range(rounds):
        props = chance.beta(truth * (1 / rho - 1), (1 - truth) * (1 / rho - 1), 12)
        legal = chance.binomial(9, props)
        lengths = np.concatenate([np.repeat([600.0, 500.0], [y, 9 - y]) for y in legal])
        both = (
            legal_share(lengths, LINE, np.repeat(np.arange(12), 9)),
            legal_share(lengths, LINE),
        )
        held += [one.low <= truth <= one.high for one in both]
    seldom = binom.ppf(0.001, rounds, 0.93)
    assert held[0] >= seldom
    assert held[1] < seldom

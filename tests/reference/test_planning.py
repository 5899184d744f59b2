"""Planning against worked numbers (computed for this test with numpy and scipy) and enumeration."""

from __future__ import annotations

import ctypes
import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.planning.allocation import (
    Bounded,
    even,
    greedy,
    kept_strata,
    least_cost,
    least_sum,
    minimax,
    relative_variance,
)
from analytics.planning.call_plan import (
    AreaVariances,
    Call,
    nested_loss,
    sharpest,
    smoothed_loss,
)
from analytics.planning.plan import AreaSample, Likeness
from analytics.planning.sample_sizes import (
    half_width_of_share,
    needs_of,
    worst_case_factor,
)
from analytics.planning.week_ahead import PlannedVariance, two_stage_terms
from analytics.survey.pooled_variance import shrunk_ratio
from analytics.survey.variance_function import VarianceFunction

EXACT = {"rel": 5e-8}  # printed to eight digits

# What a site-day is worth.


def test_two_stages_of_garment_plants():
    """Scheaffer, Mendenhall & Ott, garment plants (inputs seen): N 90, n 10."""
    size = np.array([50, 65, 45, 48, 52, 58, 42, 66, 40, 56], float)
    rows = """5,7,9,0,11,2,8,4,3,5 | 4,3,7,2,11,0,1,9,4,3,2,1,5 | 5,6,4,11,12,0,1,8,4 |
    6,4,0,1,0,9,8,4,6,10 | 11,4,3,1,0,2,8,6,5,3 | 12,11,3,4,2,0,0,1,4,3,2,4 | 3,7,6,7,8,4,3,2 |
    3,6,4,3,2,2,8,4,0,4,5,6,3 | 6,4,7,3,9,1,4,5 | 6,7,5,10,11,2,1,4,0,5,4"""
    units = [np.array(one.split(","), dtype=float) for one in rows.split("|")]
    m = np.array([len(one) for one in units])
    total = size * [one.mean() for one in units]
    within = (size * (size - m) / m * [one.var(ddof=1) for one in units]).mean()
    variance = total.var(ddof=1)
    assert (variance, within) == pytest.approx((768.32710, 2198.5299), rel=1e-7)
    a, c = two_stage_terms(np.array([90.0]), np.array([variance]), np.array([within]))
    assert (a[0], c[0]) == pytest.approx((6223449.5, -128718.26), **EXACT)
    of = [a[0] / n - c[0] for n in (10, 20)]
    assert of == pytest.approx([751063.20, 439890.73], **EXACT)
    assert of[0] ** 0.5 == pytest.approx(866.63903)  # the published standard error
    estimate = 90 * total.mean()
    assert np.sqrt(of) / estimate == pytest.approx([0.040119178, 0.030703379], **EXACT)
    assert a[0] / ((0.03 * estimate) ** 2 + c[0]) == pytest.approx(21.368173, **EXACT)


def test_what_lies_between_boats_and_between_site_days():
    """Both stages of two strata by the textbook's sum, ``N² (1/n - 1/N) S1² + N² w/n``."""
    frame, n = np.array([20.0, 8.0]), np.array([5, 8])
    variance, within = np.array([9.0, 30.0]), np.array([4.0, 6.0])
    gain, constant = two_stage_terms(frame, variance, within)
    figures = PlannedVariance(
        area=(None,),
        quantity=("kept_fish",),
        gain=gain[:, None],
        boats=(frame**2 * within)[:, None],
        df=np.ones((2, 1)),
        scatter=np.zeros((2, 1)),
        constant=np.array([constant.sum()]),
        expected=np.ones(1),
        known=np.ones(1, dtype=bool),
    )
    between = 20**2 * (1 / 5 - 1 / 20) * (9 - 4)  # every site-day of the second is taken
    boats = 20**2 * 4 / 5 + 8**2 * 6 / 8
    assert figures.pse(n)[0] ** 2 == pytest.approx(between + boats)
    assert figures.boats_part(n)[0] == pytest.approx(boats / (between + boats))
    assert figures.boats_part(frame)[0] == pytest.approx(1)  # a census leaves boats alone


def test_shrunk_variance_of_a_stratum():
    one = np.ones(1)
    function = VarianceFunction(1.6 * one, 1.2 * one, 6 * one, 1e-6 * one)
    mean, variance = np.array([7.0, 10, 6, 9]), np.array([30.0, 80, 22, 61])
    ratio = variance / function.at(mean[:, None])[:, 0]
    df = np.array([2.0, 1, 2, 2])
    rho = shrunk_ratio((df * ratio).sum(), df.sum(), 6.0)
    assert rho == pytest.approx(1.1542466, rel=5e-8)
    assert rho * function.at(np.array([[9.0]]))[0, 0] == pytest.approx(46.587334, **EXACT)


def test_strays_count():
    frame, n = np.array([15.0, 10]), np.array([4, 3])
    a, c = two_stage_terms(frame, np.array([90.0, 4]), np.array([5, 0.5]))
    assert (a / n).sum() - c.sum() == pytest.approx(3885.8333, rel=1e-8)
    assert a[0] / n[0] - c[0] == pytest.approx(3787.5)


# Allocation.

FRAME = np.array([15, 6, 10, 4])
LOW = np.full(4, 2)
VARIANCE = {"met": np.array([90.0, 400, 40, 150]), "kept": np.array([6.0, 20, 3, 9])}
MEAN = {"met": np.array([8.0, 20, 4, 10]), "kept": np.array([1.2, 3, 0.6, 1.5])}


def of_two_areas() -> tuple[np.ndarray, np.ndarray]:
    """Return the figures N met, S met, N kept, S kept of four strata."""
    gain, constant = np.zeros((4, 4)), np.zeros(4)
    figures = itertools.product(("met", "kept"), ([0, 1], [2, 3]))
    for k, (name, rows) in enumerate(figures):
        total = (FRAME * MEAN[name])[rows].sum()
        gain[rows, k] = (FRAME**2 * VARIANCE[name])[rows] / total**2
        constant[k] = (FRAME * VARIANCE[name])[rows].sum() / total**2
    return gain, constant


def plain(high: np.ndarray, low: np.ndarray = LOW) -> Bounded:
    return Bounded(low, high, np.ones(len(low)))


def every(low: np.ndarray, high: np.ndarray, budget: int) -> list[np.ndarray]:
    ranges = [range(a, b + 1) for a, b in zip(low, high, strict=True)]
    return [np.array(one) for one in itertools.product(*ranges) if sum(one) <= budget]


def test_one_total():
    a, c = two_stage_terms(FRAME.astype(float), VARIANCE["met"], np.zeros(4))
    n, steps = greedy(a, LOW, FRAME, 14)
    assert n.tolist() == [5, 5, 2, 2]
    assert (a / n).sum() - c.sum() == pytest.approx(5380)
    assert len(every(LOW, FRAME, 14)) > 60
    best = min((a / one).sum() for one in every(LOW, FRAME, 14))
    assert (a / n).sum() == pytest.approx(best, rel=1e-14)
    more, path = greedy(a, LOW, FRAME, 20)
    assert path[: len(steps)].tolist() == steps.tolist()  # nested: one more never moves the rest
    assert more.sum() == 20


def test_several_figures():
    gain, constant = of_two_areas()
    n = minimax(gain, constant, np.ones(4), plain(FRAME), 14)
    assert n.tolist() == [3, 3, 5, 3]
    reached = relative_variance(gain, constant, n)
    assert reached.max() == pytest.approx(0.37037037, rel=1e-8)
    assert np.sqrt(reached) == pytest.approx(
        [0.36799004, 0.30618622, 0.60858062, 0.54006172], rel=5e-8
    )
    one = relative_variance(gain, constant, np.array([5, 5, 2, 2]))
    assert np.sqrt(one[3]) == pytest.approx(1.04, abs=0.005)  # a plan for one figure starves others
    assert gain.sum(axis=1) == pytest.approx([1.3932292, 0.80555556, 2.7083333, 1.375], rel=5e-8)
    together = least_sum(gain.sum(axis=1), plain(FRAME), 14)
    assert together.tolist() == [3, 3, 5, 3]
    assert relative_variance(gain, constant, together).sum() == pytest.approx(0.89120370, rel=1e-8)


def fractional(gain, constant, target):
    r"""Return the cheapest fractional n for K targets at once, and the multipliers λ.

    ``n_h = √(Σ_k λ_k a_hk/v_k)`` with ``v_k = target_k² + c_k`` and ``λ_k ← λ_k (Σ_h
    a_hk/n_h/v_k)²`` until all hold (Bethel 1989, Sample allocation in multivariate surveys, Survey
    Methodology 15; title seen; Chromy 1987, from memory). The λ sum to the cost; that of a target
    that does not bind goes to 0.
    """
    share, multiplier = gain / (target**2 + constant), np.ones(len(target))
    for _ in range(20_000):
        n = np.sqrt(share @ multiplier)
        multiplier = multiplier * (share / n[:, None]).sum(axis=0) ** 2
    return n, multiplier


def test_least_shifts_for_targets():
    gain, constant = of_two_areas()
    target = np.array([0.25, 0.35, 0.30, 0.35])
    n, multiplier = fractional(gain, constant, target)
    assert n == pytest.approx([7.1512999, 5.2225710, 6.0718089, 4.2066726], rel=5e-8)
    assert multiplier == pytest.approx([0, 0, 12.373871, 10.278482], rel=1e-7, abs=1e-8)
    assert multiplier.sum() == pytest.approx(n.sum(), rel=1e-10)
    whole = least_cost(gain, constant, target, plain(FRAME))
    assert whole is not None
    assert whole.sum() == 24 >= n.sum()
    assert (relative_variance(gain, constant, whole) <= target**2).all()
    feasible = [
        one
        for one in every(LOW, FRAME, 24)
        if (relative_variance(gain, constant, one) <= target**2).all()
    ]
    assert min(one.sum() for one in feasible) == 24
    least = min((relative_variance(gain, constant, one) / target**2).sum() for one in feasible)
    assert (relative_variance(gain, constant, whole) / target**2).sum() == pytest.approx(least)
    assert least_cost(gain, constant, np.full(4, 1e-3), plain(FRAME - 1)) is None


def test_crossing_caps_are_no_work_for_the_greedy():
    a, low, high = np.array([19.0, 15, 47, 52]), LOW, np.full(4, 7)
    caps = ((np.array([0, 1, 0, 1], bool), 5), (np.array([0, 0, 1, 1], bool), 5))
    n = least_sum(a, Bounded(low, high, np.ones(4), caps), 13)
    assert n.tolist() == [5, 3, 3, 2]
    assert (a / n).sum() == pytest.approx(50.466667, rel=1e-8)
    assert (a / np.array([6, 2, 2, 3])).sum() == pytest.approx(51.5)  # what a greedy one reaches


def test_64_cities():
    """Cochran (1977), chapter 5 (memory): 24 of 64 cities in two strata."""
    frame, variance = np.array([16.0, 48.0]), np.array([53843.0, 5581.0])
    a, c = two_stage_terms(frame, variance, np.zeros(2))
    share = np.sqrt(a)
    assert 24 * share / share.sum() == pytest.approx([12.208419, 11.791581], **EXACT)
    n, _ = greedy(a, np.full(2, 2), frame.astype(int), 24)
    assert n.tolist() == [12, 12]
    assert (a / n).sum() - c.sum() == pytest.approx(1090826.7, rel=1e-7)


@st.composite
def small_cases(draw):
    size = draw(st.integers(2, 4))
    high = np.array(draw(st.lists(st.integers(2, 6), min_size=size, max_size=size)))
    low = np.minimum(2, high)
    shape = (size, draw(st.integers(1, 3)))
    gain = np.array(
        draw(st.lists(st.floats(0.01, 5), min_size=size * shape[1], max_size=size * shape[1]))
    )
    cost = np.array(draw(st.lists(st.sampled_from([1.0, 1.5, 2.0]), min_size=size, max_size=size)))
    budget = draw(st.integers(int(2 * cost.sum() + 1), int(2 * cost.sum() + 8)))
    return gain.reshape(shape), low, high, cost, budget


@settings(deadline=None, max_examples=25)
@given(small_cases())
def test_minimax_and_sums_are_those_of_every_plan(case):
    gain, low, high, cost, budget = case
    none = np.zeros(gain.shape[1])
    bounds = Bounded(low, high, cost)
    ranges = [range(a, b + 1) for a, b in zip(low, high, strict=True)]
    plans = [np.array(one) for one in itertools.product(*ranges) if cost @ one <= budget + 1e-9]
    worst = [relative_variance(gain, none, one).max() for one in plans]
    n = minimax(gain, none, np.ones(gain.shape[1]), bounds, budget)
    assert cost @ n <= budget + 1e-9
    assert relative_variance(gain, none, n).max() == pytest.approx(min(worst), rel=1e-6)
    total = least_sum(gain.sum(axis=1), bounds, budget)
    least = min((gain.sum(axis=1) / one).sum() for one in plans)
    assert (gain.sum(axis=1) / total).sum() == pytest.approx(least, rel=1e-6)


def test_worst_figure_may_stand_under_0_where_strata_get_nothing():
    # The first stratum of each figure is kept, others took their gain along: V(n) = a/n - c < 0.
    gain, constant = np.array([[2.0, 0.0], [0.0, 3.0]]), np.array([3.0, 3.0])
    bounds = Bounded(np.full(2, 2), np.full(2, 6), np.ones(2))
    assert minimax(gain, constant, np.ones(2), bounds, 7).tolist() == [3, 4]


@settings(deadline=None, max_examples=25)
@given(small_cases())
def test_more_shifts_never_raise_a_promise(case):
    gain, low, high, _, _ = case
    none, bounds = np.zeros(gain.shape[1]), Bounded(low, high, np.ones(len(low)))
    target = np.ones(gain.shape[1])
    worst = [
        relative_variance(gain, none, minimax(gain, none, target, bounds, budget)).max()
        for budget in range(int(low.sum()), int(low.sum()) + 4)
    ]
    assert all(b <= a * (1 + 1e-6) for a, b in itertools.pairwise(worst))
    paths = [greedy(gain[:, 0], low, high, budget)[0] for budget in range(int(low.sum()), 20)]
    assert all((b >= a).all() for a, b in itertools.pairwise(paths))


def test_none_or_two_where_shifts_are_too_few():
    bounds = plain(np.full(4, 9))
    kept = kept_strata(np.array([0.1, 0.5, 0.3, 0.4]), bounds, 5)
    assert kept.tolist() == [False, True, False, True]
    assert kept_strata(np.ones(4), bounds, 8).all()
    assert even(np.array([9, 1, 9]), 6).tolist() == [3, 1, 2]


# The call.


def one_area(**costs: float) -> Call:
    return Call(10000, 9400, 900**2, np.array([[220.0**2]]), np.array([0.6 * 900 * 220]), **costs)


def test_loss_of_a_call():
    call = one_area()
    errors = [np.array([250000 / n - 12500]) for n in (2, 3, 4, 8)]
    assert call.chance == pytest.approx(0.25249254, rel=5e-8)
    assert [call.loss(one) for one in errors] == pytest.approx(
        [0.25031784, 0.24718126, 0.24380584, 0.23240796], abs=1e-8
    )
    assert call.loss(np.zeros(1)) == pytest.approx(0.21557146, abs=1e-8)
    assert call.explained(errors[1]) ** 0.5 == pytest.approx(344.04686, **EXACT)
    dear = one_area(over=3.0)
    assert dear.loss_now == pytest.approx(0.74750746, rel=5e-8)
    assert [dear.loss(one) for one in errors] == pytest.approx(
        [0.58231846, 0.55359909, 0.53242293, 0.48220754], abs=1e-8
    )
    assert dear.loss(np.zeros(1)) == pytest.approx(0.42791959, abs=1e-8)


def test_two_areas():
    across = 0.3 * 220 * 150
    call = Call(
        10000,
        9400,
        900**2,
        np.array([[220.0**2, across], [across, 150.0**2]]),
        np.array([0.6 * 900 * 220, 0.35 * 900 * 150]),
    )
    variances = AreaVariances(np.diag([250000.0, 160000]), np.array([12500.0, 8000]))
    found = [call.explained(variances.at(np.array(n))) for n in ((3, 3), (4, 2), (2, 4))]
    assert found == pytest.approx([139226.08, 156754.03, 117316.77], rel=5e-8)
    slopes = call.slopes(variances.at(np.array([3, 3])))
    assert slopes == pytest.approx([0.95004253, 0.55790534], **EXACT)
    share = np.sqrt(variances.gain @ slopes**2)
    assert 6 * share / share.sum() == pytest.approx([4.0822047, 1.9177953], **EXACT)
    two = np.full(2, 2)
    n = sharpest(call, variances, plain(np.full(2, 9), two), 6, start=np.array([3, 3]))
    best = max(every(two, np.full(2, 9), 6), key=lambda one: call.explained(variances.at(one)))
    assert n.tolist() == best.tolist() == [4, 2]


def test_a_program_prints_nothing(capfd):
    """A problem in which HiGHS prints a line where it presolves (seen with scipy 1.17)."""
    rng = np.random.default_rng(84)
    gain = rng.random((8, 6)) * rng.integers(0, 2, (8, 6))
    minimax(gain, np.zeros(6), np.ones(6), plain(np.full(8, 12), np.full(8, 2)), 36)
    ctypes.CDLL(None).fflush(None)  # what a library holds back of its own prints
    assert capfd.readouterr() == ("", "")


def test_draws_alone_agree():
    rng = np.random.default_rng(7)
    first, second = rng.standard_normal((2, 6000))
    total, week = 9400 + 900 * (0.6 * first + 0.8 * second), (800 + 220 * first)[:, None]
    error = np.array([250000 / 3 - 12500])
    found = nested_loss(total, week, error, 10000, rng=rng, n_outer=600)
    gain = (total > 10000).mean() - found.loss
    assert gain == pytest.approx(0.25249254 - 0.24718126, abs=3.5 * found.error)
    assert found.least_draws > 50


def test_smoothed_draws_agree():
    """With the week's errors, with errors that hide everything, and with none."""
    gains = []
    for number in range(12):
        rng = np.random.default_rng([8, number])
        first, second = rng.standard_normal((2, 6000))
        total, week = 9400 + 900 * (0.6 * first + 0.8 * second), (800 + 220 * first)[:, None]
        error = np.array([250000 / 3 - 12500])
        losses = [smoothed_loss(total, week, k * error, 10000, rng=rng).loss for k in (1, 1e9, 0)]
        gains.append((total > 10000).mean() - losses)
    expected = np.array([0.24718126, 0.25249254, 0.21557146])
    assert np.mean(gains, axis=0) == pytest.approx(0.25249254 - expected, abs=0.0025)


def test_draws_that_an_outcome_separates_have_hardly_a_wrong_call():
    """Newton's steps alone swing to and fro there: they gave 0.025 in place of 0.005."""
    week = 800 + 220 * np.random.default_rng(0).standard_normal((2000, 1))
    total = 9400 + 900 / 220 * (week[:, 0] - 800)
    found = smoothed_loss(total, week, np.zeros(1), 10000, rng=np.random.default_rng(1))
    assert found.loss < 0.01


# Boats and fish.


def test_site_days_for_a_share():
    """Fish of a site-day, 6 of CV 0.8, correlation 0.05: 280.27284 fish singly, times 1.442."""
    site_days = 67.358905
    assert site_days * 6 == pytest.approx(280.27284 * 1.442, **EXACT)
    area = AreaSample(
        area="A",
        share=0.76,
        boats=1,
        returning=2,
        fish=6,
        uneven_days=1 + 0.8**2,
        uneven_boats=1,
        site_days=site_days,
        frame=1000,
        df=np.inf,
        measured=0,
    )
    found, _ = needs_of(Likeness(0.05, 0.0, None), [area], 0.05)
    assert found.half_width_planned == pytest.approx(0.05, **EXACT)
    assert found.site_days_needed == 68
    assert (found.boats_needed, found.fish_needed) == (68, 68 * 6)  # whole boats of 6


def test_three_levels_and_classes():
    found = half_width_of_share(
        0.76, site_days=12, boats=60, fish=150, correlation_day=0.03, correlation_boat=0.08
    )
    assert found == pytest.approx((0.082724412, 102.38908), **EXACT)
    assert worst_case_factor() == pytest.approx(1.2735865, **EXACT)
    assert worst_case_factor(classes=4) == pytest.approx(1.1697249, **EXACT)

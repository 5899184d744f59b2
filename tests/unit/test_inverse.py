"""How far a rule may go: order statistics of first crossings, bands, ends, and laws of answers."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import nbinom, norm, poisson

from analytics.codes import has_code
from analytics.intervals import clopper_pearson
from analytics.options.baseline import Limit
from analytics.options.compare import compare_options
from analytics.options.limit_exceedance import (
    WEEKDAY_SETS,
    RuleRisks,
    allowed_draws,
    binomial_ends,
    first_over,
    is_too_small,
    last_within,
    maximal_sets,
    non_dominated,
    switched,
)
from analytics.options.option import Change, Find, Option, Solve, with_point, with_value
from analytics.options.option_file import InvalidOptionsError, read_options, write_options
from analytics.options.rule_choices import ChoiceScale
from analytics.options.season_projection import SeasonProjector
from analytics.options.solve import Question, solved_options
from analytics.options.solved_words import answer, lines, unanswered
from analytics.precision import DASH
from tests.season_cases import THROUGH, small_baseline

few = settings(max_examples=25, deadline=None)
AREAS = ("OMB", "VEL")


def crossing(days, n_days=25):
    """Return which draws are over when the last open day is 0, 1, ... n_days."""
    return np.arange(n_days)[:, None] >= np.array(days, dtype=float)[None]


TAU = crossing([9, 12, 12, 14, 15, 15, 16, 18, 20, np.inf, np.inf, np.inf])


@pytest.mark.parametrize(
    ("risk", "day", "chance", "after"),
    [
        (0.0, 8, 0.0, 1 / 12),
        (0.1, 11, 1 / 12, 0.25),
        (0.2, 11, 1 / 12, 0.25),
        (0.25, 13, 0.25, 1 / 3),
        (0.5, 15, 0.5, 7 / 12),
    ],
)
def test_the_latest_day_is_an_order_statistic_of_first_crossings(risk, day, chance, after):
    assert last_within(first_over(TAU), risk) == day
    found = RuleRisks(TAU).at(risk)
    assert found.place == day
    assert TAU[day].mean() == chance
    assert TAU[day + 1].mean() == pytest.approx(after)


def test_bands_are_binomial_quantiles_and_chances_have_exact_intervals():
    assert binomial_ends(0.10, 2000) == (174, 227)
    assert binomial_ends(0.05, 2000) == (81, 120)
    assert binomial_ends(0.10, 500) == (37, 64)
    assert binomial_ends(0.10, 10_000) == (942, 1059)
    ends = clopper_pearson(200, 2000, level=0.95)
    assert ends == pytest.approx((0.087195784, 0.11398997), rel=1e-7)
    # One-sided at 95 %: the end of the two-sided interval at 90 %.
    assert clopper_pearson(0, 2000, level=0.90)[1] == pytest.approx(0.0014967, abs=5e-8)
    assert clopper_pearson(7, 7, level=0.95) == (pytest.approx(0.025 ** (1 / 7)), 1.0)


def test_the_band_of_the_first_closed_day_lies_between_order_statistics():
    rng = np.random.default_rng(3)
    first = rng.integers(0, 100, 2000)
    found = RuleRisks(np.arange(100)[:, None] >= first[None]).at(0.10)
    ordered = np.sort(first)
    # The first closed day after the place is the crossing of draw l, and of draw u + 1.
    assert found.band == (ordered[174 - 1] - 1, ordered[227] - 1)


def test_draws_are_counted_and_never_broken_numbers():
    assert allowed_draws(0.07, 100) == 7  # 0.07 * 100 is 7.000000000000001
    assert allowed_draws(0.29, 100) == 29  # 0.29 * 100 is 28.999999999999996
    assert not is_too_small(3 / 2000, 2000)
    assert is_too_small(0.001, 2000)


def days_within(risk, *, rng):
    """Return the most days of 60 trips at a lognormal rate that keep a total under 7,000."""
    n_draws = 200_000
    rates = 0.45 * np.exp(0.25 * norm.ppf((np.arange(n_draws) + 0.5) / n_draws))
    totals = 5200 + 60 * np.arange(120)[:, None] * rng.permutation(rates)[None].astype(np.float32)
    return last_within(first_over(totals > 7000), risk)


def test_a_lognormal_rate_has_the_days_of_its_closed_form():
    rng = np.random.default_rng(1)
    closed = {0.05: 44.189697, 0.10: 48.391162, 0.25: 56.321855, 0.50: 66.666667}
    for risk, exact in closed.items():
        by_hand = 1800 / 60 * math.exp(-math.log(0.45) - 0.25 * norm.ppf(1 - risk))
        assert by_hand == pytest.approx(exact, abs=1e-6)
        assert days_within(risk, rng=rng) == math.floor(exact)


def test_an_uncertain_total_so_far_shortens_the_days():
    # Totals so far: lognormal of mean 5,200 and coefficient of variation .08, apart from the rate.
    ends = (np.arange(2_000) + 0.5) / 2_000
    sd = math.sqrt(math.log(1 + 0.08**2))
    so_far = 5200 * np.exp(sd * norm.ppf(ends) - sd**2 / 2)
    rates = 0.45 * np.exp(0.25 * norm.ppf(ends))
    # Every pair of quantiles, sorted by the first day over: exact up to the grid of quantiles.
    days = np.ceil((7000 - so_far[:, None]) / (60 * rates[None]) + 1e-12).clip(0, 200)
    first = days.ravel().astype(np.int64)
    assert {risk: last_within(first, risk) for risk in (0.05, 0.10, 0.25)} == {
        0.05: 34,
        0.10: 40,
        0.25: 51,
    }
    assert (first <= 40).mean() == pytest.approx(0.090970018, abs=2e-4)
    assert (first <= 41).mean() == pytest.approx(0.10097330, abs=2e-4)


def test_poisson_days_are_those_of_chi_square():
    chances = np.array([poisson.sf(100, 6.5 * day) for day in range(20)])
    n_draws = 100_000
    over = np.arange(n_draws)[None] < np.round(chances * n_draws)[:, None]
    found = RuleRisks(over)
    assert found.is_monotone
    assert found.at(0.05).place == 13
    assert chances[13] == pytest.approx(0.043893235, rel=1e-7)
    assert chances[14] == pytest.approx(0.15951416, rel=1e-7)


def test_the_largest_daily_limit_of_a_negative_binomial():
    p = 0.8 / (0.8 + 1.2)
    kept = [nbinom.sf(np.arange(limit), 0.8, p).sum() for limit in range(1, 6)]
    exact = [0.51955023, 0.80848456, 0.97288632, 1.0675498, 1.1224625]
    assert kept == pytest.approx(exact, rel=1e-7)
    over = np.array(kept)[:, None] > np.ones((1, 10))
    assert RuleRisks(over).at(0.1).place == 2  # limits of 1, 2 and 3


def test_where_a_stricter_choice_is_worse_there_is_a_set_and_no_latest():
    over = np.array([[1, 1, 0], [0, 0, 0], [0, 1, 0], [0, 1, 1]], dtype=bool)
    found = RuleRisks(over)
    assert not found.is_monotone
    one = found.at(0.34)
    assert one.is_set
    assert one.place is None
    assert one.places == (1, 2)


def test_switched_days_are_the_sums_of_both_sides():
    rng = np.random.default_rng(2)
    before, after = rng.random((2, 6, 4))
    for rows in (range(7), [0, 2, 6], [1, 5], [6]):
        for day, found in zip(rows, switched(before, after, rows), strict=True):
            assert found == pytest.approx(before[:day].sum(0) + after[day:].sum(0))


def test_sets_of_days_that_no_other_holds():
    assert len(WEEKDAY_SETS) == 127
    assert maximal_sets(["1", "12", "3", "123", "67"]) == ("123", "67")


def test_points_that_another_beats_are_dominated():
    gains = np.array([[10.0, 5.0], [10.0, 5.0], [9.0, 5.0], [12.0, 4.0], [10.0, 6.0]])
    counts = np.array([3, 2, 2, 9, 2])
    assert non_dominated(gains, counts).tolist() == [False, False, False, True, True]


@few
@given(
    st.lists(st.integers(0, 30), min_size=3, max_size=60),
    st.tuples(st.floats(0, 0.999), st.floats(0, 0.999)),
)
def test_a_laxer_risk_never_closes_earlier(first, risks):
    low, high = sorted(risks)
    found = RuleRisks(crossing(first))
    places = [-1 if (one := found.at(risk).place) is None else one for risk in (low, high)]
    assert places[0] <= places[1]
    assert (found.counts[: places[0] + 1] <= allowed_draws(low, len(first))).all()


# On a season.


def base(n_draws=400, **given_):
    return small_baseline(n_draws=n_draws, n_weeks=6, n_closed_weeks=1, **given_)


def held(fish=3200.0, areas=AREAS, quantity="kept_fish", name="kept"):
    return (Limit(name, areas, (quantity,), fish),)


def middle(ground, quantity="kept_fish", areas=AREAS, part=0.6):
    """Return a limit between the totals so far and those of the season."""
    codes = [ground.areas.index(one) for one in areas]
    start = float(ground.to_date[quantity][:, codes].sum(1).mean())
    whole = compare_options(ground, (), held(1.0, areas, quantity)).limit_exceedance
    return start + part * (whole["estimate"][0].as_py() - start)


def asked(find=Find.CLOSE, risk=0.10, limit="kept", areas=(), changes=(), **response):
    return Option("x", changes, solve=Solve(find, risk, limit, areas), **response)


def row_of(ground, option, limits):
    rows = solved_options(ground, [option], limits)["solved"].to_pylist()
    return next(row for row in rows if row["is_asked"])


@pytest.mark.parametrize("find", list(Find))
@pytest.mark.parametrize(
    "response", [{}, {"to_other_areas_prop": 0.4}, {"to_other_days_prop": 0.5}, {"elasticity": 0.4}]
)
def test_every_choice_is_what_the_option_of_its_value_gives(find, response):
    ground = base(n_draws=60)
    limits = held(middle(ground))
    option = asked(find, areas=("VEL",), **response)
    question = Question(SeasonProjector(ground), option, limits)
    choices = question.choices
    for place in sorted({0, 1, len(choices.values) // 2, len(choices.values) - 1}):
        one = replace(with_value(option, ("VEL",), choices.values[place]), name="as found")
        found = compare_options(ground, [one] if one.changes else [], limits)
        chance = found.limit_exceedance["prob_exceeded_by_close"].to_pylist()[-1]
        assert choices.over[place].mean() == pytest.approx(chance, abs=1e-12)
        figures = [row for row in found.figures.to_pylist() if row["area"] is None]
        trips = [row["estimate"] for row in figures if row["quantity"] == "angler_trips"][-1]
        assert choices.trips[place] == pytest.approx(trips, rel=1e-5)


def test_the_answer_keeps_the_risk_and_one_day_more_does_not():
    ground = base()
    limits = held(middle(ground))
    row = row_of(ground, asked(), limits)
    assert has_code(row["reason"], "solve_found")
    assert row["prob"] <= 0.10 < row["prob_next"]
    assert row["value"] == (row["last_open_day"] + dt.timedelta(days=1)).isoformat()
    assert row == row_of(ground, asked(), limits)


def test_an_option_that_asks_is_compared_with_the_rule_that_was_found():
    ground = base()
    limits = held(middle(ground))
    found = compare_options(ground, [asked()], limits)
    (row,) = (one for one in found.solved["solved"].to_pylist() if one["is_asked"])
    (change,) = found.options[-1].changes
    assert change.close_from == dt.date.fromisoformat(row["value"])
    chances = found.limit_exceedance["prob_exceeded_by_close"].to_pylist()
    assert chances[-1] == pytest.approx(row["prob"], abs=1e-12)
    assert chances[-1] < chances[0]
    out_of_reach = compare_options(ground, [asked()], held(1.0))
    assert out_of_reach.options[-1].changes == ()


def test_answers_at_other_risks_come_along_and_never_go_back():
    ground = base()
    rows = solved_options(ground, [asked(risk=0.15)], held(middle(ground)))["solved"].to_pylist()
    assert [row["risk"] for row in rows] == [0.05, 0.10, 0.15, 0.20, 0.50]
    days = [row["last_open_day"] for row in rows]
    assert days == sorted(days)


@pytest.mark.parametrize(
    ("prob", "after", "said"),
    [
        (0.0440, 0.0505, ("4.4", "5.1")),  # 5 % would read as the risk that is kept
        (0.0460, 0.0505, ("4.6", "5.1")),
        (0.0440, 0.0630, ("4", "6")),
        (0.0440, None, ("4", DASH)),
    ],
)
def test_one_step_further_never_reads_as_the_risk_that_it_is_over(prob, after, said):
    row = row_of(base(), asked(risk=0.05), held(middle(base())))
    row |= {"prob": prob, "prob_next": after}
    (line,) = lines([row])
    assert [cell.split("\u00a0")[0] for cell in line[3:5]] == list(said)
    if after is not None:
        assert all(f"{number}\u00a0%" in answer(row, str, ", ".join) for number in said)


def test_a_band_that_is_the_answer_reads_as_the_answer():
    row = row_of(base(), asked(), held(middle(base())))
    first_day = "2036-02-18"  # closed at once: no day is left that could be the last open one
    row |= dict.fromkeys(("value", "band_low", "band_high"), first_day) | {"last_open_day": None}
    (line,) = lines([row])
    assert line[1] == line[2] == "closed from 18 February 2036"


def test_ends_are_said():
    ground = base()
    assert has_code(row_of(ground, asked(), held(1e9))["reason"], "solve_all")
    none = row_of(ground, asked(), held(1.0))
    assert has_code(none["reason"], "solve_none")
    assert none["value"] is None
    assert none["prob"] == 1.0
    few_draws = solved_options(base(n_draws=50), [asked()], held(1e9))["solved"].to_pylist()
    assert has_code(few_draws[0]["reason"], "solve_risk_too_small")


def refused(ground, option, limits):
    """Return the codes of the faults of an option that asks."""
    with pytest.raises(InvalidOptionsError) as found:
        compare_options(ground, [option], limits)
    return [one.code for one in found.value.faults]


def test_a_question_that_the_season_cannot_answer_is_refused():
    ground = base(n_draws=50)
    limits = held(middle(ground))
    assert refused(ground, asked(), ()) == ["no_limit"]
    assert refused(ground, asked(limit="kpet"), limits) == ["unknown_limit"]
    assert refused(ground, asked(areas=("XX",)), limits) == ["unknown_area"]
    both = asked(limit="other", areas=("XX", "VEL"))
    assert refused(ground, both, limits) == ["unknown_area", "unknown_limit"]
    assert refused(ground, asked(risk=0.05), limits) == ["risk_too_small"]
    unlike = held(10.0, quantity="bycatch_fish")
    assert refused(ground, asked(), unlike) == ["limit_not_projected"]
    shut = Change(close_from=THROUGH + dt.timedelta(days=1))
    assert refused(ground, asked(changes=(shut,)), limits) == ["areas_closed"]
    past = Change(close_from=THROUGH)
    assert refused(ground, asked(changes=(past,)), limits) == ["day_passed"]
    many = np.full_like(ground.uncapped_mean, np.nan)
    unknown = replace(ground, uncapped_mean=many)
    assert refused(unknown, asked(Find.DAILY_LIMIT), limits) == ["rule_unknown"]
    over = replace(ground, days=ground.days[:0])
    assert refused(over, asked(), limits) == ["no_day_left"]


def test_a_rule_without_effect_is_said_by_its_code():
    ground = base(n_draws=50)
    elsewhere = held(middle(ground, areas=("OMB",)), areas=("OMB",))
    option = asked(areas=("VEL",))
    tables = solved_options(ground, [option], elsewhere)
    assert {row["reason"] for row in tables["solved"].to_pylist()} == {"solve_no_effect"}
    assert len(unanswered(tables)) == 1
    assert tables["risk_curve"].num_rows == 0
    assert unanswered(solved_options(ground, [asked()], elsewhere[:0] + held(1e9))) == []


def test_closing_one_area_may_add_fish_where_its_trips_go():
    ground = base()
    rate = ground.rate.copy()
    rate[:, 0] *= 3  # many more fish a trip in OMB
    ground = replace(ground, rate=rate)
    limits = held(middle(ground, "encounter_fish", part=1.0), AREAS, "encounter_fish")
    option = asked(areas=("VEL",), to_other_areas_prop=0.9)
    question = Question(SeasonProjector(ground), option, limits)
    counts = question.risks.counts
    assert not question.risks.is_monotone
    assert counts[0] > counts[-1]  # closed at once: more draws over than as planned


def test_several_limits_are_kept_together():
    ground = base()
    limits = (
        *held(middle(ground)),
        *held(
            middle(ground, "released_sublegal_fish"), quantity="released_sublegal_fish", name="s"
        ),
    )
    scale = SeasonProjector(ground)
    both = ChoiceScale(scale, limits).choices(Find.CLOSE, Option("x"), AREAS)
    single = [ChoiceScale(scale, [one]).choices(Find.CLOSE, Option("x"), AREAS) for one in limits]
    assert (both.over == (single[0].over | single[1].over)).all()


RULES = ("daily_limit_fish", "open_weekdays", "min_length_mm", "marked_from")


def frontier_of(ground, option, limits):
    return solved_options(ground, [option], limits, names=("frontier",))["frontier"].to_pylist()


def beats(one, other):
    """Return whether a point leaves no less at no higher a chance, and is better on one."""
    names = ("angler_trips", "kept_fish")
    no_less = all(one[name] >= other[name] * (1 - 1e-6) for name in names)
    more = any(one[name] > other[name] * (1 + 1e-6) for name in names)
    return (
        no_less and one["prob"] <= other["prob"] and (more or one["prob"] < other["prob"] - 1e-12)
    )


@pytest.mark.parametrize(
    "response", [{}, {"to_other_areas_prop": 0.4}, {"to_other_days_prop": 0.5}]
)
def test_a_point_of_the_frontier_is_what_the_option_of_its_rules_gives(response):
    ground = base(n_draws=60)
    limits, option = held(middle(ground)), asked(areas=("VEL",), **response)
    rows = frontier_of(ground, option, limits)
    kinds = {tuple(row[name] is not None for name in RULES) for row in rows}
    assert len(kinds) == 5  # the closing dates alone, and beside them every other rule
    for row in rows[:: len(rows) // 12]:
        one = replace(with_point(option, row), name="as found")
        found = compare_options(ground, [one] if one.changes else [], limits)
        chance = found.limit_exceedance["prob_exceeded_by_close"].to_pylist()[-1]
        assert row["prob"] == pytest.approx(chance, abs=1e-12)
        figures = [line for line in found.figures.to_pylist() if line["area"] is None]
        for name in ("angler_trips", "kept_fish"):
            totals = [line["estimate"] for line in figures if line["quantity"] == name]
            assert row[name] == pytest.approx(totals[-1], rel=1e-5)


def test_a_point_is_dominated_where_another_beats_it_and_only_then():
    ground = base(n_draws=100)
    rows = frontier_of(ground, asked(), held(middle(ground)))
    dominated = [any(beats(one, row) for one in rows) for row in rows]
    assert [row["is_dominated"] for row in rows] == dominated
    assert 1 < sum(dominated) < len(rows)


def test_the_frontier_goes_with_every_rule_that_is_asked_for():
    ground = base(n_draws=60)
    limits = held(middle(ground))
    found = [frontier_of(ground, asked(find), limits) for find in Find]
    assert all(rows == found[0] for rows in found)


def test_a_rule_that_the_data_say_nothing_of_is_not_in_the_grid():
    ground = base(n_draws=60)
    unknown = replace(ground, uncapped_mean=np.full_like(ground.uncapped_mean, np.nan))
    rows = frontier_of(unknown, asked(), held(middle(ground)))
    assert {row["daily_limit_fish"] for row in rows} == {None}


def test_a_question_stands_in_a_file_and_its_faults_are_named():
    text = '[[option]]\nname = "A"\nsolve = {find = "close", limit = "L1", risk = 0.1}\n'
    found = read_options(text)
    assert found.options[0].solve == Solve(Find.CLOSE, 0.1, "L1")
    assert read_options(write_options(found)) == found
    for wrong, code in {
        '{find = "close", risk = 0}': "greater_than",
        '{find = "close", risk = 1.0}': "less_than",
        '{find = "dates", risk = 0.1}': "enum",
        "{risk = 0.1}": "missing",
        '{find = "close", risk = 0.1, lim = "L1"}': "unknown_key",
        '{find = "close", risk = 0.1, areas = []}': "too_short",
        '{find = "close", risk = 0.1, limit = ""}': "string_too_short",
        '"close"': "dataclass_type",
    }.items():
        with pytest.raises(InvalidOptionsError) as refused:
            read_options(f'[[option]]\nname = "A"\nsolve = {wrong}\n')
        assert [one.code for one in refused.value.faults] == [code]

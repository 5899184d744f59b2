"""How far a rule may go on a season: answers against all choices compared one by one, and laws.

The choices are written out here again, each is compared as an option of its own, and the answer is
picked by a plain loop.
"""

from __future__ import annotations

import datetime as dt
from functools import cache
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.options.baseline import Limit
from analytics.options.compare import compare_options
from analytics.options.option import Change, Find, Option, Solve
from analytics.options.solve import solved_options
from tests.season_cases import THROUGH, small_baseline

few = settings(max_examples=15, deadline=None)
N_DRAWS, N_DAYS = 80, 14
RISKS = (0.05, 0.1, 0.2, 0.5)
WHERE = ("VEL",)
DAYS = [THROUGH + dt.timedelta(days=at + 1) for at in range(N_DAYS)]
SETS = ["".join(days) for n in range(1, 8) for days in combinations("1234567", n)]
#: Every choice of each rule from strict to generous, as a change; None as it stands.
CHOICES = {
    Find.CLOSE: {day.isoformat(): Change(WHERE, close_from=day) for day in DAYS} | {"": None},
    Find.MARKED: {
        day.isoformat(): Change(WHERE, first_day=day, mark_selective=True) for day in DAYS
    }
    | {"": None},
    Find.DAILY_LIMIT: {str(one): Change(WHERE, daily_limit_fish=one) for one in range(11)},
    Find.MIN_LENGTH: {
        f"{one}": Change(WHERE, min_length_mm=float(one)) for one in range(660, 459, -20)
    },
    Find.WEEKDAYS: {one: Change(WHERE, open_weekdays=one) for one in SETS},
}


@cache
def ground():
    return small_baseline(n_draws=N_DRAWS, n_weeks=2, n_closed_weeks=0)


@cache
def limits():
    """Return a limit of each kind of fish between what is so far and what is to come."""
    whole = compare_options(ground(), (), ())
    ends = {
        row["quantity"]: row["estimate"]
        for row in whole.figures.to_pylist()
        if row["area"] == "VEL"
    }
    start = ground().areas.index("VEL")
    found = {}
    for name in ("kept_fish", "released_sublegal_fish"):
        so_far = float(ground().to_date[name][:, start].mean())
        found[name] = Limit(name, WHERE, (name,), so_far + 0.7 * (ends[name] - so_far))
    return found


@cache
def compared(find, quantity):
    """Return how many draws exceed at each choice, and its trips, each an option of its own."""
    found = {}
    for value, change in CHOICES[find].items():
        option = Option("One", () if change is None else (change,))
        made = compare_options(ground(), [option] if change else [], [limits()[quantity]])
        chance = made.limit_exceedance["prob_exceeded_by_close"].to_pylist()[-1]
        trips = [
            row["estimate"]
            for row in made.figures.to_pylist()
            if row["area"] is None and row["quantity"] == "angler_trips"
        ]
        found[value] = round(chance * N_DRAWS), trips[-1]
    return found


def answers(find, quantity, risk=0.1):
    asked = Option("x", solve=Solve(find, risk, quantity, WHERE))
    rows = solved_options(ground(), [asked], [*limits().values()])["solved"].to_pylist()
    return {row["risk"]: row for row in rows}


@pytest.mark.parametrize("quantity", ["kept_fish", "released_sublegal_fish"])
@pytest.mark.parametrize("find", list(Find))
def test_an_answer_is_the_most_generous_of_all_choices_compared_one_by_one(find, quantity):
    every, found = compared(find, quantity), answers(find, quantity)
    for risk in RISKS:
        row = found[risk]
        if row["reason"] == "solve_no_effect":
            assert len({count for count, _ in every.values()}) == 1
            continue
        keeps = {value: count <= risk * N_DRAWS + 1e-9 for value, (count, _) in every.items()}
        within = [value for value, kept in keeps.items() if kept]
        if not within:
            assert (row["reason"], row["value"]) == ("solve_none", None)
            assert row["prob"] == min(count for count, _ in every.values()) / N_DRAWS
        elif find is Find.WEEKDAYS:
            most = max(every[value][1] for value in within)
            assert every[row["value"]][1] == pytest.approx(most, rel=1e-6)
            assert row["value"] in within
        elif all(list(keeps.values())[: len(within)]):
            assert row["value"] == within[-1]
            assert row["prob"] == every[within[-1]][0] / N_DRAWS
        else:
            assert row["reason"] == "solve_set"
            assert row["values_within"] == "; ".join(one or "as planned" for one in within)


def test_every_rule_has_an_answer_between_its_ends():
    found = {find: answers(find, "kept_fish").values() for find in Find}
    reasons = {find: {row["reason"] for row in rows} for find, rows in found.items()}
    assert [find for find in Find if "solve_found" not in reasons[find]] == []


@few
@given(st.sampled_from(list(Find)), st.floats(0.04, 0.95), st.floats(0.04, 0.95))
def test_a_laxer_risk_never_has_a_stricter_answer(find, one, other):
    low, high = sorted((one, other))
    strict, lax = (answers(find, "kept_fish", risk)[risk] for risk in (low, high))
    if find is Find.WEEKDAYS:
        trips = [row["angler_trips"] if row["value"] else 0.0 for row in (strict, lax)]
        assert trips[0] <= trips[1] * (1 + 1e-9)
        return
    order = list(CHOICES[find])
    places = [
        order.index(row["value"]) if row["value"] is not None else -1 for row in (strict, lax)
    ]
    assert places[0] <= places[1]
    assert places[0] < 0 or strict["prob"] <= low


@few
@given(st.sampled_from(list(Find)), st.floats(0.04, 0.95))
def test_the_same_question_twice_has_the_same_answer(find, risk):
    asked = [Option("x", solve=Solve(find, risk, "kept_fish", WHERE))]
    first, second = (solved_options(ground(), asked, [*limits().values()]) for _ in range(2))
    assert first == second

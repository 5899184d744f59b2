"""Rules of an area day by day under an option, and what is refused."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from analytics.codes import has_code, parse
from analytics.options.compare import compare_options
from analytics.options.option import TODAY, AtLimit, Change, Option
from analytics.options.option_file import InvalidOptionsError
from analytics.options.regulations import option_plan, today_plan
from analytics.weeks import weekday_of
from tests.season_cases import THROUGH, rules_of, small_baseline

BASE = small_baseline(n_draws=20)
WEEKENDS = small_baseline(n_draws=20, weekdays="67")
N_OPEN, N = 42, 56


def day(number: int) -> dt.date:
    return THROUGH + dt.timedelta(days=number)


def opens(*changes, base=BASE, area=0):
    """Return the numbers of the open days, the first day to come being 1."""
    plan = option_plan(base, Option("one", changes), area)
    return (np.flatnonzero(plan.is_open) + 1).tolist()


def days(first, last, *digits):
    """Return day numbers, of some weekdays; day 1 is a Monday."""
    return [n for n in range(first, last + 1) if not digits or (n - 1) % 7 + 1 in digits]


def test_weekdays_are_those_of_the_calendar():
    found = weekday_of(np.array(["2036-01-28", "1969-12-31", "2000-02-29"], "datetime64[D]"))
    assert found.tolist() == [1, 3, 2]


def test_today_is_as_the_season_has_it():
    for base in (BASE, WEEKENDS):
        for area in range(2):
            plan = today_plan(base, area)
            assert (plan.is_open == base.rules.is_open[area]).all()
            assert plan.is_as(option_plan(base, Option("none"), area))


def test_closing_from_a_day_on():
    assert opens(Change(close_from=day(10))) == days(1, 9)
    assert opens(Change(close_from=day(10), last_day=day(12))) == days(1, 9) + days(13, 42)
    assert opens(Change(("VEL",), close_from=day(10))) == days(1, 42)
    assert opens(Change(("VEL",), close_from=day(10)), area=1) == days(1, 9)
    assert opens(Change(close_from=day(10), reopen_from=day(20))) == days(1, 9) + days(20, 42)


def test_opening_past_the_planned_close():
    assert opens(Change(open_through=day(45))) == days(1, 45)
    assert opens(Change(open_through=day(20))) == days(1, 42)
    assert opens(Change(open_through=day(56)), base=WEEKENDS) == days(1, 56, 6, 7)
    assert opens(Change(close_from=day(10), reopen_from=day(40), open_through=day(50))) == days(
        1, 9
    ) + days(40, 50)


def test_days_of_the_week():
    assert opens(Change(open_weekdays="67")) == days(1, 42, 6, 7)
    assert opens(Change(open_weekdays="67", first_day=day(8))) == days(1, 7) + days(8, 42, 6, 7)
    # More days than today's: from the first week on, through the planned close.
    assert opens(Change(open_weekdays="567"), base=WEEKENDS) == days(1, 42, 5, 6, 7)
    assert opens(Change(open_weekdays="1", open_through=day(50)), base=WEEKENDS) == days(1, 50, 1)


def test_a_season_that_closes_and_opens_again_stays_so():
    is_open = np.zeros((2, N), dtype=bool)
    is_open[:, :7] = is_open[:, 28:35] = True
    base = replace(BASE, rules=rules_of(is_open))
    assert opens(base=base) == days(1, 7) + days(29, 35)
    assert opens(Change(open_weekdays="1"), base=base) == [1, 29]
    assert opens(Change(reopen_from=day(20)), base=base) == days(1, 7) + days(20, 35)


@pytest.mark.parametrize("shut", [(1, 3), (12, 17)])
def test_days_of_the_week_open_no_short_closure(shut):
    # Every day of the week is open today: naming them all changes nothing, reopening does.
    is_open = BASE.rules.is_open.copy()
    is_open[:, shut[0] - 1 : shut[1]] = False
    base = replace(BASE, rules=rules_of(is_open))
    today = [n for n in days(1, N_OPEN) if not shut[0] <= n <= shut[1]]
    assert opens(Change(open_weekdays="1234567"), base=base) == today
    assert opens(Change(open_weekdays="67"), base=base) == [
        n for n in today if n in days(1, N, 6, 7)
    ]
    assert opens(Change(reopen_from=day(shut[0])), base=base) == days(1, N_OPEN)


def test_days_of_the_week_open_none_before_an_opening_begins():
    # Weekends alone are open; whether weekdays before the first could be is for its opening to say.
    begins = rules_of(np.zeros((2, 1), dtype=bool))
    later = replace(WEEKENDS, rules_to_date=begins)
    assert opens(Change(open_weekdays="567"), base=WEEKENDS)[0] == 5
    assert opens(Change(open_weekdays="567"), base=later) == [6, 7, *days(8, N_OPEN, 5, 6, 7)]
    assert opens(Change(open_weekdays="123"), base=later) == days(8, N_OPEN, 1, 2, 3)


def test_an_opening_of_some_days_runs_up_to_one_of_all():
    is_open = WEEKENDS.rules.is_open.copy()
    is_open[:, 14:N_OPEN] = True
    base = replace(WEEKENDS, rules=rules_of(is_open))
    assert opens(Change(open_weekdays="1234567"), base=base) == days(1, N_OPEN)


def test_changes_follow_each_other():
    plan = option_plan(
        BASE,
        Option(
            "two",
            (
                Change(daily_limit_fish=1),
                Change(daily_limit_fish=3, first_day=day(8), last_day=day(9)),
            ),
        ),
        0,
    )
    limits = [plan.regulations[place].limit for place in plan.regulation]
    assert limits[:10] == [1] * 7 + [3, 3, 1]
    factor = option_plan(
        BASE, Option("two", (Change(effort_factor=2.0), Change(effort_factor=0.25))), 0
    ).factor
    assert set(factor) == {0.5}


def test_stopping_at_todays_limit_is_todays_rule():
    option = Option("same", (Change(daily_limit_fish=2, at_limit=AtLimit.STOP),))
    assert option_plan(BASE, option, 0).is_as(today_plan(BASE, 0))


def test_rules_of_closed_days_do_not_count():
    option = Option("late", (Change(daily_limit_fish=1, first_day=day(50)),))
    assert option_plan(BASE, option, 0).is_as(today_plan(BASE, 0))


def test_a_rule_in_the_middle_of_a_week_makes_two_segments():
    today = today_plan(BASE, 0)
    plan = option_plan(BASE, Option("mid", (Change(daily_limit_fish=1, first_day=day(10)),)), 0)
    found = plan.periods(BASE.week, today)
    assert [(one.week, len(one.days)) for one in found[:4]] == [(0, 7), (1, 2), (1, 5), (2, 7)]
    assert [n for one in found for n in one.days] == list(range(N_OPEN))


def option(*changes, **given):
    return Option("one", changes, **given)


RATE = {"size_class": "legal", "method": "any", "wound_class": "any", "rate_prop": 0.1}
REFUSED = [
    ("unknown_area", option(Change(("XXX",), close_from=day(5)))),
    ("no_change", option(Change(("VEL",), first_day=day(3)))),
    ("no_change", option(Change(method_mix={}))),
    ("day_passed", option(Change(close_from=THROUGH))),
    ("day_beyond", option(Change(open_through=day(91)))),
    ("days_reversed", option(Change(first_day=day(9), last_day=day(8), close_from=day(9)))),
    ("reopening_reversed", option(Change(close_from=day(5), reopen_from=day(5)))),
    ("closed_and_open", option(Change(close_from=day(5), open_through=day(50)))),
    ("nothing_to_reopen", option(Change(reopen_from=day(51)))),
    ("reopening_reversed", option(Change(reopen_from=day(51), open_through=day(50)))),
    ("string_pattern_mismatch", option(Change(open_weekdays="678"))),
    ("repeated", option(Change(open_weekdays="667"))),
    ("greater_than_equal", option(Change(effort_factor=-1.0))),
    ("greater_than_equal", option(Change(daily_limit_fish=-1))),
    ("stop_at_0", option(Change(daily_limit_fish=0, at_limit=AtLimit.STOP))),
    ("greater_than_equal", option(Change(min_length_mm=-5.0))),
    ("length_range", option(Change(min_length_mm=22.0))),
    ("length_range", option(Change(min_length_mm=58.0))),
    ("length_range", option(Change(min_length_mm=1201.0))),
    ("length_range", option(Change(min_length_mm=0.0))),
    ("rate_error", option(Change(release_rates=(RATE | {"rate_se": 0.3},)))),
    ("rate_error", option(Change(release_rates=(RATE | {"rate_prop": 1.0, "rate_se": 0.1},)))),
    ("unknown_method", option(Change(method_mix={"netting": 1.0}))),
    ("less_than_equal", option(Change(method_mix={"mooching": 1.5, "trolling": -0.5}))),
    ("shares_sum", option(Change(method_mix={"mooching": 0.5, "trolling": 0.4}))),
    (
        "missing",
        option(Change(release_rates=({k: v for k, v in RATE.items() if k != "rate_prop"},))),
    ),
    ("literal_error", option(Change(release_rates=(RATE | {"size_class": "big"},)))),
    ("unknown_method", option(Change(release_rates=(RATE | {"method": "netting"},)))),
    ("less_than_equal", option(Change(release_rates=(RATE | {"rate_prop": 10},)))),
    ("greater_than_equal", option(Change(release_rates=(RATE | {"rate_se": -0.1},)))),
    ("greater_than_equal", option(elasticity=-1.0)),
    ("finite_number", option(elasticity=float("nan"))),
    ("less_than_equal", option(to_other_areas_prop=2.0)),
    ("displaced_sum", option(to_other_areas_prop=0.6, to_other_days_prop=0.6)),
    ("not_plain", Option("  ")),
    ("name_of_today", Option(TODAY, (Change(close_from=day(5)),))),
]


@pytest.mark.parametrize(("code", "refused"), REFUSED)
def test_what_cannot_be_compared_is_refused(code, refused):
    with pytest.raises(InvalidOptionsError) as error:
        compare_options(BASE, [refused], ())
    assert error.value.faults[0].code == code


@pytest.mark.parametrize(("length", "hint"), [(22.0, "22 in = 559 mm"), (58.0, "58 cm = 580 mm")])
def test_a_length_in_another_unit_is_said_in_mm(length, hint):
    with pytest.raises(InvalidOptionsError, match=hint):
        compare_options(BASE, [option(Change(min_length_mm=length))], ())


def test_every_fault_has_its_place():
    wrong = option(Change(close_from=day(5)), Change(daily_limit_fish=-1))
    late = Option("late", (Change(close_from=day(91)),))
    for options, places in (
        ([wrong], ['option 1 "one", change 2']),
        ([option(), option()], [""]),
        ([option(), late, option(Change())], [""]),
        ([option(Change()), late], ['option "one", change 1', 'option "late", change 1']),
    ):
        with pytest.raises(InvalidOptionsError) as error:
            compare_options(BASE, options, ())
        assert [one.place for one in error.value.faults] == places


def test_what_the_data_cannot_tell_is_refused():
    nan = np.full_like(BASE.uncapped_mean, np.nan)
    few = {("VEL", "legal"): np.full(29, 600.0), ("", "legal"): np.full(29, 600.0)}
    classes = dict.fromkeys(BASE.class_per_fish, nan)
    unseen = BASE.by_method.copy()
    unseen[:, :, 1] = 0
    cases = [
        (replace(BASE, lengths=few), Change(min_length_mm=600), "few_lengths"),
        (replace(BASE, lengths=few), Change(min_length_mm=500), "few_lengths"),
        (replace(BASE, uncapped_mean=nan), Change(daily_limit_fish=1), "catch_unknown"),
        (replace(BASE, class_per_fish=classes), Change(mark_selective=True), "marks_unknown"),
        (replace(BASE, class_per_fish={}), Change(mark_selective=True), "marks_unknown"),
        (replace(BASE, by_method=unseen), Change(method_mix={"trolling": 1.0}), "method_unseen"),
    ]
    for base, change, code in cases:
        with pytest.raises(InvalidOptionsError) as error:
            compare_options(base, [option(change)], ())
        assert {one.code for one in error.value.faults} == {code}
    # Nothing is asked of the data where nothing would change.
    compare_options(replace(BASE, lengths=few), [option(Change(min_length_mm=559))], ())
    compare_options(
        replace(BASE, class_per_fish=classes), [option(Change(mark_selective=False))], ()
    )


def test_lengths_of_all_areas_stand_in_for_too_few():
    lengths = {("", "legal"): BASE.lengths["", "legal"], ("OMB", "legal"): np.array([600.0])}
    found = compare_options(replace(BASE, lengths=lengths), [option(Change(min_length_mm=600))], ())
    words = found.assumptions["assumption"].to_pylist()
    (code,) = parse(next(one for one in words if has_code(one, "minimum_longer")))
    assert (code["area"], code["length"], code["span"]) == ("OMB", "600", "all_areas")

"""Rules of an area day by day under an option, and what is refused."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from analytics.errors import UsageError
from analytics.options.compare import TODAY, compare_options
from analytics.options.option import AtLimit, Change, Option
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
    assert opens(Change(close=day(10))) == days(1, 9)
    assert opens(Change(close=day(10), last=day(12))) == days(1, 9) + days(13, 42)
    assert opens(Change(("VEL",), close=day(10))) == days(1, 42)
    assert opens(Change(("VEL",), close=day(10)), area=1) == days(1, 9)
    assert opens(Change(close=day(10), reopen=day(20))) == days(1, 9) + days(20, 42)


def test_opening_past_the_planned_close():
    assert opens(Change(open=day(45))) == days(1, 45)
    assert opens(Change(open=day(20))) == days(1, 42)
    assert opens(Change(open=day(56)), base=WEEKENDS) == days(1, 56, 6, 7)
    assert opens(Change(close=day(10), reopen=day(40), open=day(50))) == days(1, 9) + days(40, 50)


def test_days_of_the_week():
    assert opens(Change(weekdays="67")) == days(1, 42, 6, 7)
    assert opens(Change(weekdays="67", first=day(8))) == days(1, 7) + days(8, 42, 6, 7)
    # More days than today's: from the first week on, through the planned close.
    assert opens(Change(weekdays="567"), base=WEEKENDS) == days(1, 42, 5, 6, 7)
    assert opens(Change(weekdays="1", open=day(50)), base=WEEKENDS) == days(1, 50, 1)


def test_a_season_that_closes_and_opens_again_stays_so():
    is_open = np.zeros((2, N), dtype=bool)
    is_open[:, :7] = is_open[:, 28:35] = True
    base = replace(BASE, rules=rules_of(is_open))
    assert opens(base=base) == days(1, 7) + days(29, 35)
    assert opens(Change(weekdays="1"), base=base) == [1, 29]
    assert opens(Change(reopen=day(20)), base=base) == days(1, 7) + days(20, 35)


def test_changes_follow_each_other():
    plan = option_plan(
        BASE,
        Option(
            "two",
            (Change(daily_limit_fish=1), Change(daily_limit_fish=3, first=day(8), last=day(9))),
        ),
        0,
    )
    limits = [plan.regimes[place].limit for place in plan.regime]
    assert limits[:10] == [1] * 7 + [3, 3, 1]
    factor = option_plan(
        BASE, Option("two", (Change(effort_factor=2.0), Change(effort_factor=0.25))), 0
    ).factor
    assert set(factor) == {0.5}


def test_stopping_at_todays_limit_is_todays_rule():
    option = Option("same", (Change(daily_limit_fish=2, at_limit=AtLimit.STOP),))
    assert option_plan(BASE, option, 0).is_as(today_plan(BASE, 0))


def test_rules_of_closed_days_do_not_count():
    option = Option("late", (Change(daily_limit_fish=1, first=day(50)),))
    assert option_plan(BASE, option, 0).is_as(today_plan(BASE, 0))


def test_a_rule_in_the_middle_of_a_week_makes_two_segments():
    today = today_plan(BASE, 0)
    plan = option_plan(BASE, Option("mid", (Change(daily_limit_fish=1, first=day(10)),)), 0)
    found = plan.segments(BASE.week, today)
    assert [(one.week, len(one.days)) for one in found[:4]] == [(0, 7), (1, 2), (1, 5), (2, 7)]
    assert [n for one in found for n in one.days] == list(range(N_OPEN))


def option(*changes, **given):
    return Option("one", changes, **given)


RATE = {"size_class": "legal", "method": "any", "wound_class": "any", "rate_prop": 0.1}
REFUSED = {
    'area "XXX" is not one of the season\'s; it has OMB, VEL': option(
        Change(("XXX",), close=day(5))
    ),
    "it changes nothing": option(Change(("VEL",), first=day(3))),
    "changes nothing: say": option(Change(method_mix={})),
    "close_from is 2036-01-27; the totals so far run through": option(Change(close=THROUGH)),
    "open_through is 2036-04-27; the outlook ends on 2036-03-23": option(Change(open=day(91))),
    "last_day is 2036-02-04, before first_day is 2036-02-05": option(
        Change(first=day(9), last=day(8), close=day(9))
    ),
    "reopen_from is 2036-02-01, not after close_from is 2036-02-01": option(
        Change(close=day(5), reopen=day(5))
    ),
    "no planned open day from 2036-03-18 on (reopen_from): say": option(Change(reopen=day(51))),
    "open_through is 2036-03-17, before reopen_from": option(Change(reopen=day(51), open=day(50))),
    'open_weekdays "678" holds "8"': option(Change(weekdays="678")),
    'open_weekdays "667" names a day twice': option(Change(weekdays="667")),
    "effort_factor is -1": option(Change(effort_factor=-1.0)),
    "daily_limit_fish is -1": option(Change(daily_limit_fish=-1)),
    "no one who stops at it would fish": option(Change(daily_limit_fish=0, at_limit=AtLimit.STOP)),
    "min_length_mm is -5; lengths are in mm, from 200 to 1,200": option(Change(min_length_mm=-5.0)),
    "min_length_mm is 22; lengths are in mm, from 200 to 1,200: 22 in = 559 mm": option(
        Change(min_length_mm=22.0)
    ),
    "from 200 to 1,200: 58 cm = 580 mm": option(Change(min_length_mm=58.0)),
    "min_length_mm is 1201;": option(Change(min_length_mm=1201.0)),
    "min_length_mm is 0;": option(Change(min_length_mm=0.0)),
    "rate_se of a release rate is 0.3 where rate_prop is 0.1; a rate": option(
        Change(release_rates=(RATE | {"rate_se": 0.3},))
    ),
    "a rate of 0 or 1 has none": option(
        Change(release_rates=(RATE | {"rate_prop": 1.0, "rate_se": 0.1},))
    ),
    'method "netting" is not one of those seen so far: mooching, trolling': option(
        Change(method_mix={"netting": 1.0})
    ),
    "the share of mooching is 1.5": option(Change(method_mix={"mooching": 1.5, "trolling": -0.5})),
    "add up to 0.9": option(Change(method_mix={"mooching": 0.5, "trolling": 0.4})),
    "a release rate lacks rate_prop": option(
        Change(release_rates=({k: v for k, v in RATE.items() if k != "rate_prop"},))
    ),
    'size_class "big" of a release rate; allowed: legal': option(
        Change(release_rates=(RATE | {"size_class": "big"},))
    ),
    'method "netting" of a release rate; allowed: any, mooching': option(
        Change(release_rates=(RATE | {"method": "netting"},))
    ),
    "rate_prop of a release rate is 10": option(Change(release_rates=(RATE | {"rate_prop": 10},))),
    "rate_se of a release rate is -0.1": option(Change(release_rates=(RATE | {"rate_se": -0.1},))),
    "elasticity -1": option(elasticity=-1.0),
    "elasticity nan": option(elasticity=float("nan")),
    "to_other_areas_prop is 2": option(to_other_areas_prop=2.0),
    "add up to 1.2": option(to_other_areas_prop=0.6, to_other_days_prop=0.6),
    "without a name": Option("  "),
    "has changes; that name is for today's rule": Option(TODAY, (Change(close=day(5)),)),
}


@pytest.mark.parametrize("words", REFUSED)
def test_what_cannot_be_weighed_is_refused_in_words(words):
    with pytest.raises(UsageError) as error:
        compare_options(BASE, [REFUSED[words]], ())
    assert words in str(error.value)


def test_the_place_of_a_fault_is_told():
    wrong = option(Change(close=day(5)), Change(daily_limit_fish=-1))
    with pytest.raises(UsageError, match='option "one", change 2: '):
        compare_options(BASE, [wrong], ())
    with pytest.raises(UsageError, match='two options are called "one"'):
        compare_options(BASE, [option(), option()], ())


def test_what_the_data_cannot_tell_is_refused():
    nan = np.full_like(BASE.wanted_mean, np.nan)
    few = {("VEL", "legal"): np.full(29, 600.0), ("", "legal"): np.full(29, 600.0)}
    classes = dict.fromkeys(BASE.class_per_fish, nan)
    unseen = BASE.by_method.copy()
    unseen[:, :, 1] = 0
    cases = [
        (replace(BASE, lengths=few), Change(min_length_mm=600), "30 legal fish must be measured"),
        (replace(BASE, lengths=few), Change(min_length_mm=500), "test fishing"),
        (replace(BASE, wanted_mean=nan), Change(daily_limit_fish=1), "what boats would keep"),
        (replace(BASE, class_per_fish=classes), Change(mark_selective=True), "marked share"),
        (replace(BASE, class_per_fish={}), Change(mark_selective=True), "marked share"),
        (replace(BASE, by_method=unseen), Change(method_mix={"trolling": 1.0}), "no trip by"),
    ]
    for base, change, words in cases:
        with pytest.raises(UsageError, match=words):
            compare_options(base, [option(change)], ())
    # Nothing is asked of the data where nothing would change.
    compare_options(replace(BASE, lengths=few), [option(Change(min_length_mm=559))], ())
    compare_options(
        replace(BASE, class_per_fish=classes), [option(Change(mark_selective=False))], ()
    )


def test_lengths_of_all_areas_stand_in_for_too_few():
    lengths = {("", "legal"): BASE.lengths["", "legal"], ("OMB", "legal"): np.array([600.0])}
    found = compare_options(replace(BASE, lengths=lengths), [option(Change(min_length_mm=600))], ())
    words = found.assumptions["words"].to_pylist()
    assert any(one.startswith("OMB: a minimum of 600 mm") and "all areas" in one for one in words)

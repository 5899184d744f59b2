"""Rules of a day from a bulletin's openings, units of a reader's choice, and what is published."""

from __future__ import annotations

from datetime import date

import pytest

from analytics import units
from analytics.bulletin import archive
from analytics.bulletin.build import bulletin_of
from analytics.wording import regulations
from analytics.wording.bulletin_index import index_bulletin
from analytics.wording.regulations import OpenState
from dashboard.local_waters.text import Words
from tests.app.sample_bulletin import NOW, make
from tests.unit.test_bulletin import two_weeks

AFTER = date(2036, 2, 11)  # Monday after the sample's last week


@pytest.fixture(scope="module")
def index():
    return index_bulletin(make(NOW))


@pytest.mark.parametrize(
    ("today", "said_for"),
    [
        (date(2026, 7, 1), AFTER),  # before the season: a demo of another time
        (date(2036, 2, 10), AFTER),  # the bulletin's own last day
        (AFTER, AFTER),
        (date(2036, 3, 4), date(2036, 3, 4)),
        (date(2036, 4, 30), date(2036, 4, 30)),
        (date(2036, 5, 1), date(2036, 5, 1)),  # every area has closed
    ],
)
def test_rules_are_said_for_today_or_for_the_day_after_the_week(index, today, said_for):
    assert regulations.day_said_for(index, today=today) == said_for


@pytest.mark.parametrize(
    ("area", "today", "state", "ahead"),
    [
        ("A1", AFTER, OpenState.OPEN, (AFTER, date(2036, 4, 30))),
        ("A2", AFTER, OpenState.CLOSED_WEEKDAY, (date(2036, 2, 14), date(2036, 4, 27))),
        ("A2", date(2036, 2, 14), OpenState.OPEN, (date(2036, 2, 14), date(2036, 4, 27))),
        # The last open weekday is Sunday 27 April; the days to the written close are none.
        ("A2", date(2036, 4, 28), OpenState.OVER, (None, date(2036, 4, 27))),
        ("A3", AFTER, OpenState.BETWEEN, (date(2036, 3, 1), date(2036, 4, 30))),
        ("A4", AFTER, OpenState.OVER, (None, date(2036, 1, 31))),
        ("A5", AFTER, OpenState.NOT_YET, (date(2036, 2, 16), date(2036, 4, 30))),
        ("A9", AFTER, OpenState.NO_RULES, (None, None)),
    ],
)
def test_an_area_is_open_or_not_and_why(index, area, today, state, ahead):
    rules = regulations.area_rules(index, area, today=today)
    assert rules.state is state
    assert (rules.next_open, rules.season_last_day) == ahead
    assert rules.is_open is (state is OpenState.OPEN)
    assert rules.day == today


def test_rules_of_the_next_opening_hold_between_two(index):
    rules = regulations.area_rules(index, "A3", today=AFTER)
    assert rules.opening.daily_limit_fish == 1
    before = regulations.area_rules(index, "A3", today=date(2026, 1, 1))
    assert before.opening == rules.opening  # said for the day after the bulletin all the same


def test_rules_in_words(index):
    def words(area, today, chosen=units.DEFAULT_UNITS):
        rules = regulations.area_rules(index, area, today=today)
        return regulations.rule_words(rules, chosen).replace("\u00a0", " ")

    assert words("A2", date(2036, 2, 14)) == (
        "open Thu–Sun until 27 April, 2 a day, at least 559 mm (22 in), marked and unmarked fish"
    )
    assert words("A1", AFTER, units.read_units("in.mdy")).startswith(
        "open every day until April 30, 2 a day, at least 22 in (55.9 cm)"
    )
    assert words("A2", AFTER).startswith("closed, opens Thu 14 February: then Thu–Sun until")
    assert words("A5", AFTER).endswith("marked fish only")
    assert words("A4", AFTER) == "closed: the season is over since 31 January"
    assert words("A9", AFTER) == "no rules in this bulletin"
    assert "at least" not in words("A6", AFTER)
    assert regulations.said_for_words(AFTER) == "Monday 11 February 2036"


def test_every_area_of_the_bulletin_has_its_rules(index):
    assert list(regulations.rules_by_area(index, today=AFTER)) == list(index.areas)


def test_an_opening_without_a_close_has_no_last_day():
    opening = regulations.Opening("s", "A", AFTER, None, "67", None, None, None)
    rules = regulations.rules_on([opening], area="A", day=AFTER)
    assert (rules.state, rules.next_open) == (OpenState.CLOSED_WEEKDAY, date(2036, 2, 16))
    assert (rules.last_day, rules.season_last_day) == (None, None)
    words = regulations.rule_words(rules)
    assert words == "closed, opens Sat 16 February: then Sat–Sun"


@pytest.mark.parametrize("mm", [*range(500, 700), 558.8, 559.3])
def test_a_minimum_length_in_inches_lets_no_shorter_fish_pass(mm):
    inches = units.at_least(mm, units.Length.IN)
    assert round(inches * units.MM_AN_INCH) >= mm or inches * units.MM_AN_INCH >= mm
    assert inches * units.MM_AN_INCH < mm + 0.1 * units.MM_AN_INCH
    assert units.at_least(mm, units.Length.CM) == pytest.approx(mm / 10, abs=0.1)
    assert 10 * units.at_least(mm, units.Length.CM) >= mm
    assert units.at_least(mm, units.Length.MM) == mm


def test_a_minimum_length_is_rounded_up_past_whole_inches():
    assert units.both_lengths(559) == "559\u00a0mm (22\u00a0in)"
    assert units.both_lengths(560) == "560\u00a0mm (22.1\u00a0in)"
    in_inches = Words("en", units.read_units("in.lb.dmy"))
    assert in_inches.least_length(562) == "22.2\u00a0in (56.2\u00a0cm)"


def test_lengths_weights_and_dates_in_the_readers_units():
    assert units.length_words(558.8) == "558.8\u00a0mm"
    assert units.length_words(559, units.Length.CM) == "55.9\u00a0cm"
    assert units.length_words(559, units.Length.IN) == "22\u00a0in"
    assert units.both_lengths(620, units.Length.CM) == "62\u00a0cm (24.4\u00a0in)"
    assert units.weight_words(2150, units.Weight.LB) == "4.7\u00a0lb"
    assert units.weight_words(2150, units.Weight.KG) == "2.15\u00a0kg"
    assert units.weight_words(12_000, units.Weight.G) == "12,000\u00a0g"
    assert units.amount(254, units.Length.IN) == pytest.approx(10)
    day = date(2036, 4, 3)
    assert units.day_words(day) == "3 April 2036"
    assert units.day_words(day, units.DateOrder.MDY) == "April 3, 2036"
    assert units.day_words(day, units.DateOrder.YMD, with_year=False) == "2036-04-03"


@pytest.mark.parametrize(
    ("order", "words"),
    [
        ("dmy", ("3 Apr", "3 Apr", "3 – 9 Apr 2036", "30 Apr – 3 May 2036", "3 – 9 Apr")),
        ("mdy", ("Apr 3", "Apr 3", "Apr 3 – 9, 2036", "Apr 30 – May 3, 2036", "Apr 3 – 9")),
        (
            "ymd",
            (
                "2036-04-03",
                "04-03",
                "2036-04-03 – 2036-04-09",
                "2036-04-30 – 2036-05-03",
                "2036-04-03 – 2036-04-09",
            ),
        ),
    ],
)
def test_days_are_said_in_the_order_of_the_thread(order, words):
    units.say_dates_in(units.DateOrder(order))
    try:
        day, end = date(2036, 4, 3), date(2036, 4, 9)
        months = date(2036, 4, 30), date(2036, 5, 3)
        assert words == (
            units.short_day(day),
            units.tick_day(day),
            units.span_words(day, end),
            units.span_words(*months),
            units.span_words(day, end, with_year=False),
        )
        years = units.span_words(date(2035, 12, 31), date(2036, 1, 6))
        assert (
            years
            == {
                "dmy": "31 Dec 2035 – 6 Jan 2036",
                "mdy": "Dec 31, 2035 – Jan 6, 2036",
                "ymd": "2035-12-31 – 2036-01-06",
            }[order]
        )
    finally:
        units.say_dates_in(units.DEFAULT_UNITS.dates)


@pytest.mark.parametrize("code", ["in.lb.mdy", "mm.g.dmy", "cm.kg.ymd"])
def test_a_choice_of_units_is_one_word_of_a_link(code):
    assert units.read_units(code).code == code


def test_a_link_may_name_some_units_in_any_order_and_no_other():
    assert units.read_units("MDY.in").code == "in.g.mdy"
    assert units.read_units("") == units.DEFAULT_UNITS
    assert units.read_units("furlong") is None
    assert units.read_units("in..lb") is None


@pytest.fixture(scope="module")
def made():
    return bulletin_of(two_weeks())


def test_a_bulletin_keeps_the_openings_of_its_season_and_its_landing_sites(made, tmp_path):
    (line,) = made.table("regulations").to_pylist()
    (season,) = two_weeks()["seasons"].to_pylist()
    assert all(season[name] == line[name] for name in line if season[name] is not None)
    assert line["open_weekdays"] == "1234567"  # written out where the store has the default
    assert [one["area"] for one in made.table("landing_sites").to_pylist()] == [line["area"]]
    kept = archive.load(tmp_path, archive.save(tmp_path, made).bulletin)
    assert kept.table("landing_sites").equals(made.table("landing_sites"))

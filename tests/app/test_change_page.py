"""The page Compare rule changes, headless: the form, the link, the files, the answer in words."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pyarrow as pa
import pytest

from analytics.bulletin import archive
from analytics.catch_limits import TOTALS
from analytics.codes import coded, parse
from analytics.codes import sentence as sentence_of
from analytics.documents.rules_in_words import TodaysRules
from analytics.options.baseline_io import to_table
from analytics.options.option import AtLimit, Change, Option, OptionSet
from analytics.options.option_checks import idle_areas
from analytics.options.option_file import from_link, read_options, to_link, write_options
from analytics.options.report import COUNTS
from analytics.options.schemas import ANSWER_SCHEMAS
from analytics.outlook.schemas import OUTLOOK_SCHEMAS
from analytics.palette import palette
from analytics.precision import chance
from analytics.quantities import QUANTITIES
from analytics.wording import bulletin_index
from analytics.wording import limits as standings
from analytics.wording.numbers import MeasuredDifference, Measurement
from dashboard.charts import limits as fanned
from dashboard.charts import rule_changes as dotted
from dashboard.options import compare, fields, option_sets
from dashboard.options import sentences as answer_words
from dashboard.options.option_sets import ChangeKind
from dashboard.season_limits import panels
from tests.app import sample_answers, sample_season
from tests.app.rate_pages import old_archive
from tests.app.reading import table_of, unfold, words_of
from tests.app.sample_answers import CLOSE, IDLE, TODAY, UNSURE
from tests.app.sample_bulletin import AREAS, NOW, make
from tests.app.sample_season import LOST, LOST_CODE
from tests.season_cases import small_baseline

CLOSES = date(2036, 4, 10)
HOLES = {"nan", "None", "inf", "null"}
SET = OptionSet(
    "Two ways",
    (
        Option("Close A2", (Change(areas=("A2",), close_from=date(2036, 3, 3)),)),
        Option(
            "One fish",
            (
                Change(daily_limit_fish=1, at_limit=AtLimit.STOP),
                Change(("A1",), open_weekdays="67"),
            ),
            elasticity=0.4,
            to_other_areas_prop=0.25,
        ),
    ),
    notes="for Tuesday",
)
#: A change of every kind, as the form would make it.
OF_KINDS = {
    ChangeKind.DATES: Change(
        close_from=date(2036, 3, 3), reopen_from=date(2036, 3, 17), open_through=date(2036, 4, 1)
    ),
    ChangeKind.WEEKDAYS: Change(open_weekdays="567"),
    ChangeKind.DAILY: Change(daily_limit_fish=1, at_limit=AtLimit.STOP),
    ChangeKind.LENGTH: Change(min_length_mm=580.5),
    ChangeKind.MARKED: Change(mark_selective=True),
    ChangeKind.METHODS: Change(method_mix={"mooching": 0.25, "trolling": 0.75}),
    ChangeKind.EFFORT: Change(effort_factor=0.85),
    ChangeKind.SPAN: Change(
        first_day=date(2036, 2, 4), last_day=date(2036, 2, 24), effort_factor=0.5
    ),
}
RATE = {
    "size_class": "sublegal",
    "method": "trolling",
    "wound_class": "any",
    "rate_prop": 0.125,
    "rate_se": 0.02,
    "source": "stated",
}


@pytest.fixture
def open_change(opener):
    """Return a function that opens the page with a link, in the archive of the tests or another."""
    return opener("app_pages/compare_rules.py")


@pytest.fixture(scope="module")
def index():
    return bulletin_index.index_bulletin(make(NOW))


@pytest.fixture(scope="module")
def answer():
    return compare.read(sample_answers.tables(), binding="S-1")


def plain(said):
    return said.replace("\\", "").replace("\u00a0", " ")


def link_of(page):
    found = page.query_params["set"]
    return from_link(found[0] if isinstance(found, list) else found)


def widget(kind, end):
    """Return the widget of the form whose key ends so."""
    found = [one for one in kind if str(one.key).endswith(end)]
    assert len(found) == 1
    return found[0]


def press(page, name):
    return widget(page.button, f"press-{name}").click().run()


def sentences(found, area=None, index=None):
    limits = {"S-1": "sublegal releases in Quillon Bank"}
    return plain(answer_words.options_answer(found, limits, area, index)).split("\n\n")


def test_the_page_starts_from_an_example_that_the_link_holds(open_change):
    page = open_change()
    assert not page.exception
    said = plain(words_of(page))
    assert "**Close early**" in said
    assert not HOLES & set(re.split(r"[^\w]+", said))
    one = link_of(page).options[0]
    # The limit reached first is on A1, with an even chance on 14 March: a week before.
    assert one == Option("Close early", (Change(("A1",), close_from=date(2036, 3, 7)),))


def test_the_option_to_start_from_touches_the_limit_reached_first():
    ground = small_baseline(n_draws=5)
    begun = ground.through + timedelta(days=1)
    late, last = begun + timedelta(days=20), option_sets.last_open(ground)

    def close(first):
        (one,) = option_sets.example(ground, first).options
        (change,) = one.changes
        return change.areas, change.close_from

    first = option_sets.FirstLimit
    assert close(first(("VEL",), late)) == (("VEL",), late - timedelta(days=7))
    assert close(first(("VEL",), begun)) == (("VEL",), begun)  # no day before the first to come
    assert close(first(("VEL",), None)) == (("VEL",), last - timedelta(days=14))
    assert close(first(("OMB", "VEL"), late))[0] == ()  # all areas
    assert close(None) == ((), last - timedelta(days=14))


def test_a_pasted_link_opens_the_same_options_and_answer(open_change):
    page = open_change(set=to_link(SET))
    assert not page.exception
    assert link_of(page) == SET
    assert not page.warning
    again = open_change(**dict(page.query_params.items()))
    assert words_of(again) == words_of(page)
    assert plain(words_of(page)).count("<th scope='row'>Close A2") == 1 + 1 + 5  # limits


@pytest.mark.parametrize("kind", list(OF_KINDS))
def test_what_a_link_holds_stands_in_the_form_to_the_last_digit(open_change, kind):
    one = OptionSet("", (Option("x", (OF_KINDS[kind],)),))
    page = open_change(set=to_link(one))
    assert not page.exception
    assert link_of(page) == one
    assert kind in option_sets.kinds_of(OF_KINDS[kind])


def test_release_rates_of_a_link_stand_in_the_form(open_change):
    other = RATE | {"method": "any", "wound_class": "deep"}
    one = OptionSet("", (Option("x", (Change(release_rates=(RATE, other)),)),))
    page = open_change(set=to_link(one))
    assert link_of(page) == one
    assert "1 more row of rates" in plain(words_of(page))
    page = widget(page.number_input, "-rate").set_value(20.0).run()
    assert link_of(page).options[0].changes[0].release_rates[0]["rate_prop"] == 0.2
    assert link_of(page).options[0].changes[0].release_rates[1] == other


@pytest.mark.parametrize("kind", list(ChangeKind))
def test_a_field_that_is_not_touched_changes_nothing(open_change, kind):
    bare = OptionSet("", (Option("x", (Change(),)),))
    page = open_change(set=to_link(bare))
    page = widget(page.get("button_group"), "-kinds").set_value([kind]).run()
    assert not page.exception
    assert link_of(page) == bare
    assert "**x** changes nothing against today's rule" in plain(words_of(page))
    page = widget(page.get("button_group"), "-kinds").set_value([]).run()
    assert link_of(page) == bare


#: What is touched of each kind: its widgets, the end of its key, the value given, what comes of it.
TOUCHED = {
    ChangeKind.DATES: ("date_input", "-close", date(2036, 3, 3), {"close_from": date(2036, 3, 3)}),
    ChangeKind.WEEKDAYS: ("button_group", "-days", ["6", "7"], {"open_weekdays": "67"}),
    ChangeKind.DAILY: ("number_input", "-fish", 1, {"daily_limit_fish": 1}),
    ChangeKind.LENGTH: ("number_input", "-mm", 580.0, {"min_length_mm": 580.0}),
    ChangeKind.MARKED: ("radio", "-marked", "marked", {"mark_selective": True}),
    ChangeKind.METHODS: ("slider", "-mooching", 0, {"method_mix": {"trolling": 1.0}}),
    ChangeKind.EFFORT: ("slider", "-factor", 90.0, {"effort_factor": 0.9}),
    ChangeKind.SPAN: ("date_input", "-first", date(2036, 3, 3), {"first_day": date(2036, 3, 3)}),
}


@pytest.mark.parametrize("kind", list(TOUCHED))
def test_a_field_that_is_touched_changes_that_alone(open_change, kind):
    widgets, end, value, changed = TOUCHED[kind]
    page = open_change(set=to_link(OptionSet("", (Option("x", (Change(),)),))))
    page = widget(page.get("button_group"), "-kinds").set_value([kind]).run()
    page = widget(page.get(widgets), end).set_value(value).run()
    assert not page.exception
    assert link_of(page).options[0].changes == (replace(Change(), **changed),)
    assert option_sets.kinds_of(replace(Change(), **changed)) == [kind]


def test_a_minimum_length_is_given_in_the_unit_of_the_link(open_change):
    asked = OptionSet("", (Option("x", (Change(min_length_mm=559.0),)),))
    page = open_change(set=to_link(asked), units="in.lb.dmy")
    assert widget(page.number_input, "-in").value == 22.0
    assert link_of(page) == asked
    assert "22 in (55.9 cm)" in plain(words_of(page))
    page = widget(page.number_input, "-in").set_value(23.0).run()
    assert link_of(page).options[0].changes[0].min_length_mm == 584.0


def test_how_far_a_minimum_length_may_go_is_drawn_in_the_unit_of_the_link(open_change):
    page = open_change(find="min_length", keep="S-1", risk="0.5", units="in.lb.dmy")
    drawn = [json.loads(one.proto.spec)["layout"]["xaxis"] for one in page.get("plotly_chart")]
    (axis,) = [one for one in drawn if "minimum length, in" in str(one.get("title"))]
    assert 0 < min(map(float, axis["ticktext"])) < max(map(float, axis["ticktext"])) < 60


def test_a_rate_that_is_not_given_changes_nothing_and_one_that_is_stands_beside(open_change):
    page = open_change(set=to_link(OptionSet("", (Option("x", (Change(),)),))))
    page = widget(page.get("button_group"), "-kinds").set_value([ChangeKind.DEATHS]).run()
    assert link_of(page).options[0].changes == (Change(),)
    assert widget(page.number_input, "-rate").placeholder == "now 20\u00a0%"
    page = widget(page.number_input, "-rate").set_value(12.5).run()
    (row,) = link_of(page).options[0].changes[0].release_rates
    assert (row["size_class"], row["method"], row["rate_prop"]) == ("sublegal", "any", 0.125)
    page = widget(page.number_input, "-rate").set_value(None).run()
    assert link_of(page).options[0].changes == (Change(),)


def differing():
    """Return a season whose areas have rules of their own: three of one fish, three of two."""
    ground = small_baseline(n_draws=5, areas=("A1", "A2", "A3", "A4", "A5", "A6"))
    rules = ground.rules
    limits, lengths = rules.daily_limit_fish.copy(), rules.min_length_mm.copy()
    is_open = rules.is_open.copy()
    limits[:3], lengths[5] = 1, np.nan
    is_open[4, 14:] = False
    rules = replace(rules, daily_limit_fish=limits, min_length_mm=lengths, is_open=is_open)
    return replace(ground, rules=rules)


def test_todays_rule_is_said_of_each_area_and_never_as_if_it_held_everywhere():
    ground = differing()
    every = TodaysRules(ground, ())
    assert every.words("daily_limit") == "1 Chinook in 3 areas, 2 in 3"
    named = every.words("daily_limit", are_named=True)
    assert named == "1 Chinook in 3 areas (A1, A2, A3), 2 in 3 (A4, A5, A6)"
    assert every.of_areas("daily_limit") == {"1": ["A1", "A2", "A3"], "2": ["A4", "A5", "A6"]}
    assert every.words("min_length") == "559 mm in 5 areas, no minimum length in 1"
    assert every.words("close").startswith("open through 10 February 2036 in 1 area, ")
    assert TodaysRules(ground, ("A1", "A2")).words("daily_limit") == "1 Chinook"
    assert TodaysRules(ground, ("A2", "A6")).words("daily_limit") == "1 Chinook in 1 area, 2 in 1"


def test_a_rule_that_changes_within_an_area_is_said_in_turn():
    ground = differing()
    limits = ground.rules.daily_limit_fish.copy()
    limits[0, 20:] = 2
    ground = replace(ground, rules=replace(ground.rules, daily_limit_fish=limits))
    assert TodaysRules(ground, ("A1",)).words("daily_limit") == "1, then 2 Chinook"
    assert idle_areas(ground, Change(("A1",), daily_limit_fish=1)) == ()


def test_a_value_that_is_the_rule_of_some_areas_changes_nothing_there():
    ground = differing()
    assert idle_areas(ground, Change(daily_limit_fish=1)) == ("A1", "A2", "A3")
    assert idle_areas(ground, Change(("A3", "A4"), daily_limit_fish=2)) == ("A4",)
    assert idle_areas(ground, Change(min_length_mm=559.0)) == ("A1", "A2", "A3", "A4", "A5", "A6")
    assert idle_areas(ground, Change(close_from=date(2036, 2, 11))) == ("A5",)
    assert idle_areas(ground, Change(mark_selective=True)) == ()


def test_the_form_says_where_a_value_is_todays_rule(open_change):
    one = OptionSet("", (Option("x", (Change(daily_limit_fish=2),)),))
    said = plain(words_of(open_change(set=to_link(one))))
    assert "Today: 2 Chinook. Nothing changes in Quillon Bank, Sorrel Narrows," in said
    fewer = OptionSet("", (Option("x", (Change(daily_limit_fish=1),)),))
    assert "Nothing changes in" not in plain(words_of(open_change(set=to_link(fewer))))


def test_a_moved_widget_changes_the_option_and_its_answer(open_change):
    page = open_change(set=to_link(SET))
    before = words_of(page)
    page = widget(page.date_input, "-close").set_value(date(2036, 2, 20)).run()
    assert link_of(page).options[0].changes[0].close_from == date(2036, 2, 20)
    assert link_of(page).options[1] == SET.options[1]
    assert words_of(page) != before


def test_the_other_option_is_shown_and_keeps_what_the_form_lacks(open_change):
    page = open_change(set=to_link(SET))
    page = widget(page.get("button_group"), "-option").set_value(1).run()
    assert widget(page.number_input, "-fish").value == 1
    assert widget(page.slider, "-elasticity").value == 0.4
    assert link_of(page) == SET
    page = widget(page.text_input, "-name").set_value("close a2").run()
    assert link_of(page).options[1].name == "close a2 (2)"


def test_options_are_added_copied_and_removed(open_change):
    page = press(open_change(set=to_link(SET)), "add")
    assert [one.name for one in link_of(page).options] == ["Close A2", "One fish", "Option 3"]
    assert widget(page.text_input, "-name").value == "Option 3"
    page = press(page, "remove")
    page = press(page, "copy")
    assert link_of(page).options[2] == replace(SET.options[1], name="One fish (2)")
    page = press(page, "less")
    assert len(link_of(page).options[2].changes) == 1
    page = press(page, "more")
    assert link_of(page).options[2].changes[1] == Change()
    while len(link_of(page).options) < option_sets.MOST:
        page = press(page, "add")
    assert option_sets.MOST == 10
    assert widget(page.button, "press-add").disabled
    assert not page.exception


def test_the_last_option_cannot_be_removed(open_change):
    page = press(open_change(set=to_link(SET)), "remove")
    assert widget(page.button, "press-remove").disabled
    assert link_of(page).options == SET.options[1:]


def test_more_trips_than_all_are_not_moved(open_change):
    page = open_change(set=to_link(SET))
    page = widget(page.slider, "0-areas").set_value(80.0).run()
    page = widget(page.slider, "0-days").set_value(60.0).run()
    one = link_of(page).options[0]
    assert (one.to_other_areas_prop, one.to_other_days_prop) == (0.8, 0.2)
    assert "More than all trips" in plain(page.warning[0].value)


def test_a_link_that_was_cut_says_so(open_change):
    page = open_change(set=to_link(SET)[:-9])
    assert not page.exception
    assert "cut short or changed; an example stands in its place" in plain(page.warning[0].value)
    assert link_of(page).options[0].name == "Close early"


def test_an_option_that_cannot_be_weighed_is_refused_in_words(open_change):
    wrong = replace(SET.options[0], name="Elsewhere", changes=(Change(("B9",), open_weekdays="6"),))
    page = open_change(set=to_link(OptionSet("", (wrong, SET.options[1]))))
    assert not page.exception
    shown = plain(page.error[0].value)
    assert shown.startswith("Not compared:")
    assert "B9" in shown
    assert "Elsewhere" in shown
    assert "**One fish**" in plain(words_of(page))
    assert "B9 (not in this season)" in widget(page.multiselect, "-areas").options


def test_too_many_options_are_told(open_change):
    many = OptionSet("", tuple(Option(f"n{at}", (Change(open_weekdays="6"),)) for at in range(12)))
    page = open_change(set=to_link(many))
    assert "12 options were given and the first 10 are shown" in plain(page.warning[0].value)
    assert len(link_of(page).options) == 10


TEN = OptionSet(
    "",
    tuple(
        Option(f"Fewer trips {at}", (Change(effort_factor=round(1 - at / 20, 2)),))
        for at in range(1, 11)
    ),
)


def test_ten_options_have_a_summary_a_short_table_and_one_figure(open_change):
    page = open_change(set=to_link(TEN))
    assert not page.exception
    assert not page.warning
    assert link_of(page) == TEN
    said = plain(words_of(page))
    assert "Of 10 options: " in said
    assert "**Fewer trips 10** saves the most deaths" in said
    keys = [one.key for one in page.get("plotly_chart")]
    assert keys == ["season-shift-angler_trips-all", "season-fan"]
    page = open_change(set=to_link(TEN), count="total_deaths_fish")
    assert not page.warning
    assert page.get("plotly_chart")[0].key == "season-shift-total_deaths_fish-all"
    assert widget(page.get("button_group"), "-option").options[9] == "10 · Fewer trips 10"


def test_the_choice_of_a_figure_makes_no_comparison_anew(open_change, monkeypatch):
    page = open_change(set=to_link(SET))
    made = []
    engine = compare.compare
    monkeypatch.setattr(compare, "compare", lambda *of: made.append(of) or engine(*of))
    page = page.selectbox("limit").set_value("S-3").run()
    page = page.selectbox("under").set_value(TODAY).run()
    assert not page.exception
    assert page.query_params["limit"] in ("S-3", ["S-3"])
    assert page.query_params["under"] in (TODAY, [TODAY])
    assert made == []
    page = widget(page.date_input, "-close").set_value(date(2036, 2, 21)).run()
    assert len(made) == 1  # another option is


def test_a_short_table_has_what_differs_alone(index, answer):
    short = plain(answer_words.decision_table(index, answer, {}, [None], is_short=True))
    whole = plain(answer_words.decision_table(index, answer, {}, [None]))
    assert "24,000" in short  # today's total of deaths
    assert "23,700" in whole
    assert "23,700" not in short
    assert "<b>−320</b><small>−470 to −180</small>" in short


def test_an_option_stands_with_the_rules_it_changes(open_change):
    said = plain(words_of(open_change(set=to_link(SET))))
    assert "Close A2<small>Opening and closing, Sorrel Narrows: closed from 3 March 2036" in said
    assert "<small>Daily limit: 1 Chinook; anglers stop at it</small>" in said
    assert "<small>Days of the week, Quillon Bank: Sat–Sun</small>" in said


def test_how_far_a_rule_may_go_is_answered_and_made_an_option(open_change):
    page = open_change(find="close", keep="all", risk="0.5")
    assert not page.exception
    assert "keeps the chance of exceeding any limit at or below 50 %" in plain(words_of(page))


def test_how_far_is_not_asked_where_no_chance_is_known(open_change, index, tmp_path):
    lines = index.bulletin.table("limit_status").to_pylist()
    lines = [line | {"quantity": "sublegal_prop"} for line in lines]
    status = pa.Table.from_pylist(lines, schema=OUTLOOK_SCHEMAS["limit_status"])
    outlook = {**index.bulletin.outlook, "limit_status": status}
    archive.save(tmp_path, replace(index.bulletin, outlook=outlook))
    page = open_change(folder=tmp_path)
    assert not page.exception
    assert "This cannot be given: the probability of exceeding a limit" in words_of(page)
    assert not any(one.key in ("find", "keep", "risk", "beside") for one in page.selectbox)


def test_the_answer_becomes_an_option(open_change):
    page = open_change(find="close", keep="S-1", risk="0.5")
    before = link_of(page).options
    page = page.button("press-how-far").click().run()
    assert not page.exception
    assert link_of(page).options[:-1] == before
    assert link_of(page).options[-1].changes == (Change(("A1",), close_from=date(2036, 3, 15)),)


def test_a_question_stands_beside_the_changes_of_an_option(open_change):
    busy = Option("Busy", (Change(effort_factor=1.2),), elasticity=0.1)
    asked = {"find": "close", "keep": "S-1", "risk": "0.5", "set": to_link(OptionSet("", (busy,)))}
    alone, page = open_change(**asked), open_change(**asked, beside="Busy")
    assert not page.exception
    chances = [
        [one for one in plain(words_of(of)).splitlines() if "at or below 50 %:" in one]
        for of in (alone, page)
    ]
    assert len(chances[0]) == len(chances[1]) == 1
    assert chances[0] != chances[1]
    page = page.button("press-how-far").click().run()
    made = link_of(page).options[-1]
    assert made.name.startswith("Busy, ")
    assert made.changes[:-1] == busy.changes
    assert (made.elasticity, made.solve) == (0.1, None)
    assert made.changes[-1].close_from < date(2036, 3, 15)  # as it is without the option


def test_the_frontier_is_worked_out_when_opened_and_a_point_becomes_an_option(open_change):
    page = open_change(find="close", keep="S-1", risk="0.5")
    kinds = [one for one in page.get("plotly_chart") if "frontier" in str(one.proto.id)]
    assert not kinds
    page.session_state["frontier-fold"] = True
    page = page.run()
    assert not page.exception
    said = plain(words_of(page))
    assert "Most angler trips at a risk of 50 %" in said
    assert "The chance stays at or below 50 % with: open through" in said
    before = link_of(page).options
    page = page.button("press-point").click().run()
    assert not page.exception
    *held, made = link_of(page).options
    assert tuple(held) == before
    assert made.changes[0].areas == ("A1",)
    assert made.solve is None


def test_many_options_are_summed_up(index, answer):
    said = plain(answer_words.summary(answer, None, index))
    assert said == (
        "Of 3 options: the fewest limits are likely exceeded under **Close <b>VEL</b>**: 1 of 2 "
        "(today 2); **Close <b>VEL</b>** saves the most deaths, −320 (−470 to −180)."
    )
    figures = sample_answers.tables()["figures"].to_pylist()
    none = dict.fromkeys(("difference", "difference_low", "difference_high"), 0.0)
    still = compare.read(sample_answers.tables(figures=[one | none for one in figures]))
    assert "none clearly saves deaths" in answer_words.summary(still, None, index)


def test_the_chosen_area_is_said(open_change):
    said = plain(words_of(open_change(set=to_link(SET), area="A2")))
    assert "**Close A2** (in Sorrel Narrows)" in said


def test_a_season_that_is_over_has_nothing_to_change(open_change):
    page = open_change(season="2034-35")
    assert not page.exception
    assert "is over: there is no day left on which a rule could change" in words_of(page)
    assert not page.slider


def test_a_bulletin_without_draws_says_why(open_change, tmp_path):
    made = make(NOW)
    lacking = {name: one for name, one in made.outlook.items() if name != "draws"}
    archive.save(tmp_path, replace(made, outlook=lacking))
    page = open_change(folder=tmp_path)
    assert not page.exception
    assert "holds no simulations of the rest of the season" in words_of(page)
    assert "made for the public" in words_of(page)  # for it has totals
    rows = [
        one | dict.fromkeys(("estimate", "se", "ci_low", "ci_high")) | {"method": LOST_CODE}
        if one["quantity"] in TOTALS
        else one
        for one in made.rows.to_pylist()
    ]
    bare = replace(made, rows=pa.Table.from_pylist(rows, made.rows.schema), outlook=lacking)
    archive.save(tmp_path / "bare", bare)
    page = open_change(folder=tmp_path / "bare")
    assert not page.exception
    assert f"no total of the season so far can be estimated ({LOST})" in plain(words_of(page))
    assert "public" not in words_of(page)


def test_an_older_bulletin_says_so(open_change, tmp_path):
    page = open_change(folder=old_archive(tmp_path, *OUTLOOK_SCHEMAS))
    assert not page.exception
    assert "kept before bulletins showed where a season stands" in words_of(page)


class File:
    """A file as the uploader hands it on."""

    def __init__(self, content, file_id):
        self.content, self.file_id = content, file_id

    def getvalue(self):
        return self.content


@pytest.fixture
def state(monkeypatch):
    """The state of a session, without a session."""
    held = {}
    monkeypatch.setattr(option_sets.st, "session_state", held)
    return held


def test_a_file_is_taken_once(state):
    text = b'title = "t"\n[[option]]\nname = "Weekends"\n[[option.change]]\nopen_weekdays = "67"\n'
    assert option_sets.uploaded(None) is None
    assert option_sets.uploaded(File(text, "1")) == []
    assert from_link(state["set"]) == read_options(text)
    shown = option_sets.form()
    assert option_sets.uploaded(File(text, "1")) is None
    assert option_sets.form() == shown


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"[[option]]\nnam = 1", 'unknown key "nam"'),
        (b"\xff\xfe", "not UTF-8"),
        (b"", "an empty file"),
        (b"a = [", "not TOML"),
    ],
)
def test_a_bad_file_is_refused_in_words_and_changes_nothing(state, content, said):
    shown = option_sets.uploaded(File(content, "1"))
    assert shown[0] == option_sets.KEPT
    assert any(said in line for line in shown)
    assert "set" not in state


@pytest.mark.parametrize(
    ("line", "said"),
    [('areas = ["B9"]\nopen_weekdays = "67"', "B9"), ("close_from = 2036-01-04", "2036-01-04")],
)
def test_a_file_that_cannot_be_weighed_leaves_the_set_as_it_was(state, index, line, said):
    option_sets.take(SET)
    held, shown = dict(state), option_sets.form()
    on = compare.inputs(index)
    text = f'[[option]]\nname = "Elsewhere"\n[[option.change]]\n{line}\n'
    refusal = option_sets.uploaded(
        File(text.encode(), "1"), lambda found: compare.compare(on, write_options(found)).refused
    )
    assert refusal[0] == option_sets.KEPT
    assert said in refusal[1]
    assert "Elsewhere" in refusal[1]
    assert state == held | {option_sets._FILE: "1"}
    assert option_sets.form() == shown


def test_a_file_that_cannot_be_weighed_is_told_on_the_page(open_change):
    page = open_change(set=to_link(SET))
    text = b'[[option]]\nname = "E"\n[[option.change]]\nareas = ["B9"]\nopen_weekdays = "67"\n'
    page = page.get("file_uploader")[0].set_value(("e.toml", text, "application/toml")).run()
    assert not page.exception
    assert any("B9" in plain(one.value) for one in page.error)
    assert any(option_sets.KEPT in plain(one.value) for one in page.error)
    assert link_of(page) == SET


def test_shares_of_methods_are_whole_and_sum(open_change):
    mix = {"mooching": 1 / 3, "trolling": 2 / 3}
    page = open_change(set=to_link(OptionSet("", (Option("x", (Change(method_mix=mix),)),))))
    assert link_of(page).options[0].changes[0].method_mix == mix
    sliders = [one for one in page.slider if "parts of trips" in one.label]
    assert sum(one.value for one in sliders) == 100
    assert {type(one.value) for one in sliders} == {int}
    page = widget(page.slider, "-mooching").set_value(67).run()
    half = link_of(page).options[0].changes[0].method_mix
    assert half == {"mooching": 0.5, "trolling": 0.5}
    assert "mooching 50 %, trolling 50 %" in plain(words_of(page))


def test_whole_shares_sum_to_all():
    assert fields.whole(dict.fromkeys("abc", 1 / 3)) == {"a": 34, "b": 33, "c": 33}
    assert fields.whole({"a": 0.005, "b": 0.995}) == {"a": 1, "b": 99}
    assert fields.whole({"a": 1.0, "b": 0.0}) == {"a": 100, "b": 0}


def test_a_rate_of_release_can_name_a_wound(open_change):
    one = OptionSet("", (Option("x", (Change(release_rates=(RATE,)),)),))
    page = open_change(set=to_link(one))
    page = widget(page.selectbox, "-wound").set_value("deep").run()
    assert not page.exception
    row = link_of(page).options[0].changes[0].release_rates[0]
    assert row == RATE | {"wound_class": "deep"}


@pytest.mark.parametrize(
    ("part", "said"),
    [(0.995, "over 99 %"), (0.9949, "99 %"), (1.0, "over 99 %"), (0.0, "under 1 %"), (0.5, "50 %")],
)
def test_no_chance_is_told_as_certain(part, said):
    assert plain(chance(part)) == said


def test_a_set_too_long_for_a_link_is_weighed_all_the_same(state):
    import random

    noise = "".join(random.Random(1).choices("abcdefghijklmnopqrstuvwxyz0123456789", k=20_000))
    long = replace(SET, notes=noise[:4990] + "\n")
    wordy = tuple(
        Option(
            noise[80 * at : 80 * at + 80],
            (
                Change(
                    tuple(noise[5000 + 900 * at :][k : k + 9] for k in range(0, 800, 9)),
                    open_weekdays="6",
                ),
            ),
        )
        for at in range(6)
    )
    why = option_sets.hold(replace(long, options=wordy))
    assert "pass them on as a file" in why
    assert state["set"] == ""
    assert option_sets.hold(replace(long, options=wordy)) == option_sets.TOO_LONG


def test_each_sentence_says_what_is_saved_and_what_it_costs(answer):
    close, unsure, idle = sentences(answer)
    assert close == (
        "**Close <b>VEL</b>** saves about **320** (95 % CI 180–470) deaths and costs **2,100** "
        "(1,700–2,600) angler trips; **2,100** (1,700–2,600) fewer Chinook are kept; limits "
        "likely exceeded: **1 of 2** (today 2); the probability of exceeding the limit reached "
        "first, on sublegal releases in Quillon Bank, falls from 64 % to **12 %** "
        "(−52.0 ± 1.1 points)."
    )
    assert "deaths show no clear change (−30, 95 % CI −120 to +60)" in unsure
    assert "angler trips stay as they are" in unsure
    assert "**400** (250–560) more Chinook are kept" in unsure
    assert (
        "limits likely exceeded: **2 of 2** (today 2); the probability of exceeding the limit"
        in unsure
    )
    assert unsure.endswith("in Quillon Bank, stays at **64 %**.")
    assert idle == (
        "**As now** changes nothing against today's rule. It is "
        "dominated on every count by One fish."
    )


def test_the_dominated_options_are_named_or_none_is(answer):
    assert answer_words.dominated(answer) == "Dominated options: **As now** (by One fish)."
    none = replace(answer, dominated={})
    assert answer_words.dominated(none) == "Dominated options: none."
    unknown = replace(none, assumptions={TODAY: (coded("dominance_not_judged"),)})
    assert "not known" in answer_words.dominated(unknown)


def test_the_day_of_a_limit_moves(answer):
    lines = [
        line
        for line in sample_answers.tables()["limit_exceedance"].to_pylist()
        if line["limit_id"] == "S-3"
    ]
    found = compare.read(sample_answers.tables(limit_exceedance=lines))
    assert sentences(found)[0].endswith(
        "first, on S-3, falls from 72 % to **52 %** (−20.0 ± 1.1 points), and its day moves from "
        "2 April to 10 April."
    )


def test_a_day_that_is_not_to_come_does_not_move(answer):
    lines = [
        line
        for line in sample_answers.tables()["limit_exceedance"].to_pylist()
        if line["limit_id"] == "S-3"
    ]
    found = compare.read(sample_answers.tables(limit_exceedance=lines), through=date(2036, 4, 2))
    assert sentences(found)[0].endswith("falls from 72 % to **52 %** (−20.0 ± 1.1 points).")


def test_without_limits_none_is_said(answer):
    found = compare.read(sample_answers.tables(limit_exceedance=[]))
    assert "no limit can be given" in sentences(found)[0]
    assert answer_words.limits_table(found, {}, sample_season.THROUGH) == ""


def test_names_are_escaped_in_tables_and_beaten_options_marked(index, answer):
    table = plain(answer_words.decision_table(index, answer, {"S-1": "<i>"}, [None, "A2"]))
    assert "<b>VEL" not in table
    assert "Close &lt;b&gt;VEL&lt;/b&gt;" in table
    assert table.count("▽ dominated on every count by One fish") == 2
    assert "<b>−320</b><small>−470 to −180</small>" in table
    assert "<b>−80</b>" in table  # a quarter of it in one area
    assert "no change" in table
    limits = plain(answer_words.limits_table(answer, {"S-1": "<i>"}, sample_season.THROUGH))
    assert "&lt;i&gt;" in limits
    assert "−52.0 ± 1.1 points" in limits
    assert "no change" in limits
    assert "likely not" in limits


def test_the_chance_shown_is_that_of_the_limit_that_binds_first(index, answer):
    table = plain(answer_words.decision_table(index, answer, {"S-1": "Sublegal"}, [None]))
    assert "64 %<small>Sublegal</small>" in table
    assert "12 %<small>−52.0 ± 1.1 points</small><small>Sublegal</small>" in table
    assert "1 of 2<small>today 2</small>" in table
    # Without a binding limit that is weighed, the likeliest under today's rule stands for it.
    assert compare.read(sample_answers.tables(), binding="S-6").binding == "S-3"
    assert compare.read(sample_answers.tables(limit_exceedance=[])).binding is None


def test_the_worst_rise_of_a_chance_is_said():
    lines = sample_answers.tables()["limit_exceedance"].to_pylist()
    rise = {"prob_exceeded_by_close": 0.85, "prob_exceeded_by_close_difference": 0.13}
    lines = [
        one | rise if (one["limit_id"], one["option"]) == ("S-3", CLOSE) else one for one in lines
    ]
    found = compare.read(sample_answers.tables(limit_exceedance=lines), binding="S-1")
    shown = sentences(found)[0]
    assert "limits likely exceeded: **1 of 2** (today 2)" in shown
    assert shown.endswith(
        "the chance that rises most is that of S-3, from 72 % to **85 %** (+13.0 ± 1.1 points)."
    )
    assert "rises most" not in sentences(found)[1]


def test_the_fan_of_an_option_stands_beside_todays_rule(index):
    on = compare.inputs(index)
    text = '[[option]]\nname = "A"\n[[option.change]]\nclose_from = 2036-03-02'
    fans = compare.compare(on, text).fans
    found = standings.read(index)
    one = panels.option_fan(found, found.limits[0], fans, "A")
    assert len(one.past) == 14
    assert len(one.ahead) == len(one.beside) == len(sample_season.WEEKS_AHEAD)
    still = [line["q50"] for line in one.ahead]
    assert len(set(still[2:])) == 1  # closed from the end of the third week
    assert one.beside[-1][1] > still[-1]
    today = panels.option_fan(found, found.limits[0], fans, TODAY)
    assert today.beside == ()
    assert panels.option_fan(found, found.limits[-1], fans, "A") is None  # has no total
    drawn = fanned.season_fan(one, palette=palette(dark=False))
    assert {note.text for note in drawn.layout.annotations} == {
        "limit 2,400",
        "so far",
        "planned close 13 Apr",
        "A",
        "today's rules",
    }
    assert "under A" in fanned.fan_finding(one)
    assert fanned.fan_finding(one).endswith("of the limit")
    assert "dash" in [trace.line.dash for trace in drawn.data]
    columns, lines = table_of(drawn)
    assert len(lines) == len(one.lines)
    assert [line[columns.index("q50")] for line in lines][-len(still) :] == still
    assert lines[-1][columns.index("q50_today")] == one.beside[-1][1]
    assert {line[columns.index("limit")] for line in lines} == {2400}
    assert "q50_today" not in table_of(fanned.season_fan(today, palette=palette(dark=False)))[0]


def test_a_total_that_is_not_known_has_a_reason_in_the_place_of_its_fan(open_change, tmp_path):
    made = make(NOW)
    drawn = sample_season.baseline(AREAS, is_over=False)
    effort = drawn.effort.copy()
    effort[:, drawn.areas.index("A1")] = np.nan
    why = coded("nothing_to_come", areas=["A1"])
    lines = [
        one | ({"reason": why} if one["limit_id"] == "S-1" else {})
        for one in made.outlook["limit_status"].to_pylist()
    ]
    sentences = made.outlook | {
        "draws": to_table(replace(drawn, effort=effort)),
        "limit_status": pa.Table.from_pylist(lines, made.outlook["limit_status"].schema),
    }
    archive.save(tmp_path, replace(made, outlook=sentences))
    page = open_change(folder=tmp_path, limit="S-1")
    assert not page.exception
    shown = [one.key for one in page.get("plotly_chart")]
    assert not [key for key in shown if key.startswith("season-shift-")]  # none is known
    said = plain(words_of(page))
    assert said.count("cannot be given;") == 1
    assert all(QUANTITIES[name].label in said.split("can be given for:")[1] for name in COUNTS)
    said = sentence_of(parse(why)[0], bulletin_index.index_bulletin(made).name)
    assert said in plain(words_of(page))
    assert "Bands hold 50" not in words_of(page)
    known = open_change(folder=tmp_path, limit="S-2")
    assert "Bands hold 50" in words_of(known)


def test_shared_assumptions_are_said_once(answer):
    assert answer.shared() == (sample_answers.SHARED,)
    assert answer.own(CLOSE) == (sample_answers.OWN,)
    assert answer.own(UNSURE) == ()
    assert answer.options == (TODAY, CLOSE, UNSURE, IDLE)
    assert answer.limits == ("S-3", "S-1")


def test_digits_of_a_difference_follow_its_interval():
    assert answer_words.signed(MeasuredDifference(-6.2, -255.2, 203.0)) == "−10"
    assert answer_words.signed_span(MeasuredDifference(-6.2, -255.2, 203.0)) == "−260 to +200"
    assert answer_words.signed(MeasuredDifference(1234.5, 1230.0, 1240.0)) == "+1,234"


def test_a_limit_passed_already_has_no_day_to_come(answer):
    past = sample_season.THROUGH
    days = {
        "exceedance_date_p10": past,
        "exceedance_date_p50": past,
        "exceedance_date_p90": past,
        "prob_exceeded_by_close": 1.0,
    }
    lines = [line | days for line in sample_answers.tables()["limit_exceedance"].to_pylist()]
    shown = answer_words.limits_table(
        compare.read(sample_answers.tables(limit_exceedance=lines)), {}, past
    )
    assert shown.count("exceeded already") == len(lines)
    assert "80 %" not in plain(shown)


def test_a_day_that_is_not_to_come_says_that_the_limit_may_be_passed(answer):
    past = sample_season.THROUGH
    days = {
        "exceedance_date_p10": past,
        "exceedance_date_p50": past,
        "exceedance_date_p90": CLOSES,
        "prob_exceeded_by_close": 0.9,
    }
    lines = [line | days for line in sample_answers.tables()["limit_exceedance"].to_pylist()]
    found = compare.read(sample_answers.tables(limit_exceedance=lines))
    shown = plain(answer_words.limits_table(found, {}, past, {"S-1": 0.52}))
    assert shown.count("may be exceeded already (52 %)<small>9 in 10: by 10 Apr</small>") == 4
    assert shown.count("may be exceeded already<small>") == 4  # of S-3 no chance is known
    assert "10 Feb" not in shown
    early = [line | {"exceedance_date_p50": None} for line in lines]
    found = compare.read(sample_answers.tables(limit_exceedance=early))
    shown = plain(answer_words.limits_table(found, {}, past, {"S-1": 0.12}))
    assert "likely not<small>may be exceeded already (12 %)</small>" in shown


def test_what_every_number_ahead_rests_on_is_printed_too(open_change):
    said = plain(words_of(unfold(open_change(), "fold-assumed")))
    assert "**Weather**" in said
    assert "- one day in ten is lost to weather, in all areas at once" in said


def test_the_dots_stand_about_todays_rule(answer):
    shifts = [
        dotted.Shift(name, answer.difference(name, None, "total_deaths_fish"), "x", name == IDLE)
        for name in answer.changed
    ]
    drawn = dotted.figure(shifts, palette=palette(dark=False))
    low, high = drawn.layout.xaxis.range
    assert low < -470
    assert high > 60
    assert [shape.x0 for shape in drawn.layout.shapes] == [0.0]
    assert dotted.FEWER in dotted.signs(shifts)
    points = [trace for trace in drawn.data if trace.mode == "markers"]
    symbols = [symbol for trace in points for symbol in trace.marker.symbol]
    assert "triangle-down-open" in symbols
    columns, lines = table_of(drawn)
    assert [line[columns.index("option")] for line in lines] == [one.name for one in shifts]
    assert [line[columns.index("difference")] for line in lines] == [
        one.amount.value for one in shifts
    ]


def test_the_title_of_a_figure_says_which_option_changes_most(answer):
    def shifts(*names):
        found = [(name, answer.difference(name, None, "total_deaths_fish")) for name in names]
        return [
            dotted.Shift(name, one, answer_words.signed(one), is_dominated=False)
            for name, one in found
        ]

    assert dotted.finding(shifts(CLOSE)) == f"−320 under {CLOSE}"
    assert dotted.finding(shifts(UNSURE, IDLE)) == "no clear change"
    assert dotted.finding(shifts(UNSURE, CLOSE)) == f"most changed, −320 under {CLOSE}"
    unknown = dotted.Shift("A", Measurement(None), "x", is_dominated=False)
    assert dotted.finding([unknown, unknown]) == "not known"
    assert dotted.finding([unknown, *shifts(UNSURE)]) == "no clear change"
    drawn = dotted.figure(shifts(CLOSE), palette=palette(dark=False))
    assert [note.text for note in drawn.layout.annotations] == ["today's rules"]


def test_a_fan_ends_at_the_planned_close(index):
    on = compare.inputs(index)
    fans = compare.compare(
        on, '[[option]]\nname = "A"\n[[option.change]]\neffort_factor = 0.9'
    ).fans
    found = standings.read(index)
    line = found.limits[0] | {"planned_close": date(2036, 4, 11)}
    for name in ("A", TODAY):
        one = panels.option_fan(found, line, fans, name)
        assert one.ahead[-1]["day"] == date(2036, 4, 11)
        assert all(day <= date(2036, 4, 11) for day, _ in one.beside)
    text = '[[option]]\nname = "B"\n[[option.change]]\nopen_through = 2036-04-20'
    longer = panels.option_fan(found, line, compare.compare(on, text).fans, "B")
    assert longer.ahead[-1]["day"] == date(2036, 4, 20)  # an option may run on past it


def test_an_axis_of_no_change_has_whole_ticks(answer):
    amount = answer.difference(IDLE, None, "kept_fish")
    drawn = dotted.figure(
        [dotted.Shift(IDLE, amount, "x", is_dominated=False)],
        palette=palette(dark=False),
        unit="fish",
    )
    axis = drawn.layout.xaxis
    assert axis.dtick == 1
    assert axis.range[0] <= -1 < 1 <= axis.range[1]
    assert axis.title.text == "fish"


def test_an_exact_answer_comes_from_the_kept_draws(index):
    on = compare.inputs(index)
    assert on.baseline.season == NOW
    assert [one.limit_id for one in on.limits] == ["S-1", "S-2", "S-3", "S-4", "S-5"]
    assert len(on.left_out) == 1
    found = compare.compare(on, '[[option]]\nname = "A"\n[[option.change]]\neffort_factor = 1.0')
    assert not found.refused  # what says nothing yet is no fault
    assert set(found.tables) == set(ANSWER_SCHEMAS)
    assert compare.is_nothing(found.answer.difference("A", None, "kept_fish"))

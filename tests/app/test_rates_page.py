"""The page Catch rates, run headless: what it says of each case, and where figures lack."""

from __future__ import annotations

import math
import re

import pytest

from analytics.catch_rates.schemas import RATE_SCHEMAS
from analytics.wording import numbers
from analytics.wording.numbers import NumberKind
from dashboard.catch_rates import records, sentences
from dashboard.charts.rates import panel_of
from tests.app import sample_rates
from tests.app.rate_pages import old_archive, plain, with_tables
from tests.app.reading import download_of, heads_of, words_of
from tests.app.sample_bulletin import AREAS

RESPONSES = ("encounters", "kept", "sublegal")

__all__ = ["old_archive"]  # the tests of other pages take it from here


@pytest.fixture
def open_rates(opener):
    """Return a function that opens the page with a link, in the archive of the tests or another."""
    return opener("app_pages/catch_rates.py")


def test_the_design_based_rate_comes_first_and_the_trend_as_a_second_figure(open_rates, rates):
    said = plain(words_of(open_rates()))
    line = records.newest(rates, "encounters", None)
    first = f"encounters per angler-hour are **{line['survey_estimate']:.2f}** (95 % CI 0.46–0.69)"
    assert f"Over all areas, {first} in week 2036-W06" in said
    assert "against the week before, they are **rising** (+19 %, 95 % CI +7 to +31 %)" in said
    level = sample_rates.level(None, 13, "encounters")
    second = "Second figure, the smoothed trend of the standardised rate"
    assert f"{second}: **{level:.2f}** (95 % CI 0.54–0.61)" in said
    assert said.index(first) < said.index(second)
    assert "+27 % against four weeks before; a rise is extremely likely (97 %)" in said
    ahead = [f"{sample_rates.level(None, at, 'encounters'):.2f}" for at in (14, 15, 16)]
    first, second, third = (f"{one} (" for one in ahead)
    assert "weeks 2036-W07 to 2036-W09 would stand at" in said
    assert said.index(first) < said.index(second) < said.index(third)
    assert len(records.ahead(rates, "encounters", None)) == 3


@pytest.mark.parametrize(
    ("area", "said"),
    [
        ("A1", "against the week before, they are **rising**"),
        ("A1", "a rise is virtually certain (over 99 %)"),
        ("A3", "they show **no clear change**"),
        ("A3", "a fall is extremely likely (96 %)"),
        ("A4", "a rise is about as likely as not (52 %)"),
        (sample_rates.NO_INDEX, "the change is **not known**"),
        (sample_rates.NO_INDEX, f"none can be given ({sample_rates.NO_FISH})"),
        (sample_rates.NO_TREND, f"none can be given ({sample_rates.FEW_WEEKS})"),
    ],
)
def test_each_word_of_a_change_and_chance_is_said(open_rates, area, said):
    assert said in plain(words_of(open_rates(area=area)))


def test_a_share_moves_in_points(open_rates, rates):
    said = plain(words_of(open_rates(rate="sublegal")))
    now, before = (sample_rates.level(None, at, "sublegal") for at in (13, 9))
    assert "it is **rising** (+8 points, 95 % CI +3 to +13)" in said
    assert f"+{100 * (now - before):.0f} points against four weeks before" in said
    line = records.latest(rates, "sublegal", None)
    assert sentences.shift(rates, line | {"week": "2035-W45"}, weeks=4) == ""


@pytest.mark.parametrize(
    ("rose", "said"),
    [
        (0.997, "a rise is virtually certain (over 99 %)"),
        (0.90, "a rise is very likely (90 %)"),
        (0.66, "a rise is likely (66 %)"),
        (0.5, "a rise is about as likely as not (50 %)"),
        (0.41, "a rise is about as likely as not (41 %)"),
        (0.3, "a fall is likely (70 %)"),
        (0.001, "a fall is virtually certain (over 99 %)"),
    ],
)
def test_a_chance_has_its_word(rose, said):
    assert plain(sentences.chance(rose)) == said


@pytest.mark.parametrize(
    ("part", "said"),
    [(0.27, "+27"), (-0.304, "−30"), (0.002, "+0.2"), (0.0, "0"), (0.0002, "+0.02"), (2.0, "+200")],
)
def test_a_move_is_signed(part, said):
    assert sentences.signed(part) == said


def test_the_last_week_with_a_level_is_told(index):
    lines = index.bulletin.table("trend").to_pylist()
    for line in lines:
        if line["week"] == "2036-W06":
            line |= {"level": None, "ci_low": None, "ci_high": None, "reason": "closed"}
    found = records.read(with_tables(index, trend=lines))
    said = sentences.trend_answer(index, found, [None], response="kept")
    assert "in week 2036-W05" in said.partition("Second figure")[2]


def test_the_table_holds_every_area_and_why_one_lacks(index, rates):
    table = plain(sentences.table(index, rates, (), response="encounters"))
    assert [table.index(name) for name in ("All areas", *AREAS.values())] == sorted(
        table.index(name) for name in ("All areas", *AREAS.values())
    )
    assert f"<small>{sample_rates.NO_FISH}</small>" in table
    fall = 100 * (math.exp(4 * sample_rates.SLOPES["A3"]) - 1)
    assert f"{fall:.0f} % in four weeks".replace("-", "−") in table
    assert "<small>−9 % since the week before: 20 %</small>" in table
    assert "W09: " in table
    one = sentences.table(index, rates, ("A3",), response="encounters")
    assert "Pale Hook" in one
    assert "Quillon Bank" not in one


def test_past_seasons_lie_on_the_weeks_of_this_one(index, rates):
    panel = panel_of(index, rates, "A1", response="encounters")
    assert panel.weeks[0] == "2035-W45"
    assert panel.weeks[-1] == "2036-W09"
    assert [one.season for one in panel.past] == ["2033-34", "2034-35"]
    place, value = panel.past[0].points[0]
    assert place == 0
    assert value == pytest.approx(sample_rates.run_index(0, 0.85, 0.0))
    # Day for day: the first days of the seasons lie over each other, whatever week they were in.
    assert panel.past[1].points[5][1] == pytest.approx(sample_rates.run_index(5, 1.15, 1.0))


def test_past_seasons_lie_behind_whatever_they_are_called(index, rates):
    names = {"2033-34": "the wet one", "2034-35": "W35"}
    lines = [
        line | {"season": names.get(line["season"], line["season"])}
        for line in index.bulletin.table("seasonal_pattern").to_pylist()
    ]
    found = with_tables(index, seasonal_pattern=lines)
    panel = panel_of(found, records.read(found), "A1", response="encounters")
    usual = panel_of(index, rates, "A1", response="encounters")
    assert {one.season for one in panel.past} == {"W35", "the wet one"}
    assert {one.points for one in panel.past} == {one.points for one in usual.past}


def test_a_rate_without_past_seasons_says_so(open_rates, index, rates):
    assert not panel_of(index, rates, "A1", response="kept").past
    for rate in ("kept", "sublegal"):
        assert sentences.PAST_OF_ENCOUNTERS in words_of(open_rates(rate=rate))
    assert sentences.PAST_OF_ENCOUNTERS not in words_of(open_rates())


def test_a_closed_week_breaks_the_line_of_a_past_season(index):
    lines = [
        line
        for line in index.bulletin.table("seasonal_pattern").to_pylist()
        if (line["season"], line["week"]) != ("2034-35", "2034-W47")
    ]
    found = with_tables(index, seasonal_pattern=lines)
    panel = panel_of(found, records.read(found), "A1", response="encounters")
    assert panel.past[1].points[2] == (2, None)
    assert None not in [value for _, value in panel.past[0].points]


def test_the_areas_are_given_by_their_word(open_rates):
    said = plain(words_of(open_rates()))
    names, none = AREAS, sample_rates.NO_INDEX
    rising = ", ".join(name for area, name in names.items() if area not in ("A3", none))
    assert (
        f"By area, against the week before: **rising** in {rising}; **no clear change** in "
        f"{names['A3']}; **not known** in {names[none]}." in said
    )
    assert "By area" not in plain(words_of(open_rates(area="A1")))


def test_the_word_stands_first_with_its_arrow(index, rates):
    table = sentences.table(index, rates, (), response="encounters")
    label = sentences.HEADS[1]
    cells = re.findall(rf"<td data-label='{label}'><b class='bm-whole'>(.*?)</b>", table)
    assert cells[:2] == ["↗ rising", "↗ rising"]
    assert {"→ no clear change", "? not known"} <= {*cells}


def test_the_word_of_a_change_is_that_of_the_week_page(index, rates):
    """Both pages take it from one rule: whether the interval of the change holds no change."""
    for (response, _), lines in rates.index.items():
        same = 0.0 if response == "sublegal" else 1.0
        for line in lines:
            low, high = line["survey_change_low"], line["survey_change_high"]
            if low is not None:
                word = "rising" if low > same else "falling" if high < same else "no clear change"
                assert sentences.word_of(line) == word


def test_weeks_with_trips_and_no_fish_are_told(index):
    lines = index.bulletin.table("index").to_pylist()
    for line in lines:
        if line["area"] == "A1" and line["week"] in ("2036-W05", "2036-W06"):
            line |= {"survey_estimate": 0.0, "index": 0.01, "ci_low": 0.001, "ci_high": 0.06}
    found = records.read(with_tables(index, index=lines))
    said = sentences.trend_answer(index, found, ["A1"], response="encounters")
    assert "No fish was met in 82 trips of the last 2 weeks." in said
    said = sentences.trend_answer(index, found, ["A1"], response="kept")
    assert "No fish was kept in 82 trips of the last 2 weeks." in said
    table = sentences.table(index, found, ("A1",), response="encounters")
    assert "<small>no fish was met in 41 trips</small>" in table
    assert "No fish" not in sentences.trend_answer(index, found, ["A3"], response="encounters")


def test_level_index_and_survey_are_of_one_week(index, rates):
    table = plain(sentences.table(index, rates, ("A1",), response="encounters"))
    line = records.index_of(rates, "encounters", "A1", "2036-W06")
    rate = numbers.of_line(line, "index", NumberKind.RATIO).words
    assert f"<td data-label='Standardised rate'>{rate}<small>" in table
    assert f"<td data-label='Design-based'>{records.raw(line).words}<small>" in table
    kept = plain(sentences.table(index, rates, ("A1",), response="kept"))
    assert sentences.NEVER in kept


def test_a_closed_week_is_told_as_closed(index):
    lines = index.bulletin.table("trend").to_pylist()
    for line in lines:
        if line["week"] == "2036-W06":
            line.update(sample_rates.CLOSED)
    index_lines = [
        line for line in index.bulletin.table("index").to_pylist() if line["week"] != "2036-W06"
    ]
    found = records.read(with_tables(index, trend=lines, index=index_lines))
    said = sentences.trend_answer(index, found, ["A1"], response="encounters")
    headline, _, second = said.partition("Second figure")
    assert "in week 2036-W05" in headline
    assert "in week 2036-W06" in second
    table = sentences.table(index, found, ("A1",), response="encounters")
    assert "week W06</small>" in table


def test_moves_of_one_point_are_of_one_point(index, rates):
    line = records.latest(rates, "sublegal", None)
    earlier = records.before(rates, line, weeks=4)
    assert (
        sentences.shift(rates, line | {"level": earlier["level"] + 0.0101}, weeks=4) == "+1 point"
    )
    assert sentences.shift(rates, line | {"level": earlier["level"] + 0.02}, weeks=4) == "+2 points"


def test_an_interval_of_the_survey_too_wide_to_help_is_told_so(index):
    lines = index.bulletin.table("index").to_pylist()
    for line in lines:
        line |= {"survey_low": 0.0002, "survey_high": 836.85}
    found = records.read(with_tables(index, index=lines))
    table = sentences.table(index, found, ("A1",), response="encounters")
    assert "too few site-days for a useful interval" in table
    assert "836" not in table


def test_an_area_without_fish_is_told_and_not_drawn(open_rates, index, rates):
    assert panel_of(index, rates, sample_rates.NO_INDEX, response="encounters") is None
    page = open_rates(area=sample_rates.NO_INDEX)
    keys = [one.proto.id for one in page.get("plotly_chart")]
    assert not any("rates-weeks" in key for key in keys)
    assert sample_rates.NO_FISH in words_of(page)


def test_downloads_hold_the_tables_as_kept(index):
    for name in ("index", "trend", "models", "coefficients"):
        lines = download_of(index.bulletin.table(name), index)
        assert lines[0] == heads_of(RATE_SCHEMAS[name].names)
        assert len(lines) - 1 == index.bulletin.table(name).num_rows > 0


def test_a_link_to_a_rate_that_is_not_there_says_so(open_rates):
    page = open_rates(rate="tons")
    assert not page.exception
    assert "rate has no choice tons" in plain(page.warning[0].value)

"""The page Run timing, run headless: what it says of each case, and where figures lack."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date

import pytest

from analytics.bulletin import shelf as shelves
from analytics.bulletin.rates.tables import RATE_SCHEMAS
from dashboard import book as books
from dashboard.rates import index as modelled
from dashboard.rates import run, runs
from tests.app import sample_rates
from tests.app.reading import words_of
from tests.app.sample_bulletin import AREAS, NOW, make
from tests.app.test_rates_page import old_shelf, plain, with_tables


@pytest.fixture
def open_timing(opener):
    """Return a function that opens the page with a link, on the shelf of the tests or another."""
    return opener("app_pages/timing.py")


@pytest.fixture(scope="module")
def book():
    return books.index(make(NOW))


@pytest.fixture(scope="module")
def rates(book):
    return modelled.index(book)


@pytest.mark.parametrize("season", [NOW, "2034-35"])
def test_every_area_is_told_in_words_without_a_hole(open_timing, season):
    for areas in ([], *([area] for area in AREAS)):
        page = open_timing(season=season, area=areas)
        assert not page.exception
        assert not {"nan", "None", "inf", "null"} & set(re.split(r"[^\w]+", words_of(page)))
        assert not page.warning


def test_the_answer_tells_strength_and_dates(open_timing):
    said = plain(words_of(open_timing()))
    assert "Over all areas, this season is **stronger than past ones**" in said
    assert "through week 2036-W06 the index of encounters is **1.24 times**" in said
    assert "(95 % CI 1.05–1.47) that of 2 past seasons by the same week" in said
    assert "past ones ran from 0.85 to 1.15 of their mean: it stands above them all" in said
    assert (
        "Of past runs, a quarter had come between 4 and 10 Jan, half between 27 Jan and 2 Feb"
        in (said)
    )
    assert "a closure, or few anglers, is no absence of fish" in said
    assert run.FEW in said


@pytest.mark.parametrize(
    ("area", "said"),
    [
        ("A1", "is **weaker than past ones**"),
        ("A1", "it stands below them all"),
        ("A3", "is **not clearly stronger or weaker than past ones**"),
        ("A3", "it stands among them"),
        (sample_rates.NO_INDEX, f"cannot be told ({sample_rates.NO_FISH})"),
    ],
)
def test_each_verdict_is_told(open_timing, area, said):
    assert said in plain(words_of(open_timing(area=area)))


def test_a_first_season_has_no_past(open_timing):
    page = open_timing(season="2034-35")
    said = plain(words_of(page))
    assert f"cannot be told ({sample_rates.NO_PAST})" in said
    assert "Of past runs" not in said
    assert "How much of a run had come" not in said
    assert "The index by week" in said


def test_a_ratio_without_an_interval_is_of_unknown_strength(book):
    lines = [
        line | {"ci_low": None, "ci_high": None, "past_low": None, "past_high": None}
        for line in book.bulletin.table("strength").to_pylist()
    ]
    found = modelled.index(with_tables(book, strength=lines))
    said = plain(run.answer(book, found, [None]))
    assert "**of unknown strength**" in said
    assert "1.24 times** (no interval)" in said
    assert "past ones ran" not in said


def test_the_last_week_with_a_ratio_is_told(book):
    lines = book.bulletin.table("strength").to_pylist()
    for line in lines:
        if line["week"] == "2036-W06":
            line |= {"ratio": None, "reason": "closed"}
    found = modelled.index(with_tables(book, strength=lines))
    assert run.last_strength(found, None)["week"] == "2036-W05"


def test_dates_are_read_from_the_index_and_else_from_a_curve(book, rates):
    assert run.curve_of(rates, None) == "index"
    lines = [
        line for line in book.bulletin.table("run_dates").to_pylist() if line["curve"] != "index"
    ]
    found = modelled.index(with_tables(book, run_dates=lines))
    assert run.curve_of(found, None) == "normal"
    none = modelled.index(with_tables(book, run_dates=[]))
    assert "When past runs came is not known." in run.answer(book, none, [None])


@pytest.mark.parametrize(
    ("days", "said"),
    [
        ([date(2034, 12, 3)], "by 3 Dec"),
        ([date(2034, 12, 3), date(2035, 12, 3)], "by 3 Dec"),
        ([date(2034, 12, 3), date(2035, 12, 9)], "between 3 and 9 Dec"),
        ([date(2034, 12, 28), date(2036, 1, 4)], "between 28 Dec and 4 Jan"),
    ],
)
def test_dates_of_several_years_are_told_together(days, said):
    assert run.between(days) == said


def test_the_table_of_dates_has_errors_and_reasons(book, rates):
    table = plain(run.table(book, rates, [None, sample_rates.NO_INDEX]))
    assert "4 Jan 2034<small>the index itself</small>" in table
    assert "<small>normal curve: 4 Jan ± 1.3 days</small>" in table
    assert "<small>logistic curve: 2.1 points</small>" in table
    assert sample_rates.NO_FISH in table
    assert run.table(book, rates, []) == ""


def test_figures_stand_on_the_days_of_the_season(rates):
    found = runs.shares(rates, [None, sample_rates.NO_INDEX])
    assert list(found) == [None]
    one = found[None]
    assert one.start == date(2035, 11, 5)
    assert list(one.past) == ["2033-34", "2034-35"]
    assert one.now == ()  # a season in progress has no shares
    assert one.past["2034-35"][-1] == (7 * 23 + 6, pytest.approx(1.0))
    assert len(one.curves["normal"]) == 24
    index = runs.indices(rates, [None])[None]
    assert len(index.now) == 14
    ends = [sample_rates.run_index(0, size, late) for size, late in ((0.85, 0.0), (1.15, 1.0))]
    assert index.envelope[0] == (6, min(ends), max(ends))


def test_the_curve_is_the_mean_of_the_past_ones(book, rates):
    lines = book.bulletin.table("timing").to_pylist()
    mine = [
        line["normal"]
        for line in lines
        if line["area"] is None and line["day"] == 83 and line["normal"] is not None
    ]
    assert len(mine) == 2
    curve = dict(runs.shares(rates, [None])[None].curves["normal"])
    assert curve[83] == pytest.approx(sum(mine) / 2)


def test_empty_tables_are_told_in_words_and_not_drawn(open_timing, tmp_path):
    shelves.keep(tmp_path, replace(make(NOW), rates={}))
    page = open_timing(folder=tmp_path)
    assert not page.exception
    assert "There is no timing of the run to show" in words_of(page)
    assert not page.get("plotly_chart")


def test_an_older_bulletin_says_so(open_timing, tmp_path):
    page = open_timing(folder=old_shelf(tmp_path, *RATE_SCHEMAS))
    assert not page.exception
    assert "kept before bulletins modelled catch rates" in words_of(page)

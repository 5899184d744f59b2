"""The page Catch rates, run headless: what it says of each case, and where figures lack."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace

import pyarrow as pa
import pytest

from analytics.bulletin import shelf as shelves
from analytics.bulletin.rates.tables import RATE_SCHEMAS
from dashboard import book as books
from dashboard import tables
from dashboard.rates import fits, panels, words
from dashboard.rates import index as modelled
from tests.app import sample_rates
from tests.app.reading import words_of
from tests.app.sample_bulletin import AREAS, NOW, make

RESPONSES = ("encounters", "kept", "sublegal")


@pytest.fixture
def open_rates(opener):
    """Return a function that opens the page with a link, on the shelf of the tests or another."""
    return opener("app_pages/rates.py")


@pytest.fixture(scope="module")
def book():
    return books.index(make(NOW))


@pytest.fixture(scope="module")
def rates(book):
    return modelled.index(book)


def plain(said):
    return said.replace("\\", "").replace("\u00a0", " ")


def with_tables(book, **lines):
    """Return the sample with other lines in some tables."""
    made = {
        name: pa.Table.from_pylist(found, schema=RATE_SCHEMAS[name])
        for name, found in lines.items()
    }
    return books.index(replace(book.bulletin, rates={**book.bulletin.rates, **made}))


def old_shelf(folder, *lacking):
    """Keep the sample as a program would have that did not know some tables."""
    bulletin = make(NOW)
    shelves.keep(folder, bulletin)
    path = folder / bulletin.card.bulletin / shelves.CARD_FILE
    card = json.loads(path.read_text())
    card["tables"] = [name for name in card["tables"] if name not in lacking]
    path.write_text(json.dumps(card))
    return folder


@pytest.mark.parametrize("season", [NOW, "2034-35"])
@pytest.mark.parametrize("rate", RESPONSES)
def test_every_rate_is_told_in_words_without_a_hole(open_rates, season, rate):
    for areas in ([], ["A2"], list(AREAS)):
        page = open_rates(season=season, rate=rate, area=areas)
        assert not page.exception
        assert not {"nan", "None", "inf", "null"} & set(re.split(r"[^\w]+", words_of(page)))
        assert page.query_params["rate"] == rate
        assert not page.warning


def test_the_answer_tells_level_rise_chance_and_outlook(open_rates, rates):
    said = plain(words_of(open_rates()))
    assert "Over all areas, encounters per angler-hour are rising." in said.replace("**", "")
    level = sample_rates.level(None, 13, "encounters")
    assert f"In week 2036-W06 the level is **{level:.2f}** (95 % CI 0.54–0.61)" in said
    assert "+27 % against four weeks before; a rise is extremely likely (97 %)" in said
    ahead = [f"{sample_rates.level(None, at, 'encounters'):.2f}" for at in (14, 15, 16)]
    first, second, third = (f"{one} (" for one in ahead)
    assert "weeks 2036-W07 to 2036-W09 will stand at" in said
    assert said.index(first) < said.index(second) < said.index(third)
    assert len(modelled.ahead(rates, "encounters", None)) == 3


@pytest.mark.parametrize(
    ("area", "said"),
    [
        ("A1", "In Quillon Bank, encounters per angler-hour are **rising**"),
        ("A1", "a rise is virtually certain (over 99 %)"),
        ("A3", "are **falling**"),
        ("A3", "a fall is extremely likely (96 %)"),
        ("A4", "encounters per angler-hour show **no clear change**"),
        ("A4", "a rise is about as likely as not (52 %)"),
        (sample_rates.NO_INDEX, f"no trend can be told ({sample_rates.NO_FISH})"),
        (sample_rates.NO_TREND, f"no trend can be told ({sample_rates.FEW_WEEKS})"),
    ],
)
def test_each_word_of_a_trend_is_told(open_rates, area, said):
    assert said in plain(words_of(open_rates(area=area)))


def test_a_share_moves_in_points(open_rates, rates):
    said = plain(words_of(open_rates(rate="sublegal")))
    now, before = (sample_rates.level(None, at, "sublegal") for at in (13, 9))
    assert "Over all areas, the sublegal share of encounters is **rising**" in said
    assert f"+{100 * (now - before):.0f} points against four weeks before" in said
    line = modelled.latest(rates, "sublegal", None)
    assert words.shift(rates, line | {"week": "2035-W45"}, weeks=4) == ""


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
    assert plain(words.chance(rose)) == said


@pytest.mark.parametrize(
    ("part", "said"),
    [(0.27, "+27"), (-0.304, "−30"), (0.002, "+0.2"), (0.0, "0"), (0.0002, "+0.02"), (2.0, "+200")],
)
def test_a_move_is_signed(part, said):
    assert words.signed(part) == said


def test_the_last_week_with_a_level_is_told(book):
    lines = book.bulletin.table("trend").to_pylist()
    for line in lines:
        if line["week"] == "2036-W06":
            line |= {"level": None, "ci_low": None, "ci_high": None, "reason": "closed"}
    found = modelled.index(with_tables(book, trend=lines))
    assert "In week 2036-W05 the level is" in words.answer(book, found, [None], response="kept")


def test_the_table_holds_every_area_and_why_one_lacks(book, rates):
    table = plain(words.table(book, rates, (), response="encounters"))
    assert [table.index(name) for name in ("All areas", *AREAS.values())] == sorted(
        table.index(name) for name in ("All areas", *AREAS.values())
    )
    assert f"<small>{sample_rates.NO_FISH}</small>" in table
    assert "−9 %<small>chance of a rise: 20 %</small>" in table
    assert "W09: " in table
    one = words.table(book, rates, ("A3",), response="encounters")
    assert "Pale Hook" in one
    assert "Quillon Bank" not in one


def test_past_seasons_lie_on_the_weeks_of_this_one(book, rates):
    panel = panels.panel(book, rates, "A1", response="encounters")
    assert panel.weeks[0] == "2035-W45"
    assert panel.weeks[-1] == "2036-W09"
    assert len(panel.past) == 2
    place, value = panel.past[0][0]
    assert place == 0
    assert value == pytest.approx(sample_rates.run_index(0, 0.85, 0.0))
    assert not panels.panel(book, rates, "A1", response="kept").past


@pytest.mark.parametrize(
    ("week", "years", "found"),
    [
        ("2034-W45", 1, "2035-W45"),
        ("2032-W53", 1, "2034-W01"),
        ("2026-W53", 6, "2032-W53"),
        ("2033-W02", 2, "2035-W02"),
    ],
)
def test_a_week_moves_by_its_number(week, years, found):
    assert panels.moved(week, years=years) == found


def test_a_closed_week_breaks_the_line_of_a_past_season(book):
    lines = [
        line
        for line in book.bulletin.table("timing").to_pylist()
        if (line["season"], line["week"]) != ("2034-35", "2034-W47")
    ]
    found = with_tables(book, timing=lines)
    panel = panels.panel(found, modelled.index(found), "A1", response="encounters")
    assert panel.past[1][2] == (2, None)
    assert None not in [value for _, value in panel.past[0]]


def test_an_interval_of_the_survey_too_wide_to_help_is_told_so(book):
    lines = book.bulletin.table("index").to_pylist()
    for line in lines:
        line |= {"raw_low": 0.0002, "raw_high": 836.85}
    found = modelled.index(with_tables(book, index=lines))
    table = words.table(book, found, ("A1",), response="encounters")
    assert "too few site-days for a useful interval" in table
    assert "836" not in table


def test_an_area_without_fish_is_told_and_not_drawn(open_rates, book, rates):
    assert panels.panel(book, rates, sample_rates.NO_INDEX, response="encounters") is None
    page = open_rates(area=sample_rates.NO_INDEX)
    keys = [one.proto.id for one in page.get("plotly_chart")]
    assert not any("rates-weeks" in key for key in keys)
    assert sample_rates.NO_FISH in words_of(page)


def test_candidates_coefficients_and_checks_are_told(open_rates, rates):
    said = plain(words_of(open_rates()))
    assert "candidate 2, chosen" in said
    assert "+310.0" in said
    assert sample_rates.NOT_FITTED in said
    assert "hurdle negative binomial" in said
    assert "Trips without a fish: 31.2 % seen, 30.8 % expected by the fit." in said
    assert "Pearson dispersion 1.05" in said
    assert "variances are 1.70 times those of single boats over 402 site-days" in said
    dots = fits.dots(rates, "encounters")
    assert [dot.label for dot in dots][:2] == ["method[mooching]", "method[*jigging*]"]
    assert dots[0].amount.value == pytest.approx(1.1, abs=0.001)
    assert not dots[-1].amount.has_interval


def test_weighty_boats_are_listed_where_kept(open_rates):
    said = words_of(open_rates())
    assert "&lt;b&gt;I-0042&lt;/b&gt;" in said
    assert sample_rates.BOAT not in said
    assert "No single boats are listed here." in words_of(open_rates(rate="kept"))


def test_a_share_without_checks_says_so(open_rates):
    said = plain(words_of(open_rates(rate="sublegal")))
    assert "No residuals were kept for this rate." in said
    assert "No coefficients beyond areas and weeks were kept." in said
    assert "Trips without a fish" not in said


def test_no_regression_is_told(book):
    found = modelled.index(with_tables(book, models=[]))
    assert fits.chosen(found, "kept") is None
    assert "nothing to check" in fits.checks(None)[0]


def test_empty_tables_are_told_in_words_and_not_drawn(open_rates, tmp_path):
    shelves.keep(tmp_path, replace(make(NOW), rates={}))
    page = open_rates(folder=tmp_path)
    assert not page.exception
    assert "There are no modelled catch rates to show" in words_of(page)
    assert not page.get("plotly_chart")


def test_an_older_bulletin_says_so(open_rates, tmp_path):
    page = open_rates(folder=old_shelf(tmp_path, *RATE_SCHEMAS))
    assert not page.exception
    assert "kept before bulletins modelled catch rates" in words_of(page)
    assert not page.get("plotly_chart")


def test_downloads_hold_the_tables_as_kept(book):
    for name in ("index", "trend", "models", "coefficients"):
        lines = list(csv.reader(io.StringIO(tables.csv(book.bulletin.table(name)).decode())))
        assert lines[0] == RATE_SCHEMAS[name].names
        assert len(lines) - 1 == book.bulletin.table(name).num_rows > 0


def test_a_link_to_a_rate_that_is_not_there_says_so(open_rates):
    page = open_rates(rate="tons")
    assert not page.exception
    assert "rate has no choice tons" in plain(page.warning[0].value)

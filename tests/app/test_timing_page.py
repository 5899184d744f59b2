"""The page Seasonal pattern, run headless: what it says of each case, and where figures lack."""

from __future__ import annotations

from datetime import date

import pytest

from analytics.wording.week import last_strength
from dashboard.catch_rates import records, seasonal_timing
from tests.app import sample_rates
from tests.app.rate_pages import plain, with_tables
from tests.app.reading import words_of


@pytest.fixture
def open_timing(opener):
    """Return a function that opens the page with a link, in the archive of the tests or another."""
    return opener("app_pages/seasonal_pattern.py")


def test_the_answer_tells_strength_and_dates(open_timing):
    said = plain(words_of(open_timing()))
    assert "Over all areas, this season is **stronger than past ones**" in said
    assert "through week 2036-W06 standardised encounters are **1.24 times**" in said
    assert "(95 % CI 1.05–1.47) those of 2 past seasons by the same week" in said
    assert "past ones ranged from 0.85 to 1.15 of their mean: it is above them all" in said
    assert (
        "In past seasons, a quarter was reached between 4 and 10 Jan, half between 27 Jan and 2 Feb"
        in (said)
    )
    assert "a closure, or few anglers, is no absence of fish" in said
    assert seasonal_timing.FEW in said


@pytest.mark.parametrize(
    ("area", "said"),
    [
        ("A1", "is **weaker than past ones**"),
        ("A1", "it is below them all"),
        ("A3", "is **not clearly different from past ones**"),
        ("A3", "it is among them"),
        (sample_rates.NO_INDEX, f"cannot be given ({sample_rates.NO_FISH})"),
    ],
)
def test_each_verdict_is_told(open_timing, area, said):
    assert said in plain(words_of(open_timing(area=area)))


def test_a_first_season_has_no_past(open_timing):
    page = open_timing(season="2034-35")
    said = plain(words_of(page))
    assert f"cannot be given ({sample_rates.NO_PAST})" in said
    assert "In past seasons" not in said
    assert "Cumulative share of the season" not in said
    assert "How much of an average season has come" not in said
    assert "Standardised catch rate by week" in said
    # Where no past season is drawn, no way to draw it is offered.
    assert [one.key for one in page.button_group if one.key == "past"] == []
    assert [one.key for one in open_timing().button_group if one.key == "past"] == ["past"]
    linked = open_timing(season="2034-35", past="lines")
    assert not linked.exception


def test_past_seasons_are_looked_for_without_drawing_them(rates, monkeypatch):
    monkeypatch.setattr(seasonal_timing, "runs", None)
    assert seasonal_timing.has_past(rates, [None]) and not seasonal_timing.has_past(rates, ["none"])


def test_a_ratio_without_an_interval_is_of_unknown_strength(index):
    lines = [
        line | {"ci_low": None, "ci_high": None, "past_low": None, "past_high": None}
        for line in index.bulletin.table("run_strength").to_pylist()
    ]
    found = records.read(with_tables(index, run_strength=lines))
    said = plain(seasonal_timing.pattern_answer(index, found, [None]))
    assert "**of unknown strength**" in said
    assert "1.24 times** (no interval)" in said
    assert "past ones ran" not in said


def test_the_last_week_with_a_ratio_is_told(index):
    lines = index.bulletin.table("run_strength").to_pylist()
    for line in lines:
        if line["week"] == "2036-W06":
            line |= {"ratio": None, "reason": "closed"}
    found = records.read(with_tables(index, run_strength=lines))
    assert last_strength(found.strength[None])["week"] == "2036-W05"


def test_dates_are_read_from_the_index_and_else_from_a_curve(index, rates):
    assert seasonal_timing.curve_of(rates, None) == "index"
    lines = [
        line for line in index.bulletin.table("run_dates").to_pylist() if line["curve"] != "index"
    ]
    found = records.read(with_tables(index, run_dates=lines))
    assert seasonal_timing.curve_of(found, None) == "normal"
    none = records.read(with_tables(index, run_dates=[]))
    assert "The dates of past seasons are not known." in seasonal_timing.pattern_answer(
        index, none, [None]
    )


@pytest.mark.parametrize(
    ("days", "said"),
    [
        ([date(2034, 12, 3)], "by 3 Dec"),
        ([date(2034, 12, 3), date(2035, 12, 3)], "by 3 Dec"),
        ([date(2034, 12, 3), date(2035, 12, 9)], "between 3 and 9 Dec"),
        ([date(2034, 12, 28), date(2036, 1, 4)], "between 28 Dec and 4 Jan"),
        # Earlier in its season is not earlier in the calendar: leap years, openings that move.
        ([date(2031, 12, 13), date(2032, 12, 20), date(2033, 12, 12)], "between 12 and 20 Dec"),
        ([date(2036, 2, 29), date(2035, 3, 1)], "between 29 Feb and 1 Mar"),
        ([date(2035, 6, 30), date(2034, 7, 2), date(2036, 6, 28)], "between 28 Jun and 2 Jul"),
    ],
)
def test_dates_of_several_years_are_told_together(days, said):
    assert seasonal_timing.between(seasonal_timing.in_turn(days)) == said


def test_the_tables_of_dates_have_errors_and_reasons(index, rates):
    table = plain(seasonal_timing.by_season(index, rates, [None, sample_rates.NO_INDEX]))
    assert ">2033-34</th><td data-label='A quarter'>4 Jan 2034</td>" in table
    assert sample_rates.NO_FISH in table
    curves = plain(seasonal_timing.curves(rates, None))
    assert "2033-34, normal curve" in curves
    assert "4 Jan 2034<small>± 1.3 days</small>" in curves
    assert "<td data-label='Off by'>2.1 points</td>" in curves
    assert seasonal_timing.by_season(index, rates, []) == ""


def test_the_dates_of_areas_stand_in_one_table(index, rates):
    table = plain(seasonal_timing.by_area(index, rates, [None, "A1", sample_rates.NO_INDEX]))
    assert table.count("between 27 Jan and 2 Feb") == 2
    assert "Quillon Bank" in table
    assert index.name(sample_rates.NO_INDEX) not in table
    assert seasonal_timing.by_area(index, rates, [sample_rates.NO_INDEX]) == ""


def test_where_the_season_stands_in_past_runs_is_told(open_timing, index, rates):
    day = 7 * 13 + 6
    wanted = sorted(
        next(
            line["share"]
            for line in rates.timing[season, None]
            if line["day"] == day and line["share"] is not None
        )
        for season in sample_rates.PAST
    )
    ends = f"{100 * wanted[0]:.0f}–{100 * wanted[1]:.0f} %"
    said = plain(words_of(open_timing()))
    assert f"(10 Feb), past seasons had reached **{ends}** of the total." in said
    assert ends in plain(seasonal_timing.strength(index, rates, [None]))


def test_a_past_season_closed_on_the_day_stands_at_its_last_share(index):
    lines = [
        line
        for line in index.bulletin.table("seasonal_pattern").to_pylist()
        if line["season"] != "2033-34" or not 80 < line["day"] < 110
    ]
    found = records.read(with_tables(index, seasonal_pattern=lines))
    share = next(line["share"] for line in found.timing["2033-34", None] if line["day"] == 76)
    assert seasonal_timing.come(found, None)["2033-34"] == pytest.approx(share)
    late = [line for line in lines if line["season"] != "2033-34" or line["day"] > 110]
    found = records.read(with_tables(index, seasonal_pattern=late))
    assert seasonal_timing.come(found, None)["2033-34"] == 0.0


def test_one_reason_for_all_is_told_once(open_timing, index):
    said = plain(words_of(open_timing(season="2034-35")))
    assert f"It cannot be given ({sample_rates.NO_PAST})." in said
    assert said.count(sample_rates.NO_PAST) == 2  # in the answer, and in its part
    lines = index.bulletin.table("run_strength").to_pylist()
    found = records.read(with_tables(index, run_strength=lines))
    assert seasonal_timing.why_no_strength(found, [None, sample_rates.NO_INDEX]) == ""


def test_no_table_without_a_line_is_offered(open_timing):
    names = [one.proto.label for one in open_timing(season="2034-35").get("download_button")]
    assert names == ["Download the strength by week (CSV)", "Download the shares by week (CSV)"]


def test_figures_stand_on_the_days_of_the_season(rates):
    found = seasonal_timing.runs(rates, [None, sample_rates.NO_INDEX], "share")
    assert list(found) == [None]
    one = found[None]
    assert one.start == date(2035, 11, 5)
    assert list(one.past) == ["2033-34", "2034-35"]
    assert one.now == ()  # a season in progress has no shares
    come = seasonal_timing.runs(rates, [None], "come")[None]
    assert [day for day, _ in come.now] == [7 * at + 6 for at in range(14)]
    assert one.past["2034-35"][-1] == (7 * 23 + 6, pytest.approx(1.0))
    assert len(one.curves["normal"]) == 24
    index_runs = seasonal_timing.runs(rates, [None], "index")[None]
    assert len(index_runs.now) == 14
    ends = [sample_rates.run_index(0, size, late) for size, late in ((0.85, 0.0), (1.15, 1.0))]
    assert index_runs.envelope[0] == (6, min(ends), max(ends))


def test_the_curve_is_the_mean_of_the_past_ones(index, rates):
    lines = index.bulletin.table("seasonal_pattern").to_pylist()
    mine = [
        line["normal"]
        for line in lines
        if line["area"] is None and line["day"] == 83 and line["normal"] is not None
    ]
    assert len(mine) == 2
    curve = dict(seasonal_timing.runs(rates, [None], "share")[None].curves["normal"])
    assert curve[83] == pytest.approx(sum(mine) / 2)


def test_past_seasons_are_a_band_or_lines_by_choice(open_timing):
    page = open_timing()
    assert "past seasons, the last one named" not in words_of(page)
    assert seasonal_timing.RELATIVE in words_of(page)
    page = open_timing(past="lines")
    assert not page.exception
    assert not page.warning
    assert "past seasons, the last one named" in words_of(page)
    assert "Cumulative share of the season" in words_of(page)
    assert seasonal_timing.RELATIVE not in words_of(page)
    assert page.query_params["past"] in ("lines", ["lines"])

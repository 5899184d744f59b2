"""The page Alternative estimates, run headless: every basis, and what there is where one lacks."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from types import SimpleNamespace

import pytest

from analytics.bulletin import archive
from analytics.estimates.schemas import ALTERNATIVE_SCHEMA, HEAPING_SCHEMA
from analytics.estimates.variance_components import VariancePart
from analytics.palette import DARK, LIGHT
from analytics.wording import bulletin_index, numbers
from dashboard import html_tables, style
from dashboard.alternative_estimates import bases as ways
from dashboard.alternative_estimates import tables
from dashboard.charts import alternative_estimates as chart
from dashboard.charts import bars, forest
from tests.app import sample_ways
from tests.app.reading import download_of, heads_of, table_of, words_of
from tests.app.sample_bulletin import NOW, make
from tests.store_faults import write_card

MET, KEPT, SHARE = "encounter_fish", "kept_fish", "sublegal_prop"


@pytest.fixture
def open_ways(opener):
    """Return a function that opens the page with a link, in the archive of the tests or another."""
    return opener("app_pages/alternative_estimates.py")


@pytest.fixture(scope="module")
def index():
    return bulletin_index.index_bulletin(make(NOW))


@pytest.fixture(scope="module")
def told(index):
    return ways.read(index)


def plain(words):
    return words.replace("\\", "").replace("\u00a0", " ")


def answer_of(page, start="Chinook encounters, "):
    (found,) = [one.value for one in page.markdown if one.value.startswith(start)]
    assert "None" not in found
    return plain(found)


def test_the_answer_sets_every_basis_against_the_figure_as_sampled(open_ways, index):
    page = open_ways()
    assert not page.exception
    usual = numbers.value(index.row(None, None, MET))
    words = answer_of(page)
    assert words.startswith(
        f"Chinook encounters, all areas, season through week 2036-W06: **{usual}** (95 % CI "
    )
    assert "calculated over all boats, those that land elsewhere too, **20 % higher**" in words
    assert "with effort from boats counted on the water, **5 % higher**, intervals overlap" in words
    assert words.endswith(
        "As an assumption alone: if reports ran 1.5 times too high, **25 % lower**; "
        "if reports ran 2.2 times too high, **50 % lower**."
    )
    assert "no estimate of anything" in words_of(page)


def test_an_area_is_asked_alone(open_ways):
    page = open_ways(area=[sample_ways.BUSIER, sample_ways.UNCOUNTED])
    words = answer_of(page)
    assert "no figure (no site-day sampled)" in words
    assert "Chinook encounters, Pale Hook," in words
    assert "**300 % higher**, intervals lie apart" in words
    assert "all areas" not in words
    assert len(page.get("plotly_chart")) == 2 + 2 + 2  # panels, parts, coverage, reports


def test_a_quantity_that_reports_do_not_enter_shows_no_assumption(open_ways, index, told):
    found = ways.readings(index, told, area=None, quantity=KEPT)
    assert [one.basis for one in found] == ["as_sampled", "all_boats", "boats_counted"]
    page = open_ways(show=KEPT)
    assert "As an assumption alone" not in answer_of(page, "Chinook kept, ")
    assert "no assumption moves it" in words_of(page)


def test_differences_are_told_in_percent_points_or_not_at_all(index, told):
    _, *others = ways.readings(index, told, area="A1", quantity=MET)
    usual = index.row("A1", None, MET)
    shifts = [plain(ways.shift(one, usual)) for one in others]
    assert shifts == ["20 % higher", "5 % higher", "25 % lower", "50 % lower"]
    row = index.row("A1", None, SHARE)
    less = ways.Reading("all_boats", replace(row, estimate=row.estimate - 0.04))
    assert ways.shift(less, row) == "4 points lower"
    assert ways.shift(ways.Reading("all_boats", row), row) == "the same"
    assert ways.shift(others[0], replace(usual, estimate=0.0)) == ""
    assert ways.shift(others[0], replace(usual, estimate=None)) == ""
    assert ways.against(others[0], replace(usual, ci_low=None, ci_high=None)) == ""


def test_every_panel_draws_every_interval_and_says_what_lacks(index, told):
    found = ways.readings(index, told, area=sample_ways.UNCOUNTED, quantity=MET)
    drawn = chart.panel(found, palette=LIGHT)
    lines, dots, _, assumed_lines, assumed, _, gaps = drawn.data
    rows = {one.basis: one.row for one in found}
    assert list(dots.x) == [rows["as_sampled"].estimate, rows["all_boats"].estimate]
    assert list(dots.y) == [0, 1]
    assert list(gaps.y) == [2]
    assert "no site-day sampled" in gaps.text[0]
    assert list(assumed.y) == [3, 4]
    assert assumed.marker.symbol != dots.marker.symbol
    ends = [x for x in (*lines.x, *assumed_lines.x) if x is not None]
    top = forest.axis_end(chart.forest_rows(found))
    wanted = [
        end
        for one in found
        if one.row.has_interval
        for end in (one.row.ci_low, min(one.row.ci_high, top))
    ]
    assert ends == wanted
    assert "PSE" in dots.text[0]


def test_the_title_of_a_panel_is_its_finding(open_ways, index, told):
    found = ways.readings(index, told, area="A1", quantity=MET)
    wanted = "Here: 20 % higher over all boats, 5 % higher from boats counted"
    assert plain(ways.title(found, where="Here")) == wanted
    usual = f"Here: {numbers.value(found[0].row)} as sampled"
    assert ways.title(found[:1], where="Here") == usual
    assert ways.title(found[1:], where="Here") == "Here: no figure as sampled"
    words = plain(words_of(open_ways()))
    for title in (
        "All areas: 20 % higher over all boats, 5 % higher from boats counted",
        "All areas: 75 % of the variance comes from differences between the site-days",
        "62 % of boats were for a listed site in Pale Hook, 90 % in Quillon Bank",
    ):
        assert f"**{title}" in words
    lines = index.bulletin.heaping.to_pylist()
    assert tables.reports_title(lines).startswith("Multiples of 5 are reported ")
    still = [line | {"ratio_low": 0.9} for line in lines]
    assert tables.reports_title(still).startswith("No clear sign of rounding: ")
    unknown = [line | {"ratio": None} for line in lines]
    assert "too little to test" in tables.reports_title(unknown)


def test_an_interval_that_runs_on_is_marked(index, told):
    usual, *_ = ways.readings(index, told, area=None, quantity=MET)
    wide = replace(usual.row, ci_high=9 * usual.row.estimate)
    found = [usual, ways.Reading("boats_counted", wide)]
    assert chart.is_cut(found)
    assert list(chart.panel(found, palette=LIGHT).data[2].y) == [1]
    assert not chart.is_cut([usual])


def test_coverage_is_told_drawn_and_tabled(open_ways, index):
    words = plain(words_of(open_ways()))
    assert "**62 %** in Pale Hook to **90 %** in Quillon Bank were for a listed site" in words
    assert "no boat of the area was contacted: taken from all areas together" in words
    lines = tables.share_lines(index, ())
    drawn = forest.coverage(lines, names=index.names, palette=DARK)
    assert list(drawn.data[1].x) == [0.9, 0.85, 0.62]
    assert list(drawn.data[1].marker.symbol) == ["circle", "circle-open", "circle"]
    assert list(drawn.data[0].x)[:2] == pytest.approx([0.86, 0.94])
    # The share of all areas is said of no area, even where it is the least or the only one.
    pooled = next(line for line in lines if line["is_pooled"])
    least = [line | {"share": 0.2} if line is pooled else line for line in lines]
    assert tables.shares_title(least, index=index) == tables.shares_title(lines, index=index)
    for said in (tables.shares_title, tables.shares_words):
        assert index.name(pooled["area"]) not in said([pooled], index=index)
        assert "85" in said([pooled], index=index)
    alone = tables.share_lines(index, ("A1",))
    assert [line["area"] for line in alone] == ["A1"]
    assert "Note" not in tables.shares_table(alone, index=index)


def test_reports_are_told_with_the_test(open_ways, index):
    lines = index.bulletin.heaping.to_pylist()
    words = plain(words_of(open_ways()))
    assert f"sublegal fish **{lines[0]['ratio']:.2f}** times (95 % CI " in words
    assert "p under 0.001" in words
    assert f"of {sum(sample_ways.BOATS)} reports were rounded there" in words
    still = [line | {"ratio_low": 0.9, "p_value": 0.2} for line in lines]
    assert "no clear sign of rounding" in tables.reports_words(still)
    counts, curve = bars.reports(lines, palette=LIGHT).data
    assert list(counts.y) == list(sample_ways.BOATS)
    assert [
        fish for fish, shape in zip(counts.x, counts.marker.pattern.shape, strict=True) if shape
    ]
    assert list(curve.y) == [line["smooth"] for line in lines]


@pytest.mark.parametrize("colours", [LIGHT, DARK])
def test_the_legends_have_the_colours_of_what_they_name(open_ways, index, told, colours):
    found = ways.readings(index, told, area=sample_ways.UNCOUNTED, quantity=MET)
    dots, assumed, gaps = (chart.panel(found, palette=colours).data[at] for at in (1, 4, 6))
    counts, curve = bars.reports(index.bulletin.heaping.to_pylist(), palette=colours).data
    of_bar = dict(zip(counts.marker.pattern.shape, counts.marker.color, strict=True))
    drawn = {
        "stated assumption": assumed.marker.color,
        "no figure": gaps.marker.color,
        "boats at a multiple of 5": of_bar["/"],
        "smooth curve through the other numbers": curve.line.color,
    }
    page = words_of(open_ways())
    for words, colour in drawn.items():
        (hue,) = re.findall(rf"<b class='bm-(\w+)'>.</b> {words}</span>", page)
        assert getattr(colours, hue) == colour
        assert f".bm-legend b.bm-{hue} {{color: var(--bm-{hue});}}" in style.sheet(colours)
        assert f"--bm-{hue}: {colour};" in style.sheet(colours)
    for words, colour in {"estimate": dots.marker.color, "boats at another": of_bar[""]}.items():
        assert re.search(rf"<b>.</b> {words}", page)
        assert ".bm-legend b {color: var(--bm-sea);" in style.sheet(colours)
        assert f"--bm-sea: {colour};" in style.sheet(colours)


def test_the_figure_of_reports_ends_before_a_long_tail():
    lines = [{"fish": fish, "boats": 100 if fish < 14 else 1} for fish in range(1, 40)]
    assert len(bars.shown(lines)) == 26  # 13 are left of 1,326: one in a hundred, no more
    assert bars.shown(lines[:5]) == lines[:5]


def test_a_basis_that_lacks_is_explained(open_ways):
    page = open_ways(season="2034-35")
    assert not page.exception
    words = plain(words_of(page))
    assert "No figures from boats counted on the water beside the others: no boat count" in words
    assert "No figures over all boats beside the others: import the table coverage" in words
    assert "No boat met on the water on an open day was asked" in words
    assert "was not tested: 12 reports of a fish or more; a test needs 100." in words
    assert "over all boats, those" not in answer_of(page)


def test_nothing_reported_is_an_answer():
    assert tables.reports_words([]).startswith("No boat of the season reported a sublegal")


def test_uneven_days_are_named_where_their_area_is_shown(open_ways):
    assert "Pale Hook has uneven days: interviews cover 2.0 to 9.0 %" in plain(
        words_of(open_ways())
    )
    assert "uneven days" not in words_of(open_ways(area="A1"))


def test_an_older_bulletin_says_that_it_has_one_way(open_ways, tmp_path):
    archive.save(tmp_path, make(NOW))
    path = tmp_path / make(NOW).card.bulletin / archive.CARD_FILE
    old = json.loads(path.read_text())
    del old["tables"]
    write_card(path, json.dumps(old))
    page = open_ways(folder=tmp_path)
    assert not page.exception
    assert "kept before bulletins calculated in other ways" in words_of(page)
    assert not page.get("plotly_chart")


def test_downloads_hold_the_tables_as_kept(index):
    kept = html_tables.of_areas(index.bulletin.alternative_estimates, areas=("A1",))
    heads, *lines = download_of(html_tables.with_precision(kept), index)
    assert heads == heads_of([*ALTERNATIVE_SCHEMA.names, "pse_percent", "precision"])
    assert {line[heads.index("area")] for line in lines} == {"A1"}
    assert len(lines) == kept.num_rows > 0
    heads, *_ = download_of(index.bulletin.heaping, index)
    assert heads == HEAPING_SCHEMA.names


def test_the_link_holds_the_choices(open_ways):
    page = open_ways(area="A1", show=SHARE)
    assert page.query_params["show"] == SHARE
    assert page.query_params["area"] == "A1"
    assert not page.warning
    assert not {"nan", "None", "inf"} & set(words_of(page).split())


def test_an_empty_archive_says_what_to_do(open_ways, tmp_path):
    page = open_ways(folder=tmp_path / "none yet")
    assert not page.exception
    assert "There is no bulletin to show yet" in words_of(page)


def test_an_error_is_taken_apart(open_ways, index):
    page = open_ways()
    words = answer_of(page, "All areas: ")
    assert words.startswith(
        "All areas: **75 %** of the variance comes from **differences between the site-days of a "
        "stratum**, then 15 % from boats that were not interviewed, 10 % from strata that were not "
        "sampled. "
    )
    assert words.endswith("What would make it smaller: more site-days.")
    assert [tables.Share("", one).words[:5] for one in (9.8e-6, 0.0, 0.17)] == [
        "under",
        "0\xa0%",
        "17\xa0%",
    ]
    found = tables.variance_shares(index, area=None, quantity=MET, split="week")
    assert len(found) == tables.MOST_LINES + 1
    assert found[-1].label == tables.REST
    assert sum(one.share for one in found) == pytest.approx(1)
    deaths = tables.variance_shares(
        index, area=None, quantity="total_deaths_fish", split="landing_area"
    )
    assert deaths[0].label == "rates of death"


def test_every_part_has_words():
    assert set(tables.PARTS) == {str(one) for one in VariancePart}


def test_a_bulletin_whose_totals_have_no_parts_says_so(open_ways):
    page = open_ways(season="2034-35")
    assert not page.exception
    assert "has no parts of variances" in words_of(page)


def test_no_claim_that_reports_do_not_enter_where_nothing_is_known(index):
    none = {at: replace(row, estimate=None) for at, row in index.rows.items()}
    basis = f"{ways._DIVIDED}2.2"
    row = none[None, None, "encounter_fish"]
    known = SimpleNamespace(rows={(basis, None, "encounter_fish"): row})
    assert ways.is_touched(replace(index, rows=none), known, "encounter_fish")
    same = SimpleNamespace(rows={(basis, None, "kept_fish"): index.row(None, None, "kept_fish")})
    assert not ways.is_touched(index, same, "kept_fish")


def test_parts_of_a_variance_are_given_under_their_names():
    parts = [tables.Share("between site-days", 0.75, "between_units"), tables.Share("x", 0.25)]
    columns, lines = table_of(chart.variance_bars({"kinds": parts}, palette=LIGHT))
    assert columns == ["split", "part", "label", "share_of_variance"]
    assert lines == [
        ["kinds", "between_units", "between site-days", 0.75],
        ["kinds", None, "x", 0.25],
    ]

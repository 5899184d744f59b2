"""The pages of the season in a real browser: they draw, answer a moved slider, and fit."""

from __future__ import annotations

import io
from datetime import date

import pypdf
import pytest

from analytics.options.option import Change, Option, OptionSet
from analytics.options.option_file import read_options, to_link
from analytics.options.schemas import ANSWER_SCHEMAS
from analytics.outlook.schemas import OUTLOOK_SCHEMAS
from tests.app import sample_season
from tests.browser.printing import sizes_of
from tests.browser.screens import CHARTS, SEASON_CHARTS, settle
from tests.browser.visiting import (
    assert_fits,
    assert_labels_whole,
    assert_wide,
    downloaded,
    head_of,
    pick,
    turn_to,
)

pytestmark = pytest.mark.browser
STANDING = {"page": "season_limits", "charts": CHARTS["season_limits"]}
ACCURACY = {"page": "projection_accuracy", "charts": CHARTS["projection_accuracy"]}
CHANGE = {"page": "compare_rules", "charts": CHARTS["compare_rules"]}
SET = OptionSet(
    "",
    (
        Option("Close Quillon Bank early", (Change(("A1",), close_from=date(2036, 3, 3)),)),
        Option("Fewer trips", (Change(effort_factor=0.8),), elasticity=0.5),
    ),
)
WITH_SET = f"set={to_link(SET)}"
TEN = OptionSet(
    "",
    tuple(
        Option(f"Fewer trips and a long name, number {at}", (Change(effort_factor=1 - at / 20),))
        for at in range(1, 11)
    ),
)
WITH_TEN = f"set={to_link(TEN)}"


def answer(page) -> str:
    return page.locator(".st-key-answer").inner_text()


def test_the_standing_is_drawn_whole_and_its_table_given(visit, tmp_path):
    page = visit().open(**STANDING)
    require_fits(page)
    assert "of the limit on sublegal releases in Quillon Bank is used" in answer(page)
    bars = page.locator(".st-key-season-bars .barlayer .point")
    assert bars.count() == len(sample_season.LIMITS) - 1  # one has no total
    fan = page.locator(".st-key-season-fan")
    assert fan.locator(".js-fill").count() == 3
    assert fan.locator(".shapelayer path").count() == 2
    said = "Sublegal releases, Quillon Bank by week against a limit of 2,400"
    assert page.get_by_role("figure", name=said).count() == 1
    require_downloads(page, tmp_path, {"Download the state of the limits": "limit_status"})


def test_another_limit_is_drawn_and_stands_in_the_link(visit):
    page = visit().open(f"limit={sample_season.SUM}", **STANDING)
    said = "Unmarked encounters, Quillon Bank and Sorrel Narrows by week"
    assert page.get_by_role("figure", name=said).count() == 1
    assert page.locator("[data-testid=stAlert]").count() == 0


def test_another_limit_is_drawn_alone_and_stands_in_the_link(visit):
    page = visit().open(**STANDING)
    page.evaluate("document.querySelector('.st-key-season-bars').dataset.mine = 'yes'")
    field = page.locator(".st-key-limit").get_by_role("combobox")
    field.scroll_into_view_if_needed()
    field.focus()
    field.fill("Unmarked")  # the list opens and holds what matches
    page.get_by_role("option", name="Unmarked encounters").click()
    page.wait_for_function("() => location.search.includes('limit=S-5')")
    page.get_by_role("figure", name="Sorrel Narrows by week against").wait_for()
    settle(page, charts=CHARTS["season_limits"])
    assert page.locator(".st-key-season-bars[data-mine=yes]").count() == 1
    page.reload()
    page.get_by_role("figure", name="Sorrel Narrows by week against").wait_for()


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1280, "light")])
def test_a_pasted_link_answers_each_option_on_a_phone_and_a_desk(visit, width, scheme):
    page = visit(width=width, scheme=scheme).open(WITH_SET, **CHANGE)
    told = answer(page)
    assert "Close Quillon Bank early saves about" in told
    assert "Fewer trips saves about" in told
    assert page.locator("[class*=st-key-season-shift-] .js-plotly-plot").count() == 5
    assert page.locator(".bm-options tbody tr").count() == 3
    require_fits(page)


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1280, "light")])
def test_ten_options_fit_a_phone_and_a_desk(visit, width, scheme):
    require_fits(visit(width=width, scheme=scheme).open(WITH_TEN, **CHANGE))


def require_fits(page):
    """Require that nothing sticks out or is cut and that figures are wide enough to read."""
    assert_fits(page)
    assert_labels_whole(page)
    assert_wide(page, SEASON_CHARTS)


def test_a_moved_slider_answers_anew_and_changes_the_link(visit):
    page = visit().open(WITH_SET, **CHANGE)
    before, link = answer(page), page.url
    page.get_by_text("2 · Fewer trips").click()
    slider = page.get_by_role("slider", name="Trips of an open day")
    slider.wait_for()
    slider.focus()
    slider.press("ArrowLeft")
    page.wait_for_function("(link) => location.href !== link", arg=link)
    page.wait_for_function(
        "(told) => document.querySelector('.st-key-answer').innerText !== told", arg=before
    )
    settle(page, charts=CHARTS["compare_rules"])
    assert answer(page).split("\n\n")[0] == before.split("\n\n")[0]


def test_a_date_left_incomplete_is_said_and_the_one_before_counts(visit):
    page = visit().open(WITH_SET, **CHANGE)
    field = page.get_by_test_id("stDateInput").first
    before = field.get_by_role("group").inner_text()
    field.get_by_role("spinbutton").first.focus()
    page.keyboard.press("Backspace")
    for _ in range(4):
        page.keyboard.press("Backspace")
    page.get_by_role("heading", level=1).click()
    note = field.get_by_role("alert")
    note.wait_for()
    assert "left incomplete and is not taken" in note.inner_text()
    assert "".join(before.split()) in "".join(note.inner_text().split())
    assert "".join(field.get_by_role("group").inner_text().split()) == "".join(before.split())
    field.get_by_role("spinbutton").first.focus()
    note.wait_for(state="detached")


@pytest.mark.parametrize("width", [1280, 390])
def test_how_far_a_rule_may_go_is_asked_answered_and_made_an_option(visit, width):
    page = visit(width=width).open("keep=S-1&risk=0.5", **CHANGE)
    pick(page, "find", "latest closing date")
    part = page.locator(".st-key-how-far")
    part.get_by_text("keeps the chance of exceeding").first.wait_for()
    page.wait_for_function("() => location.search.includes('find=close')")
    assert "open through" in part.inner_text()
    part.get_by_text("Opportunity against risk").click()
    frontier = page.locator(".st-key-frontier .js-plotly-plot")
    frontier.locator(".scatterlayer .points path").first.wait_for()
    assert page.get_by_role("figure", name="Most angler trips at a risk of 50").count() == 1
    assert_fits(page)
    page.get_by_role("button", name="Make this point an option").click()
    page.get_by_text("2 · Through").first.wait_for()


def test_another_page_and_back_brings_the_options(visit):
    page = visit().open(WITH_SET, **CHANGE)
    page.get_by_role("button", name="Add an option").click()
    page.get_by_text("3 · Option 3").wait_for()
    settle(page, charts=CHARTS["compare_rules"])
    page.wait_for_function(
        "(query) => location.search.includes('set=') && !location.search.includes(query)",
        arg=WITH_SET,
    )
    link = page.url
    turn_to(page, "Season limits")
    page.get_by_role("heading", name="Season limits", level=1).wait_for()
    settle(page, charts=CHARTS["season_limits"])
    page.wait_for_function("() => location.search.includes('limit=')")
    page.go_back()
    page.get_by_text("3 · Option 3").wait_for()
    settle(page, charts=CHARTS["compare_rules"])
    assert page.url == link
    assert "Option 3" in answer(page)


def test_a_file_of_options_is_refused_in_words_or_loaded_answered_and_saved(visit, tmp_path):
    path = tmp_path / "options.toml"
    bad = tmp_path / "bad.toml"
    bad.write_text('[[option]]\nnam = "x"\n')
    path.write_text('[[option]]\nname = "Weekends"\n[[option.change]]\nopen_weekdays = "67"\n')
    page = visit().open(WITH_SET, **CHANGE)
    page.get_by_text("Save, share or load the options").click()
    page.locator("input[type=file]").set_input_files(bad)
    page.get_by_text('unknown key "nam"').wait_for()
    assert "Close Quillon Bank early" in answer(page)
    page.locator("input[type=file]").set_input_files(path)
    page.locator(".st-key-answer").get_by_text("Weekends").wait_for()
    settle(page, charts=CHARTS["compare_rules"])
    with page.expect_download() as download:
        page.get_by_role("button", name="Save the options").click()
    assert download.value.suggested_filename == "2035-36.options.toml"
    saved = tmp_path / "saved.toml"
    download.value.save_as(saved)
    assert read_options(saved.read_bytes()) == read_options(path.read_bytes())
    require_downloads(
        page,
        tmp_path,
        {
            "Download the figures": "options.figures",
            "Download the limits": "options.limit_exceedance",
        },
    )


def test_the_tables_of_past_projections_are_given(visit, tmp_path):
    page = visit().open(**ACCURACY)
    require_downloads(page, tmp_path, {"Download the projections": "backtest"})


def require_downloads(page, into, names):
    """Require that buttons give the tables of a bulletin or an answer, by the buttons' words."""
    for words, name in names.items():
        file, text = downloaded(page, words, into)
        assert file == f"2035-36.2036-W06.v3.{name}.csv"
        columns = (OUTLOOK_SCHEMAS | ANSWER_SCHEMAS)[name.removeprefix("options.")].names
        assert text.startswith(head_of(columns))


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_limits_are_printed_on_two_sheets(visit, paper):
    page = visit().open(page="season_limits", charts=CHARTS["season_limits"])
    sheets = pypdf.PdfReader(io.BytesIO(page.pdf(format=paper))).pages
    assert len(sheets) <= 2
    words = "".join("".join(sheet.extract_text() for sheet in sheets).split())
    for name in page.locator(".bm-limits tbody th").all_inner_texts():
        assert "".join(name.split("\n")[0].split()) in words
    assert min(sizes_of(sheets)) >= 7  # points, also those of the figures

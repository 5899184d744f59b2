"""The page Revisions in a real browser: it draws, keeps the choices of the other page, fits."""

from __future__ import annotations

from urllib.parse import parse_qs, urlparse

import pytest

from tests.browser.screens import CHARTS, settle, settle_any
from tests.browser.visiting import assert_fits, downloaded, turn_to

pytestmark = pytest.mark.browser
HERE = {"page": "revisions", "charts": CHARTS["revisions"]}


def answer(page) -> str:
    return page.locator(".st-key-answer").inner_text()


def test_the_page_is_drawn_whole(visit):
    page = visit().open(**HERE)
    assert "Summed over the weeks that the bulletin through week 2036-W06" in answer(page)
    page.get_by_text("weekly figures of Chinook encounters (each area").wait_for()
    dots = page.locator(".st-key-moved-chart .scatterlayer .points path").count()
    lines = page.locator(".st-key-moved-chart .yaxislayer-above .ytick").count()
    assert lines == 6
    # One move has no figure before, another none now; one interval runs on.
    assert dots >= 2 * lines - 2
    box = page.locator(".st-key-moved-chart .js-plotly-plot").bounding_box()
    assert box["width"] > 700
    assert box["height"] > 300
    assert page.get_by_role("figure", name="Chinook encounters before and now").count() == 1
    assert_fits(page)


@pytest.mark.parametrize(("query", "n_charts"), [("bulletin=older", 0), ("", 1)])
def test_a_first_bulletin_has_no_figure_to_wait_for(visit, query, n_charts):
    page = visit().open(query, page="revisions", charts="")
    settle_any(page, charts=CHARTS["revisions"])
    assert page.locator(CHARTS["revisions"]).count() == n_charts
    assert page.locator(f"{CHARTS['revisions']} .cartesianlayer").count() == n_charts


def test_the_answer_follows_area_and_quantity_and_the_download_is_every_move(visit, tmp_path):
    page = visit().open(**HERE)
    page.locator(".st-key-area").get_by_role("combobox").click()
    page.get_by_role("option", name="Quillon Bank").first.click()
    page.wait_for_function("() => location.search.includes('area=A1')")
    page.locator(".st-key-show").get_by_text("Sublegal share").click()
    page.wait_for_function("() => location.search.includes('show=sublegal_prop')")
    page.get_by_text("weekly figures of sublegal share in Quillon Bank").wait_for()
    file, text = downloaded(page, "Download all revisions", tmp_path)
    assert file == "2035-36.2036-W06.v3.revisions.csv"
    lines = text.splitlines()
    assert lines[0].startswith(
        "season,area,area_name,week,quantity,unit,kind,previous,estimate,change,"
    )
    assert len(lines) > 1
    assert all(line.startswith("2035-36,A1,") for line in lines[1:])


def test_choices_go_from_page_to_page(visit):
    page = visit().open("week=2036-W05&area=A3&show=kept_fish")
    turn_to(page, "Revisions")
    page.get_by_text("weekly figures of Chinook kept in Pale Hook").wait_for()
    settle(page, charts=CHARTS["revisions"])
    assert parse_qs(urlparse(page.url).query) == {
        "season": ["2035-36"],
        "area": ["A3"],
        "show": ["kept_fish"],
    }
    turn_to(page, "This week")
    page.get_by_text("In week 2036-W05, in Pale Hook").wait_for()
    settle(page)
    assert page.locator("[data-testid=stAlert]").count() == 0

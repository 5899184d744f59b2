"""The page Alternative estimates in a real browser: it draws, follows the choices, fits."""

from __future__ import annotations

import pytest

from tests.browser.screens import CHARTS
from tests.browser.visiting import assert_fits, downloaded

pytestmark = pytest.mark.browser
HERE = {"page": "alternative_estimates", "charts": CHARTS["alternative_estimates"]}


def answer(page) -> str:
    return page.locator(".st-key-answer").inner_text()


def test_the_page_is_drawn_whole(visit):
    page = visit().open(**HERE)
    assert answer(page).startswith("Chinook encounters, all areas, season through week 2036-W06")
    panels = page.locator("[class*=st-key-ways-] .js-plotly-plot")
    assert panels.count() == 1
    page.get_by_text("Area by area").click()
    page.locator(".st-key-ways-A3 .js-plotly-plot .points path").first.wait_for()
    assert panels.count() == 7
    dots = page.locator(".st-key-ways-all .scatterlayer .points path").count()
    assert dots == 5
    assert page.locator(".st-key-coverage-chart .scatterlayer .points path").count() == 3
    assert page.locator(".st-key-reports-chart .barlayer .point").count() == 20
    assert page.get_by_role("figure", name="Chinook encounters, All areas, by how").count() == 1
    assert_fits(page)


def test_the_answer_follows_the_choices_and_the_downloads_are_the_tables(visit, tmp_path):
    page = visit().open("area=A3", **HERE)
    page.locator(".st-key-show").get_by_text("Chinook kept").click()
    page.wait_for_function("() => location.search.includes('show=kept_fish')")
    page.get_by_text("Chinook kept, Pale Hook, season through").wait_for()
    assert "300" in answer(page)
    for words, name, start in (
        (
            "Download all alternative estimates",
            "alternative_estimates",
            "alternative,season,area,area_name,week,quantity,unit",
        ),
        ("Download coverage", "coverage", "season,area,area_name,n_days,boats"),
        ("Download the table of reports", "heaping", "season,fish,boats,smooth,is_heap"),
    ):
        file, text = downloaded(page, words, tmp_path)
        assert file == f"2035-36.2036-W06.v3.{name}.csv"
        assert text.startswith(start)

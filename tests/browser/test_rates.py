"""The pages Catch rates and Seasonal pattern in a real browser: they draw, follow choices, fit."""

from __future__ import annotations

import pytest

from analytics.catch_rates.schemas import RATE_SCHEMAS
from tests.browser.screens import CHARTS, settle
from tests.browser.visiting import assert_fits, assert_labels_whole, downloaded, head_of

pytestmark = pytest.mark.browser
RATES = {"page": "catch_rates", "charts": CHARTS["catch_rates"]}
TIMING = {"page": "seasonal_pattern", "charts": CHARTS["seasonal_pattern"]}


def answer(page) -> str:
    return page.locator(".st-key-answer").inner_text()


def test_catch_rates_are_drawn_whole(visit):
    page = visit().open(**RATES)
    assert answer(page).startswith("Over all areas, encounters per angler-hour are 0.58")
    # All areas, and five of six: one has no fish at all.
    plot = page.locator(".st-key-rates-weeks .js-plotly-plot")
    assert plot.count() == 1
    assert plot.locator(".cartesianlayer .subplot").count() == 6
    said = "Encounters per angler-hour, Quillon Bank by week"
    assert page.get_by_role("figure", name=said).count() == 1
    shown = plot.locator(".scatterlayer .points path").count()
    page.locator(".st-key-layers").get_by_text("With design-based rates").click()
    page.wait_for_function("() => location.search.includes('layers=all')")
    settle(page, charts=CHARTS["catch_rates"])
    assert plot.locator(".scatterlayer .points path").count() > shown + 5 * 12


def test_the_buttons_change_the_rate_and_give_the_tables(visit, tmp_path):
    page = visit().open("area=A3", **RATES)
    require_downloads(
        page, tmp_path, {"Download the index": "index", "Download the trend": "trend"}
    )
    page.locator(".st-key-rate").get_by_text("Sublegal share", exact=True).click()
    page.wait_for_function("() => location.search.includes('rate=sublegal')")
    page.locator(".st-key-answer").get_by_text("sublegal share of encounters is").wait_for()
    settle(page, charts=CHARTS["catch_rates"])
    assert page.locator("[data-testid=stAlert]").count() == 0


@pytest.mark.parametrize("width", [1280, 390])
def test_the_regressions_open(visit, width):
    page = visit(width=width).open(**RATES)
    page.get_by_text("The regressions behind").first.click()
    page.locator(".st-key-rates-residuals svg.main-svg").first.wait_for()
    settle(page, charts=CHARTS["catch_rates"])
    plot = page.locator(".st-key-rates-ratios .js-plotly-plot").bounding_box()
    assert plot["width"] > 250
    assert_fits(page)
    assert_labels_whole(page)


def test_the_run_is_drawn_its_areas_open_and_its_tables_are_given(visit, tmp_path):
    page = visit().open(**TIMING)
    require_downloads(
        page,
        tmp_path,
        {"Download the strength": "run_strength", "Download the dates": "run_dates"},
    )
    assert "this season is stronger than past ones" in answer(page)
    now = page.locator(".st-key-rates-index-all .scatterlayer .points path")
    assert now.count() == 14
    page.get_by_text("The shares by area").click()
    page.locator(".st-key-rates-came-A1 svg.main-svg").first.wait_for()
    settle(page, charts=CHARTS["seasonal_pattern"])
    assert page.locator(".st-key-rates-came-A1 .js-plotly-plot").bounding_box()["width"] > 250


def require_downloads(page, into, names):
    """Require that buttons give the tables of a bulletin, by the buttons' words."""
    for words, name in names.items():
        file, text = downloaded(page, words, into)
        assert file == f"2035-36.2036-W06.v3.{name}.csv"
        assert text.startswith(head_of(RATE_SCHEMAS[name].names))

"""Local waters in a real browser: on one sheet, on a phone, chosen on the map, in two languages."""

from __future__ import annotations

import io
import re

import pypdf
import pytest

from tests.browser.screens import CHARTS
from tests.browser.visiting import assert_fits

pytestmark = pytest.mark.browser
MAP = CHARTS["waters"]


def body(page):
    return page.get_by_test_id("stMainBlockContainer")


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_the_page_fits_and_has_few_numbers(visit, width, scheme):
    page = visit(width=width, scheme=scheme).open("area=A1", page="waters", charts=MAP)
    assert_fits(page)
    assert len(re.findall(r"\d+(?:[.,]\d+)*", body(page).inner_text())) < 60


@pytest.mark.parametrize("query", ["area=A1", "area=A5&lang=es"])
def test_the_page_prints_on_one_sheet(visit, query):
    visit_one = visit()
    page = visit_one.page
    if "lang" in query:  # its last heading is not that of the other pages
        page.goto(f"{visit_one.address}/waters?{query}")
        page.get_by_text("En el agua en invierno").wait_for()
        page.locator(f"{MAP} svg.main-svg").first.wait_for()
    else:
        page = visit_one.open(query, page="waters", charts=MAP)
    for paper in ("Letter", "A4"):
        sheets = pypdf.PdfReader(io.BytesIO(page.pdf(format=paper))).pages
        assert len(sheets) == 1


def test_tools_and_the_page_itself_are_in_the_language(visit):
    one = visit(is_new=True)
    page = one.page
    page.goto(f"{one.address}/waters?lang=es")
    page.locator(f"{MAP} svg.main-svg").first.wait_for()
    page.locator(".bm-pictures button").first.wait_for(state="attached")
    page.wait_for_function("document.documentElement.lang === 'es'")
    labels = page.eval_on_selector_all(
        ".bm-pictures button", "found => found.map(one => one.getAttribute('aria-label'))"
    )
    assert labels
    assert all(label.startswith("Guardar ") for label in labels)


def test_an_area_is_chosen_on_the_map_and_stands_in_the_link(visit):
    page = visit().open("area=A1", page="waters", charts=MAP)
    point = page.locator(f"{MAP} .scatterlayer .trace:last-child .points path").nth(2)
    box = point.bounding_box()
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.wait_for_url(re.compile("area=A3"))
    assert "Pale Hook" in page.locator(".st-key-answer").inner_text()

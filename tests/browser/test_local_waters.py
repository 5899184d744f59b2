"""Local waters in a real browser: on one sheet, on a phone, chosen on the map, in two languages."""

from __future__ import annotations

import io
import re

import pypdf
import pytest

from tests.browser.screens import CHARTS

pytestmark = pytest.mark.browser
MAP = CHARTS["waters"]


def body(page):
    return page.get_by_test_id("stMainBlockContainer")


def require_one_sheet(page):
    """Require that the page prints on one sheet of either paper."""
    for paper in ("Letter", "A4"):
        sheets = pypdf.PdfReader(io.BytesIO(page.pdf(format=paper))).pages
        assert len(sheets) == 1


def test_the_page_has_few_numbers_prints_on_one_sheet_and_follows_the_map(visit):
    page = visit().open("area=A1", page="waters", charts=MAP)
    assert len(re.findall(r"\d+(?:[.,]\d+)*", body(page).inner_text())) < 60
    require_one_sheet(page)
    point = page.locator(f"{MAP} .scatterlayer .trace:last-child .points path").nth(2)
    box = point.bounding_box()
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.wait_for_url(re.compile("area=A3"))
    assert "Pale Hook" in page.locator(".st-key-answer").inner_text()


def test_the_page_is_in_the_language_also_its_tools_and_on_one_sheet(visit):
    one = visit(is_new=True)
    page = one.page
    page.goto(f"{one.address}/waters?area=A5&lang=es")
    page.get_by_text("En el agua en invierno").wait_for()  # its last heading
    page.locator(f"{MAP} svg.main-svg").first.wait_for()
    page.locator(".bm-pictures button").first.wait_for(state="attached")
    page.wait_for_function("() => document.documentElement.lang === 'es'")
    labels = page.eval_on_selector_all(
        ".bm-pictures button", "found => found.map(one => one.getAttribute('aria-label'))"
    )
    assert labels
    assert all(label.startswith("Guardar ") for label in labels)
    require_one_sheet(page)


def test_the_menu_of_a_phone_is_named_in_the_language(visit):
    one = visit(width=390, is_new=True)
    page = one.page
    page.goto(f"{one.address}/waters?area=A5&lang=es")
    button = page.get_by_role("button", name="Menú", exact=True)
    button.wait_for()
    shown = "one => getComputedStyle(one, '::after').content"
    assert button.evaluate(shown) == '"Menú"'
    button.click()
    page.get_by_role("button", name="Cerrar el menú", exact=True).click()
    button.wait_for()
    # A page without a catalogue of that language has it in English again.
    page.goto(f"{one.address}/?lang=es")
    page.get_by_role("button", name="Menu", exact=True).wait_for()

"""The page *Methods and cautions* in a real browser: it draws, follows links, fits a phone."""

from __future__ import annotations

import pytest

from tests.browser.screens import CHARTS
from tests.browser.visiting import assert_fits, pick

pytestmark = pytest.mark.browser
TEXT_OUT = """() => [...document.querySelectorAll(
    '.st-key-document-text :is(h1, h2, h3, p, li, table, pre)')]
  .filter(one => one.offsetParent && one.getBoundingClientRect().right > innerWidth + 1)
  .map(one => one.outerHTML.slice(0, 90))"""
HERE = {"page": "methods", "charts": CHARTS["methods"]}


def test_a_link_between_documents_opens_the_other(visit):
    page = visit().open("document=sampling", **HERE)
    link = page.locator(".st-key-document-text").get_by_role("link", name="Validation")
    address = link.evaluate("link => link.href")
    page.goto(address)
    page.locator(".st-key-document-text").get_by_role("heading", name="Validation").wait_for()
    page.get_by_role("combobox", name="Document").wait_for()


def test_nothing_sticks_out_of_a_phone(visit):
    page = visit(width=390).open("document=sampling", **HERE)
    assert_fits(page, TEXT_OUT)
    for document, title in (("data_dictionary", "Data dictionary"), ("commands", "Commands")):
        pick(page, "document", title)
        page.wait_for_function(f"() => location.search.includes('document={document}')")
        page.locator(".st-key-document-text").get_by_role("heading", name=title).first.wait_for()
        assert_fits(page, TEXT_OUT)

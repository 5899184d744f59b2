"""A paper form keyed in a real browser by the keyboard alone, and stored; both pages on a phone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect

from analytics.data.store import Store
from tests.browser import serving
from tests.browser.visiting import assert_fits
from tests.field_week import field_store

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser
PATIENCE = 30_000
#: Milliseconds between keys: a quick typist.
KEY = 60
#: No cell is open, and the page has drawn what the checks say.
FREE = "document.activeElement.tagName !== 'TEXTAREA'"
IDLE = (
    "!document.querySelector('[data-testid=stStatusWidget]')"
    " && !document.querySelector('[data-stale=true]')"
)
BOATS = (
    ("A", "2", "3.5", "yes", "trolling", "1", "0", "3"),
    ("A", "1", "5", "yes", "mooching", "0", "1", "2"),
)


@pytest.fixture(scope="module")
def served(
    chromium: Browser, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[str, Store]]:
    folder = tmp_path_factory.mktemp("forms")
    field_store(folder)
    store = folder / "store"
    with serving.dashboard(store / "bulletins", log=folder / "log", store=store) as address:
        yield address, Store(store)
    assert "Traceback" not in (folder / "log").read_text()


def opened(browser: Browser, address: str, width: int, shown: str) -> Page:
    page = browser.new_context(viewport={"width": width, "height": 900}).new_page()
    page.set_default_timeout(PATIENCE)
    page.goto(address)
    page.get_by_text(shown).first.wait_for()
    page.wait_for_function(IDLE)
    return page


def tab_to(page: Page, what: str) -> None:
    """Press Tab, Escape first where a grid holds the key, until an element has the focus."""
    for _ in range(60):
        if page.evaluate(f"(one => {what})(document.activeElement)"):
            return
        if page.evaluate("document.activeElement.tagName === 'TD'"):
            page.keyboard.press("Escape")
            page.wait_for_timeout(3 * KEY)
        page.keyboard.press("Tab")
        page.wait_for_timeout(2 * KEY)
    raise AssertionError(what)


def key_line(page: Page, cells: tuple[str, ...]) -> None:
    for text in cells:
        page.keyboard.type(text, delay=KEY)
        page.keyboard.press("Tab")
        page.wait_for_function(FREE)
        page.wait_for_timeout(KEY)


def next_line(page: Page) -> None:
    for key in ("ArrowDown", "Home", "Tab"):
        page.keyboard.press(key)
        page.wait_for_timeout(KEY)


def key_form(page: Page) -> None:
    """Key a form by the keyboard alone, and wait until the page has every cell of it."""
    page.get_by_label("Site", exact=True).focus()
    page.keyboard.type("r1", delay=KEY)
    page.keyboard.press("Enter")
    for label, text in (("Date", "2031-01-14"), ("Boats returned", "2")):
        tab_to(page, f"one.getAttribute('aria-label') === '{label}'")
        page.keyboard.type(text, delay=KEY)
        page.keyboard.press("Enter")
        page.wait_for_function(IDLE)
    page.get_by_text("Becomes site-day r1-20310114").wait_for()
    tab_to(page, "one.closest('[class*=st-key-keying-boats]') !== null")
    page.keyboard.press("ArrowRight")
    for cells in BOATS:
        key_line(page, cells)
        next_line(page)
    page.get_by_text("2 boats, 0 fish measured").wait_for()
    page.get_by_text("nothing to correct").wait_for()
    page.wait_for_function(IDLE)


def test_a_form_is_keyed_without_a_mouse(chromium: Browser, served: tuple[str, Store]):
    address, store = served
    page = opened(chromium, f"{address}/paper_forms", 1280, "Check and store")
    key_form(page)
    tab_to(page, "one.textContent === 'Store the form'")
    page.keyboard.press("Enter")
    page.get_by_text("is stored").first.wait_for()
    rows = store.read("interviews").to_pylist()
    kept = [row for row in rows if row["sample_id"] == "r1-20310114"]
    assert [row["interview_id"] for row in kept] == ["r1-20310114-01", "r1-20310114-02"]
    assert [row["hours_fished"] for row in kept] == [3.5, 5]
    assert [row["released_sublegal"] for row in kept] == [3, 2]
    assert page.get_by_test_id("stException").count() == 0
    page.context.close()


def test_a_draft_survives_a_closed_browser(chromium: Browser, served: tuple[str, Store]):
    address, _ = served
    page = opened(chromium, f"{address}/paper_forms", 1280, "Check and store")
    page.get_by_label("Date", exact=True).focus()
    page.keyboard.type("2031-02-03", delay=KEY)
    page.keyboard.press("Enter")
    page.get_by_text("Kept as a draft").wait_for()
    page.context.close()
    again = opened(chromium, f"{address}/paper_forms", 1280, "Drafts to continue")
    again.get_by_role("button", name="2031-02-03").click()
    again.get_by_text("Kept as a draft").wait_for()
    again.wait_for_function(IDLE)  # until then the empty form's own field stands beside the draft's
    expect(again.get_by_label("Date", exact=True)).to_have_value("2031-02-03")
    again.context.close()


@pytest.mark.parametrize(
    ("name", "shown"), [("paper_forms", "Check and store"), ("small_tables", "Store the change")]
)
def test_pages_fit_a_phone(chromium: Browser, served: tuple[str, Store], name: str, shown: str):
    page = opened(chromium, f"{served[0]}/{name}", 390, shown)
    assert_fits(page)
    page.context.close()

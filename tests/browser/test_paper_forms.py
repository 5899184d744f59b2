"""A paper form keyed in a real browser, as fast as keys come, and stored."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect

from analytics.data.store import Store
from tests.browser import serving
from tests.browser.screens import IDLE
from tests.field_week import field_store

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser
#: Milliseconds between keys: faster than anybody types for long.
KEY = 20
#: All that was typed is with the server.
CONFIRMED = "() => document.querySelector('.bm-keying')?.dataset.waits === 'false'"
N_BOATS = 6
BOATS = [
    ("A", str(1 + n % 4), f"{2 + n % 5}.5", "yes", "trolling", str(n % 2), "0", str(n % 7))
    for n in range(N_BOATS)
]
BOAT_NAMES = (
    "area",
    "anglers",
    "hours_fished",
    "trip_complete",
    "method",
    "kept",
    "released_legal",
    "released_sublegal",
)
#: Boats whose fish are measured, two of each, and those that met another species.
WITH_FISH, WITH_OTHERS = (1, 4), (1, 3)


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
    page.set_default_timeout(serving.PATIENCE)
    page.goto(address)
    page.get_by_text(shown).first.wait_for()
    page.wait_for_function(IDLE)
    return page


def tab_to(page: Page, what: str) -> None:
    """Press Tab until an element has the focus."""
    for _ in range(30):
        if page.evaluate(f"(one => {what})(document.activeElement)"):
            return
        page.keyboard.press("Tab")
    raise AssertionError(what)


def key_form(page: Page) -> None:
    """Key a form as from paper: without a look at the page, and without a pause."""

    def put(*texts: str, then: str = "Tab") -> None:
        for n, text in enumerate(texts, start=1):
            page.keyboard.type(text, delay=KEY)
            page.keyboard.press(then if n == len(texts) else "Tab")

    page.get_by_label("Site", exact=True).focus()
    put("r1", "2031-01-14", str(N_BOATS), then="Enter")
    for n, cells in enumerate(BOATS, start=1):
        page.keyboard.press("Home")
        put(*cells[:-1])
        page.keyboard.type(cells[-1], delay=KEY)
        if n in WITH_FISH:
            for length in ("612", "598"):
                page.keyboard.press("Control+Enter")
                put("y", length)
            page.keyboard.press("Escape")
        if n in WITH_OTHERS:
            page.keyboard.press("Control+Shift+Enter")
            put("dogfish", "0", str(n), then="Escape")
        page.keyboard.press("Enter")


def test_no_key_of_a_quick_typist_is_lost(chromium: Browser, served: tuple[str, Store]):
    """Boats, fish and other species keyed without a mouse, checked, stored and read back."""
    address, store = served
    page = opened(chromium, f"{address}/paper_forms", 1280, "Fish measured")
    key_form(page)
    page.keyboard.type("A", delay=KEY)
    page.keyboard.press("Tab")
    page.keyboard.type("two", delay=KEY)
    page.keyboard.press("ArrowLeft")  # the caret, within the word
    page.keyboard.press("Tab")
    wrong = page.get_by_label(f"Boat {N_BOATS + 1}, anglers", exact=True)
    expect(wrong).to_have_attribute("aria-invalid", "true")  # at once, by the rule of the schema
    page.get_by_text("to correct").first.wait_for()
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("Delete")
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("Delete")
    for _ in range(3):
        page.keyboard.press("Escape")
    page.wait_for_function(CONFIRMED)
    page.get_by_text(f"{N_BOATS} boats, 4 fish measured, 2 lines of other species").wait_for()
    page.get_by_text("nothing to correct").wait_for()
    page.wait_for_function(IDLE)
    tab_to(page, "one.textContent === 'Store the form'")
    page.keyboard.press("Enter")
    page.get_by_text("is stored").first.wait_for()
    assert stored_boats(store) == BOATS
    fish = [row for row in store.read("fish").to_pylist() if row["fish_id"] != "f1"]
    assert sorted((row["fish_id"], row["kept"], row["total_length_mm"]) for row in fish) == [
        (f"r1-20310114-{boat:02d}-F{n}", True, length)
        for boat in WITH_FISH
        for n, length in ((1, 612), (2, 598))
    ]
    others = [row for row in store.read("bycatch").to_pylist() if row["interview_id"] != "i1"]
    assert sorted((row["interview_id"], row["species"], row["released"]) for row in others) == [
        (f"r1-20310114-{boat:02d}", "dogfish", boat) for boat in WITH_OTHERS
    ]
    assert page.get_by_test_id("stException").count() == 0
    page.context.close()


def stored_boats(store: Store) -> list[tuple[str, ...]]:
    """Return the boats of the form, in their order, as they were to be typed."""
    rows = [row for row in store.read("interviews").to_pylist() if row["sample_id"] != "d1"]
    rows.sort(key=lambda row: row["interview_id"])
    assert [row["interview_id"] for row in rows] == [
        f"r1-20310114-{n:02d}" for n in range(1, N_BOATS + 1)
    ]
    return [
        tuple("yes" if row[name] is True else str(row[name]) for name in BOAT_NAMES) for row in rows
    ]


def test_a_draft_survives_a_closed_browser(chromium: Browser, served: tuple[str, Store]):
    address, _ = served
    page = opened(chromium, f"{address}/paper_forms", 1280, "Fish measured")
    page.get_by_label("Date", exact=True).focus()
    page.keyboard.type("2031-02-03")
    block = "B\t2\t4\\nA\t1\t5"
    page.get_by_label("Boat 1, area", exact=True).evaluate(
        "one => { const clipboardData = new DataTransfer(); "
        f"clipboardData.setData('text/plain', '{block}'); one.dispatchEvent("
        "new ClipboardEvent('paste', {clipboardData, bubbles: true, cancelable: true})); }"
    )
    # A dialog that comes by itself, as where the server is gone, takes no key from the form.
    page.get_by_label("Boat 3, area", exact=True).focus()
    page.keyboard.type("A")
    page.evaluate(
        "() => { document.body.insertAdjacentHTML('beforeend',"
        " '<section role=dialog tabindex=-1 id=gone></section>');"
        " document.querySelector('#gone').focus(); }"
    )
    for key in ("Tab", "3", "Tab", "6", "Enter", "B"):
        page.keyboard.press(key)
    page.evaluate("document.querySelector('#gone').remove()")
    # The focus comes back to where it was taken from, and goes on to where the keys are.
    page.get_by_label("Boat 3, area", exact=True).evaluate("one => one.focus()")
    page.keyboard.press("End")
    page.keyboard.type("A")
    page.get_by_text("Kept as a draft").wait_for()
    page.wait_for_function(CONFIRMED)
    page.context.close()
    again = opened(chromium, f"{address}/paper_forms", 1280, "Drafts to continue")
    again.get_by_role("button", name="2031-02-03").click()
    again.get_by_text("Kept as a draft").wait_for()
    expect(again.get_by_label("Date", exact=True)).to_have_value("2031-02-03")
    expect(again.get_by_label("Boat 2, hours", exact=True)).to_have_value("5")
    expect(again.get_by_label("Boat 3, hours", exact=True)).to_have_value("6")
    expect(again.get_by_label("Boat 3, area", exact=True)).to_have_value("A")
    expect(again.get_by_label("Boat 4, area", exact=True)).to_have_value("BA")
    again.context.close()

"""The page Today in a real browser: one screen, two on a phone; each item opens its page."""

from __future__ import annotations

from urllib.parse import parse_qs, urlparse

import pytest
from pypdfium2 import PdfDocument

from dashboard.pages import RESULTS
from tests.app.sample_bulletin import NOW
from tests.browser.printing import PAPER, off_paper, on_paper
from tests.browser.screens import CHARTS, settle
from tests.browser.visiting import assert_fits, assert_labels_whole

pytestmark = pytest.mark.browser
HERE = {"page": "", "charts": CHARTS[""]}
TALL = "document.querySelector('[data-testid=stMain]').scrollHeight"
LAPPED = """() => {
  const parts = [...document.querySelectorAll(
      '.stMain :is(h1, .bm-facts, .bm-today, .bm-points, .bm-choice, summary, '
      + '[data-testid=stCaptionContainer] p)')]
    .filter(one => one.checkVisibility()).map(one => [one, one.getBoundingClientRect()]);
  return parts.flatMap(([one, a]) => parts.filter(([other, b]) =>
      one !== other && !one.contains(other) && !other.contains(one)
      && a.left < b.right - 1 && b.left < a.right - 1
      && a.top < b.bottom - 1 && b.top < a.bottom - 1)
    .map(([other]) => `${one.className || one.tagName} over ${other.className || other.tagName}`));
}"""


@pytest.mark.parametrize(
    ("width", "height", "screens", "scheme"), [(1280, 800, 1, "light"), (390, 844, 2, "dark")]
)
def test_all_of_it_is_on_one_screen_and_on_two_of_a_phone(visit, width, height, screens, scheme):
    page = visit(width=width, scheme=scheme).open(**HERE)
    page.set_viewport_size({"width": width, "height": height})
    page.wait_for_timeout(500)
    assert page.evaluate(TALL) <= screens * height
    assert page.locator(".bm-today tbody tr").count() == 6 + 6
    assert page.evaluate(LAPPED) == []
    assert_fits(page)
    assert_labels_whole(page)


def test_on_paper_it_is_one_sheet_with_nothing_lapped(visit):
    page = visit().open(**HERE)
    sheet = page.pdf(format="A4", margin=dict.fromkeys(("top", "right", "bottom", "left"), "12mm"))
    assert len(PdfDocument(sheet)) == 1
    on_paper(page)
    try:
        assert page.evaluate(LAPPED) == []
        wide = page.locator(".st-key-today .stColumn").evaluate_all(
            "all => all.map(one => one.getBoundingClientRect().width)"
        )
        assert min(wide) > PAPER - 2
    finally:
        off_paper(page, 1280)


def test_each_item_opens_its_page_as_one_entry_of_the_history(visit):
    page = visit(is_new=True).open("area=A1&area=A3", **HERE)
    items = page.locator("a.bm-go")
    addresses = [urlparse(items.nth(at).evaluate("one => one.href")) for at in range(items.count())]
    first = {one.path: at for at, one in reversed(list(enumerate(addresses)))}
    assert len(first) >= 4
    opened, before = page.url, page.evaluate("history.length")
    for path, at in first.items():
        items.nth(at).press("Enter")
        script = path.strip("/").replace("waters", "local_waters")
        page.get_by_role("heading", name=RESULTS[script], level=1, exact=True).wait_for()
        settle(page, charts="")
        asked, now = parse_qs(addresses[at].query), parse_qs(urlparse(page.url).query)
        assert {key: now[key] for key in asked} == asked
        assert page.evaluate("history.length") == before + 1
        page.go_back()
        page.get_by_role("heading", name="Today", level=1, exact=True).wait_for()
        settle(page, charts=CHARTS[""])
        assert page.url == opened


def test_an_item_opens_in_a_tab_of_its_own_and_the_choices_unfold(visit):
    page = visit().open(**HERE)
    with page.context.expect_page() as opened:
        page.locator("a.bm-go").first.click(modifiers=["Control"])
    assert parse_qs(urlparse(opened.value.url).query)["season"] == [NOW]
    opened.value.close()
    assert page.get_by_role("heading", name="Today", level=1).is_visible()
    assert not page.locator(".st-key-filters").is_visible()
    page.locator(".bm-fold summary").press("Enter")
    page.get_by_role("combobox", name="Season").wait_for()
    assert page.locator(".st-key-filters").is_visible()

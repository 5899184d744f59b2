"""What must hold of every page: no rule broken, all within reach, nothing cut, all on paper.

The rules are those of axe-core (Web Content Accessibility Guidelines, W3C), which comes with its
package. The frame that Streamlit draws round a page is left out. Loading costs most of a test: a
page is loaded twice, on a desk by day and on a phone by night, and looked at in all respects.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import TimeoutError as PlaywrightTimeoutError

from analytics import Store, import_files
from dashboard.pages import _ADDRESSES, DATA, RESULTS
from tests.app.sample_bulletin import CHOSEN, fill_archive
from tests.browser import serving
from tests.browser.printing import off_paper, on_paper, require_fits_paper, shown_figures
from tests.browser.screens import CHARTS, IDLE, SEASON_CHARTS
from tests.browser.visiting import Visit, assert_fits, assert_labels_whole, assert_wide, settled
from tests.field_week import sampled_week, write_week

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Page

pytestmark = pytest.mark.browser
FRAME = ("stHeader", "stSidebar", "stToolbar")
WORST = ("serious", "critical")
#: A field's ring is that of what holds it.
RINGED = """() => {
  for (let at = document.activeElement, up = 0; at && up < 6; at = at.parentElement, up += 1) {
    const style = getComputedStyle(at);
    if (style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2) return true;
  }
  return false;
}"""
FOCUSED = """() => {
  const one = document.activeElement;
  if (!one || one === document.body) return null;
  const box = one.getBoundingClientRect();
  const name = one.getAttribute('aria-label') || one.textContent.trim().slice(0, 40) || one.tagName;
  window.focused ??= new Set();
  const known = window.focused.has(one);
  window.focused.add(one);
  return {name, known, seen: box.width > 0 && box.height > 0};
}"""
SLOW = """() => [...document.querySelectorAll('.stApp *')].filter(one => {
  const style = getComputedStyle(one);
  const longest = (words) => Math.max(...words.split(',').map(parseFloat));
  return longest(style.transitionDuration) > 0.001
    || (style.animationName !== 'none' && longest(style.animationDuration) > 0.001);
}).map(one => one.className.toString().slice(0, 60))"""
BARE = """() => [...document.querySelectorAll('.stMain table')].filter(one =>
    !one.querySelector('th') || !one.caption?.textContent.trim())
  .map(one => one.outerHTML.slice(0, 120))"""


@pytest.fixture(scope="module")
def with_store(chromium, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a dashboard whose store has a week, for the pages that write."""
    path = tmp_path_factory.mktemp("accessible")
    import_files(Store(path / "store"), write_week(sampled_week(), path / "week"))
    with serving.dashboard(fill_archive(path / "bulletins"), store=path / "store") as address:
        yield address


@pytest.fixture
def open_at(visit, with_store):
    """Return a function that opens any page, those that write too."""

    def opened(script: str, **how: Any) -> Page:
        one: Visit = visit(**how)
        if script in DATA:
            one.address = with_store
            one.page.goto(f"{with_store}/{script}")
            one.page.get_by_role("heading", name=DATA[script], level=1).wait_for()
            one.page.wait_for_function(IDLE)
            return one.page
        return one.open(CHOICES.get(script, ""), page=address_of(script), charts=charts_of(script))

    return opened


def address_of(script: str) -> str:
    return "" if script == "today" else _ADDRESSES.get(script, script)


def charts_of(script: str) -> str:
    return CHARTS[address_of(script)]


def ringed(page: Page) -> bool:
    """Return whether the focus has its ring, which a busy machine draws a little later."""
    with suppress(PlaywrightTimeoutError):
        page.wait_for_function(RINGED, timeout=2_000)
    return bool(page.evaluate(RINGED))


#: Choices with which a page is looked at, and the areas that its tab then names.
CHOICES = {"week": f"week={CHOSEN}", "local_waters": "area=A1"}
NAMED = {"local_waters": ["Quillon Bank"]}
EVERY = pytest.mark.parametrize("script", [*RESULTS, *DATA])


def faults(page: Page) -> list[str]:
    """Return what breaks a rule, with the rule."""
    frame = [[f"[data-testid={one}]"] for one in FRAME]
    found = Axe().run(page, context={"exclude": frame}).response
    assert found["violations"] is not None
    assert page.evaluate("axe.version") >= "4"
    return [
        f"{rule['id']}: {node['html'][:120]}"
        for rule in found["violations"]
        if rule["impact"] in WORST
        for node in rule["nodes"]
    ]


def require_rules(page: Page, *, width: int) -> None:
    """Require that no rule is broken seriously in a window that now has this width."""
    page.set_viewport_size({"width": width, "height": 900})
    assert settled(page, BARE) == []
    assert faults(page) == [], width


@EVERY
def test_a_page_on_a_phone_by_night(open_at, script):
    page = open_at(script, width=390, scheme="dark")
    assert_fits(page)
    assert_labels_whole(page)
    assert_wide(page, SEASON_CHARTS)
    require_rules(page, width=390)
    require_rules(page, width=1280)


@EVERY
def test_a_page_on_a_desk_by_day(open_at, script):
    page = open_at(script)
    assert_fits(page)
    assert_labels_whole(page)
    require_rules(page, width=1280)
    require_keyboard(page)
    require_rest(page)
    if script in RESULTS:
        require_title(page, script)
        require_paper(page, script)
    page.set_viewport_size({"width": 640, "height": 900})
    assert_fits(page)  # a window of 1280 has room for 640 at twice the size
    require_rules(page, width=390)


def require_rest(page: Page) -> None:
    """Require that who wants no motion sees none, and that there was some to leave out."""
    try:
        page.emulate_media(reduced_motion="reduce")
        assert page.evaluate(SLOW) == []
        page.emulate_media(reduced_motion="no-preference")
        assert page.evaluate(SLOW) != []
    finally:
        page.emulate_media(reduced_motion="null")


def require_title(page: Page, script: str) -> None:
    """Require that the tab names the page, and the week where it is one of a week."""
    parts = [RESULTS[script], *([CHOSEN] if script == "week" else []), *NAMED.get(script, [])]
    page.wait_for_function(
        "title => document.title === title", arg=" · ".join([*parts, "Blackmouth"])
    )


def require_paper(page: Page, script: str) -> None:
    """Require that every figure that is seen is printed, within the width of the paper."""
    shown = shown_figures(page)
    printed = on_paper(page)
    try:
        assert len(printed) == len(shown)
        assert bool(printed) == bool(charts_of(script))
        require_fits_paper(page, printed)
    finally:
        off_paper(page, 1280)
    assert not any(box["fits"] for box in shown_figures(page))


def test_the_rules_see_a_fault(visit):
    page = visit().open(page="methods", charts="")
    page.evaluate(
        "document.querySelector('.stMain h1').insertAdjacentHTML('afterend', "
        "'<button></button><p style=\"color:#777;background:#888\">faint</p>')"
    )
    assert {one.partition(":")[0] for one in faults(page)} == {"button-name", "color-contrast"}


def require_keyboard(page: Page) -> None:
    """Require that the tabulator comes round, and that what it reaches has its ring."""
    # What asks for the focus late, such as a grid, has taken it.
    page.wait_for_timeout(500)
    page.evaluate("() => { document.activeElement?.blur(); window.scrollTo(0, 0); }")
    reached: list[dict[str, Any]] = []
    without: list[str] = []
    for _ in range(150):
        page.keyboard.press("Tab")
        one = page.evaluate(FOCUSED)
        if one is None or one["known"]:
            break
        reached.append(one)
        if one["seen"] and not ringed(page):
            without.append(one["name"])
    else:
        pytest.fail(f"the keyboard does not come round: {reached[-3:]}")
    assert len(reached) >= 6
    assert without == []

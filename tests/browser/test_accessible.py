"""Every page for those who use no mouse, see less or hear it: rules, keyboard, zoom, motion.

The rules are those of axe-core (Web Content Accessibility Guidelines, W3C), which comes with its
package. The frame that Streamlit draws round a page is left out.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import TimeoutError as PlaywrightTimeoutError

from analytics import Store, import_files
from dashboard.pages import _ADDRESSES, DATA, RESULTS
from tests.app.sample_bulletin import fill_archive
from tests.browser import serving
from tests.browser.visiting import Visit, assert_fits, settled
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
STALE = "() => [...document.querySelectorAll('[data-stale=true]')]"
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
            settled(one.page, STALE)
            return one.page
        address = "" if script == "today" else _ADDRESSES.get(script, script)
        return one.open(page=address, charts="")

    return opened


def ringed(page: Page) -> bool:
    """Return whether the focus has its ring, which a busy machine draws a little later."""
    with suppress(PlaywrightTimeoutError):
        page.wait_for_function(RINGED, timeout=2_000)
    return bool(page.evaluate(RINGED))


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


# A page is opened once in each scheme and its window changed then: loading costs most of a test.


@EVERY
def test_no_rule_is_broken_seriously_in_the_dark_or_twice_as_large(open_at, script):
    page = open_at(script, scheme="dark")
    require_rules(page, width=1280)
    page.set_viewport_size({"width": 640, "height": 900})
    assert_fits(page)  # a window of 1280 has room for 640 at twice the size
    require_rules(page, width=390)


@EVERY
def test_no_rule_is_broken_seriously_in_the_light_and_the_keyboard_reaches_all(open_at, script):
    page = open_at(script, width=390)
    require_rules(page, width=390)
    require_rules(page, width=1280)
    require_keyboard(page)


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


@pytest.mark.parametrize("script", ["today", "week", "compare_rules"])
def test_who_wants_no_motion_sees_none(visit, script):
    one = visit()
    one.page.emulate_media(reduced_motion="reduce")
    try:
        page = one.open(page="" if script == "today" else script, charts="")
        assert page.evaluate(SLOW) == []
        page.emulate_media(reduced_motion="no-preference")
        assert page.evaluate(SLOW) != []
    finally:
        one.page.emulate_media(reduced_motion="null")

"""A visit to a page in a real browser, with everything it asked for and complained of."""

from __future__ import annotations

import re
from contextlib import suppress
from typing import TYPE_CHECKING, Any
from urllib.parse import urlparse

from playwright.sync_api import TimeoutError as PlaywrightTimeoutError

from dashboard.pages import SECTIONS
from tests.app.reading import heads_of
from tests.browser.screens import WEEK_CHARTS, settle
from tests.browser.serving import PATIENCE

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from playwright.sync_api import ConsoleMessage, Locator, Page

#: Within so many milliseconds a figure has its width.
SETTLED = 5_000
#: How often a list is opened, and how many milliseconds it has for that.
TRIES, OPENS = 5, 2_000
#: Addresses that never leave the browser.
LOCAL = ("data:", "blob:", "about:")
#: On a page with a name in its address, Streamlit first asks for its own parts under that name,
#: is given that there are none, and asks again at the root.
OWN_PARTS = re.compile(r"/_stcore/(health|host-config)$")
OUT = """() => [...document.querySelectorAll(
    '.bm-card, .bm-table, .js-plotly-plot, .bm-legend, h1, h2, h3, p, button')]
  .filter(one => one.offsetParent && one.getBoundingClientRect().right > innerWidth + 1)
  .map(one => one.className + ': ' + one.textContent.slice(0, 40))"""
#: Figures in a closed fold take their width only when it opens.
CUT = """() => [...document.querySelectorAll('.js-plotly-plot')]
  .filter(plot => plot.checkVisibility()).flatMap(plot => {
    const box = plot.getBoundingClientRect();
    return [...plot.querySelectorAll('.ytick text, .xtick text')]
      .filter(one => one.getBoundingClientRect().left < box.left - 1
        || one.getBoundingClientRect().right > box.right + 1)
      .map(one => one.textContent)})"""


class Visit:
    """A page with everything it asked for and complained of.

    Its tab is one of an earlier visit, whose memory of the site is cleared: a browser reads and
    compiles the scripts of the dashboard once a tab, not once a visit.
    """

    def __init__(self, tab: Page, address: str, *, width: int = 1280, scheme: str = "light"):
        self.page, self.width = tab, width
        self.page.set_viewport_size({"width": width, "height": 900})
        self.page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
        self.page.set_default_timeout(PATIENCE)
        self.address = address
        self.asked: list[str] = []
        self.complaints: list[str] = []
        self._listeners = {
            "request": lambda request: self.asked.append(request.url),
            "websocket": lambda socket: self.asked.append(socket.url),
            "console": self._listen,
            "pageerror": lambda error: self.complaints.append(str(error)),
        }
        for event, listener in self._listeners.items():
            self.page.on(event, listener)

    def open(self, query: str = "", *, page: str = "week", charts: str = WEEK_CHARTS) -> Page:
        self.page.goto(f"{self.address}/{page}?{query}")
        settle(self.page, charts=charts)
        return self.page

    def close(self) -> None:
        """End the visit; nothing may have gone wrong in it."""
        exceptions = self.page.get_by_test_id("stException").count()
        self.page.evaluate("localStorage.clear(); sessionStorage.clear()")
        self.page.context.clear_cookies()
        self.page.set_viewport_size({"width": self.width, "height": 900})
        for event, listener in self._listeners.items():
            self.page.remove_listener(event, listener)
        assert self.complaints == []
        assert exceptions == 0
        assert self.asked
        hosts = {urlparse(url).hostname for url in self.asked if not url.startswith(LOCAL)}
        assert hosts <= {"localhost"}

    def _listen(self, message: ConsoleMessage) -> None:
        is_own = "404" in message.text and OWN_PARTS.search(message.location["url"])
        if message.type in ("error", "warning") and not is_own:
            self.complaints.append(f"{message.type}: {message.text}")


def pick(page: Page, key: str, option: str) -> None:
    """Choose an option of a field of the filters."""
    choice = page.get_by_role("option", name=option).first
    with suppress(PlaywrightTimeoutError):  # a list that opened while the page was drawn closes
        opened(page, key, choice).click(timeout=SETTLED)
        return
    opened(page, key, choice).click()


def opened(page: Page, key: str, option: Locator) -> Locator:
    """Open the list of a field until it shows an option; return that option."""
    field = page.locator(f".st-key-{key}").get_by_role("combobox")
    for _ in range(TRIES):  # a click alone does not always open the list
        field.click()
        with suppress(PlaywrightTimeoutError):
            option.wait_for(timeout=OPENS)
            break
    return option


def turn_to(page: Page, title: str) -> None:
    """Choose a page of the menu, in the drawer of a phone or under its section in the top line."""
    if page.viewport_size["width"] < 768:
        page.get_by_test_id("stExpandSidebarButton").click()
        page.get_by_test_id("stSidebarNavLink").filter(has_text=title).click()
        return
    if page.get_by_test_id("stTopNavLink").filter(has_text=title).count():
        page.get_by_test_id("stTopNavLink").filter(has_text=title).click()
        return
    (section,) = [name for name, scripts in SECTIONS.items() if title in scripts.values()]
    page.get_by_test_id("stTopNavSection").filter(has_text=section).click()
    page.get_by_role("menuitem", name=title, exact=True).click()


def assert_fits(page: Page, out: str = OUT) -> None:
    """Nothing sticks out of the window, and the page scrolls downwards only.

    `out` gives what sticks out. What is drawn last takes its place a moment later.
    """
    places = ("document.documentElement", "document.querySelector('[data-testid=stMain]')")
    wider = [f"{place}.scrollWidth - {place}.clientWidth" for place in places]
    assert settled(page, f"() => [{', '.join(wider)}].filter(by => by > 0)") == []
    assert settled(page, out) == []


def assert_labels_whole(page: Page) -> None:
    """No label beside or below a figure is cut, once figures have taken their width."""
    cut = settled(page, CUT)
    assert cut == [], cut


def assert_wide(page: Page, charts: str, least: float = 250) -> None:
    """The figures within `charts` are wide enough to read."""
    plots = page.locator(charts).locator(".js-plotly-plot")
    assert all(box["width"] > least for one in plots.all() if (box := one.bounding_box()))


def settled(page: Page, faults: str) -> Any:
    """Return the faults that a page still has when it has settled; `faults` is a function."""
    with suppress(PlaywrightTimeoutError):
        page.wait_for_function(f"() => ({faults})().length === 0", timeout=SETTLED)
    return page.evaluate(faults)


def downloaded(page: Page, words: str, into: Path) -> tuple[str, str]:
    """Press the button of these words; return the name and the text of what it gives."""
    with page.expect_download() as download:
        page.get_by_role("button", name=words).click()
    download.value.save_as(into / "download")
    return download.value.suggested_filename, (into / "download").read_text()


def head_of(columns: Iterable[str]) -> str:
    """Return the first line of a download: names and words stand beside codes."""
    return ",".join(heads_of(columns))

"""Take the four pictures of a page: wide and narrow, light and dark.

``python -m tests.browser.screens --out DIR [--page revisions] [--archive ARCHIVE] [--query
"week=2036-W05"]``; without a page the first one, without an archive the invented one of the tests.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from tests.app.sample_bulletin import fill_archive
from tests.browser.serving import PATIENCE, browser, chromium, dashboard

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

WIDTHS = (1280, 390)
SCHEMES = ("light", "dark")
#: What holds the charts of each page, by its name in the address.
WAY_CHARTS = "[class*=st-key-ways-], [class*=-chart]"
WEEK_CHARTS = "[class*=st-key-trend-], [class*=st-key-heat-map]"
RELEASED_CHARTS = "[class*=st-key-released-]"
RATE_CHARTS = "[class*=st-key-rates-]"
SEASON_CHARTS = "[class*=st-key-season-]"
CHARTS = {
    "": "[class*=st-key-today-season]",
    "week": WEEK_CHARTS,
    "revisions": "[class*=st-key-moved-chart]",
    "season_limits": SEASON_CHARTS,
    "compare_rules": SEASON_CHARTS,
    "projection_accuracy": SEASON_CHARTS,
    "catch_rates": RATE_CHARTS,
    "seasonal_pattern": RATE_CHARTS,
    "released": RELEASED_CHARTS,
    "alternative_estimates": WAY_CHARTS,
    "methods": "",  # text alone
    "waters": "[class*=st-key-local-map]",
}


def take(address: str, out: Path, *, query: str = "", page: str = "") -> list[Path]:
    """Take the pictures of a running dashboard and return their files."""
    out.mkdir(parents=True, exist_ok=True)
    taken = []
    with browser() as started:
        for width in WIDTHS:
            for scheme in SCHEMES:
                path = out / f"{page or 'today'}-{width}-{scheme}.png"
                _take_one(
                    started,
                    f"{address}/{page}?{query}",
                    path,
                    page=page,
                    width=width,
                    scheme=scheme,
                )
                taken.append(path)
    return taken


def settle(page: Page, *, charts: str = WEEK_CHARTS) -> None:
    """Wait until a page is drawn whole; `charts` selects what holds its charts, if any."""
    page.get_by_test_id("stApp").wait_for()
    page.get_by_text("On the water in winter").last.wait_for(timeout=PATIENCE)
    page.wait_for_function(
        "!document.querySelector('[data-testid=stStatusWidget]')"
        " && !document.querySelector('[data-stale=true]')",
        timeout=PATIENCE,
    )
    if not charts:
        return
    page.wait_for_function(
        "(charts) => [...document.querySelectorAll(charts)].length"
        " && [...document.querySelectorAll(charts)].filter(one => one.offsetParent)"
        ".every(one => one.querySelector('svg.main-svg .cartesianlayer'))",
        arg=charts,
        timeout=PATIENCE,
    )
    page.wait_for_timeout(700)  # the charts take their width from the page once more


def _take_one(
    started: Browser, address: str, path: Path, *, page: str, width: int, scheme: str
) -> None:
    viewport = {"width": width, "height": 900}
    context = started.new_context(viewport=viewport, color_scheme=scheme)
    shown = context.new_page()
    shown.goto(address)
    settle(shown, charts=CHARTS[page])
    # Streamlit scrolls inside the page, so the window grows to hold all of it.
    height = shown.evaluate("document.querySelector('[data-testid=stMain]').scrollHeight")
    shown.set_viewport_size({"width": width, "height": min(int(height) + 20, 8000)})
    shown.wait_for_timeout(1200)
    shown.screenshot(path=path)
    context.close()


def main() -> None:
    """Read the command line and take the pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--archive", type=Path)
    parser.add_argument("--query", default="")
    parser.add_argument("--page", default="", choices=list(CHARTS))
    options = parser.parse_args()
    if chromium() is None:
        parser.exit(2, "no Chromium found; name one in BLACKMOUTH_CHROMIUM\n")
    with tempfile.TemporaryDirectory() as scratch:
        archive_folder = options.archive or fill_archive(Path(scratch) / "bulletins")
        with dashboard(archive_folder) as address:
            for path in take(address, options.out, query=options.query, page=options.page):
                print(path)


if __name__ == "__main__":
    main()

"""Take the four pictures of a page: wide and narrow, light and dark.

``python -m tests.browser.screens --out DIR [--page revisions | --every] [--archive ARCHIVE |
--store STORE] [--query "week=2036-W05"]``; without a page the first one, without an archive the
invented one of the tests. Pages that write are shown on a copy of the store, or of the demo's.
"""

from __future__ import annotations

import argparse
import contextlib
import shutil
import tempfile
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING

from analytics.bulletin.archive import archive_of
from analytics.cli.demo_store import prepare
from dashboard.pages import DATA
from tests.app.sample_bulletin import fill_archive
from tests.browser.serving import PATIENCE, browser, chromium, dashboard

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

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


def take(address: str, out: Path, *, query: str = "", pages: Sequence[str] = ("",)) -> list[Path]:
    """Take the pictures of pages of a running dashboard and return their files."""
    out.mkdir(parents=True, exist_ok=True)
    taken = []
    with browser() as started:
        for page, width, scheme in product(pages, WIDTHS, SCHEMES):
            path = out / f"{page or 'today'}-{width}-{scheme}.png"
            at = f"{address}/{page}?{query}"
            _take_one(started, at, path, page=page, width=width, scheme=scheme)
            taken.append(path)
    return taken


#: That nothing is drawn or waited for. What is waited for is a function: by the policy of the
#: pages no text runs as a script.
IDLE = (
    "() => !document.querySelector('[data-testid=stStatusWidget], [data-testid=stSpinner]')"
    " && !document.querySelector('[data-stale=true]')"
)


def settle(page: Page, *, charts: str = WEEK_CHARTS) -> None:
    """Wait until a page is drawn whole; `charts` selects what holds its charts, if any."""
    page.get_by_test_id("stApp").wait_for()
    page.get_by_text("On the water in winter").last.wait_for(timeout=PATIENCE)
    page.wait_for_function(IDLE, timeout=PATIENCE)
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


def settle_any(page: Page, *, charts: str) -> None:
    """Wait until a page is drawn whole that may have no chart, as Revisions of a first bulletin."""
    settle(page, charts="")
    page.wait_for_timeout(700)  # a page that comes slowly is idle before it is begun
    settle(page, charts=charts if charts and page.locator(charts).count() else "")


def _take_one(
    started: Browser, address: str, path: Path, *, page: str, width: int, scheme: str
) -> None:
    viewport = {"width": width, "height": 900}
    context = started.new_context(viewport=viewport, color_scheme=scheme)
    shown = context.new_page()
    shown.goto(address)
    if page in DATA:
        shown.get_by_role("heading", name=DATA[page], level=1).wait_for(timeout=PATIENCE)
        shown.wait_for_timeout(1500)
        shown.wait_for_function(IDLE, timeout=PATIENCE)
    else:
        settle_any(shown, charts=CHARTS[page])
    # Streamlit scrolls inside the page, so the window grows to hold all of it.
    # A page with a grid grows once more.
    for _ in range(2):
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
    parser.add_argument("--store", type=Path)
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--page", default="", choices=[*CHARTS, *DATA])
    which.add_argument("--every", action="store_true", help="all pages")
    options = parser.parse_args()
    if chromium() is None:
        parser.exit(2, "no Chromium found; name one in BLACKMOUTH_CHROMIUM\n")
    pages = [*CHARTS, *DATA] if options.every else [options.page]
    writes = options.store is not None or bool(DATA.keys() & pages)
    with _shown(options.archive, options.store, writes=writes) as address:
        for path in take(address, options.out, query=options.query, pages=pages):
            print(path)


@contextlib.contextmanager
def _shown(archive: Path | None, store: Path | None, *, writes: bool) -> Iterator[str]:
    """Give the address of a dashboard; what writes is shown on a copy of the store."""
    with tempfile.TemporaryDirectory() as scratch:
        copy = Path(scratch) / "store"
        if writes:
            shutil.copytree(store or prepare(lambda _: None), copy)
        folder = archive or (archive_of(copy) if writes else fill_archive(copy / "bulletins"))
        with dashboard(folder, store=copy if writes else None) as address:
            yield address


if __name__ == "__main__":
    main()

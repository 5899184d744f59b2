"""The sampling plan in a real browser: a schedule downloaded and stored; the page on a phone."""

from __future__ import annotations

import csv
import io
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pypdf
import pytest
from icalendar import Calendar

from analytics.data.store import Store
from tests.browser import serving
from tests.browser.screens import IDLE
from tests.browser.visiting import assert_fits

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def served(
    demo_store: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[str, Store]]:
    store = tmp_path_factory.mktemp("plan") / "store"
    shutil.copytree(demo_store, store)
    log = store.parent / "log"
    with serving.dashboard(store / "bulletins", log=log, store=store) as address:
        yield address, Store(store)
    assert "Traceback" not in log.read_text()


def opened(browser: Browser, address: str, *, width: int = 1280) -> Page:
    page = browser.new_context(viewport={"width": width, "height": 900}).new_page()
    page.set_default_timeout(serving.PATIENCE)
    page.goto(address)
    page.get_by_role("heading", name="Planned, done and missed").wait_for()
    page.wait_for_function(IDLE)
    return page


def downloaded(page: Page, name: str) -> bytes:
    with page.expect_download() as found:
        page.get_by_role("button", name=name, exact=True).click()
    return Path(found.value.path()).read_bytes()


def test_a_schedule_is_downloaded_and_stored(chromium: Browser, served: tuple[str, Store]):
    address, store = served
    page = opened(chromium, f"{address}/sampling_plan?shifts=26&seed=9")
    page.get_by_text("26 shifts drawn at random by seed 9").wait_for()
    rows = list(csv.DictReader(io.StringIO(downloaded(page, "Schedule (CSV)").decode())))
    planned = {row["sample_id"] for row in rows if row["is_reserve"] == "False"}
    assert len(planned) == 26
    events = Calendar.from_ical(downloaded(page, "Calendar")).walk("VEVENT")
    assert len(events) == 26
    sheets = pypdf.PdfReader(io.BytesIO(downloaded(page, "Sheets (PDF)")))
    assert len(sheets.pages) >= 4 * 26 + 1
    page.get_by_role("button", name="Store this schedule").click()
    page.get_by_text("Of 26 planned shifts").wait_for()
    kept = store.snapshot()["planned_site_days"].to_pylist()
    assert {row["sample_id"] for row in kept if not row["is_reserve"]} == planned
    page.context.close()


def test_the_page_fits_a_phone(chromium: Browser, served: tuple[str, Store]):
    page = opened(chromium, f"{served[0]}/sampling_plan", width=390)
    assert_fits(page)
    page.context.close()

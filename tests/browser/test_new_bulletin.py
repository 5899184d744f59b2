"""From an accepted batch to the bulletin as PDF, in a real browser, in a few clicks."""

from __future__ import annotations

import io
import shutil
import time
from datetime import date
from typing import TYPE_CHECKING

import pyarrow as pa
import pypdf
import pytest
from playwright.sync_api import expect

from analytics.bulletin.step_record import STEP, recording
from analytics.data.store import Store
from dashboard.new_bulletin import STEPS
from tests.browser import serving
from tests.browser.visiting import Visit, assert_fits
from tests.conftest import publish_week

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser

    from tests.conftest import Once

pytestmark = pytest.mark.browser
MADE = 180_000
#: The newest week of the store.
WEEK = "2031-W02"


@pytest.fixture(scope="module")
def store(once: Once, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store with a bulletin of its week, and a batch that came in after it."""
    folder = tmp_path_factory.mktemp("new_bulletin")
    path = shutil.copytree(once("published", publish_week) / "store", folder / "store")
    Store(path).add({"holidays": pa.table({"date": [date(2031, 2, 1)], "holiday": ["One"]})})
    return path


@pytest.fixture(scope="module")
def address(chromium: Browser, store: Path) -> Iterator[str]:
    log = store.parent / "streamlit.log"
    with serving.dashboard(store / "bulletins", log=log, store=store) as running:
        yield running
    assert "Traceback" not in log.read_text(), log.read_text()


def test_every_tab_sees_the_work_and_none_starts_it_twice(chromium, address, store) -> None:
    folder = store / "desk" / "bulletin"
    folder.mkdir(parents=True, exist_ok=True)
    context = chromium.new_context()
    with recording(folder / STEPS) as add:
        add(STEP, "fitting models of kept")
        for page in (context.new_page(), context.new_page()):
            page.goto(f"{address}/new_bulletin")
            page.get_by_text("Fitting models of kept").wait_for()
            expect(page.get_by_role("button", name="Make the bulletin")).to_be_disabled()
    context.close()
    shutil.rmtree(folder)


@pytest.mark.parametrize("width", [1280, 390])
def test_the_note_is_kept_and_shown_on_the_week(chromium, address, width) -> None:
    visit = Visit(chromium.new_context().new_page(), address, width=width)
    page, note = visit.page, f"<b>Storm</b> on Saturday, seen at {width}"
    page.goto(f"{address}/new_bulletin")
    page.get_by_role("textbox", name="What a reader should know").fill(note)
    page.get_by_role("textbox", name="Your name or initials").fill(f"R. T. {width}")
    page.get_by_role("button", name="Keep the note").click()
    page.get_by_text(f"by R. T. {width}").wait_for()
    assert_fits(page)
    page.goto(f"{address}/week")
    shown = page.get_by_text(note)
    shown.wait_for()
    visit.close()


def test_an_accepted_batch_is_a_pdf_in_few_clicks(chromium, address, capsys) -> None:
    visit = Visit(chromium.new_context().new_page(), address)
    page = visit.page
    began = time.monotonic()
    # The link that the desk shows once a batch is stored.
    page.goto(f"{address}/new_bulletin?through={WEEK}")
    page.get_by_role("button", name="Make the bulletin").click()
    under_way = page.get_by_text("The bulletin is made in a process of its own")
    under_way.wait_for(timeout=MADE)
    pdf = page.get_by_role("button", name="PDF", exact=True)
    under_way.wait_for(state="hidden", timeout=MADE)
    page.wait_for_function("() => !document.querySelector('[data-stale=true]')")
    with page.expect_download(timeout=MADE) as download:
        pdf.click()
    document = pypdf.PdfReader(io.BytesIO(download.value.path().read_bytes()))
    seconds = time.monotonic() - began
    assert "Key points" in document.pages[0].extract_text()
    assert_fits(page)
    with capsys.disabled():
        print(f"\nbatch to PDF: {seconds:.0f} s by the wall")
    visit.close()

"""The page Data desk in a real browser: from a week's files with three faults to a batch."""

from __future__ import annotations

import csv
import time
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import pyarrow.parquet as pq
import pytest
from playwright.sync_api import TimeoutError as PlaywrightTimeoutError

from analytics.cli.demo_store import DEMO_FOLDER, history
from analytics.data.importing import csv_template
from analytics.data.schema import TABLES
from analytics.data.store import Store
from tests.browser import serving
from tests.browser.visiting import Visit, assert_fits

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser
#: The goal: files to an accepted batch with three faults corrected in at most so many clicks.
MOST_CLICKS = 6
#: File, row, column, what is written there, and what is right.
FAULTS = (
    ("interviews.csv", 3, "hours_fished", "65"),
    ("interviews.csv", 9, "area", "OMG"),
    ("fish.csv", 2, "total_length_mm", "7x26"),
)
LONG = "n" * 300 + ".csv"


def demo_week(folder: Path) -> tuple[Path, list[Path], list[str]]:
    """Return the demo's store before its last week, that week's files with faults, and cures."""
    found = {name: DEMO_FOLDER / f"{name}.parquet" for name in TABLES}
    tables = {name: pq.read_table(path) for name, path in found.items() if path.exists()}
    *before, last = history(tables)
    store = Store(folder / "store")
    for step in before:
        store.add(step.tables, sources=step.sources)
    week = folder / "week"
    week.mkdir()
    for name, table in last.tables.items():
        table.to_pandas().to_csv(week / f"{name}.csv", index=False)
    return store.path, sorted(week.iterdir()), [spoil(week, *fault) for fault in FAULTS]


def spoil(week: Path, file: str, row: int, column: str, wrong: str) -> str:
    """Write a fault into a file; return what stood there."""
    with (week / file).open(newline="") as sheet:
        lines = list(csv.reader(sheet))
    at = lines[0].index(column)
    right, lines[row - 1][at] = lines[row - 1][at], wrong
    with (week / file).open("w", newline="") as sheet:
        csv.writer(sheet).writerows(lines)
    return right


class Desk:
    """The page, with every press of the mouse counted."""

    def __init__(self, page: Page) -> None:
        self.page, self.clicks = page, 0

    def upload(self, files: list[Any]) -> None:
        with self.page.expect_file_chooser() as chooser:
            self.click(self.page.get_by_role("button", name="Upload", exact=True).last)
        chooser.value.set_files(files)

    def click(self, place: Any, **how: Any) -> None:
        place.click(**how)
        self.clicks += 1

    def says(self, words: str) -> None:
        answer = self.page.locator(".st-key-answer")
        with suppress(PlaywrightTimeoutError):
            answer.get_by_text(words).wait_for()
        assert words in answer.inner_text()
        self.drawn()

    def drawn(self) -> None:
        self.page.wait_for_function(
            "() => !document.querySelector('[data-testid=stStatusWidget]')"
            " && !document.querySelector('[data-stale=true]')"
        )
        self.page.wait_for_timeout(700)  # a grid is drawn, then takes its width once more

    def write(self, text: str) -> None:
        """Write into the first cell of the row that is shown: the one at fault."""
        grid = self.page.locator(".st-key-desk-row [data-testid=stDataFrame]")
        grid.scroll_into_view_if_needed()
        box = grid.bounding_box()
        assert box is not None
        self.click(grid, position={"x": box["width"] * 0.35, "y": 52})
        cell = self.page.locator("#portal textarea, #portal input")
        for _ in range(4):  # the grid takes the focus a moment after the click
            self.page.keyboard.press("Enter")
            with suppress(PlaywrightTimeoutError):
                cell.wait_for(timeout=3_000)
                break
        cell.fill(text)
        cell.press("Enter")


@pytest.fixture
def served(chromium: Browser, tmp_path: Path) -> Iterator[Callable[..., Desk]]:
    """Return a function that opens the desk on a store; nothing may have gone wrong at the end."""
    visits: list[Visit] = []
    log = tmp_path / "streamlit.log"
    store = tmp_path / "store"

    def opened(address: str, *, width: int = 1280) -> Desk:
        visits.append(Visit(chromium.new_context().new_page(), address, width=width))
        page = visits[-1].page
        page.goto(f"{address}/data_desk")
        page.get_by_role("heading", name="Empty tables to fill in").wait_for()
        desk = Desk(page)
        desk.drawn()
        return desk

    with serving.dashboard(store / "bulletins", log=log, store=store) as address:
        yield lambda **how: opened(address, **how)
        for one in visits:
            one.close()
    assert "Traceback" not in log.read_text(), log.read_text()


def test_a_faulty_week_is_a_batch_in_few_clicks(served, tmp_path, capsys) -> None:
    path, files, cures = demo_week(tmp_path)
    desk = served()
    began = time.monotonic()
    desk.upload(files)
    for left, right in zip(("3 errors", "2 errors", "1 error"), cures, strict=True):
        desk.says(left)
        desk.write(right)
    desk.says("No error. 531 rows in 4 files can be accepted")
    desk.click(desk.page.get_by_role("button", name="Accept 531 rows"))
    desk.page.get_by_text("is stored: 531 new rows").wait_for()
    with capsys.disabled():
        print(f"\nfiles to batch: {desk.clicks} clicks, {time.monotonic() - began:.0f} s")
    assert desk.clicks <= MOST_CLICKS
    batch = Store(path).batches()[-1]
    assert [one["new"] for one in batch.about["corrections"]] == cures
    assert_fits(desk.page)


def test_the_desk_fits_a_phone_and_bad_names(served, tmp_path) -> None:
    desk = served(width=390)
    assert desk.page.get_by_text("See what comes out").count() == 1
    assert_fits(desk.page)
    bad = [
        {"name": name, "mimeType": "text/csv", "buffer": b"a,b\n1,2\n"}
        for name in (LONG, "<script>alert(1)</script>.csv", "تقرير.csv")
    ]
    empty = {"name": "areas.csv", "mimeType": "text/csv", "buffer": b""}
    wide = {"name": "holidays.csv", "mimeType": "text/csv", "buffer": "a,b\n".encode("utf-16")}
    desk.upload([*bad, empty, wide])
    desk.says("5 errors stand against this upload")
    asked = desk.page.get_by_text("Table in ")
    asked.nth(2).wait_for()
    assert asked.count() == 3
    assert_fits(desk.page)


def test_templates_are_given_and_what_is_under_way_outlives_the_browser(served) -> None:
    desk = served()
    for label, name in (("Workbook (XLSX)", "tables.xlsx"), ("CSV files (ZIP)", "tables.zip")):
        with desk.page.expect_download() as download:
            desk.page.get_by_role("button", name=label).click()
        assert download.value.suggested_filename == name
    header = csv_template("holidays") + "2031-01-01,Frost\n2031-13-01,Ice\n"
    desk.upload([{"name": "holidays.csv", "mimeType": "text/csv", "buffer": header.encode()}])
    desk.says("1 error stands")
    desk.write("2031-12-01")
    desk.says("No error.")
    desk.page.goto(desk.page.url.replace("data_desk", "_stcore/health"))  # its session ends
    other = served()
    other.says("No error. 2 rows in 1 file can be accepted")
    other.page.get_by_text("1 correction; the files stay as they came").wait_for()

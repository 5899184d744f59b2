"""The page Data desk: first use, a clean and a faulty week, what another process does meanwhile."""

from __future__ import annotations

import datetime as dt
import io
import sys
import time
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

import openpyxl
import pyarrow as pa
import pytest
from streamlit.testing.v1 import AppTest

from analytics.data.importing import import_files, workbook_template
from analytics.data.store import REASON, Store
from dashboard import data, pages, people, store_access
from dashboard.desk import demo_season, history_panel
from dashboard.desk.uploads import Uploads
from tests.app.reading import words_of
from tests.field_week import field_week, write_week

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

SECONDS = 60
PAGE = "app_pages/data_desk.py"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store")


@pytest.fixture
def desk(store: Store) -> Uploads:
    return Uploads(store.path / "desk" / "uploads")


@pytest.fixture
def open_desk(monkeypatch: pytest.MonkeyPatch, store: Store) -> Callable[[], AppTest]:
    monkeypatch.setenv(store_access.STORE_VARIABLE, str(store.path))
    monkeypatch.setenv(data.ARCHIVE_VARIABLE, str(store.path / "bulletins"))
    app = Path(find_spec("dashboard").origin).parent / "app.py"
    return lambda: AppTest.from_file(app, default_timeout=SECONDS).run().switch_page(PAGE).run()


def week_files(tmp_path: Path, **faults: Any) -> list[tuple[str, bytes, str]]:
    rows = field_week()
    rows["interviews"][0] |= faults
    folder = write_week(rows, tmp_path / "week")
    return [(path.name, path.read_bytes(), "text/csv") for path in sorted(folder.iterdir())]


def drop(page: AppTest, *files: tuple[str, bytes, str]) -> AppTest:
    page.file_uploader[0].set_value(list(files)).run()
    assert not page.exception
    return page


def correct(page: AppTest, new: str) -> AppTest:
    """Write into the first cell of the row that is shown."""
    (editor,) = page.data_editor
    page.session_state[editor.key] = {
        "edited_rows": {0: {"Value": new}},
        "added_rows": [],
        "deleted_rows": [],
    }
    page.run()
    assert not page.exception
    return page


def accept(page: AppTest) -> AppTest:
    page.button(key="accept").click().run()
    assert not page.exception
    return page


def test_an_empty_store_shows_the_way(open_desk, store: Store) -> None:
    page = open_desk()
    assert not page.exception
    words = words_of(page)
    order = [words.index(one) for one in ("See what comes out", "empty tables", "Drop the files")]
    assert order == sorted(order)
    assert "no data yet" in words
    assert {one.label for one in page.download_button} == {"Workbook (XLSX)", "CSV files (ZIP)"}
    assert not store.exists


#: Stands for the command: it writes where it answers, then waits to be ended.
SERVES = (sys.executable, "-c", "import sys,time\nsys.stderr.write('ready http://localhost:1 x')\n"
          "sys.stderr.flush()\ntime.sleep(60)")  # fmt: skip
FAILS = (sys.executable, "-c", "import sys\nsys.exit('error: the disk is full')")


@pytest.fixture
def demo(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[tuple[str, ...]], None]]:
    yield lambda command: monkeypatch.setattr(demo_season, "COMMAND", command)
    demo_season.end()


def settled(is_so: Callable[[demo_season.Standing], object]) -> demo_season.Standing:
    until = time.monotonic() + SECONDS
    while not is_so(demo_season.standing()):
        assert time.monotonic() < until
        time.sleep(0.05)
    return demo_season.standing()


def test_the_demo_is_opened_from_an_empty_store_and_ended(open_desk, demo, store: Store) -> None:
    demo(SERVES)
    page = open_desk()
    page.button(key="demo-start").click().run()
    assert not page.exception
    now = settled(lambda one: one.address)
    assert (now.is_running, now.address) == (True, "http://localhost:1")
    assert "http://localhost:1" in words_of(page.run())
    demo_season.start()  # a second window finds it running
    assert demo_season.standing() == now
    page.button(key="demo-end").click().run()
    assert not demo_season.standing().is_running
    assert page.button(key="demo-start")
    assert not store.exists


def test_a_demo_that_cannot_be_opened_says_why(open_desk, demo) -> None:
    demo(FAILS)
    page = open_desk()
    page.button(key="demo-start").click().run()
    settled(lambda one: not one.is_running)
    page.run()
    assert not page.exception
    assert "the disk is full" in page.error[0].value.replace("\\", "")


def test_a_store_with_data_and_a_team_are_not_shown_the_demo(
    open_desk, store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import_files(store, write_week(field_week(), tmp_path / "week"))
    assert "demo-start" not in {one.key for one in open_desk().button}
    monkeypatch.setattr(people, "is_team", lambda: True)
    drawn = AppTest.from_string("from dashboard.desk import demo_season\ndemo_season.offer()").run()
    assert not drawn.button


def test_an_empty_store_opens_on_the_desk(open_desk, monkeypatch) -> None:
    app = Path(find_spec("dashboard").origin).parent / "app.py"
    open_desk()
    page = AppTest.from_file(app, default_timeout=SECONDS).run()
    assert page.title[0].value == "Data desk"


def test_a_clean_week_is_accepted(open_desk, store: Store, tmp_path: Path) -> None:
    page = drop(open_desk(), *week_files(tmp_path))
    assert "**No error.** 20 rows in 15 files can be accepted" in words_of(page)
    assert store.version == 0
    page = accept(page)
    assert store.version == 1
    assert "is stored: 20 new rows" in page.success[0].value.replace("\\", "")
    assert [one.label for one in page.get("page_link")] == ["Next: make the bulletin"]
    assert "See what comes out" not in words_of(page)
    (history,) = [one.value for one in page.dataframe if "Batch" in one.value]
    assert list(history["State"]) == ["current"]


def test_a_faulty_week_is_corrected_in_place(
    open_desk, desk: Uploads, store: Store, tmp_path: Path
) -> None:
    page = drop(open_desk(), *week_files(tmp_path, anglers="two", hours_fished=45))
    assert "**2 errors** stand against this upload" in words_of(page)
    assert page.button(key="accept").disabled
    findings = next(one.value for one in page.dataframe if "Seen" in one.value)
    assert list(findings["Seen"]) == ["two", "45"]
    assert "**interviews.csv, row 2, anglers**" in words_of(page).replace("\\", "")
    page = correct(page, "2")
    assert "**1 error** stands" in words_of(page)
    page = correct(page, "44")
    assert "**1 error** stands" in words_of(page)
    page = correct(page, "4.5")
    assert "**No error.**" in words_of(page)
    upload = desk.current()
    assert upload is not None
    assert [(one.old, one.new) for one in upload.corrections] == [
        ("two", "2"),
        ("45", "44"),
        ("44", "4.5"),
    ]
    # A browser that was closed: another session finds the same.
    assert "**No error.**" in words_of(open_desk())
    accept(page)
    assert store.read("interviews")["hours_fished"].to_pylist() == [4.5, 4.5]


def test_rows_are_set_aside(open_desk, store: Store, tmp_path: Path) -> None:
    page = drop(open_desk(), *week_files(tmp_path, anglers="two"))
    page.toggle[1].set_value(True).run()
    assert not page.exception
    assert "3 rows set aside" in words_of(page)
    assert "3 rows set aside (CSV)" in [one.label for one in page.download_button]
    accept(page)
    assert "3 rows set aside are not stored" in page.success[0].value
    assert store.read("interviews").num_rows == 1


def test_a_file_that_cannot_be_read_has_no_rows_to_set_aside(open_desk, tmp_path: Path) -> None:
    files = week_files(tmp_path)
    wrong = [(name, data.replace(b"Frost", b"Fr\xf6st"), kind) for name, data, kind in files]
    page = drop(open_desk(), *wrong)
    assert "**1 error** stands" in words_of(page)
    assert len(page.toggle) == 1  # that of a whole folder


def test_a_row_is_left_out(open_desk, store: Store, tmp_path: Path) -> None:
    files = week_files(tmp_path)
    ragged = ("holidays.csv", b"date,holiday\n2031-01-01,Frost Day\n2031-01-02,a,b\n", "text/csv")
    page = drop(open_desk(), *[one for one in files if one[0] != "holidays.csv"], ragged)
    assert "**1 error** stands" in words_of(page)
    assert page.text_input[0].value == "2031-01-02,a,b"
    next(one for one in page.button if one.label == "Leave this row out").click().run()
    assert not page.exception
    assert "**No error.**" in words_of(page)


def test_a_store_changed_meanwhile_is_checked_again(
    open_desk, store: Store, tmp_path: Path
) -> None:
    page = drop(open_desk(), *week_files(tmp_path))
    store.add({"holidays": pa.table({"date": [dt.date(2031, 2, 1)]})})
    page = accept(page)
    assert store.version == 1
    words = words_of(page)
    assert "The store went from version 0 to 1 meanwhile: the upload was checked again." in words
    accept(page)
    assert store.version == 2


def test_another_window_is_seen(open_desk, desk: Uploads, tmp_path: Path) -> None:
    page = drop(open_desk(), *week_files(tmp_path, anglers="two"))
    other = open_desk()
    correct(other, "3")
    page = correct(page, "2")
    said = " ".join(one.value for one in page.warning)
    assert "another window has written" in said
    upload = desk.current()
    assert upload is not None
    assert [one.new for one in upload.corrections] == ["3"]
    accept(other)
    next(one for one in page.button if one.label == "Drop").click().run()
    assert not page.exception
    assert "accepted as batch" in " ".join(one.value for one in page.warning)


def test_a_batch_is_withdrawn_and_put_back(open_desk, store: Store, tmp_path: Path) -> None:
    accept(drop(open_desk(), *week_files(tmp_path)))
    store.add({"areas": pa.table({"area": ["Z"], "area_name": ["Far"]})})
    page = open_desk()

    def choose(row: int) -> None:
        table = next(one for one in page.dataframe if "Batch" in one.value)
        selection = {"rows": [row], "columns": [], "cells": []}
        page.session_state[table.key] = {"selection": selection}
        page.run()
        assert not page.exception

    def press(label: str) -> None:
        next(one for one in page.button if one.label == label).click().run()
        assert not page.exception

    def why(words: str) -> None:
        (field,) = (one for one in page.text_input if one.label.startswith("Why"))
        field.set_value(words).run()

    choose(0)
    why(" a wrong *area* ")
    press("Withdraw this batch")
    assert store.read("areas").num_rows == 2
    assert store.batches()[1].last_step.about == {REASON: "a wrong *area*"}
    listed = next(one.value for one in page.dataframe if "Batch" in one.value)
    assert listed["State"][0].endswith(": a wrong *area*")
    assert "is withdrawn" in page.success[0].value
    choose(0)
    assert not page.success
    press("Put this batch back")
    assert "is put back" in page.success[0].value
    assert store.read("areas").num_rows == 3
    assert store.batches()[1].last_step.about == {}
    choose(0)
    why("a bell\x07")
    press("Withdraw this batch")
    assert "The reason is" in page.error[0].value
    assert store.read("areas").num_rows == 3
    store.add({"sites": pa.table({"site": ["far"], "area": ["Z"]})})
    page = open_desk()
    choose(1)
    press("Withdraw this batch")
    assert "stays: without it" in page.error[0].value.replace("\\", "")
    assert store.read("areas").num_rows == 3


BAD = {
    "utf16": ("holidays.csv", "date,holiday\n".encode("utf-16"), "text in UTF-16"),
    "empty": ("areas.csv", b"", "an empty file"),
    "markup": ("<script>alert(1)</script>.csv", b"a,b\n1,2\n", "no table is called"),
    "right to left": ("تقرير.csv", b"a,b\n1,2\n", "no table is called"),
    "long": ("n" * 300 + ".csv", b"a,b\n1,2\n", "no table is called"),
    "macros": ("week.xlsm", b"PK", "a file ending in .xlsm"),
    "no workbook": ("week.xlsx", b"PK", "not a complete workbook"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_files_are_refused_in_words(open_desk, store: Store, case: str) -> None:
    name, content, words = BAD[case]
    page = drop(open_desk(), (name, content, "text/csv"))
    findings = next(one.value for one in page.dataframe if "Seen" in one.value)
    assert words in " ".join(findings["Seen"])
    assert page.button(key="accept").disabled
    assert "<script>" not in " ".join(one.value for one in page.markdown)
    shown = " ".join(str(one.value) for one in page.dataframe)
    assert "NaN" not in shown
    assert "None" not in shown
    next(one for one in page.button if one.label == "Drop").click().run()
    assert not page.exception
    assert store.version == 0


def test_a_table_is_chosen_for_a_file(open_desk, store: Store) -> None:
    page = drop(open_desk(), ("days off.csv", b"date,holiday\n2031-01-01,Frost\n", "text/csv"))
    chooser = next(one for one in page.selectbox if "days off" in one.label)
    chooser.set_value("holidays").run()
    assert not page.exception
    accept(page)
    assert store.read("holidays").num_rows == 1


def test_an_empty_template_holds_nothing_to_accept(open_desk) -> None:
    page = drop(open_desk(), ("tables.xlsx", workbook_template(), ""))
    assert page.button(key="accept").disabled


def test_the_workbook_offers_what_the_store_holds(store: Store, tmp_path: Path) -> None:
    assert history_panel._workbook(store) == workbook_template()
    import_files(store, write_week(field_week(), tmp_path / "week"))
    book = openpyxl.load_workbook(io.BytesIO(history_panel._workbook(store)))
    assert book["codes"]["B2"].value == field_week()["sites"][0]["site"]


def test_the_public_has_no_desk(opener, monkeypatch) -> None:
    monkeypatch.delenv(store_access.STORE_VARIABLE, raising=False)
    assert next(iter(pages.DATA)) == "data_desk"
    page = opener(PAGE)()
    assert not page.exception
    assert not page.file_uploader
    assert "open on a store" in words_of(page)


def test_a_folder_that_is_no_store_is_told(open_desk, store: Store) -> None:
    store.path.mkdir()
    (store.path / "letters.txt").write_text("x")
    page = open_desk()
    assert not page.exception
    assert "is not a store" in page.error[0].value.replace("\\", "")
    assert not page.file_uploader

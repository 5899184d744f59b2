"""Uploads under way: kept whole, safe from names, from other windows and from a moved store."""

from __future__ import annotations

import datetime as dt
import json
import os
from functools import partial
from itertools import chain, repeat
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pytest

from analytics import import_files, whole_files
from analytics.data.importing import Correction, reading
from analytics.data.store import Store, verify_store
from analytics.errors import DataRejected, StoreError, UsageError
from analytics.findings import Severity
from dashboard.catalogue import say_n
from dashboard.desk import batches, checking, findings_panel, uploads
from dashboard.desk.checking import CheckedUpload, check_upload, store_upload
from dashboard.desk.uploads import Moved, Upload, Uploads
from tests.field_week import field_week, write_csv, write_week
from tests.unit.test_workbook import week_book

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

FAULTS = {"anglers": "two", "hours_fished": 45}


@pytest.fixture
def desk(tmp_path: Path) -> Uploads:
    folder = tmp_path / "a sheet store" / "desk" / "uploads"
    folder.mkdir(parents=True)
    return Uploads(folder)


@pytest.fixture
def store(desk: Uploads, tmp_path: Path) -> Store:
    return Store(tmp_path / "a sheet store")


def week_files(tmp_path: Path, **faults: Any) -> list[tuple[str, bytes]]:
    """Return the files of a week as they are dropped; faults stand in the first interview."""
    rows = field_week()
    rows["interviews"][0] |= faults
    folder = write_week(rows, tmp_path / "week")
    return [(f"week/{path.name}", path.read_bytes()) for path in sorted(folder.iterdir())]


def corrected(desk: Uploads, found: CheckedUpload, **cells: str) -> Upload:
    upload = found.upload
    for name, new in cells.items():
        made = Correction("week/interviews.csv", 2, name, str(FAULTS[name]), new)
        upload = desk.correct(upload, made)
    return upload


def test_no_damaged_file_of_an_upload_is_taken(desk: Uploads, store: Store, tmp_path: Path) -> None:
    store.add({"areas": pa.table({"area": ["Z"], "area_name": ["Far"]})})
    upload = desk.add(week_files(tmp_path))
    one = next(one for one in upload.files if one.name == "week/interviews.csv")
    content = desk.path(upload, one).read_bytes()
    at = content.index(b"\n") + 20
    desk.path(upload, one).write_bytes(content[:at] + bytes([content[at] ^ 1]) + content[at + 1 :])
    (error,) = (x for x in check_upload(desk, upload, store).errors if x.row is None)
    assert (error.file, "not as it came" in error.seen) == ("week/interviews.csv", True)
    name = next((store.path / "desk").rglob("interviews.csv")).relative_to(store.path).as_posix()
    seen = [(x.kind, x.file) for x in verify_store(store.path).seen if x.is_fault]
    assert seen == [(whole_files.DAMAGED, name)]
    desk.path(upload, one).write_bytes(content)
    assert check_upload(desk, upload, store).errors == ()


def test_a_damaged_record_of_an_upload_is_named(
    desk: Uploads, store: Store, tmp_path: Path
) -> None:
    upload = desk.add(week_files(tmp_path, hours_fished=45))
    found = check_upload(
        desk, corrected(desk, check_upload(desk, upload, store), hours_fished="4"), store
    )
    store_upload(desk, found, store)
    kept = desk.every()[0]
    aside = desk.beside(kept, checking.CORRECTIONS)
    whole = aside.read_bytes()
    aside.write_bytes(whole[:-1] + b"\r")
    with pytest.raises(StoreError, match="is damaged"):
        desk.read_beside(kept, checking.CORRECTIONS)
    aside.write_bytes(whole)
    assert desk.read_beside(kept, checking.CORRECTIONS) == whole
    record = desk.beside(kept, "upload.json")
    written = record.read_bytes()
    for at in range(0, len(written), 7):
        record.write_bytes(written[:at] + bytes([written[at] ^ 1 << at % 8]) + written[at + 1 :])
        assert (desk.every(), desk.damaged()) == ([], [kept.upload]), at
    seen = [x.file for x in verify_store(store.path).seen if x.is_fault]
    assert seen == [record.relative_to(store.path).as_posix()]
    record.write_bytes(written)
    assert verify_store(store.path).is_sound


def test_files_become_a_batch_with_its_corrections(
    desk: Uploads, store: Store, tmp_path: Path
) -> None:
    upload = desk.add(week_files(tmp_path, **FAULTS))
    found = check_upload(desk, upload, store)
    assert [(one.file, one.row, one.column) for one in found.errors] == [
        ("week/interviews.csv", 2, "anglers"),
        ("week/interviews.csv", 2, "hours_fished"),
    ]
    with pytest.raises(DataRejected):
        store_upload(desk, found, store)
    upload = corrected(desk, found, anglers="2", hours_fished="45")
    again = Correction("week/interviews.csv", 2, "hours_fished", "45", "4.5")
    upload = desk.correct(upload, again)
    found = check_upload(desk, upload, store)
    assert found.errors == ()
    receipt = store_upload(desk, found, store)
    assert receipt.counts["interviews"].new == 2
    (batch,) = store.batches()
    assert "week/interviews.csv" in batch.sources
    assert [one.new for one in batches.corrections_of(batch)] == ["2", "45", "4.5"]
    assert batches.frame_of([batch])["Note"][0] == say_n(
        2, "{n} cell corrected", "{n} cells corrected"
    )
    assert desk.current() is None
    kept = desk.of_batch(batch.batch)
    assert kept is not None
    assert desk.beside(kept, checking.CORRECTIONS).read_text().count("\n") == 4
    (file,) = (one for one in kept.files if one.name == "week/interviews.csv")
    assert b"two" in desk.path(kept, file).read_bytes()


def test_a_sheet_of_a_workbook_is_corrected(desk: Uploads, store: Store, tmp_path: Path) -> None:
    rows = field_week()
    rows["interviews"][0] |= FAULTS
    book = week_book(rows, tmp_path / "my sheet 1.xlsx")
    upload = desk.add([(book.name, book.read_bytes())])
    found = check_upload(desk, upload, store)
    file = "my sheet 1.xlsx sheet interviews"
    assert [(one.file, one.row) for one in found.errors] == [(file, 2), (file, 2)]
    row = findings_panel.row_of(found, found.errors[0])
    assert row is not None
    assert row.cells[0][:2] == ("anglers", "two")
    for (name, old), new in zip(FAULTS.items(), ("2", "4.5"), strict=True):
        upload = desk.correct(upload, Correction(file, 2, name, str(old), new))
    found = check_upload(desk, upload, store)
    assert found.errors == ()
    store_upload(desk, found, store)
    assert store.batches()[0].sources == ("my sheet 1.xlsx",)
    assert store.read("interviews")["hours_fished"].to_pylist() == [4.5, 4.5]


def test_a_row_of_a_large_file_is_shown_and_corrected(
    desk: Uploads, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reading, "_LARGE_BYTES", 1_000)
    monkeypatch.setattr(reading, "_PART_BYTES", 2_000)
    days = [f"{dt.date(2031, 1, 1) + dt.timedelta(at)},day {at}" for at in range(900)]
    days[800] = "soon,day 800"
    upload = desk.add([("holidays.csv", ("date,holiday\n" + "\n".join(days)).encode())])
    found = check_upload(desk, upload, store)
    row = findings_panel.row_of(found, found.errors[0])
    assert row is not None
    assert row.cells[0][:2] == ("date", "soon")
    made = Correction("holidays.csv", 802, "date", "soon", "2035-01-01")
    found = check_upload(desk, desk.correct(upload, made), store)
    assert (found.errors, found.n_rows) == ((), 900)
    store_upload(desk, found, store)
    assert store.read("holidays").num_rows == 900


def test_an_upload_outlives_the_browser(desk: Uploads, store: Store, tmp_path: Path) -> None:
    found = check_upload(desk, desk.add(week_files(tmp_path, **FAULTS)), store)
    upload = corrected(desk, found, anglers="2")
    again = Uploads(tmp_path / "a sheet store" / "desk" / "uploads").current()
    assert again == upload
    assert check_upload(desk, again, store).errors[0].column == "hours_fished"
    assert desk.undo_correction(again).corrections == ()


def test_rows_are_set_aside_with_what_depends_on_them(
    desk: Uploads, store: Store, tmp_path: Path
) -> None:
    upload = desk.add(week_files(tmp_path, **FAULTS))
    assert check_upload(desk, upload, store).can_set_aside
    found = check_upload(desk, upload, store, quarantine=True)
    assert found.errors == ()
    # The interview, its fish and its bycatch.
    assert found.n_aside == 3
    receipt = store_upload(desk, found, store)
    kept = desk.of_batch(receipt.batch or "")
    assert kept is not None
    text = desk.beside(kept, checking.SET_ASIDE).read_text()
    assert text.count("week/interviews.csv,interviews,2") == 2
    assert '""anglers"": ""two""' in text


def test_a_row_that_breaks_stored_ones_is_set_aside_where_they_are_then_sound(
    desk: Uploads, store: Store, tmp_path: Path
) -> None:
    rows = field_week()
    for day in rows["site_days"]:
        day |= {"stratum": "early", "frame_site_days": 9}
    import_files(store, write_week(rows, tmp_path / "week"))
    other = rows["site_days"][0] | {"sample_id": "x1", "date": "2031-01-07", "frame_site_days": 8}
    days = write_csv(tmp_path / "site_days.csv", [other]).read_bytes()
    upload = desk.add([("site_days.csv", days)])
    found = check_upload(desk, upload, store)
    assert any(one.is_of_stored for one in found.errors)
    assert found.can_set_aside
    assert check_upload(desk, upload, store, quarantine=True).checked.is_all_aside
    # A season that ends before its site-days leaves them outside, whatever is set aside.
    season = rows["seasons"][0] | {"close_date": "2030-12-31"}
    seasons = write_csv(tmp_path / "seasons.csv", [season]).read_bytes()
    assert not check_upload(desk, desk.add([("seasons.csv", seasons)]), store).can_set_aside


def test_two_windows_correct_the_same_upload(desk: Uploads, store: Store, tmp_path: Path) -> None:
    found = check_upload(desk, desk.add(week_files(tmp_path, **FAULTS)), store)
    corrected(desk, found, anglers="2")
    # Another cell from a window that has not seen the first correction: both stay.
    both = corrected(desk, found, hours_fished="4.5")
    assert [one.column for one in both.corrections] == ["anglers", "hours_fished"]
    with pytest.raises(Moved, match="written '2' there meanwhile; yours was '3'"):
        corrected(desk, found, anglers="3")
    now = desk.current()
    assert now is not None
    assert now.corrections == both.corrections
    with pytest.raises(Moved, match="another window changed the upload"):
        store_upload(desk, found, store)
    store_upload(desk, check_upload(desk, now, store), store)
    with pytest.raises(Moved, match="accepted as batch b0001"):
        corrected(desk, found, anglers="4")
    with pytest.raises(Moved, match="accepted as batch b0001"):
        desk.drop(now)


def test_a_store_that_moved_on_is_seen(desk: Uploads, store: Store, tmp_path: Path) -> None:
    upload = desk.add(week_files(tmp_path))
    found = check_upload(desk, upload, store)
    store.add({"holidays": pa.table({"date": [dt.date(2031, 1, 1)]})})
    with pytest.raises(StoreError, match="from version 0 to 1"):
        store_upload(desk, found, store)
    assert desk.current() == upload
    assert store_upload(desk, check_upload(desk, upload, store), store).version == 2


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("../../etc/interviews.csv", "etc/interviews.csv"),
        ("C:\\week\\interviews.csv", "week/interviews.csv"),
        ("/interviews.csv", "interviews.csv"),
        ("..", "unnamed"),
        ("a\x00b\nc.csv", "a_b_c.csv"),
        ("تقرير.csv", "تقرير.csv"),
        ("\u202egnp.csv", "_gnp.csv"),
        ("<script>alert(1)</script>.csv", "<script>alert(1)</script>.csv"),
    ],
)
def test_a_name_leads_nowhere(desk: Uploads, tmp_path: Path, name: str, shown: str) -> None:
    upload = desk.add([(name, b"date,holiday\n")])
    (file,) = upload.files
    assert file.name == shown
    path = desk.path(upload, file).resolve()
    assert path.is_file()
    assert path.is_relative_to(tmp_path / "a sheet store" / "desk" / "uploads" / upload.upload)
    assert {one.name for one in tmp_path.iterdir()} == {"a sheet store"}


def test_a_name_of_300_characters(desk: Uploads, store: Store) -> None:
    upload = desk.add([("n" * 300 + ".csv", b"date,holiday\n")])
    (file,) = upload.files
    assert len(file.name) == uploads.LONGEST_NAME
    assert file.ending == ".csv"
    assert check_upload(desk, upload, store).choose == (file,)


def test_a_file_of_no_known_table_waits_for_a_choice(desk: Uploads, store: Store) -> None:
    upload = desk.add([("interview.csv", b"date,holiday\n2031-01-01,Frost\n")])
    found = check_upload(desk, upload, store)
    (error,) = found.errors
    assert "did you mean interviews?" in error.advice
    assert error.allowed.startswith("areas, area_outlines, sites")
    assert not found.can_set_aside
    chosen = desk.choose_table(upload, "interview.csv", "holidays")
    assert check_upload(desk, chosen, store).errors == ()
    # A file that comes again keeps the choice.
    again = desk.add([("interview.csv", b"date,holiday\n2031-01-02,Ice\n")])
    assert check_upload(desk, again, store).n_rows == 1
    wrong = check_upload(desk, desk.choose_table(again, "interview.csv", "areas"), store)
    assert wrong.errors
    assert [one.name for one in wrong.choose] == ["interview.csv"]


def test_what_is_no_table_is_left_out_and_said(desk: Uploads, store: Store) -> None:
    files = [("README.md", b"x"), ("b.xlsm", b"x"), ("sites.txt", b"x"), ("empty.csv", b"")]
    found = check_upload(desk, desk.add(files), store)
    said = {one.file: one.severity for one in found.findings}
    assert said == {
        "README.md": Severity.NOTE,
        "b.xlsm": Severity.ERROR,
        "sites.txt": Severity.ERROR,
        "empty.csv": Severity.ERROR,
    }
    upload = found.upload
    for name in ("b.xlsm", "sites.txt", "empty.csv"):
        upload = desk.leave_out(upload, name)
    assert check_upload(desk, upload, store).errors == ()


def test_whole_files_are_refused_in_words(desk: Uploads, store: Store) -> None:
    files = [
        ("holidays.csv", "date,holiday\n2031-01-01,é\n".encode("utf-16")),
        ("areas.csv", b""),
        ("fish.xlsx", b"PK\x03\x04 cut short"),
    ]
    found = check_upload(desk, desk.add(files), store)
    assert [(one.file, one.row) for one in found.errors] == [
        ("fish.xlsx", None),
        ("areas.csv", None),
        ("holidays.csv", None),
    ]
    assert not found.can_set_aside
    assert [findings_panel.row_of(found, one) for one in found.errors] == [None] * 3


def left_of(desk: Uploads) -> list[str]:
    """Return the files that uploads left, but for the lock."""
    files = [one for one in desk._folder.rglob("*") if one.is_file() and one.name != ".lock"]
    return sorted(one.relative_to(desk._folder).as_posix().partition("/")[2] for one in files)


@pytest.mark.parametrize("bound", [{"MOST_FILES": 1}, {"MOST_BYTES": 3}])
def test_an_upload_that_is_refused_leaves_nothing(
    desk: Uploads, monkeypatch: pytest.MonkeyPatch, bound: dict[str, int]
) -> None:
    for name, most in bound.items():
        monkeypatch.setattr(uploads, name, most)
    with pytest.raises(UsageError, match="take them in parts"):
        desk.add([("sites.csv", b"xy"), ("fish.csv", b"xy")])
    assert left_of(desk) == []
    assert desk.every() == []
    desk.add([("areas.csv", b"x")])
    with pytest.raises(UsageError, match="take them in parts"):
        desk.add([("areas.csv", b"xy"), ("fish.csv", b"xy")])
    assert left_of(desk) == ["files/00001/areas.csv", "upload.json"]


def test_an_upload_is_bounded(desk: Uploads, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uploads, "MOST_FILES", 2)
    desk.add([("areas.csv", b"area\n")])
    with pytest.raises(UsageError, match="allowed in one upload: 2 files"):
        desk.add([("sites.csv", b"x"), ("fish.csv", b"x")])
    now = desk.current()
    assert now is not None
    assert [one.name for one in now.files] == ["areas.csv"]


def test_a_dropped_upload_can_be_taken_up_again(desk: Uploads) -> None:
    first = desk.drop(desk.add([("areas.csv", b"area\n")]))
    assert desk.current() is None
    second = desk.add([("sites.csv", b"x")])
    with pytest.raises(Moved, match="another upload is under way"):
        desk.take_up(first)
    desk.drop(second)
    assert desk.take_up(first).files == first.files
    assert desk.delete_dropped() == 1
    assert [one.upload for one in desk.every()] == [first.upload]


def _in_turn(turns: Iterator[Callable[..., None]], *paths: object) -> None:
    next(turns)(*paths)


def test_a_full_disk_is_told_and_leaves_the_upload(
    desk: Uploads, monkeypatch: pytest.MonkeyPatch
) -> None:
    upload = desk.add([("areas.csv", b"area\n")])

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    before, into = left_of(desk), os.replace
    for n_written in (0, 1):  # the disk fills at once, or after the first file
        turns = chain([into] * n_written, repeat(full))
        monkeypatch.setattr(os, "replace", partial(_in_turn, turns))
        with pytest.raises(StoreError, match="No space left on device; make room"):
            desk.add([("sites.csv", b"x"), ("fish.csv", b"x")])
        monkeypatch.undo()
        assert desk.current() == upload
        assert left_of(desk) == before


def test_a_damaged_record_is_left_alone(desk: Uploads, tmp_path: Path) -> None:
    upload = desk.add([("areas.csv", b"area\n")])
    record = tmp_path / "a sheet store" / "desk" / "uploads" / upload.upload / "upload.json"
    record.write_text("{")
    assert desk.current() is None
    record.write_text(json.dumps({"upload": "x"}))
    assert desk.every() == []


def test_the_row_of_a_finding_has_its_faults_first(
    desk: Uploads, store: Store, tmp_path: Path
) -> None:
    found = check_upload(desk, desk.add(week_files(tmp_path, **FAULTS)), store)
    row = findings_panel.row_of(found, found.errors[0])
    assert row is not None
    assert [cell[:2] for cell in row.cells[:3]] == [
        ("anglers", "two"),
        ("hours_fished", "45"),
        ("interview_id", "i1"),
    ]
    allowed = {name: words for name, _, words, _ in row.cells}
    assert allowed["area"] == "an area of the table areas"
    frame = findings_panel.frame_of(found.errors)
    assert list(frame["Row"]) == [2, 2]
    assert not frame.isna().any().any()

"""Corrections: applied to cells as written, checked as all others, and honest where they miss."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.parquet as pq

from analytics.data import importing
from analytics.data.importing import Correction
from analytics.data.store import Store
from analytics.findings import Severity
from tests.field_week import field_week, write_csv, write_week

if TYPE_CHECKING:
    from pathlib import Path

    from analytics.data.importing.batch import Reading


def read(path: Path, *corrections: Correction) -> Reading:
    return importing.read_paths([path], amend=importing.amending(corrections))


def errors(reading: Reading) -> list[tuple[int | None, str | None]]:
    found = [*reading.faults, *reading.findings]
    return [(one.row, one.column) for one in found if one.severity is Severity.ERROR]


def test_a_corrected_cell_is_checked_as_any_other(tmp_path: Path) -> None:
    rows = field_week()["interviews"]
    rows[1] |= {"anglers": "two", "hours_fished": 45}
    path = write_csv(tmp_path / "interviews.csv", rows)
    before = path.read_bytes()
    assert errors(read(path)) == [(3, "anglers"), (3, "hours_fished")]
    first = Correction(str(path), 3, "anglers", "two", "2")
    wrong = Correction(str(path), 3, "hours_fished", "45", "44")
    right = Correction(str(path), 3, "hours_fished", "44", "4.5")
    assert errors(read(path, first, wrong)) == [(3, "hours_fished")]
    reading = read(path, first, wrong, right)
    assert errors(reading) == []
    assert reading.tables["interviews"].data["hours_fished"].to_pylist() == [4.5, 4.5]
    assert path.read_bytes() == before


def test_an_emptied_cell_is_not_recorded(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "interviews.csv", field_week()["interviews"])
    reading = read(path, Correction(str(path), 2, "anglers", "2", ""))
    assert reading.tables["interviews"].data["anglers"].to_pylist() == [None, 2]


def test_a_correction_of_another_file_changes_nothing_and_says_so(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "holidays.csv", [{"date": "2031-01-01", "holiday": "Frost"}])
    reading = read(path, Correction(str(path), 2, "holiday", "Ice", "Snow"))
    assert reading.tables["holidays"].data["holiday"].to_pylist() == ["Frost"]
    assert [(one.severity, one.row) for one in reading.findings] == [(Severity.WARNING, 2)]
    assert read(path, Correction("other.csv", 2, "holiday", "Frost", "Ice")).findings == ()
    assert read(path, Correction(str(path), 99, "holiday", "Frost", "Ice")).findings == ()


def test_a_ragged_line_is_corrected_or_left_out(tmp_path: Path) -> None:
    path = tmp_path / "holidays.csv"
    path.write_text("date,holiday\n2031-01-01,Frost, Day\n2031-01-02,Ice\nx\n")
    assert errors(read(path)) == [(2, None), (4, None)]
    line = Correction(str(path), 2, "", "2031-01-01,Frost, Day", '2031-01-01,"Frost, Day"')
    short = Correction(str(path), 4, "", "x", "2031-01-03")
    gone = Correction(str(path), 4, "", "2031-01-03", "")
    cell = Correction(str(path), 2, "holiday", "Frost, Day", "Frost")
    assert errors(read(path, line, short)) == [(4, None)]
    reading = read(path, line, short, gone, cell)
    assert errors(reading) == []
    assert reading.tables["holidays"].data["holiday"].to_pylist() == ["Frost", "Ice"]
    assert reading.tables["holidays"].row.tolist() == [2, 3]


def test_a_row_given_twice_is_left_out(tmp_path: Path) -> None:
    rows = field_week()
    rows["interviews"].append(rows["interviews"][0] | {"kept": 0})
    folder = write_week(rows, tmp_path / "week")
    file = str(folder / "interviews.csv")
    assert errors(read(folder)) != []
    reading = read(folder, Correction(file, 4, "", "", ""))
    assert errors(reading) == []
    assert importing.check(reading, Store(tmp_path / "s")).errors == ()


def test_a_cell_of_a_typed_file_is_corrected(tmp_path: Path) -> None:
    table = pa.table({"date": pa.array([0, 1], pa.date32()), "holiday": ["a", "b"]})
    path = tmp_path / "holidays.parquet"
    pq.write_table(table, path)
    reading = read(path, Correction(str(path), 3, "date", "1970-01-02", "2031-01-01"))
    assert [str(day) for day in reading.tables["holidays"].data["date"].to_pylist()] == [
        "1970-01-01",
        "2031-01-01",
    ]


def test_rows_set_aside_are_written_as_corrected(tmp_path: Path) -> None:
    rows = field_week()["interviews"]
    rows[0] |= {"anglers": "two", "area": "Z"}
    path = write_csv(tmp_path / "interviews.csv", rows)
    reading = read(path, Correction(str(path), 2, "anglers", "two", "2"))
    aside = importing.check(reading, Store(tmp_path / "s"), quarantine=True)
    text = importing.quarantine_csv(aside.set_aside, importing.raws_of(reading, aside.set_aside))
    assert '""anglers"": ""2""' in text


def test_corrections_are_kept_and_listed() -> None:
    made = [Correction("a.csv", 2, "kept", "", "=1"), Correction("a.csv", 3, "", "x,y", "")]
    assert importing.from_records(importing.to_records(made)) == made
    assert importing.corrections_csv(made).splitlines() == [
        "file,row,column,old,new",
        "a.csv,2,kept,,'=1",
        'a.csv,3,,"x,y",',
    ]

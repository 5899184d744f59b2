"""Reading files: what a cell may hold, what refuses a file, what a quarantine sets aside."""

from __future__ import annotations

import datetime as dt
import os
import re
from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analytics import import_files
from analytics.data import importing
from analytics.data.columns import CellRule, ColumnKind, cell_rule
from analytics.data.importing.findings_report import counted, findings_csv, grouped, quarantine_csv
from analytics.data.importing.input_files import find_files
from analytics.data.importing.typed import Fault, read_cell, read_extra
from analytics.data.schema import TABLES
from analytics.data.store import Store
from analytics.errors import DataRejected, UsageError
from tests.field_week import field_week, write_csv, write_week

if TYPE_CHECKING:
    from pathlib import Path

    from analytics.data.importing.batch import Reading
    from analytics.findings import Finding

HEADER = "date,holiday\n"


def read(path: Path, content: bytes | str) -> Reading:
    """Read one file of the given content."""
    data = content.encode() if isinstance(content, str) else content
    path.write_bytes(data)
    return importing.read_paths([path])


def only(findings: tuple[Finding, ...]) -> Finding:
    assert len(findings) == 1, findings
    return findings[0]


CELLS: list[tuple[str, Any, Any]] = [
    ("interviews.kept", " 3 ", 3),
    ("interviews.kept", "3.0", 3),
    ("interviews.kept", "1E2", 100),
    ("interviews.kept", "", None),
    ("interviews.kept", "  ", None),
    ("interviews.kept", Decimal("2"), 2),
    ("interviews.kept", 2.0, 2),
    ("interviews.hours_fished", ".5", 0.5),
    ("interviews.hours_fished", "0.1", 0.1),
    ("interviews.hours_fished", 7, 7.0),
    ("interviews.date", "2032-02-29", dt.date(2032, 2, 29)),
    ("interviews.date", dt.datetime(2031, 1, 2), dt.date(2031, 1, 2)),
    ("interviews.date", dt.date(2031, 1, 2), dt.date(2031, 1, 2)),
    ("interviews.trip_complete", "YES", True),
    ("interviews.trip_complete", "0", False),
    ("interviews.trip_complete", True, True),
    ("interviews.trip_complete", 1.0, True),
    ("interviews.sample_id", 17, "17"),
    ("interviews.sample_id", 17.0, "17"),
    ("interviews.sample_id", "007", "007"),
    ("interviews.method", "jig - slow", "jig - slow"),
    ("boat_counts.time", "07:30", "07:30"),
    ("boat_counts.time", dt.time(7, 30), "07:30"),
    ("fish.source", "dockside", "dockside"),
    ("interviews.method", "x" * 500, "x" * 500),
    ("seasons.season", "2030-31", "2030-31"),
    ("seasons.season", "Winter_2.0 b", "Winter_2.0 b"),
]


@pytest.mark.parametrize(("place", "written", "value"), CELLS)
def test_a_cell_is_read(place: str, written: Any, value: Any) -> None:
    table, column = place.split(".")
    got = read_cell(written, column=TABLES[table].column(column))
    assert got == value
    assert type(got) is type(value)


@pytest.mark.parametrize("place", ["release_rates.rate_prop", "drop_off.rate_se"])
def test_a_percentage_is_told_how_it_is_written(place: str) -> None:
    table, column = place.split(".")
    got = read_cell("15", column=TABLES[table].column(column))
    assert isinstance(got, Fault)
    assert got.advice.startswith("10 % is written 0.1: correct the number")


FAULTS: list[tuple[str, Any]] = [
    ("interviews.kept", "-1"),
    ("interviews.kept", "1.5"),
    ("interviews.kept", "1000000000"),
    ("interviews.kept", "1e999"),
    ("interviews.kept", "two"),
    ("interviews.kept", "1,200"),
    ("interviews.kept", "٣"),
    ("interviews.kept", True),
    ("interviews.kept", float("nan")),
    ("interviews.hours_fished", "NaN"),
    ("interviews.hours_fished", "inf"),
    ("interviews.hours_fished", float("inf")),
    ("interviews.hours_fished", "24.1"),
    ("interviews.hours_fished", "3,5"),
    ("interviews.hours_fished", "0x10"),
    ("interviews.hours_fished", "1_0"),
    ("release_rates.rate_prop", "15"),
    ("interviews.date", "2031-02-30"),
    ("interviews.date", "2031-2-3"),
    ("interviews.date", "03/02/2031"),
    ("interviews.date", "2031-02-03 00:00"),
    ("interviews.date", "0031-02-03"),
    ("interviews.date", 20310203),
    ("interviews.date", dt.datetime(2031, 1, 2, 3)),
    ("interviews.date", dt.datetime(2031, 1, 2, tzinfo=dt.UTC)),
    ("interviews.trip_complete", "maybe"),
    ("interviews.trip_complete", 2),
    ("interviews.method", "=1+1"),
    ("interviews.method", "+1"),
    ("interviews.method", "-1"),
    ("interviews.method", "@SUM(A1)"),
    ("interviews.method", "a\nb"),
    ("interviews.method", "a\x00b"),
    ("interviews.method", 1.5),
    ("interviews.method", float("nan")),
    ("interviews.method", b"bytes"),
    ("boat_counts.time", "7:30"),
    ("boat_counts.time", "24:00"),
    ("fish.source", "Dockside"),
    ("interviews.method", "x" * 501),
    ("seasons.season", "2030/31"),
    ("seasons.season", ".hidden"),
    ("seasons.season", "x" * 41),
    ("limits.season", "Frühling"),
]


@pytest.mark.parametrize(("place", "written"), FAULTS)
def test_a_faulty_cell_says_what_is_allowed(place: str, written: Any) -> None:
    table, column = place.split(".")
    got = read_cell(written, column=TABLES[table].column(column))
    assert isinstance(got, Fault)
    assert got.allowed


def test_what_is_no_value_is_advised_to_be_left_out_only_where_it_may_be() -> None:
    empty, hours = "leave the cell empty", TABLES["interviews"].column("hours_fished")
    for column in (hours, replace(hours, filled=True)):
        for written in ("two", "NaN", True, 65):
            got = read_cell(written, column=column)
            assert isinstance(got, Fault)
            assert (empty in got.advice) == (not column.filled), (written, got.advice)
            assert got.advice.removesuffix(empty)
    comma = read_cell("4,5", column=hours)
    assert empty not in comma.advice


def test_a_season_label_is_advised_as_it_can_be_written() -> None:
    advice = {
        written: read_cell(written, column=TABLES["seasons"].column("season")).advice
        for written in ("2030/31", "../x", "2030.31?", "///", "y" * 50)
    }
    assert advice == {
        "2030/31": "write 2030-31",
        "../x": "write x",
        "2030.31?": "write 2030-31",
        "///": "correct it",
        "y" * 50: "correct it",
    }


def test_extra_cells_may_be_signed_numbers_but_no_formulas() -> None:
    assert read_extra("-3.5") == "-3.5"
    assert read_extra(-3.5) == "-3.5"
    assert read_extra("  ") is None
    assert isinstance(read_extra("-cmd|x"), Fault)


def test_every_bad_cell_is_told_with_its_place(tmp_path: Path) -> None:
    reading = read(tmp_path / "holidays.csv", HEADER + "2031-01-01,a\nsoon,b\n2031-02-30,=c\n")
    told = [(one.row, one.column, one.seen) for one in reading.findings]
    assert told == [(3, "date", "soon"), (4, "date", "2031-02-30"), (4, "holiday", "=c")]
    assert {one.file for one in reading.findings} == {str(tmp_path / "holidays.csv")}
    assert reading.tables["holidays"].data["date"].null_count == 2


def test_rows_are_numbered_as_a_spreadsheet_does(tmp_path: Path) -> None:
    text = HEADER + '2031-01-01,"two\nlines"\n\n2031-01-02\n2031-01-03,ok\nbad,b\n,\n\n'
    reading = read(tmp_path / "holidays.csv", text)
    told = {(one.row, one.column) for one in reading.findings if one.severity == "error"}
    assert told == {(2, "holiday"), (4, None), (6, "date")}
    assert "1 row without any value" in str(reading.findings)
    assert reading.tables["holidays"].row.tolist() == [2, 5, 6]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "an empty file"),
        (b"\xef\xbb\xbf\r\n", "an empty file"),
        (b"date;holiday\n2031-01-01;x\n", "separated by a semicolon"),
        (b"date\tholiday\n2031-01-01\tx\n", "separated by a tab"),
        (b"date,holiday\n2031-01-01,F\xe9te\n", "row 2.*0xE9, which is not UTF-8"),
        ("date,holiday\n".encode("utf-16"), "UTF-16"),
        (b"day,holiday\n2031-01-01,x\n", "no column date; there are: day, holiday"),
        (b"Date,holiday\n2031-01-01,x\n", "did you mean Date"),
        (b"date,date\n2031-01-01,x\n", "the column 'date' 2 times"),
        (b"date,\n2031-01-01,x\n", "a column with values and no name"),
        (b"date,=cmd()\n2031-01-01,x\n", "the column name =cmd"),
        (b"2031-01-01,x\n", "no column date"),
        (b"PK\x03\x04\x14\x00\x06\x00\x08\x00\x00\x00!\x00\xff\xfe", "not UTF-8"),
    ],
)
def test_a_file_that_cannot_be_taken_is_told(tmp_path: Path, content: bytes, words: str) -> None:
    import re

    reading = read(tmp_path / "holidays.csv", content)
    assert re.search(words, str(only(reading.faults)))


@pytest.mark.parametrize("ending", [b"", b"\n", b"\r\n"])
def test_a_header_alone_is_no_rows_and_a_warning(tmp_path: Path, ending: bytes) -> None:
    reading = read(tmp_path / "holidays.csv", b"\xef\xbb\xbfdate,holiday" + ending)
    assert not reading.faults
    assert only(reading.findings).severity == "warning"
    assert reading.tables["holidays"].data.num_rows == 0


def test_a_misspelt_optional_column_is_told(tmp_path: Path) -> None:
    reading = read(tmp_path / "holidays.csv", "date,Holidays\n2031-01-01,x\n")
    assert "did you mean holiday?" in str(only(reading.findings))


def test_a_table_cut_short_is_told(tmp_path: Path) -> None:
    path = tmp_path / "holidays.parquet"
    pq.write_table(pa.table({"date": [dt.date(2031, 1, 1)]}), path)
    whole = path.read_bytes()
    for cut in (len(whole) - 10, 20, 3, 0):
        reading = read(path, whole[:cut])
        assert "Parquet" in str(only(reading.faults))


def test_parquet_types_are_judged_like_text(tmp_path: Path) -> None:
    path = tmp_path / "interviews.parquet"
    table = pa.table(
        {
            "interview_id": pa.array([1, 2, 3]),
            "area": pa.array(["A", "A", "=B"]).dictionary_encode(),
            "date": pa.array(
                [dt.datetime(2031, 1, 1), dt.datetime(2031, 1, 1, 5), None], pa.timestamp("ns")
            ),
            "anglers": pa.array([2.0, 1.5, None]),
            "hours_fished": pa.array([1.0, float("nan"), float("inf")]),
            "kept": pa.array([1, -1, None], pa.int8()),
            "released_legal": pa.array([1, 2, 3], pa.uint64()),
            "released_sublegal": pa.array([b"1", b"2", b"3"]),
            "trip_complete": pa.array([True, False, None]),
            "method": pa.array(["jig", None, "troll"], pa.large_string()),
        }
    )
    pq.write_table(table, path)
    reading = importing.read_paths([path])
    told = {(one.row, one.column) for one in reading.findings if one.severity == "error"}
    assert told == {
        (4, "area"),
        (3, "date"),
        (3, "anglers"),
        (3, "hours_fished"),
        (4, "hours_fished"),
        (3, "kept"),
        (2, "released_sublegal"),
        (3, "released_sublegal"),
        (4, "released_sublegal"),
    }
    data = reading.tables["interviews"].data
    assert data["interview_id"].to_pylist() == ["1", "2", "3"]
    assert data["date"].to_pylist() == [dt.date(2031, 1, 1), None, None]
    assert data["trip_complete"].to_pylist() == [True, False, None]


def test_folders_and_files_are_found(tmp_path: Path) -> None:
    week = write_week(field_week(), tmp_path / "week")
    (week / "notes.txt").write_text("ignored")
    (week / "truth").mkdir()
    write_csv(week / "truth" / "what.csv", [{"a": 1}])
    extra = write_csv(tmp_path / "holidays.csv", [{"date": "2031-02-02", "holiday": "B"}])
    reading = importing.read_paths([week, extra, week / "areas.csv"])
    assert not reading.faults
    assert reading.tables["holidays"].data.num_rows == 2
    assert reading.tables["areas"].data.num_rows == 2  # named twice, read once


def test_paths_without_tables_are_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="does not exist"):
        importing.read_paths([tmp_path / "nowhere"])
    assert "no table in this folder" in str(only(importing.read_paths([tmp_path]).faults))
    unknown = write_csv(tmp_path / "interview.csv", [{"a": 1}])
    assert "did you mean interviews?" in str(only(importing.read_paths([tmp_path]).faults))
    unknown.rename(tmp_path / "interviews.ods")
    fault = only(importing.read_paths([tmp_path / "interviews.ods"]).faults)
    assert "save the sheet as CSV" in str(fault)


@pytest.mark.parametrize(
    "name", ["interviews.xlsm", "Interviews.XLS", "fish.txt", "fish.csv.gz", "sites"]
)
def test_a_table_that_would_be_skipped_is_told(tmp_path: Path, name: str) -> None:
    week = write_week(field_week(), tmp_path / "week")
    (week / name).write_text("x")
    fault = only(importing.read_paths([week]).faults)
    assert fault.file == str(week / name)
    assert "save the sheet as CSV" in str(fault)


def test_folders_and_dead_links_named_as_tables_are_told(tmp_path: Path) -> None:
    week = write_week(field_week(), tmp_path / "week")
    (week / "catch.csv").mkdir()
    (week / "areas.parquet").symlink_to(tmp_path / "gone.parquet")
    faults = importing.read_paths([week]).faults
    assert [one.table for one in faults] == ["areas.parquet", "catch.csv"]
    assert "a link that leads nowhere" in str(faults[0])
    assert "a folder named as a table" in str(faults[1])


def test_other_files_of_a_folder_are_ignored(tmp_path: Path) -> None:
    week = write_week(field_week(), tmp_path / "week")
    for name in ("README", "notes.txt", "piers.geojson", ".interviews.csv.swp", "~$fish.xlsx"):
        (week / name).write_text("x")
    (week / "fish").mkdir()
    assert importing.read_paths([week]).faults == ()


def test_keys_given_twice_are_told(tmp_path: Path) -> None:
    same = read(tmp_path / "holidays.csv", HEADER + "2031-01-01,a\n2031-01-02,b\n2031-01-01,a\n")
    assert [one.row for one in same.findings] == [4]
    other = read(tmp_path / "holidays.csv", HEADER + "2031-01-01,a\n2031-01-02,b\n2031-01-01,c\n")
    assert [one.row for one in other.findings] == [2, 4]
    assert "2031-01-01 again, as in row 4" in str(other.findings[0])


def test_extra_columns_are_kept(tmp_path: Path) -> None:
    store = Store(tmp_path / "s")
    reading = read(tmp_path / "holidays.csv", "date,depth,note\n2031-01-01,-4,\n2031-01-02,,ü\n")
    importing.store_checked(importing.check(reading, store), store)
    back = store.read("holidays")
    assert back.column_names == ["date", "holiday", "depth", "note"]
    assert back.select(["depth", "note"]).to_pylist() == [
        {"depth": "-4", "note": None},
        {"depth": None, "note": "ü"},
    ]


def test_an_error_refuses_the_whole_batch(tmp_path: Path) -> None:
    rows = field_week()
    rows["interviews"][1]["hours_fished"] = -1
    store = Store(tmp_path / "s")
    checked = importing.check(importing.read_paths([write_week(rows, tmp_path / "week")]), store)
    with pytest.raises(DataRejected, match="1 error: nothing was stored"):
        importing.store_checked(checked, store)
    assert not (tmp_path / "s").exists()


def test_a_quarantine_sets_faulty_rows_and_what_hangs_on_them_aside(tmp_path: Path) -> None:
    rows = field_week()
    rows["site_days"][0]["date"] = "6 January"
    rows["sites"].append({"site": "r3", "area": "X"})
    store = Store(tmp_path / "s")
    reading = importing.read_paths([write_week(rows, tmp_path / "week")])
    checked = importing.check(reading, store, quarantine=True)
    aside = sorted({(one.table, one.row) for one in checked.set_aside})
    assert aside == [
        ("bycatch", 2),
        ("fish", 2),
        ("interviews", 2),
        ("interviews", 3),
        ("site_days", 2),
        ("sites", 4),
    ]
    assert not checked.errors
    importing.store_checked(checked, store)
    assert store.read("site_days")["sample_id"].to_pylist() == ["d2"]
    assert store.read("interviews").num_rows == 0
    sheet = quarantine_csv(checked.set_aside, reading.raws)
    assert '""date"": ""6 January""' in sheet
    assert len(sheet.splitlines()) == 1 + len(checked.set_aside)


def test_a_quarantine_does_not_help_a_file_or_rows_stored_earlier(tmp_path: Path) -> None:
    store = Store(tmp_path / "s")
    week = write_week(field_week(), tmp_path / "week")
    importing.store_checked(importing.check(importing.read_paths([week]), store), store)
    (tmp_path / "holidays.csv").write_bytes(b"")
    empty = importing.check(
        importing.read_paths([tmp_path / "holidays.csv"]), store, quarantine=True
    )
    assert len(empty.errors) == 1
    # The planned site-day of that week is another row stored earlier that then stands outside.
    season = field_week()["seasons"][0] | {"close_date": "2030-12-31"}
    shorter = importing.read_paths([write_csv(tmp_path / "seasons.csv", [season])])
    checked = importing.check(shorter, store, quarantine=True)
    assert [(one.table, one.row) for one in checked.errors] == [
        ("site_days", None),
        ("planned_site_days", None),
    ]
    assert store.version == 1


@pytest.mark.parametrize("name", ["interviews.csv", "interviews.parquet", "week.xlsx", "areas.csv"])
def test_a_channel_or_device_among_tables_is_refused_and_not_skipped(
    tmp_path: Path, name: str
) -> None:
    (tmp_path / "holidays.csv").write_text(HEADER + "2031-01-01,Frost Day\n")
    assert not find_files([tmp_path])[1]
    os.mkfifo(tmp_path / name)
    files, (fault,) = find_files([tmp_path])
    assert [file.name for file in files] == ["holidays.csv"]
    assert (fault.table, fault.allowed) == (name, "an ordinary file")


def again(tmp_path: Path, **changes: Any) -> Path:
    """Return a folder with the day d1 and its first interview under other names, and one trip."""
    rows = field_week()
    day = rows["site_days"][0] | {"sample_id": "x1"} | changes
    trips = [
        rows["interviews"][0] | {"interview_id": "x1-1", "sample_id": "x1"},
        rows["interviews"][0] | {"interview_id": "i9"},
    ]
    folder = tmp_path / "again"
    folder.mkdir()
    write_csv(folder / "site_days.csv", [day])
    write_csv(folder / "interviews.csv", trips)
    return folder


def test_a_row_that_meets_one_stored_earlier_names_its_batch_and_is_set_aside(
    tmp_path: Path,
) -> None:
    store = Store(tmp_path / "s")
    receipt = import_files(store, write_week(field_week(), tmp_path / "week"))
    reading = importing.read_paths([again(tmp_path)])
    refused = importing.check(reading, store)
    # One finding, of the row that came now: the stored row is none to correct.
    (error,) = refused.errors
    assert (error.table, error.row, error.column) == ("site_days", 2, "date")
    assert error.seen.endswith(f"sample_id d1, stored by batch {receipt.batch}")
    checked = importing.check(reading, store, quarantine=True)
    assert not checked.errors
    aside = {(one.table, one.row) for one in checked.set_aside}
    assert aside == {("site_days", 2), ("interviews", 2)}
    importing.store_checked(checked, store)
    assert store.read("site_days")["sample_id"].to_pylist() == ["d1", "d2"]
    assert store.read("interviews")["interview_id"].to_pylist() == ["i1", "i2", "i9"]


def test_stored_rows_that_a_row_set_aside_alone_would_break_are_sound_without_it(
    tmp_path: Path,
) -> None:
    rows = field_week()
    rows["site_days"][0] |= {"stratum": "early", "frame_site_days": 9}
    store = Store(tmp_path / "s")
    receipt = import_files(store, write_week(rows, tmp_path / "week"))
    folder = again(tmp_path, date="2031-01-07", stratum="early", frame_site_days=8)
    refused = importing.check(importing.read_paths([folder]), store)
    # The row that came now is named first, then the stored one of its stratum, with its batch.
    new, stored = refused.errors
    assert (new.row, stored.is_of_stored, stored.file) == (2, True, "")
    assert f"sample_id d1 of batch {receipt.batch}: 9 in" in stored.seen
    checked = importing.check(importing.read_paths([folder]), store, quarantine=True)
    assert not checked.errors
    assert not any(one.is_of_stored for one in checked.findings)
    assert {(one.table, one.row) for one in checked.set_aside} == {
        ("site_days", 2),
        ("interviews", 2),
    }


def test_a_quarantine_keeps_ragged_lines_and_disarms_formulas(tmp_path: Path) -> None:
    reading = read(tmp_path / "holidays.csv", HEADER + "2031-01-01,=cmd()\n2031-01-02\n")
    checked = importing.check(reading, Store(tmp_path / "s"), quarantine=True)
    lines = quarantine_csv(checked.set_aside, reading.raws).splitlines()
    assert lines[0] == "file,table,row,column,seen,allowed,advice,row_json"
    assert any(",'=cmd()," in line for line in lines)
    assert any(",'=cmd()," in line for line in findings_csv(checked.findings).splitlines())
    assert any('{""line"": ""2031-01-02""}' in line for line in lines)


def test_alike_findings_are_grouped_on_the_screen_only(tmp_path: Path) -> None:
    reading = read(tmp_path / "holidays.csv", HEADER + "soon,\n" * 126)
    errors = [one for one in reading.findings if one.severity == "error"]
    assert len(errors) == 126
    lines = grouped(errors)
    assert len(lines) == 4
    assert lines[-1].strip() == "... and 123 more like it"
    assert counted(errors) == "126 errors"


def test_the_tables_are_listed_once_for_a_folder_of_other_files(tmp_path: Path) -> None:
    for name in ("june.csv", "july.csv", "interview.csv", "notes.parquet"):
        (tmp_path / name).write_text("a\n1\n")
    _, faults = find_files([tmp_path])
    lines = grouped(faults)
    names = sorted(one.name for one in tmp_path.iterdir())
    assert [any(name in line for line in lines) for name in names] == [True] * 4
    assert sum("holding_trials" in line for line in lines) == 1
    assert "holding_trials" in lines[0]
    assert all("; allowed: as above" in line for line in lines[1:])
    assert all("holding_trials" in line for line in findings_csv(faults).splitlines()[1:])


@pytest.mark.parametrize("table", ["site_days", "interviews", "fish", "seasons", "drop_off"])
def test_the_rule_of_a_field_calls_no_cell_wrong_that_is_taken(table: str):
    """What a browser judges while one types is at most as strict as the import."""
    texts = "12 3.5 .5 1e3 -1 0.2 3, two yes NO true 1 2031-01-14 14.1.2031 site_day 500000"
    refused = 0
    for column in TABLES[table].columns:
        rule = cell_rule(column)
        for text in texts.split():
            is_taken = not isinstance(read_cell(text, column=column), Fault)
            is_fit = fits(rule, text)
            assert is_fit or not is_taken, (column.name, text)
            refused += not is_fit
            if column.kind in (ColumnKind.COUNT, ColumnKind.NUMBER, ColumnKind.FLAG):
                assert is_fit == is_taken, (column.name, text)
    assert refused


def fits(rule: CellRule, text: str) -> bool:
    """Judge a text as ``misfit`` of the form's script does."""
    flags = re.IGNORECASE if rule.any_case else 0
    if rule.pattern and not re.fullmatch(rule.pattern, text, flags):
        return False
    if not rule.is_number:
        return True
    number = float(text)
    is_inside = (rule.low is None or number >= rule.low) and (
        rule.high is None or number <= rule.high
    )
    return is_inside and (not rule.is_whole or number.is_integer())


# Columns that seem exchanged.


def interviews_of(**changed: Any) -> list[dict[str, Any]]:
    first = field_week()["interviews"][0]
    return [first | {"interview_id": f"n{at}"} | changed for at in range(6)]


def questions(findings: tuple[Finding, ...]) -> list[tuple[str, str | None, int | None]]:
    """Return table, column and row of what asks whether columns are exchanged."""
    return [(f.table, f.column, f.row) for f in findings if "exchanged?" in f.advice]


@pytest.mark.parametrize(
    ("changed", "asked"),
    [
        # Two numbers: hours are no whole anglers, and anglers are hours.
        ({"anglers": "4.5", "hours_fished": "2"}, ["anglers"]),
        ({"anglers": "2", "hours_fished": "4.5"}, []),
        # A label in a number's column, and the number in the label's.
        ({"anglers": "jigging", "method": "2"}, ["anglers"]),
        # A comma for a point is no label, though every label is one.
        ({"hours_fished": "4,5", "method": "2"}, []),
        ({"trip_complete": "jigging", "method": "true"}, ["trip_complete"]),
        ({"hours_fished": "-1"}, []),
        # So large a number could be that of several other columns.
        ({"hours_fished": "99", "anglers": "2", "kept": "1", "released_legal": "1"}, []),
    ],
)
def test_cells_that_would_do_in_another_column_ask_one_question(
    tmp_path: Path, changed: dict[str, str], asked: list[str]
) -> None:
    path = write_csv(tmp_path / "interviews.csv", interviews_of(**changed))
    found = importing.read_paths([path]).findings
    assert questions(found) == [("interviews", column, 1) for column in asked]


def test_few_rows_at_fault_ask_nothing(tmp_path: Path) -> None:
    rows = interviews_of(anglers="2", hours_fished="4.5")
    for row in rows[:3]:
        row |= {"anglers": "4.5", "hours_fished": "2"}
    path = write_csv(tmp_path / "interviews.csv", rows)
    assert questions(importing.read_paths([path]).findings) == []


@pytest.mark.parametrize("quarantine", [False, True])
def test_areas_and_sites_that_stand_in_each_others_column_ask_one_question(
    tmp_path: Path, quarantine: bool
) -> None:
    store = Store(tmp_path / "store")
    week = write_week(field_week(), tmp_path / "week")
    importing.store_checked(importing.check(importing.read_paths([week]), store), store)
    ids = {"sample_id": None, "date": "2031-01-06"}
    for at, (cells, asked) in enumerate(
        [
            ({"site": "A", "area": "r1"}, 1),
            ({"site": "r1", "area": "nowhere"}, 0),
            ({"site": "r1", "area": "A"}, 0),
        ]
    ):
        rows = interviews_of(**ids, **cells)
        (tmp_path / f"{at}").mkdir()
        path = write_csv(tmp_path / f"{at}" / "interviews.csv", rows)
        checked = importing.check(importing.read_paths([path]), store, quarantine=quarantine)
        found = questions(checked.findings)
        assert len(found) == asked
        assert all(one[1] in ("site", "area") for one in found)

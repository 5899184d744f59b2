"""Workbooks in and out: sheets as tables, what is refused before it is unpacked, templates."""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from typing import TYPE_CHECKING, Any

import openpyxl
import pytest

from analytics.data import importing
from analytics.data.importing import workbook
from analytics.data.schema import TABLES
from analytics.data.snapshot import Snapshot
from analytics.data.store import Store
from analytics.findings import Finding, Severity
from tests.field_week import Rows, field_week, write_week

if TYPE_CHECKING:
    from pathlib import Path

    from analytics.data.importing.batch import Reading

HEADER = ("sample_id", "site", "date", "boats_returned")
DAY = dt.date(2031, 1, 6)


def book_of(path: Path, **sheets: list[Any]) -> Path:
    """Write a workbook of sheets, each its rows."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def week_book(rows: Rows, path: Path) -> Path:
    """Write the rows of a week as a workbook: days as dates, times as times."""

    def cell(name: str, value: Any) -> Any:
        if value is not None and name.endswith("date"):
            return dt.date.fromisoformat(value)
        return dt.time.fromisoformat(value) if name == "time" else value

    return book_of(
        path,
        **{
            table: [list(part[0]), *([cell(*pair) for pair in row.items()] for row in part)]
            for table, part in rows.items()
        },
    )


def said(reading: Reading) -> list[Finding]:
    return [*reading.faults, *reading.findings]


def errors(reading: Reading) -> list[Finding]:
    return [one for one in said(reading) if one.severity is Severity.ERROR]


def repacked(path: Path, parts: dict[str, bytes]) -> Path:
    """Write other contents into parts of a workbook."""
    with zipfile.ZipFile(path) as old:
        held = {name: old.read(name) for name in old.namelist()} | parts
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name, content in held.items():
            new.writestr(name, content)
    return path


def test_a_workbook_is_read_as_its_csv_files(tmp_path: Path) -> None:
    csv = importing.read_paths([write_week(field_week(), tmp_path / "week")])
    book = importing.read_paths([week_book(field_week(), tmp_path / "any name.xlsx")])
    assert errors(book) == []
    assert list(book.tables) == list(csv.tables)
    for name, table in csv.tables.items():
        assert book.tables[name].data.equals(table.data), name
        assert book.tables[name].row.tolist() == table.row.tolist()
    receipt = importing.import_files(Store(tmp_path / "s"), tmp_path / "any name.xlsx")
    assert receipt.batch
    assert Store(tmp_path / "s").batches()[0].sources == ("any name.xlsx",)


def test_cells_come_as_a_csv_would_hold_them(tmp_path: Path) -> None:
    rows = [
        HEADER,
        ("s1", "r", DAY, "3"),
        ("s2", "r", "2031-01-06", 3.0),
        (),
        (7, "r", dt.datetime(2031, 1, 6, 12, 30), True),
        ("s4", "r", 47880, dt.time(7, 30)),
    ]
    reading = importing.read_paths([book_of(tmp_path / "b.xlsx", site_days=rows)])
    assert reading.tables["site_days"].row.tolist() == [2, 3, 5, 6]
    assert reading.tables["site_days"].data["sample_id"].to_pylist() == ["s1", "s2", "7", "s4"]
    assert reading.tables["site_days"].data["boats_returned"].to_pylist() == [3, 3, None, None]
    assert [
        (one.row, one.column, one.seen) for one in errors(reading) if "empty" not in one.seen
    ] == [
        (5, "date", "2031-01-06 12:30:00"),
        (6, "date", "47880"),
        (5, "boats_returned", "true"),
        (6, "boats_returned", "07:30"),
    ]
    assert any("1 row without any value" in one.seen for one in reading.findings)
    assert errors(reading)[0].file == f"{tmp_path / 'b.xlsx'} sheet site_days"


def test_a_formula_is_taken_by_the_value_saved_with_it(tmp_path: Path) -> None:
    rows = [HEADER, ("s1", "r", DAY, "=1+2"), ("s2", "r", DAY, "=1+3")]
    path = book_of(tmp_path / "b.xlsx", site_days=rows)
    name = "xl/worksheets/sheet1.xml"
    with zipfile.ZipFile(path) as archive:
        xml = archive.read(name)
    assert b"<f>1+2</f><v></v>" in xml or b"<f>1+2</f><v />" in xml
    with_value = xml.replace(b"<f>1+2</f><v></v>", b"<f>1+2</f><v>3</v>").replace(
        b"<f>1+2</f><v />", b"<f>1+2</f><v>3</v>"
    )
    reading = importing.read_paths([repacked(path, {name: with_value})])
    assert reading.tables["site_days"].data["boats_returned"].to_pylist() == [3, None]
    (error,) = errors(reading)
    assert (error.row, error.column, error.seen) == (
        3,
        "boats_returned",
        "a formula without its value",
    )
    warnings = [one for one in said(reading) if one.severity is Severity.WARNING]
    assert ["1 cell with a formula" in one.seen for one in warnings] == [True]


def test_a_failed_formula_is_no_text(tmp_path: Path) -> None:
    rows = [HEADER, ("#N/A", "r", DAY, 3)]
    (error,) = errors(importing.read_paths([book_of(tmp_path / "b.xlsx", site_days=rows)]))
    assert (error.row, error.column) == (2, "sample_id")


def test_merged_cells_are_refused(tmp_path: Path) -> None:
    path = book_of(
        tmp_path / "b.xlsx", site_days=[HEADER, ("s1", "r", DAY, 3), ("s2", "r", DAY, 3)]
    )
    book = openpyxl.load_workbook(path)
    book["site_days"].merge_cells("B2:B3")
    book.save(path)
    reading = importing.read_paths([path])
    assert [one.seen for one in reading.faults] == ["merged cells (B2:B3)"]
    assert not reading.tables


def test_sheets_that_are_no_tables(tmp_path: Path) -> None:
    areas = [("area", "area_name"), ("A", "North")]
    both = book_of(tmp_path / "b.xlsx", areas=areas, notes=[("x",)], dictionary=[("y",)])
    reading = importing.read_paths([both])
    assert errors(reading) == []
    assert [(one.severity, one.seen) for one in reading.findings] == [
        (Severity.NOTE, "the sheet notes is no table; it is left out")
    ]
    slip = book_of(tmp_path / "c.xlsx", areas=areas, intervews=[("x",)])
    assert [one.advice for one in importing.read_paths([slip]).faults] == [
        "did you mean interviews?"
    ]
    none = book_of(tmp_path / "d.xlsx", Sheet1=areas, Sheet2=areas)
    (fault,) = importing.read_paths([none]).faults
    assert "Sheet1, Sheet2" in fault.seen
    assert fault.allowed.startswith("areas, area_outlines, sites")
    assert list(importing.read_paths([book_of(tmp_path / "areas.xlsx", Sheet1=areas)]).tables) == [
        "areas"
    ]


def test_a_sheet_must_begin_with_its_header(tmp_path: Path) -> None:
    late = book_of(tmp_path / "b.xlsx", areas=[(), ("area", "area_name"), ("A", "North")])
    assert [one.seen for one in importing.read_paths([late]).faults] == ["an empty first row"]
    nameless = book_of(tmp_path / "c.xlsx", areas=[("area", "area_name"), ("A", "North", 7)])
    (fault,) = importing.read_paths([nameless]).faults
    assert "no name" in fault.seen


BOMB = b'<?xml version="1.0"?><worksheet>' + b"<row/>" * 2_000_000 + b"</worksheet>"
LAUGHS = (
    b'<?xml version="1.0"?><!DOCTYPE l [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]>'
    b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
    b'<row r="1"><c r="A1" t="inlineStr"><is><t>&b;</t></is></c></row></sheetData></worksheet>'
)


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ({"xl/worksheets/sheet1.xml": BOMB}, "times its size"),
        ({"xl/vbaProject.bin": b"macro"}, "a workbook with macros"),
        ({"xl/worksheets/sheet1.xml": LAUGHS}, "DOCTYPE"),
        ({"xl/worksheets/sheet1.xml": b"<worksheet><sheetData><row"}, "not a complete workbook"),
        ({"xl/workbook.xml": b""}, "not a complete workbook"),
    ],
)
def test_a_hostile_or_damaged_workbook_is_refused(
    tmp_path: Path, parts: dict[str, bytes], words: str
) -> None:
    path = repacked(book_of(tmp_path / "b.xlsx", areas=[("area",), ("A",)]), parts)
    reading = importing.read_paths([path])
    assert [words in one.seen for one in reading.faults] == [True], said(reading)
    assert reading.faults[0].advice


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "an empty file"),
        (b"area,area_name\nA,North\n", "not a complete workbook"),
        (b"\xd0\xcf\x11\xe0" + bytes(600), "a password, or in the old format"),
    ],
)
def test_a_file_that_is_no_workbook(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "b.xlsx"
    path.write_bytes(content)
    assert [words in one.seen for one in importing.read_paths([path]).faults] == [True]


def test_a_workbook_that_would_fill_the_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = book_of(tmp_path / "b.xlsx", areas=[("area", "area_name")] + [("A", "North")] * 9)
    monkeypatch.setattr(workbook, "MOST_CELLS", 12)
    assert "more than 12 cells" in importing.read_paths([path]).faults[0].seen
    monkeypatch.setattr(workbook, "MOST_UNPACKED", path.stat().st_size)
    assert "unpacks to" in importing.read_paths([path]).faults[0].seen


@pytest.mark.parametrize("called", ["xl/workbook.txt", "xl/worksheets/workbook.xml", "xl/w"])
def test_elements_are_counted_whatever_a_part_is_called(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, called: str
) -> None:
    """The library finds the workbook's part by the list of kinds, not by its name."""
    monkeypatch.setattr(workbook, "MOST_MARKS", 3_000)
    path = book_of(tmp_path / "b.xlsx", areas=[("area",), *[("A",)] * 2_000])
    assert not importing.read_paths([path]).faults  # its sheet has more, and is a sheet
    folder, _, stem = called.rpartition("/")
    moved = {"xl/workbook.xml": called, "xl/_rels/workbook.xml.rels": f"{folder}/_rels/{stem}.rels"}
    renamed = tmp_path / "renamed.xlsx"
    for more in (b"", b"<w/>" * 3_000):
        with zipfile.ZipFile(path) as old, zipfile.ZipFile(renamed, "w") as new:
            for name in old.namelist():
                data = old.read(name)
                if name in ("[Content_Types].xml", "_rels/.rels"):
                    data = data.replace(b"xl/workbook.xml", called.encode())
                if name == "xl/workbook.xml":
                    data = data.replace(b"<sheets>", more + b"<sheets>")
                new.writestr(moved.get(name, name), data)
        found = ["elements" in one.seen for one in importing.read_paths([renamed]).faults]
        assert found == ([True] if more else [])


def test_a_doctype_is_found_wherever_a_part_is_cut(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = book_of(tmp_path / "b.xlsx", areas=[("area",), ("A",)])
    for size in range(3, 20):
        monkeypatch.setattr(workbook, "_PIECE", size)
        spoiled = repacked(path, {"xl/worksheets/sheet1.xml": LAUGHS})
        assert ["DOCTYPE" in one.seen for one in importing.read_paths([spoiled]).faults] == [True]


def test_files_with_macros_and_locks_beside_a_workbook(tmp_path: Path) -> None:
    week_book(field_week(), tmp_path / "b.xlsx")
    (tmp_path / "~$b.xlsx").write_bytes(b"lock")
    assert importing.read_paths([tmp_path]).faults == ()
    (tmp_path / "c.xlsm").write_bytes(b"x")
    (fault,) = importing.read_paths([tmp_path / "c.xlsm"]).faults
    assert "the workbook as .xlsx" in fault.advice


def test_templates_are_read_again_and_are_the_same_each_time(tmp_path: Path) -> None:
    files = importing.write_templates(tmp_path / "out")
    assert files[0].read_bytes() == importing.workbook_template()
    book = openpyxl.load_workbook(files[0])
    assert book.sheetnames == [*TABLES, "dictionary"]
    for name, table in TABLES.items():
        header = [cell.value for cell in book[name][1]]
        assert header == table.arrow_schema.names
        assert (tmp_path / "out" / "csv" / f"{name}.csv").read_text() == ",".join(header) + "\n"
    columns = [
        (row[0], row[1]) for row in book["dictionary"].iter_rows(min_row=2, values_only=True)
    ]
    assert columns == [(t.name, c.name) for t in TABLES.values() for c in t.columns]
    lists = {
        str(one.sqref).partition("2:")[0]: one.formula1
        for one in book["seasons"].data_validations.dataValidation
        if one.type == "list"
    }
    assert '"site_day,day_site,opportunistic"' in lists.values()
    assert '"true,false"' in lists.values()


def drop_downs(book: Any, sheet: str) -> dict[str, str]:
    """Return the list that each column of a sheet offers, by the column's name."""
    header = {cell.column_letter: cell.value for cell in book[sheet][1]}
    return {
        header[str(one.sqref).partition("2:")[0]]: one.formula1
        for one in book[sheet].data_validations.dataValidation
        if one.type == "list"
    }


def test_a_column_that_refers_to_another_offers_what_stands_there() -> None:
    book = openpyxl.load_workbook(io.BytesIO(importing.workbook_template()))
    assert "areas!$A$2" in drop_downs(book, "sites")["area"]
    assert "interviews!$A$2" in drop_downs(book, "fish")["interview_id"]
    for name, table in TABLES.items():
        offered = drop_downs(book, name)
        assert {one.name for one in table.columns if one.refers_to} <= set(offered)
    assert "seasons!$A$2" in drop_downs(book, "limits")["season"]


def test_codes_of_a_store_are_offered_and_left_out_by_the_import(tmp_path: Path) -> None:
    assert importing.codes_of(Snapshot.of({})) == {}
    store = Store(tmp_path / "s")
    importing.import_files(store, write_week(field_week(), tmp_path / "week"))
    codes = importing.codes_of(store.snapshot())
    rows = field_week()
    assert codes["sites.site"] == sorted({row["site"] for row in rows["sites"]})
    assert codes["seasons.season"] == sorted({row["season"] for row in rows["seasons"]})
    path = tmp_path / "tables.xlsx"
    path.write_bytes(importing.workbook_template(codes=codes))
    book = openpyxl.load_workbook(path)
    lists = {name: drop_downs(book, name) for name in ("site_days", "limits")}
    columns = [cell.value for cell in book["codes"][1]]
    for offered, formula in (
        ("sites.site", lists["site_days"]["site"]),
        ("seasons.season", lists["limits"]["season"]),
    ):
        cells = book["codes"][formula.removeprefix("codes!").replace("$", "")]
        assert [cell.value for (cell,) in cells] == codes[offered]
        assert columns[cells[0][0].column - 1] == offered
    for row in rows["sites"]:
        book["sites"].append([row.get(cell.value) for cell in book["sites"][1]])
    book.save(path)
    reading = importing.read_paths([path])
    assert errors(reading) == []
    assert list(reading.tables) == ["sites"]


def test_a_filled_template_is_imported(tmp_path: Path) -> None:
    book = openpyxl.load_workbook(io.BytesIO(importing.workbook_template()))
    for name, rows in field_week().items():
        order = [cell.value for cell in book[name][1]]
        for at, row in enumerate(rows, 2):
            for column, name_ in enumerate(order, 1):
                value = row.get(name_)
                if value is not None and name_.endswith("date"):
                    value = dt.date.fromisoformat(value)
                book[name].cell(at, column, value)
    book.save(tmp_path / "filled.xlsx")
    receipt = importing.import_files(Store(tmp_path / "s"), tmp_path / "filled.xlsx")
    assert {name: one.new for name, one in receipt.counts.items()} == {
        name: len(rows) for name, rows in field_week().items()
    }

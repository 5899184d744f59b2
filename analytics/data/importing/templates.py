"""Empty tables to fill in: a workbook with a sheet a table, and a CSV file a table.

They follow from the schema: headers, the type of each column, allowed values as drop-downs, and a
sheet that explains every column, which the import leaves out.
"""

from __future__ import annotations

import datetime as dt
import io
from typing import TYPE_CHECKING, Any

from analytics.data.columns import ColumnKind, allowed_of
from analytics.data.importing.table_files import OUTLINES_FILE
from analytics.data.importing.workbook import DICTIONARY
from analytics.data.schema import TABLES

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from xlsxwriter import Workbook
    from xlsxwriter.worksheet import Worksheet

    from analytics.data.schema import Column, Table

WORKBOOK_NAME = "tables.xlsx"
#: Rows of a sheet that have drop-downs and ranges (our choice, no source).
_ROWS = 5_000
#: The same bytes whenever it is made.
_CREATED = dt.datetime(2000, 1, 1)
_DICTIONARY = (
    "table",
    "column",
    "meaning",
    "kind",
    "unit",
    "must be filled",
    "allowed",
    "if empty",
    "refers to",
)
#: Outlines come as GeoJSON: a feature an area, its code in the property `area`.
_NO_OUTLINES = '{"type": "FeatureCollection", "features": []}\n'
_WIDTHS = (18, 26, 60, 14, 10, 14, 50, 40, 24)
#: What a column's cells are formatted as: text keeps the zeros of an id.
_FORMATS = {
    ColumnKind.TEXT: {"num_format": "@"},
    ColumnKind.TIME: {"num_format": "@"},
    ColumnKind.DATE: {"num_format": "yyyy-mm-dd"},
}


def csv_template(table: str) -> str:
    """Return the header of a table as a CSV file of one row."""
    return ",".join(TABLES[table].arrow_schema.names) + "\n"


def workbook_template(tables: Sequence[str] = tuple(TABLES)) -> bytes:
    """Return a workbook with a sheet a table, its header alone, and a sheet of explanations."""
    import xlsxwriter  # noqa: PLC0415 - few runs write a workbook

    file = io.BytesIO()
    book = xlsxwriter.Workbook(file, {"in_memory": True, "strings_to_formulas": False})
    book.set_properties({"title": "Field tables", "created": _CREATED})
    styles = {
        "must": book.add_format({"bold": True, "bg_color": "#D5E6EB", "bottom": 1}),
        "may": book.add_format({"bg_color": "#EEF3F4", "bottom": 1}),
        "wrapped": book.add_format({"text_wrap": True, "valign": "top"}),
    } | {str(kind): book.add_format(how) for kind, how in _FORMATS.items()}
    for name in tables:
        _write_table(book.add_worksheet(name), TABLES[name], styles)
    _write_dictionary(book, tables, styles)
    book.close()
    return file.getvalue()


def write_templates(folder: Path) -> list[Path]:
    """Write the workbook and the folder ``csv`` into a folder that is made where missing."""
    sheets = folder / "csv"
    sheets.mkdir(parents=True, exist_ok=True)
    written = [folder / WORKBOOK_NAME, *(sheets / f"{name}.csv" for name in TABLES)]
    written[0].write_bytes(workbook_template())
    for path, name in zip(written[1:], TABLES, strict=True):
        path.write_text(csv_template(name), "utf-8", newline="")
    outlines = sheets / OUTLINES_FILE
    outlines.write_text(_NO_OUTLINES, "utf-8", newline="")
    return [*written, outlines]


def explained(column: Column, table: str) -> tuple[str, ...]:
    """Return a column's line in the sheet of explanations."""
    if_empty = f"counts as {column.default}" if column.default else column.if_empty
    return (
        table,
        column.name,
        column.meaning,
        str(column.kind),
        "" if column.unit == "1" else column.unit,
        "yes" if column.filled else "column must be there" if column.required else "",
        allowed_of(column),
        "" if column.filled else if_empty or "not recorded",
        column.refers_to or "",
    )


def _write_table(sheet: Worksheet, table: Table, styles: dict[str, Any]) -> None:
    sheet.freeze_panes(1, 0)
    for at, column in enumerate(table.columns):
        sheet.set_column(at, at, max(12, len(column.name) + 2), styles.get(str(column.kind)))
        sheet.write_string(0, at, column.name, styles["must" if column.must_exist else "may"])
        sheet.write_comment(0, at, _comment(column), {"x_scale": 2})
        if how := _validation(column):
            sheet.data_validation(1, at, _ROWS, at, how)


def _comment(column: Column) -> str:
    must = "Every row needs it. " if column.filled else ""
    refers = f" One of {column.refers_to}." if column.refers_to else ""
    return f"{column.meaning} {must}Allowed: {allowed_of(column)}.{refers}"


def _validation(column: Column) -> dict[str, Any] | None:
    """Return the drop-down or range of a column's cells, None where any text may stand."""
    words = {
        "error_title": column.name[:32],
        "error_message": f"Allowed: {allowed_of(column)}"[:255],
    }
    if column.allowed:
        return {"validate": "list", "source": list(column.allowed)} | words
    if column.kind is ColumnKind.FLAG:
        return {"validate": "list", "source": ["true", "false"]} | words
    if column.kind is ColumnKind.DATE:
        first, last = dt.date(1900, 1, 1), dt.date(2199, 12, 31)
        return {
            "validate": "date",
            "criteria": "between",
            "minimum": first,
            "maximum": last,
        } | words
    if column.low is None and column.high is None:
        return None
    kind = "integer" if column.kind is ColumnKind.COUNT else "decimal"
    if column.low is not None and column.high is not None:
        between = {"criteria": "between", "minimum": column.low, "maximum": column.high}
        return {"validate": kind} | between | words
    return {"validate": kind, "criteria": ">=", "value": column.low} | words


def _write_dictionary(book: Workbook, tables: Sequence[str], styles: dict[str, Any]) -> None:
    sheet = book.add_worksheet(DICTIONARY)
    sheet.freeze_panes(1, 2)
    for at, (head, width) in enumerate(zip(_DICTIONARY, _WIDTHS, strict=True)):
        sheet.set_column(at, at, width, styles["wrapped"])
        sheet.write_string(0, at, head, styles["must"])
    lines = [explained(column, name) for name in tables for column in TABLES[name].columns]
    for row, line in enumerate(lines, 1):
        for at, words in enumerate(line):
            sheet.write_string(row, at, words)
    sheet.autofilter(0, 0, len(lines), len(_DICTIONARY) - 1)

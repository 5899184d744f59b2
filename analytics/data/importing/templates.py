"""Empty tables to fill in: a workbook with a sheet a table, and a CSV file a table.

They follow from the schema: headers, the type of each column, allowed values as drop-downs, and a
sheet that explains every column. A column that refers to another offers what stands there: the
codes of a store, which lie on a sheet of their own, or the lines typed in the workbook itself. The
import leaves out both sheets that are no table.
"""

from __future__ import annotations

import datetime as dt
import io
from typing import TYPE_CHECKING, Any

from analytics.data.columns import ColumnKind, allowed_of
from analytics.data.importing.input_files import OUTLINES_FILE
from analytics.data.importing.workbook import CODES, DICTIONARY
from analytics.data.schema import TABLES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from xlsxwriter import Workbook
    from xlsxwriter.worksheet import Worksheet

    from analytics.data.schema import Column, Table
    from analytics.data.snapshot import Snapshot

    #: Values by ``table.column``.
    Codes = Mapping[str, Sequence[str]]

WORKBOOK_NAME = "tables.xlsx"
#: Rows of a sheet that have drop-downs and ranges (our choice, no source).
_ROWS = 5_000
#: Columns whose values a store's workbook offers; ids of visits and interviews are too many.
_OFFERED = ("areas.area", "sites.site", "seasons.season")
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


def codes_of(snapshot: Snapshot) -> dict[str, list[str]]:
    """Return the codes that a workbook can offer, by ``table.column``."""
    found = {}
    for offered in _OFFERED:
        table, _, column = offered.partition(".")
        if codes := sorted(set(snapshot[table][column].to_pylist())):
            found[offered] = codes
    return found


def workbook_template(*, codes: Codes | None = None) -> bytes:
    """Return a workbook with a sheet a table, its header alone, and a sheet of explanations.

    `codes` (see `codes_of`) are offered where a column refers to them. Another one may still be
    typed: the spreadsheet asks, and the import decides.
    """
    import xlsxwriter  # noqa: PLC0415 - few runs write a workbook

    file = io.BytesIO()
    book = xlsxwriter.Workbook(file, {"in_memory": True, "strings_to_formulas": False})
    book.set_properties({"title": "Field tables", "created": _CREATED})
    styles = {
        "must": book.add_format({"bold": True, "bg_color": "#D5E6EB", "bottom": 1}),
        "may": book.add_format({"bg_color": "#EEF3F4", "bottom": 1}),
        "wrapped": book.add_format({"text_wrap": True, "valign": "top"}),
    } | {str(kind): book.add_format(how) for kind, how in _FORMATS.items()}
    lists = {one: _typed_in(one) for one in _referred()}
    lists |= {
        one: f"={CODES}!${_letter(at)}$2:${_letter(at)}${len(values) + 1}"
        for at, (one, values) in enumerate((codes or {}).items())
    }
    for name, table in TABLES.items():
        _write_table(book.add_worksheet(name), table, styles, lists)
    _write_dictionary(book, styles)
    if codes:
        _write_codes(book, codes, styles)
    book.close()
    return file.getvalue()


def write_templates(folder: Path, *, codes: Codes | None = None) -> list[Path]:
    """Write the workbook and the folder ``csv`` into a folder that is made where missing.

    The workbook offers `codes` as in `workbook_template`.
    """
    sheets = folder / "csv"
    sheets.mkdir(parents=True, exist_ok=True)
    written = [folder / WORKBOOK_NAME, *(sheets / f"{name}.csv" for name in TABLES)]
    written[0].write_bytes(workbook_template(codes=codes))
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


def _write_table(
    sheet: Worksheet, table: Table, styles: dict[str, Any], lists: Mapping[str, str]
) -> None:
    sheet.freeze_panes(1, 0)
    for at, column in enumerate(table.columns):
        sheet.set_column(at, at, max(12, len(column.name) + 2), styles.get(str(column.kind)))
        sheet.write_string(0, at, column.name, styles["must" if column.must_exist else "may"])
        sheet.write_comment(0, at, _comment(column), {"x_scale": 2})
        if how := _validation(column) or _offer(column, lists.get(_refers(table.name, column))):
            sheet.data_validation(1, at, _ROWS, at, how)


def _comment(column: Column) -> str:
    must = "Every row needs it. " if column.filled else ""
    refers = f" One of {column.refers_to}." if column.refers_to else ""
    return f"{column.meaning} {must}Allowed: {allowed_of(column)}.{refers}"


def _refers(table: str, column: Column) -> str:
    """Return the ``table.column`` that a column takes its values from, or nothing."""
    if column.name == "season" and table != "seasons":
        return "seasons.season"
    return column.refers_to or ""


def _referred() -> set[str]:
    return {_refers(name, one) for name, table in TABLES.items() for one in table.columns} - {""}


def _letter(at: int) -> str:
    return chr(ord("A") + at)


def _typed_in(referred: str) -> str:
    """Return the cells of the workbook's own sheet that a reference points to, as a formula."""
    table, _, name = referred.partition(".")
    column = _letter(TABLES[table].arrow_schema.names.index(name))
    typed = f"COUNTA({table}!${column}$2:${column}${_ROWS + 1})"
    return f"=OFFSET({table}!${column}$2,0,0,MAX(1,{typed}),1)"


def _offer(column: Column, source: str | None) -> dict[str, Any] | None:
    """Return the drop-down of a column that refers to another: a warning, since one may be new."""
    if source is None:
        return None
    return {
        "validate": "list",
        "source": source,
        "error_type": "warning",
        "error_title": column.name[:32],
        "error_message": "This code is not on the list; a new one must stand in its own table too.",
    }


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


def _write_dictionary(book: Workbook, styles: dict[str, Any]) -> None:
    sheet = book.add_worksheet(DICTIONARY)
    sheet.freeze_panes(1, 2)
    for at, (head, width) in enumerate(zip(_DICTIONARY, _WIDTHS, strict=True)):
        sheet.set_column(at, at, width, styles["wrapped"])
        sheet.write_string(0, at, head, styles["must"])
    lines = [explained(column, name) for name, table in TABLES.items() for column in table.columns]
    for row, line in enumerate(lines, 1):
        for at, words in enumerate(line):
            sheet.write_string(row, at, words)
    sheet.autofilter(0, 0, len(lines), len(_DICTIONARY) - 1)


def _write_codes(book: Workbook, codes: Codes, styles: dict[str, Any]) -> None:
    sheet = book.add_worksheet(CODES)
    sheet.freeze_panes(1, 0)
    for at, (head, values) in enumerate(codes.items()):
        sheet.set_column(at, at, max(12, len(head) + 2), styles[str(ColumnKind.TEXT)])
        sheet.write_string(0, at, head, styles["must"])
        for row, value in enumerate(values, 1):
            sheet.write_string(row, at, value)

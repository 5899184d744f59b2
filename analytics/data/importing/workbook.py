"""Reading a spreadsheet workbook (XLSX) as it stands: one sheet a table, each cell as its text.

A workbook is a ZIP archive of XML: its sizes are looked at before anything is unpacked. A cell with
a formula is read by the value that was kept with it, which a warning says.
"""

from __future__ import annotations

import datetime as dt
import io
import re
import warnings
import zipfile
from collections import Counter
from contextlib import contextmanager
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.data.importing.input_files import (
    MOST_CELLS,
    MOST_MARKS,
    MOST_MARKS_OF_SHEET,
    MOST_OF_CELL,
    MOST_PARTS,
    MOST_RATIO,
    MOST_ROWS,
    MOST_TEXT_BYTES,
    MOST_UNPACKED,
    RATIO_FROM,
    WORKBOOK,
    Unreadable,
    require_columns_bounded,
    require_directory_bounded,
    suggest,
)
from analytics.data.importing.reading import FileReading, as_read, named_columns
from analytics.data.schema import TABLES, ColumnKind
from analytics.findings import Finding, Severity, number_of, shortened

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

    from analytics.arrays import Ints

__all__ = ["CODES", "DICTIONARY", "WORKBOOK", "as_text", "read_workbook"]

#: Sheets of an empty workbook that are no table: what explains them, and what drop-downs offer.
DICTIONARY, CODES = "dictionary", "codes"
_CHUNK_ROWS = 50_000
_PIECE = 1 << 20

_OTHERWISE = "save the table as CSV (UTF-8)"
_MACROS = "vbaProject.bin"
#: The part of a workbook that says what the others are.
_KINDS_OF_PARTS = "[Content_Types].xml"
_OLD_FORMAT = b"\xd0\xcf\x11\xe0"
_FORMULA = re.compile(rb"<(?:\w+:)?f[\s/>]")
_MERGED = re.compile(rb'<(?:\w+:)?mergeCell\s[^>]{0,40}?ref="([A-Z0-9:$]{1,40})"')
#: What a cell shows where its formula fails.
_FAILURES = frozenset({"#NULL!", "#DIV/0!", "#VALUE!", "#REF!", "#NAME?", "#NUM!", "#N/A"})


def read_workbook(path: Path) -> Iterator[FileReading]:
    """Read every sheet that is named for a table; the file's stem names the only sheet of another.

    What stands against reading the file is a fault; so is a sheet whose name is nearly a table's.
    Sheets without a row are left out where another has some.
    """
    place: dict[str, Any] = {"severity": Severity.ERROR, "table": path.name, "file": str(path)}
    try:
        with _faults_raised():
            _require_safe(path)
            book = _opened(path, data_only=True)
            tables, faults, notes = _tables_of(book, path)
    except Unreadable as error:
        yield FileReading(None, faults=(Finding(**place, **error.said),))
        return
    try:
        yield FileReading(None, faults=tuple(faults), findings=tuple(notes))
        readings = [_sheet(path, table, book[title]) for table, title in tables.items()]
    finally:
        book.close()
    yield from [one for one in readings if one.faults or _has_rows(one)] or readings[:1]


def as_text(value: Any) -> str | None:
    """Return the value of a cell as a CSV file would hold it; None for an empty cell."""
    if value is None or value == "":
        return None
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.15g}"
    if isinstance(value, dt.datetime):
        is_day = value.tzinfo is None and value.time() == dt.time()
        return value.date().isoformat() if is_day else value.isoformat(sep=" ")
    if isinstance(value, dt.time):
        return value.isoformat("minutes" if value.second == value.microsecond == 0 else "auto")
    return str(value)


@contextmanager
def _faults_raised() -> Iterator[None]:
    """Raise what a damaged or hostile part gives rise to as `Unreadable`."""
    try:
        with warnings.catch_warnings():  # of styles no table has, of dates that become a failure
            warnings.simplefilter("ignore")
            yield
    except Unreadable:
        raise
    except Exception as error:  # the library raises whatever its reading runs into
        raise _not_readable(error) from error


def _opened(path: Path, *, data_only: bool) -> Workbook:
    from openpyxl import load_workbook  # noqa: PLC0415 - few imports read a workbook

    # From memory: the library leaves a file open that it cannot read.
    return load_workbook(io.BytesIO(path.read_bytes()), read_only=True, data_only=data_only)


def _has_rows(reading: FileReading) -> bool:
    return reading.raw is not None and reading.raw.data.num_rows > 0


# What a workbook may be, before anything of it is unpacked.


def _require_safe(path: Path) -> None:
    size = path.stat().st_size
    if not size:
        raise Unreadable("an empty file", "a workbook (.xlsx)", "export it again")
    if size > MOST_UNPACKED:
        raise Unreadable(
            f"a workbook of {size >> 20:,} MB", f"at most {MOST_UNPACKED >> 20} MB", _OTHERWISE
        )
    with path.open("rb") as file:
        if file.read(4) == _OLD_FORMAT:
            raise Unreadable(
                "a workbook with a password, or in the old format .xls",
                "a workbook (.xlsx) without a password",
                f"save it without a password as .xlsx, or {_OTHERWISE}",
            )
    try:
        with path.open("rb") as file:
            require_directory_bounded(file, _OTHERWISE)
        with zipfile.ZipFile(path) as archive:
            parts = archive.infolist()
            _require_bounded(parts)
            kinds = [part for part in parts if part.filename == _KINDS_OF_PARTS]
            for part in kinds:
                _require_few_marks(archive, part, MOST_MARKS)
            others = _parts_beside_sheets(archive) if kinds else set()
            for part in parts:
                is_sheet = "worksheets/" in part.filename and part.filename not in others
                most = MOST_MARKS_OF_SHEET if is_sheet else MOST_MARKS
                _require_few_marks(archive, part, most)
    except (zipfile.BadZipFile, NotImplementedError) as error:
        raise _not_readable(error) from error
    if any(part.filename.endswith(_MACROS) for part in parts):
        raise Unreadable(
            "a workbook with macros", "a workbook without macros", "save it as .xlsx without them"
        )


def _require_few_marks(archive: zipfile.ZipFile, part: zipfile.ZipInfo, most: int) -> None:
    """Refuse a part of XML whose elements would fill the memory, or that is not written in UTF-8.

    What is XML shows in how it begins: a part may bear any name. Texts are found in the bytes of a
    part, which other encodings would hide.
    """
    is_named = part.filename.lower().endswith((".xml", ".rels"))
    n_marks, before = 0, b""
    with archive.open(part) as file:
        while piece := file.read(_PIECE):
            if not before and not is_named and not _begins_as_xml(piece):
                return
            n_marks += piece.count(b"<")
            wrong = (
                f"a part with more than {most >> 1:,} elements"
                if n_marks > most
                else "a part that defines texts of its own (DOCTYPE)"
                if b"<!DOCTYPE" in before + piece
                else "a part in another encoding than UTF-8"
                if b"\0" in piece
                else ""
            )
            if wrong:
                raise Unreadable(
                    wrong,
                    f"parts in UTF-8 with at most {most >> 1:,} elements and no DOCTYPE",
                    f"such a file may be made to fill the memory; if it is yours, {_OTHERWISE}",
                )
            before = (before + piece)[-len(b"<!DOCTYPE") :]


def _begins_as_xml(piece: bytes) -> bool:
    """Whether a part may be XML, in UTF-8 or an encoding of two bytes a sign."""
    begun = piece.lstrip(b" \t\r\n\0\xef\xbb\xbf\xff\xfe")
    return not begun or begun.startswith(b"<")


def _parts_beside_sheets(archive: zipfile.ZipFile) -> set[str]:
    """Return the parts that are no sheet by their kind, whatever their names.

    Of a sheet one line is held at a time, of others all.
    """
    from defusedxml.ElementTree import fromstring  # noqa: PLC0415 - few imports read a workbook

    listed = [one.attrib for one in fromstring(archive.read(_KINDS_OF_PARTS))]
    return {
        one.get("PartName", "")[1:]
        for one in listed
        if not one.get("ContentType", "").endswith("worksheet+xml")
    }


def _require_bounded(parts: Sequence[zipfile.ZipInfo]) -> None:
    """Refuse an archive that would unpack to far more than it is."""
    unpacked = sum(part.file_size for part in parts)
    allowed = f"at most {MOST_UNPACKED >> 20} MB unpacked, in at most {MOST_PARTS:,} parts"
    if unpacked > MOST_UNPACKED or len(parts) > MOST_PARTS:
        raise Unreadable(
            f"a workbook that unpacks to {unpacked >> 20:,} MB in {number_of(len(parts), 'part')}",
            allowed,
            _OTHERWISE,
        )
    for part in parts:
        ratio = part.file_size / max(part.compress_size, 1)
        if part.file_size > RATIO_FROM and ratio > MOST_RATIO:
            raise Unreadable(
                f"a part that unpacks to {ratio:,.0f} times its size",
                f"parts that unpack to at most {MOST_RATIO} times their size",
                f"such a file may be made to fill the memory; if it is yours, {_OTHERWISE}",
            )


def _not_readable(error: Exception) -> Unreadable:
    reason = shortened(str(error) or type(error).__name__)
    return Unreadable(
        f"not a complete workbook, it may be cut short ({reason})",
        "a workbook (.xlsx)",
        f"save it again as .xlsx, or {_OTHERWISE}",
    )


# Which sheets are tables.


def _tables_of(book: Workbook, path: Path) -> tuple[dict[str, str], list[Finding], list[Finding]]:
    """Return the title of the sheet of each table, faults, and notes on sheets left out."""
    beside = (DICTIONARY, CODES)
    titles = [sheet.title for sheet in book.worksheets if sheet.title.lower() not in beside]
    twice = sorted(title for title, times in Counter(titles).items() if times > 1)
    if twice:
        raise Unreadable(
            f"{titles.count(twice[0])} sheets called {shortened(twice[0])!r}",
            "every sheet under a name of its own",
            "rename one of them, or join their rows",
        )
    tables = {title: title for title in titles if title in TABLES}
    place: dict[str, Any] = {"table": path.name, "file": str(path)}
    if not tables and len(titles) == 1 and path.stem in TABLES:
        return {path.stem: titles[0]}, [], []
    others = [title for title in titles if title not in tables]
    faults = [
        Finding(
            severity=Severity.ERROR,
            **place,
            seen=f"no table is called as the sheet {shortened(title)!r}",
            allowed=", ".join(TABLES),
            advice=hint,
        )
        for title in others
        if (hint := suggest(title, TABLES))
    ]
    if not tables and not faults:
        faults.append(
            Finding(
                severity=Severity.ERROR,
                **place,
                seen=f"no sheet named for a table; there are: {shortened(', '.join(titles))}",
                allowed=", ".join(TABLES),
                advice="name each sheet for the table it holds",
            )
        )
    notes = [
        Finding(
            severity=Severity.NOTE,
            **place,
            seen=f"the sheet {shortened(title)} is no table; it is left out",
        )
        for title in others
        if not suggest(title, TABLES)
    ]
    return tables, faults, notes


# One sheet.


def _sheet(path: Path, table: str, sheet: Worksheet) -> FileReading:
    file = f"{path} sheet {shortened(sheet.title)}"
    found: list[Finding] = []

    def cells() -> tuple[pa.Table, Ints, dict[int, str]]:
        with _faults_raised():
            has_formula, merged = _scanned(sheet)
            if merged:
                raise Unreadable(
                    f"merged cells ({merged})",
                    "one value a cell",
                    "unmerge them and fill in every cell that they covered",
                )
            data = _data(sheet)
            if has_formula:
                found.extend(_formulas(data, path, sheet.title, table=table, file=file))
        found.extend(_failures(data, table=table, file=file))
        return data, np.arange(2, data.num_rows + 2, dtype=np.int64), {}

    reading = as_read(cells, table=table, file=file)
    return FileReading(reading.raw, reading.faults, (*reading.findings, *found))


def _scanned(sheet: Worksheet) -> tuple[bool, str]:
    """Return whether a sheet has a formula, and the first range of merged cells, if any."""
    has_formula, before = False, b""
    book: Any = sheet.parent
    with book._archive.open(sheet._worksheet_path) as part:  # type: ignore[attr-defined]
        while piece := part.read(_PIECE):
            text = before + piece
            has_formula = has_formula or _FORMULA.search(text) is not None
            if found := _MERGED.search(text):
                return has_formula, found.group(1).decode()
            before = text[-128:]
    return has_formula, ""


def _data(sheet: Worksheet) -> pa.Table:
    """Return the cells of a sheet as text under its first row."""
    lines = _lines(sheet)
    header = next(lines, ())
    if not any(as_text(cell) for cell in header):
        if any(any(cell is not None for cell in line) for line in lines):
            raise Unreadable(
                "an empty first row", "the header in row 1", "delete the rows above the header"
            )
        return pa.table({})
    names = [(as_text(cell) or "").strip() for cell in header]
    parts: list[list[pa.Array]] = []
    chunk: list[tuple[Any, ...]] = []
    for line in chain(lines, [None]):
        if line is not None:
            chunk.append(line)
        if chunk and (line is None or len(chunk) == _CHUNK_ROWS):
            parts.append(_columns(chunk))
            chunk = []
    width = max([len(names), *map(len, parts)])
    require_columns_bounded(width)
    names += [""] * (width - len(names))
    columns = [
        pa.chunked_array(
            [part[at] if at < len(part) else pa.nulls(len(part[0]), pa.string()) for part in parts],
            pa.string(),
        )
        for at in range(width)
    ]
    return named_columns(pa.Table.from_arrays(columns, names))


def _lines(sheet: Worksheet, *, values: bool = True) -> Iterator[tuple[Any, ...]]:
    """Give the values, or cells, of each row of a sheet, whatever size the file claims for it."""
    sheet.reset_dimensions()  # type: ignore[attr-defined]
    n_cells = n_text = 0
    for n_rows, line in enumerate(sheet.iter_rows(values_only=values), 1):
        n_cells += len(line)
        if n_cells > MOST_CELLS or n_rows > MOST_ROWS:
            raise Unreadable(
                f"a sheet of more than {MOST_CELLS:,} cells or {MOST_ROWS:,} rows",
                f"at most {MOST_CELLS:,} cells, formatted empty ones among them",
                "save so large a table as CSV (UTF-8) or Parquet",
            )
        lengths = [len(one) for one in line if isinstance(one, str)]
        longest, n_text = max(lengths, default=0), n_text + sum(lengths)
        if longest > MOST_OF_CELL or n_text > MOST_TEXT_BYTES:
            raise Unreadable(
                f"a cell of {longest:,} characters in row {n_rows:,}"
                if longest > MOST_OF_CELL
                else f"more than {MOST_TEXT_BYTES >> 20:,} million characters",
                f"at most {MOST_OF_CELL:,} characters a cell, and {MOST_TEXT_BYTES >> 20:,} "
                "million a sheet",
                "shorten the text, or save the table as CSV (UTF-8)",
            )
        yield line


def _columns(lines: Sequence[tuple[Any, ...]]) -> list[pa.Array]:
    width = max(1, *map(len, lines))
    return [
        pa.array([as_text(line[at]) if at < len(line) else None for line in lines], pa.string())
        for at in range(width)
    ]


def _formulas(data: pa.Table, path: Path, title: str, *, table: str, file: str) -> list[Finding]:
    """Return a warning for each column with formulas, an error for each that has no kept value."""
    book = _opened(path, data_only=False)
    try:
        lines = _lines(book[title], values=False)
        names = [(as_text(cell.value) or "").strip() for cell in next(lines, ())]
        places = [
            (at, name)
            for at, line in enumerate(lines)
            for name, cell in zip(names, line, strict=False)
            if cell.data_type == "f" and name in data.schema.names
        ]
    finally:
        book.close()
    filled = {name: data[name].is_valid().to_numpy() for _, name in places}
    kept = [at < len(filled[name]) and bool(filled[name][at]) for at, name in places]
    missing = [
        Finding(
            severity=Severity.ERROR,
            table=table,
            file=file,
            row=at + 2,
            column=name,
            seen="a formula without its value",
            allowed="a value",
            advice="open the workbook, let it calculate, and save it; or write the value",
        )
        for (at, name), is_kept in zip(places, kept, strict=True)
        if not is_kept
    ]
    counts = Counter(name for (_, name), is_kept in zip(places, kept, strict=True) if is_kept)
    return missing + [
        Finding(
            severity=Severity.WARNING,
            table=table,
            file=file,
            column=name,
            seen=f"{number_of(n, 'cell')} with a formula; the value saved with it is taken",
            advice="if cells it depends on changed since, let the workbook calculate and save it",
        )
        for name, n in counts.items()
    ]


def _failures(data: pa.Table, *, table: str, file: str) -> list[Finding]:
    """Return an error for each cell of text that is a failed formula, such as ``#N/A``.

    In a column of another kind it is no number, and typing says so.
    """
    kinds = {column.name: column.kind for column in TABLES[table].columns}
    return [
        Finding(
            severity=Severity.ERROR,
            table=table,
            file=file,
            row=int(at) + 2,
            column=name,
            seen=f"{data[name][int(at)]}, which a failed formula shows",
            allowed="a value",
            advice="write the value, or leave the cell empty for not recorded",
        )
        for name in data.column_names
        if kinds.get(name, ColumnKind.TEXT) is ColumnKind.TEXT
        for at in np.flatnonzero(_is_failure(data[name]))
    ]


def _is_failure(values: pa.ChunkedArray) -> Any:
    return pc.is_in(values, value_set=pa.array(sorted(_FAILURES))).to_numpy()

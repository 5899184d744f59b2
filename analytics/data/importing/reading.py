"""Reading a CSV or Parquet file as it stands: cells as written, with the row of each."""

from __future__ import annotations

import codecs
import contextlib
import csv
import io
import itertools
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from analytics.csv_text import meant_columns
from analytics.data.importing.input_files import (
    MOST_HEADER_BYTES,
    MOST_RAGGED_BYTES,
    Unreadable,
    require_columns_bounded,
    require_header_bounded,
    suggest,
    text_columns,
    unpacked_text,
)
from analytics.data.schema import FILE_SCHEMAS
from analytics.findings import MOST_OF_A_KIND, Finding, Severity, number_of, shortened

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from analytics.arrays import Ints


#: Bytes, or rows of Parquet, which may be compressed, over which a file is read part by part.
_LARGE_BYTES, _LARGE_ROWS, _LARGE_CELLS = 64 << 20, 500_000, 20_000_000
#: Bytes and rows of a part; a part has at most `_LARGE_CELLS`, too.
_PART_BYTES, _PART_ROWS = 8 << 20, 200_000
#: What the reader of Parquet raises of a file that is not as it should be.
_BAD_PARQUET = (pa.ArrowException, OSError, UnicodeDecodeError, OverflowError, MemoryError)
_PARQUET_BUFFER = 1 << 20
#: What the message of the reader holds where a line with more or fewer cells is not skipped.
_TOO_MANY = " columns, got "
_DELIMITERS = {";": "a semicolon", "\t": "a tab", "|": "a vertical bar"}


@dataclass(frozen=True, slots=True, eq=False)
class Raw:
    """A file as it stands.

    `data` holds text from CSV, any type from Parquet; rows without any value are left out. `row`
    (n,) is the row of each as a spreadsheet shows it (the header is row 1); `ragged` the lines with
    too many or too few cells, by row.
    """

    table: str
    file: str
    data: pa.Table
    row: Ints
    ragged: dict[int, str]


@dataclass(frozen=True, slots=True)
class FileReading:
    """What reading a file gave: the raw cells, or faults that forbid reading it at all.

    `share` of the file was read by now.
    """

    raw: Raw | None
    faults: tuple[Finding, ...] = ()
    findings: tuple[Finding, ...] = ()
    share: float = 1.0


#: Rows of a part of a file, their numbers, its ragged lines by row, and about the last row of all.
_FilePart: TypeAlias = tuple[pa.Table, "Ints", dict[int, str], int]


def read_file(path: Path, *, table: str = "") -> FileReading:
    """Read one CSV or Parquet file; `table` is a name of `FILE_SCHEMAS`, the stem if not given.

    The result has `faults` where the file as a whole cannot be taken: empty, not UTF-8, wrong
    delimiter, cut short, a column twice or missing.
    """
    name = table or path.stem
    is_csv = path.suffix.lower() == ".csv"
    return as_read(
        lambda: _read_csv(path, name) if is_csv else _read_parquet(path), table=name, file=str(path)
    )


def as_read(
    cells: Callable[[], tuple[pa.Table, Ints, dict[int, str]]], *, table: str, file: str
) -> FileReading:
    """Return what a file holds of a table; `cells` gives cells, rows and ragged lines.

    It may raise `Unreadable` or `OSError`: a fault.
    """
    place: dict[str, Any] = {"table": table, "file": file}
    try:
        data, row, ragged = cells()
        _require_columns(data.column_names, table)
    except Unreadable as error:
        fault = Finding(severity=Severity.ERROR, **place, **error.said)
        return FileReading(None, faults=(fault,))
    except OSError as error:
        fault = Finding(
            severity=Severity.ERROR, **place, seen=f"the file cannot be read: {error.strerror}"
        )
        return FileReading(None, faults=(fault,))
    data, row, blank = _without_blank_rows(data, row)
    findings = [
        *ragged_findings(ragged, data.num_columns, table=table, file=file),
        *_said_of_rows(blank, data.num_rows + len(ragged), place),
    ]
    return FileReading(Raw(table, file, data, row, ragged), findings=tuple(findings))


def weight(path: Path) -> float:
    """Return how large a file is; over 1, it is read part by part."""
    n_rows = n_cells = 0
    if path.suffix.lower() == ".parquet":
        with contextlib.suppress(*_BAD_PARQUET):  # said where it is read
            metadata = pq.read_metadata(path)
            n_rows, n_cells = metadata.num_rows, metadata.num_rows * metadata.num_columns
    return max(path.stat().st_size / _LARGE_BYTES, n_rows / _LARGE_ROWS, n_cells / _LARGE_CELLS)


def read_parts(path: Path) -> Iterator[FileReading]:
    """Read a table file whole, or part by part where it is large.

    A fault may come after some parts were read; what is said of the whole file comes last.
    """
    if weight(path) <= 1:
        yield read_file(path)
        return
    place: dict[str, Any] = {"table": path.stem, "file": str(path)}
    is_csv = path.suffix.lower() == ".csv"
    blank = waiting = n_rows = 0
    try:
        for data, rows, ragged, n_all in _csv_parts(path) if is_csv else _parquet_parts(path):
            _require_columns(data.column_names, path.stem)
            kept, row, between = _without_blank_rows(data, rows)
            # Rows without a value stand between others once a row with one comes after them.
            if kept.num_rows:
                blank, waiting = blank + waiting + between, 0
            waiting += data.num_rows - kept.num_rows - between
            n_rows += kept.num_rows + len(ragged)
            findings = tuple(ragged_findings(ragged, data.num_columns, **place))
            raw = Raw(path.stem, str(path), kept, row, ragged)
            share = min(rows[-1] / n_all, 1.0) if len(rows) else 1.0
            yield FileReading(raw, findings=findings, share=share)
    except Unreadable as error:
        fault = Finding(severity=Severity.ERROR, **place, **error.said)
        yield FileReading(None, faults=(fault,))
        return
    yield FileReading(None, findings=tuple(_said_of_rows(blank, n_rows, place)))


def _csv_parts(path: Path) -> Iterator[_FilePart]:
    """Read a large CSV file part by part."""
    with path.open("rb") as file:
        head = file.readline(MOST_HEADER_BYTES + 1)
    names = _header(head if head.endswith(b"\n") else head + b"\n", path.stem)
    n_lines = _lines_of_utf8(path)
    ragged: dict[int, str] = {}
    next_row = 2
    try:
        with pacsv.open_csv(path, **_csv_options(names, ragged, _PART_BYTES)) as reader:
            for batch in reader:
                table = pa.Table.from_batches([batch])
                # Lines read ahead may be ragged, too; they come with the rows around them.
                rows = np.arange(next_row, next_row + table.num_rows + len(ragged), dtype=np.int64)
                rows = rows[~np.isin(rows, list(ragged))][: table.num_rows]
                next_row = int(rows[-1]) + 1 if len(rows) else next_row
                mine = {row: ragged.pop(row) for row in sorted(ragged) if row < next_row}
                yield named_columns(meant_columns(table)), rows, mine, n_lines
            if ragged:
                empty = table.slice(0, 0)
                none = np.empty(0, dtype=np.int64)
                yield named_columns(empty), none, ragged, n_lines
    except pa.ArrowInvalid as error:
        raise _unreadable_csv(error) from error


def _unreadable_csv(error: pa.ArrowInvalid) -> Unreadable:
    if _TOO_MANY in str(error):
        return Unreadable(
            f"more than {MOST_OF_A_KIND:,} rows whose number of cells is not that of the header, "
            f"or {MOST_RAGGED_BYTES >> 20} MB of them",
            "a header over every column, and text that holds a comma in double quotes",
            "save it again",
        )
    return Unreadable(
        f"not a readable CSV file: {shortened(error)}",
        "comma-separated UTF-8 text",
        "save it again",
    )


def _csv_options(names: list[str], ragged: dict[int, str], block_size: int) -> dict[str, Any]:
    """Return how a CSV file is read; lines with too few or too many cells go into `ragged`."""
    n_ragged, n_bytes = itertools.count(1), 0

    def set_aside(line: pacsv.InvalidRow) -> str:
        nonlocal n_bytes
        ragged[line.number], n_bytes = line.text, n_bytes + len(line.text)
        is_too_much = next(n_ragged) > MOST_OF_A_KIND or n_bytes > MOST_RAGGED_BYTES
        return "error" if is_too_much else "skip"

    return {
        # Row numbers are only known without threads.
        "read_options": pacsv.ReadOptions(use_threads=False, block_size=block_size),
        "parse_options": pacsv.ParseOptions(
            newlines_in_values=True, ignore_empty_lines=False, invalid_row_handler=set_aside
        ),
        "convert_options": pacsv.ConvertOptions(
            column_types={name: pa.string() for name in names},
            strings_can_be_null=True,
            null_values=[""],
            quoted_strings_can_be_null=True,
        ),
    }


def _lines_of_utf8(path: Path) -> int:
    """Return the lines of a file, or refuse one that is not UTF-8, naming the line."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    line = 1
    with path.open("rb") as file:
        while piece := file.read(_PART_BYTES):
            held = decoder.getstate()[0]
            try:
                decoder.decode(piece)
            except UnicodeDecodeError as error:
                raise _not_utf8(held + piece, error.start, line) from error
            line += piece.count(b"\n")
    return line


def _not_utf8(data: bytes, at: int, line: int = 1) -> Unreadable:
    return Unreadable(
        f"the byte 0x{data[at]:02X}, which is not UTF-8 (it looks like Latin-1 or Windows text)",
        "text in UTF-8",
        "save the file as CSV UTF-8",
        row=line + data.count(b"\n", 0, at),
    )


def _parquet_parts(path: Path) -> Iterator[_FilePart]:
    """Read a large Parquet file part by part."""
    next_row = 2
    try:
        texts = text_columns(path)
        # With a buffer, a row group of any size is read piece by piece.
        with pq.ParquetFile(path, buffer_size=_PARQUET_BUFFER, read_dictionary=texts) as file:
            n_rows = file.metadata.num_rows
            n_each = min(_PART_ROWS, _LARGE_CELLS // max(1, len(file.schema_arrow)))
            for batch in file.iter_batches(n_each, use_threads=False):
                table = unpacked_text(pa.Table.from_batches([batch]))
                table.validate(full=True)
                rows = np.arange(next_row, next_row + table.num_rows, dtype=np.int64)
                next_row += table.num_rows
                yield named_columns(table), rows, {}, n_rows + 1
    except _BAD_PARQUET as error:
        raise _cut_short(error) from error


def _cut_short(error: Exception) -> Unreadable:
    return Unreadable(
        f"not a complete Parquet file, it may be cut short ({shortened(error)})",
        "a Parquet file",
        "copy or export it again",
    )


def _said_of_rows(blank: int, n_rows: int, place: dict[str, Any]) -> Iterator[Finding]:
    """Give what is said of a file's rows as a whole."""
    if blank:
        seen = f"{number_of(blank, 'row')} without any value between the others left out"
        yield Finding(severity=Severity.WARNING, **place, seen=seen)
    if not n_rows:
        yield Finding(
            severity=Severity.WARNING,
            **place,
            seen="a header and no rows",
            advice="nothing to import from this file; is that meant?",
        )


def _read_csv(path: Path, table_name: str) -> tuple[pa.Table, Ints, dict[int, str]]:
    data = path.read_bytes()
    names = _header(data, table_name)
    ragged: dict[int, str] = {}
    try:
        table = pacsv.read_csv(_native(data), **_csv_options(names, ragged, _block_size(data)))
    except pa.ArrowInvalid as error:
        raise _unreadable_csv(error) from error
    total = table.num_rows + len(ragged)
    every = np.arange(2, total + 2, dtype=np.int64)
    row = np.setdiff1d(every, np.fromiter(ragged, dtype=np.int64, count=len(ragged)))
    return named_columns(meant_columns(table)), row, ragged


def _native(data: bytes) -> pa.BufferReader:
    """Return the bytes as a stream the reader's threads can drop without asking Python."""
    sink = pa.BufferOutputStream()
    sink.write(data)
    if not data.endswith((b"\n", b"\r")):
        sink.write(b"\n")  # a header without an end of line is taken for an empty file
    return pa.BufferReader(sink.getvalue())


def _block_size(data: bytes) -> int:
    # A quoted cell longer than a block is refused by the reader.
    return max(1 << 20, min(len(data) + 1, 1 << 26))


def _header(data: bytes, table: str) -> list[str]:
    """Return the header's cells as written, or refuse a file that is no such CSV."""
    if not data.strip(b"\xef\xbb\xbf \t\r\n"):
        raise Unreadable("an empty file", "a header row and rows below it", "export it again")
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise Unreadable("text in UTF-16", "text in UTF-8", "save the file as CSV UTF-8")
    require_header_bounded(data[: MOST_HEADER_BYTES + 1])
    try:
        text = io.StringIO(data.decode("utf-8-sig")[:MOST_HEADER_BYTES], newline="")
    except UnicodeDecodeError as error:
        raise _not_utf8(data, error.start) from error
    try:
        names = next(csv.reader(text))
    except (csv.Error, StopIteration) as error:
        raise Unreadable("no header in the first line", "a header row", "export it again") from (
            error
        )
    require_columns_bounded(len(names))
    _require_comma(names, table)
    return names


def _require_comma(names: list[str], table: str) -> None:
    known = {column.name for column in FILE_SCHEMAS[table].columns}
    line = ",".join(names)
    if known & {name.strip() for name in names}:
        return
    for sign, words in _DELIMITERS.items():
        if sign in line and known & {name.strip(' "') for name in line.split(sign)}:
            raise Unreadable(
                f"columns separated by {words}",
                "columns separated by a comma",
                "save the file as CSV with commas (and decimal points)",
                row=1,
            )


def _read_parquet(path: Path) -> tuple[pa.Table, Ints, dict[int, str]]:
    if not path.stat().st_size:
        raise Unreadable("an empty file", "a Parquet file", "export it again")
    try:
        with pq.ParquetFile(path, read_dictionary=text_columns(path)) as file:
            table = unpacked_text(file.read())
        table.validate(full=True)
    except _BAD_PARQUET as error:
        raise _cut_short(error) from error
    return named_columns(table), np.arange(2, table.num_rows + 2, dtype=np.int64), {}


def named_columns(table: pa.Table) -> pa.Table:
    """Return the table with bare names and no empty unnamed columns, or refuse its header."""
    require_columns_bounded(table.num_columns)
    names = [name.strip() for name in table.column_names]
    twice = sorted(name for name, times in Counter(names).items() if times > 1 and name)
    if twice:
        raise Unreadable(
            f"the column {shortened(twice[0])!r} {names.count(twice[0])} times in the header",
            "every column once",
            "rename or remove one of them",
            row=1,
        )
    keep = [
        index
        for index, name in enumerate(names)
        if name or table.column(index).null_count < table.num_rows
    ]
    if any(not names[index] for index in keep):
        raise Unreadable(
            "a column with values and no name", "a name over every column", "name it", row=1
        )
    return table.select(keep).rename_columns([names[index] for index in keep])


def _require_columns(names: list[str], table: str) -> None:
    missing = [
        column.name
        for column in FILE_SCHEMAS[table].columns
        if column.must_exist and column.name not in names
    ]
    if missing:
        hints = [suggest(name, set(names)) for name in missing]
        advice = next((hint for hint in hints if hint), "add the column")
        raise Unreadable(
            f"no column {', '.join(missing)}; there are: {_names(names)}",
            "every column that " + table + " must have (its cells may be empty where not recorded)",
            advice,
            row=1,
        )


def _names(names: list[str]) -> str:
    """Return names of columns in one line, the first where there are many."""
    more = f" and {len(names) - 30:,} more" if len(names) > 30 else ""
    return ", ".join(map(shortened, names[:30])) + more


def _without_blank_rows(data: pa.Table, row: Ints) -> tuple[pa.Table, Ints, int]:
    """Leave out rows without any value; count those that stand before the last row with one."""
    filled = np.zeros(data.num_rows, dtype=bool)
    for column in data.columns:
        filled |= pc.is_valid(column).to_numpy()
        if filled.all():
            return data, row, 0
    where = np.flatnonzero(filled)
    between = int(where[-1]) + 1 - len(where) if len(where) else 0
    return data.take(pa.array(where)), row[where], between


def ragged_findings(
    ragged: dict[int, str], n_columns: int, *, table: str, file: str
) -> list[Finding]:
    """Return an error for every line with too many or too few cells."""
    return [
        Finding(
            severity=Severity.ERROR,
            table=table,
            file=file,
            row=row,
            seen=f"a row whose number of cells is not that of the header: {shortened(text)}",
            allowed=f"{n_columns} cells",
            advice="put text that holds a comma in double quotes",
        )
        for row, text in ragged.items()
    ]

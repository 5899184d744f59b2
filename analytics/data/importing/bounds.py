"""What a file may be before its rows are read: bounds that no field table comes near.

A small file can unpack to more than a machine has. Sizes are therefore looked at where they are
written, in headers and directories, and counted on while a file is read. All bounds are our choice,
with no source: some ten times what a large survey sends.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analytics.findings import number_of, shortened

if TYPE_CHECKING:
    from pathlib import Path
    from typing import BinaryIO

#: A first line of more bytes is no header; tables have up to some 25 columns.
MOST_HEADER_BYTES = 1 << 20
MOST_COLUMNS = 500
#: Lines of the wrong length are kept to be shown and corrected: of all files a part, in memory.
MOST_RAGGED_BYTES = 64 << 20
#: Text that a part of a Parquet file or a sheet may unpack to: it is held in memory at once.
MOST_TEXT_BYTES = 512 << 20
#: Pieces of a Parquet file (row groups times columns): each costs a look at its sizes.
MOST_PIECES = 200_000
#: A column of a row group is unpacked page by page; one page may be all of it.
MOST_PIECE_BYTES = 1 << 30
#: Bytes of a value that is no text, such as a decimal or a UUID.
MOST_FIXED_BYTES = 64

# Workbooks.
#: Bytes of the file and of all it unpacks to: a table of more rows comes as CSV or Parquet.
MOST_UNPACKED = 512 << 20
#: XML shrinks to a tenth or a thirtieth; what shrinks more is made to. Small parts may.
MOST_RATIO, RATIO_FROM = 200, 4 << 20
MOST_PARTS = 5_000
#: Bytes of the list of an archive's parts, some hundred a part.
MOST_DIRECTORY = 2 << 20
#: Rows are those of a spreadsheet program; cells, formatted empty ones among them, fill 1 GB.
MOST_ROWS, MOST_CELLS = 1 << 20, 10_000_000
#: Elements of XML are held in memory: of sheets their cells, of other parts all.
MOST_MARKS_OF_SHEET, MOST_MARKS = 60_000_000, 8_000_000
#: Characters that a cell of a spreadsheet program can hold.
MOST_OF_CELL = 32_767

_LEAVE_OUT = "leave out the columns that are not needed"
_END_OF_ZIP, _END_OF_ZIP64 = b"PK\x05\x06", b"PK\x06\x07"
_END_BYTES, _LOCATOR_BYTES, _MOST_COMMENT = 22, 20, 1 << 16


class Unreadable(Exception):  # noqa: N818 - never leaves this room
    """The whole file cannot be read."""

    def __init__(self, seen: str, allowed: str, advice: str, row: int | None = None) -> None:
        super().__init__(seen)
        self.said: dict[str, Any] = {"seen": seen, "allowed": allowed, "advice": advice, "row": row}


def require_columns_bounded(n: int) -> None:
    """Refuse a table of very many columns."""
    if n > MOST_COLUMNS:
        raise Unreadable(f"{n:,} columns", f"at most {MOST_COLUMNS:,} columns", _LEAVE_OUT, row=1)


def require_header_bounded(head: bytes) -> None:
    """Refuse the beginning of a file whose first line does not end within bounds."""
    if len(head) > MOST_HEADER_BYTES and not {*b"\r\n"} & {*head}:
        raise Unreadable(
            f"a first line of more than {MOST_HEADER_BYTES >> 20} MB",
            f"a header of at most {MOST_HEADER_BYTES >> 20} MB, then a line a row",
            "the file may hold something else than a table: export it again",
            row=1,
        )


def text_columns(path: Path) -> list[str]:
    """Return the columns of text of a Parquet file, or refuse one that is not as it says.

    Text is to be read as codes of its distinct values: a few bytes may stand for millions of
    copies of a long one.
    """
    with pq.ParquetFile(path) as file:
        metadata, schema = file.metadata, file.schema_arrow
    require_columns_bounded(len(schema))
    for field in schema:
        _require_plain(field)
    pieces = metadata.num_row_groups * max(1, metadata.num_columns)
    if pieces > MOST_PIECES:
        raise Unreadable(
            f"{number_of(metadata.num_row_groups, 'row group')}",
            f"at most {MOST_PIECES:,} pieces (row groups times columns)",
            "write it with larger row groups",
        )
    groups = [metadata.row_group(at) for at in range(metadata.num_row_groups)]
    chunks = [group.column(at) for group in groups for at in range(metadata.num_columns)]
    held = sum(group.num_rows for group in groups)
    uneven = any(
        group.column(at).num_values != group.num_rows
        for group in groups
        for at in range(metadata.num_columns)
    )
    if held != metadata.num_rows or uneven or any(group.num_rows < 0 for group in groups):
        raise Unreadable(
            f"{metadata.num_rows:,} rows by the file's own account, and {held:,} by its parts",
            "a Parquet file whose counts agree",
            "copy or export it again",
        )
    largest = max((chunk.total_uncompressed_size for chunk in chunks), default=0)
    if largest > MOST_PIECE_BYTES:
        raise Unreadable(
            f"a column that unpacks to {largest >> 20:,} MB in one row group",
            f"at most {MOST_PIECE_BYTES >> 20:,} MB",
            "write it with smaller row groups",
        )
    kinds = {metadata.schema.column(at).physical_type for at in range(metadata.num_columns)}
    if "BYTE_ARRAY" not in kinds:
        return []
    return [
        metadata.schema.column(at).name
        for at in range(metadata.num_columns)
        if metadata.schema.column(at).physical_type == "BYTE_ARRAY"
    ]


def _require_plain(field: pa.Field) -> None:
    kind = field.type
    if isinstance(kind, pa.BaseExtensionType):
        kind = kind.storage_type
    wide = pa.types.is_fixed_size_binary(kind) and kind.byte_width > MOST_FIXED_BYTES
    if pa.types.is_nested(kind) or wide:
        raise Unreadable(
            f"the column {shortened(field.name)} of the type {shortened(kind)}",
            "one value a cell: text, a number, a date or time, true or false",
            f"write it as text, or {_LEAVE_OUT}",
            row=1,
        )


def unpacked_text(table: pa.Table) -> pa.Table:
    """Return a table with its coded columns as plain ones, or refuse too much text."""
    n_bytes = 0
    for at, column in enumerate(table.columns):
        if not pa.types.is_dictionary(column.type):
            continue
        for chunk in column.chunks:
            lengths = pc.binary_length(chunk.dictionary).take(chunk.indices)
            n_bytes += pc.sum(lengths.cast(pa.int64())).as_py() or 0
        if n_bytes > MOST_TEXT_BYTES:
            raise Unreadable(
                f"more than {MOST_TEXT_BYTES >> 20:,} MB of text in {table.num_rows:,} rows",
                f"at most {MOST_TEXT_BYTES >> 20:,} MB",
                "such a file may be made to fill the memory; if it is yours, save it as CSV",
            )
        chunks = [chunk.dictionary_decode() for chunk in column.chunks]
        plain = pa.chunked_array(chunks, column.type.value_type)
        table = table.set_column(at, table.field(at).name, plain)
    return table


def require_directory_bounded(file: BinaryIO, otherwise: str) -> None:
    """Refuse a ZIP archive whose list of parts would fill the memory, before it is read."""
    size = file.seek(0, 2)
    file.seek(max(0, size - _END_BYTES - _MOST_COMMENT))
    tail = file.read()
    at = tail.rfind(_END_OF_ZIP)
    if at < 0:
        return  # no archive, which its reader says
    n_bytes = int.from_bytes(tail[at + 12 : at + 16], "little")
    is_64 = tail[max(0, at - _LOCATOR_BYTES) : at].startswith(_END_OF_ZIP64)
    if n_bytes > MOST_DIRECTORY or is_64:
        raise Unreadable(
            "a workbook of very many parts",
            f"at most {MOST_PARTS:,} parts",
            f"such a file may be made to fill the memory; if it is yours, {otherwise}",
        )

"""Files before their rows are read: which table each is, and bounds that no field table comes near.

The stem of a file names its table. A small file can unpack to more than a machine has. Sizes are
therefore looked at where they are written, in headers and directories, and counted on while a file
is read. All bounds are our choice, with no source: some ten times what a large survey sends.
"""

from __future__ import annotations

import difflib
import re
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analytics.data.schema import TABLES
from analytics.errors import UsageError
from analytics.findings import Finding, Severity, number_of, shortened

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path
    from typing import BinaryIO


ENDINGS = (".csv", ".parquet")
#: A workbook holds a table a sheet.
WORKBOOK = ".xlsx"
#: The file of outlines of areas, and the table that its features are rows of.
OUTLINES = ".geojson"
OUTLINES_FILE, OUTLINES_TABLE = f"areas{OUTLINES}", "area_outlines"
#: Signs of a name that end a line, steer a terminal, turn the text round, or are no UTF-8.
_UNSEEN = re.compile("[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
_EVERY_ENDING = (*ENDINGS, WORKBOOK)


def find_files(paths: Sequence[Path]) -> tuple[list[Path], list[Finding]]:
    """Return the table files of folders (not of folders in them) and files, each once.

    In a folder, what neither ends as a table nor has one's name is ignored; what stands against
    reading the rest is returned as findings. A path that does not exist is a `UsageError`.
    """
    files: dict[Path, Path] = {}
    faults: list[Finding] = []
    for path in paths:
        if not _exists(path):
            raise UsageError(f"{shown(path)} does not exist; name a folder or files with tables")
        try:
            inside, mistaken = _tables_in(path) if path.is_dir() else ([path], [])
        except OSError as error:
            why = f"a folder that cannot be read: {error.strerror}"
            inside, mistaken = [], [_fault(path, why, "a folder you may read")]
        faults += mistaken
        if not inside and not mistaken:
            faults.append(_fault(path, "no table in this folder", _allowed_files()))
        for file in inside:
            fault = _name_fault(file)
            if fault:
                faults.append(fault)
            else:
                files.setdefault(file.resolve(), file)
    return list(files.values()), faults


def shown(path: PurePath) -> str:
    """Return a path on one line, in characters that every terminal and file can hold."""
    text = str(path)
    return repr(text)[1:-1] if _UNSEEN.search(text) else text


def _exists(path: Path) -> bool:
    try:
        return path.exists()
    except (OSError, ValueError):  # a name too long, or with a NUL
        return False


def table_in(file: PurePath) -> str:
    """Return the table that a file's name says it holds; empty where it is none."""
    if file.suffix.lower() == OUTLINES:
        return OUTLINES_TABLE
    return file.stem if file.stem in TABLES else ""


def suggest(word: str, known: Iterable[str]) -> str:
    """Return ``did you mean ...?`` where a known word is close, else nothing."""
    by_lower = {one.lower(): one for one in known}
    close = difflib.get_close_matches(word.strip().lower(), by_lower, n=1, cutoff=0.75)
    return f"did you mean {by_lower[close[0]]}?" if close else ""


def _tables_in(folder: Path) -> tuple[list[Path], list[Finding]]:
    """Return the table files of a folder, and errors for what only looks like one."""
    # A spreadsheet program keeps such a file beside a workbook that is open.
    entries = sorted(one for one in folder.iterdir() if not one.name.startswith("~$"))
    files = [
        one
        for one in entries
        if one.is_file()
        and (one.suffix.lower() in _EVERY_ENDING or one.name.lower() == OUTLINES_FILE)
    ]
    faults = [_mistaken(one) for one in entries if one not in files]
    return files, [fault for fault in faults if fault is not None]


def _mistaken(path: Path) -> Finding | None:
    """Return the error about a table that would be skipped, None for what is no table."""
    ends_as_table = path.suffix.lower() in _EVERY_ENDING
    named_as_table = path.name.partition(".")[0].lower() in TABLES
    if not path.exists() and (ends_as_table or named_as_table):
        return _fault(path, "a link that leads nowhere", _allowed_files(), "correct or remove it")
    if not (path.is_file() or path.is_dir()) and (ends_as_table or named_as_table):
        return _place_fault(path)
    if path.is_dir() and ends_as_table:
        return _fault(path, "a folder named as a table", _allowed_files(), "rename the folder")
    if path.is_file() and named_as_table and path.suffix.lower() != OUTLINES:
        return _name_fault(path)
    return None


def _name_fault(file: Path) -> Finding | None:
    return _place_fault(file) or _ending_fault(file)


def _place_fault(file: Path) -> Finding | None:
    """Return what is wrong with what a name leads to, whatever it says."""
    if _UNSEEN.search(str(file)):
        seen = f"a name with signs that cannot be shown: {shown(file)}"
        return _fault(file, seen, "letters, digits and signs on one line, in UTF-8", "rename it")
    if not file.is_file():
        seen = "a device or a channel, which may never end"
        return _fault(file, seen, "an ordinary file", "save its content as a file")
    return None


def _ending_fault(file: Path) -> Finding | None:
    ending = file.suffix.lower()
    if ending == OUTLINES:
        if file.name.lower() == OUTLINES_FILE:
            return None
        seen = f"outlines in a file called {file.name!r}"
        return _fault(file, seen, OUTLINES_FILE, f"rename it {OUTLINES_FILE}")
    if ending not in _EVERY_ENDING:
        advice = "save the sheet as CSV (UTF-8) under the table's name, or the workbook as .xlsx"
        return _fault(
            file, f"a file ending in {file.suffix or 'nothing'}", _allowed_files(), advice
        )
    if ending != WORKBOOK and file.stem not in TABLES:
        return _fault(
            file,
            f"no table is called {file.stem!r}",
            ", ".join(TABLES),
            suggest(file.stem, TABLES) or "rename the file after the table it holds",
        )
    return None


def _allowed_files() -> str:
    return (
        "files such as interviews.csv or interviews.parquet, a workbook (.xlsx), or areas.geojson"
    )


def _fault(path: Path, seen: str, allowed: str, advice: str = "") -> Finding:
    return Finding(
        severity=Severity.ERROR,
        table=shown(PurePath(path.name)),
        file=shown(path),
        seen=seen,
        allowed=allowed,
        advice=advice,
    )


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

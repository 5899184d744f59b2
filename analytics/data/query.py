"""DuckDB over tables in memory and over named Parquet files: nothing else is ever reached.

A connection may read the files it was given, by their names; every other file and any network is
refused, and the settings that say so are locked.
"""

from __future__ import annotations

import atexit
import os
import secrets
import tempfile
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

_CONFIG = {"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}
#: Above it DuckDB puts intermediate results into files of its own, removed when it is done.
MEMORY = "1GB"
#: Bytes of tables in memory from which a query has a database of its own, and its own memory.
SMALL = 50_000_000
#: Bytes of Parquet files under which their rows are loaded instead.
SMALL_FILES = 1_000_000


@dataclass(frozen=True, slots=True)
class ParquetRows:
    """Rows that lie in Parquet files and are read only by the query that needs them.

    `files` have absolute paths without ``*``, ``?`` or ``[``; `query` is the SQL that gives the
    rows, with ``{files}`` where it reads them; in the columns of `gaps` a cell may be null.
    """

    files: tuple[Path, ...]
    query: str
    gaps: frozenset[str]

    @property
    def is_small(self) -> bool:
        """Whether the rows are sooner loaded than a database of their own is opened."""
        return sum(file.stat().st_size for file in self.files if file.exists()) < SMALL_FILES

    @property
    def sql(self) -> str:
        """The query over the files."""
        return self.query.replace("{files}", read_files(self.files))


Source: TypeAlias = "pa.Table | ParquetRows"
#: A source, or the SQL of a view over those named before it.
Relation: TypeAlias = "Source | str"


def connect(tables: Mapping[str, Relation]) -> duckdb.DuckDBPyConnection:
    """Return a connection that sees `tables` under their names; close it after use."""
    files = [
        str(file) for one in tables.values() if isinstance(one, ParquetRows) for file in one.files
    ]
    size = sum(one.nbytes for one in tables.values() if isinstance(one, pa.Table))
    # A database costs more to open than most queries: small ones that read no file share one.
    is_small = not files and size < SMALL
    connection = _shared(os.getpid()).cursor() if is_small else _opened(files)
    for label, source in tables.items():
        if isinstance(source, pa.Table):
            connection.register(label, source)
        else:
            view = source if isinstance(source, str) else source.sql
            connection.execute(f"CREATE TEMP VIEW {name(label)} AS {view}")
    return connection


@lru_cache(maxsize=1)
def _shared(process: int) -> duckdb.DuckDBPyConnection:
    """Return the database of a process for small tables; another process has its own."""
    database = _opened([])
    atexit.register(database.close)
    return database


def _opened(files: Sequence[str]) -> duckdb.DuckDBPyConnection:
    """Return a new database that may read some files and nothing else."""
    # DuckDB makes the folder when memory runs short, and removes it with the connection.
    spill = Path(tempfile.gettempdir()) / f"blackmouth-{secrets.token_hex(8)}"
    connection = duckdb.connect(":memory:", config=dict(_CONFIG))
    for setting in (
        f"temp_directory = {text(str(spill))}",
        f"memory_limit = {text(MEMORY)}",
        f"allowed_paths = [{', '.join(map(text, files))}]",
        "enable_external_access = false",
        "lock_configuration = true",
    ):
        connection.execute(f"SET {setting}")
    return connection


def run(
    query: str, tables: Mapping[str, Relation], given: Mapping[str, object] | None = None
) -> pa.Table:
    """Return the result of one query over `tables`; `given` holds the values of its `$names`."""
    views = " ".join(one for one in tables.values() if isinstance(one, str))
    # To show a table to DuckDB costs as much as a small query: only those that are read.
    used = {label: one for label, one in tables.items() if label in query or label in views}
    with connect(used) as connection:
        result: Any = connection.sql(query, params=dict(given or {})).to_arrow_table()
    return result


def gaps(source: Source) -> frozenset[str]:
    """Return the columns of a source in which a cell may be null."""
    if isinstance(source, ParquetRows):
        return source.gaps
    return frozenset(label for label in source.column_names if source[label].null_count)


def gaps_of_files(files: tuple[Path, ...]) -> dict[str, bool]:
    """Return every column of some Parquet files, and whether a cell of it may be null."""
    found: dict[str, bool] = {}
    counts: list[set[str]] = []
    for file in files:
        described = pq.read_metadata(file)
        counts.append(set(described.schema.names))
        for group in range(described.num_row_groups):
            for place in range(described.num_columns):
                column = described.row_group(group).column(place)
                said = column.statistics
                full = said is not None and said.has_null_count and said.null_count == 0
                label = column.path_in_schema
                found[label] = found.get(label, False) or not full
    everywhere = set.intersection(*counts) if counts else set()
    return {label: gap or label not in everywhere for label, gap in found.items()}


def read_files(files: tuple[Path, ...]) -> str:
    """Return the table function that reads Parquet files; a column some lack is null there."""
    listed = ", ".join(text(str(file)) for file in files)
    return f"read_parquet([{listed}], union_by_name = true, hive_partitioning = false)"


def name(identifier: str) -> str:
    """Return an identifier in quotes."""
    return '"' + identifier.replace('"', '""') + '"'


def text(value: str) -> str:
    """Return a text as an SQL literal."""
    return "'" + value.replace("'", "''") + "'"

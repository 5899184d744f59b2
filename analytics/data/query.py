"""DuckDB over tables in memory and over named Parquet files: nothing else is ever reached.

A connection may read the files it was given, by their names; every other file and any network is
refused, and the settings that say so are locked.
"""

from __future__ import annotations

import atexit
import itertools
import os
import secrets
import shutil
import tempfile
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeAlias

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from analytics.errors import StoreError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

_CONFIG = {"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}
#: Above it DuckDB puts intermediate results into files of its own, removed when it is done.
MEMORY = "1GB"
#: Bytes of tables in memory from which a query has a database of its own, and its own memory.
SMALL = 50_000_000
#: Bytes of Parquet files under which their rows are loaded instead.
SMALL_FILES = 1_000_000


class Workers(Protocol):
    """Processes, here or elsewhere, that read the files of a table part by part."""

    def each(
        self,
        make: Callable[..., pa.Table],
        parts: Iterable[ParquetRows],
        tables: Mapping[str, pa.Table],
        given: str,
    ) -> Iterator[pa.Table]:
        """Return ``make(part, tables, given, threads=1)`` of every part, in their order."""


@dataclass(frozen=True, slots=True)
class Part:
    """Some rows of a table: whole files of it, or a range of the rows of one.

    `rows`: the first row and the last, from 0; all where there are none. `absent`: columns that
    these files lack and other files of the table have.
    """

    files: tuple[Path, ...]
    rows: tuple[int, int] | None
    absent: tuple[str, ...]

    @property
    def sql(self) -> str:
        """The table function that reads the rows."""
        found = read_files(self.files, numbered=self.rows is not None)
        if self.rows is not None:
            # The reader skips the rows before and after: a part costs no more than its rows.
            first, last = self.rows
            found = f"(FROM {found} WHERE file_row_number BETWEEN {first} AND {last})"
        nulls = "".join(f", NULL AS {name(label)}" for label in self.absent)
        return f"(SELECT *{nulls} FROM {found})" if nulls else found


@dataclass(frozen=True, slots=True)
class ParquetRows:
    """Rows that lie in Parquet files and are read only by the query that needs them.

    `files` have absolute paths without ``*``, ``?`` or ``[``; `query` is the SQL that gives the
    rows, with ``{files}`` where it reads them and ``{all_files}`` where it looks rows of all files
    up; in the columns of `gaps` a cell may be null. `part`: the only rows that are given, of all.
    `workers` may reduce the rows part by part; without any, the process reads them.
    """

    files: tuple[Path, ...]
    query: str
    gaps: frozenset[str]
    part: Part | None = None
    workers: Workers | None = None

    @property
    def is_small(self) -> bool:
        """Whether the rows are sooner loaded than a database of their own is opened."""
        if self.workers is not None:
            return False
        return sum(file.stat().st_size for file in self.files if file.exists()) < SMALL_FILES

    @property
    def read(self) -> tuple[Path, ...]:
        """The files that the query reads."""
        if self.part is None or "{all_files}" in self.query:
            return self.files
        return self.part.files

    @property
    def sql(self) -> str:
        """The query over the files."""
        rows = read_files(self.files) if self.part is None else self.part.sql
        return self.query.replace("{files}", rows).replace("{all_files}", read_files(self.files))

    def parts(self, most_rows: int) -> Iterator[ParquetRows]:
        """Return parts that hold every row once, each of at most `most_rows` rows of the files."""
        for part in _parts(self.files, most_rows):
            yield replace(self, part=part, workers=None)


Source: TypeAlias = "pa.Table | ParquetRows"
#: A source, or the SQL of a view over those named before it.
Relation: TypeAlias = "Source | str"


def connect(
    tables: Mapping[str, Relation], *, threads: int | None = None
) -> duckdb.DuckDBPyConnection:
    """Return a connection that sees `tables` under their names; close it after use.

    `threads`: of its own, where it reads files; as many as there are cores if not given.
    """
    files = [
        str(file) for one in tables.values() if isinstance(one, ParquetRows) for file in one.read
    ]
    size = sum(one.nbytes for one in tables.values() if isinstance(one, pa.Table))
    # A database costs more to open than most queries: small ones that read no file share one.
    is_small = not files and size < SMALL
    connection = _shared(os.getpid()).cursor() if is_small else _opened(files, threads)
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
    # Threads that wait for work on small tables cost more than they save.
    database = _opened([], threads=1)
    atexit.register(database.close)
    return database


#: Beginning of the name of a process's folder for what does not fit in memory.
SCRATCH = "blackmouth-work-"


def scratch() -> Path:
    """Return the folder of this process for rows that do not fit in memory.

    It goes with the process; that of a process that was killed goes when the next one makes its
    own, since nobody holds its lock any more.
    """
    folder = _scratch(os.getpid(), Path(tempfile.gettempdir()))
    folder.mkdir(mode=0o700, exist_ok=True)
    return folder


@cache
def _scratch(process: int, root: Path) -> Path:
    from filelock import FileLock  # noqa: PLC0415 - only who needs room on disk waits for it

    name = f"{SCRATCH}{process}-{secrets.token_hex(4)}"
    lock = FileLock(root / f"{name}.lock", timeout=0)
    lock.acquire()
    folder = root / name
    folder.mkdir(mode=0o700)

    def end() -> None:
        if os.getpid() == process:
            shutil.rmtree(folder, ignore_errors=True)
            lock.release()
            Path(lock.lock_file).unlink(missing_ok=True)

    atexit.register(end)
    _remove_left(folder)
    return folder


def _remove_left(mine: Path) -> None:
    """Remove the folders of processes of this user that ended without removing theirs."""
    from filelock import FileLock, Timeout  # noqa: PLC0415

    for held in mine.parent.glob(f"{SCRATCH}*.lock"):
        folder = held.with_suffix("")
        try:
            if folder == mine or held.lstat().st_uid != mine.stat().st_uid:
                continue
            with FileLock(held, timeout=0):
                shutil.rmtree(folder, ignore_errors=True)
            held.unlink(missing_ok=True)
        except (Timeout, OSError):  # its process is at work, or removed it just now
            continue


def _opened(files: Sequence[str], threads: int | None = None) -> duckdb.DuckDBPyConnection:
    """Return a new database that may read some files and nothing else."""
    # DuckDB makes the folder when memory runs short, and removes it with the connection.
    large = sum(Path(file).stat().st_size for file in files if Path(file).exists()) >= SMALL
    room = scratch() if large else Path(tempfile.gettempdir())
    spill = room / f"blackmouth-{secrets.token_hex(8)}"
    connection = duckdb.connect(":memory:", config=dict(_CONFIG))
    for setting in (
        *([f"threads = {threads}"] if threads else []),
        f"temp_directory = {text(str(spill))}",
        f"memory_limit = {text(MEMORY)}",
        f"allowed_paths = [{', '.join(map(text, files))}]",
        "enable_progress_bar = false",  # without a program file, it is drawn on standard output
        "enable_external_access = false",
        "lock_configuration = true",
    ):
        connection.execute(f"SET {setting}")
    return connection


def run(
    query: str,
    tables: Mapping[str, Relation],
    given: Mapping[str, object] | None = None,
    *,
    threads: int | None = None,
) -> pa.Table:
    """Return the result of one query over `tables`; `given` holds the values of its `$names`."""
    views = " ".join(one for one in tables.values() if isinstance(one, str))
    # To show a table to DuckDB costs as much as a small query: only those that are read.
    used = {label: one for label, one in tables.items() if label in query or label in views}
    try:
        with connect(used, threads=threads) as connection:
            result: Any = connection.sql(query, params=dict(given or {})).to_arrow_table()
    except (duckdb.IOException, duckdb.InvalidInputException, duckdb.OutOfMemoryException) as error:
        if not any(isinstance(one, ParquetRows) for one in used.values()):
            raise
        # A file that was lost or changed while it was read, or no room for what is between.
        said = next(iter(str(error).splitlines()), "")
        raise StoreError(f"rows of the store cannot be read: {said}") from error
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


def _parts(files: Sequence[Path], most_rows: int) -> Iterator[Part]:
    """Return the parts of some files: ranges of the rows of a large one, small ones together."""
    described = [(file, pq.read_metadata(file)) for file in files]
    labels = {file: set(one.schema.names) for file, one in described}
    every = set().union(*labels.values())

    def part(some: Sequence[Path], rows: tuple[int, int] | None = None) -> Part:
        absent = every.difference(*(labels[file] for file in some))
        return Part(tuple(some), rows, tuple(sorted(absent)))

    small: list[Path] = []
    room = most_rows
    for file, one in described:
        if one.num_rows > most_rows:
            n_ranges = -(-one.num_rows // most_rows)
            ends = [one.num_rows * k // n_ranges for k in range(n_ranges + 1)]
            yield from (part([file], (a, b - 1)) for a, b in itertools.pairwise(ends))
            continue
        if one.num_rows > room:
            yield part(small)
            small, room = [], most_rows
        small.append(file)
        room -= one.num_rows
    if small:
        yield part(small)


def read_files(files: tuple[Path, ...], *, numbered: bool = False) -> str:
    """Return the table function that reads Parquet files; a column some lack is null there.

    `numbered`: with the place of each row in its file, ``file_row_number``, from 0.
    """
    listed = ", ".join(text(str(file)) for file in files)
    more = ", file_row_number = true" if numbered else ""
    return f"read_parquet([{listed}], union_by_name = true, hive_partitioning = false{more})"


def name(identifier: str) -> str:
    """Return an identifier in quotes."""
    return '"' + identifier.replace('"', '""') + '"'


def text(value: str) -> str:
    """Return a text as an SQL literal."""
    return "'" + value.replace("'", "''") + "'"

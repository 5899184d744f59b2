"""Delta Lake tables on disk: append, read, lock; every fault raised as a `StoreError`."""

from __future__ import annotations

import os
import re
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from deltalake import DeltaTable, PostCommitHookProperties, write_deltalake
from deltalake.exceptions import DeltaError
from pyarrow import fs

from analytics.data import query
from analytics.data.schema import cast_to_schema
from analytics.data.store.remote import remote_of
from analytics.errors import NotAStoreError, StoreError
from analytics.whole_files import FULL, MAKE_ROOM, writing_allowed

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from filelock import BaseFileLock

LOCK = ".lock"
#: Seconds that a writer waits for others, and seconds between two words about it.
LOCK_SECONDS, SAY_SECONDS = 900.0, 10.0
#: The library makes checkpoints and removes old logs on its own: only `maintain` may.
_NO_MORE = PostCommitHookProperties(create_checkpoint=False, cleanup_expired_logs=False)
#: What the engine says of the system's errors, and the colours that it says them in.
_OS_ERROR, _COLOURS = re.compile(r"\(os error (\d+)\)"), re.compile(r"\x1b\[[0-9;]*m")
#: The library loses or refuses paths with these (measured with deltalake 1.6).
_BAD_IN_PATH = frozenset("[]|^%\\") | {chr(code) for code in range(32)}


def require_path(path: Path) -> None:
    """Refuse a path with a character that the library loses or refuses (`NotAStoreError`)."""
    # A byte that is no UTF-8 comes as a lone surrogate.
    bad = sorted(one for one in set(path.as_posix()) if one in _BAD_IN_PATH or _is_lone(one))
    if bad:
        raise NotAStoreError(
            f"the store's path {str(path)!r} has the character {bad[0]!r}, which cannot be used "
            "there; move or rename the directory"
        )


def _is_lone(sign: str) -> bool:
    return "\ud800" <= sign <= "\udfff"


def is_table(path: Path) -> bool:
    """Return whether a Delta table with at least one commit is there."""
    return DeltaTable.is_deltatable(str(path))


def append(path: Path, data: pa.Table | pa.RecordBatchReader, *, only_next: bool = False) -> None:
    """Append rows in one atomic commit; the table is made where there is none.

    A reader is written as it comes, with few rows in memory at once. `only_next`: on a URL, only
    where no other writer's commit came first.
    """
    if remote := remote_of(path.parent):
        remote.append(path.name, data, only_next=only_next)
        return
    with _faults_raised(path, "written"):
        write_deltalake(
            str(path), data, mode="append", schema_mode="merge", post_commithook_properties=_NO_MORE
        )


def replace(path: Path, data: pa.Table | pa.RecordBatchReader) -> None:
    """Put rows in the place of all, in one atomic commit, and make a checkpoint of the log.

    On a URL it is the commit after the one that `hold` saw, or `MovedOnError`.
    """
    if remote := remote_of(path.parent):
        remote.replace(path.name, data)
        return
    with _faults_raised(path, "written"):
        write_deltalake(
            str(path),
            data,
            mode="overwrite",
            schema_mode="overwrite",  # tables of old programs have fewer columns
            post_commithook_properties=_NO_MORE,
        )
        DeltaTable(str(path)).create_checkpoint()
        # A hint that the library writes over in place; without it, it lists the log.
        (path / "_delta_log" / "_last_checkpoint").unlink(missing_ok=True)


def read_files(
    files: Sequence[Path], *, schema: pa.Schema, only: tuple[str, Sequence[str]] | None = None
) -> pa.Table:
    """Return the rows of a table's files in `schema`; columns one did not have yet are null.

    `only`: a text column, and the values of it whose rows are kept.
    """
    if not files:
        return schema.empty_table()
    with _faults_raised(files[0].parent, "read"):
        parts = [cast_to_schema(_file(file), schema) for file in files]
    found = pa.concat_tables([schema.empty_table(), *parts])
    if only is None:
        return found
    return found.filter(pc.is_in(found[only[0]], pa.array(only[1], pa.string())))


def files_of(path: Path) -> list[Path]:
    """Return the Parquet files of the newest version of a table."""
    with _faults_raised(path, "read"):
        return _files(path)


def gaps_of(files: Sequence[Path]) -> dict[str, bool]:
    """Return every column of some files of a table, and whether a cell of it may be empty."""
    with _faults_raised(files[0].parent, "read"):
        return query.gaps_of_files(tuple(files))


def _files(path: Path) -> list[Path]:
    """Return the Parquet files of the newest version."""
    root = fs.SubTreeFileSystem(str(path), fs.LocalFileSystem())
    return [path / name for name in DeltaTable(str(path)).to_pyarrow_dataset(filesystem=root).files]


def _file(path: Path) -> pa.Table:
    # Not by a dataset's scanner: its threads outlive the result and, where they still need Python
    # when it exits, abort the process (apache/arrow issues 34314, 36389, 39862).
    with pq.ParquetFile(path) as file:
        return file.read(use_threads=False)


@contextmanager
def writing(path: Path, *, waiting: Callable[[str], None] | None = None) -> Iterator[None]:
    """Hold the one writer's lock of a directory, which is made where there is none.

    A thread that holds it may take it again. Where another process or thread has it, this one
    waits its turn and tells `waiting` so from time to time.

    A directory that cannot be made or written is a `NotAStoreError`; a `StoreError` is raised where
    others hold the lock for longer than `LOCK_SECONDS`.
    """
    try:
        with writing_allowed(path):
            path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise NotAStoreError(f"{path} cannot be made: {error}") from error
    from filelock import FileLock  # noqa: PLC0415 - only who writes waits for it

    lock = FileLock(path / LOCK, is_singleton=True)
    try:
        with writing_allowed(path):
            _take(lock, path, waiting or (lambda _: None))
    except OSError as error:
        raise NotAStoreError(f"{path} cannot be written: {error}") from error
    try:
        refresh(path)
        yield
    finally:
        lock.release()


def _take(lock: BaseFileLock, path: Path, waiting: Callable[[str], None]) -> None:
    """Wait for a lock, and say so."""
    from filelock import Timeout  # noqa: PLC0415 - only who writes waits for it

    begun, patience = time.monotonic(), 0.0
    while True:
        try:
            lock.acquire(timeout=patience)
        except Timeout as error:
            waited = time.monotonic() - begun
            patience = min(SAY_SECONDS, LOCK_SECONDS - waited)
            if patience <= 0:
                raise StoreError(
                    f"another process is writing the store at {path} for {waited:.0f} seconds; "
                    "wait for it and try again"
                ) from error
            said = f" ({waited:.0f} s)" * (waited >= 1)
            waiting(f"waiting for another process that writes the store{said}")
        else:
            return


def hold(path: Path) -> None:
    """Let only the commit after the newest one of a table follow, where it is that of a URL."""
    if remote := remote_of(path.parent):
        remote.held[path.name] = DeltaTable(str(path)).version()


def remove(store: Path, *files: Path) -> None:
    """Remove files of a store, also from the URL that its folder is a copy of."""
    if remote := remote_of(store):
        remote.remove([file.relative_to(store).as_posix() for file in files])
    for file in files:
        file.unlink(missing_ok=True)


def refresh(path: Path, *, within: float = 0.0) -> None:
    """Fetch what is new where a store's folder is the copy of a URL."""
    if remote := remote_of(path):
        remote.pull(within=within)


@contextmanager
def _faults_raised(path: Path, done: str) -> Iterator[None]:
    try:
        yield
    except StoreError:
        raise
    # The engine of the tables may also end in a panic, which is no `Exception`.
    except BaseException as error:
        known = isinstance(error, (DeltaError, OSError, pa.ArrowException, ValueError, TypeError))
        if not known and type(error).__module__ != "pyo3_runtime":
            raise
        raise StoreError(f"{path} cannot be {done}: {_in_words(error)}") from error


def _in_words(error: BaseException) -> str:
    """Return what the engine says in one line, a full disk in words of its own."""
    said = " ".join(_COLOURS.sub("", str(error)).split())
    codes = {int(one) for one in _OS_ERROR.findall(said)} | {getattr(error, "errno", None)}
    full = next((one for one in codes if one in FULL), None)
    return said if full is None else os.strerror(full) + MAKE_ROOM

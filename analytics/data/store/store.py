"""The store: every input table as a Delta Lake table with its whole history, in one directory.

A batch shows only once its row in the table of events is written, and that is written last. So a
process that is killed at any moment leaves the version before it complete, and rows it left behind
are never read.
"""

from __future__ import annotations

import secrets
from contextlib import contextmanager, suppress
from dataclasses import replace
from functools import partial
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics import whole_files
from analytics.data.schema import EXTRA, TABLES
from analytics.data.snapshot import Snapshot
from analytics.data.store import delta, record, rows
from analytics.data.store.record import UNFINISHED, Batch, Counts, Event, Receipt, Record
from analytics.data.store.remote import FRESH_SECONDS, located
from analytics.data.store.rows import BATCH, refusal_words, require_sound
from analytics.errors import NotAStoreError, StoreError, UsageError
from analytics.whole_files import DESK, EVENTS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from analytics.data.query import ParquetRows, Source, Workers


_SNAPSHOTS_KEPT = 4
#: Tables that queries read from their files: the others are small.
LARGE = ("interviews",)


class Store:
    """Input tables in a directory, with every version they ever had.

    Parameters
    ----------
    path : str or pathlib.Path
        Its directory, or the URL of an object store such as ``s3://bucket/name`` as text, then read
        from a copy in the user's cache. Nothing is written there before the first `add`.
    workers : Workers, optional
        Processes that reduce interviews part by part, such as those of
        `connected`; this process does where none are given.

    Examples
    --------
    >>> from analytics import Store, import_files
    >>> store = Store("mystore")
    >>> _ = import_files(store, "week05")
    >>> store.version, store.read("site_days").num_rows
    (1, 4)

    Raises
    ------
    NotAStoreError
        If the path is a file, a directory that holds something else, or cannot be a store's name.
    """

    def __init__(self, path: str | Path, *, workers: Workers | None = None) -> None:
        self.path = located(path)
        self._workers = workers
        self._snapshots: dict[tuple[int, str], Snapshot] = {}
        delta.require_path(self.path)
        if self.path.exists() and not self.exists and not _is_free(self.path):
            raise NotAStoreError(
                f"{path} is not a store: it is a file, or a directory that holds something else; "
                "name a store, an empty directory, or a path that does not exist yet"
            )

    def __repr__(self) -> str:
        return f"Store({str(self.path)!r})"

    @property
    def exists(self) -> bool:
        """Whether a store is there (it may be empty)."""
        # A log that was lost leaves its checksums: that is a damaged store, and not none.
        sums = self.path / EVENTS / whole_files.SUMS
        return delta.is_table(self.path / EVENTS) or sums.exists()

    @property
    def version(self) -> int:
        """Number of batches imported or withdrawn so far; 0 where nothing was stored."""
        return len(self._events())

    def events(self) -> list[Event]:
        """Return every event, oldest first; a withdrawal with the counts and files of its batch."""
        events = self._events()
        imports = {one.batch: one for one in events if one.event == record.IMPORTED}
        return [
            replace(one, counts=imports[one.batch].counts, sources=imports[one.batch].sources)
            for one in events
        ]

    def batches(self) -> list[Batch]:
        """Return every batch that came in, oldest first, withdrawn ones too."""
        self._require()
        return record.batches(self._events())

    def read(self, table: str, as_of: int | None = None) -> pa.Table:
        """Return the current rows of an input table, in the order of its key.

        Parameters
        ----------
        table : str
            Its name, such as ``interviews``.
        as_of : int, optional
            An earlier version; the newest when not given.

        Returns
        -------
        pyarrow.Table
            The columns of its schema, then any extra columns as text.

        Raises
        ------
        UsageError
            If there is no such table or version.
        StoreError
            If no store is there (`NotAStoreError`) or it cannot be read.
        """
        if table not in TABLES:
            raise UsageError(f"no table {table!r}; the tables are: {', '.join(TABLES)}")
        self._require()
        return rows.unpack(self._rows(table, record.visible(self._events(), as_of=as_of)))

    def every_row(self, table: str, columns: Iterable[str]) -> pa.Table:
        """Return some columns of every row that a table ever had, with its `BATCH`, in any order.

        Rows of withdrawn batches and rows that others superseded are among them.
        """
        kept = set(columns)
        fields = [field for field in TABLES[table].arrow_schema if field.name in kept]
        schema = pa.schema([*fields, pa.field(BATCH, pa.string())])
        return delta.read_files(self._files(table), schema=schema)

    def with_batches(self, as_of: int) -> dict[str, Source]:
        """Return the rows of every table at a version for a query, each with its `BATCH`."""
        return self._with_batches(record.visible(self._events(), as_of=as_of))

    def snapshot(self, as_of: int | None = None) -> Snapshot:
        """Return every table as it stood at a version; the last few are kept in memory.

        Raises
        ------
        UsageError
            If the store never had that version.
        StoreError
            If no store is there (`NotAStoreError`) or it cannot be read.
        """
        self._require()
        events = self._events()
        shown = record.visible(events, as_of=as_of)
        version = len(events) if as_of is None else as_of
        # The id of the event tells a store apart from one made anew at the same path.
        key = (version, events[version - 1].batch if version else "")
        if key not in self._snapshots:
            while len(self._snapshots) >= _SNAPSHOTS_KEPT:
                self._snapshots.pop(next(iter(self._snapshots)))
            self._snapshots[key] = self._snapshot_of(shown, version)
        return self._snapshots[key]

    def add(
        self,
        tables: Mapping[str, Source],
        *,
        sources: Sequence[str] = (),
        checked_at: int | None = None,
        about: Mapping[str, Any] | None = None,
        who: str | None = None,
        source_sums: Mapping[str, str] | None = None,
        written: Callable[[float], None] = lambda _: None,
    ) -> Receipt:
        """Store tables as one batch, all or nothing; only new or changed rows are written.

        The rows are taken as they are but for types and keys; `analytics.data.importing` checks
        them.

        Parameters
        ----------
        tables : mapping of str to pyarrow.Table or ParquetRows
            By table name. Columns that no schema knows are kept as text. Rows in files are those
            that an import packed and checked; they are compared and written as a stream.
        sources : sequence of str
            Names of the files they came from.
        checked_at : int, optional
            Version the rows were checked against; the batch is refused if the store has moved on.
        about : mapping, optional
            What is said of the batch and kept with it, such as the reason for a change (JSON).
        who : str, optional
            Who stores them: the name of a login. By default the operating system's user.
        source_sums : mapping of str to str, optional
            SHA-256 of the sources that are files, by their names.
        written : callable, optional
            Given the share that is written, from time to time, where rows are in files.

        Raises
        ------
        UsageError
            If a table's name is not known.
        DataRejected
            If a column has the wrong type, or a key is empty or given twice.
        StoreError
            If the store cannot be written, or another process is writing it.
        """
        unknown = sorted(set(tables) - set(TABLES))
        if unknown:
            raise UsageError(f"no table {unknown[0]!r}; the tables are: {', '.join(TABLES)}")
        packed = {
            name: rows.pack(one, table=TABLES[name]) if isinstance(one, pa.Table) else one
            for name in TABLES
            if (one := tables.get(name)) is not None
        }
        with self._writing() as before:
            events = before.events
            if checked_at is not None and checked_at != len(events):
                raise StoreError(
                    f"the store went from version {checked_at} to {len(events)} while the rows "
                    "were checked; run the import again"
                )
            version = len(events) + 1
            # Rows of a killed import stay on disk under its id: an id must never come twice.
            batch = f"b{version:04d}-{secrets.token_hex(4)}"
            event = Event(
                version,
                batch,
                record.IMPORTED,
                record.now(),
                {},
                tuple(sources),
                about or {},
                record.user() if who is None else who,
                source_sums or {},
            )
            return self._add(packed, before, event, written=written)

    @contextmanager
    def turn(self, waiting: Callable[[str], None] | None = None) -> Iterator[None]:
        """Wait until no other process or thread writes the store, and keep them waiting meanwhile.

        Parameters
        ----------
        waiting : callable, optional
            Given in words, from time to time, that others are waited for.

        Raises
        ------
        StoreError
            If others write for more than a quarter of an hour.
        """
        with delta.writing(self.path, waiting=waiting):
            yield

    def withdraw(
        self, batch: str, *, undo: bool = False, who: str | None = None, reason: str = ""
    ) -> Batch:
        """Take a batch out again, or put it back; its rows stay in the history.

        Parameters
        ----------
        batch : str
            Its id, or the beginning of it with at least its number, such as ``b0003``.
        undo : bool
            Put a withdrawn batch back at its own place: rows that came in later still supersede
            its rows.
        who : str, optional
            Who does it: the name of a login. By default the operating system's user.
        reason : str
            Why, kept in the history; empty where none is given.

        Raises
        ------
        UsageError
            If there is no such batch, it was withdrawn already, or there is nothing to undo.
        DataRejected
            If the rows would then break a reference or another rule that they keep now.
        StoreError
            If the store cannot be written, or another process is writing it.
        """
        self._require()
        with self._writing() as before:
            events = before.events
            found = record.find(events, batch, withdrawn=undo)
            kind = record.RESTORED if undo else record.WITHDRAWN
            step = Event(
                len(events) + 1,
                found.batch,
                kind,
                record.now(),
                {},
                (),
                {record.REASON: reason} if reason else {},
                record.user() if who is None else who,
            )
            now, then = (
                self._with_batches(record.visible(some)) for some in (events, [*events, step])
            )
            require_sound(now, then, **refusal_words(found.batch, undo=undo))
            with record.begun(self.path, step):
                self._append_event(step, before)
        return next(one for one in self.batches() if one.batch == found.batch)

    def _add(
        self,
        packed: Mapping[str, Source],
        before: Record,
        event: Event,
        *,
        written: Callable[[float], None],
    ) -> Receipt:
        """Compare tables with the current rows, and write what is new or changed."""
        shown, version = record.visible(before.events), len(before.events)
        parts: dict[str, pa.Table | Callable[[], pa.RecordBatchReader]] = {}
        counts: dict[str, Counts] = {}
        for name, table in packed.items():
            stored = self._source(name, shown, EXTRA)
            if isinstance(table, pa.Table):
                fresh, counts[name] = rows.compare(table, stored, table=TABLES[name])
                parts[name] = rows.labelled(fresh, event.batch, table=TABLES[name])
                continue
            places, counts[name] = rows.differing(table, stored, table=TABLES[name])
            parts[name] = partial(
                rows.streamed_labelled,
                table,
                places,
                event.batch,
                table=TABLES[name],
                said=_shares(counts[name], written),
            )
        frozen = MappingProxyType(counts)
        if not any(map(_wrote, counts.values())):
            return Receipt(None, version, frozen)
        with record.begun(self.path, event):
            files: dict[str, str] = {}
            for name, part in parts.items():
                if _wrote(counts[name]):
                    files |= self._append(name, part, before)
            self._append_event(replace(event, counts=counts, files=files), before)
        return Receipt(event.batch, event.version, frozen)

    def _append(
        self, name: str, part: pa.Table | Callable[[], pa.RecordBatchReader], before: Record
    ) -> dict[str, str]:
        """Append rows to a table; return the checksum of each file that this wrote."""
        for log, one in before.logs(name).items():
            whole_files.require(self.path / log, one)
        there = whole_files.files_under(self.path / name)
        delta.append(self.path / name, part if isinstance(part, pa.Table) else part())
        return record.written(there, self.path, name)

    def _append_event(self, event: Event, before: Record) -> None:
        """Write the row of a step, which makes it visible, then the sums of the table of events."""
        delta.append(self.path / EVENTS, record.to_row(record.tied(event, before)), only_next=True)
        # The step is in, whatever comes now. Sums for which a full disk has no room are written
        # before the next step, as after a kill; a damaged file is refused at every read.
        with suppress(StoreError):
            record.write_sums(self.path)

    def _record(self) -> Record:
        return record.read_record(self.path) if self.exists else Record()

    def _events(self) -> list[Event]:
        delta.refresh(self.path, within=FRESH_SECONDS)
        return self._record().events

    def _files(self, name: str) -> list[Path]:
        """Return the files of a table, each as it was written, or refuse them (`StoreError`)."""
        known = self._record()
        files = known.parquet(name)
        for file, one in files.items():
            whole_files.require(self.path / file, one)
        found = [self.path / file for file in files]
        if not known.is_whole and delta.is_table(self.path / name):
            # Of old programs: the table's own log names them.
            found += [one for one in delta.files_of(self.path / name) if one not in found]
        return found

    def _snapshot_of(self, shown: Sequence[Batch], version: int) -> Snapshot:
        files = {name: rows for name in LARGE if (rows := self._on_disk(name, shown)) is not None}
        return Snapshot.on_disk(lambda name: self._rows(name, shown), version=version, files=files)

    def _on_disk(self, name: str, shown: Sequence[Batch], *more: str) -> ParquetRows | None:
        """Return the current rows of a table as a query over its files; None where it has none."""
        holders = [batch for batch in shown if _wrote(batch.counts.get(name))]
        if not holders:
            return None
        files = self._files(name)
        if any(set("*?[") & set(str(file)) for file in files):
            return None  # a query would take them for a pattern
        found = rows.on_disk(
            files,
            delta.gaps_of(files),
            table=TABLES[name],
            batches=[batch.batch for batch in holders],
            changing=record.superseding(holders, name),
            more=more,
        )
        return replace(found, workers=self._workers)

    def _source(self, name: str, shown: Sequence[Batch], *more: str) -> Source:
        """Return the current rows of a table for a query, with more columns, in any order."""
        files = self._on_disk(name, shown, *more)
        return self._labelled(name, shown) if files is None or files.is_small else files

    def _with_batches(self, shown: Sequence[Batch]) -> dict[str, Source]:
        return {name: self._source(name, shown, BATCH) for name in TABLES}

    def _rows(self, name: str, shown: Sequence[Batch]) -> pa.Table:
        """Return the current rows of a table with the JSON of its extra columns."""
        return self._labelled(name, shown).drop_columns([rows.BATCH])

    def _labelled(self, name: str, shown: Sequence[Batch]) -> pa.Table:
        """Return the current rows of a table, extra columns as JSON, and the batch of each."""
        schema = rows.stored_schema(TABLES[name])
        holders = [batch for batch in shown if _wrote(batch.counts.get(name))]
        ids = [batch.batch for batch in holders]
        data = schema.empty_table()
        if ids:
            data = delta.read_files(self._files(name), schema=schema, only=(rows.BATCH, ids))
        superseded = bool(record.superseding(holders, name))
        return rows.current(data, table=TABLES[name], batches=ids, superseded=superseded)

    def _require(self) -> None:
        if not self.exists and not (self.path.is_dir() and _is_free(self.path)):
            raise NotAStoreError(
                f"no store at {self.path}; `blackmouth import PATH --store DIR` makes one"
            )

    @contextmanager
    def _writing(self) -> Iterator[Record]:
        """Hold the writer's lock; gives the record as it is then."""
        with delta.writing(self.path):
            if not self.exists:
                delta.append(self.path / EVENTS, record.EVENT_SCHEMA.empty_table())
            delta.hold(self.path / EVENTS)
            now = self._record()
            # Before the first row that is chained, and where a killed process wrote none.
            record.write_sums(self.path)
            yield now


def _is_free(path: Path) -> bool:
    """Whether a store may be made here: an empty directory, or what a killed making left."""
    own = {delta.LOCK, EVENTS, DESK, UNFINISHED}
    return path.is_dir() and all(entry.name in own for entry in path.iterdir())


def _shares(counts: Counts, said: Callable[[float], None]) -> Callable[[int], None]:
    """Return what takes numbers of rows that were written and tells the share of all so far."""
    n_all, done = counts.new + counts.changed, 0

    def add(n_rows: int) -> None:
        nonlocal done
        done += n_rows
        said(done / n_all)

    return add


def _wrote(counts: Counts | None) -> bool:
    return counts is not None and counts.new + counts.changed > 0

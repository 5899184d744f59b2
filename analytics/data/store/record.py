"""The record of a store: its events in their order, and the checksums of the files they wrote.

Three things hold it together. The row of an event, written last, has the SHA-256 of every file
that the step wrote. Each row is chained to the one before, so that none can be changed or taken out
of the middle. And the files of the table of events itself have theirs in the file of sums beside
them; a process killed between the row and the sums leaves the sums one step behind, which the
chain bridges.

Beside them stands the name of the newest publication, whose files lie in a folder of their own.

Events say what came in and what was taken out, and therefore which batches show when.
"""

from __future__ import annotations

import getpass
import hashlib
import json
import os
import re
import secrets
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from functools import cached_property, lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics import whole_files
from analytics.data.store import delta
from analytics.data.store.remote import sent
from analytics.errors import StoreError, UsageError
from analytics.result_table import texts
from analytics.whole_files import DELTA_LOG, EVENTS, FULL, MAKE_ROOM, replace_whole, writing_allowed

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path


IMPORTED = "imported"
WITHDRAWN = "withdrawn"
RESTORED = "restored"
#: No step of the version: files were put together, and the row has the checksums of all.
MAINTAINED = "maintained"
#: Key of what is said of a batch: why its rows came in or changed.
REASON = "reason"

EVENT_SCHEMA = pa.schema(
    [
        ("version", pa.int64()),
        *texts("batch", "event", "at_utc", "counts_json", "sources_json", "about_json"),
        # Rows stored before these were kept have none of them.
        *texts("who", "source_sums_json", "files_json"),
        ("step", pa.int64()),
        ("chain", pa.string()),
    ]
)


@dataclass(frozen=True, slots=True)
class Counts:
    """How the rows of one table of a batch compare with what was there."""

    new: int = 0
    changed: int = 0
    unchanged: int = 0


@dataclass(frozen=True, slots=True)
class Event:
    """One step of a store's version: a batch ``imported``, ``withdrawn`` or ``restored``.

    `version` is that of the store from this event on, `at_utc` an ISO 8601 instant, `counts` by
    table (empty but for an import), `sources` the names of the files the batch came from, `about`
    what was said of it, such as corrections of its cells or the reason for a change. `who` did it,
    empty where that is not known; `source_sums` has the SHA-256 of each source that was a file.
    `files` has that of each file that the step wrote, by its path in the store; None where an older
    program kept none. `step` is its place among all rows, `chain` what ties it to the one before.
    """

    version: int
    batch: str
    event: str
    at_utc: str
    counts: Mapping[str, Counts]
    sources: tuple[str, ...]
    about: Mapping[str, Any] = field(default_factory=dict)
    who: str = ""
    source_sums: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, str] | None = None
    step: int = 0
    chain: str = ""


@dataclass(frozen=True, slots=True)
class Batch:
    """An imported batch, the version that took it out again, and the one that put it back, if any.

    One that was put back and taken out once more has its `withdrawn_version` alone. `last_step` is
    its last withdrawal or return, with who did it and why.
    """

    batch: str
    version: int
    at_utc: str
    counts: Mapping[str, Counts]
    sources: tuple[str, ...]
    withdrawn_version: int | None = None
    restored_version: int | None = None
    about: Mapping[str, Any] = field(default_factory=dict)
    who: str = ""
    source_sums: Mapping[str, str] = field(default_factory=dict)
    last_step: Event | None = None


@dataclass(frozen=True, slots=True)
class Receipt:
    """What an import did, and the version of the store afterwards.

    `batch` is None where every row was already there and nothing was written.
    """

    batch: str | None
    version: int
    counts: Mapping[str, Counts]


def to_row(event: Event) -> pa.Table:
    """Return an event as a table of one row in `EVENT_SCHEMA`."""
    counts = {name: asdict(count) for name, count in event.counts.items()}
    row = {
        "version": event.version,
        "batch": event.batch,
        "event": event.event,
        "at_utc": event.at_utc,
        "counts_json": json.dumps(counts),
        "sources_json": json.dumps(list(event.sources)),
        "about_json": json.dumps(dict(event.about)) if event.about else None,
    }
    if event.files is not None:
        row |= {
            "who": event.who,
            "source_sums_json": json.dumps(dict(event.source_sums)),
            "files_json": json.dumps(dict(event.files)),
            "step": event.step,
            "chain": event.chain,
        }
    return pa.Table.from_pylist([row], schema=EVENT_SCHEMA)


def from_rows(table: pa.Table) -> list[Event]:
    """Return the events of a stored table, oldest first."""
    events = [
        Event(
            row["version"],
            row["batch"],
            row["event"],
            row["at_utc"],
            MappingProxyType(
                {name: Counts(**count) for name, count in json.loads(row["counts_json"]).items()}
            ),
            tuple(json.loads(row["sources_json"])),
            MappingProxyType(json.loads(row["about_json"] or "{}")),
            row["who"] or "",
            MappingProxyType(json.loads(row["source_sums_json"] or "{}")),
            None if row["files_json"] is None else MappingProxyType(json.loads(row["files_json"])),
            row["version"] if row["step"] is None else row["step"],
            row["chain"] or "",
        )
        for row in table.to_pylist()
    ]
    return sorted(events, key=lambda event: event.step)


def batches(events: Sequence[Event]) -> list[Batch]:
    """Return every imported batch, oldest first, with its withdrawal where there was one."""
    last = {event.batch: event for event in events if event.event != IMPORTED}

    def version_of(batch: str, kind: str) -> int | None:
        return last[batch].version if batch in last and last[batch].event == kind else None

    return [
        Batch(
            event.batch,
            event.version,
            event.at_utc,
            event.counts,
            event.sources,
            version_of(event.batch, WITHDRAWN),
            version_of(event.batch, RESTORED),
            event.about,
            event.who,
            event.source_sums,
            last.get(event.batch),
        )
        for event in events
        if event.event == IMPORTED
    ]


def superseding(shown: Sequence[Batch], table: str) -> list[str]:
    """Return the batches whose rows of a table may stand in the place of older ones.

    Those imported while one now put back was out could not see that they do.
    """
    restored = [batch.version for batch in shown if batch.restored_version is not None]
    return [
        batch.batch
        for batch in shown
        if any(batch.version > one for one in restored)
        or ((own := batch.counts.get(table)) and own.changed)
    ]


def visible(events: Sequence[Event], *, as_of: int | None = None) -> list[Batch]:
    """Return the batches that show at a version, oldest first; 0 is before the first import.

    By default that is the newest; one that the store never had is a `UsageError`.
    """
    newest = len(events)
    at = newest if as_of is None else as_of
    if not 0 <= at <= newest:
        raise UsageError(f"the store has no version {at}; its versions are 0 to {newest}")
    past = [event for event in events if event.version <= at]
    return [batch for batch in batches(past) if batch.withdrawn_version is None]


def find(events: Sequence[Event], batch: str, *, withdrawn: bool = False) -> Batch:
    """Return a batch by its id or the beginning of it, at least its number.

    One that is not there, that was `withdrawn` already, or that was not where it should have
    been, is a `UsageError`.
    """
    known = batches(events)
    # A slip of the keyboard must not name a batch: its number is written out.
    matches = [
        one
        for one in known
        if one.batch.startswith(batch) and batch.startswith(one.batch.partition("-")[0])
    ]
    if not matches:
        names = ", ".join(one.batch for one in known) or "none"
        raise UsageError(
            f"no batch {batch!r} in the store; write its number or its whole id, such as b0003; "
            f"there are: {names}"
        )
    # Numbers are versions, and a version has one batch.
    found = matches[0]
    if withdrawn and found.withdrawn_version is None:
        raise UsageError(f"batch {found.batch} was not withdrawn: there is nothing to undo")
    if not withdrawn and found.withdrawn_version is not None:
        raise UsageError(
            f"batch {found.batch} was withdrawn already (version {found.withdrawn_version})"
        )
    return found


#: Folder of marks of steps that were begun and have not ended.
UNFINISHED = "_unfinished"
#: File that names the newest publication by its place and the hash of its content.
LAST_PUBLISHED, OF_PUBLISHED = f"{EVENTS}/PUBLISHED", re.compile(r"\d{6}-[0-9a-f]{16}\.json")
_TRIES = 4


@dataclass(frozen=True)
class Record:
    """Every row of the table of events, oldest first."""

    rows: tuple[Event, ...] = ()

    @cached_property
    def events(self) -> list[Event]:
        """The steps of the store's version."""
        return [one for one in self.rows if one.event != MAINTAINED]

    @cached_property
    def files(self) -> dict[str, str]:
        """The checksum of every file of the tables that counts, by its path in the store."""
        found: dict[str, str] = {}
        for row in self.rows:
            found = ({} if row.event == MAINTAINED else found) | dict(row.files or {})
        return found

    @cached_property
    def replaced(self) -> dict[str, str]:
        """Files that maintenance replaced: readers of before may still need them."""
        every = {name: one for row in self.rows for name, one in (row.files or {}).items()}
        return {name: one for name, one in every.items() if name not in self.files}

    @cached_property
    def is_whole(self) -> bool:
        """Whether every file has a checksum; those of old programs wrote none."""
        last = [at for at, row in enumerate(self.rows) if row.event == MAINTAINED]
        return all(row.files is not None for row in self.rows[last[-1] if last else 0 :])

    @property
    def chain(self) -> str:
        """The end of the chain, which the next row is tied to."""
        return chained(self.rows)

    def parquet(self, table: str) -> dict[str, str]:
        """Return the Parquet files of a table with their checksums."""
        return {
            name: one
            for name, one in self.files.items()
            if name.startswith(f"{table}/") and name.endswith(".parquet") and DELTA_LOG not in name
        }

    def logs(self, table: str) -> dict[str, str]:
        """Return the files of a table's log with their checksums."""
        start = f"{table}/{DELTA_LOG}/"
        return {name: one for name, one in self.files.items() if name.startswith(start)}


def chained(rows: Sequence[Event]) -> str:
    """Return the end of the chain over rows; a row that does not fit is refused (`StoreError`)."""
    link = ""
    for place, row in enumerate(rows, 1):
        said = row.chain
        link = link_of(link, row)
        if (said and said != link) or row.step != place:
            raise whole_files.refusal("history_changed", EVENTS, step=place)
    return link


def link_of(before: str, row: Event) -> str:
    """Return what ties a row to the one before."""
    cells = to_row(row).to_pylist()[0]
    kept = {name: cells[name] for name in EVENT_SCHEMA.names if name != "chain"}
    text = json.dumps([before, {name: one for name, one in kept.items() if one is not None}])
    return hashlib.sha256(text.encode()).hexdigest()


def read_record(store: Path) -> Record:
    """Return the record of a store as it is now; what was damaged is refused (`StoreError`)."""
    folder = store / EVENTS
    for left in reversed(range(_TRIES)):
        seen = state_of(folder)
        try:
            return _record_at(folder, seen)
        except StoreError:
            # A writer may have gone on meanwhile; what is damaged stays so.
            if not left or state_of(folder) == seen:
                raise
    raise AssertionError  # the last try raises


def state_of(folder: Path) -> tuple[tuple[str, int, int, int], ...]:
    """Return what changes with every step: name, size, time and inode of each file."""
    found = []
    for place in (folder, folder / DELTA_LOG):
        try:
            with os.scandir(place) as seen:
                entries = [(one, one.stat()) for one in seen]
        except OSError:  # gone between two looks
            continue
        found += [(e.path, s.st_size, s.st_mtime_ns, s.st_ino) for e, s in entries]
    return tuple(sorted(found))


@lru_cache(maxsize=16)
def _record_at(folder: Path, state: object) -> Record:
    return _read(folder, whole_files.read_sums(folder))


def _read(folder: Path, sums: Mapping[str, str] | None) -> Record:
    known = sums or {}
    for name, one in known.items():
        if name.startswith(f"{DELTA_LOG}/"):
            whole_files.require(folder / name, one)
    for name in half_commits(folder, known) if sums is not None else ():
        raise whole_files.refusal(whole_files.HALF_WRITTEN, folder / name)
    files = delta.files_of(folder)
    for file in files:
        if file.name in known:
            whole_files.require(file, known[file.name])
        elif not file.exists():
            raise whole_files.refusal(whole_files.MISSING, file)
    rows = from_rows(delta.read_files(files, schema=EVENT_SCHEMA))
    chained(rows)
    if sums is None and any(row.chain for row in rows):
        raise whole_files.refusal(whole_files.MISSING, folder / whole_files.SUMS)
    if sums is not None and len(set(_commits(folder)) - set(known)) > 1:
        raise whole_files.refusal(whole_files.DAMAGED, folder / whole_files.SUMS)
    return Record(tuple(rows))


def _commits(folder: Path) -> list[str]:
    return [f"{DELTA_LOG}/{one.name}" for one in (folder / DELTA_LOG).glob("[0-9]*.json")]


def half_commits(folder: Path, known: Collection[str]) -> list[str]:
    """Return the entries of a table's log that are cut off, those `known` left out unread.

    Checksums are written after an entry, so that none of them names one that was cut off.
    """
    return [one for one in _commits(folder) if one not in known and is_cut_off(folder / one)]


def is_cut_off(entry: Path) -> bool:
    """Return whether an entry of a table's log is without a line, or with no JSON in one."""
    try:
        return not [json.loads(line) for line in entry.read_bytes().splitlines()]
    except FileNotFoundError:
        return False
    except (OSError, ValueError):
        return True


def write_sums(store: Path, *, without: Iterable[str] = ()) -> None:
    """Write the checksums of the files of the table of events; those known stay."""
    folder = store / EVENTS
    known = whole_files.read_sums(folder) or {}
    log = {f"{DELTA_LOG}/{one.name}" for one in (folder / DELTA_LOG).glob("[0-9]*")}
    now = {one for one in log if one.endswith((".json", ".parquet"))}
    now |= {file.name for file in delta.files_of(folder)}
    with _writable(store):
        whole_files.write_sums(folder, sorted((now | set(known)) - set(without)), known)
    sent(store, f"{EVENTS}/{whole_files.SUMS}")


def last_published(store: Path) -> str:
    """Return the name of the newest publication's file; empty where none is named.

    Raises
    ------
    StoreError
        If what names it is damaged.
    """
    path = store / LAST_PUBLISHED
    try:
        name = path.read_bytes().decode("ascii").removesuffix("\n")
    except FileNotFoundError:
        return ""
    except (OSError, ValueError) as error:
        raise whole_files.refusal(whole_files.DAMAGED, path) from error
    if not OF_PUBLISHED.fullmatch(name):
        raise whole_files.refusal(whole_files.DAMAGED, path)
    return name


def name_published(store: Path, name: str) -> None:
    """Let the history name the newest publication, so that the loss of all of them is noticed."""
    path = store / LAST_PUBLISHED
    with _writable(store):
        path.parent.mkdir(exist_ok=True)
        replace_whole(path, f"{name}\n".encode("ascii"))
    sent(store, LAST_PUBLISHED)


def tied(event: Event, before: Record) -> Event:
    """Return a step with its place after the rows before it."""
    event = replace(event, files=event.files or {}, step=len(before.rows) + 1)
    return replace(event, chain=link_of(before.chain, event))


@contextmanager
def begun(store: Path, event: Event) -> Iterator[None]:
    """Mark a step as begun until it ended: what a killed one left is known by its mark."""
    mark = store / UNFINISHED / f"{event.version:04d}-{secrets.token_hex(4)}"
    with _writable(store):
        mark.parent.mkdir(exist_ok=True)
        mark.write_text(event.batch or event.event)
    sent(store, UNFINISHED)
    yield
    delta.remove(store, mark)


@contextmanager
def _writable(store: Path) -> Iterator[None]:
    """Say in words (`StoreError`) that a store cannot be written, as where a disk is full."""
    try:
        with writing_allowed(store):
            yield
    except OSError as error:
        advice = MAKE_ROOM * (error.errno in FULL)
        raise StoreError(f"{store} cannot be written: {error.strerror or error}{advice}") from error


def now() -> str:
    """Return this instant, ISO 8601 in UTC."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def user() -> str:
    """Return the operating system's user; empty where it does not tell."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return ""


def written(before: Sequence[str], store: Path, table: str) -> dict[str, str]:
    """Return the files of a table that were not there before, with their checksums."""
    new = set(whole_files.files_under(store / table)) - set(before)
    return {f"{table}/{name}": whole_files.sha256_of(store / table / name) for name in sorted(new)}

"""The record of a store: its events in their order, and the checksum of every file they wrote.

Three things hold it together. The row of an event, written last, has the SHA-256 of every file
that the step wrote. Each row is chained to the one before, so that none can be changed or taken out
of the middle. And the files of the table of events itself have theirs in the file of sums beside
them; a process killed between the row and the sums leaves the sums one step behind, which the
chain bridges.

Beside them stands the name of the newest publication, whose files lie in a folder of their own.
"""

from __future__ import annotations

import getpass
import hashlib
import json
import os
import re
import secrets
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

from analytics import whole_files
from analytics.data.store import delta, history
from analytics.data.store.history import EVENT_SCHEMA, MAINTAINED, Event
from analytics.data.store.remote import sent
from analytics.errors import StoreError
from analytics.whole_files import DELTA_LOG, EVENTS, FULL, MAKE_ROOM, replace_whole, writing_allowed

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

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
    cells = history.to_row(row).to_pylist()[0]
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
    rows = history.from_rows(delta.read_files(files, schema=EVENT_SCHEMA))
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

"""Verify: every file of a store against its checksum, without a lock and without a change."""

from __future__ import annotations

import json
import os
import re
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analytics import whole_files
from analytics.data.kept import ENDING, is_sound
from analytics.data.kept import FOLDER as KEPT
from analytics.data.schema import TABLES
from analytics.data.store import delta
from analytics.data.store.record import (
    LAST_PUBLISHED,
    MAINTAINED,
    OF_PUBLISHED,
    UNFINISHED,
    Record,
    half_commits,
    is_cut_off,
    last_published,
    read_record,
    state_of,
)
from analytics.data.store.rows import BATCH
from analytics.errors import StoreError
from analytics.whole_files import (
    APART,
    BESIDE,
    BULLETINS,
    CARD_FILE,
    DAMAGED,
    DELTA_LOG,
    DESK,
    EVENTS,
    FOREIGN,
    HALF_WRITTEN,
    MISSING,
    NOTES_FILE,
    NOTES_LOCK,
    PUBLISHED,
    SUMS,
    file_of_draft,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

LEFTOVER, REPLACED, WITHOUT_SUM = "file_leftover", "file_replaced", "file_without_sum"
#: Files beside the history; a kill may leave drafts of them when a step has ended already.
_BESIDE_HISTORY = (f"{EVENTS}/{SUMS}", LAST_PUBLISHED)
FAULTS = (DAMAGED, MISSING, FOREIGN, HALF_WRITTEN)
#: Folders that are judged apart: what went out has the hash of its content in its files' names.
_ELSEWHERE = (DESK, PUBLISHED, APART)
_ROOMS = (*TABLES, EVENTS, BULLETINS, KEPT)
_TRIES = 3
#: Files as the Delta library names them, its drafts included.
_OF_DELTA = re.compile(
    r"(part-[^/]+\.parquet|_delta_log/(\d{20}(\.checkpoint)?\.(json|parquet)|[._][^/]+))"
)
_OF_LOG = re.compile(r"_delta_log/\d[^/]*\.json")


@dataclass(frozen=True, slots=True)
class Seen:
    """One file that is not simply as it was written: a code of the section *Files of a store*."""

    kind: str
    file: str

    @property
    def is_fault(self) -> bool:
        """Whether the store is not sound with it."""
        return self.kind in FAULTS


@dataclass(frozen=True, slots=True)
class Verified:
    """What was found, faults first, and how many files are as they were written."""

    seen: tuple[Seen, ...]
    n_sound: int

    @property
    def is_sound(self) -> bool:
        """Whether no file is damaged, missing or foreign."""
        return not any(one.is_fault for one in self.seen)


def verify_store(store: Path) -> Verified:
    """Read every file of a store against its checksum; writers may go on meanwhile.

    Raises
    ------
    StoreError
        If the history of the store does not hold together, and no file of it can be named.
    """
    whole_files.forget()
    for _ in range(_TRIES):
        seen = state_of(store / EVENTS)
        found = _verified(store)
        # Whoever writes meanwhile may take away what was just seen; what is damaged stays so.
        if found.is_sound or state_of(store / EVENTS) == seen:
            break
    return found


def _verified(store: Path) -> Verified:
    # What is there first, then the record: a step that ends in between is in the record.
    there = [one for one in whole_files.files_under(store) if not _is_elsewhere(one)]
    begun = set(_marks(store))
    found = [*_bulletins(store), *_published(store), *_desk(store)]
    found += [*_kept(store, there), *_others(there), *_links(store)]
    try:
        record = read_record(store)
    except StoreError:
        found += _lost_record(store)
        if not any(one.file.startswith(EVENTS) for one in found if one.is_fault):
            raise
    else:
        found += _recorded(store, record)
        found += _tables(store, record, begun, there)
        found += _events(store, record, begun, there)
    order = {kind: at for at, kind in enumerate((*FAULTS, LEFTOVER, REPLACED, WITHOUT_SUM))}
    seen = sorted({one for one in found if one.kind}, key=lambda one: (order[one.kind], one.file))
    return Verified(tuple(seen), sum(not one.kind for one in found))


def _links(store: Path) -> Iterator[Seen]:
    """Name links to folders elsewhere: no step writes one, and nothing in them is looked at."""
    for root, folders, _ in os.walk(store):
        for folder in (Path(root) / one for one in folders):
            is_moved = folder.parent == store and folder.name in (*_ROOMS, *_ELSEWHERE)
            if folder.is_symlink() and not is_moved:  # a whole room may lie on another disk
                yield Seen(FOREIGN, folder.relative_to(store).as_posix())


def _marks(store: Path) -> Iterator[str]:
    for mark in (store / UNFINISHED).glob("*"):
        with suppress(OSError):  # the step has ended
            yield mark.read_text()


def _lost_record(store: Path) -> list[Seen]:
    """Name what is damaged where the record cannot be read."""
    try:
        sums = whole_files.read_sums(store / EVENTS)
    except StoreError:
        return [Seen(DAMAGED, f"{EVENTS}/{SUMS}")]
    if sums is None:
        return []
    half = half_commits(store / EVENTS, sums)
    return [
        *(Seen(HALF_WRITTEN, f"{EVENTS}/{name}") for name in half),
        *(_judged(store, f"{EVENTS}/{name}", one) for name, one in sums.items()),
    ]


def _judged(store: Path, name: str, expected: str | None, other: str = "") -> Seen:
    """Return a file with what is wrong with it, or `other`."""
    return Seen(whole_files.fault_of(store / name, expected) or other, name)


def _recorded(store: Path, record: Record) -> Iterator[Seen]:
    yield from (_judged(store, name, one) for name, one in record.files.items())
    for name, one in record.replaced.items():
        if (store / name).exists():
            yield _judged(store, name, one, REPLACED)


def _tables(store: Path, record: Record, begun: set[str], there: list[str]) -> Iterator[Seen]:
    """Judge files of the tables that no step recorded."""
    active: set[str] = set()
    if not record.is_whole:
        for name in TABLES:
            if delta.is_table(store / name):
                files = delta.files_of(store / name)
                active |= {file.relative_to(store).as_posix() for file in files}
                gone = [file for file in files if not file.exists()]
                yield from (Seen(MISSING, one.relative_to(store).as_posix()) for one in gone)
    for file in there:
        table, _, name = file.partition("/")
        if table not in TABLES or file in record.files or file in record.replaced:
            continue
        if not (store / file).exists():
            continue  # a writer tidied up meanwhile
        is_old = not record.is_whole and (file in active or "/_delta_log/" in file)
        if is_old:
            yield Seen(_of_old(store / file), file)
        elif _OF_LOG.fullmatch(name) and is_cut_off(store / file):
            yield Seen(HALF_WRITTEN, file)
        elif _OF_DELTA.fullmatch(name) and _is_left(store / file, record, begun):
            yield Seen(LEFTOVER, file)
        else:
            yield Seen(_unrecorded(store / file, name), file)


def _unrecorded(file: Path, name: str) -> str:
    """Return what can be said of a file that no step recorded, and none that is known began."""
    is_half = name.startswith(f"{DELTA_LOG}/_") or (
        file.suffix == ".parquet" and _of_old(file) == DAMAGED
    )
    return HALF_WRITTEN if _OF_DELTA.fullmatch(name) and is_half else FOREIGN


def _of_old(file: Path) -> str:
    """Return what can be said of a file without a checksum."""
    if file.suffix != ".parquet":
        return WITHOUT_SUM
    try:
        pq.read_table(file)
    except (OSError, ValueError, pa.ArrowException):
        return DAMAGED
    return WITHOUT_SUM


def _is_left(file: Path, record: Record, begun: set[str]) -> bool:
    """Whether a step that did not end may have written a file."""
    if MAINTAINED in begun:
        return True
    if file.suffix != ".parquet" or file.parent.name == "_delta_log":
        return _log_is_left(file, record, begun)
    try:
        batches = set(pc.unique(pq.read_table(file, columns=[BATCH])[BATCH]).to_pylist())
    except (OSError, ValueError, KeyError, pa.ArrowException):
        return bool(begun)  # killed while it was written
    later = f"b{len(record.events):04d}"
    return all(one in begun or (one or "").partition("-")[0] > later for one in batches)


def _log_is_left(file: Path, record: Record, begun: set[str]) -> bool:
    """Whether a log's entry adds nothing but files that are left, too."""
    if begun or not file.name.endswith(".json"):
        return bool(begun)
    try:
        lines = [json.loads(line) for line in file.read_text().splitlines()]
        added = [file.parents[1] / line["add"]["path"] for line in lines if "add" in line]
    except (OSError, ValueError, KeyError, TypeError):
        return False
    return bool(added) and all(one.exists() and _is_left(one, record, begun) for one in added)


def _events(store: Path, record: Record, begun: set[str], there: list[str]) -> Iterator[Seen]:
    """Judge the files of the table of events."""
    sums = whole_files.read_sums(store / EVENTS)
    known = sums or {}
    yield from (_judged(store, f"{EVENTS}/{name}", one) for name, one in known.items())
    active = {file.name for file in delta.files_of(store / EVENTS)} if record.rows else set()
    for file in there:
        table, _, name = file.partition("/")
        if table != EVENTS or name in known or not (store / file).exists():
            continue
        if file == LAST_PUBLISHED:
            continue  # judged with what it names
        if name == SUMS:
            yield Seen("", file)
        elif sums is None:
            yield Seen(WITHOUT_SUM, file)
        elif (
            name in active
            or (begun and _OF_DELTA.fullmatch(name))
            or file_of_draft(file) in _BESIDE_HISTORY
        ):
            yield Seen(LEFTOVER, file)
        elif re.fullmatch(r"_delta_log/\d{20}\.json", name):
            # At most one is not in the sums yet: reading the record has made sure of that.
            yield Seen(LEFTOVER, file)
        else:
            drafts = name.endswith(".tmp") or _OF_DELTA.fullmatch(name)
            yield Seen(LEFTOVER if drafts and begun else _unrecorded(store / file, name), file)


def _bulletins(store: Path) -> Iterator[Seen]:
    for folder in sorted((store / BULLETINS).glob("*")):
        start = f"{BULLETINS}/{folder.name}"
        if folder.name.startswith(".draft-"):
            yield from (Seen(LEFTOVER, f"{start}/{one}") for one in whole_files.files_under(folder))
            continue
        if not folder.is_dir():
            yield Seen(FOREIGN, start)
            continue
        try:
            sums = whole_files.read_sums(folder)
        except StoreError:
            yield Seen(DAMAGED, f"{start}/{SUMS}")
            continue
        names = set(whole_files.files_under(folder)) - {SUMS, NOTES_FILE, NOTES_LOCK}
        if (folder / NOTES_FILE).exists():
            yield Seen(_of_sealed(folder / NOTES_FILE), f"{start}/{NOTES_FILE}")
        if sums is None:
            yield from _unsummed(folder, start, names)
            continue
        yield Seen("", f"{start}/{SUMS}")
        yield from (_judged(store, f"{start}/{name}", one) for name, one in sums.items())
        yield from (Seen(FOREIGN, f"{start}/{name}") for name in names - set(sums))


def _unsummed(folder: Path, start: str, names: set[str]) -> Iterator[Seen]:
    """Judge a bulletin without checksums: of an old program, or its sums are gone."""
    try:
        card = json.loads((folder / CARD_FILE).read_text())
        is_new = bool(card.get("has_sums"))
    except (OSError, ValueError, AttributeError):
        yield Seen(DAMAGED if (folder / CARD_FILE).exists() else MISSING, f"{start}/{CARD_FILE}")
        return
    if is_new:
        yield Seen(MISSING, f"{start}/{SUMS}")
    yield from (Seen(_of_old(folder / name), f"{start}/{name}") for name in names)


def _published(store: Path) -> Iterator[Seen]:
    """Judge the record of what went out, each file by its name, and those that others name."""
    names = [one for one in whole_files.files_under(store / PUBLISHED) if one != "lock"]
    named: set[str] = set()
    if (store / LAST_PUBLISHED).exists():
        try:
            named = {last_published(store)}
            yield Seen("", LAST_PUBLISHED)
        except StoreError:
            yield Seen(DAMAGED, LAST_PUBLISHED)
    for name in names:
        try:
            data = (store / PUBLISHED / name).read_bytes()
        except FileNotFoundError:
            continue  # a draft that has its name by now
        if not OF_PUBLISHED.fullmatch(name):
            kind = LEFTOVER if file_of_draft(name) else FOREIGN
        elif name[7:23] != whole_files.digits_of(data):
            kind = DAMAGED
        else:
            kind = ""
            named |= set(json.loads(data)["before"])
        yield Seen(kind, f"{PUBLISHED}/{name}")
    yield from (Seen(MISSING, f"{PUBLISHED}/{name}") for name in named - set(names))


def _desk(store: Path) -> Iterator[Seen]:
    """Judge drafts and uploads: records that are sealed, and files whose checksums they hold."""
    for file in sorted((store / DESK).glob("**/*.json")):
        name = file.relative_to(store).as_posix()
        kind = _of_sealed(file)
        yield Seen(kind, name)
        if kind == DAMAGED:
            continue
        with suppress(FileNotFoundError):  # removed meanwhile
            for beside, one in json.loads(whole_files.read_sealed(file)).get(BESIDE, {}).items():
                yield _judged(store, f"{name.rpartition('/')[0]}/{beside}", one)


def _of_sealed(file: Path) -> str:
    """Return what can be said of a file that has its checksum in its first line."""
    try:
        text = whole_files.read_sealed(file)
        for one in text.split("\n") if file.name == NOTES_FILE else [text]:
            json.loads(one or "{}")
    except FileNotFoundError:
        return ""  # removed meanwhile
    except (StoreError, ValueError):
        return DAMAGED
    return ""


def _kept(store: Path, there: list[str]) -> Iterator[Seen]:
    """Judge what is kept by content: a damaged entry is made anew when it is asked for."""
    for file in there:
        room, _, name = file.partition("/")
        if room != KEPT:
            continue
        try:
            entry = (store / file).read_bytes()
        except FileNotFoundError:
            continue  # it went meanwhile
        if name.startswith(".draft-") or name.endswith(".parquet"):
            yield Seen(LEFTOVER, file)
        elif not name.endswith(ENDING):
            yield Seen(FOREIGN, file)
        else:
            yield Seen("" if is_sound(entry) else DAMAGED, file)


def _others(there: list[str]) -> Iterator[Seen]:
    """Judge files that belong to no part of a store, and marks of steps that did not end."""
    for file in there:
        room, slash, _ = file.partition("/")
        if room == UNFINISHED:
            yield Seen(LEFTOVER, file)
        elif not (slash and room in _ROOMS) and file != delta.LOCK:
            yield Seen(FOREIGN, file)


def _is_elsewhere(file: str) -> bool:
    return file.partition("/")[0] in _ELSEWHERE

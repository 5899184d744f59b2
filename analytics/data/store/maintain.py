"""Maintain: few large files in the place of many small ones, checksums for all, leftovers away.

No row goes, so that every version and every kept bulletin stays as it is. Whatever is put in the
place of another file is recorded first; what it replaces stays until the next `maintain`, since
whoever reads just now may still need it. Killed at any moment, it leaves a sound store.

On a URL no lock keeps other machines away. There a step counts only where no other came first, and
what nobody needs goes only once it is older than any step under way could be.
"""

from __future__ import annotations

import json
import secrets
import time
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analytics import whole_files
from analytics.data.kept import ENDING, is_sound
from analytics.data.kept import FOLDER as KEPT
from analytics.data.schema import TABLES, cast_to_schema
from analytics.data.store import delta, record, rows
from analytics.data.store.record import MAINTAINED, UNFINISHED, Event, Record
from analytics.data.store.remote import remote_of, sent
from analytics.data.store.verify import LEFTOVER, WITHOUT_SUM, verify_store
from analytics.errors import StoreError
from analytics.whole_files import (
    APART,
    BULLETINS,
    CARD_FILE,
    EVENTS,
    NOTES_FILE,
    NOTES_LOCK,
    PUBLISHED,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from analytics.data.store.store import Store
    from analytics.data.store.verify import Verified

#: Bytes of a table for each file it may have, and seconds after which a draft counts as left.
BYTES_A_FILE, DRAFT_SECONDS = 64_000_000, 86_400
#: Seconds after which no step on a URL is under way: 7 days, as in the Delta library's vacuum.
STEP_SECONDS = 7 * 86_400
_ROWS_AT_ONCE = 100_000
#: How drafts of bulletins and of kept entries begin.
_DRAFT = ".draft-"
#: Where others may be writing just now: `_tidied` removes what is old there, marks go last.
_NOT_OURS = tuple(f"{room}/" for room in (BULLETINS, KEPT, PUBLISHED, UNFINISHED))


@dataclass(frozen=True, slots=True)
class Maintained:
    """What was done: files put together, files that took their place, sums added, files removed.

    `apart`: half-written files that were set apart, each with where it is now.
    """

    n_before: int
    n_after: int
    n_sums: int
    n_removed: int
    apart: tuple[tuple[str, str], ...] = ()


def maintain_store(store: Store, *, progress: Callable[[str], None] = lambda _: None) -> Maintained:
    """Put small files together, add checksums where there are none, and remove what nobody reads.

    Raises
    ------
    MovedOnError
        If another machine wrote a store on a URL meanwhile: nothing counts, and it can be repeated.
    StoreError
        If a file is damaged, missing or foreign: that is to be corrected first.
    """
    path = store.path
    with store.turn(progress):
        progress("reading every file")
        found = verify_store(path)
        apart = () if remote_of(path) else tuple(_set_apart(path, found))
        if apart:
            found = verify_store(path)
        wrong = [one for one in found.seen if one.is_fault and not one.file.startswith(f"{KEPT}/")]
        if wrong:
            raise whole_files.refusal(wrong[0].kind, wrong[0].file)
        may_go = _may_go(path)
        left = {one.file for one in found.seen if one.kind == LEFTOVER and may_go(one.file)}
        n_sums = sum(one.kind == WITHOUT_SUM for one in found.seen)
        delta.hold(path / EVENTS)
        before = record.read_record(path)
        event = Event(len(before.events), "", MAINTAINED, record.now(), {}, (), {}, record.user())
        marks = [f"{UNFINISHED}/{one.name}" for one in (path / UNFINISHED).glob("*")]
        old_marks = [path / one for one in marks if may_go(one)]
        with record.begun(path, event):
            record.write_sums(path)
            if not before.is_whole:
                progress("adding checksums")
                before = _commit(path, event, before, _sealed(path, before))
            # Of the maintenance before this one: whoever read then has ended.
            gone = [one for one in before.replaced if (path / one).exists() and may_go(one)]
            # On a URL another writer's checksums, a moment old, may still name them.
            old_events = [] if remote_of(path) else _old_events(path)
            files = dict(before.files)
            n_before = len([one for name in TABLES for one in before.parquet(name)])
            for name in TABLES:
                if _is_scattered(path, before, name, left):
                    progress(f"putting the files of {name} together")
                    files = _together(path, name, before, files)
            after = _commit(path, event, before, files)
            _seal_bulletins(path)
            record.write_sums(path, without=old_events)
            gone += [f"{EVENTS}/{name}" for name in old_events]
            gone += [
                name for name in left - _counting(path, after) if not name.startswith(_NOT_OURS)
            ]
            n_removed = sum(_removed(path, path / name) for name in gone) + _tidied(path)
            delta.remove(path, *old_marks)
    n_after = len([one for name in TABLES for one in after.parquet(name)])
    return Maintained(n_before, n_after, n_sums, n_removed, apart)


def _set_apart(path: Path, found: Verified) -> Iterator[tuple[str, str]]:
    """Move half-written files, which nothing reads, where they hinder no step; nothing is lost."""
    for file in [one.file for one in found.seen if one.kind == whole_files.HALF_WRITTEN]:
        there = path / APART / f"{file}.{secrets.token_hex(4)}"
        try:
            there.parent.mkdir(parents=True, exist_ok=True)
            (path / file).rename(there)
        except OSError as error:
            raise StoreError(f"{path / file} cannot be set apart: {error}") from error
        yield file, there.relative_to(path).as_posix()


def _may_go(path: Path) -> Callable[[str], bool]:
    """Return what says of a file nobody reads that no other writer can have just made it."""
    remote = remote_of(path)
    if remote is None:
        return lambda name: True  # the lock is held
    return remote.older(STEP_SECONDS).__contains__


def _commit(path: Path, event: Event, before: Record, files: dict[str, str]) -> Record:
    """Write the table of events anew with one more row, which has the checksums of all files."""
    if files == before.files and before.is_whole and len(delta.files_of(path / EVENTS)) < 2:
        return before
    row = record.tied(replace(event, files=files), before)
    table = pa.concat_tables([record.to_row(one) for one in (*before.rows, row)])
    delta.replace(path / EVENTS, table)
    record.write_sums(path)
    delta.hold(path / EVENTS)
    return record.read_record(path)


def _sealed(path: Path, before: Record) -> dict[str, str]:
    """Return the checksums of every file that counts, those of old programs read now."""
    files = dict(before.files)
    for name in TABLES:
        if not delta.is_table(path / name):
            continue
        active = [file.relative_to(path).as_posix() for file in delta.files_of(path / name)]
        logs = [f"{name}/_delta_log/{one}" for one in _logs(path / name)]
        for one in (*active, *logs):
            files.setdefault(one, whole_files.sha256_of(path / one))
    return files


def _logs(table: Path) -> list[str]:
    names = whole_files.files_under(table / "_delta_log")
    return [one for one in names if one[:20].isdigit() and one.endswith((".json", ".parquet"))]


def _is_scattered(path: Path, before: Record, name: str, left: set[str]) -> bool:
    """Whether a table has too many files, or its log names files that a killed step left."""
    files = before.parquet(name)
    if any(one.startswith(f"{name}/") for one in left) and delta.is_table(path / name):
        return True
    n_bytes = sum((path / one).stat().st_size for one in files)
    return len(files) > 1 + n_bytes // BYTES_A_FILE


def _together(path: Path, name: str, before: Record, files: dict[str, str]) -> dict[str, str]:
    """Write the rows of a table anew into few files; return the files that then count."""
    for log, one in before.logs(name).items():
        whole_files.require(path / log, one)
    delta.hold(path / name)
    sources = before.parquet(name)
    for file, one in sources.items():
        whole_files.require(path / file, one)
    known = pa.array([one.batch for one in before.events], pa.string())
    there = whole_files.files_under(path / name)
    schema = rows.stored_schema(TABLES[name])

    def each() -> Iterator[pa.RecordBatch]:
        for file in sources:
            with pq.ParquetFile(path / file) as opened:
                for batch in opened.iter_batches(_ROWS_AT_ONCE, use_threads=False):
                    part = cast_to_schema(pa.Table.from_batches([batch]), schema)
                    yield from part.filter(pc.is_in(part[rows.BATCH], known)).to_batches()

    delta.replace(path / name, pa.RecordBatchReader.from_batches(schema, each()))
    others = {one: sum_ for one, sum_ in files.items() if not one.startswith(f"{name}/")}
    return others | record.written(there, path, name)


def _old_events(path: Path) -> list[str]:
    """Return the files of the table of events that its log no longer needs."""
    folder = path / EVENTS
    known = whole_files.read_sums(folder) or {}
    active = {file.name for file in delta.files_of(folder)}
    checkpoints = [one[:20] for one in _logs(folder) if ".checkpoint." in one]
    last = max(checkpoints, default="")
    return [
        name
        for name in known
        if (name not in active if "/" not in name else name.partition("/")[2][:20] < last)
    ]


def _counting(path: Path, after: Record) -> set[str]:
    """Return the files that count now, some of which a killed step left before they counted."""
    events = whole_files.read_sums(path / EVENTS) or {}
    return {*after.files, f"{EVENTS}/{whole_files.SUMS}", *(f"{EVENTS}/{name}" for name in events)}


def _seal_bulletins(path: Path) -> None:
    """Give kept bulletins of old programs their checksums."""
    for folder in (path / BULLETINS).glob("[!.]*"):
        if not folder.is_dir() or (folder / whole_files.SUMS).exists():
            continue
        names = set(whole_files.files_under(folder)) - {NOTES_FILE, NOTES_LOCK}
        with suppress(OSError):
            if not json.loads((folder / CARD_FILE).read_text()).get("has_sums"):
                whole_files.write_sums(folder, names)
    sent(path, BULLETINS)


def _tidied(path: Path) -> int:
    """Remove entries that are damaged or of old programs, and drafts that no step still writes."""
    drafts = [*(path / KEPT).glob(f"{_DRAFT}*")]
    entries = set((path / KEPT).glob("*")) - set(drafts)
    drafts += [one for one in (path / PUBLISHED).glob("*") if whole_files.file_of_draft(one.name)]
    folders = [one for one in (path / BULLETINS).glob(f"{_DRAFT}*") if _is_old(one)]
    old = [one for one in drafts if _is_old(one)]
    old += [file for folder in folders for file in folder.glob("*")]
    n_removed = sum(_removed(path, one) for one in old)
    for folder in folders:
        with suppress(OSError):
            folder.rmdir()
    for file in entries:
        with suppress(OSError):
            if file.suffix != ENDING or not is_sound(file.read_bytes()):
                n_removed += _removed(path, file)
    return n_removed


def _is_old(draft: Path) -> bool:
    """Return whether a draft is older than any step under way could be."""
    try:
        return draft.stat().st_mtime < time.time() - DRAFT_SECONDS
    except FileNotFoundError:
        return False


def _removed(path: Path, file: Path) -> bool:
    if not file.exists():
        return False
    try:
        delta.remove(path, file)
    except OSError as error:
        raise StoreError(f"{file} cannot be removed: {error}") from error
    return True

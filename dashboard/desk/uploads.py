"""Files on their way in, kept in the store's folder for work under way until they are a batch.

One upload is under way at a time, the same for every window that is open. Files lie under names of
our own, never under the name they came with; the list of corrections lies beside them. Everything
is written whole by a rename, under one lock. The record of an upload is sealed and
holds the checksum of every file beside it: what was damaged meanwhile is named and not read.
"""

from __future__ import annotations

import hashlib
import json
import secrets
import shutil
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from filelock import FileLock, Timeout

from analytics import whole_files
from analytics.data.importing import (
    ENDINGS,
    OUTLINES,
    WORKBOOK,
    Correction,
    from_records,
    table_in,
    to_records,
)
from analytics.data.schema import TABLES
from analytics.errors import BlackmouthError, StoreError, UsageError
from analytics.whole_files import replace_whole

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

OPEN, ACCEPTED, DROPPED = "open", "accepted", "dropped"
READ = (*ENDINGS, WORKBOOK, OUTLINES)
# Bounds of one upload (our choice, no source); `server.maxUploadSize` bounds one file.
MOST_BYTES = 1 << 30
MOST_FILES = 200
#: A longer name is a mistake or a trick; the end says what kind of file it is.
LONGEST_NAME = 120
_RECORD, _FILES, _LOCK = "upload.json", "files", ".lock"
_LOCK_SECONDS = 10.0


class Moved(BlackmouthError):  # noqa: N818 - reads as a sentence
    """Another window or process was first: what was seen is no longer so."""


@dataclass(frozen=True, slots=True)
class Arrival:
    """A file of an upload.

    `name` is the one it came with, made safe to show; `table` the table chosen for it, empty where
    its own name or sheets say it; `place` where it lies in the folder of the upload, empty for a
    file that is no table.
    """

    name: str
    table: str
    place: str
    n_bytes: int

    @property
    def ending(self) -> str:
        """The ending of its name in small letters."""
        return PurePosixPath(self.name).suffix.lower()


@dataclass(frozen=True, slots=True)
class Upload:
    """An upload: its files in the order of their names, and the corrections of their cells.

    `revision` counts its changes; `batch` is the batch it became, `begun_utc` when its first file
    came; `sums` the SHA-256 of each file of it by its path in the upload's folder, but of files
    that an old program took in.
    """

    upload: str
    begun_utc: str
    state: str = OPEN
    revision: int = 0
    files: tuple[Arrival, ...] = ()
    corrections: tuple[Correction, ...] = ()
    batch: str = ""
    sums: Mapping[str, str] = field(default_factory=dict)

    @property
    def n_bytes(self) -> int:
        """Bytes of all files."""
        return sum(one.n_bytes for one in self.files)


class Uploads:
    """The uploads in a folder, which is made by the caller."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def current(self) -> Upload | None:
        """Return the upload under way; None where there is none."""
        return next((one for one in self.every() if one.state == OPEN), None)

    def every(self) -> list[Upload]:
        """Return every upload, the newest first."""
        found = [one for path in self._records() if (one := _read(path)) is not None]
        return sorted(found, key=lambda one: (one.begun_utc, one.upload), reverse=True)

    def damaged(self) -> list[str]:
        """Return the folders of uploads whose record is not as it was written."""
        return [path.parent.name for path in self._records() if path.exists() and not _read(path)]

    def _records(self) -> list[Path]:
        return sorted(self._folder.glob(f"*/{_RECORD}"))

    def of_batch(self, batch: str) -> Upload | None:
        """Return the upload that became a batch; None for a batch that came in otherwise."""
        return next((one for one in self.every() if one.batch == batch), None)

    def path(self, upload: Upload, file: Arrival) -> Path:
        """Return where a file of an upload lies."""
        return self._folder / upload.upload / _FILES / file.place

    def is_whole(self, upload: Upload, file: Arrival) -> bool:
        """Whether a file of an upload is as it came."""
        one = upload.sums.get(f"{_FILES}/{file.place}")
        return one is None or whole_files.fault_of(self.path(upload, file), one) is None

    def beside(self, upload: Upload, name: str) -> Path:
        """Return the path of a file that is kept with an upload, such as its rows set aside."""
        return self._folder / upload.upload / name

    def read_beside(self, upload: Upload, name: str) -> bytes:
        """Return a file that is kept with an upload; a damaged one is refused (`StoreError`)."""
        path = self.beside(upload, name)
        if name in upload.sums:
            whole_files.require(path, upload.sums[name])
        return path.read_bytes()

    def add(self, files: Sequence[tuple[str, bytes]]) -> Upload:
        """Take files into the upload under way, or begin one; a file of the same name is replaced.

        Raises
        ------
        UsageError
            If the upload would be too large, with what is allowed.
        StoreError
            If the files cannot be written.
        """
        with self._writing():
            upload = begun = self.current() or Upload(_new_name(), _now())
            named = {_shown(name): data for name, data in files}
            _require_bounded(upload, named)
            before = self._places(upload)
            try:
                for name, data in named.items():
                    upload = self._with_file(upload, name, data)
                return self._keep(upload)
            except BaseException:
                self._take_back(begun, before)
                raise

    def choose_table(self, upload: Upload, name: str, table: str) -> Upload:
        """Say which table a file holds; empty takes the choice back."""
        with self._writing():
            upload = self._again(upload)
            file = next(one for one in upload.files if one.name == name)
            place = _place(file.name, table, PurePosixPath(file.place).parts[0])
            self.path(upload, file).rename(self._folder / upload.upload / _FILES / place)
            chosen = replace(file, table=table, place=place)
            files = tuple(chosen if one.name == name else one for one in upload.files)
            before, after = f"{_FILES}/{file.place}", f"{_FILES}/{place}"
            sums = {after if at == before else at: one for at, one in upload.sums.items()}
            return self._keep(replace(upload, files=files, sums=sums))

    def leave_out(self, upload: Upload, name: str) -> Upload:
        """Take a file out of an upload; its corrections stay in case it comes again."""
        with self._writing():
            upload = self._again(upload)
            files = tuple(one for one in upload.files if one.name != name)
            return self._keep(replace(upload, files=files))

    def correct(self, upload: Upload, made: Correction) -> Upload:
        """Add a correction of a cell.

        Raises
        ------
        Moved
            If another window corrected the same cell since this one showed it; both texts are
            named.
        """
        with self._writing():
            now = self._again(upload)
            written = {(c.file, c.row, c.column): c.new for c in upload.corrections}
            theirs = {(c.file, c.row, c.column): c.new for c in now.corrections}
            key = (made.file, made.row, made.column)
            if theirs.get(key) != written.get(key):
                raise Moved(
                    f"row {made.row}, {made.column or 'the line'}: another window has written "
                    f"{theirs.get(key, made.old)!r} there meanwhile; yours was {made.new!r} and is "
                    "not taken - write it again if it is the right one"
                )
            return self._keep(replace(now, corrections=(*now.corrections, made)))

    def undo_correction(self, upload: Upload) -> Upload:
        """Take the newest correction back."""
        with self._writing():
            upload = self._again(upload)
            return self._keep(replace(upload, corrections=upload.corrections[:-1]))

    def drop(self, upload: Upload) -> Upload:
        """Put an upload away: nothing of it is stored, and it can be taken up again."""
        with self._writing():
            return self._keep(replace(self._again(upload), state=DROPPED))

    def take_up(self, upload: Upload) -> Upload:
        """Make an upload that was dropped the one under way."""
        with self._writing():
            if self.current() is not None:
                raise Moved("another upload is under way: accept or drop it first")
            return self._keep(replace(self._again(upload, state=DROPPED), state=OPEN))

    def delete_dropped(self) -> int:
        """Delete the uploads that were dropped, for good; return how many."""
        with self._writing():
            gone = [one for one in self.every() if one.state == DROPPED]
            for one in gone:
                shutil.rmtree(self._folder / one.upload)
            return len(gone)

    @contextmanager
    def accepting(self, upload: Upload) -> Iterator[list[str]]:
        """Hold an upload while it is stored; the batch appended to the list is kept with it.

        Raises
        ------
        Moved
            If it changed or was accepted since it was checked.
        """
        with self._writing():
            now = self._again(upload)
            if now.revision != upload.revision:
                raise Moved("another window changed the upload; it was checked again")
            batch: list[str] = []
            yield batch
            if batch:
                names = [one.name for one in self._folder.glob(f"{upload.upload}/*.csv")]
                beside = {name: whole_files.sha256_of(self.beside(upload, name)) for name in names}
                sums = {**now.sums, **beside}
                self._keep(replace(now, state=ACCEPTED, batch=batch[0], sums=sums))

    def write(self, upload: Upload, name: str, text: str) -> None:
        """Keep a text beside an upload."""
        _write_whole(self.beside(upload, name), text.encode())

    def _with_file(self, upload: Upload, name: str, data: bytes) -> Upload:
        others = tuple(one for one in upload.files if one.name != name)
        before = next((one for one in upload.files if one.name == name), None)
        table = before.table if before else ""
        folder = self._folder / upload.upload / _FILES
        folder.mkdir(parents=True, exist_ok=True)
        place = _place(name, table, f"{1 + sum(1 for _ in folder.iterdir()):05d}")
        _write_whole(folder / place, data)
        files = (*others, Arrival(name, table, place, len(data)))
        sums = {**upload.sums, f"{_FILES}/{place}": hashlib.sha256(data).hexdigest()}
        return replace(upload, files=tuple(sorted(files, key=lambda one: one.name)), sums=sums)

    def _take_back(self, begun: Upload, before: set[Path]) -> None:
        """Remove what came of files that could not be taken, and an upload begun with them."""
        for place in self._places(begun) - before:
            shutil.rmtree(place, ignore_errors=True)
        if begun.revision == 0:
            shutil.rmtree(self._folder / begun.upload, ignore_errors=True)

    def _places(self, upload: Upload) -> set[Path]:
        return set((self._folder / upload.upload / _FILES).glob("*"))

    def _again(self, upload: Upload, *, state: str = OPEN) -> Upload:
        """Return an upload as it is now; one in another state is `Moved`."""
        now = _read(self._folder / upload.upload / _RECORD)
        if now is None or now.state != state:
            became = now.state if now else "deleted"
            batch = f" as batch {now.batch}" if now and now.batch else ""
            raise Moved(f"the upload was {became}{batch} in another window meanwhile")
        return now

    def _keep(self, upload: Upload) -> Upload:
        kept = replace(upload, revision=upload.revision + 1)
        record: dict[str, Any] = asdict(kept) | {"corrections": to_records(kept.corrections)}
        text = json.dumps(record, ensure_ascii=False, indent=1)
        _write_whole(self._folder / upload.upload / _RECORD, whole_files.sealed(text))
        return kept

    @contextmanager
    def _writing(self) -> Iterator[None]:
        try:
            with FileLock(self._folder / _LOCK, timeout=_LOCK_SECONDS):
                yield
        except Timeout as error:
            raise StoreError("another window is writing the upload; try again") from error
        except OSError as error:
            raise StoreError(
                f"the upload cannot be kept: {error.strerror or error}; make room on the disk or "
                "look at the rights of the store's folder, then try again"
            ) from error


def _require_bounded(upload: Upload, coming: Mapping[str, bytes]) -> None:
    """Refuse files that would make an upload too large, before anything of them is written."""
    sizes = {one.name: one.n_bytes for one in upload.files}
    sizes |= {name: len(data) for name, data in coming.items()}
    n_bytes = sum(sizes.values())
    if n_bytes > MOST_BYTES or len(sizes) > MOST_FILES:
        raise UsageError(
            f"{len(sizes):,} files of {n_bytes >> 20:,} MB together; allowed in one upload: "
            f"{MOST_FILES} files of {MOST_BYTES >> 20:,} MB - take them in parts"
        )


def table_of(file: Arrival) -> str:
    """Return the table that a file's own name or a choice says; empty where neither does."""
    return file.table or table_in(PurePosixPath(file.name))


def _shown(name: str) -> str:
    """Return a name without what leads elsewhere or cannot be seen, its folders kept."""
    visible = "".join(one if one.isprintable() else "_" for one in name.replace("\\", "/"))
    parts = [one for one in visible.split("/") if one.strip(". ") and not one.endswith(":")]
    whole = "/".join(parts) or "unnamed"
    if len(whole) <= LONGEST_NAME:
        return whole
    suffix = PurePosixPath(whole).suffix[:16]
    return whole[: LONGEST_NAME - len(suffix) - 1] + "…" + suffix


def _place(name: str, table: str, folder: str) -> str:
    """Return where a file lies: under the name of its table, in a folder of its own."""
    ending = PurePosixPath(name).suffix.lower()
    if ending == OUTLINES:
        return f"{folder}/areas{OUTLINES}"
    stem = table or PurePosixPath(name).stem
    known = stem if stem in TABLES else "unknown"
    return f"{folder}/{known}{ending if ending in READ else '.other'}"


def _read(path: Path) -> Upload | None:
    try:
        record = json.loads(whole_files.read_sealed(path))
        files = tuple(Arrival(**one) for one in record.pop("files"))
        corrections = tuple(from_records(record.pop("corrections")))
        return Upload(**record, files=files, corrections=corrections)
    except (OSError, ValueError, TypeError, KeyError, StoreError):
        return None


def _write_whole(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    replace_whole(path, data)


def _new_name() -> str:
    return f"{datetime.now(UTC):%Y%m%dT%H%M%S}-{secrets.token_hex(3)}"


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")

"""Files of a store: their names, files that are there whole or not at all, and their checksums.

SHA-256 checksums show files unchanged. Those of a folder stand in its file `SUMS` as ``sha256sum``
writes and checks them. A small file that is written again and again, such as a draft, has its own
in its first line: it is sealed.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
import secrets
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from analytics.codes import coded, sentences
from analytics.errors import NotAStoreError, StoreError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping


#: Table of the events, and folder of the log of each table.
EVENTS, DELTA_LOG = "_batches", "_delta_log"
#: Folder for half-written files that `maintain` set apart; nothing reads it.
APART = "_apart"
#: Folder for work under way, which no estimate reads; its parts are uploads, drafts and tables.
DESK = "desk"
#: Folder of kept bulletins, each in a folder of its own: its card, and notes that are added later.
BULLETINS = "bulletins"
CARD_FILE, NOTES_FILE, NOTES_LOCK = "bulletin.json", "notes.jsonl", ".notes.lock"
#: Folder of what went out to the public.
PUBLISHED = "published"
#: Key of a sealed record of the desk: the SHA-256 of files that lie beside it, by their paths.
BESIDE = "sums"


#: What the system says where a disk, or what a user may have of it, is full.
FULL = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
#: What to do then.
MAKE_ROOM = "; make room there and try again"
_READ_ONLY = frozenset({errno.EROFS, errno.EACCES, errno.EPERM})
_DRAFT_BYTES = 4
_DRAFT = re.compile(rf"(.+)\.[0-9a-f]{{{2 * _DRAFT_BYTES}}}\.tmp", re.DOTALL)


def replace_whole(path: Path, data: bytes) -> None:
    """Write a file under another name beside it, then rename it; of a failure nothing is left."""
    draft = path.with_name(f"{path.name}.{secrets.token_hex(_DRAFT_BYTES)}.tmp")
    try:
        with draft.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)


def file_of_draft(name: str) -> str:
    """Return the name of the file that a draft by `replace_whole` is of; empty if it is none."""
    found = _DRAFT.fullmatch(name)
    return found[1] if found else ""


def require_writable(folder: Path) -> None:
    """Refuse a store, or a folder in it, that this user may read and not write (`NotAStoreError`).

    One that is not there yet is asked of the folder that it would be made in.
    """
    path = folder.absolute()
    there = next(one for one in (path, *path.parents) if one.exists())
    why = None if os.access(there, os.W_OK | os.X_OK) else errno.EACCES
    if hasattr(os, "statvfs") and os.statvfs(there).f_flag & os.ST_RDONLY:
        why = errno.EROFS
    if why:
        raise _not_writable(there, os.strerror(why))


@contextmanager
def writing_allowed(store: Path) -> Iterator[None]:
    """Refuse a store that may be read and not written (`NotAStoreError`) when a step meets that."""
    try:
        yield
    except OSError as error:
        if error.errno not in _READ_ONLY:
            raise
        raise _not_writable(store, error.strerror) from error


def _not_writable(store: Path, why: str | None) -> NotAStoreError:
    return NotAStoreError(sentences(coded("store_read_only", place=str(store), why=why or "")))


#: File of a folder that holds the checksums of its other files.
SUMS = "SHA256SUMS"
DAMAGED, MISSING, FOREIGN = "file_damaged", "file_missing", "file_foreign"
#: A file that no step recorded and that cannot be read to its end.
HALF_WRITTEN = "file_half_written"
_SEAL = b"# sha256 "


def sha256_of(file: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal digits."""
    with file.open("rb") as opened:
        return hashlib.file_digest(opened, "sha256").hexdigest()


def digits_of(data: bytes) -> str:
    """Return digits of a content's SHA-256 for a file's name, which then tells whether it holds."""
    return hashlib.sha256(data).hexdigest()[:16]


def fault_of(file: Path, expected: str | None) -> str | None:
    """Return what is wrong with a file, `DAMAGED` or `MISSING`; None where it is as it was written.

    A process reads a file once for this, and again where its size, time or inode changed.
    """
    try:
        seen = file.stat()
        found = _remembered(str(file), seen.st_size, seen.st_mtime_ns, seen.st_ino)
    except FileNotFoundError:
        return MISSING
    except OSError:
        return DAMAGED
    return None if found == expected else DAMAGED


@lru_cache(maxsize=65536)
def _remembered(file: str, size: int, mtime_ns: int, inode: int) -> str:
    return sha256_of(Path(file))


def forget() -> None:
    """Read every file again at its next use, also one that looks as it did."""
    _remembered.cache_clear()


def refusal(kind: str, file: Path | str, **given: int) -> StoreError:
    """Return the error that names a file which is not as it was written."""
    return StoreError(sentences(coded(kind, file=str(file), **given)))


def require(file: Path, expected: str | None) -> None:
    """Refuse (`StoreError`) a file that is missing or not as it was written."""
    if kind := fault_of(file, expected):
        raise refusal(kind, file)


def files_under(folder: Path) -> list[str]:
    """Return every file under a folder, by its path in there with ``/``; none where none is."""
    found = []
    for root, _, names in os.walk(folder):
        inside = Path(root).relative_to(folder)
        found += [(inside / name).as_posix() for name in names]
    return sorted(found)


def sums_text(sums: Mapping[str, str]) -> str:
    """Return checksums by file as ``sha256sum`` writes them, and as a comment that of the lines."""
    lines = "".join(_line_of(name, one) for name, one in sorted(sums.items()))
    return f"{lines}# {_seal_of(lines.encode()).decode()}"


def _line_of(name: str, digits: str) -> str:
    return f"{digits}  {name}\n"


def _seal_of(lines: bytes) -> bytes:
    return f"{hashlib.sha256(lines).hexdigest()}\n".encode("ascii")


def read_sums(folder: Path) -> dict[str, str] | None:
    """Return the checksums of a folder's files; None where it keeps none.

    A file of them that was not written by `write_sums` is refused (`StoreError`).
    """
    lines = _lines_of_sums(folder)
    if lines is None:
        return None
    try:
        pairs = [line.split("  ", 1) for line in lines.decode("ascii").splitlines()]
        return {name: one for one, name in pairs}
    except ValueError as error:  # sealed, but no list of checksums
        raise refusal(DAMAGED, folder / SUMS) from error


def _lines_of_sums(folder: Path) -> bytes | None:
    path = folder / SUMS
    try:
        lines, _, seal = path.read_bytes().rpartition(b"# ")
    except FileNotFoundError:
        return None
    except OSError as error:
        raise refusal(DAMAGED, path) from error
    if seal != _seal_of(lines):
        raise refusal(DAMAGED, path)
    return lines


def read(file: Path) -> tuple[bytes, bool]:
    """Return a file's bytes, and whether its folder keeps checksums, by which it is checked.

    One that is missing or not as it was written is refused (`StoreError`). What is returned is
    what was checked: of a small file this takes a third of the time of `read_sums` and `require`.
    """
    lines = _lines_of_sums(file.parent)
    try:
        data = file.read_bytes()
    except OSError as error:
        is_missing = lines is not None and isinstance(error, FileNotFoundError)
        raise refusal(MISSING if is_missing else DAMAGED, file) from error
    if lines is None:
        return data, False
    if f"\n{_line_of(file.name, hashlib.sha256(data).hexdigest())}".encode() not in b"\n" + lines:
        raise refusal(DAMAGED, file)
    return data, True


def write_sums(folder: Path, names: Iterable[str], known: Mapping[str, str] | None = None) -> None:
    """Write the checksums of some files of a folder; those `known` are taken as they are."""
    sums = {name: (known or {}).get(name) or sha256_of(folder / name) for name in names}
    replace_whole(folder / SUMS, sums_text(sums).encode("ascii"))


def sealed(text: str) -> bytes:
    """Return the content of a sealed file: JSON, under a line with its SHA-256."""
    data = text.encode()
    return _SEAL + hashlib.sha256(data).hexdigest().encode() + b"\n" + data


def read_sealed(file: Path) -> str:
    """Return the text of a sealed file; of an old program, which sealed none, as it is.

    One that is damaged is refused (`StoreError`); a missing one is a `FileNotFoundError`.
    """
    try:
        data = file.read_bytes()
        text = data.partition(b"\n")[2].decode() if data.startswith(_SEAL) else data.decode()
    except FileNotFoundError:
        raise
    except (OSError, UnicodeDecodeError) as error:
        raise refusal(DAMAGED, file) from error
    # No single changed bit makes an unsealed file of a sealed one: that begins as JSON does.
    if sealed(text) != data and not data.startswith(b"{"):
        raise refusal(DAMAGED, file)
    return text

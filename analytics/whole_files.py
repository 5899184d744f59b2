"""A file that is there whole or not at all, and the words for where none may be written."""

from __future__ import annotations

import errno
import os
import re
import secrets
from contextlib import contextmanager
from typing import TYPE_CHECKING

from analytics.codes import coded, sentences
from analytics.errors import NotAStoreError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

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


def may_write(folder: Path) -> bool:
    """Whether files may be made in a folder, or in the one it would be made in."""
    path = folder.absolute()
    there = next(one for one in (path, *path.parents) if one.exists())
    return there.is_dir() and os.access(there, os.W_OK | os.X_OK)


def require_writable(store: Path) -> None:
    """Refuse a store (`NotAStoreError`) that this user may read and not write."""
    if not may_write(store):
        raise _not_writable(store, os.strerror(errno.EACCES))


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

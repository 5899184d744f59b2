"""Drafts: work under way in plain files, written whole, and never over what another tab wrote."""

from __future__ import annotations

import json
import re
import secrets
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from filelock import FileLock, Timeout

from analytics import whole_files
from analytics.errors import BlackmouthError, StoreError
from analytics.whole_files import replace_whole
from dashboard.catalogue import phrase, say

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

_NAME = re.compile(r"[0-9a-f]{12}")
_LOCK = ".lock"
_BY = "by"
_LOCK_SECONDS = 10
#: What pages say of a draft that is kept, and of a file that cannot be read.
KEPT = phrase("Kept as a draft at {time} UTC. You may close the browser and go on later.")
DAMAGED = phrase("The draft file {file} is damaged; it is left as it is.")


class DraftChanged(BlackmouthError):  # noqa: N818 - reads as a sentence
    """A draft was changed or removed elsewhere since it was read; nothing was written.

    Parameters
    ----------
    current : Draft or None
        As it stands now; None where it is gone.
    """

    def __init__(self, current: Draft | None) -> None:
        super().__init__("the draft was changed elsewhere")
        self.current = current


@dataclass(frozen=True, slots=True)
class Draft:
    """What was keyed so far; `revision` counts how often it was saved, `saved_utc` says when."""

    name: str
    revision: int
    saved_utc: str
    content: Mapping[str, Any]

    @property
    def by_words(self) -> str:
        """Return `` by NAME`` of who kept it last; empty where nobody logs in."""
        name = self.content.get(_BY)
        return say(" by {who}", who=name) if isinstance(name, str) and name else ""


def by(name: str | None) -> dict[str, str]:
    """Return what a draft holds of who kept it last."""
    return {_BY: name} if name else {}


def new_name() -> str:
    """Return a name that no draft has."""
    return secrets.token_hex(6)


def save(folder: Path, name: str, content: Mapping[str, Any], *, revision: int) -> Draft:
    """Write a draft whole and return it; `revision` is the one that was read, 0 for a new draft.

    Raises
    ------
    DraftChanged
        If it was written, or removed, elsewhere since then.
    StoreError
        If it cannot be written.
    """
    path = _path(folder, name)
    try:
        with FileLock(folder / _LOCK, timeout=_LOCK_SECONDS):
            current = load(folder, name) if path.exists() else None
            if (current.revision if current else 0) != revision:
                raise DraftChanged(current)
            now = datetime.now(UTC).isoformat(timespec="seconds")
            draft = Draft(name, revision + 1, now, content)
            text = json.dumps(asdict(draft), ensure_ascii=False)
            replace_whole(path, whole_files.sealed(text))
    except (OSError, Timeout) as error:
        why = getattr(error, "strerror", None) or say("another program holds the folder")
        raise StoreError(
            say(
                "the draft could not be kept in {folder}: {why}; what you typed is still on this "
                "page: free space or allow writing, then change any cell",
                folder=folder,
                why=why,
            )
        ) from error
    return draft


def load(folder: Path, name: str) -> Draft:
    """Return a draft; `StoreError` where there is none or it cannot be read."""
    path = _path(folder, name)
    try:
        found = json.loads(whole_files.read_sealed(path))
        return Draft(name, int(found["revision"]), str(found["saved_utc"]), dict(found["content"]))
    except FileNotFoundError as error:
        raise StoreError(
            say(
                "there is no draft {draft}: it was stored or dropped; begin a new form, or choose "
                "another draft",
                draft=name,
            )
        ) from error
    except (OSError, ValueError, KeyError, TypeError, StoreError) as error:
        raise StoreError(
            say(
                "the draft {file} is damaged; it is left as it is: open it in a text editor to see "
                "what was typed, then delete it",
                file=path,
            )
        ) from error


def is_there(folder: Path, name: str) -> bool:
    """Whether there is a draft of this name; `StoreError` where it cannot be a name."""
    return _path(folder, name).exists()


def listed(folder: Path) -> tuple[list[Draft], list[str]]:
    """Return the drafts of a folder, the newest first, and the names of those unreadable."""
    found, unreadable = [], []
    for path in sorted(folder.glob("*.json")):
        if not _NAME.fullmatch(path.stem):
            continue
        try:
            found.append(load(folder, path.stem))
        except StoreError:
            if path.exists():
                unreadable.append(path.name)
    return sorted(found, key=lambda draft: draft.saved_utc, reverse=True), unreadable


def remove(folder: Path, name: str, *, revision: int) -> None:
    """Remove a draft that nobody changed since; `DraftChanged` where somebody did."""
    path = _path(folder, name)
    try:
        with FileLock(folder / _LOCK, timeout=_LOCK_SECONDS):
            if not path.exists():
                return
            current = load(folder, name)
            if current.revision != revision:
                raise DraftChanged(current)
            path.unlink()
    except (OSError, Timeout) as error:
        words = phrase("the draft {file} could not be removed: {error}")
        raise StoreError(say(words, file=path, error=error)) from error


def _path(folder: Path, name: str) -> Path:
    """Return the file of a draft; a name from a link that is none must not leave the folder."""
    if not _NAME.fullmatch(name):
        raise StoreError(
            say("the link names no draft; begin a new form, or choose a draft from the list")
        )
    return folder / f"{name}.json"

"""The analyst's notes on a bulletin: each version stays, the last one is shown."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from filelock import FileLock

from analytics import whole_files
from analytics.errors import StoreError, UsageError
from analytics.whole_files import CARD_FILE, NOTES_FILE, NOTES_LOCK, replace_whole, writing_allowed

#: A note is read in a minute; a longer text is a report of its own (our choice, no source).
LONGEST = 2000
_WAIT_SECONDS = 10.0


@dataclass(frozen=True, slots=True)
class Note:
    """One version of the note: plain text, who wrote it (may be empty), an ISO 8601 instant."""

    text: str
    author: str
    at_utc: str


def notes(archive: Path | str, bulletin: str) -> list[Note]:
    """Return every version of the note of a bulletin, oldest first; none where none was written.

    Raises
    ------
    StoreError
        If the file of them is not as it was written. A note stands beside the figures: who shows
        both shows the figures without it, and says so.
    """
    file = Path(archive) / bulletin / NOTES_FILE
    try:
        return [
            Note(**json.loads(line)) for line in whole_files.read_sealed(file).split("\n") if line
        ]
    except FileNotFoundError:
        return []
    except (ValueError, TypeError) as error:
        raise whole_files.refusal(whole_files.DAMAGED, file) from error


def last_note(archive: Path | str, bulletin: str) -> Note | None:
    """Return the newest version of the note of a bulletin, None where none was written.

    Raises `StoreError` as `notes` does.
    """
    return next(reversed(notes(archive, bulletin)), None)


def add_note(archive: Path | str, bulletin: str, text: str, *, author: str = "") -> Note:
    """Keep a note as the newest version and return it; the same words again change nothing.

    An empty text takes the note back: earlier versions stay.

    Raises
    ------
    UsageError
        If there is no such bulletin, or the text is too long.
    StoreError
        If the note cannot be written, or the earlier ones are damaged.
    """
    folder = Path(archive) / bulletin
    if not (folder / CARD_FILE).is_file():
        raise UsageError(f"no bulletin {bulletin!r} in the archive; choose one that is there")
    words = text.strip()
    if len(words) > LONGEST:
        raise UsageError(f"a note of {len(words):,} characters; allowed: {LONGEST:,}; shorten it")
    try:
        with writing_allowed(folder), FileLock(folder / NOTES_LOCK, timeout=_WAIT_SECONDS):
            before = notes(archive, bulletin)
            if before and (before[-1].text, before[-1].author) == (words, author.strip()):
                return before[-1]
            now = datetime.now(UTC).isoformat(timespec="seconds")
            note = Note(words, author.strip(), now)
            lines = [json.dumps(asdict(one), ensure_ascii=False) for one in (*before, note)]
            from analytics.data.store import sent  # noqa: PLC0415 - readers need no store

            replace_whole(folder / NOTES_FILE, whole_files.sealed("\n".join(lines) + "\n"))
            sent(folder.parent.parent, folder.parent.name)
    except (OSError, TimeoutError) as error:
        raise StoreError(f"the note on {bulletin} cannot be kept: {error}") from error
    return note

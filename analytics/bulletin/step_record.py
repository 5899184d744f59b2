"""The record of a bulletin being made: its steps as lines of a file, for whoever waits for it.

One process makes and writes, any number read. Whoever makes holds a lock beside the file, which the
system lets go when the process ends, however it ends.
"""

from __future__ import annotations

import json
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from filelock import FileLock, Timeout

from analytics.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

#: What a record may end with: the bulletin that was made.
MADE = "made"
STEP = "step"
#: Whoever asks whether a lock is held holds it for a moment: so long is waited before it counts.
MOMENT_SECONDS = 0.2
_POLL_SECONDS = 0.01


@dataclass(frozen=True, slots=True)
class Step:
    """One line of a record: an ISO 8601 instant, ``step`` or ``made``, words or the bulletin."""

    at_utc: str
    kind: str
    words: str

    @property
    def at(self) -> datetime:
        """The instant."""
        return datetime.fromisoformat(self.at_utc)


@dataclass(frozen=True, slots=True)
class StepRecord:
    """What a record says: its steps, oldest first, and whether a process is writing it."""

    steps: tuple[Step, ...]
    is_running: bool

    @property
    def bulletin(self) -> str | None:
        """The bulletin that was made, None as long as there is none."""
        return next((one.words for one in self.steps if one.kind == MADE), None)

    @property
    def seconds(self) -> tuple[float, ...]:
        """Seconds from the first step to each."""
        return tuple((one.at - self.steps[0].at).total_seconds() for one in self.steps)


def read_record(path: Path) -> StepRecord:
    """Return what a record says; without a file, nothing was started.

    A line that is being written is not read yet.
    """
    steps = []
    is_running = is_held(_lock_of(path))  # first: what ends meanwhile has all its lines
    try:
        lines = path.read_text("utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        lines = []
    for line in lines:
        try:
            steps.append(Step(**json.loads(line)))
        except (ValueError, TypeError):
            break
    return StepRecord(tuple(steps), is_running)


@contextmanager
def recording(path: Path) -> Iterator[Callable[[str, str], None]]:
    """Begin a record anew and give a function that adds a line: its kind and its words.

    Raises
    ------
    UsageError
        If another process is writing it.
    """
    lock = FileLock(_lock_of(path))
    try:
        lock.acquire(timeout=5 * MOMENT_SECONDS, poll_interval=_POLL_SECONDS)
    except Timeout:
        raise UsageError(
            f"another process is making a bulletin and writes its steps to {path}; wait for its end"
        ) from None
    try:
        with path.open("w", encoding="utf-8") as file:

            def add(kind: str, words: str) -> None:
                now = datetime.now(UTC).isoformat(timespec="milliseconds")
                file.write(json.dumps(asdict(Step(now, kind, words))) + "\n")
                file.flush()

            yield add
    finally:
        lock.release()


def is_held(lock: Path) -> bool:
    """Return whether a process holds a lock; one that was never taken is not held."""
    if not lock.exists():
        return False
    try:
        with FileLock(lock).acquire(timeout=MOMENT_SECONDS, poll_interval=_POLL_SECONDS):
            return False
    except Timeout:
        return True
    except OSError:
        return False


def _lock_of(path: Path) -> Path:
    return path.with_name(f".{path.name}.lock")

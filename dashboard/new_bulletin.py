"""Making a bulletin from the pages: what the store holds beside it, and its command in a process.

The process outlives the page that started it.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from filelock import FileLock, Timeout

from analytics.bulletin.step_record import MOMENT_SECONDS, StepRecord, is_held, read_record
from analytics.catch_limits import join_words
from analytics.data import query
from analytics.errors import StoreError, UsageError
from analytics.weeks import week_of
from analytics.wording import numbers
from dashboard.catalogue import say, say_n
from dashboard.revisions.moves import batch_name

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from analytics.bulletin.archive import BulletinMetadata
    from analytics.data.store import Batch, Store


#: Days with a boat count or with an interview of its own; no interview is loaded for them.
_SAMPLED = """
SELECT date FROM site_days WHERE boats_returned IS NOT NULL
UNION SELECT date FROM interviews WHERE sample_id IS NULL AND date IS NOT NULL
"""


@dataclass(frozen=True, slots=True)
class StoreState:
    """A store at its newest version.

    `weeks` holds, for every season with a site-day whose boats were counted or with an interview of
    its own, oldest first, the weeks with such rows, newest first; `batches` all that came in,
    oldest first.
    """

    version: int
    weeks: Mapping[str, tuple[str, ...]]
    batches: tuple[Batch, ...]

    @property
    def seasons(self) -> tuple[str, ...]:
        """The seasons with data, newest first."""
        return tuple(self.weeks)[::-1]


def read_state(store: Store) -> StoreState:
    """Return what a store holds; nothing where it does not exist yet."""
    if not store.exists:
        return StoreState(0, {}, ())
    snapshot = store.snapshot()
    tables = {"site_days": snapshot["site_days"], "interviews": snapshot.source("interviews")}
    dates = set(query.run(_SAMPLED, tables)["date"].to_pylist())
    openings = snapshot["seasons"].select(["season", "open_date", "close_date"])
    weeks: dict[str, set[str]] = {}
    for row in sorted(openings.to_pylist(), key=lambda row: row["open_date"]):
        inside = {day for day in dates if row["open_date"] <= day <= row["close_date"]}
        weeks.setdefault(row["season"], set()).update(week_of(day) for day in inside)
    sampled = {
        season: tuple(sorted(found, reverse=True)) for season, found in weeks.items() if found
    }
    return StoreState(snapshot.version, sampled, tuple(store.batches()))


def standing_words(state: StoreState, cards: Sequence[BulletinMetadata], season: str) -> str:
    """Return where a season stands: its newest bulletin, and what came in since (Markdown)."""
    mine = [card for card in cards if card.season == season]
    last = state.weeks[season][0]
    name = numbers.plain(season)
    if not mine:
        return say(
            "Season {season} has data through week {week} and **no bulletin yet**: make the first "
            "one.",
            season=name,
            week=_week(last),
        )
    newest = max(mine, key=lambda card: (card.version, card.through))
    shown = say(
        "The newest bulletin of season {season} covers the weeks through {week}",
        season=name,
        week=_week(newest.through),
    )
    changes = state.version - newest.version
    if not changes and last == newest.through:
        return say(
            "{newest} and holds all that the store has: **nothing new came in since**.",
            newest=shown,
        )
    if not changes:
        return say(
            "{newest}; the store has the same data, sampled through week {week}.",
            newest=shown,
            week=_week(last),
        )
    since = [
        batch
        for batch in state.batches
        if batch.version > newest.version or (batch.withdrawn_version or 0) > newest.version
    ]
    named = join_words([batch_words(batch) for batch in since])
    came = say_n(
        changes,
        "Since then **{n} change of the data** has come in",
        "Since then **{n} changes of the data** have come in",
    )
    came += f": {named}." if named else "."
    sampled = say("The store is sampled through week {week}.", week=_week(last))
    return f"{shown}. {came} {sampled}"


def batch_words(batch: Batch) -> str:
    """Return a batch by its name, or what was taken out again (Markdown)."""
    words = numbers.plain(batch_name(batch.batch, batch.sources))
    return say("{batch}, withdrawn", batch=words) if batch.withdrawn_version else words


def _week(week: str) -> str:
    return f"{week} ({numbers.week_dates(week)})"


STEPS, BEFORE, ERRORS = "steps.jsonl", "steps_before.jsonl", "errors.txt"
#: Who asked for the last one.
ASKED = "asked_by.txt"
_LOCK = ".start.lock"
#: Until the process has begun its record; its libraries are imported first.
_START_SECONDS = 60.0
#: How much of an error is shown.
_LONGEST = 2000
#: The process started here last, by its folder: what went wrong is written once the record has
#: ended, and the process ends after both.
_CHILDREN: dict[Path, subprocess.Popen[bytes]] = {}


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a bulletin is: its record, the part done (0 to 1, None unknown) and any error.

    `is_busy`: it is being made, or its process is about to begin or to end. `who` is the login name
    of who asked for it, empty where nobody logs in.
    """

    record: StepRecord
    part: float | None
    error: str
    is_busy: bool
    who: str

    @property
    def has_failed(self) -> bool:
        """Whether a process began and ended without a bulletin."""
        began = bool(self.record.steps or self.error)
        return began and not self.is_busy and self.record.bulletin is None


def start(
    folder: Path, store: Path, options: Sequence[str] = (), *, who: str | None = None
) -> None:
    """Start the command ``bulletin`` on a store and return once it has begun.

    `folder` takes its record, one bulletin at a time; `options` are those of the command, `who` the
    login name of who asks for it.

    Raises
    ------
    UsageError
        If a bulletin is being made already.
    StoreError
        If the process cannot be started.
    """
    try:
        with FileLock(folder / _LOCK, timeout=5 * MOMENT_SECONDS):
            _start(folder, store, options, who)
    except Timeout:
        raise UsageError("a bulletin is being started already; wait for it") from None


def _start(folder: Path, store: Path, options: Sequence[str], who: str | None) -> None:
    steps = folder / STEPS
    last = read_record(steps)
    if last.is_running:
        raise UsageError("a bulletin is being made already; the next can start when it is done")
    if last.bulletin:
        shutil.copyfile(steps, folder / BEFORE)
    steps.unlink(missing_ok=True)
    (folder / ASKED).write_text(who or "", "utf-8")
    command = [sys.executable, "-m", "analytics.cli", "bulletin", "--store", str(store)]
    command += ["--steps", str(steps), *options]
    with (folder / ERRORS).open("wb") as errors:
        try:
            child = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=errors,
                start_new_session=True,
            )
        except OSError as error:
            raise StoreError(f"the bulletin cannot be started: {error}") from error
    _CHILDREN[folder] = child
    until = time.monotonic() + _START_SECONDS
    while child.poll() is None and time.monotonic() < until:
        if read_record(steps).steps:
            return
        time.sleep(0.05)


def progress(folder: Path) -> Progress:
    """Return how far the last bulletin that was started is."""
    child = _CHILDREN.get(folder)
    is_there = child is not None and child.poll() is None  # before its record and its words
    is_starting = is_held(folder / _LOCK)
    record = read_record(folder / STEPS)
    is_busy = is_there or is_starting or record.is_running
    error = ""
    if not is_busy and record.bulletin is None:
        error = _error_words(folder / ERRORS)
        if record.steps and not error:
            error = "its process was ended from outside; start it again"
    part = _part(record, read_record(folder / BEFORE))
    return Progress(record, part, error, is_busy, _text(folder / ASKED))


def _part(record: StepRecord, before: StepRecord) -> float | None:
    """Return the part done: the time at which the bulletin before had begun the same step."""
    if record.bulletin:
        return 1.0
    if not record.steps or not before.steps or not before.seconds[-1]:
        return None
    here = record.steps[-1].words
    times = [
        seconds
        for step, seconds in zip(before.steps, before.seconds, strict=True)
        if step.words == here
    ]
    return times[0] / before.seconds[-1] if times else None


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8", errors="replace").strip()[-_LONGEST:]
    except OSError:
        return ""


def _error_words(path: Path) -> str:
    words = _text(path)
    if "Traceback" in words:  # a fault of the program: its trace helps those who correct it
        return f"the program failed; what it wrote is in {path}"
    return words

"""The history of a store: what came in, what was taken out, and which batches show when."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics.errors import UsageError
from analytics.result_table import texts

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

IMPORTED = "imported"
WITHDRAWN = "withdrawn"
RESTORED = "restored"
#: No step of the version: files were put together, and the row has the checksums of all.
MAINTAINED = "maintained"
#: Key of what is said of a batch: why its rows came in or changed.
REASON = "reason"

EVENT_SCHEMA = pa.schema(
    [
        ("version", pa.int64()),
        *texts("batch", "event", "at_utc", "counts_json", "sources_json", "about_json"),
        # Rows stored before these were kept have none of them.
        *texts("who", "source_sums_json", "files_json"),
        ("step", pa.int64()),
        ("chain", pa.string()),
    ]
)


@dataclass(frozen=True, slots=True)
class Counts:
    """How the rows of one table of a batch compare with what was there."""

    new: int = 0
    changed: int = 0
    unchanged: int = 0


@dataclass(frozen=True, slots=True)
class Event:
    """One step of a store's version: a batch ``imported``, ``withdrawn`` or ``restored``.

    `version` is that of the store from this event on, `at_utc` an ISO 8601 instant, `counts` by
    table (empty but for an import), `sources` the names of the files the batch came from, `about`
    what was said of it, such as corrections of its cells or the reason for a change. `who` did it,
    empty where that is not known; `source_sums` has the SHA-256 of each source that was a file.
    `files` has that of each file that the step wrote, by its path in the store; None where an older
    program kept none. `step` is its place among all rows, `chain` what ties it to the one before.
    """

    version: int
    batch: str
    event: str
    at_utc: str
    counts: Mapping[str, Counts]
    sources: tuple[str, ...]
    about: Mapping[str, Any] = field(default_factory=dict)
    who: str = ""
    source_sums: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, str] | None = None
    step: int = 0
    chain: str = ""


@dataclass(frozen=True, slots=True)
class Batch:
    """An imported batch, the version that took it out again, and the one that put it back, if any.

    One that was put back and taken out once more has its `withdrawn_version` alone. `last_step` is
    its last withdrawal or return, with who did it and why.
    """

    batch: str
    version: int
    at_utc: str
    counts: Mapping[str, Counts]
    sources: tuple[str, ...]
    withdrawn_version: int | None = None
    restored_version: int | None = None
    about: Mapping[str, Any] = field(default_factory=dict)
    who: str = ""
    source_sums: Mapping[str, str] = field(default_factory=dict)
    last_step: Event | None = None


@dataclass(frozen=True, slots=True)
class Receipt:
    """What an import did, and the version of the store afterwards.

    `batch` is None where every row was already there and nothing was written.
    """

    batch: str | None
    version: int
    counts: Mapping[str, Counts]


def to_row(event: Event) -> pa.Table:
    """Return an event as a table of one row in `EVENT_SCHEMA`."""
    counts = {name: asdict(count) for name, count in event.counts.items()}
    row = {
        "version": event.version,
        "batch": event.batch,
        "event": event.event,
        "at_utc": event.at_utc,
        "counts_json": json.dumps(counts),
        "sources_json": json.dumps(list(event.sources)),
        "about_json": json.dumps(dict(event.about)) if event.about else None,
    }
    if event.files is not None:
        row |= {
            "who": event.who,
            "source_sums_json": json.dumps(dict(event.source_sums)),
            "files_json": json.dumps(dict(event.files)),
            "step": event.step,
            "chain": event.chain,
        }
    return pa.Table.from_pylist([row], schema=EVENT_SCHEMA)


def from_rows(table: pa.Table) -> list[Event]:
    """Return the events of a stored table, oldest first."""
    events = [
        Event(
            row["version"],
            row["batch"],
            row["event"],
            row["at_utc"],
            MappingProxyType(
                {name: Counts(**count) for name, count in json.loads(row["counts_json"]).items()}
            ),
            tuple(json.loads(row["sources_json"])),
            MappingProxyType(json.loads(row["about_json"] or "{}")),
            row["who"] or "",
            MappingProxyType(json.loads(row["source_sums_json"] or "{}")),
            None if row["files_json"] is None else MappingProxyType(json.loads(row["files_json"])),
            row["version"] if row["step"] is None else row["step"],
            row["chain"] or "",
        )
        for row in table.to_pylist()
    ]
    return sorted(events, key=lambda event: event.step)


def batches(events: Sequence[Event]) -> list[Batch]:
    """Return every imported batch, oldest first, with its withdrawal where there was one."""
    last = {event.batch: event for event in events if event.event != IMPORTED}

    def version_of(batch: str, kind: str) -> int | None:
        return last[batch].version if batch in last and last[batch].event == kind else None

    return [
        Batch(
            event.batch,
            event.version,
            event.at_utc,
            event.counts,
            event.sources,
            version_of(event.batch, WITHDRAWN),
            version_of(event.batch, RESTORED),
            event.about,
            event.who,
            event.source_sums,
            last.get(event.batch),
        )
        for event in events
        if event.event == IMPORTED
    ]


def superseding(shown: Sequence[Batch], table: str) -> list[str]:
    """Return the batches whose rows of a table may stand in the place of older ones.

    Those imported while one now put back was out could not see that they do.
    """
    restored = [batch.version for batch in shown if batch.restored_version is not None]
    return [
        batch.batch
        for batch in shown
        if any(batch.version > one for one in restored)
        or ((own := batch.counts.get(table)) and own.changed)
    ]


def visible(events: Sequence[Event], *, as_of: int | None = None) -> list[Batch]:
    """Return the batches that show at a version, oldest first; 0 is before the first import.

    By default that is the newest; one that the store never had is a `UsageError`.
    """
    newest = len(events)
    at = newest if as_of is None else as_of
    if not 0 <= at <= newest:
        raise UsageError(f"the store has no version {at}; its versions are 0 to {newest}")
    past = [event for event in events if event.version <= at]
    return [batch for batch in batches(past) if batch.withdrawn_version is None]


def find(events: Sequence[Event], batch: str, *, withdrawn: bool = False) -> Batch:
    """Return a batch by its id or the beginning of it, at least its number.

    One that is not there, that was `withdrawn` already, or that was not where it should have
    been, is a `UsageError`.
    """
    known = batches(events)
    # A slip of the keyboard must not name a batch: its number is written out.
    matches = [
        one
        for one in known
        if one.batch.startswith(batch) and batch.startswith(one.batch.partition("-")[0])
    ]
    if not matches:
        names = ", ".join(one.batch for one in known) or "none"
        raise UsageError(
            f"no batch {batch!r} in the store; write its number or its whole id, such as b0003; "
            f"there are: {names}"
        )
    # Numbers are versions, and a version has one batch.
    found = matches[0]
    if withdrawn and found.withdrawn_version is None:
        raise UsageError(f"batch {found.batch} was not withdrawn: there is nothing to undo")
    if not withdrawn and found.withdrawn_version is not None:
        raise UsageError(
            f"batch {found.batch} was withdrawn already (version {found.withdrawn_version})"
        )
    return found

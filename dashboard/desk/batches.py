"""Batches of the store in words: what came in and when, and what became of it."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

import pandas as pd

from analytics.data.importing import Correction, from_records
from analytics.data.store import REASON
from analytics.precision import DASH
from dashboard.catalogue import phrase, say, say_n

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.data.store import Batch, Counts, Receipt

HEADS = (
    phrase("Batch"),
    phrase("Came in (UTC)"),
    phrase("By"),
    phrase("State"),
    phrase("New rows"),
    phrase("Changed rows"),
    phrase("Files"),
    phrase("Note"),
)


def frame_of(batches: Sequence[Batch]) -> pd.DataFrame:
    """Return batches as a table, the newest first."""
    rows = [
        (
            one.batch,
            datetime.fromisoformat(one.at_utc).replace(tzinfo=None),
            one.who or DASH,
            state_words(one),
            sum(count.new for count in one.counts.values()),
            sum(count.changed for count in one.counts.values()),
            ", ".join(one.sources),
            _note(one),
        )
        for one in reversed(batches)
    ]
    return pd.DataFrame(rows, columns=list(HEADS))


def state_words(batch: Batch) -> str:
    """Return whether a batch counts, and of its last step by whom and why."""
    step = batch.last_step
    if step is None:
        return say("current")
    by = say(" by {who}", who=step.who) if step.who else ""
    why = f": {step.about[REASON]}" if REASON in step.about else ""
    if batch.withdrawn_version is not None:
        of = {"version": batch.withdrawn_version, "by": by, "why": why}
        return say("withdrawn{by} (version {version}){why}", **of)
    of = {"version": batch.restored_version, "by": by, "why": why}
    return say("current, put back{by} (version {version}){why}", **of)


def corrections_of(batch: Batch) -> list[Correction]:
    """Return the corrections that a batch came in with."""
    return from_records(batch.about.get("corrections", ()))


def counts_frame(counts: Mapping[str, Counts]) -> pd.DataFrame:
    """Return the rows of a batch by table, tables without a row left out."""
    rows = [
        (name, one.new, one.changed, one.unchanged)
        for name, one in counts.items()
        if one.new + one.changed + one.unchanged
    ]
    heads = [say("Table"), say("New"), say("Changed"), say("There already")]
    return pd.DataFrame(rows, columns=heads)


def receipt_words(receipt: Receipt) -> str:
    """Return what storing a batch did."""
    if receipt.batch is None:
        return say("Nothing new: every row was in the store already, so no batch was made.")
    new, changed, same = (
        sum(getattr(one, name) for one in receipt.counts.values())
        for name in ("new", "changed", "unchanged")
    )
    parts = [
        say_n(new, "{n} new row", "{n} new rows"),
        say("{n:,} changed", n=changed),
        say("{n:,} there already", n=same),
    ]
    return say(
        "Batch {batch} is stored: {rows} (version {version}).",
        batch=receipt.batch,
        rows=", ".join(parts),
        version=receipt.version,
    )


def _note(batch: Batch) -> str:
    about: Mapping[str, Any] = batch.about
    made = len({(one.file, one.row, one.column) for one in corrections_of(batch)})
    parts = [str(about[REASON])] if about.get(REASON) else []
    parts += [say_n(made, "{n} cell corrected", "{n} cells corrected")] if made else []
    return "; ".join(parts)

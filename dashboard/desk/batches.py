"""Batches of the store in words: what came in and when, and what became of it."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

import pandas as pd

from analytics.data.importing import Correction, from_records
from analytics.data.store import REASON
from analytics.rounding import DASH
from analytics.wording import numbers

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.data.store import Batch, Counts, Receipt

HEADS = ("Batch", "Came in (UTC)", "By", "State", "New rows", "Changed rows", "Files", "Note")


def frame_of(batches: Sequence[Batch]) -> pd.DataFrame:
    """Return batches as a table, the newest first."""
    rows = [
        (
            one.batch,
            instant_words(one.at_utc),
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
        return "current"
    by = f" by {step.who}" if step.who else ""
    why = f": {step.about[REASON]}" if REASON in step.about else ""
    if batch.withdrawn_version is not None:
        return f"withdrawn{by} (version {batch.withdrawn_version}){why}"
    return f"current, put back{by} (version {batch.restored_version}){why}"


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
    return pd.DataFrame(rows, columns=["Table", "New", "Changed", "There already"])


def receipt_words(receipt: Receipt) -> str:
    """Return what storing a batch did."""
    if receipt.batch is None:
        return "Nothing new: every row was in the store already, so no batch was made."
    new, changed, same = (
        sum(getattr(one, name) for one in receipt.counts.values())
        for name in ("new", "changed", "unchanged")
    )
    parts = [f"{numbers.count(new, 'new row')}", f"{changed:,} changed", f"{same:,} there already"]
    return f"Batch {receipt.batch} is stored: {', '.join(parts)} (version {receipt.version})."


def instant_words(at_utc: str) -> str:
    """Return an instant as ``2031-02-01 08:30``."""
    return f"{datetime.fromisoformat(at_utc):%Y-%m-%d %H:%M}"


def _note(batch: Batch) -> str:
    about: Mapping[str, Any] = batch.about
    made = len(corrections_of(batch))
    parts = [str(about[REASON])] if about.get(REASON) else []
    return "; ".join([*parts, *([numbers.count(made, "cell") + " corrected"] if made else [])])

"""What a batch did, in words, and what comes next."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.findings import number_of
from analytics.wording import numbers

if TYPE_CHECKING:
    from analytics.data.store import Receipt


def receipt_words(receipt: Receipt) -> str:
    """Return what was stored (Markdown) and the next step."""
    if receipt.batch is None:
        return "Nothing new: every row is in the store already, so no batch was made."
    parts = []
    for name, count in receipt.counts.items():
        kinds = {"new": count.new, "changed": count.changed, "unchanged": count.unchanged}
        said = ", ".join(f"{n:,} {word}" for word, n in kinds.items() if n)
        if said:
            parts.append(f"{name.replace('_', ' ')} {said}")
    return (
        f"Stored as batch **{numbers.plain(receipt.batch)}**: {numbers.plain('; '.join(parts))}. "
        f"The store is at version {receipt.version}. Next: go on with the next form, or make the "
        "bulletin anew (page *New bulletin*, or the command `blackmouth bulletin`). A slip is "
        "taken back with the page *Data desk* or `blackmouth withdraw`."
    )


def rows_words(n_boats: int, n_fish: int, n_bycatch: int) -> str:
    """Return how much a form holds, in words."""
    return (
        f"{number_of(n_boats, 'boat')}, {n_fish:,} fish measured, "
        f"{number_of(n_bycatch, 'line')} of other species"
    )

"""The kinds of revisions, and which of them a reader should see first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

REVISED, RESTATED, NEW, GONE = "revised", "restated", "new", "removed"
#: How data moved a figure, the strongest first: rows of its own area and week came, went or
#: changed; rows that every week rests on did, such as an opening or a rate; another version of the
#: program made it; or only others' data did, from which its stratum borrows.
OWN_DATA, WHOLE_SEASON, PROGRAM, POOLING = EFFECTS = (
    "own_data",
    "whole_season",
    "program",
    "pooling",
)
#: How several causes of one revision are joined.
JOINED_BY = "; "
#: Quantities that a reader looks for first.
HEADLINES = (
    "encounter_fish",
    "kept_fish",
    "sublegal_prop",
    "total_deaths_fish",
    "angler_trips",
    "angler_hours",
    "encounters_per_angler_hour",
)


def importance(row: Mapping[str, Any]) -> tuple[bool, int, bool, bool, float]:
    """Return the key that sorts revisions, the most important first.

    What pooling alone moved comes last. The season comes before areas, areas before weeks, weeks
    before the weeks of an area; within these, headline quantities first; then figures that came or
    went, as they have no size; then the largest change in standard errors.

    Parameters
    ----------
    row : mapping
        `area`, `week` and `quantity`; `effect`, `previous`, `estimate` and `change_in_se` where
        there are.
    """
    level = 2 * (row["week"] is not None) + (row["area"] is not None)
    has_come_or_gone = (row.get("previous") is None) is not (row.get("estimate") is None)
    size = abs(row.get("change_in_se") or 0.0)
    by_pooling = row.get("effect") == POOLING
    return by_pooling, level, row["quantity"] not in HEADLINES, not has_come_or_gone, -size

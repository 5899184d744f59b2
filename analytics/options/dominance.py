"""Options that another beats: no worse on any count, and better on one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.codes import coded, join_codes
from analytics.options.schemas import DOMINANCE_SCHEMA

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Means over all areas that count, and whether more is better.
COUNTS = {
    "angler_trips": True,
    "kept_fish": True,
    "released_sublegal_fish": False,
    "total_deaths_fish": False,
}
#: Part of a number within which two are alike: sums are of single precision.
_TIE = 1e-6


@dataclass(frozen=True, slots=True)
class Score:
    """An option's counts, each turned so that more is better; NaN where there is no number."""

    name: str
    counts: tuple[float, ...]

    def dominates(self, other: Score) -> bool:
        """Return whether this option is no worse on any count and better on one.

        An option with a count that is no number neither beats nor is dominated.
        """
        mine, others = np.array(self.counts), np.array(other.counts)
        gain = mine - others
        tie = _TIE * np.maximum(1, np.maximum(np.abs(mine), np.abs(others)))
        return bool((gain >= -tie).all() and (gain > tie).any())


def dominated(scores: Sequence[Score]) -> pa.Table:
    """Return which options are dominated, and by which, as `DOMINANCE_SCHEMA`, one row an option.

    Several that beat it are joined by ``; ``. None is dominated where a count of any is no number.
    """
    judged = [] if np.isnan(np.array([one.counts for one in scores])).any() else scores
    by = ["; ".join(one.name for one in judged if one.dominates(this)) for this in scores]
    return pa.table(
        {
            "option": [one.name for one in scores],
            "is_dominated": [bool(names) for names in by],
            "dominated_by": [names or None for names in by],
        },
        schema=DOMINANCE_SCHEMA,
    )


def why_none(scores: Sequence[Score], limit_ids: Sequence[str]) -> str:
    """Return as codes why no option is judged; empty where they are, or where there is only one."""
    is_lacking = np.isnan(np.array([one.counts for one in scores]))
    if len(scores) < 2 or not is_lacking.any():
        return ""
    names = [one.name for one, some in zip(scores, is_lacking.any(axis=1), strict=True) if some]
    by_count = is_lacking.any(axis=0).tolist()
    totals = [name for name, some in zip(COUNTS, by_count, strict=False) if some]
    limits = [name for name, some in zip(limit_ids, by_count[len(COUNTS) :], strict=True) if some]
    return join_codes(
        [
            coded("dominance_not_judged"),
            coded("totals_not_given", totals=totals, options=names) if totals else None,
            coded("chances_not_given", limits=limits, options=names) if limits else None,
        ]
    )

"""Options that another beats: no worse on any count, and better on one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.season.tables import BEATEN_SCHEMA

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Means over all areas that count, and whether more is better.
COUNTS = {
    "angler_trips": True,
    "kept_fish": True,
    "released_sublegal_fish": False,
    "total_deaths_fish": False,
}
RULE = (
    "An option is beaten where another brings at least as many angler trips and kept fish, at most "
    "as many sublegal releases and deaths, at most the same chance to pass each limit, and is "
    "better on one of these; expected numbers of the whole season count, not their intervals."
)
#: Part of a number within which two are alike: sums are of single precision.
_TIE = 1e-6


@dataclass(frozen=True, slots=True)
class Score:
    """An option's counts, each turned so that more is better; NaN where there is no number.

    Parameters
    ----------
    name : str
    counts : tuple of float
    """

    name: str
    counts: tuple[float, ...]

    def beats(self, other: Score) -> bool:
        """Return whether this option is no worse on any count and better on one."""
        mine, others = np.array(self.counts), np.array(other.counts)
        told = ~(np.isnan(mine) | np.isnan(others))
        gain = (mine - others)[told]
        tie = _TIE * np.maximum(1, np.maximum(np.abs(mine), np.abs(others)))[told]
        return bool((gain >= -tie).all() and (gain > tie).any())


def beaten(scores: Sequence[Score]) -> pa.Table:
    """Return which options are beaten, and by which.

    Parameters
    ----------
    scores : sequence of Score

    Returns
    -------
    pyarrow.Table
        In `BEATEN_SCHEMA`, one row an option; several that beat it are joined by ``; ``.
    """
    by = ["; ".join(one.name for one in scores if one.beats(this)) for this in scores]
    return pa.table(
        {
            "option": [one.name for one in scores],
            "is_beaten": [bool(names) for names in by],
            "beaten_by": [names or None for names in by],
        },
        schema=BEATEN_SCHEMA,
    )

"""The limits of one season: what each is set on, and why nothing can be told against one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analytics.limits import listed, why_no_sum
from analytics.season.baseline import Limit
from analytics.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.data.snapshot import Snapshot


@dataclass(frozen=True, slots=True)
class SeasonLimit:
    """A limit of a season as it is set, and as it can be told.

    Parameters
    ----------
    limit : Limit
        As it is set.
    told : tuple of str
        Its areas that belong to the season; the others hold no fish of it.
    reason : str
        Why no standing can be told; empty where it can.
    note : str
        What is to be said beside the total.
    """

    limit: Limit
    told: tuple[str, ...]
    reason: str
    note: str

    @property
    def unit(self) -> str | None:
        """The unit of its quantities; None where one is not known."""
        known = [QUANTITIES[one].unit for one in self.limit.quantities if one in QUANTITIES]
        return known[0] if known else None


def limits_of_season(snapshot: Snapshot, *, season: str, areas: Sequence[str]) -> list[SeasonLimit]:
    """Return the limits of a season in the order of their ids; those of other seasons wait.

    Parameters
    ----------
    snapshot : Snapshot
    season : str
    areas : sequence of str
        Areas that were sampled or are open on some day of the season.

    Returns
    -------
    list of SeasonLimit
    """
    rows = [row for row in snapshot["limits"].to_pylist() if row["season"] == season]
    return [
        _limit(
            Limit(
                row["limit_id"],
                listed(row["areas"]),
                listed(row["quantity"]),
                float(row["limit_fish"]),
            ),
            season,
            areas,
        )
        for row in sorted(rows, key=lambda row: str(row["limit_id"]))
    ]


def _limit(limit: Limit, season: str, areas: Sequence[str]) -> SeasonLimit:
    told = tuple(one for one in limit.areas if one in areas)
    never = [one for one in limit.areas if one not in areas]
    words = f"{', '.join(never)} not open on any day of season {season}" if never else ""
    reason = why_no_sum(limit.quantities)
    if not reason and not told:
        reason = words or "no area named"
    return SeasonLimit(limit, told, reason, words)

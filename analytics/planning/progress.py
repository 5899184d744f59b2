"""What became of planned shifts: done, missed or still ahead, and how busy the missed ones are.

A shift is done when the store has a site-day with its sample and a count of boats, whatever the
plan's own `state` says. Missed shifts are not missing at random: they are compared with the done
ones by the boats that earlier visits of the same site and day group counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.data.calendar import season_days
from analytics.planning.missed import is_reserve

if TYPE_CHECKING:
    from analytics.arrays import Bools, Floats
    from analytics.data.snapshot import Snapshot

#: Rearrangements by which a difference is distinguished from chance.
_REARRANGEMENTS = 4_000


class Standing(StrEnum):
    """Where a shift stands; `NOT_SEEN`: its day is over in the store and no count came."""

    DONE = "done"
    AHEAD = "ahead"
    NOT_SEEN = "not_seen"
    MISSED = "missed"
    REPLACED = "replaced"
    RESERVE = "reserve"


#: Those that were to be visited and were not.
LOST = (Standing.NOT_SEEN, Standing.MISSED, Standing.REPLACED)


@dataclass(frozen=True, slots=True)
class Busyness:
    """Boats that earlier visits had, on average, where shifts were missed and where they were done.

    `chance`: how often so great a difference comes about where missed and done ones are mixed at
    random; None where there are too few of either.
    """

    missed: float | None
    done: float | None
    chance: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Progress:
    """The shifts of a plan, by date and site, and how busy the missed ones are.

    `shifts`: rows of ``planned_site_days`` with ``area, week, standing, usual_boats,
    boats_returned``.
    """

    shifts: pd.DataFrame
    busyness: Busyness

    def count(self, *standings: Standing) -> int:
        """Return how many shifts stand so."""
        return int(self.shifts["standing"].isin(standings).sum())


def progress_of(snapshot: Snapshot, season: str) -> Progress:
    """Return what became of the planned shifts of a season.

    Parameters
    ----------
    snapshot : Snapshot
    season : str
    """
    plan = snapshot["planned_site_days"].to_pandas()
    plan = plan[plan["season"] == season].reset_index(drop=True)
    sites = snapshot["sites"].to_pandas()[["site", "area"]].drop_duplicates("site")
    days = season_days(snapshot, season)[["area", "date", "week", "day_group"]]
    days = days.drop_duplicates(["area", "date"])
    visits = _placed(snapshot["site_days"].to_pandas(), sites, days)
    counted = visits[visits["boats_returned"].notna()]
    shifts = _placed(plan, sites, days).merge(
        counted[["sample_id", "boats_returned"]], on="sample_id", how="left"
    )
    shifts["usual_boats"] = _usual_boats(shifts, counted)
    shifts["standing"] = _standings(shifts, counted["date"].max())
    shifts = shifts.sort_values(["date", "site"], kind="stable", ignore_index=True)
    return Progress(shifts, _busyness(shifts))


def _placed(rows: pd.DataFrame, sites: pd.DataFrame, days: pd.DataFrame) -> pd.DataFrame:
    """Return site-days on open days of the season, with area, week and day group."""
    rows = rows.assign(date=pd.to_datetime(rows["date"]))
    found: pd.DataFrame = rows.merge(sites, on="site").merge(days, on=["area", "date"])
    return found


def _usual_boats(shifts: pd.DataFrame, counted: pd.DataFrame) -> Floats:
    """Return the mean of the other counts of the site, of its day group where there are some."""
    found = np.full(len(shifts), np.nan)
    for at, one in enumerate(shifts.to_dict("records")):
        others = counted[
            (counted["site"] == one["site"]) & (counted["sample_id"] != one["sample_id"])
        ]
        same = others[others["day_group"] == one["day_group"]]
        found[at] = (same if len(same) else others)["boats_returned"].mean()
    return found


def _standings(shifts: pd.DataFrame, through: pd.Timestamp) -> list[Standing]:
    """Return the standing of each shift; `through` is the last day with a count."""
    return [
        _standing(
            one["state"] if isinstance(one["state"], str) else "planned",
            has_count=not np.isnan(one["boats_returned"]),
            is_reserve=bool(reserve),
            is_past=bool(one["date"] <= through),
        )
        for one, reserve in zip(shifts.to_dict("records"), is_reserve(shifts), strict=True)
    ]


def _standing(state: str, *, has_count: bool, is_reserve: bool, is_past: bool) -> Standing:
    if has_count:
        return Standing.DONE
    if is_reserve:
        return Standing.RESERVE
    if state in ("missed", "replaced"):
        return Standing(state)
    return Standing.NOT_SEEN if is_past or state == "done" else Standing.AHEAD


def _busyness(shifts: pd.DataFrame) -> Busyness:
    known = shifts[shifts["usual_boats"].notna()]
    is_lost = known["standing"].isin(LOST).to_numpy(dtype=bool)
    is_done = known["standing"].eq(Standing.DONE).to_numpy(dtype=bool)
    boats = known["usual_boats"].to_numpy(np.float64)
    missed, done = (float(boats[one].mean()) if one.any() else None for one in (is_lost, is_done))
    either = is_lost | is_done
    return Busyness(missed, done, _chance(boats[either], is_lost[either]))


def _chance(boats: Floats, is_lost: Bools) -> float | None:
    """Return the two-sided p of a random rearrangement; None below two of either kind."""
    if min(is_lost.sum(), (~is_lost).sum()) < 2:
        return None
    rng = np.random.default_rng(0)
    n_lost = int(is_lost.sum())
    mean = boats.mean()
    mixed = rng.permuted(np.tile(boats, (_REARRANGEMENTS, 1)), axis=1)[:, :n_lost].mean(axis=1)
    seen = abs(boats[is_lost].mean() - mean)
    as_far = int((np.abs(mixed - mean) >= seen - 1e-12).sum())
    return (as_far + 1) / (_REARRANGEMENTS + 1)

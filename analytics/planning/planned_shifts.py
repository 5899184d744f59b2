"""Planned shifts: done, missed or still ahead; what a missed one is followed by; how busy they are.

A shift is done when the store has a site-day with its sample and a count of boats, whatever the
plan's own `state` says. Missed shifts are not missing at random: they are compared with the done
ones by the boats that other visits of the same site and day group counted.

What follows a missed shift is a matter of rule and not of convenience. A reserve site-day takes its
place only where every date of the stratum is still ahead, or on the same date: the next of the
reserve in its drawn order, whatever it is. "The next day that suits" would favour late days and is
never taken. Else the site-day is left out, and given how many are left the sample is a simple
random one still, as long as what kept the sampler away has nothing to do with the boats.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analytics.codes import coded, join_codes
from analytics.data.calendar import season_days
from analytics.errors import UsageError

if TYPE_CHECKING:
    from datetime import date

    from analytics.arrays import Bools, Floats
    from analytics.data.snapshot import Snapshot


class Cause(StrEnum):
    """Why a planned site-day was not visited; `STORM_EMPTY` where it is known that none came."""

    SAMPLER_MISSING = "sampler_missing"
    NOBODY_FREE = "nobody_free"
    SITE_CLOSED = "site_closed"
    STORM_NOT_SEEN = "storm_not_seen"
    STORM_EMPTY = "storm_empty"


class Action(StrEnum):
    """What follows."""

    ANOTHER_SAMPLER = "another_sampler"
    RESERVE = "reserve"
    LEFT_OUT = "left_out"
    COUNT_ZERO = "count_zero"


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What follows from a missed shift.

    `rows`: rows of ``planned_site_days`` that change, to be imported; none where nothing does.
    `replacement`: the sample of the reserve that takes its place, if any.
    """

    action: Action
    rows: pd.DataFrame
    replacement: str | None = None


def miss(plan: pd.DataFrame, sample_id: str, *, cause: Cause, who: str, known_on: date) -> Outcome:
    """Return what follows when a planned site-day cannot be visited.

    Parameters
    ----------
    plan : pandas.DataFrame
        Rows of ``planned_site_days``, at least those of its stratum.
    sample_id : str
    cause : Cause
    who : str
        Who says so.
    known_on : datetime.date
        The day on which it became known.

    Raises
    ------
    UsageError
        If it is no planned site-day, or it is in the reserve or was missed already.
    """
    one = _planned(plan, sample_id)
    if cause is Cause.STORM_EMPTY:
        return Outcome(Action.COUNT_ZERO, plan.iloc[:0])
    who, day = who.strip() or "–", f"{known_on:%Y-%m-%d}"
    why = coded(cause.value, who=who, day=day)
    if cause is Cause.SAMPLER_MISSING:
        return Outcome(Action.ANOTHER_SAMPLER, _changed(one, sampler=None, reason=why))
    found = _next_of_reserve(plan, one.iloc[0], known_on)
    if found is None:
        rows = _changed(one, state="missed", reason=join_codes([why, coded("left_out")]))
        return Outcome(Action.LEFT_OUT, rows)
    taken = str(found["sample_id"].iloc[0])
    gone = join_codes([why, coded("replaced_by", sample=taken)])
    came = coded("takes_the_place_of", sample=sample_id, who=who, day=day)
    rows = pd.concat(
        [
            _changed(one, state="replaced", reason=gone),
            _changed(found, is_reserve=False, reason=came, sampler=None),
        ],
        ignore_index=True,
    )
    return Outcome(Action.RESERVE, rows, taken)


def _planned(plan: pd.DataFrame, sample_id: str) -> pd.DataFrame:
    one = plan[plan["sample_id"] == sample_id]
    if one.empty:
        raise UsageError(f"no planned site-day {sample_id}; allowed: a sample_id of the plan")
    state = str(one["state"].iloc[0] or "planned")
    if state != "planned" or is_reserve(one).iloc[0]:
        seen = "in the reserve" if state == "planned" else state
        raise UsageError(f"site-day {sample_id} is {seen}; allowed: one that is planned")
    return one


def _next_of_reserve(plan: pd.DataFrame, one: pd.Series, known_on: date) -> pd.DataFrame | None:
    """Return the site-day of the reserve that may take the place of one, None where none may."""
    mine = plan[
        (plan["season"] == one["season"]) & (plan["stratum_name"] == one["stratum_name"])
    ].sort_values("draw_order", kind="stable")
    dates = pd.to_datetime(mine["date"])
    free = is_reserve(mine) & mine["state"].fillna("planned").eq("planned")
    # Where days were drawn first, a site gives way to the next site of its own day.
    if pd.notna(one["draw_probability"]) or not (dates > pd.Timestamp(known_on)).all():
        free &= (dates == pd.Timestamp(one["date"])) & (dates >= pd.Timestamp(known_on))
    found = mine[free]
    return found.head(1) if len(found) else None


def is_reserve(plan: pd.DataFrame) -> pd.Series:
    """Return which rows of a plan stand in the reserve; an empty cell does not."""
    flags: pd.Series = plan["is_reserve"].fillna(False).astype(bool)
    return flags


def _changed(rows: pd.DataFrame, **values: object) -> pd.DataFrame:
    """Return a row with new values; a reason follows those there were."""
    if isinstance(before := rows["reason"].iloc[0], str):
        values["reason"] = join_codes([before, str(values["reason"])])
    given: dict[str, Any] = {name: [value] for name, value in values.items()}
    return rows.assign(**given)


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
    """Boats that other visits had, on average, where shifts were missed and where they were done.

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
    """Return what became of the planned shifts of a season."""
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

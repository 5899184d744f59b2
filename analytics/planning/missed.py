"""A planned shift that nobody takes: what follows by rule and not by convenience, and what it says.

A reserve site-day takes the place of a missed one only where every date of the stratum is still
ahead, or on the same date: the next of the reserve in its drawn order, whatever it is. "The next
day that suits" would favour late days and is never taken. Else the site-day is left out, and given
how many are left the sample is a simple random one still, as long as what kept the sampler away has
nothing to do with the boats.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import pandas as pd

from analytics.codes import coded, join_codes
from analytics.errors import UsageError

if TYPE_CHECKING:
    from datetime import date


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

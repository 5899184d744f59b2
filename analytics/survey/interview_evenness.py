"""Whether the days of a week were interviewed unevenly: shares of the boat-hours counted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from analytics.data import query
from analytics.data.calendar import trip_tables
from analytics.weeks import iso_week

if TYPE_CHECKING:
    from analytics.data.snapshot import Snapshot
    from analytics.survey.boat_counts import Counted

#: The largest share over the smallest of a week, beyond which a reader is warned; and what an area
#: needs over the season for a word at all (common practice, no source).
MOST_UNEVEN = 3.0
FEWEST_DAYS, FEWEST_INTERVIEWS = 3, 10

_HOURS = """
SELECT area, on_day AS date, sum(hours_fished) AS hours, count(*)::BIGINT AS n
FROM trips WHERE hours_fished > 0 GROUP BY ALL
"""


@dataclass(frozen=True, slots=True)
class Uneven:
    """One area whose days were interviewed unevenly.

    Parameters
    ----------
    week : str
        The week that is the most uneven.
    low, high : float
        Smallest and largest share of a day's counted boat-hours that interviews reported, in it.
    n_weeks, n_compared : int
        Weeks over the limit, of those with two days or more to compare.
    n_days, n_interviews : int
        Days with counts and interviews in the season, and their interviews.
    """

    area: str
    week: str
    low: float
    high: float
    n_weeks: int
    n_compared: int
    n_days: int
    n_interviews: int


def uneven_shares(snapshot: Snapshot, counted: Counted) -> tuple[Uneven, ...]:
    """Return the areas where some week's days were interviewed unevenly.

    The catch rate of an area and week is one over all its days: where a larger part of the boats
    was interviewed on some days than on others, those days weigh more in it. A day's share is the
    boat-hours of its interviews over those counted, on days that have both; shares are compared
    within an area and week, and an area is named where the largest is more than `MOST_UNEVEN` times
    the smallest in some week and it has at least `FEWEST_DAYS` such days and `FEWEST_INTERVIEWS`
    interviews over the season.

    Parameters
    ----------
    counted : Counted
        Counted days of the season.

    Returns
    -------
    tuple of Uneven
        By area.
    """
    reported: pd.DataFrame = query.run(_HOURS, trip_tables(snapshot)).to_pandas()
    reported["date"] = pd.to_datetime(reported["date"])
    days = counted.days[counted.days["boat_hours"] > 0].merge(reported, on=["area", "date"])
    days["share"] = days["hours"] / days["boat_hours"]
    days["week"] = iso_week(days["date"])
    found = (_uneven(str(area), mine) for area, mine in days.groupby("area"))
    return tuple(one for one in found if one is not None)


def _uneven(area: str, days: pd.DataFrame) -> Uneven | None:
    n_days, n_interviews = len(days), int(days["n"].sum())
    if n_days < FEWEST_DAYS or n_interviews < FEWEST_INTERVIEWS:
        return None
    weeks = days.groupby("week")["share"].agg(["min", "max", "size"])
    weeks = weeks[weeks["size"] > 1]
    times = weeks["max"] / weeks["min"]
    over = times[times > MOST_UNEVEN]
    if over.empty:
        return None
    worst = int(times.to_numpy().argmax())
    return Uneven(
        area=area,
        week=str(weeks.index[worst]),
        low=float(weeks["min"].iloc[worst]),
        high=float(weeks["max"].iloc[worst]),
        n_weeks=len(over),
        n_compared=len(weeks),
        n_days=n_days,
        n_interviews=n_interviews,
    )

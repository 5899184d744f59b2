"""Use of each limit week by week so far, from the weekly result rows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analytics.weeks import week_end, weeks_between

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from analytics.bulletin.standing.limits import SeasonLimit

    Row = dict[str, Any]

#: How the weeks so far are drawn, in words.
CUMULATED = (
    "The use of a limit so far adds up weekly estimates; a week without one adds nothing. The sum "
    "is brought to the season's total, from which ratios of single weeks may differ a little."
)


def past_rows(
    limit: SeasonLimit,
    weekly: Mapping[tuple[str | None, str, str], float | None],
    *,
    season: str,
    weeks: Sequence[str],
    estimate: float | None,
    through: date,
) -> list[Row]:
    """Return the cumulated total of a limit at the end of every week so far.

    Parameters
    ----------
    limit : SeasonLimit
    weekly : mapping of (area, week, quantity) to float or None
        Estimates of the result rows by area and week.
    season : str
    weeks : sequence of str
        Open or sampled weeks so far, in order; closed ones between are carried on.
    estimate : float or None
        Total so far, at which the last week ends; without one there is no row.
    through : datetime.date
        Last day of the total.

    Returns
    -------
    list of dict
        In the columns of `analytics.bulletin.standing.tables.FAN_SCHEMA`.
    """
    if estimate is None or not weeks:
        return []
    total, found = 0.0, []
    for week in weeks_between(weeks[0], weeks[-1]):
        total += sum(
            weekly.get((area, week, name)) or 0.0
            for area in limit.told
            for name in limit.limit.quantities
        )
        found.append((week, min(week_end(week), through), total))
    scale = estimate / total if total > 0 else 1.0
    return [
        {
            "season": season,
            "limit_id": limit.limit.limit_id,
            "week": week,
            "day": day,
            "is_ahead": False,
            "estimate": scale * value,
        }
        for week, day, value in found
    ]

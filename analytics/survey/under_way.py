"""Catch rates of trips that were not over when interviewed: the mean of the trips' own ratios.

A sampler on the water meets long trips more often than short ones, so that catch over effort of
all trips together leans to the long ones; the mean of the trips' own rates does not (Hoenig et al.
1997; Pollock et al. 1997; from memory). Trips under half an hour are dropped.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pyarrow as pa

from analytics.data import sql
from analytics.data.calendar import open_days
from analytics.survey.trip_rates import SHORTEST_HOURS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analytics.data.snapshot import Snapshot
    from analytics.survey.sums import Measure

#: Days are the clusters: trips met on one day in one area share its weather and its fish.
_MET = f"""
SELECT i.* REPLACE (concat(i.area, ' ', i.on_day) AS sample_id, true AS trip_complete),
       i.area AS landing_area, o.season
FROM (SELECT r.*, coalesce(d.date, r.date) AS on_day FROM interviews r
      LEFT JOIN (SELECT sample_id, date FROM site_days) d ON d.sample_id = r.sample_id
      WHERE NOT coalesce(r.trip_complete, true) AND r.hours_fished >= {SHORTEST_HOURS}) i
JOIN open_days o ON o.area = i.area AND o.date = i.on_day
"""


def met_under_way(snapshot: Snapshot, *, season: str) -> pa.Table:
    """Return a season's interviews of trips that were not over, half an hour or longer.

    Parameters
    ----------
    snapshot : Snapshot
    season : str

    Returns
    -------
    pyarrow.Table
        Interviews on open days of the area fished; ``sample_id`` is that area and day in words, and
        ``trip_complete`` is set, since what each tells here is its rate so far. With
        ``landing_area`` (the area fished), ``on_day`` and ``season``.
    """
    days = open_days(snapshot["seasons"], snapshot["holidays"])
    days = days.loc[days["season"] == season, ["area", "date", "season"]]
    opened = pa.Table.from_pandas(days, preserve_index=False)
    opened = opened.set_column(1, "date", opened["date"].cast(pa.date32()))
    return sql.run(
        _MET,
        {
            "interviews": snapshot.source("interviews"),
            "site_days": snapshot["site_days"],
            "open_days": opened,
        },
    )


def rate_measures(measures: Mapping[str, Measure]) -> dict[str, Measure]:
    """Return each measure as a rate per hour the boat fished, under the same name."""
    return {
        name: replace(
            one,
            sql=f"({one.sql}) / hours_fished",
            full_sql=f"({one.full_sql}) / hours_fished" if one.full_sql else "",
        )
        for name, one in measures.items()
    }

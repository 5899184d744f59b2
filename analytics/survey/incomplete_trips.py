"""Trips that were not over when interviewed: their rates so far, as rates of complete trips.

A sampler at a ramp interviews every trip once, at its end: the ratio of means is right. A sampler
on the water interviews long trips more often: the mean of the trips' own rates is right, and the
ratio of means is not (Hoenig et al. 1997; Pollock et al. 1997; from memory). Each trip weighs the
same.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pyarrow as pa

from analytics.data import query
from analytics.data.calendar import season_days, trip_tables

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analytics.data.snapshot import Snapshot
    from analytics.survey.reduction import Measure

#: Trips under half an hour have rates too wild for a mean (Hoenig et al. 1997, Pollock et al. 1997;
#: from memory).
SHORTEST_HOURS = 0.5
#: Days are the clusters: trips of one day in one area share its weather and its fish.
_INCOMPLETE = f"""
SELECT t.* REPLACE (concat(t.area, ' ', on_day) AS sample_id, true AS trip_complete),
    t.area AS landing_area, o.season
FROM trips t JOIN open_days o ON o.area = t.area AND o.date = on_day
WHERE NOT coalesce(t.trip_complete, true) AND t.hours_fished >= {SHORTEST_HOURS}
"""


def incomplete_trips(snapshot: Snapshot, *, season: str) -> pa.Table:
    """Return a season's interviews of trips that were not over, half an hour or longer.

    Returns
    -------
    pyarrow.Table
        Interviews on open days of the area fished; ``sample_id`` is that area and day in words, and
        ``trip_complete`` is set, since each stands here for its rate so far. With
        ``landing_area`` (the area fished), ``on_day`` and ``season``.
    """
    days = season_days(snapshot, season)[["area", "date", "season"]]
    opened = pa.Table.from_pandas(days, preserve_index=False)
    opened = opened.set_column(1, "date", opened["date"].cast(pa.date32()))
    return query.run(_INCOMPLETE, trip_tables(snapshot) | {"open_days": opened})


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
